"""What commissioning tests share: a reading, and a person who answers a script from a list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from controller.commissioning.outcome import Outcome
from controller.commissioning.readings import Readings
from controller.commissioning.talk import Ask, Give, Look, Say, Script, TellTime, Tree
from controller.site.load import parse_site
from simulator.example import example_site_text

SITE = parse_site(example_site_text(), "example site")
TANK, PUMP, ZONES = SITE.tanks[0], SITE.pumps[0], SITE.zones
EVENING = datetime(2026, 6, 2, 20, tzinfo=ZoneInfo("Europe/London"))

READING = Readings(
    age_s=0.2,
    board="e6614c311b",
    firmware="1.0",
    boot="5f0a1c2e",
    up_s=100.0,
    fitted={
        "echo": 1,
        "temperature": 1,
        "flow": 1,
        "float": 1,
        "pump": 1,
        "valve": 6,
        "rain": 1,
        "shunt": 1,
        "panel": 1,
    },
    echo_us={0: (4100, 4101, 0, 4099, 4102)},
    temperature_c={0: 15.0},
    battery_v=12.64,
    panel_v=18.0,
    current_a=-0.2,
    flow_pulses={0: 1000},
    rain_tips=5,
    float_wet={0: True},
    soil_v={},
    pumps_on=0,
    valves_open=0,
    faults=(),
)


class Scripted:
    """Plays a script: `words` answer its questions in turn, `readings` its looks (the last one again and again).

    orders: what was ordered. said: all that was shown or asked.
    """

    def __init__(
        self,
        words: Sequence[str] = (),
        readings: Sequence[Readings] = (READING,),
        refuse: str = "",
        now: datetime = EVENING,
        values: dict[str, str] | None = None,
    ) -> None:
        self._words, self._readings = list(words), list(readings)
        self._refuse, self._now, self._values = refuse, now, values or {}
        self.orders: list[dict[str, Any]] = []
        self.said: list[str] = []

    def play(self, script: Script) -> Outcome:
        reply: Any = None
        while True:
            try:
                request = script.send(reply)
            except StopIteration as end:
                outcome: Outcome = end.value
                assert not self._words, f"never asked for: {self._words}"
                return outcome
            reply = self._answer(request)

    def _answer(self, request: object) -> Any:
        if isinstance(request, Say | Ask):
            self.said.append(request.text)
        if isinstance(request, Ask):
            assert self._words, f"no answer left for {request.text!r}"
            return self._words.pop(0)
        if isinstance(request, Give):
            self.orders.append(dict(request.fields))
            return self._refuse
        if isinstance(request, Look):
            return (self._readings.pop(0) if len(self._readings) > 1 else self._readings[0],)
        if isinstance(request, Tree):
            return self._values
        return self._now if isinstance(request, TellTime) else None


def reading(**changes: Any) -> Readings:
    return replace(READING, **changes)


def ids(outcome: Outcome) -> list[str]:
    return [fault.id for fault in outcome.faults]
