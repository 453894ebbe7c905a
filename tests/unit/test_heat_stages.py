"""Growth stages by warmth: a cold spring holds plants back, and each planting begins anew."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli import main
from controller.contract import DayWeather
from controller.core import Core
from controller.irrigate.crop import crop_kc, day_of_season, zone_kc
from controller.irrigate.heat_stages import LONGEST_PART, Warmth, after_day, number_on, numbers_on, warmth_key
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.service.replay import replay
from controller.site.heat import degree_days, usual_extremes_c, usual_stage_days
from controller.site.load import parse_site
from controller.site.model import Crop, Heat, MonthlyNormals, Site
from controller.site.problems import SiteFileError
from simulator.example import example_site_text
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.season_command import season_weather
from tests.scenario.garden import DAY_MS, EXAMPLE, Garden, only, with_zones

LETTUCE_STAGES = 'stage_heat = ["150 °C day", "250 °C day", "400 °C day", "100 °C day"]\nbase_temperature = "7 °C"'
BEANS = "bean-row"
assert EXAMPLE.place.normals is not None
NORMALS: MonthlyNormals = EXAMPLE.place.normals


def by_warmth() -> Site:
    """The beans alone, their stages by warmth."""
    text = example_site_text().replace(
        "stage_days = [20, 30, 50, 15]",
        'stage_heat = ["120 °C day", "200 °C day", "300 °C day", "90 °C day"]\nbase_temperature = "9 °C"',
    )
    return only(parse_site(text, "beans by warmth"), BEANS)


SITE = by_warmth()
CROP = SITE.zones[0].crops[0]
assert CROP.heat is not None
HEAT: Heat = CROP.heat
PLANTED = date(2026, CROP.planted_month, CROP.planted_day)


def grown(days: int, tmin_c: float, tmax_c: float, start: Warmth | None = None, first: date = PLANTED) -> Warmth | None:
    """The count after so many days of one weather."""
    for n in range(days):
        start = after_day(CROP, HEAT, first + timedelta(days=n), (tmin_c, tmax_c), start, NORMALS)
    return start


def number(day: date, known: Warmth | None) -> float | None:
    return number_on(CROP, HEAT, day, known, NORMALS)


# --- a day's warmth ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low_c", "high_c", "warmth"),
    [(12.0, 22.0, 10.0), (2.0, 6.0, 0.0), (1.0, 17.0, 2.0), (20.0, 40.0, 17.0), (31.0, 40.0, 21.0)],
)
def test_warmth_counts_between_the_base_and_the_upper_temperature(low_c: float, high_c: float, warmth: float) -> None:
    assert degree_days(low_c, high_c, Heat(7.0, 28.0, (1.0, 1.0, 1.0, 1.0))) == pytest.approx(warmth)


@given(st.floats(-40.0, 50.0), st.floats(0.0, 30.0), st.floats(0.0, 10.0))
def test_a_warmer_day_never_counts_less(low_c: float, span_c: float, warmer_c: float) -> None:
    counted = degree_days(low_c, low_c + span_c, HEAT)
    assert 0.0 <= counted <= HEAT.upper_c - HEAT.base_c
    assert degree_days(low_c + warmer_c, low_c + span_c + warmer_c, HEAT) >= counted


def test_usual_extremes_pass_through_the_months_means_and_close_the_year() -> None:
    for month in range(12):
        middle = date(2027, month + 1, 16).timetuple().tm_yday - 1
        assert usual_extremes_c(NORMALS, middle)[0] == pytest.approx(NORMALS.tmin_c[month], abs=0.2)
        assert usual_extremes_c(NORMALS, middle)[1] == pytest.approx(NORMALS.tmax_c[month], abs=0.2)
    assert usual_extremes_c(NORMALS, 365) == usual_extremes_c(NORMALS, 0)
    assert usual_extremes_c(NORMALS, 364)[1] == pytest.approx(usual_extremes_c(NORMALS, 0)[1], abs=0.1)


# --- a usual year -----------------------------------------------------------------------------------------------------


def test_the_stages_of_a_usual_year_are_worked_out_from_the_normals() -> None:
    assert CROP.stage_days == usual_stage_days(HEAT, NORMALS, PLANTED.timetuple().tm_yday - 1)
    warmer = replace(
        NORMALS, tmin_c=tuple(t + 5.0 for t in NORMALS.tmin_c), tmax_c=tuple(t + 5.0 for t in NORMALS.tmax_c)
    )
    sooner = usual_stage_days(HEAT, warmer, PLANTED.timetuple().tm_yday - 1)
    assert sooner is not None
    assert sum(sooner) < sum(CROP.stage_days)


def test_warmth_that_a_year_does_not_bring_has_no_stages() -> None:
    assert usual_stage_days(replace(HEAT, stages_c_day=(1e4, 1.0, 1.0, 1.0)), NORMALS, 100) is None


def test_stages_by_warmth_need_normals() -> None:
    text = example_site_text().replace("stage_days = [25, 35, 60, 20]", LETTUCE_STAGES, 1)
    before, after = text.split("[place.normals]")
    with pytest.raises(SiteFileError, match=r"zone\[1\].crop\[1\].stage_heat.*needs \[place.normals\]"):
        parse_site(before + after[after.index("\n[") :], "no normals")


def test_without_a_thermometer_a_crop_grows_by_the_dates_of_a_usual_year() -> None:
    for n in range(0, sum(CROP.stage_days), 5):
        day = PLANTED + timedelta(days=n)
        usual, by_heat = day_of_season(CROP, day), number(day, None)
        assert usual is not None
        assert by_heat == pytest.approx(usual, abs=1.5)


# --- a real one -------------------------------------------------------------------------------------------------------


def test_a_cold_spring_holds_plants_back_and_a_warm_one_brings_them_on() -> None:
    after = PLANTED + timedelta(days=30)
    cold, usual, warm = (number(after, known) for known in (grown(30, 5.0, 13.0), None, grown(30, 14.0, 26.0)))
    assert cold is not None and usual is not None and warm is not None  # noqa: PT018
    assert cold + 5.0 < usual < warm - 5.0
    assert crop_kc(CROP, cold) < crop_kc(CROP, usual) < crop_kc(CROP, warm)


def test_without_any_warmth_a_crop_stays_as_planted() -> None:
    assert number(PLANTED + timedelta(days=20), grown(20, -3.0, 8.0)) == 1.0


def test_a_season_ends_when_its_warmth_is_complete_or_autumn_ends_it() -> None:
    known = grown(60, 18.0, 32.0)
    assert known is not None
    assert known.sum_c_day > sum(HEAT.stages_c_day)
    assert number(PLANTED + timedelta(days=60), known) is None
    latest = PLANTED + timedelta(days=round(LONGEST_PART * sum(CROP.stage_days)) + 1)
    assert number(latest, grown(300, 0.0, 5.0)) is None


def test_the_next_planting_begins_anew() -> None:
    known = grown(40, 14.0, 26.0)
    again = PLANTED.replace(year=PLANTED.year + 1)
    assert number(again, known) == 1.0
    after = after_day(CROP, HEAT, again, (9.0, 19.0), known, NORMALS)
    assert after == Warmth(again.toordinal(), again.toordinal(), 5.0)


def test_a_day_counts_once_and_missing_days_count_as_usual() -> None:
    known = grown(10, 14.0, 26.0)
    assert known is not None
    again = after_day(CROP, HEAT, PLANTED + timedelta(days=9), (30.0, 40.0), known, NORMALS)
    assert again == known
    later = after_day(CROP, HEAT, PLANTED + timedelta(days=15), None, known, NORMALS)
    assert later.through == (PLANTED + timedelta(days=15)).toordinal()
    assert known.sum_c_day < later.sum_c_day < known.sum_c_day + 6 * 15.0


@given(st.lists(st.tuples(st.floats(-10.0, 25.0), st.floats(0.0, 15.0)), max_size=80))
def test_whatever_the_weather_a_crop_never_grows_younger(days: list[tuple[float, float]]) -> None:
    known: Warmth | None = None
    before = 0.0
    for n, (low_c, span_c) in enumerate(days):
        day = PLANTED + timedelta(days=n)
        known = after_day(CROP, HEAT, day, (low_c, low_c + span_c), known, NORMALS)
        now = number(day + timedelta(days=1), known)
        if now is None:
            break
        assert now >= before
        before = now


# --- in the controller ------------------------------------------------------------------------------------------------


def memory(garden: Garden) -> dict[str, Any]:
    state: dict[str, Any] = json.loads(json.dumps(garden.season.core.dump()))["state"]
    return state


def kc_today(garden: Garden) -> float:
    """The coefficient by what the memory holds."""
    warmth = {key: Warmth(*counted) for key, counted in memory(garden)["warmth"].items()}
    day = date.fromordinal(memory(garden)["weather"]["day"])
    return zone_kc(SITE.zones[0], numbers_on(SITE, day, warmth)[BEANS])


def test_the_board_s_thermometer_counts_and_cold_plants_drink_less() -> None:
    cold, warm = (Garden(SITE, PLANTED, 25, tmin_c=low, tmax_c=low + 9.0) for low in (4.0, 15.0))
    for garden in (cold, warm):
        garden.run_hours(25 * 24 + 1)
    key = warmth_key(SITE.zones[0], CROP, HEAT)
    counted = [memory(garden)["warmth"][key] for garden in (cold, warm)]
    assert [entry[0] for entry in counted] == [PLANTED.toordinal()] * 2
    assert counted[1][1] == (PLANTED + timedelta(days=24)).toordinal()
    # Mean 19.5 °C, 10.5 above the base, in 25 days; the plant's weather is not quite that of its daily figures.
    assert counted[1][2] == pytest.approx(25 * 10.5, rel=0.15)
    assert counted[0][2] < 0.4 * counted[1][2]
    assert kc_today(cold) < kc_today(warm) - 0.1
    days = [[record.data for record in garden.of_kind("day", BEANS)][-1] for garden in (cold, warm)]
    assert days[0]["etc_mm"] < days[1]["etc_mm"]


def test_a_station_s_report_counts_before_the_board_s_thermometer() -> None:
    garden = Garden(SITE, PLANTED, 3, tmin_c=10.0, tmax_c=18.0)
    garden.run_hours(20)
    assert garden.order(DayWeather(PLANTED.isoformat(), 19.0, 31.0, 60.0, 1.0, 20.0)).accepted
    garden.run_hours(5)
    (counted,) = memory(garden)["warmth"].values()
    assert counted[2] == pytest.approx(degree_days(19.0, 31.0, HEAT))


def test_another_planting_date_in_the_site_file_begins_anew_and_the_same_goes_on() -> None:
    garden = Garden(SITE, PLANTED, 6)
    garden.run_hours(5 * 24 + 1)
    dumped = json.loads(json.dumps(garden.season.core.dump()))
    assert Core(SITE, dumped).dump()["state"]["warmth"] == {
        key: Warmth(*counted) for key, counted in dumped["state"]["warmth"].items()
    }
    moved: Crop = replace(CROP, planted_day=CROP.planted_day + 1)
    later = with_zones(SITE, [replace(SITE.zones[0], crops=(moved,))])
    known = {key: Warmth(*counted) for key, counted in dumped["state"]["warmth"].items()}
    day = PLANTED + timedelta(days=5)
    assert numbers_on(later, day, known) == numbers_on(later, day, {})
    assert numbers_on(SITE, day, known) != numbers_on(SITE, day, {})


def test_a_replay_over_several_days_decides_the_same(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite", bulk=True)
    weather, start = season_weather(SITE, PLANTED, 4, 1, None)
    began_ms = local_midnight_wall_ms(start, SITE.place)
    season = SeasonRun(SITE, weather, 1, began_ms, log=journal, encode=encode_input, fill=0.5)
    season.run_until(2 * DAY_MS)
    journal.add_checkpoint(season.now(), "the site", season.core.dump())
    season.run_until(4 * DAY_MS)
    journal.close()
    result = replay(tmp_path / "j.sqlite", Core, lambda _: SITE)
    assert result.steps > 1000
    assert result.difference is None


def test_dates_and_warmth_live_side_by_side_in_a_zone() -> None:
    text = example_site_text().replace("stage_days = [25, 35, 60, 20]", LETTUCE_STAGES, 1)
    site = parse_site(text, "both")
    zone = site.zones[0]
    assert [crop.heat is not None for crop in zone.crops] == [True, False]
    day = date(2026, 6, 1)
    numbers = numbers_on(site, day, {})
    assert set(numbers) == {zone.id}
    assert numbers[zone.id][1] == day_of_season(zone.crops[1], day)


def test_the_command_says_how_far_crops_are_that_go_by_warmth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = example_site_text().replace("stage_days = [25, 35, 60, 20]", LETTUCE_STAGES, 1)
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    journal = str(tmp_path / "season.sqlite")
    season = ["season", "--days", "2", "--from", "2026-06-01", "--journal", journal]
    assert main([*season, "--site", str(tmp_path / "site.toml")]) == 0
    capsys.readouterr()
    assert main(["plan", "--journal", journal]) == 0
    crop = parse_site(text, "site.toml").zones[0].crops[0]
    assert crop.heat is not None
    number = number_on(crop, crop.heat, date(2026, 6, 2), None, NORMALS)
    said = f"    lettuce: by its warmth as far as on day (\\d+) of the {sum(crop.stage_days)} of a usual year\n"
    found = re.findall(said, capsys.readouterr().out)
    assert [float(day) for day in found] == pytest.approx([number], abs=2.0)
