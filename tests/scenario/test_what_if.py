"""Seasons lived again: the recorded weather comes back as it was, and a change shows where it should."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from controller.account.events import HOUR_MS, Event
from controller.account.made import Account, account_of
from controller.cli import main
from controller.commands.account import account_in, events_of
from controller.core.localclock import LocalClock
from controller.errors import ConfigurationError, OperatingError
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.site.geometry import volume_l
from controller.site.model import Schedule
from controller.site.show import Show
from simulator.example import example_site_text
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.what_if import Change, changed, hourly_rain_mm, in_force, lived_again, recorded
from simulator.what_if_command import comparison_lines
from tests.scenario.garden import DAY_MS, EXAMPLE
from tests.unit.account_events import at, day, ledger, measure, site_day

START, DAYS, SEED = date(2026, 6, 20), 6, 5
RAIN_MM = {1: 9.0, 3: 4.0}
CLOCK = LocalClock(EXAMPLE.place.time_zone)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six days of the virtual garden, as its journal has them."""
    path = tmp_path_factory.mktemp("what-if") / "journal.sqlite"
    days = [(n, START + timedelta(days=n)) for n in range(-1, DAYS + 2)]
    rows = [DailyRecord(each, 13.0, 26.0, RAIN_MM.get(n, 0.0), 4.5) for n, each in days]
    journal = Journal.open(path, bulk=True)
    weather = weather_from_daily(rows, EXAMPLE.place, SEED)
    start_ms = local_midnight_wall_ms(START, EXAMPLE.place)
    season = SeasonRun(EXAMPLE, weather, SEED, start_ms, log=journal, encode=encode_input, fill=0.25)
    journal.add_checkpoint(season.now(), example_site_text(), season.core.dump())
    season.run_until(DAYS * DAY_MS + HOUR_MS)
    journal.close()
    return path


def measures_in(path: Path) -> list[Event]:
    journal = Journal.read(path)
    try:
        return list(events_of(journal.records_of("measure")))
    finally:
        journal.close()


# --- the weather that was ---------------------------------------------------------------------------------------------


def test_rain_comes_back_in_the_hours_in_which_the_gauge_counted_it() -> None:
    readings = [measure(0.25, rain_today_mm=0.0), measure(0.5, rain_today_mm=2.0), measure(0.51, rain_today_mm=3.0)]
    next_day = [measure(1.01, rain_today_mm=0.5), measure(1.02, battery_v=12.7), measure(1.5, rain_today_mm=0.5)]
    first_hour = at(0) // HOUR_MS
    found = {hour - first_hour: mm for hour, mm in hourly_rain_mm([*readings, *next_day], CLOCK).items()}
    assert found == {11: 2.0, 12: 1.0, 24: 0.5}


def test_a_day_s_rain_is_what_its_closing_says_voided_rain_left_out(path: Path) -> None:
    events = [site_day(0, 1.5), ledger(0, 900_000, {})]
    readings = [measure(0.1, temperature_c=2.0), measure(0.5, rain_today_mm=6.0, temperature_c=9.0)]
    season = recorded(account_of(EXAMPLE, events, readings), readings, SEED)
    assert sum(season.weather.rain_mm) == pytest.approx(1.5)
    real = recorded(account_in(path, None, None), measures_in(path), SEED)
    assert sum(real.weather.rain_mm) == pytest.approx(sum(RAIN_MM.values()), abs=2 * 0.2794)


def test_days_without_a_thermometer_are_like_the_day_before_and_counted() -> None:
    events = [site_day(n) for n in range(3)]
    readings = [measure(0.1, temperature_c=2.0), measure(0.5, temperature_c=9.0), measure(2.5, temperature_c=5.0)]
    season = recorded(account_of(EXAMPLE, events, readings), readings, SEED)
    assert season.filled_days == 1
    # The record begins a day early.
    assert max(season.weather.temperature_c[48:72]) == pytest.approx(9.0, abs=0.1)
    with pytest.raises(OperatingError, match=f"no temperature was read on {day(0)}"):
        recorded(account_of(EXAMPLE, events, readings[2:]), readings[2:], SEED)


def test_without_a_rain_gauge_there_is_nothing_to_live_again() -> None:
    account = account_of(replace(EXAMPLE, rain_gauge=None), [site_day(0)], [])
    with pytest.raises(OperatingError, match="no rain gauge"):
        recorded(account, [], SEED)


# --- the site that might be -------------------------------------------------------------------------------------------


