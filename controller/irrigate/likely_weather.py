"""Likely years of weather, day by day, from nothing but monthly normals; the same normals always give the same years.

Wet and dry days follow one another as a two-state chain: P(wet after dry) = 0.75 f and P(wet after wet) = 0.25 + P(wet
after dry), f being the month's part of wet days (Geng, Penning de Vries and Supit 1986, Agricultural and Forest
Meteorology 36, 363-376; from memory). Rain on a wet day is exponential about the month's mean. On top a slow wetness
that lasts for weeks (own choice, see `SPELL_SD`): chains of days alone make dry spells too short, and water would be
priced too low before one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

DAYS_PER_YEAR = 365
SPELL_SD = 0.5
"""Log-normal spread of the slow wetness; with `SPELL_DAYS` tuned on station years that judge nothing."""
SPELL_DAYS = 20.0
WET_DAY_ET0 = 0.75
"""Reference evapotranspiration of a wet day as a part of a dry one's (own choice, cloud halves the sun's part)."""
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_LCG_FACTOR, _LCG_STEP, _LCG_RANGE = 6364136223846793005, 1442695040888963407, 1 << 64
"""Knuth's constants for a linear congruential generator modulo 2^64."""


class ClimateNormals(NamedTuple):
    """Twelve monthly means: daily reference evapotranspiration (mm), month's rain (mm), wet days in the month."""

    et0_mm: Sequence[float]
    rain_mm: Sequence[float]
    wet_days: Sequence[float]


class LikelyYear(NamedTuple):
    """365 days: rain and reference evapotranspiration, mm."""

    rain_mm: tuple[float, ...]
    et0_mm: tuple[float, ...]


class _Dice:
    """Uniform numbers without a random source: the top bits of a linear congruential generator."""

    def __init__(self, seed: int) -> None:
        self._state = (seed * 2 + 1) * _LCG_FACTOR % _LCG_RANGE
        for _ in range(4):
            self.uniform()

    def uniform(self) -> float:
        self._state = (self._state * _LCG_FACTOR + _LCG_STEP) % _LCG_RANGE
        return (self._state >> 11) / float(1 << 53)

    def normal(self) -> float:
        """Box-Muller."""
        return math.sqrt(-2.0 * math.log(1.0 - self.uniform())) * math.cos(2.0 * math.pi * self.uniform())


def month_of_day() -> list[int]:
    """Month (0 to 11) of each day of a year without 29 February."""
    return [month for month, days in enumerate(MONTH_DAYS) for _ in range(days)]


def likely_years(normals: ClimateNormals, count: int) -> list[LikelyYear]:
    """`count` years that run on into one another; a month's mean rain and evapotranspiration are kept over all."""
    dice = _Dice(count)
    months = month_of_day()
    wetness, wet = 0.0, False
    keep = math.exp(-1.0 / SPELL_DAYS)
    fresh = SPELL_SD * math.sqrt(1.0 - keep * keep)
    years = []
    for _ in range(count):
        rain, et0 = [], []
        for month in months:
            wetness = keep * wetness + fresh * dice.normal()
            part = min(0.95, normals.wet_days[month] / MONTH_DAYS[month])
            part_now = min(0.95, part * math.exp(wetness - 0.5 * SPELL_SD * SPELL_SD))
            to_wet = 0.75 * part_now + (0.25 if wet else 0.0)
            wet = dice.uniform() < to_wet
            mean_mm = normals.rain_mm[month] / normals.wet_days[month] if normals.wet_days[month] > 0.0 else 0.0
            rain.append(-mean_mm * math.log(1.0 - dice.uniform()) if wet else 0.0)
            dry_mm = normals.et0_mm[month] / (1.0 - part * (1.0 - WET_DAY_ET0))
            et0.append(dry_mm * (WET_DAY_ET0 if wet else 1.0))
        years.append(LikelyYear(tuple(rain), tuple(et0)))
    return _kept_means(years, normals, months)


def _kept_means(years: list[LikelyYear], normals: ClimateNormals, months: list[int]) -> list[LikelyYear]:
    """The years scaled so that over all of them each month has the rain and evapotranspiration of the normals."""
    rain_sums, et0_sums = [0.0] * 12, [0.0] * 12
    for year in years:
        for month, rain, et0 in zip(months, year.rain_mm, year.et0_mm, strict=True):
            rain_sums[month] += rain
            et0_sums[month] += et0
    n = len(years)
    rain_by = [n * normals.rain_mm[m] / rain_sums[m] if rain_sums[m] > 0.0 else 1.0 for m in range(12)]
    et0_by = [n * MONTH_DAYS[m] * normals.et0_mm[m] / et0_sums[m] if et0_sums[m] > 0.0 else 1.0 for m in range(12)]
    return [
        LikelyYear(
            tuple(rain * rain_by[month] for month, rain in zip(months, year.rain_mm, strict=True)),
            tuple(et0 * et0_by[month] for month, et0 in zip(months, year.et0_mm, strict=True)),
        )
        for year in years
    ]
