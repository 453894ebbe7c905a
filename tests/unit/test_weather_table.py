"""Days of weather out of a journal, and into the plan again."""

from __future__ import annotations

import json
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli import main
from controller.service.codec import encode_input
from controller.service.journal import Journal, StoredRecord
from controller.service.weather_table import COLUMNS, weather_rows
from controller.site.load import parse_site
from simulator.example import example_site_text
from simulator.plant.daily_records import read_daily_csv, weather_from_daily
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.season_command import season_weather

SITE = parse_site(example_site_text(), "the example site")
FIRST = date(2026, 5, 10)
DAYS = 5
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
MIDNIGHT_MS = int(datetime.combine(FIRST, time(), ZoneInfo(SITE.place.time_zone)).timestamp() * 1000)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("weather") / "j.sqlite"
    log = Journal.open(path, bulk=True)
    weather, start = season_weather(SITE, FIRST, DAYS, 4, None)
    season = SeasonRun(SITE, weather, 4, local_midnight_wall_ms(start, SITE.place), log=log, encode=encode_input)
    log.add_checkpoint(season.now(), example_site_text(), season.core.dump())
    season.run_until(DAYS * DAY_MS + HOUR_MS)
    log.close()
    return path


def stored(kind: str, key: str, wall_ms: int, **data: object) -> StoredRecord:
    return StoredRecord(1, 1, wall_ms, kind, key, json.dumps(data))


def readings(day: int, count: int) -> list[StoredRecord]:
    """Readings on the hour, one degree warmer each."""
    return [
        stored("measure", "", MIDNIGHT_MS + day * DAY_MS + hour * HOUR_MS, temperature_c=1.0 + hour)
        for hour in range(count)
    ]


def closed(day: int) -> StoredRecord:
    told = {"date": (FIRST + timedelta(days=day)).isoformat(), "et0_mm": 3.21, "rain_mm": 4.0}
    return stored("day", "", MIDNIGHT_MS + (day + 1) * DAY_MS, **told)


def test_what_a_journal_has_seen_can_be_planned_by(journal: Path, tmp_path: Path) -> None:
    table = tmp_path / "weather.csv"
    assert main(["export", str(journal), "--what", "weather", "--out", str(table)]) == 0
    rows = read_daily_csv(table)
    assert [row.date for row in rows] == [FIRST + timedelta(days=day) for day in range(DAYS)]
    read = Journal.read(journal)
    days = [record.data for record in read.records_of("day") if not record.key]
    read.close()
    assert [row.rain_mm for row in rows] == [pytest.approx(day["rain_mm"], abs=0.001) for day in days]
    assert [row.et0_mm for row in rows] == [pytest.approx(day["et0_mm"], abs=0.001) for day in days]
    assert all(0.0 < row.tmin_c < row.tmax_c - 2.0 for row in rows)
    assert weather_from_daily(rows, SITE.place, 1).hour(MIDNIGHT_MS + 3 * HOUR_MS).temperature_c < rows[0].tmax_c


def test_a_day_begins_at_local_midnight() -> None:
    before = stored("measure", "", MIDNIGHT_MS - 1, temperature_c=-20.0)
    rows = list(weather_rows([before, *readings(0, 24), closed(0)], SITE.place.time_zone))
    assert rows == [list(COLUMNS), ["2026-05-10", 1.0, 24.0, 4.0, 3.21]]


@pytest.mark.parametrize(("count", "kept"), [(20, True), (19, False), (0, False)])
def test_a_day_that_was_not_read_through_is_left_out(count: int, kept: bool) -> None:
    rows = list(weather_rows([*readings(0, count), closed(0), *readings(1, 24), closed(1)], SITE.place.time_zone))
    assert [row[0] for row in rows[1:]] == (["2026-05-10"] if kept else []) + ["2026-05-11"]


def test_what_zones_drank_is_no_weather() -> None:
    of_a_zone = stored("day", "berry-row", MIDNIGHT_MS + DAY_MS, date="2026-05-10", etc_mm=2.0)
    assert len(list(weather_rows([*readings(0, 24), of_a_zone, closed(0)], SITE.place.time_zone))) == 2


def test_weather_has_one_form(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(journal), "--what", "weather", "--format", "senml"]) == 2
    assert "as csv only" in capsys.readouterr().err
