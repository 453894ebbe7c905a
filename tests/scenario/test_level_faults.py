"""A ranger that fails in each of its ways over a plant in real weather: what is still known, and how soon it is told.

The faults are those of the list of sensor troubles (off, stuck, garbage, wrong, slow, delayed, intermittent), and those
that only echoes have. Capacity 1900 L, so level and meter may disagree by 38 L before the level is called stuck.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from controller.estimate.level import LevelReading
from simulator.plant.faults import PlantFaults, Quantity, SensorTrouble, TroubleKind
from simulator.trials.sites import upright_site
from simulator.trials.volume import DAY_MS, MINUTE_MS, Trial
from tests.scenario.garden import EXAMPLE, Garden

FROZEN_LIMIT_L = 38.0
ECHO: tuple[Quantity, int] = ("echo", 0)
SETTLED_DAYS = 3


class Yard:
    """A tank with a settled estimate, to which something happens."""

    def __init__(self, volume_l: float = 900.0, seed: int = 2005) -> None:
        self.trial = Trial(upright_site(), seed, date(2026, 6, 20), SETTLED_DAYS + 4)
        self.trial.plant.set_volume("main", volume_l)
        self.trial.idle_until(SETTLED_DAYS * DAY_MS)

    @property
    def faults(self) -> PlantFaults:
        return self.trial.plant.faults

    @property
    def now_ms(self) -> int:
        return self.trial.plant.now_ms

    def ail(self, kind: TroubleKind, amount: float = 1.0) -> None:
        self.faults.sensor[ECHO] = SensorTrouble(kind, amount)

    def idle(self, minutes: int) -> LevelReading:
        self.trial.idle_until(self.now_ms + minutes * MINUTE_MS)
        return self.reading()

    def water(self, zone: int, seconds: int) -> LevelReading:
        self.trial.water_zone(zone, seconds)
        return self.reading()

    def reading(self) -> LevelReading:
        return self.trial.estimator.reading(self.now_ms)

    def error_l(self) -> float:
        """How far the volume given is from the true one."""
        reading = self.reading()
        assert reading.volume_l is not None
        return abs(reading.volume_l - self.trial.plant.truth.volume_l("main"))


def test_without_echoes_the_level_is_unknown_within_three_minutes_and_the_meter_carries_it_on() -> None:
    yard = Yard()
    yard.ail("off")
    assert yard.idle(3).quality == "unknown"
    for zone in range(4):
        yard.water(zone, 240)
    reading = yard.idle(600)
    assert reading.quality == "unknown"
    assert yard.error_l() < 8.0
    assert reading.measured_mono_ms is not None
    assert yard.now_ms - reading.measured_mono_ms > 600 * MINUTE_MS


@pytest.mark.parametrize("fault", ["stuck", "frozen"])
def test_a_stuck_ranger_is_suspect_ten_minutes_after_level_and_meter_disagree_and_the_ledger_holds(fault: str) -> None:
    yard = Yard()
    if fault == "stuck":
        yard.ail("stuck")
    else:
        yard.faults.echo_frozen.add(0)
    yard.idle(10)
    before_l = yard.trial.plant.truth.volume_l("main")
    while before_l - yard.trial.plant.truth.volume_l("main") <= FROZEN_LIMIT_L:
        assert yard.error_l() < FROZEN_LIMIT_L + 2.0
        yard.water(0, 30)
    disagreed_ms = yard.now_ms
    while yard.reading().quality == "good":
        yard.water(0, 30)
        assert yard.now_ms - disagreed_ms <= 10 * MINUTE_MS
    assert yard.reading().quality == "suspect"
    yard.water(1, 240)
    assert yard.error_l() < 8.0
    assert yard.idle(120).quality == "suspect"
    assert yard.error_l() < 8.0


def test_a_ranger_that_lets_go_again_is_believed_again() -> None:
    yard = Yard()
    yard.faults.echo_frozen.add(0)
    for zone in range(4):
        yard.water(zone, 240)
    assert yard.reading().quality == "suspect"
    yard.faults.echo_frozen.clear()
    assert yard.idle(20).quality == "good"
    assert yard.error_l() < 8.0


def test_garbage_never_moves_the_volume() -> None:
    yard = Yard()
    yard.ail("garbage")
    for _ in range(24):
        reading = yard.idle(60)
        assert reading.quality != "good" or reading.measured_mono_ms != yard.now_ms
        assert not reading.at_or_above
        assert yard.error_l() < 8.0
    for zone in range(4):
        yard.water(zone, 240)
        assert yard.error_l() < 8.0


@pytest.mark.parametrize("nearer_mm", [-500.0, -150.0, -60.0])
def test_a_level_that_is_suddenly_nearer_is_not_believed_for_an_hour_and_is_named(nearer_mm: float) -> None:
    yard = Yard()
    yard.ail("wrong", nearer_mm)
    for _ in range(6):
        reading = yard.idle(10)
        assert reading.quality == "unknown"
        assert yard.error_l() < 8.0
    assert reading.rejection == "false echo"
    assert reading.false_echo_mm is not None


def test_a_level_that_is_suddenly_farther_is_believed_when_it_stays_and_suspect_at_first() -> None:
    yard = Yard()
    yard.ail("wrong", 300.0)
    before_l = yard.trial.plant.truth.volume_l("main")
    seen = [yard.idle(1) for _ in range(20)]
    believed = [reading for reading in seen if reading.volume_l is not None and reading.volume_l < before_l - 300.0]
    assert 10 <= len(believed) <= 17
    assert believed[0].quality == "suspect"
    assert believed[-1].quality == "good"


@pytest.mark.parametrize(("kind", "amount"), [("slow", 300.0), ("delayed", 120.0)])
def test_a_ranger_that_lags_stays_within_the_bound_of_a_stuck_one(kind: TroubleKind, amount: float) -> None:
    yard = Yard()
    yard.ail(kind, amount)
    yard.idle(30)
    for zone in range(4):
        yard.water(zone, 240)
        assert yard.error_l() < FROZEN_LIMIT_L
    yard.idle(120)
    assert yard.error_l() < 10.0


@pytest.mark.parametrize("part", [0.5, 0.9])
def test_a_ranger_that_falls_silent_now_and_then_is_as_good_and_says_how_old_it_is(part: float) -> None:
    yard = Yard()
    yard.ail("intermittent", part)
    ages_ms = []
    for _ in range(120):
        reading = yard.idle(1)
        assert reading.measured_mono_ms is not None
        ages_ms.append(yard.now_ms - reading.measured_mono_ms)
        assert (reading.quality == "unknown") == (ages_ms[-1] > 150_000)
    assert max(ages_ms) > 0
    for zone in range(4):
        yard.water(zone, 240)
    assert yard.error_l() < 8.0


def test_a_thing_over_the_water_that_takes_most_pings_captures_nothing_and_is_named_within_the_hour() -> None:
    yard = Yard(500.0)
    yard.faults.echo_false_mm[0] = 800.0
    for _ in range(12):
        yard.idle(60)
        assert yard.error_l() < 8.0
        found_mm = yard.reading().false_echo_mm
        assert found_mm is not None
        assert found_mm == pytest.approx(800.0, abs=15.0)
    for zone in range(4):
        yard.water(zone, 240)
    assert yard.error_l() < 8.0


def test_a_face_covered_with_drops_costs_age_not_litres() -> None:
    yard = Yard()
    yard.faults.echo_lost_part[0] = 0.8
    for _ in range(6):
        yard.idle(60)
        assert yard.error_l() < 8.0


def test_a_tank_filled_into_the_blind_zone_says_at_or_above() -> None:
    site = upright_site()
    yard = Yard(1500.0)
    blind_level_mm = site.tanks[0].sensor_height_mm - site.tanks[0].blind_zone_mm
    assert blind_level_mm > site.tanks[0].overflow_mm
    yard.trial.plant.hand_fill("main", 10.0, 60.0)
    reading = yard.idle(70)
    assert not reading.at_or_above
    assert reading.volume_l == pytest.approx(1900.0, abs=4.0)


def test_a_dead_probe_widens_the_uncertainty_and_keeps_the_volume() -> None:
    yard = Yard()
    known = yard.reading()
    yard.faults.temperature_bad.add(0)
    reading = yard.idle(60)
    assert reading.quality == "good"
    assert known.sd_l is not None
    assert reading.sd_l is not None
    assert reading.sd_l > 2.0 * known.sd_l
    assert yard.error_l() < 3.0 * reading.sd_l


def test_a_hose_is_followed_from_its_second_minute_and_left_when_it_ends() -> None:
    yard = Yard()
    yard.trial.plant.hand_fill("main", 10.0, 30.0)
    for minute in range(1, 61):
        reading = yard.idle(1)
        if minute > 2:
            assert yard.error_l() < 15.0
            assert reading.quality == "good"
    yard.idle(60)
    assert yard.error_l() < 8.0


@pytest.mark.parametrize("report_s", [5, 10, 20])
@pytest.mark.parametrize("hose_l_min", [5.0, 12.0, 25.0])
def test_a_tank_filled_by_hand_is_followed_however_often_the_board_reports(report_s: int, hose_l_min: float) -> None:
    """Waves lift single sights above what water can bring in the seconds between two of them."""
    for seed in (1, 4, 5):
        garden = Garden(replace(EXAMPLE, idle_report_s=report_s), seed=seed)
        garden.run_hours(1)
        garden.season.plant.hand_fill("main", hose_l_min, 15.0)
        garden.run_hours(0.5)
        tank = garden.snapshot.tanks[0]
        assert tank.quality == "good"
        assert tank.level_mm == pytest.approx(garden.season.plant.truth.level_mm("main"), abs=6.0)


def test_a_ranger_that_drifts_upwards_shows_as_water_from_nowhere_within_a_day() -> None:
    yard = Yard(seed=5)
    yard.faults.echo_drift_mm_day[0] = -10.0
    reading = yard.idle(24 * 60)
    assert reading.rate_l_h is not None
    assert reading.rate_sd_l_h is not None
    assert reading.rate_l_h > 3.0 * reading.rate_sd_l_h


def test_a_healthy_tank_shows_no_water_from_nowhere() -> None:
    yard = Yard(seed=5)
    for _ in range(8):
        reading = yard.idle(180)
        assert reading.rate_l_h is not None
        assert reading.rate_sd_l_h is not None
        assert abs(reading.rate_l_h) < 2.0 * reading.rate_sd_l_h
