"""Who gets how much water, and why: refill by priority from what the tank and the battery can spare.

A pure function of its inputs. Zones in mode "need" ask for what brings their root zone back to full; zones in mode
"fixed" for their fixed volume. The askers of a tank are served in order of priority until the water above the reserve,
or the energy above the battery's limit, is spent. Every line says its reason in numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.irrigate.forecast import NO_RAIN, RainToCome
from controller.site.model import Schedule, Zone

SMALLEST_DOSE_L = 0.5
"""Less is not worth the strokes of a valve (common practice, no source)."""
CONTAINER_TRIGGER = 0.05
"""Containers get small doses: from 5 % of total available water on (own choice: mix dries fast and holds little)."""
_WATER = "the water above the reserve"
_NO_LEVEL = "the tank's level, which is not known now"


class ZoneNeed(NamedTuple):
    """What is known of one zone when planning.

    depletion_mm        root-zone depletion now (FAO-56 Dr)
    readily_mm          readily available water now (FAO-56 RAW, p adjusted)
    until_next_mm       crop evapotranspiration expected until the zone's next chance to be watered after this one
    etc_day_mm          crop evapotranspiration expected of the whole day, without stress
    growing             False outside its crops' season: nothing is planned
    rain                what a forecast leaves room for
    """

    zone: Zone
    schedule: Schedule
    depletion_mm: float
    readily_mm: float
    until_next_mm: float
    etc_day_mm: float
    growing: bool
    applied_today_l: float
    rain: RainToCome = NO_RAIN


@dataclass(frozen=True, slots=True)
class Supply:
    """What a tank can give now, litres above its reserve with the level's uncertainty taken off."""

    available_l: float
    energy_wh: float
    """Energy the battery can spare above its limit; infinite when its charge is unknown but its voltage is fine."""
    wh_per_l: float
    level_known: bool = True
    wh_per_l_of: Mapping[str, float] = field(default_factory=dict)
    """Of zones whose own is known, by id; `wh_per_l` for all others."""

    def wh_per_l_to(self, zone_id: str) -> float:
        """Energy that a litre takes to a zone."""
        return self.wh_per_l_of.get(zone_id, self.wh_per_l)


class PlanLine(NamedTuple):
    """Intended water for one zone at its next chance; zero litres with the reason when it gets none."""

    zone_id: str
    volume_l: float
    wanted_l: float
    why: str


def gross_l(zone: Zone, depth_mm: float) -> float:
    """Litres through the emitters that put `depth_mm` into the zone's root zone (1 mm on 1 m2 is 1 L)."""
    return depth_mm * zone.area_m2 / zone.drip_efficiency


def net_mm(zone: Zone, volume_l: float) -> float:
    """Depth that `volume_l` through the emitters adds to the root zone."""
    return volume_l * zone.drip_efficiency / zone.area_m2


def level_with_rain_mm(need: ZoneNeed, level_mm: float) -> float:
    """The depletion up to which a zone is watered when rain is forecast: room is left for the rain, at most so much
    that the plants draw with ease until the zone's next chance even if none falls. Under cover nothing changes."""
    if need.rain.room_mm <= 0.0 or not need.zone.rain_fed:
        return level_mm
    return max(level_mm, min(level_mm + need.rain.room_mm, need.readily_mm - need.until_next_mm))


def wanted(need: ZoneNeed) -> tuple[float, str]:
    """Litres a zone asks for before any limit, and why in words and numbers."""
    zone, schedule = need.zone, need.schedule
    if schedule.mode == "off":
        return 0.0, "switched off"
    if schedule.mode == "fixed":
        return schedule.fixed_volume_l, f"fixed volume of {schedule.fixed_volume_l:.0f} L"
    if not need.growing:
        return 0.0, "nothing planted at this time of year"
    total_mm = zone.total_available_mm
    state = f"{need.depletion_mm:.1f} mm short of full ({total_mm:.0f} mm)"
    level_mm = level_with_rain_mm(need, 0.0)
    refill_l = max(0.0, gross_l(zone, need.depletion_mm - level_mm))
    if level_mm > 0.0:
        state += f", rain of {need.rain.expected_mm:.0f} mm is forecast and {level_mm:.1f} mm of room are left for it"
    if zone.kind == "container":
        if need.depletion_mm < CONTAINER_TRIGGER * total_mm:
            return 0.0, f"{state}, containers are watered from {CONTAINER_TRIGGER * total_mm:.1f} mm on"
        return refill_l, f"{state}, {refill_l:.1f} L refill it"
    ahead_mm = need.depletion_mm + need.until_next_mm
    if ahead_mm < need.readily_mm:
        return 0.0, f"{state}, {ahead_mm:.1f} mm by the next chance; plants draw {need.readily_mm:.1f} mm with ease"
    return refill_l, f"{state}, would pass {need.readily_mm:.1f} mm before the next chance; {refill_l:.0f} L refill it"


def allocate(needs: Sequence[ZoneNeed], supplies: Mapping[str, Supply]) -> list[PlanLine]:
    """Plan lines in order of service: by priority, then by depletion relative to readily available water.

    `supplies` has an entry for each tank that a zone draws from. No line exceeds the zone's cap for the day, the water
    above the reserve or the energy above the battery's limit; what one zone takes the next cannot have.
    """
    water_l = {tank_id: max(0.0, supply.available_l) for tank_id, supply in supplies.items()}
    # One battery drives all pumps: its energy is shared, whatever the tank.
    energy_wh = max((supply.energy_wh for supply in supplies.values()), default=0.0)
    lines: list[PlanLine] = []
    for need in sorted(needs, key=_service_order):
        supply = supplies[need.zone.tank_id]
        asked_l, why = wanted(need)
        limits = {
            "what is left of its daily cap": max(0.0, need.schedule.daily_cap_l - need.applied_today_l),
            _WATER if supply.level_known else _NO_LEVEL: water_l[need.zone.tank_id],
        }
        wh_per_l = supply.wh_per_l_to(need.zone.id)
        if wh_per_l > 0.0:
            limits["the charge the battery can spare"] = max(0.0, energy_wh) / wh_per_l
        volume_l = asked_l
        for name, limit_l in limits.items():
            if limit_l < volume_l:
                volume_l = limit_l
                why_limit = f"; limited to {limit_l:.1f} L by {name}"
        if volume_l < asked_l:
            why += why_limit
        if volume_l < SMALLEST_DOSE_L:
            volume_l = 0.0
        water_l[need.zone.tank_id] -= volume_l
        energy_wh -= volume_l * wh_per_l
        lines.append(PlanLine(need.zone.id, volume_l, asked_l, why))
    return lines


def _service_order(need: ZoneNeed) -> tuple[int, float, str]:
    urgency = need.depletion_mm / need.readily_mm if need.readily_mm > 0.0 else 0.0
    return need.zone.priority, -urgency, need.zone.id
