"""A watering by order during commissioning, and what the board showed of it.

Interlocks, reserve, daily cap and battery limits hold as for any order. The other zones are on hold meanwhile.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.commissioning import readings as reading
from controller.commissioning.readings import Readings
from controller.commissioning.talk import LOOK_S, Part, give, look, patiently
from controller.site.model import Pump, Zone

SETTLE_S = 15.0
BEGINS_WITHIN_S = 60.0
SLACK_S = 180.0
FILL_S, LEAST_RATE_S = 3.0, 5.0
SLOWEST_PART = 0.2
"""A line that gives less than this part of its emitters' rating is waited for no longer (own choice)."""


@dataclass(frozen=True, slots=True)
class Watering:
    """One run by order. `refused` says why there was none; then nothing else counts.

    pulses       by channel, from before the start until all was shut; None after a restart of the board
    pump_read    the pump's output read on
    pulses_s     by channel, a second, while the pump read on; empty when that was too short
    rest_a, pumping_a  battery current before and while pumping; None without a shunt
    ended        False: it was still running when it was waited for no longer, and was stopped
    """

    refused: str = ""
    pulses: dict[int, int] | None = None
    pump_read: bool = False
    pulses_s: Mapping[int, float] = field(default_factory=dict)
    rest_a: float | None = None
    pumping_a: float | None = None
    faults: tuple[str, ...] = ()
    ended: bool = True
    others_on: tuple[int, ...] = ()
    """Valve outputs that read open beside the zone's own."""


def water(zone: Zone, pump: Pump, volume_l: float) -> Part[Watering]:
    """Order a volume, watch it to its end, and put the zone on hold again."""
    before = yield from look(LOOK_S)
    reason = yield from give(order="resume-zone", zone=zone.id)
    reason = reason or (yield from patiently(order="run-zone", zone=zone.id, volume_l=volume_l))
    if reason:
        yield from give(order="hold-zone", zone=zone.id)
        return Watering(refused=reason)
    limit_s = SLACK_S + 60.0 * volume_l / (SLOWEST_PART * zone.rated_flow_l_min)
    seen, ended = yield from _watch(limit_s)
    yield from give(order="hold-zone", zone=zone.id)
    if not ended:
        seen += yield from look(SETTLE_S)
    return _what_was_seen(zone, pump, before, seen, ended)


def _watch(limit_s: float) -> Part[tuple[list[Readings], bool]]:
    """Readings from the start until everything is shut again."""
    seen: list[Readings] = []
    began = False
    for turn in range(round(limit_s / LOOK_S)):
        seen += yield from look(LOOK_S)
        on = bool(seen[-1].pumps_on or seen[-1].valves_open)
        began |= on
        if began and not on:
            seen += yield from look(SETTLE_S)
            return seen, True
        if not began and turn * LOOK_S > BEGINS_WITHIN_S:
            break
    return seen, False


def _what_was_seen(
    zone: Zone, pump: Pump, before: Sequence[Readings], seen: Sequence[Readings], ended: bool
) -> Watering:
    mask = 1 << pump.output
    pumping = [r for r in seen if r.pumps_on & mask]
    others = {n for r in seen for n in reading.outputs_in(r.valves_open & ~(1 << zone.valve.output))}
    return Watering(
        pulses=reading.pulses_between(before[-1], seen[-1]),
        pump_read=bool(pumping),
        pulses_s=_rates(pumping),
        rest_a=reading.current_a(before),
        pumping_a=reading.current_a(pumping[len(pumping) // 2 :]),
        faults=tuple(sorted({fault for r in seen for fault in r.faults})),
        ended=ended,
        others_on=tuple(sorted(others)),
    )


def _rates(pumping: Sequence[Readings]) -> dict[int, float]:
    """Pulses a second of each meter from the third second of pumping on, when the line is full."""
    steady = [r for r in pumping if r.up_s - pumping[0].up_s >= FILL_S]
    if len(steady) < 2 or steady[-1].up_s - steady[0].up_s < LEAST_RATE_S:
        return {}
    counted = reading.pulses_between(steady[0], steady[-1])
    return {} if counted is None else {n: pulses / (steady[-1].up_s - steady[0].up_s) for n, pulses in counted.items()}
