"""A typical year from an hourly weather file in the EnergyPlus format (`.epw`), made into days for the plan.

Read by pvlib, an extra. A typical year is put together from real months of many years: it says what is usual, and
nothing of dry years, so that one year is all there is. Many such files have no rain at all; then they are refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

from controller.errors import ConfigurationError
from controller.irrigate.reference_et import (
    mean_saturation_vapour_pressure_kpa,
    penman_monteith_mm,
    wind_at_2m_m_s,
)
from controller.site.model import Place
from simulator.advise.climate import first_day_of_years
from simulator.plant.daily_records import DailyRecord

SUFFIX = ".epw"
HOURS, DAYS = 8760, 365
MJ_PER_WH = 0.0036
WIND_HEIGHT_M = 10.0
"""Where the format's wind is measured."""
_YEAR = 2001
RAIN = "liquid_precipitation_depth"
_RANGES = {
    "temp_air": (-60.0, 60.0),
    "relative_humidity": (0.0, 110.0),
    "ghi": (0.0, 2000.0),
    "wind_speed": (0.0, 60.0),
    RAIN: (0.0, 300.0),
}
"""What is possible, by column; what was not recorded is written as 99.9, 999 or 9999, above all of them."""

_INSTEAD = "give daily records as CSV, or leave --weather out"

Hours = Mapping[str, Sequence[float]]
"""The columns of the file that are used, an hour a value, from 1 January."""


def read_typical_year(path: Path, place: Place) -> list[DailyRecord]:
    """A year of days from an hourly file; ConfigurationError when it cannot be read or has no rain.

    Days begin on the first day of the place's years, so that one whole year comes of them.
    """
    try:
        from pvlib.iotools import read_epw
    except ImportError:
        raise ConfigurationError(
            f"{path}: hourly files are read by pvlib, which is not installed: pip install 'pumphouse[typical-year]'; "
            f"or {_INSTEAD}"
        ) from None
    try:
        table, _ = read_epw(str(path), coerce_year=_YEAR)
        hours = {name: [float(value) for value in table[name]] for name in _RANGES}
    except FileNotFoundError:
        raise ConfigurationError(f"there is no weather file {path}; give the path of an .epw or CSV file") from None
    except (OSError, ValueError, KeyError, IndexError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path}: not a weather file in the EnergyPlus format: {error}") from error
    return days_of(hours, place, str(path))


def days_of(hours: Hours, place: Place, name: str) -> list[DailyRecord]:
    """Days of a year of hours. ConfigurationError for another number of hours, for gaps and for a year without rain."""
    count = len(hours["temp_air"])
    if count != HOURS:
        raise ConfigurationError(f"{name}: {count} hours; a typical year has {HOURS}")
    for column, (least, most) in _RANGES.items():
        odd = [value for value in hours[column] if not least <= value <= most]
        if odd:
            raise ConfigurationError(
                f"{name}, column {column}: {len(odd)} of {HOURS} hours are not recorded or impossible (the first is "
                f"{odd[0]:g}; allowed are {least:g} to {most:g}); {_INSTEAD}"
            )
    if not any(hours[RAIN]):
        raise ConfigurationError(f"{name}, column {RAIN}: no rain in a whole year, as in many such files; {_INSTEAD}")
    start = first_day_of_years(place)
    first = date(_YEAR, 1, 1) + timedelta(days=start)
    return [_day(hours, (start + n) % DAYS, first + timedelta(days=n), place) for n in range(DAYS)]


def _day(hours: Hours, number: int, day: date, place: Place) -> DailyRecord:
    """Day `number` of the file, dated `day`. Reference evapotranspiration by FAO-56 equation 6, vapour pressure by
    equation 19, wind brought down to 2 m by equation 47."""

    def of_day(column: str) -> Sequence[float]:
        return hours[column][24 * number : 24 * number + 24]

    air_c = of_day("temp_air")
    tmin_c, tmax_c = min(air_c), max(air_c)
    humid_part = sum(of_day("relative_humidity")) / 2400.0
    et0_mm = penman_monteith_mm(
        tmin_c,
        tmax_c,
        place.latitude_deg,
        day.timetuple().tm_yday,
        place.elevation_m,
        wind_2m_m_s=wind_at_2m_m_s(sum(of_day("wind_speed")) / 24.0, WIND_HEIGHT_M),
        ea_kpa=humid_part * mean_saturation_vapour_pressure_kpa(tmin_c, tmax_c),
        rs_mj=MJ_PER_WH * sum(of_day("ghi")),
    )
    return DailyRecord(day, tmin_c, tmax_c, sum(of_day(RAIN)), et0_mm)
