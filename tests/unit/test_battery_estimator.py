"""What is known of the battery: its charge and how sure that is, its health, its charger, its voltmeter."""

from __future__ import annotations

import json
import random

import pytest

from controller.estimate.battery import BatteryEstimator, BatteryReading
from controller.estimate.battery_charts import rest_table, rest_voltage
from controller.site.model import Chemistry, Panel, Place
from tests.unit.batteries import make_battery

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
MIDNIGHT_WALL_MS = 1_782_000_000_000 - 1_782_000_000_000 % DAY_MS
PANEL = Panel(peak_w=60.0, tilt_deg=40.0, azimuth_deg=180.0)
PLACE = Place("Allotment above the river", 50.8, 4.4, 100.0, "Europe/Brussels")


def rest(estimator: BatteryEstimator, volts: float, hours: float, start_ms: int = 0) -> int:
    """A quiet battery in the dark at a steady voltage, one report a minute; returns the time of the last."""
    now = start_ms
    for minute in range(round(hours * 60) + 1):
        now = start_ms + minute * MINUTE_MS
        estimator.update(volts + 0.003 * (-1) ** minute, 0.0, now, panel_v=0.0)
    return now


def test_a_battery_that_was_never_heard_of_is_unknown_and_not_low() -> None:
    reading = BatteryEstimator(make_battery()).reading(0)
    assert reading == BatteryReading(None, None, None, "unknown", None, False, "", False)


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "lifepo4"])
@pytest.mark.parametrize("percent", [30.0, 60.0, 95.0])
def test_the_first_voltage_gives_a_charge_by_the_chart_that_is_suspect(chemistry: Chemistry, percent: float) -> None:
    battery = make_battery(chemistry)
    reading = BatteryEstimator(battery).update(rest_voltage(rest_table(battery), percent), 0.0, 0, panel_v=0.0)
    assert reading.charge_percent == pytest.approx(percent, abs=6.0)
    assert reading.quality == "suspect"


def test_the_owners_table_is_believed_after_a_rest() -> None:
    estimator = BatteryEstimator(make_battery(own_table=((11.0, 0.0), (13.0, 100.0))))
    now = rest(estimator, 12.0, hours=6.0)
    reading = estimator.reading(now)
    assert reading.charge_percent == pytest.approx(50.0, abs=3.0)
    assert reading.quality == "good"


def test_two_quiet_hours_in_the_dark_are_a_rest() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=1.9)
    assert estimator.reading(now).rested_mono_ms is None
    now = rest(estimator, 12.24, hours=0.4, start_ms=now + MINUTE_MS)
    assert estimator.reading(now).rested_mono_ms is not None


def test_a_rest_makes_the_charge_surer() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=0.1)
    before = estimator.reading(now).charge_sd_percent
    now = rest(estimator, 12.24, hours=8.0, start_ms=now + MINUTE_MS)
    after = estimator.reading(now).charge_sd_percent
    assert before is not None
    assert after is not None
    assert after < 0.7 * before


def test_lifepo4_is_unsure_in_its_flat_middle_and_sure_where_it_is_steep() -> None:
    battery = make_battery("lifepo4")
    sds = []
    for percent in (60.0, 15.0):
        estimator = BatteryEstimator(battery)
        now = rest(estimator, rest_voltage(rest_table(battery), percent), hours=8.0)
        sd = estimator.reading(now).charge_sd_percent
        assert sd is not None
        sds.append(sd)
    assert sds[0] > 2.0 * sds[1]


def test_a_shunt_that_shows_charging_keeps_the_battery_from_counting_as_rested() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(6 * 60):
        reading = estimator.update(12.9, 0.0, minute * MINUTE_MS, current_a=3.0)
    assert reading.rested_mono_ms is None


def test_a_shunt_counts_what_goes_out() -> None:
    estimator = BatteryEstimator(make_battery("lifepo4"))
    now = rest(estimator, 13.22, hours=1.0)
    before = estimator.reading(now).charge_percent
    for minute in range(1, 301):
        reading = estimator.update(13.175, 0.0, now + minute * MINUTE_MS, current_a=-2.0)
    assert before is not None
    assert reading.charge_percent == pytest.approx(before - 10.0, abs=4.0)


@pytest.mark.parametrize("bad_v", [None, 0.0, -1.0, 5.9, 21.0, float("nan"), float("inf")])
def test_an_impossible_voltage_is_a_bad_reading_not_an_empty_battery(bad_v: float | None) -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.45, hours=3.0)
    before = estimator.reading(now).charge_percent
    for second in range(1, 60):
        reading = estimator.update(bad_v, 0.0, now + second * 1000)
    assert not reading.low
    assert reading.charge_percent == before
    assert estimator.update(bad_v, 0.0, now + 4 * MINUTE_MS).quality == "unknown"


