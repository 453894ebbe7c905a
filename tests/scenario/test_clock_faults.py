"""Clocks of every place and machines with wrong clocks, a part of what `scripts/break_clock` tries."""

from __future__ import annotations

from zoneinfo import available_timezones

import pytest

from controller.core import day
from controller.irrigate import due
from controller.irrigate.due import Start
from tests.scenario import clock_faults
from tests.scenario.clock_faults import Change

ZONES = sorted(zone for zone in available_timezones() if zone != "localtime")


@pytest.mark.parametrize("zone", ["Africa/Casablanca", "Australia/Lord_Howe", *ZONES[::300]])
def test_around_each_change_of_the_clock_in_thirty_years_each_time_and_window_comes_once(zone: str) -> None:
    assert clock_faults.due_problems(zone) == []


def test_leap_days_ends_of_years_and_the_end_of_32_bit_seconds_are_days_like_others() -> None:
    assert clock_faults.calendar_problems("Pacific/Auckland") == []


@pytest.mark.parametrize("change", clock_faults.shapes(["Europe/London"]), ids=str)
def test_a_garden_lives_through_a_change_of_the_clock_with_each_watering_once(change: Change) -> None:
    assert clock_faults.change_problem(change) == ""


@pytest.mark.parametrize("seed", [1])
def test_whatever_a_machine_s_clock_shows_no_day_has_more_than_its_water_and_the_right_time_brings_it_back(
    seed: int,
) -> None:
    assert clock_faults.history_problem(seed) == ""


@pytest.mark.parametrize("seed", [1, 2])
def test_counters_of_the_board_may_pass_32_bits_within_a_watering(seed: int) -> None:
    assert clock_faults.counter_problem(seed) == ""


def test_a_start_that_came_again_in_the_second_pass_would_be_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    once = due.starts_between

    def again(times_min: list[int], zone: str, after_ms: int, until_ms: int) -> tuple[Start, ...]:
        starts = once(times_min, zone, after_ms, until_ms)
        return tuple(sorted((*starts, starts[len(starts) // 2]), key=lambda start: start.wall_ms))

    monkeypatch.setattr(clock_faults, "starts_between", again)
    assert clock_faults.due_problems("Pacific/Apia") != []


def test_a_core_that_believed_every_new_date_would_be_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(day, "_really_over", lambda _ctx, _now: True)
    assert "within half a day" in clock_faults.history_problem(4)
