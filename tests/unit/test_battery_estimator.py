"""State of charge from rested voltage, and the low-voltage disconnect."""

from __future__ import annotations

import json
import random
from itertools import pairwise

import pytest

from controller.estimate.battery import (
    REST_TABLES,
    BatteryEstimator,
    BatteryReading,
    rest_charge_percent,
    rest_table,
)
from controller.site.model import Battery, Chemistry

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
CHEMISTRIES: tuple[Chemistry, ...] = ("flooded", "agm", "lifepo4")


def make_battery(chemistry: Chemistry = "flooded", own_table: tuple[tuple[float, float], ...] | None = None) -> Battery:
    return Battery(
        chemistry=chemistry,
        capacity_ah=100.0,
        disconnect_v=11.8,
        floor_v=11.0,
        resume_v=12.4,
        maximum_v=15.0,
        minimum_charge_percent=50.0,
        rest_table=own_table,
    )


def rest(estimator: BatteryEstimator, volts: float, hours: float, start_ms: int = 0) -> int:
    """A quiet battery at a steady voltage, one report a minute; returns the time of the last."""
    now = start_ms
    for minute in range(round(hours * 60) + 1):
        now = start_ms + minute * MINUTE_MS
        estimator.update(volts, 0.0, now, panel_v=0.0)
    return now


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_a_rest_table_rises_from_empty_to_full(chemistry: Chemistry) -> None:
    table = REST_TABLES[chemistry]
    assert table[0][1] == 0.0
    assert table[-1][1] == 100.0
    assert all(low[0] < high[0] and low[1] < high[1] for low, high in pairwise(table))


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_more_volts_never_mean_less_charge(chemistry: Chemistry) -> None:
    charges = [rest_charge_percent(REST_TABLES[chemistry], 9.0 + 0.01 * step) for step in range(700)]
    assert charges == sorted(charges)
    assert (charges[0], charges[-1]) == (0.0, 100.0)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_the_points_of_a_table_are_met_and_the_middle_lies_between(chemistry: Chemistry) -> None:
    table = REST_TABLES[chemistry]
    for (low_v, low_percent), (high_v, high_percent) in pairwise(table):
        assert rest_charge_percent(table, low_v) == pytest.approx(low_percent)
        middle = rest_charge_percent(table, (low_v + high_v) / 2.0)
        assert middle == pytest.approx((low_percent + high_percent) / 2.0)


def test_the_owners_table_replaces_ours() -> None:
    own = ((11.0, 0.0), (13.0, 100.0))
    assert rest_table(make_battery(own_table=own)) == own
    estimator = BatteryEstimator(make_battery(own_table=own))
    rest(estimator, 12.0, hours=3.0)
    assert estimator.reading(3 * HOUR_MS).charge_percent == pytest.approx(50.0)


def test_a_battery_that_was_never_heard_of_is_unknown_and_not_low() -> None:
    reading = BatteryEstimator(make_battery()).reading(0)
    assert reading == BatteryReading(None, None, None, "unknown", None, False, "", False)


def test_two_quiet_hours_make_a_rested_voltage() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=1.9)
    assert estimator.reading(now).quality == "suspect"
    assert estimator.reading(now).rested_mono_ms is None
    now = rest(estimator, 12.24, hours=0.2, start_ms=now + MINUTE_MS)
    reading = estimator.reading(now)
    assert reading.quality == "good"
    assert reading.charge_percent == pytest.approx(50.0)


def test_the_rested_charge_is_held_with_its_age_while_the_sun_charges() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    for hour in range(1, 6):
        reading = estimator.update(14.2, 0.0, now + hour * HOUR_MS, panel_v=17.0)
    assert reading.charge_percent == pytest.approx(50.0)
    assert reading.rested_mono_ms == now
    assert reading.quality == "good"


def test_a_rested_voltage_of_the_day_before_yesterday_is_suspect() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    assert estimator.update(13.9, 0.0, now + 25 * HOUR_MS, panel_v=17.0).quality == "suspect"


def test_a_charging_battery_never_counts_as_rested_without_panel_or_shunt() -> None:
    """The voltage alone gives it away: it climbs, or is above what any rested battery has."""
    estimator = BatteryEstimator(make_battery())
    for minute in range(6 * 60):
        reading = estimator.update(12.2 + 0.004 * minute, 0.0, minute * MINUTE_MS)
    assert reading.rested_mono_ms is None


def test_a_shunt_that_shows_charging_keeps_the_battery_from_counting_as_rested() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(6 * 60):
        reading = estimator.update(12.6, 0.0, minute * MINUTE_MS, current_a=3.0)
    assert reading.rested_mono_ms is None
    assert reading.quality == "unknown"


