"""Doses by a meter that counts wrong from the first day on: the tank tells it, and the beds get what they should."""

from __future__ import annotations

import pytest

from tests.scenario.garden import EXAMPLE, Garden, at_fixed_times

BED = "salad-bed-east"
DOSE_L = 20.0


def watered(counts: float, days: int = 24) -> Garden:
    """Weeks of two doses a day, the tank filled up at times, by a meter that counts `counts` of what flows."""
    garden = Garden(at_fixed_times(EXAMPLE, BED, DOSE_L, 6 * 60, 20 * 60), days=days + 2)
    garden.season.plant.faults.flow_meter_slow[0] = counts
    for _ in range(days // 8):
        garden.run_hours(24 * 8)
        garden.season.plant.set_volume("main", 1500.0)
    return garden


def last_dose_l(garden: Garden) -> float:
    """What truly came out in one dose."""
    before_l = garden.given_l(BED)
    garden.run_hours(12)
    return garden.given_l(BED) - before_l


@pytest.mark.parametrize("counts", [0.94, 1.08])
def test_a_meter_that_is_seven_per_cent_off_is_put_right_within_24_days(counts: float) -> None:
    garden = watered(counts)
    assert last_dose_l(garden) == pytest.approx(DOSE_L, rel=0.025)
    assert "meter-corrected:main-pump" in garden.findings
    for ledger in (record.data for record in garden.of_kind("ledger")):
        assert ledger["opening_ml"] + sum(ledger["entries_ml"].values()) == ledger["closing_ml"]
    booked_ml = -sum(
        ml
        for record in garden.of_kind("ledger")
        for account, ml in record.data["entries_ml"].items()
        if "zone:" in account
    )
    runs_ml = sum(round(1000 * run.data["volume_l"]) for run in garden.of_kind("delivery"))
    assert abs(runs_ml - booked_ml) <= 2 * 1000 * DOSE_L


def test_a_meter_that_is_far_off_is_put_right_by_a_tenth_only_and_told() -> None:
    garden = watered(0.75)
    assert last_dose_l(garden) == pytest.approx(DOSE_L / 0.75 / 1.1, rel=0.03)
    assert "meter-off:main-pump" in garden.findings


def test_a_sound_meter_is_left_alone() -> None:
    garden = watered(1.0)
    assert garden.of_kind("fault", "meter-corrected:main-pump") == []
    assert last_dose_l(garden) == pytest.approx(DOSE_L, rel=0.03)
