"""Growing degree-days: how far a plant has come by the warmth it had, and how long its stages last in a usual year.

A day's degree-days as in the AquaCrop reference manual (FAO, its usual method): the day's high held between base and
upper temperature, its low held below the upper one, their mean taken above the base.
"""

from __future__ import annotations

from itertools import accumulate

from controller.site.model import Heat, MonthlyNormals

_MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_MONTH_MIDDLES = tuple(end - days / 2.0 for end, days in zip(accumulate(_MONTH_DAYS), _MONTH_DAYS, strict=True))
_YEAR_DAYS = 365


def degree_days(tmin_c: float, tmax_c: float, heat: Heat) -> float:
    """Degree-days of a day with these extremes, °C day."""
    high_c = min(max(tmax_c, heat.base_c), heat.upper_c)
    low_c = min(tmin_c, heat.upper_c)
    return max(0.0, 0.5 * (high_c + low_c) - heat.base_c)


def usual_extremes_c(normals: MonthlyNormals, day_of_year: int) -> tuple[float, float]:
    """Mean low and high of a day of the year (0 to 364), straight lines between the middles of the months."""
    at = day_of_year % _YEAR_DAYS + 0.5
    after = next((month for month in range(12) if _MONTH_MIDDLES[month] > at), 12)
    before = after - 1
    start = _MONTH_MIDDLES[before] if before >= 0 else _MONTH_MIDDLES[11] - _YEAR_DAYS
    end = _MONTH_MIDDLES[after] if after < 12 else _MONTH_MIDDLES[0] + _YEAR_DAYS
    part = (at - start) / (end - start)
    low_c, high_c = (row[before] + part * (row[after % 12] - row[before]) for row in (normals.tmin_c, normals.tmax_c))
    return low_c, high_c


def day_index(month: int, day: int) -> int:
    """Day of the year, 0 to 364; 29 February counts as the 28th."""
    return sum(_MONTH_DAYS[: month - 1]) + min(day, _MONTH_DAYS[month - 1]) - 1


def usual_heat_c_day(heat: Heat, normals: MonthlyNormals, first: int, days: int) -> float:
    """What usually comes together in `days` days from a day of the year on."""
    return sum(degree_days(*usual_extremes_c(normals, first + n), heat) for n in range(days))


def usual_stage_days(heat: Heat, normals: MonthlyNormals, first: int) -> tuple[int, int, int, int] | None:
    """How many days the four stages take in a usual year from a day of the year on, each at least one; None when a
    year's warmth is not enough."""
    ends: list[int] = []
    sum_c_day, wanted_c_day = 0.0, list(accumulate(heat.stages_c_day))
    for n in range(1, _YEAR_DAYS + 1):
        sum_c_day += degree_days(*usual_extremes_c(normals, first + n - 1), heat)
        while len(ends) < 4 and sum_c_day >= wanted_c_day[len(ends)]:
            ends.append(max(n, ends[-1] + 1 if ends else 1))
        if len(ends) == 4:
            return ends[0], ends[1] - ends[0], ends[2] - ends[1], ends[3] - ends[2]
    return None
