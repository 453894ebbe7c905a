"""Counters through lost lines and reboots; the day's temperatures and rain."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.estimate.counters import Counter
from controller.estimate.daily import DayTemperatures, RainDay

HOUR_MS = 3_600_000
MM_PER_TIP = 0.2


def test_the_first_value_of_a_counter_is_a_baseline() -> None:
    assert Counter().follow("a1", 5000) == 0


def test_a_lost_line_costs_nothing() -> None:
    counter = Counter()
    counter.follow("a1", 100)
    assert counter.follow("a1", 137) == 37


def test_a_reboot_counts_from_zero() -> None:
    counter = Counter()
    counter.follow("a1", 900)
    assert counter.follow("b2", 12) == 12
    assert counter.follow("b2", 15) == 3


def test_an_old_line_that_comes_late_counts_nothing_twice() -> None:
    counter = Counter()
    counter.follow("a1", 100)
    counter.follow("a1", 110)
    assert counter.follow("a1", 105) == 0
    assert counter.follow("a1", 112) == 2


def test_a_32_bit_counter_is_followed_through_its_wrap() -> None:
    counter = Counter()
    counter.follow("a1", 2**32 - 5)
    assert counter.follow("a1", 7) == 12


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["a1", "b2"]), st.integers(0, 2**32 - 1))))
def test_a_counter_never_counts_backwards(lines: list[tuple[str, int]]) -> None:
    counter = Counter()
    assert all(counter.follow(boot_id, value) >= 0 for boot_id, value in lines)


def feed_day(temperatures: DayTemperatures, curve: list[float | None]) -> None:
    """One value per ten minutes."""
    for i, value in enumerate(curve):
        temperatures.add(value, i * 10)


def test_a_day_has_the_extremes_of_its_curve() -> None:
    day = DayTemperatures()
    feed_day(day, [10.0 + abs(72 - i) / 12.0 for i in range(144)])
    extremes = day.extremes_c()
    assert extremes is not None
    assert extremes == pytest.approx((10.0, 16.0), abs=0.15)


def test_a_single_spike_is_no_extreme() -> None:
    day = DayTemperatures()
    curve: list[float | None] = [15.0] * 144
    curve[50], curve[90] = 55.0, -40.0
    feed_day(day, curve)
    assert day.extremes_c() == (15.0, 15.0)


def test_a_day_of_which_little_was_seen_has_no_extremes() -> None:
    day = DayTemperatures()
    feed_day(day, [15.0] * 90)
    assert day.extremes_c() is None


@pytest.mark.parametrize("bad", [None, float("nan"), float("inf"), 85.0, -127.0])
def test_a_broken_thermometer_gives_no_extremes(bad: float | None) -> None:
    day = DayTemperatures()
    feed_day(day, [bad] * 144)
    assert day.extremes_c() is None


def test_a_new_day_starts_without_yesterdays_extremes() -> None:
    day = DayTemperatures()
    feed_day(day, [30.0] * 144)
    day.start_day()
    feed_day(day, [20.0] * 144)
    extremes = day.extremes_c()
    assert extremes is not None
    assert extremes[0] == 20.0


def test_tips_become_rain() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 40, 0)
    assert rain.add("a1", 45, HOUR_MS) == pytest.approx(1.0)
    assert rain.rain_mm == pytest.approx(1.0)


def test_rain_during_an_hour_of_silence_is_not_lost() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 0, 0)
    assert rain.add("a1", 150, HOUR_MS) == pytest.approx(30.0)


def test_two_tips_in_a_second_are_rain() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 0, 0)
    assert rain.add("a1", 2, 1000) == pytest.approx(0.4)


def test_a_gauge_that_is_being_cleaned_is_not_rain() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 0, 0)
    assert rain.add("a1", 60, 60_000) == 0.0
    assert rain.rain_mm == 0.0
    assert rain.rejected_mm == pytest.approx(12.0)


def test_a_cloudburst_at_its_limit_counts_and_beyond_it_does_not() -> None:
    counted, refused = RainDay(MM_PER_TIP), RainDay(MM_PER_TIP)
    for minute in range(121):
        counted.add("a1", minute * 20, minute * 60_000)
        refused.add("a1", minute * 60, minute * 60_000)
    assert counted.rain_mm == pytest.approx(480.0)
    assert refused.rain_mm < 10.0


def test_a_reboot_of_the_board_adds_no_rain_of_the_past() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 500, 0)
    rain.add("a1", 510, HOUR_MS)
    assert rain.add("b2", 0, HOUR_MS + 60_000) == 0.0
    assert rain.add("b2", 1, 2 * HOUR_MS) == pytest.approx(0.2)
    assert rain.rain_mm == pytest.approx(2.2)


def test_a_gauge_that_cannot_be_read_adds_nothing_and_loses_nothing() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 10, 0)
    assert rain.add("a1", None, HOUR_MS) == 0.0
    assert rain.add("a1", 15, 2 * HOUR_MS) == pytest.approx(1.0)


def test_a_new_day_starts_dry_and_keeps_counting() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 0, 0)
    rain.add("a1", 10, HOUR_MS)
    rain.start_day()
    assert rain.rain_mm == 0.0
    assert rain.add("a1", 15, 2 * HOUR_MS) == pytest.approx(1.0)


def test_checkpoints_continue_exactly() -> None:
    day, rain = DayTemperatures(), RainDay(MM_PER_TIP)
    for i in range(100):
        day.add(15.0 + i % 7, i * 10)
        rain.add("a1", i, i * 60_000)
    day_copy, rain_copy = DayTemperatures(), RainDay(MM_PER_TIP)
    day_copy.load(json.loads(json.dumps(day.dump())))
    rain_copy.load(json.loads(json.dumps(rain.dump())))
    for i in range(100, 144):
        for one in (day, day_copy):
            one.add(3.0 + i % 11, i * 10)
        assert rain.add("b2", i, i * 60_000) == rain_copy.add("b2", i, i * 60_000)
    assert day_copy.dump() == day.dump()
    assert day_copy.extremes_c() == day.extremes_c()
    assert rain_copy.dump() == rain.dump()


def test_dry_hours_save_up_no_allowance_for_a_splash() -> None:
    rain = RainDay(MM_PER_TIP)
    for minute in range(600):
        rain.add("a1", 0, minute * 60_000)
    assert rain.add("a1", 100, 600 * 60_000) == 0.0


def test_cleaning_that_goes_on_in_small_steps_is_still_cleaning() -> None:
    rain = RainDay(MM_PER_TIP)
    rain.add("a1", 0, 0)
    rain.add("a1", 60, 1000)
    for second in range(2, 20):
        assert rain.add("a1", 60 + 5 * (second - 1), second * 1000) == 0.0
