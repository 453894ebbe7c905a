"""Crop coefficients over the season, FAO-56 chapter 6 (single coefficient), and their mean over a zone.

A perennial is declared with the day its growth starts; the season repeats each year. Outside its season a crop takes no
water from the zone's budget: nothing grows there, and bare soil is not watered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from controller.site.model import Crop, Zone

Numbers = Sequence[float | None]
"""The day of its season that each crop of a zone is at (1 is planting day), None out of season."""
OUT_OF_SEASON_KC = 0.0
SMALLEST_ADJUSTED_KC_END = 0.45
"""End-of-season coefficients below this belong to crops left to dry in the field and are not adjusted, equation 65."""


def climate_adjusted_kc(kc_table: float, wind_2m_m_s: float, rh_min_percent: float, height_m: float) -> float:
    """A mid-season coefficient of the tables for another climate, equation 62.

    Wind, humidity and height are held in the range the equation was made for: 1 to 6 m/s, 20 to 80 %, 0.1 to 10 m.
    """
    wind = min(6.0, max(1.0, wind_2m_m_s))
    humidity = min(80.0, max(20.0, rh_min_percent))
    height = min(10.0, max(0.1, height_m))
    return kc_table + (0.04 * (wind - 2.0) - 0.004 * (humidity - 45.0)) * math.pow(height / 3.0, 0.3)


def climate_adjusted_kc_end(kc_table: float, wind_2m_m_s: float, rh_min_percent: float, height_m: float) -> float:
    """An end-of-season coefficient for another climate, equation 65: unchanged below 0.45."""
    if kc_table < SMALLEST_ADJUSTED_KC_END:
        return kc_table
    return climate_adjusted_kc(kc_table, wind_2m_m_s, rh_min_percent, height_m)


def season_kc(
    day_of_season: float, stage_days: tuple[int, int, int, int], kc_initial: float, kc_mid: float, kc_end: float
) -> float:
    """The coefficient on a day of the season (1 is planting day), equation 66; `OUT_OF_SEASON_KC` before and after."""
    initial, development, mid, late = stage_days
    if day_of_season < 1 or day_of_season > initial + development + mid + late:
        return OUT_OF_SEASON_KC
    into = day_of_season - initial
    if into <= 0:
        return kc_initial
    if into < development:
        return kc_initial + into / development * (kc_mid - kc_initial)
    into -= development + mid
    if into <= 0:
        return kc_mid
    return kc_mid + into / late * (kc_end - kc_mid)


def day_of_season(crop: Crop, day: date) -> int | None:
    """Which day of its season a crop is in (1 is planting day), or None outside it. 29 February plants on the 28th."""
    number = (day - planted_before(crop, day)).days + 1
    return number if number <= sum(crop.stage_days) else None


def planted_before(crop: Crop, day: date) -> date:
    """The last planting day up to a day."""
    planted = _planting_day(crop, day.year)
    return planted if planted <= day else _planting_day(crop, day.year - 1)


def _planting_day(crop: Crop, year: int) -> date:
    month, day = crop.planted_month, crop.planted_day
    if (month, day) == (2, 29) and not _is_leap(year):
        day = 28
    return date(year, month, day)


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def crop_kc(crop: Crop, number: float | None) -> float:
    """A crop's coefficient on a day of its season."""
    if number is None:
        return OUT_OF_SEASON_KC
    return season_kc(number, crop.stage_days, crop.kc_initial, crop.kc_mid, crop.kc_end)


def usual_numbers(zone: Zone, day: date) -> Numbers:
    """Where a zone's crops are on a calendar day of a usual year."""
    return tuple(day_of_season(crop, day) for crop in zone.crops)


def zone_kc(zone: Zone, numbers: Numbers) -> float:
    """Mean coefficient of a zone by its crops' shares of the area; 0 when nothing is in season or planted."""
    return sum(crop.share * crop_kc(crop, number) for crop, number in zip(zone.crops, numbers, strict=True))


def zone_depletion_fraction(zone: Zone, numbers: Numbers) -> float | None:
    """p for the zone: that of the most sensitive crop in season; None when nothing is."""
    pairs = zip(zone.crops, numbers, strict=True)
    return min((crop.depletion_fraction for crop, number in pairs if number is not None), default=None)