def test_a_silence_of_a_day_widens_the_doubt() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.45, hours=6.0)
    before = estimator.reading(now).charge_sd_percent
    after = estimator.update(12.45, 0.0, now + DAY_MS, panel_v=0.0).charge_sd_percent
    assert before is not None
    assert after is not None
    assert after > before + 10.0


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


def test_a_noisy_meter_does_not_make_the_charge_dance() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.24, hours=6.0)
    before = estimator.reading(now).charge_percent
    for minute in range(1, 60):
        reading = estimator.update(12.24 + 0.05 * (-1) ** minute, 0.0, now + minute * MINUTE_MS, panel_v=0.0)
        assert reading.charge_percent == pytest.approx(before, abs=2.0)


def test_a_restart_of_the_clock_keeps_the_charge_and_forgets_the_ages() -> None:
    estimator = BatteryEstimator(make_battery())
    now = rest(estimator, 12.45, hours=6.0)
    before = estimator.reading(now)
    estimator.restarted()
    after = estimator.reading(0)
    assert after.charge_percent == before.charge_percent
    assert after.rested_mono_ms is None
    assert after.quality == "unknown"


def test_days_in_the_dark_follow_from_charge_and_load() -> None:
    estimator = BatteryEstimator(make_battery(own_table=((11.0, 0.0), (13.0, 100.0))))
    now = rest(estimator, 12.6, hours=12.0)
    reading = estimator.reading(now)
    assert reading.charge_percent is not None
    assert reading.capacity_percent is not None
    # 2 W at 12.6 V, day and night, above the minimum charge of 50 %.
    spare_ah = (reading.charge_percent - 50.0) / 100.0 * reading.capacity_percent
    assert reading.dark_days == pytest.approx(spare_ah / (24.0 * 2.0 / 12.6), rel=1e-6)
    assert reading.dark_days_sd is not None
    assert reading.dark_days_sd > 0.0


def test_below_the_minimum_charge_no_day_in_the_dark_is_left() -> None:
    estimator = BatteryEstimator(make_battery(own_table=((11.0, 0.0), (13.0, 100.0))))
    now = rest(estimator, 11.6, hours=12.0)
    assert estimator.reading(now).dark_days == 0.0


# --- the voltmeter ----------------------------------------------------------------------------------------------------


def pump_for(estimator: BatteryEstimator, start_ms: int, minutes: int, sag_v: float) -> BatteryReading:
    for second in range(minutes * 60):
        noise_v = 0.0 if sag_v == 0.0 else 0.005 * (-1) ** second
        reading = estimator.update(12.4 - sag_v + noise_v, 5.0, start_ms + second * 1000, panel_v=0.0)
    return reading


def test_a_voltage_that_does_not_answer_to_the_pump_is_frozen() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(9):
        estimator.update(12.4, 0.0, minute * MINUTE_MS, panel_v=0.0)
    assert not pump_for(estimator, 9 * MINUTE_MS, 1, sag_v=0.0).frozen
    reading = pump_for(estimator, 10 * MINUTE_MS, 1, sag_v=0.0)
    assert reading.frozen
    assert reading.quality == "suspect"


def test_a_voltage_that_sags_under_the_pump_is_not_frozen() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(60):
        estimator.update(12.4, 0.0, minute * MINUTE_MS, panel_v=0.0)
    assert not pump_for(estimator, HOUR_MS, 15, sag_v=0.12).frozen


def test_a_steady_voltage_without_a_load_step_is_frozen_after_a_day_only() -> None:
    estimator = BatteryEstimator(make_battery())
    readings = [estimator.update(12.4, 0.0, minute * MINUTE_MS, panel_v=0.0) for minute in range(1441)]
    assert not readings[1439].frozen
    assert readings[1440].frozen


@pytest.mark.parametrize("heard_before", [False, True])
def test_until_a_voltage_is_heard_nothing_is_frozen_however_long_the_clock_has_run(heard_before: bool) -> None:
    estimator = BatteryEstimator(make_battery())
    if heard_before:
        estimator.update(12.4, 0.0, 1000 * MINUTE_MS, panel_v=0.0)
        estimator.restarted()
    assert not estimator.reading(9000 * MINUTE_MS).frozen
    assert not estimator.update(12.4, 0.0, 9001 * MINUTE_MS, panel_v=0.0).frozen


def test_a_frozen_voltage_thaws_when_it_moves() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(1441):
        estimator.update(12.4, 0.0, minute * MINUTE_MS, panel_v=0.0)
    assert not estimator.update(12.41, 0.0, 1441 * MINUTE_MS, panel_v=0.0).frozen


