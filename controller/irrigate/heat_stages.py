"""How far plants have come by the warmth they had: stages by growing degree-days instead of dates.

The board's thermometer counts each day when it is over; for days it does not know, the normals stand in. The count
begins anew with each planting date. What the rest of the program reads is the number of the day of the season that a
usual year would show at the same warmth, so that coefficients, canopies and prices need to know one calendar only.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from itertools import accumulate
from typing import NamedTuple

from controller.irrigate.crop import Numbers, day_of_season, planted_before
from controller.site.heat import day_index, degree_days, usual_heat_c_day
from controller.site.model import Crop, Heat, MonthlyNormals, Site, Zone

LONGEST_PART = 1.3
"""A season ends after so many times its usual days, however cold it was: autumn ends it then (own choice)."""


class Warmth(NamedTuple):
    """Degree-days of a crop since it was planted, counted up to the end of a day; both days as proleptic ordinals."""

    planted: int
    through: int
    sum_c_day: float


def warmth_key(zone: Zone, crop: Crop, heat: Heat) -> str:
    """What a crop's count is kept under: another planting date or base in the site file begins it anew."""
    return f"{zone.id}/{crop.name}/{crop.planted_month}-{crop.planted_day}/{heat.base_c:g}-{heat.upper_c:g}"


def numbers_on(site: Site, day: date, warmth: Mapping[str, Warmth]) -> dict[str, Numbers]:
    """Day of the season of each crop, by the id of zones with a crop that goes by warmth."""
    normals = site.place.normals
    found: dict[str, Numbers] = {}
    for zone in site.zones:
        if normals is not None and any(crop.heat is not None for crop in zone.crops):
            found[zone.id] = tuple(
                day_of_season(crop, day)
                if crop.heat is None
                else number_on(crop, crop.heat, day, warmth.get(warmth_key(zone, crop, crop.heat)), normals)
                for crop in zone.crops
            )
    return found


def number_on(crop: Crop, heat: Heat, day: date, known: Warmth | None, normals: MonthlyNormals) -> float | None:
    """The day of a usual season (1 at planting) that a crop is at in the morning of a day; None out of season."""
    planted = planted_before(crop, day)
    if (day - planted).days >= LONGEST_PART * sum(crop.stage_days):
        return None
    sum_c_day = _counted(heat, planted, day - timedelta(days=1), known, normals).sum_c_day
    return _number(crop.stage_days, heat.stages_c_day, sum_c_day)


def after_day(
    crop: Crop,
    heat: Heat,
    day: date,
    extremes_c: tuple[float, float] | None,
    known: Warmth | None,
    normals: MonthlyNormals,
) -> Warmth:
    """The count at the end of a day with this low and high, unknown ones being usual. A day counts once."""
    planted = planted_before(crop, day)
    if known is not None and known.planted == planted.toordinal() and known.through >= day.toordinal():
        return known
    if extremes_c is None:
        return _counted(heat, planted, day, known, normals)
    before = _counted(heat, planted, day - timedelta(days=1), known, normals)
    return Warmth(planted.toordinal(), day.toordinal(), before.sum_c_day + degree_days(*extremes_c, heat))


def _counted(heat: Heat, planted: date, through: date, known: Warmth | None, normals: MonthlyNormals) -> Warmth:
    """What is known, carried on to the end of a day by what is usual."""
    if known is None or known.planted != planted.toordinal():
        known = Warmth(planted.toordinal(), planted.toordinal() - 1, 0.0)
    missing = through.toordinal() - known.through
    if missing <= 0:
        return known
    first = date.fromordinal(known.through + 1)
    more_c_day = usual_heat_c_day(heat, normals, day_index(first.month, first.day), missing)
    return Warmth(known.planted, through.toordinal(), known.sum_c_day + more_c_day)


def _number(
    stage_days: tuple[int, int, int, int], stages_c_day: tuple[float, float, float, float], sum_c_day: float
) -> float | None:
    """Where in the usual days a sum of warmth stands, evenly within each stage; None past the last."""
    days_before = heat_before = 0.0
    for days, stage_c_day, end_c_day in zip(stage_days, stages_c_day, accumulate(stages_c_day), strict=True):
        if sum_c_day < end_c_day:
            return 1.0 + days_before + (sum_c_day - heat_before) / stage_c_day * days
        days_before, heat_before = days_before + days, end_c_day
    return None
