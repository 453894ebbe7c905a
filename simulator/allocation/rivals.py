"""The rules that owners use without thinking about tomorrow's water, to be beaten.

Each is given its best sensible setting for the site: the timers' volumes are the need of the thirstiest month by the
normals, which a careful owner would dial in.
"""

from __future__ import annotations

from collections.abc import Mapping

from controller.irrigate.plan import Supply, ZoneNeed, allocate, gross_l
from simulator.allocation.garden import Situation


def _growing(situation: Situation) -> list[ZoneNeed]:
    return [need for need in situation.needs if need.growing]


class FixedTimer:
    """The same litres every day the zone has something planted; containers in three doses. `skip_after_mm`: no water
    for zones in the rain on the morning after a day with that much rain."""

    def __init__(self, et0_peak_mm: float, skip_after_mm: float = float("inf")) -> None:
        self._et0_peak_mm, self._skip_after_mm = et0_peak_mm, skip_after_mm

    def decide(self, situation: Situation) -> Mapping[str, float]:
        given = {}
        for need in _growing(situation):
            zone = need.zone
            if zone.rain_fed and sum(situation.recent_rain_mm[-1:]) >= self._skip_after_mm:
                continue
            doses = 3.0 if zone.kind == "container" else 1.0
            given[zone.id] = gross_l(zone, zone.crops[0].kc_mid * self._et0_peak_mm) / doses
        return given


class Refill:
    """Refill at the management-allowed depletion, by priority: what the plan without a price of water does."""

    def decide(self, situation: Situation) -> Mapping[str, float]:
        if not situation.needs:
            return {}
        tank_id = situation.needs[0].zone.tank_id
        supply = Supply(situation.stored_l, float("inf"), 0.0)
        return {line.zone_id: line.volume_l for line in allocate(situation.needs, {tank_id: supply})}


class DaysOfSupply(Refill):
    """Refill, but with less than `days` of everybody's need left the lower half of the priorities get none, and with
    less than a third of that only the first priority gets water."""

    def __init__(self, days: float) -> None:
        self._days = days

    def decide(self, situation: Situation) -> Mapping[str, float]:
        daily_l = sum(
            gross_l(need.zone, need.zone.crops[0].kc_mid * situation.et0_expected_mm)
            for need in situation.needs
            if need.growing
        )
        left_days = situation.stored_l / daily_l if daily_l > 0.0 else float("inf")
        last = 9 if left_days > self._days else 2 if left_days > self._days / 3.0 else 1
        kept = tuple(need for need in situation.needs if need.zone.priority <= last)
        return super().decide(situation._replace(needs=kept))