def test_a_battery_that_sags_too_far_under_load_has_less_than_its_rest_said() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.65, hours=3.0)
    reading = estimator.update(11.9, 5.0, now + MINUTE_MS)
    assert reading.corrected_v == pytest.approx(12.0)
    # The first moments of a load say nothing: a motor starting draws several times its current.
    assert reading.charge_percent == 100.0
    reading = estimator.update(11.9, 5.0, now + 3 * MINUTE_MS)
    assert reading.charge_percent is not None
    assert reading.charge_percent < 60.0


def test_an_ordinary_sag_under_the_pump_leaves_the_charge_alone() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.45, hours=3.0)
    reading = estimator.update(12.33, 6.0, now + MINUTE_MS)
    assert reading.charge_percent == pytest.approx(75.0)


@pytest.mark.parametrize("bad_v", [None, 0.0, -1.0, 5.9, 21.0, float("nan"), float("inf")])
def test_an_impossible_voltage_is_a_bad_reading_not_an_empty_battery(bad_v: float | None) -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.45, hours=3.0)
    for second in range(1, 60):
        reading = estimator.update(bad_v, 0.0, now + second * 1000)
    assert not reading.low
    assert reading.charge_percent == pytest.approx(75.0)
    assert estimator.update(bad_v, 0.0, now + 4 * MINUTE_MS).quality == "unknown"


def test_lifepo4_is_too_flat_to_be_sure_of_between_its_ends() -> None:
    estimator = BatteryEstimator(make_battery("lifepo4"))
    now = rest(estimator, 13.1, hours=3.0)
    assert estimator.reading(now).quality == "suspect"
    full = BatteryEstimator(make_battery("lifepo4"))
    now = rest(full, 13.4, hours=3.0)
    assert full.reading(now).quality == "good"


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


def test_a_checkpoint_continues_exactly() -> None:
    noise = random.Random(5)

    def feed(estimators: list[BatteryEstimator], first: int, last: int) -> list[BatteryReading]:
        readings = []
        for i in range(first, last):
            load = 5.0 if i % 50 > 45 else 0.0
            volts = None if i % 31 == 0 else 12.3 + noise.gauss(0.0, 0.25) - 0.03 * load
            readings = [
                e.update(volts, load, i * 5 * MINUTE_MS, panel_v=18.0 if i % 290 > 150 else 0.0) for e in estimators
            ]
            assert all(reading == readings[0] for reading in readings)
        return readings

    original, copy = BatteryEstimator(make_battery()), BatteryEstimator(make_battery())
    feed([original], 0, 500)
    copy.load(json.loads(json.dumps(original.dump())))
    feed([original, copy], 500, 1000)
    assert copy.dump() == original.dump()


def test_a_noisy_meter_does_not_make_the_rested_charge_dance() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    for minute in range(1, 60):
        reading = estimator.update(12.24 + 0.05 * (-1) ** minute, 0.0, now + minute * MINUTE_MS, panel_v=0.0)
        assert reading.charge_percent == pytest.approx(50.0, abs=2.0)


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


def test_a_rested_voltage_is_looked_at_every_five_minutes() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    looked_ms = estimator.reading(now).rested_mono_ms
    assert looked_ms == now
    for minute in range(1, 5):
        reading = estimator.update(12.26, 0.0, now + minute * MINUTE_MS, panel_v=0.0)
        assert (reading.rested_mono_ms, reading.charge_percent) == (looked_ms, pytest.approx(50.0))
    reading = estimator.update(12.26, 0.0, now + 5 * MINUTE_MS, panel_v=0.0)
    assert reading.rested_mono_ms == now + 5 * MINUTE_MS
    assert reading.charge_percent is not None
    assert reading.charge_percent > 50.0


def test_a_rested_battery_below_its_floor_is_low_without_waiting_for_the_next_look() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    estimator.update(9.5, 0.0, now + 1000, panel_v=0.0)
    assert estimator.update(9.5, 0.0, now + 2000, panel_v=0.0).low_reason == "floor"


def test_a_battery_that_rises_from_rest_must_rest_anew() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=3.0)
    rested_ms = estimator.reading(now).rested_mono_ms
    later = rest(estimator, 12.40, hours=1.9, start_ms=now + MINUTE_MS)
    assert estimator.reading(later).rested_mono_ms == rested_ms
    later = rest(estimator, 12.40, hours=0.2, start_ms=later + MINUTE_MS)
    rested_again_ms = estimator.reading(later).rested_mono_ms
    assert rested_again_ms is not None
    assert rested_again_ms >= now + 120 * MINUTE_MS