def test_a_frozen_voltage_says_nothing_of_the_charge_and_the_next_one_is_looked_up() -> None:
    """A full battery whose voltmeter shows 11.9 V from the first report on: what a fifth of the charge would show."""
    estimator = BatteryEstimator(make_battery())
    for minute in range(30):
        estimator.update(11.9, 0.0, minute * MINUTE_MS, panel_v=0.0)
    for second in range(60):
        estimator.update(11.9, 5.0, 30 * MINUTE_MS + second * 1000, panel_v=0.0)
    for minute in range(31, 6 * 60):
        reading = estimator.update(11.9, 0.0, minute * MINUTE_MS, panel_v=0.0)
    assert reading.quality == "suspect"
    now = rest(estimator, 12.7, 2.0, 6 * HOUR_MS)
    reading = estimator.reading(now)
    assert reading.charge_percent is not None
    assert reading.charge_percent > 75.0


def test_a_battery_that_ran_empty_is_known_by_its_next_voltage() -> None:
    """Somebody drew from it behind the meter's back. Charged again, or another one: its voltage says what it holds."""
    estimator = BatteryEstimator(make_battery())
    rest(estimator, 12.6, 24.0)
    rest(estimator, 9.5, 6.0, 24 * HOUR_MS)
    emptied = estimator.reading(30 * HOUR_MS).charge_percent
    now = rest(estimator, 12.7, 1.0, 30 * HOUR_MS)
    charged = estimator.reading(now).charge_percent
    assert emptied is not None
    assert charged is not None
    assert emptied < 50.0
    assert charged > 85.0


def test_a_voltmeter_with_a_bad_wire_for_minutes_leaves_the_charge_as_it_was() -> None:
    estimator = BatteryEstimator(make_battery())
    before = estimator.reading(rest(estimator, 12.6, 24.0)).charge_percent
    rest(estimator, 9.5, 0.5, 24 * HOUR_MS)
    after = estimator.reading(rest(estimator, 12.6, 1.0, 24 * HOUR_MS + 30 * MINUTE_MS)).charge_percent
    assert after == pytest.approx(before, abs=4.0)


def test_a_voltage_that_is_lost_while_the_pump_runs_is_not_called_frozen() -> None:
    estimator = BatteryEstimator(make_battery())
    for minute in range(60):
        estimator.update(12.4 + 0.005 * (-1) ** minute, 0.0, minute * MINUTE_MS, panel_v=0.0)
    for second in range(20 * 60):
        reading = estimator.update(None, 5.0, HOUR_MS + second * 1000, panel_v=0.0)
    assert not reading.frozen
    assert reading.quality == "unknown"


# --- the charger ------------------------------------------------------------------------------------------------------


def days_of(
    estimator: BatteryEstimator, days: int, day_v: float, night_v: float, panel_v: float | None = 18.0, first: int = 0
) -> BatteryReading:
    """Days from midnight on: sun from 8 to 16 o'clock."""
    for minute in range(first * 1440, (first + days) * 1440, 5):
        now = minute * MINUTE_MS
        if now >= estimator.sun_due_mono_ms:
            estimator.note_sun(now, MIDNIGHT_WALL_MS + now)
        sunny = 480 <= minute % 1440 < 960
        volts = (day_v if sunny else night_v) + 0.004 * (-1) ** (minute // 5)
        estimator.update(volts, 0.0, now, panel_v=None if panel_v is None else panel_v if sunny else 0.0)
    return estimator.reading(now)


def test_sun_on_the_panel_without_a_rise_is_a_dead_charger_after_two_days() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 1, 12.4, 12.4).charger_fault == ""
    assert days_of(estimator, 2, 12.4, 12.4, first=1).charger_fault == "dead"


def test_without_the_panels_voltage_a_dead_charger_takes_longer_to_tell_from_dark_days() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 6, 12.4, 12.4, panel_v=None).charger_fault == ""
    assert days_of(estimator, 2, 12.4, 12.4, panel_v=None, first=6).charger_fault == "dead"


def test_a_battery_that_rises_in_the_sun_has_a_charger() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 10, 12.7, 12.4).charger_fault == ""


def test_days_without_sun_say_nothing_about_the_charger() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 10, 12.4, 12.4, panel_v=5.0).charger_fault == ""


def test_a_charger_that_charges_again_is_forgiven() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 4, 12.4, 12.4).charger_fault == "dead"
    assert days_of(estimator, 1, 12.7, 12.4, first=4).charger_fault == ""


def test_a_voltage_held_too_low_for_days_is_a_charger_set_wrong() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    assert days_of(estimator, 3, 13.6, 12.65).charger_fault == ""
    assert days_of(estimator, 3, 13.6, 12.65, first=3).charger_fault == "low"


def test_a_proper_absorption_voltage_is_no_fault() -> None:
    estimator = BatteryEstimator(make_battery(), PANEL, PLACE)
    reading = days_of(estimator, 6, 14.4, 12.65)
    assert reading.charger_fault == ""
    assert reading.charge_percent is not None
    assert reading.charge_percent > 90.0
