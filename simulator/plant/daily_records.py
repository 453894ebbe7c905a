"""Weather from a station's daily records: a CSV file, or rows already at hand.

Header `date,tmin_c,tmax_c,rain_mm` and optionally `et0_mm`, one row a day without gaps. Where a row gives the reference
evapotranspiration, the day's sunshine is chosen so that the simulator's own evaporation comes to it, as far as a sky
between dark and cloudless allows; otherwise sunshine is drawn by whether it rained.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from math import isfinite
from pathlib import Path
from random import Random
from typing import NamedTuple

from controller.errors import ConfigurationError
from controller.site.model import Place
from simulator.plant.weather import Day, Weather, clear_radiation_w_m2, day_evaporation_mm, weather_from_days
from simulator.plant.weather_generator import sky_and_air

_REQUIRED = ("date", "tmin_c", "tmax_c", "rain_mm")
_RANGES = {"tmin_c": (-60.0, 50.0), "tmax_c": (-60.0, 60.0), "rain_mm": (0.0, 2000.0), "et0_mm": (0.0, 25.0)}
_DARKEST, _CLEAREST = 0.08, 1.05
_WET_DAY_MM = 0.2
_BEYOND = "beyond the last column"


class DailyRecord(NamedTuple):
    """One day at a station: coldest and warmest air, rain, and reference evapotranspiration when it was kept."""

    date: date
    tmin_c: float
    tmax_c: float
    rain_mm: float
    et0_mm: float | None = None


def weather_from_daily(rows: Sequence[DailyRecord], place: Place, seed: int) -> Weather:
    """Hourly weather from consecutive daily records; ConfigurationError when there are none or days are missing."""
    if not rows:
        raise ConfigurationError("daily weather: no rows; at least one day is needed")
    for before, after in pairwise(rows):
        if after.date != before.date + timedelta(days=1):
            raise ConfigurationError(
                f"daily weather: {before.date} is followed by {after.date}; days must follow one another without gaps"
            )
    rng = Random(f"daily records {seed}")
    return weather_from_days([_day_of(row, place, rng) for row in rows], place, rng)


def _day_of(row: DailyRecord, place: Place, rng: Random) -> Day:
    clearness, wind, dew_point = sky_and_air(row.tmin_c, row.rain_mm >= _WET_DAY_MM, rng)
    day = Day(row.date, row.tmin_c, row.tmax_c, row.rain_mm, clearness, wind, dew_point)
    return day if row.et0_mm is None else _with_evaporation(day, row.et0_mm, place)


def _with_evaporation(day: Day, wanted_mm: float, place: Place) -> Day:
    """The day under the sky that makes it evaporate `wanted_mm`, or the nearest possible sky."""
    clear = clear_radiation_w_m2(day.date, place)
    low, high = _DARKEST, _CLEAREST
    for _ in range(14):
        middle = 0.5 * (low + high)
        if day_evaporation_mm(replace(day, clearness=middle), clear) < wanted_mm:
            low = middle
        else:
            high = middle
    return replace(day, clearness=0.5 * (low + high))


def read_daily_csv(path: Path) -> list[DailyRecord]:
    """Read a daily file; ConfigurationError when it cannot be read, or naming line, column and value."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigurationError(f"there is no weather file {path}; give the path of a CSV file") from None
    except OSError as error:
        raise ConfigurationError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ConfigurationError(f"{path}: not UTF-8 text; save it as CSV in UTF-8 ({error})") from error
    return parse_daily_csv(text.splitlines(), str(path))


def parse_daily_csv(lines: Iterable[str], name: str) -> list[DailyRecord]:
    """The rows of a daily file; ConfigurationError names the file, line, column and value, and what is allowed."""
    reader = csv.DictReader(lines, strict=True, restkey=_BEYOND)
    columns = [column.strip() for column in reader.fieldnames or ()]
    missing = [column for column in _REQUIRED if column not in columns]
    if missing:
        raise ConfigurationError(
            f"{name}, line 1: column {', '.join(missing)} missing; the header must be {','.join(_REQUIRED)}[,et0_mm]"
        )
    reader.fieldnames = columns
    try:
        return [_record(row, f"{name}, line {reader.line_num}") for row in reader]
    except csv.Error as error:
        raise ConfigurationError(f"{name}, line {reader.line_num}: not comma-separated text: {error}") from error


def _record(row: dict[str, str | None], where: str) -> DailyRecord:
    if _BEYOND in row:
        raise ConfigurationError(f"{where}: more values than columns; decimal points, not commas?")
    text = (row["date"] or "").strip()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(f"{where}, column date: {text!r} is not a date; write it as 2025-07-31") from None
    tmin, tmax = _number(row, "tmin_c", where), _number(row, "tmax_c", where)
    if tmax < tmin:
        raise ConfigurationError(f"{where}, column tmax_c: {tmax:g} is below tmin_c {tmin:g}; are the columns swapped?")
    et0 = _number(row, "et0_mm", where) if (row.get("et0_mm") or "").strip() else None
    return DailyRecord(day, tmin, tmax, _number(row, "rain_mm", where), et0)


def _number(row: dict[str, str | None], column: str, where: str) -> float:
    text = (row[column] or "").strip()
    low, high = _RANGES[column]
    try:
        value = float(text)
    except ValueError:
        raise ConfigurationError(f"{where}, column {column}: {text!r} is not a number") from None
    if not isfinite(value) or not low <= value <= high:
        raise ConfigurationError(f"{where}, column {column}: {text} is outside {low:g} to {high:g}")
    return value
