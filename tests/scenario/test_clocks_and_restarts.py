"""Restarts and misread clocks never water twice and never skip the day's water. Fault ids: docs of the clock and power
groups (C1 to C5, P5, M1, D1)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from random import Random

import pytest

from controller.site.model import Site, Window
from firmware_host.board.logic import Board
from simulator.board import board_settings
from tests.scenario.clock_faults import ClockedSeason
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS, Garden, at_fixed_times, only, with_schedule

BED = "salad-bed-east"
POT = "bench-south"
SIX = 6 * 60
YEARS_20_MS = 20 * 365 * DAY_MS


def forty_litres(time_min: int = SIX) -> Site:
    return at_fixed_times(EXAMPLE, BED, 40.0, time_min)


# --- restarts -------------------------------------------------------------------------------------------------


def test_killed_in_mid_run_the_board_shuts_within_5_s_and_the_rest_is_given_later_once() -> None:
    garden = Garden(forty_litres())
    garden.run_until_watering()
    garden.run_seconds(60)
    before_l = garden.given_l(BED)
    assert before_l > 1.0
    garden.season.restart(30_000)
    # While the controller was away the board ran on for at most its lease.
    assert garden.given_l(BED) - before_l <= garden.site.zone(BED).rated_flow_l_min * 1.2 * 5.0 / 60.0
    assert garden.flow_l_min == 0.0
    garden.run_hours(2)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_killed_again_and_again_the_day_s_water_is_given_once(seed: int) -> None:
    garden = Garden(forty_litres(), seed=seed)
    rng = Random(seed)
    garden.run_hours(5.0)
    for _ in range(12):
        garden.run_seconds(rng.uniform(1.0, 400.0))
        garden.season.restart(rng.randrange(100, 40_000))
    garden.run_hours(3)
    # Each death costs at most the second or two of flow that no report had told yet.
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.06)
    garden.run_hours(10)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.06)


def test_the_cap_survives_restarts() -> None:
    garden = Garden(with_schedule(only(EXAMPLE, POT), POT, daily_cap_l=12.0), tmax_c=35.0)
    for _ in range(24):
        garden.run_hours(1)
        garden.season.restart(10_000)
    day = garden.of_kind("day", POT)[0].data
    assert 8.0 < day["applied_l"] <= 12.0


def test_a_board_that_resets_in_mid_run_shuts_and_the_rest_is_given_later() -> None:
    garden = Garden(forty_litres())
    garden.run_until_watering()
    garden.run_seconds(60)
    garden.season.hardware.reboot("brownout")
    garden.season.board = Board(garden.season.hardware, board_settings(garden.site))
    garden.run_seconds(3)
    assert garden.flow_l_min == 0.0
    garden.run_hours(1.5)
    # Pulses between the last report and the reset are lost with the board's counter: a second's worth.
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.06)


# --- the wall clock -------------------------------------------------------------------------------------------


def test_with_an_unknown_clock_nothing_starts_and_once_it_is_known_watering_goes_on() -> None:
    garden = Garden(forty_litres())
    garden.season.trust = "unknown"
    garden.run_hours(7)
    assert garden.given_l(BED) == 0.0
    assert "clock-unknown" in garden.findings
    garden.season.trust = "synchronised"
    garden.run_hours(1)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.05)


def test_a_clock_that_is_lost_after_it_was_known_keeps_plants_alive_on_elapsed_time() -> None:
    garden = Garden(forty_litres())
    garden.run_hours(2)
    garden.season.trust = "unknown"
    garden.run_hours(30)
    assert len(garden.of_kind("delivery", BED)) == 2
    assert "clock-guessed" in garden.findings
    assert "clock-unknown" not in garden.findings


def test_when_the_true_time_comes_back_nothing_is_given_twice() -> None:
    garden = Garden(forty_litres())
    garden.run_hours(2)
    # A power cut of three hours that no clock saw: the guess runs three hours behind.
    garden.season.trust = "unknown"
    garden.season.clock_step_ms = -3 * HOUR_MS
    garden.run_hours(9)
    assert len(garden.of_kind("delivery", BED)) == 1
    garden.season.trust = "synchronised"
    garden.season.clock_step_ms = 0
    garden.run_hours(12)
    assert len(garden.of_kind("delivery", BED)) == 1


def test_a_jump_of_20_years_makes_one_decision_and_no_pile_of_missed_runs() -> None:
    garden = Garden(forty_litres())
    garden.run_hours(12)
    garden.season.clock_step_ms = YEARS_20_MS
    garden.run_hours(6)
    assert len(garden.of_kind("delivery", BED)) == 1
    garden.run_hours(18)
    assert len(garden.of_kind("delivery", BED)) == 2


@pytest.mark.parametrize("back_ms", [2 * HOUR_MS, 6 * HOUR_MS, 12 * HOUR_MS])
def test_a_clock_put_back_over_a_fixed_time_does_not_water_twice(back_ms: int) -> None:
    garden = Garden(forty_litres())
    garden.run_hours(8)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.05)
    garden.season.clock_step_ms = -back_ms
    garden.run_hours(14)
    assert len(garden.of_kind("delivery", BED)) == 1


@pytest.mark.parametrize("days", [1, 2, 3])
def test_a_clock_put_back_by_days_just_after_a_fixed_time_gives_nothing_twice(days: int) -> None:
    garden = Garden(forty_litres())
    garden.run_hours(24 * days + 7)
    assert len(garden.of_kind("delivery", BED)) == days + 1
    garden.season.clock_step_ms = -days * DAY_MS
    garden.run_hours(2)
    garden.season.clock_step_ms = 0
    garden.run_hours(2)
    assert len(garden.of_kind("delivery", BED)) == days + 1


def test_a_clock_that_was_years_ahead_over_midnight_gives_nothing_twice() -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 10.0, 23 * 60 + 10))
    garden.run_hours(23.25)
    garden.season.clock_step_ms = 20 * 365 * DAY_MS
    garden.run_hours(0.8)
    garden.season.clock_step_ms = 0
    garden.run_hours(2)
    given = [record.data["run"] for record in garden.of_kind("delivery", BED)]
    assert "2026-07-01/23:10" in given
    assert len(given) == len(set(given))


def test_after_a_clock_that_was_years_ahead_is_put_right_the_garden_is_watered_again() -> None:
    garden = Garden(forty_litres())
    garden.season.clock_step_ms = YEARS_20_MS
    garden.run_hours(30)
    runs = len(garden.of_kind("delivery", BED))
    garden.season.clock_step_ms = 0
    garden.run_hours(48)
    assert len(garden.of_kind("delivery", BED)) >= runs + 1


def test_steps_of_the_clock_during_a_run_do_not_change_its_length() -> None:
    garden = Garden(forty_litres())
    garden.run_until_watering()
    for step_ms in (HOUR_MS, -HOUR_MS, 1_000, -1_000, 0):
        garden.run_seconds(60)
        garden.season.clock_step_ms = step_ms
    garden.run_hours(1)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.05)


# --- daylight saving, Europe/London: 29 March 2026 skips 01:00 to 02:00, 25 October repeats it ------------------


@pytest.mark.parametrize("time_min", [0, 30, 60, 75, 90, 119, 120, 180])
@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)], ids=["spring", "autumn"])
def test_a_fixed_time_in_the_hour_the_clock_skips_or_repeats_waters_once(day: date, time_min: int) -> None:
    site = replace(at_fixed_times(EXAMPLE, BED, 6.0, time_min), frost_c=-20.0)
    garden = Garden(site, day, tmin_c=9.0, tmax_c=15.0, days=3)
    garden.run_hours(10)
    assert len(garden.of_kind("delivery", BED)) == 1
    assert garden.given_l(BED) == pytest.approx(6.0, rel=0.08)


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)], ids=["spring", "autumn"])
def test_the_day_of_a_clock_change_is_closed_once_and_has_its_one_day_of_evaporation(day: date) -> None:
    garden = Garden(only(EXAMPLE, POT), day, tmin_c=9.0, tmax_c=15.0, days=4)
    garden.run_hours(50)
    dates = [record.data["date"] for record in garden.of_kind("day", "")]
    assert dates[0] == day.isoformat()
    assert len(dates) == len(set(dates)) == 2
    et0_mm = [record.data["et0_mm"] for record in garden.of_kind("day", "")]
    assert et0_mm[0] == pytest.approx(et0_mm[1], rel=0.15)


def test_after_a_restart_inside_a_window_a_zone_that_waits_is_watered_within_minutes() -> None:
    garden = Garden(with_schedule(only(EXAMPLE, POT), POT, daily_cap_l=60.0), tmax_c=34.0)
    garden.run_hours(24 + 17.95)
    assert garden.flow_l_min == 0.0
    garden.season.restart(5 * 60_000)
    garden.run_until_watering(limit_hours=0.1)


def thirsty(cap_l: float = 10.0) -> Site:
    return with_schedule(only(EXAMPLE, POT), POT, daily_cap_l=cap_l, doses_per_day=24, windows=(Window(0, 1440),))


@pytest.mark.parametrize("step_ms", [DAY_MS, 2 * DAY_MS, 30 * DAY_MS])
def test_a_clock_that_flaps_between_days_gives_no_second_cap(step_ms: int) -> None:
    garden = Garden(thirsty(), tmax_c=34.0)
    for _ in range(20):
        garden.run_hours(0.5)
        garden.season.clock_step_ms = step_ms
        garden.run_hours(0.5)
        garden.season.clock_step_ms = 0
    assert 8.0 < garden.given_l(POT) <= 10.5


def test_a_machine_without_a_clock_that_is_switched_off_every_night_waters_every_day() -> None:
    """No clock counts the hours without power; a time source says the date a minute after each start."""
    garden = Garden(forty_litres(9 * 60), days=6)
    season = ClockedSeason(garden.site, garden.season.plant.weather, 1, garden.start_wall_ms, fill=0.9)
    season.boot_clock()
    given_l = [0.0]
    for day in range(4):
        season.run_until(day * DAY_MS + 22 * HOUR_MS)
        given_l.append(season.plant.truth.zone(BED).applied_l)
        season.synchronised, season.wall_error_ms = False, -8 * HOUR_MS
        season.begin_again(8 * HOUR_MS, reboot=True)
        season.run_until(season.plant.now_ms + 60_000)
        season.synchronised, season.wall_error_ms = True, 0
    assert [later - earlier for earlier, later in pairwise(given_l)] == pytest.approx([40.0] * 4, rel=0.05)


def test_a_time_source_that_jumps_from_midnight_to_midnight_brings_no_third_cap_within_half_a_day() -> None:
    garden = Garden(thirsty(), tmax_c=34.0)
    garden.run_hours(23.9)
    first_day_l = garden.given_l(POT)
    for _ in range(20):
        garden.run_hours(0.4)
        garden.season.clock_step_ms += 47 * HOUR_MS + 36 * 60_000
    assert garden.given_l(POT) - first_day_l <= 10.5


@pytest.mark.parametrize("step_ms", [DAY_MS, 3 * DAY_MS])
def test_after_a_clock_was_a_day_ahead_the_next_true_day_has_its_own_cap(step_ms: int) -> None:
    garden = Garden(thirsty(), tmax_c=34.0)
    garden.run_hours(10)
    garden.season.clock_step_ms = step_ms
    garden.run_hours(1)
    garden.season.clock_step_ms = 0
    garden.run_hours(13)
    first_day_l = garden.given_l(POT)
    assert first_day_l <= 10.5
    garden.run_hours(24)
    assert garden.given_l(POT) - first_day_l > 8.0


def test_a_clock_put_right_by_minutes_at_midnight_ends_the_day_once() -> None:
    garden = Garden(thirsty(), tmax_c=34.0)
    garden.run_hours(24.05)
    garden.season.clock_step_ms = -10 * 60_000
    garden.run_hours(3)
    assert [day.data["date"] for day in garden.of_kind("day", "")] == ["2026-07-01"]


def test_a_day_opened_again_is_booked_with_one_day_of_evaporation() -> None:
    steady, stepped = (Garden(with_schedule(thirsty(), POT, mode="off")) for _ in range(2))
    for garden in (steady, stepped):
        garden.run_hours(20)
        if garden is stepped:
            garden.season.clock_step_ms = DAY_MS
        garden.run_hours(1)
        garden.season.clock_step_ms = 0
        garden.run_hours(15)
    mm = [garden.snapshot.zones[0].depletion_mm for garden in (steady, stepped)]
    # A day of evapotranspiration more or less would be over 4 mm.
    assert mm[0] == pytest.approx(mm[1], abs=2.5)
