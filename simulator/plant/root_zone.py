"""The water in a zone's root zone, in four parts that the emitters do not reach alike.

Contents are mm above the wilting point. Uptake falls along a smooth curve as the soil dries; water above field capacity
drains away within hours. All litres are booked: applied, rain, missed by the roots, drained, transpired.
"""

from __future__ import annotations

from datetime import date
from math import exp
from random import Random

from controller.site.model import Crop, Zone

DORMANT_FACTOR = 0.15
_PARTS = (-1.0, -0.4, 0.4, 1.0)
_DRAIN_HOURS = 6.0
_SATURATION = 1.5
_STEEPNESS = 4


class RootZone:
    """One zone. `irrigate` takes water at any time, `pass_hour` lets it drain and the plants drink."""

    def __init__(self, zone: Zone, rng: Random, today: date) -> None:
        self.zone = zone
        self.crop_factor = 1.0 + rng.gauss(0.0, 0.04)
        self.capacity_mm = zone.total_available_mm * (1.0 + rng.gauss(0.0, 0.05))
        self.efficiency = min(1.0, zone.drip_efficiency * (1.0 + rng.gauss(0.0, 0.02)))
        spread = abs(rng.gauss(0.0, 0.06)) + 0.03
        self._shares = tuple(0.25 * (1.0 + spread * part) for part in _PARTS)
        self._part_area_m2 = zone.area_m2 / len(_PARTS)
        self._parts_mm = [0.85 * self.capacity_mm] * len(_PARTS)
        self._waiting_l = 0.0
        self.half_uptake = 0.0
        self.kc = 0.0
        self.growing = False
        self.applied_l = 0.0
        self.rain_l = 0.0
        self.missed_l = 0.0
        self.drained_l = 0.0
        self.transpired_l = 0.0
        self.potential_l = 0.0
        self.stress_yesterday = 0.0
        self._season = [0.0, 0.0]
        self._today = [0.0, 0.0]
        self.start_day(today)

    def irrigate(self, volume_l: float) -> None:
        """Water from the emitters; it reaches the roots at the next hour."""
        self.applied_l += volume_l
        self._waiting_l += volume_l

    def start_day(self, today: date) -> None:
        """Set the day's crop factor and close the day before."""
        self.stress_yesterday = self.stress_today
        self._today = [0.0, 0.0]
        factors = [(crop, crop_factor_on(crop, today)) for crop in self.zone.crops]
        self.growing = any(factor is not None for _, factor in factors)
        kc = sum(crop.share * (DORMANT_FACTOR if factor is None else factor) for crop, factor in factors)
        self.kc = kc * self.crop_factor if self.growing else DORMANT_FACTOR
        readily = sum(crop.share * crop.depletion_fraction for crop in self.zone.crops) or 0.5
        self.half_uptake = (0.5 * (1.0 - min(0.9, readily))) ** _STEEPNESS

    def pass_hour(self, rain_mm: float, evaporation_mm: float) -> None:
        """One hour: what waited and the rain sink in, plants drink, what is above field capacity drains."""
        reached_l = self._waiting_l * self.efficiency
        self.missed_l += self._waiting_l - reached_l
        self._waiting_l = 0.0
        rain = rain_mm if self.zone.rain_fed else 0.0
        self.rain_l += rain * self.zone.area_m2
        demand = self.kc * evaporation_mm
        drunk = drained = 0.0
        for index, share in enumerate(self._shares):
            content = self._parts_mm[index] + rain + reached_l * share / self._part_area_m2
            uptake = self._uptake_mm(content, demand)
            leaving = self._drainage_mm(content - uptake)
            self._parts_mm[index] = content - uptake - leaving
            drunk += uptake
            drained += leaving
        self.drained_l += drained * self._part_area_m2
        self._book_uptake(drunk * self._part_area_m2, demand * self.zone.area_m2)

    def _book_uptake(self, actual_l: float, potential_l: float) -> None:
        self.transpired_l += actual_l
        self.potential_l += potential_l
        if self.growing:
            for sums in (self._season, self._today):
                sums[0] += actual_l
                sums[1] += potential_l

    def _uptake_mm(self, content_mm: float, demand_mm: float) -> float:
        if demand_mm <= 0.0 or content_mm <= 0.0:
            return 0.0
        moisture = min(1.0, content_mm / self.capacity_mm) ** _STEEPNESS
        ease = moisture * (1.0 + self.half_uptake) / (moisture + self.half_uptake)
        return min(content_mm, demand_mm * ease)

    def _drainage_mm(self, content_mm: float) -> float:
        above = content_mm - self.capacity_mm
        if above <= 0.0:
            return 0.0
        runs_off = max(0.0, content_mm - _SATURATION * self.capacity_mm)
        return runs_off + (above - runs_off) * (1.0 - exp(-1.0 / _DRAIN_HOURS))

    @property
    def content_l(self) -> float:
        """Water above the wilting point, with what has been applied and not yet sunk in."""
        return sum(self._parts_mm) * self._part_area_m2 + self._waiting_l

    @property
    def depletion_mm(self) -> float:
        """How far the mean content is below field capacity; below zero while it drains."""
        return self.capacity_mm - sum(self._parts_mm) / len(_PARTS)

    @property
    def stress_today(self) -> float:
        """1 - actual / potential uptake since the day began."""
        actual, potential = self._today
        return 1.0 - actual / potential if potential > 0.0 else 0.0

    @property
    def stress(self) -> float:
        """1 - actual / potential uptake over all hours with a crop growing: 0 never thirsty, 1 nothing to drink."""
        actual, potential = self._season
        return 1.0 - actual / potential if potential > 0.0 else 0.0


def crop_factor_on(crop: Crop, today: date) -> float | None:
    """Crop coefficient of a day by the declared stages; None outside the season."""
    planted = _planting_before(crop, today)
    age = (today - planted).days
    initial, development, middle, late = crop.stage_days
    if age < initial:
        return crop.kc_initial
    age -= initial
    if age < development:
        return crop.kc_initial + (crop.kc_mid - crop.kc_initial) * age / development
    age -= development
    if age < middle:
        return crop.kc_mid
    age -= middle
    return crop.kc_mid + (crop.kc_end - crop.kc_mid) * age / late if age < late else None


def _planting_before(crop: Crop, today: date) -> date:
    # 29 February exists only in leap years; the day before does in all.
    day = min(crop.planted_day, 28) if crop.planted_month == 2 else crop.planted_day
    planted = date(today.year, crop.planted_month, day)
    return planted if planted <= today else date(today.year - 1, crop.planted_month, day)
