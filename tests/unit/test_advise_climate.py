"""Years of weather for planning: whole years from records, likely ones from normals."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from controller.errors import ConfigurationError
from controller.irrigate.likely_weather import MONTH_DAYS
from controller.site.load import parse_site
from simulator.advise.climate import climate_from_normals, climate_from_records
from simulator.example import example_site_text
from simulator.plant.daily_records import DailyRecord

PLACE = parse_site(example_site_text(), "example").place


def records(first: date, days: int, et0_mm: float | None = 2.0) -> list[DailyRecord]:
    """A mm of rain on every day."""
    return [DailyRecord(first + timedelta(days=n), 8.0, 18.0, 1.0, et0_mm) for n in range(days)]


def test_records_are_cut_to_whole_years_and_keep_the_rain_of_a_leap_day() -> None:
    climate = climate_from_records(records(date(2019, 11, 5), 57 + 366 + 365 + 40), PLACE, "station.csv")
    assert climate.names == ("2020", "2021")
    assert climate.year_rain_mm() == [366.0, 365.0]
    assert climate.measured


def test_south_of_the_equator_years_begin_in_july() -> None:
    south = replace(PLACE, latitude_deg=-33.0)
    climate = climate_from_records(records(date(2020, 3, 1), 900), south, "station.csv")
    assert climate.names == ("2020/21", "2021/22")
    assert climate.first_day == 181


def test_days_without_evapotranspiration_get_it_from_the_temperatures() -> None:
    kept = climate_from_records(records(date(2021, 1, 1), 365), PLACE, "station.csv")
    worked_out = climate_from_records(records(date(2021, 1, 1), 365, None), PLACE, "station.csv")
    assert set(kept.et0_mm) == {2.0}
    assert min(worked_out.et0_mm[150:240]) > max(worked_out.et0_mm[:31])
    assert "equation 52" in worked_out.source


def test_less_than_a_year_is_refused_and_so_is_a_gap() -> None:
    with pytest.raises(ConfigurationError, match="no whole year from a 1 January on"):
        climate_from_records(records(date(2021, 2, 1), 364), PLACE, "station.csv")
    with pytest.raises(ConfigurationError, match="2021-01-09 is followed by 2021-01-11"):
        climate_from_records(
            [row for row in records(date(2021, 1, 1), 400) if row.date != date(2021, 1, 10)], PLACE, "station.csv"
        )


def test_likely_years_keep_the_normals() -> None:
    assert PLACE.normals is not None
    climate = climate_from_normals(PLACE, 20)
    means = climate.month_means(climate.rain_mm)
    for month, days in enumerate(MONTH_DAYS):
        assert means[month] * days == pytest.approx(PLACE.normals.rain_mm[month], rel=1e-6)


def test_without_normals_and_without_records_there_is_nothing_to_plan_by() -> None:
    with pytest.raises(ConfigurationError, match=r"--weather FILE\.csv"):
        climate_from_normals(replace(PLACE, normals=None), 20)