def test_a_tank_of_another_size_is_as_high_as_before_and_holds_what_was_asked_for() -> None:
    tank = changed(EXAMPLE, Change({"main": 3000.0}, {})).tanks[0]
    old = EXAMPLE.tanks[0]
    assert volume_l(tank.shape, tank.overflow_mm) == pytest.approx(3000.0, rel=1e-3)
    assert (tank.overflow_mm, tank.suction_mm, tank.reserve_l) == (old.overflow_mm, old.suction_mm, old.reserve_l)
    half_mm = 0.5 * old.overflow_mm
    part = 3000.0 / volume_l(old.shape, old.overflow_mm)
    assert volume_l(tank.shape, half_mm) == pytest.approx(part * volume_l(old.shape, half_mm), rel=2e-3)


def test_roof_panel_and_battery_are_changed_and_nothing_else() -> None:
    site = changed(EXAMPLE, Change({}, {"main": 40.0}, 100.0, 120.0))
    assert sum(roof.area_m2 for roof in site.roofs) == pytest.approx(40.0)
    assert site.panel is not None
    assert (site.panel.peak_w, site.battery.capacity_ah) == (100.0, 120.0)
    assert replace(site, roofs=EXAMPLE.roofs, panel=EXAMPLE.panel, battery=EXAMPLE.battery) == EXAMPLE


def test_changes_that_make_no_sense_are_refused_in_words() -> None:
    with pytest.raises(ConfigurationError, match='no tank "barrel"; tanks: main'):
        changed(EXAMPLE, Change({"barrel": 300.0}, {}))
    with pytest.raises(ConfigurationError, match="must hold more than 150 L"):
        changed(EXAMPLE, Change({"main": 100.0}, {}))
    with pytest.raises(ConfigurationError, match="no panel to change"):
        changed(replace(EXAMPLE, panel=None), Change({}, {}, panel_w=50.0))
    with pytest.raises(ConfigurationError, match="no roof to change"):
        changed(replace(EXAMPLE, roofs=()), Change({}, {"main": 12.0}))


def test_the_schedules_are_those_that_were_in_force_at_the_end() -> None:
    off = Schedule("off", (), 20.0)
    events = [Event(at(n), "schedule", "berry-row", {"version": n, "schedule": asdict(off)}) for n in (1, 9)]
    events[1].data["schedule"]["daily_cap_l"] = 99.0
    site = in_force(EXAMPLE, events, at(5))
    assert site.zone("berry-row").schedule == off
    assert site.zone("bean-row") == EXAMPLE.zone("bean-row")


# --- lived again ------------------------------------------------------------------------------------------------------


def lived(path: Path, change: Change) -> Account:
    season = recorded(account_in(path, None, None), measures_in(path), SEED)
    return lived_again(season, changed(EXAMPLE, change), SEED)


def test_a_virtual_garden_lived_again_as_it_is_comes_out_much_as_it_did(path: Path) -> None:
    was, again = account_in(path, None, None), lived(path, Change({}, {}))
    assert again.period == was.period
    assert again.rain_mm == pytest.approx(was.rain_mm, abs=3 * 0.2794)
    old, new = was.tanks[0].books, again.tanks[0].books
    assert new.of("rain").into_tank_l == pytest.approx(old.of("rain").into_tank_l, rel=0.1)
    assert new.to_zones.into_tank_l == pytest.approx(old.to_zones.into_tank_l, rel=0.15)


def test_twice_the_roof_catches_twice_the_rain(path: Path) -> None:
    was = account_in(path, None, None).tanks[0].books.of("rain").into_tank_l
    more = lived(path, Change({}, {"main": 2.0 * EXAMPLE.roofs[0].area_m2})).tanks[0].books.of("rain").into_tank_l
    assert more == pytest.approx(2.0 * was, rel=0.1)


def test_what_was_and_what_might_be_stand_side_by_side(path: Path) -> None:
    was = account_in(path, None, None)
    lines = comparison_lines([was, was, replace(was, zones=[])], 2)
    given = next(line for line in lines if "given to zones" in line).split("zones")[1].split()
    assert given == Show().volume(was.tanks[0].books.to_zones.into_tank_l).split() * 3
    assert next(line for line in lines if "strained" in line).split()[-1] == "-"
    assert lines[-1] == "2 days without readings had the temperatures of the day before"


def test_the_command_prints_three_columns_or_refuses(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    span = ["--to", (START + timedelta(days=1)).isoformat()]
    assert main(["what-if", str(path), *span, "--tank", "3000 L", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert set(told) == {"recorded", "as_it_is", "what_if"}
    assert told["recorded"]["closed_days"] == told["what_if"]["closed_days"] == 2
    for words, said in (
        ([], "nothing is changed"),
        (["--tank", "3000"], "the unit is missing"),
        (["--panel", "0 W"], "must be above 0"),
        (["--roof", "shed=20 m2"], 'no tank "shed"'),
    ):
        assert main(["what-if", str(path), *span, *words]) == 2
        assert said in capsys.readouterr().err
