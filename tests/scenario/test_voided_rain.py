"""Rain that was none: a sprinkler in the gauge, a bird on it, somebody who cleans it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.contract import VoidRain
from simulator.plant.faults import SensorTrouble
from tests.scenario.garden import EXAMPLE, Garden, only

BED, POT = "salad-bed-east", "bench-south"
SPRINKLED_MM = 12.0


def sprinkled(garden: Garden, minutes: int = 30) -> None:
    """A neighbour's sprinkler fills the gauge, slower than the hardest rain."""
    tips = SPRINKLED_MM / EXAMPLE.rain_gauge.mm_per_tip if EXAMPLE.rain_gauge else 0.0
    garden.season.plant.faults.gauge_splash_mm_h = 60.0 * SPRINKLED_MM / minutes
    assert tips > 20
    garden.season.plant.refresh()
    garden.run_seconds(60 * minutes)
    garden.season.plant.faults.gauge_splash_mm_h = 0.0
    garden.season.plant.refresh()


def depletion_mm(garden: Garden, zone_id: str) -> float:
    return next(zone.depletion_mm for zone in garden.snapshot.zones if zone.id == zone_id)


@pytest.mark.parametrize("hours_later", [1.0, 24.0, 40.0])
def test_a_day_s_rain_that_is_voided_leaves_the_beds_as_if_it_had_never_been(hours_later: float) -> None:
    """Without a roof no tank can tell that it was no rain."""
    sprayed, dry = (Garden(replace(only(EXAMPLE, BED, POT), roofs=())) for _ in range(2))
    for garden in (sprayed, dry):
        garden.run_hours(15)
    sprinkled(sprayed)
    dry.run_seconds(1800)
    for garden in (sprayed, dry):
        garden.run_hours(0.3)
    assert sprayed.snapshot.rain_today_mm == pytest.approx(SPRINKLED_MM, abs=0.5)
    assert depletion_mm(sprayed, BED) < depletion_mm(dry, BED) - 2.0
    # Pots under cover never believed it.
    assert depletion_mm(sprayed, POT) == pytest.approx(depletion_mm(dry, POT), abs=0.05)
    kept_mm = depletion_mm(dry, BED) - depletion_mm(sprayed, BED)
    sprayed.run_hours(hours_later)
    before_mm = depletion_mm(sprayed, BED)
    assert sprayed.order(VoidRain("2026-07-01", "the neighbour's sprinkler")).accepted
    assert depletion_mm(sprayed, BED) == pytest.approx(before_mm + kept_mm, abs=0.3)
    assert not sprayed.order(VoidRain("2026-07-01", "once more")).accepted
    given_l = sprayed.given_l(BED)
    sprayed.run_hours(24)
    assert sprayed.given_l(BED) > given_l + 5.0


def test_what_drained_is_not_taken_back_twice() -> None:
    """A real downpour after the false one: it alone would have filled the root zone."""
    garden = Garden(only(EXAMPLE, BED), rain_mm=40.0)
    garden.season.plant.faults.gauge_splash_mm_h = 24.0
    garden.season.plant.refresh()
    garden.run_seconds(1800)
    garden.season.plant.faults.gauge_splash_mm_h = 0.0
    garden.season.plant.refresh()
    garden.run_hours(23.4)
    garden.run_hours(24)
    assert depletion_mm(garden, BED) < 6.0
    assert garden.order(VoidRain("2026-07-01", "a bird")).accepted
    assert depletion_mm(garden, BED) < 6.0


def test_rain_that_falls_after_the_voiding_counts_again() -> None:
    garden = Garden(only(EXAMPLE, BED))
    garden.run_hours(10)
    sprinkled(garden)
    garden.run_hours(0.3)
    assert garden.order(VoidRain("2026-07-01", "cleaned it")).accepted
    assert garden.snapshot.rain_today_mm == 0.0
    sprinkled(garden)
    garden.run_hours(0.3)
    assert garden.snapshot.rain_today_mm == pytest.approx(SPRINKLED_MM, abs=0.5)


def test_rain_of_which_no_roof_gave_a_drop_does_not_keep_the_beds_dry() -> None:
    sprayed, dry = (Garden(only(EXAMPLE, BED, POT), days=8) for _ in range(2))
    for garden in (sprayed, dry):
        garden.run_hours(34)
    sprinkled(sprayed)
    dry.run_seconds(1800)
    for garden in (sprayed, dry):
        garden.run_hours(4)
    assert "rain-doubtful" in sprayed.findings
    assert "catch-lost:main" not in sprayed.findings
    assert sprayed.snapshot.rain_today_mm < 0.1
    assert depletion_mm(sprayed, BED) == pytest.approx(depletion_mm(dry, BED), abs=0.7)
    before_l = sprayed.given_l(BED)
    sprayed.run_hours(24)
    assert sprayed.given_l(BED) > before_l + 5.0


def test_a_downpipe_that_fell_off_is_found_with_the_second_rain_and_rain_counts_from_then_on() -> None:
    garden = Garden(only(EXAMPLE, BED), days=8, rain_mm=9.0)
    garden.season.plant.faults.gutter_blocked["cycle-shed"] = 1.0
    garden.season.plant.refresh()
    garden.run_hours(24 * 4)
    assert "catch-lost:main" in garden.findings
    doubted = [record for record in garden.of_kind("fault", "rain-doubtful") if record.data["raised"]]
    assert len(doubted) == 1
    assert garden.snapshot.rain_today_mm > 1.0


def test_a_storm_that_the_tank_saw_is_rain() -> None:
    garden = Garden(only(EXAMPLE, BED), days=8, rain_mm=9.0, fill=0.3)
    garden.run_hours(24 * 5)
    assert garden.of_kind("fault", "rain-doubtful") == []


def test_a_gauge_that_is_knocked_in_mid_trouble_counts_no_more_than_rain_can_fall() -> None:
    garden = Garden(only(EXAMPLE, BED))
    garden.run_hours(20)
    garden.season.plant.faults.sensor[("rain", 0)] = SensorTrouble("garbage", 400.0)
    garden.run_seconds(120)
    garden.season.plant.faults.sensor.clear()
    garden.run_seconds(120)
    assert garden.snapshot.rain_today_mm == 0.0
