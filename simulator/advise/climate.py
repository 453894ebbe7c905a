"""Years of weather that a plan is judged by: the owner's own daily records, or likely years from monthly normals.

Every year has 365 days; 29 February is left out and its rain is added to the 28th. Years begin on 1 January, or on
1 July south of the equator, so that no growing season is cut in two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from controller.errors import ConfigurationError
from controller.irrigate.likely_weather import DAYS_PER_YEAR, MONTH_DAYS, ClimateNormals, likely_years, month_of_day
from controller.irrigate.normal_et import local_correction, mean_et0_mm
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.model import Place
from simulator.plant.daily_records import DailyRecord

FEW_YEARS = 10
"""Fewer years say little of a dry year in ten."""
_MIDYEAR = sum(MONTH_DAYS[:6])


@dataclass(frozen=True, slots=True)
class Climate:
    """Whole years, day after day.

    first_day      0 for years from 1 January, 181 for years from 1 July
    names          what each year is called
    rain_mm, et0_mm  years x 365 values in one row, in order of time
    """

    source: str
    measured: bool
    first_day: int
    names: tuple[str, ...]
    rain_mm: tuple[float, ...]
    et0_mm: tuple[float, ...]

    @property
    def years(self) -> int:
        return len(self.names)

    def year_rain_mm(self) -> list[float]:
        """Rain of each year."""
        return [sum(self.rain_mm[n * DAYS_PER_YEAR : (n + 1) * DAYS_PER_YEAR]) for n in range(self.years)]

    def month_means(self, values: Sequence[float]) -> list[float]:
        """Mean of a month's daily values, January first."""
        sums = [0.0] * 12
        months = month_of_day()
        for n, value in enumerate(values):
            sums[months[(self.first_day + n) % DAYS_PER_YEAR]] += value
        return [total / (self.years * days) for total, days in zip(sums, MONTH_DAYS, strict=True)]


def first_day_of_years(place: Place) -> int:
    """Day of the calendar year (0 to 364) on which years begin."""
    return 0 if place.latitude_deg >= 0.0 else _MIDYEAR


def climate_from_records(rows: Sequence[DailyRecord], place: Place, name: str) -> Climate:
    """The whole years of a station's days. ConfigurationError when days are missing or no whole year is there.

    Reference evapotranspiration is that of the file where it has it, else FAO-56 equation 52 (Hargreaves).
    """
    for before, after in pairwise(rows):
        if after.date != before.date + timedelta(days=1):
            raise ConfigurationError(
                f"{name}: {before.date} is followed by {after.date}; days must follow one another without gaps"
            )
    start = first_day_of_years(place)
    days = _without_leap_days(rows)
    first = next((n for n, row in enumerate(days) if _day_index(row.date) == start), len(days))
    years = (len(days) - first) // DAYS_PER_YEAR
    if years < 1:
        begins = "1 January" if start == 0 else "1 July"
        raise ConfigurationError(f"{name}: {len(rows)} days, and no whole year from a {begins} on; give at least one")
    whole = days[first : first + years * DAYS_PER_YEAR]
    firsts = [whole[n * DAYS_PER_YEAR].date.year for n in range(years)]
    names = tuple(str(year) if start == 0 else f"{year}/{(year + 1) % 100:02d}" for year in firsts)
    kept = sum(row.et0_mm is not None for row in whole)
    if kept == len(whole):
        et0_source = "evapotranspiration from the file"
    else:
        part = f" on {len(whole) - kept} of {len(whole)} days" if kept else ""
        et0_source = f"evapotranspiration by FAO-56 equation 52 from each day's temperatures{part}"
    rain_mm, et0_mm = tuple(row.rain_mm for row in whole), tuple(_et0_mm(row, place) for row in whole)
    return Climate(
        f"{name}: {years} year{'s' if years > 1 else ''} of daily records, {et0_source}",
        True,
        start,
        names,
        rain_mm,
        et0_mm,
    )


def _without_leap_days(rows: Sequence[DailyRecord]) -> list[DailyRecord]:
    days: list[DailyRecord] = []
    for row in rows:
        if (row.date.month, row.date.day) != (2, 29):
            days.append(row)
        elif days:
            days[-1] = days[-1]._replace(rain_mm=days[-1].rain_mm + row.rain_mm)
    return days


def _day_index(day: date) -> int:
    return sum(MONTH_DAYS[: day.month - 1]) + day.day - 1


def _et0_mm(row: DailyRecord, place: Place) -> float:
    if row.et0_mm is not None:
        return row.et0_mm
    formula_mm = hargreaves_mm(row.tmin_c, row.tmax_c, place.latitude_deg, row.date.timetuple().tm_yday)
    if place.normals is None:
        return formula_mm
    return formula_mm * local_correction(place, place.normals)[row.date.month - 1]


def climate_from_normals(place: Place, years: int) -> Climate:
    """Likely years that keep the place's monthly normals, see `controller.irrigate.likely_weather`.

    ConfigurationError when the site declares none.
    """
    normals = place.normals
    if normals is None:
        raise ConfigurationError(
            "the site file has no [place.normals] to invent likely years from; declare them, or give daily records "
            "with --weather FILE.csv"
        )
    start = first_day_of_years(place)
    monthly = ClimateNormals(mean_et0_mm(place, normals), normals.rain_mm, normals.wet_days)
    made = likely_years(monthly, years if start == 0 else years + 1)
    rain_mm = [value for year in made for value in year.rain_mm][start:][: years * DAYS_PER_YEAR]
    et0_mm = [value for year in made for value in year.et0_mm][start:][: years * DAYS_PER_YEAR]
    source = f"{years} likely years invented from the monthly normals of the site file"
    names = tuple(f"likely year {n + 1}" for n in range(years))
    return Climate(source, False, start, names, tuple(rain_mm), tuple(et0_mm))
