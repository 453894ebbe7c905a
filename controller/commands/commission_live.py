"""The live site of a commissioning: orders, readings and values over one connection to the broker."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter, ValidationError

from controller.commands.requests import Requests
from controller.commands.status import from_broker
from controller.commissioning.readings import Readings
from controller.errors import OperatingError
from controller.site.model import Mqtt

READ_EVERY_S = 1.05
"""A little less often than questions are let in."""
REPORT_WITHIN_S = 90.0
"""The board may report once in a minute until it is asked to hurry."""
BURST, EVERY_S = 8, 1.05
"""Orders are let in one a second beyond a burst of ten; this keeps below it."""
SHAPE = TypeAdapter(Readings)


class OverMqtt:
    """Raises OperatingError when nobody answers.

    pace         how much faster than real time the site runs
    wants_stop   asked again and again while the board is looked at: does the person want everything stopped?
    """

    def __init__(
        self,
        settings: Mqtt,
        site_id: str,
        who: str,
        time_zone: str,
        pace: float = 1.0,
        wants_stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self._settings, self._site_id, self._pace = settings, site_id, pace
        self._wants_stop = wants_stop
        self._zone = ZoneInfo(time_zone)
        self._requests = Requests(settings, settings.domain, site_id, who, "commission")
        self._burst_over_s = 0.0

    def order(self, fields: Mapping[str, Any]) -> str:
        """Send an order; why it was refused, or nothing."""
        now_s = time.monotonic()
        # Each order fills the burst by one, and it empties with time.
        self._burst_over_s = max(self._burst_over_s, now_s) + EVERY_S
        time.sleep(max(0.0, self._burst_over_s - now_s - BURST * EVERY_S))
        answer = self._requests.exchange("order", fields)
        return "" if answer["accepted"] else str(answer["reason"] or "no reason was given")

    def look(self, seconds: float) -> tuple[Readings, ...]:
        """Readings over so long, one or more, each once; none that the board reported before."""
        began_s = time.monotonic()
        found: list[Readings] = []
        why = "it has not reported"
        while True:
            asked_s = time.monotonic()
            if self._wants_stop():
                self.order({"order": "stop-all"})
            answer = self._requests.exchange("ask", {"ask": "readings"})
            if answer["accepted"]:
                newest = _readings(answer.get("readings"))
                since_s = (time.monotonic() - began_s) * self._pace
                if newest.age_s < since_s and (not found or _another(found[-1], newest)):
                    found.append(newest)
            else:
                why = str(answer["reason"])
            now_s = time.monotonic()
            if found and (now_s - began_s) * self._pace >= seconds:
                return tuple(found)
            if now_s - began_s > REPORT_WITHIN_S + seconds / self._pace:
                raise OperatingError(f"no readings of the board: {why}")
            time.sleep(max(0.0, asked_s + READ_EVERY_S - now_s))

    def values(self) -> dict[str, str]:
        """What the site has published, by path."""
        _, values = from_broker(self._settings, self._settings.domain, self._site_id)
        return values

    def now(self) -> datetime:
        """The site's own time, as it last said it; this machine's when it has not."""
        try:
            told = datetime.fromisoformat(self.values()["site/updated-at"])
        except (KeyError, ValueError):
            return datetime.now(self._zone)
        return told.astimezone(self._zone)

    def close(self) -> None:
        self._requests.close()


def _readings(values: object) -> Readings:
    try:
        return SHAPE.validate_python(values)
    except ValidationError as error:
        raise OperatingError(
            f"the controller's readings are not what this program knows ({error.error_count()} fields); are both of "
            "the same version?"
        ) from error


def _another(before: Readings, newest: Readings) -> bool:
    return (before.boot, before.up_s) != (newest.boot, newest.up_s)
