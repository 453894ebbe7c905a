"""The low-voltage disconnect of the battery: two limits and a slow return."""

from __future__ import annotations

import pytest

from controller.estimate.battery import BatteryEstimator
from controller.site.model import Battery

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


def make_battery() -> Battery:
    return Battery(
        chemistry="flooded",
        capacity_ah=100.0,
        disconnect_v=11.8,
        floor_v=11.0,
        resume_v=12.4,
        maximum_v=15.0,
        minimum_charge_percent=50.0,
    )


def seconds_until_low(estimator: BatteryEstimator, volts: float, load_a: float, step_ms: int, limit_ms: int) -> float:
    for now in range(0, limit_ms, step_ms):
        if estimator.update(volts, load_a, now).low:
            return now / 1000.0
    return float("inf")


def test_below_the_disconnect_for_ten_seconds_is_low() -> None:
    assert seconds_until_low(BatteryEstimator(make_battery()), 11.7, 0.0, 1000, 60_000) == 10.0


def test_the_sag_of_the_pump_does_not_count_towards_the_disconnect() -> None:
    assert seconds_until_low(BatteryEstimator(make_battery()), 11.72, 5.0, 1000, 60_000) == float("inf")


def test_the_inrush_of_a_starting_pump_does_not_count_towards_the_disconnect() -> None:
    assert seconds_until_low(BatteryEstimator(make_battery()), 11.6, 5.0, 1000, 60_000) == 12.0


def test_a_fluttering_current_is_no_endless_inrush() -> None:
    estimator = BatteryEstimator(make_battery())
    lows = [estimator.update(11.5, 5.0 + 0.1 * (second % 2), second * 1000).low for second in range(30)]
    assert lows.index(True) == 12


def test_a_dip_that_recovers_within_ten_seconds_is_forgiven() -> None:
    estimator = BatteryEstimator(make_battery())
    for second in range(100):
        reading = estimator.update(12.0 if second % 9 == 0 else 11.7, 0.0, second * 1000)
        assert not reading.low


def test_below_the_floor_is_low_at_once_even_during_the_inrush() -> None:
    estimator = BatteryEstimator(make_battery())
    assert seconds_until_low(estimator, 10.9, 8.0, 100, 60_000) == pytest.approx(0.2)
    assert estimator.reading(1000).low_reason == "floor"


def test_one_sample_below_the_floor_is_not_low() -> None:
    estimator = BatteryEstimator(make_battery())
    estimator.update(10.9, 0.0, 0)
    assert not estimator.update(12.5, 0.0, 1000).low
    assert not estimator.update(10.9, 0.0, 2000).low


def make_low() -> BatteryEstimator:
    estimator = BatteryEstimator(make_battery())
    for second in range(11):
        estimator.update(11.5, 0.0, second * 1000)
    assert estimator.reading(10_000).low
    return estimator


def test_a_low_battery_stays_low_between_disconnect_and_resume() -> None:
    estimator = make_low()
    for minute in range(1, 600):
        assert estimator.update(12.3, 0.0, minute * MINUTE_MS).low


def test_a_low_battery_returns_after_half_an_hour_above_resume() -> None:
    estimator = make_low()
    lows = [estimator.update(12.5, 0.0, minute * MINUTE_MS).low for minute in range(1, 40)]
    assert lows.index(False) == 30


def test_a_cloud_restarts_the_half_hour() -> None:
    estimator = make_low()
    lows = [estimator.update(12.2 if minute == 20 else 12.5, 0.0, minute * MINUTE_MS).low for minute in range(1, 60)]
    assert lows.index(False) == 50


def test_a_low_battery_stays_low_through_a_restart_of_the_clock() -> None:
    estimator = make_low()
    reading = estimator.update(12.1, 0.0, 0)
    assert reading.low
    assert estimator.update(12.1, 0.0, 10 * HOUR_MS).low


def test_overcharging_is_told() -> None:
    estimator = BatteryEstimator(make_battery())
    assert estimator.update(15.1, 0.0, 0).over_voltage
    assert not estimator.update(14.9, 0.0, 1000).over_voltage


def test_the_floor_stays_the_reason_when_the_disconnect_would_follow() -> None:
    estimator = BatteryEstimator(make_battery())
    for second in range(60):
        reading = estimator.update(10.5, 0.0, second * 1000)
    assert reading.low_reason == "floor"


def test_a_small_load_does_not_keep_a_recovered_battery_low() -> None:
    estimator = make_low()
    for minute in range(1, 40):
        reading = estimator.update(12.35, 5.0, minute * MINUTE_MS)
    assert not reading.low
