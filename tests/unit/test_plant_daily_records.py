"""Daily weather files are read strictly, and every complaint says where and what."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from controller.errors import ConfigurationError
from simulator.plant.daily_records import DailyRecord, parse_daily_csv, read_daily_csv, weather_from_daily
from tests.unit.plant_site import PLACE

HEADER = "date,tmin_c,tmax_c,rain_mm,et0_mm"


def test_a_file_is_read_row_by_row(tmp_path: Path) -> None:
    path = tmp_path / "station.csv"
    path.write_text(f"{HEADER}\n2025-06-01,8.5,19.0,0.0,3.4\n2025-06-02,9,21.5,4.2,\n", encoding="utf-8")
    assert read_daily_csv(path) == [
        DailyRecord(date(2025, 6, 1), 8.5, 19.0, 0.0, 3.4),
        DailyRecord(date(2025, 6, 2), 9.0, 21.5, 4.2, None),
    ]


def test_reference_evapotranspiration_may_be_left_out() -> None:
    rows = parse_daily_csv(["date,tmin_c,tmax_c,rain_mm", "2025-06-01,8,19,0"], "station.csv")
    assert rows == [DailyRecord(date(2025, 6, 1), 8.0, 19.0, 0.0)]


@pytest.mark.parametrize(
    ("row", "complaint"),
    [
        ("2025-06-31,8,19,0,", "line 2, column date: '2025-06-31' is not a date"),
        ("2025-06-01,cold,19,0,", "line 2, column tmin_c: 'cold' is not a number"),
        ("2025-06-01,8,nan,0,", "line 2, column tmax_c: nan is outside -60 to 60"),
        ("2025-06-01,8,19,-1,", "line 2, column rain_mm: -1 is outside 0 to 2000"),
        ("2025-06-01,8,19,0,inf", "line 2, column et0_mm: inf is outside 0 to 25"),
        ("2025-06-01,19,8,0,", "line 2, column tmax_c: 8 is below tmin_c 19"),
        ("2025-06-01,8,19", "line 2, column rain_mm: '' is not a number"),
        ("2025-06-01,8,19,0,3,9", "line 2: more values than columns"),
    ],
)
def test_a_bad_value_is_named_with_its_line_and_column(row: str, complaint: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_daily_csv([HEADER, row], "station.csv")
    assert complaint in str(caught.value)
    assert str(caught.value).startswith("station.csv, ")


def test_a_missing_column_is_named() -> None:
    with pytest.raises(ConfigurationError, match="line 1: column rain_mm missing"):
        parse_daily_csv(["date,tmin_c,tmax_c", "2025-06-01,8,19"], "station.csv")


def test_a_file_that_is_not_there_is_an_operating_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"absent\.csv"):
        read_daily_csv(tmp_path / "absent.csv")


def test_missing_days_are_refused() -> None:
    rows = [DailyRecord(date(2025, 6, 1), 8.0, 19.0, 0.0), DailyRecord(date(2025, 6, 3), 8.0, 19.0, 0.0)]
    with pytest.raises(ConfigurationError, match="2025-06-01 is followed by 2025-06-03"):
        weather_from_daily(rows, PLACE, 1)


def test_no_days_at_all_are_refused() -> None:
    with pytest.raises(ConfigurationError, match="no rows"):
        weather_from_daily([], PLACE, 1)
