"""Hourly files of a typical year, made into days. The files are invented, written in the EnergyPlus format."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from controller.errors import ConfigurationError
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.load import parse_site
from simulator.advise.climate import climate_from_records
from simulator.advise.report import make_report
from simulator.advise.typical_year import days_of, read_typical_year
from simulator.example import example_site_text

SITE = parse_site(example_site_text(), "the example site")
PLACE = SITE.place
HEADER = """LOCATION,Above the river,-,-,invented,000000,51.0,0.0,0.0,60.0
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,invented
COMMENTS 2,invented
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31
"""
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
Hour = Callable[[int, int], tuple[float, float, float, float, float]]
"""From day of the year and hour: air, humidity, radiation, wind, rain."""


def mild(day: int, hour: int) -> tuple[float, float, float, float, float]:
    """Warm in July, rain at six in the morning of every fourth day."""
    season = math.cos(2.0 * math.pi * (day - 196) / 365.0)
    sun = max(0.0, math.sin(math.pi * (hour - 5) / 14.0)) if 5 <= hour <= 19 else 0.0
    rain_mm = 8.0 if day % 4 == 0 and hour == 6 else 0.0
    return 11.0 + 7.0 * season + 4.0 * sun, 75.0, (350.0 + 280.0 * season) * sun, 3.0, rain_mm


def write(path: Path, hours: Hour) -> Path:
    lines, day = [HEADER], 0
    for month, days in enumerate(MONTH_DAYS, start=1):
        for number in range(1, days + 1):
            for hour in range(24):
                air_c, humidity, sun, wind, rain_mm = hours(day, hour)
                values = [2009, month, number, hour + 1, 60, "?9", f"{air_c:.1f}", 8.0, f"{humidity:.0f}", 101325]
                values += [9999, 9999, 9999, f"{sun:.0f}", 0, 0, 999999, 999999, 999999, 9999, 180, f"{wind:.1f}", 5, 5]
                values += [9999, 99999, 9, 999999999, 999, 0.999, 999, 99, 999, f"{rain_mm:.1f}", 1.0]
                lines.append(",".join(map(str, values)) + "\n")
            day += 1
    path.write_text("".join(lines))
    return path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return write(tmp_path / "typical.epw", mild)


def test_hours_become_days_with_their_extremes_and_rain(file: Path) -> None:
    days = read_typical_year(file, PLACE)
    assert [days[0].date, days[-1].date, len(days)] == [date(2001, 1, 1), date(2001, 12, 31), 365]
    assert sum(day.rain_mm for day in days) == pytest.approx(8.0 * 92)
    july = days[195]
    assert (july.tmin_c, july.tmax_c) == (pytest.approx(18.0, abs=0.1), pytest.approx(22.0, abs=0.1))


def test_evapotranspiration_is_penman_monteiths_with_the_sun_wind_and_humidity_of_the_file(
    file: Path, tmp_path: Path
) -> None:
    usual = read_typical_year(file, PLACE)[195].et0_mm
    dark = write(tmp_path / "dark.epw", lambda day, hour: (*mild(day, hour)[:2], 0.1, *mild(day, hour)[3:]))
    windy = write(tmp_path / "windy.epw", lambda day, hour: (*mild(day, hour)[:3], 12.0, mild(day, hour)[4]))
    assert usual is not None
    assert usual == pytest.approx(hargreaves_mm(14.0, 24.0, PLACE.latitude_deg, 196), rel=0.25)
    assert (read_typical_year(dark, PLACE)[195].et0_mm or 0.0) < 0.4 * usual
    assert (read_typical_year(windy, PLACE)[195].et0_mm or 0.0) > 1.1 * usual


def test_south_of_the_equator_the_year_begins_in_july_with_the_files_july(file: Path) -> None:
    south = replace(PLACE, latitude_deg=-35.0)
    days = read_typical_year(file, south)
    assert [days[0].date, days[-1].date] == [date(2001, 7, 1), date(2002, 6, 30)]
    assert days[0].tmax_c == read_typical_year(file, PLACE)[181].tmax_c
    assert climate_from_records(days, south, "typical").years == 1


def test_a_plan_can_be_made_by_it(file: Path) -> None:
    report = make_report(SITE, file, 30, jobs=1)
    assert "1 year of daily records" in report.data["weather"]
    assert "evapotranspiration from the file" in report.data["weather"]


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (lambda day, hour: (*mild(day, hour)[:4], 0.0), "no rain in a whole year"),
        (lambda day, hour: (*mild(day, hour)[:4], 999.0), "column liquid_precipitation_depth: 8760 of 8760 hours"),
        (lambda day, hour: (99.9, *mild(day, hour)[1:]), "column temp_air: 8760 of 8760 hours are not recorded"),
        (lambda day, hour: (*mild(day, hour)[:3], 999.0, 1.0), "column wind_speed: 8760"),
    ],
)
def test_what_the_file_does_not_tell_is_not_guessed(tmp_path: Path, hours: Hour, said: str) -> None:
    path = write(tmp_path / "poor.epw", hours)
    with pytest.raises(ConfigurationError, match=said) as refused:
        read_typical_year(path, PLACE)
    assert "give daily records as CSV" in str(refused.value)


def test_another_number_of_hours_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="a typical year has 8760"):
        days_of({"temp_air": [10.0] * 24}, PLACE, "a day")


@pytest.mark.parametrize("text", ["", "date,tmin_c\n2025-01-01,3\n", HEADER, "LOCATION,x\n" * 9])
def test_a_file_of_another_kind_is_refused_with_its_name(tmp_path: Path, text: str) -> None:
    path = tmp_path / "other.epw"
    path.write_text(text)
    with pytest.raises(ConfigurationError, match=r"other\.epw"):
        read_typical_year(path, PLACE)


def test_a_file_that_is_not_there_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="there is no weather file"):
        read_typical_year(tmp_path / "none.epw", PLACE)
