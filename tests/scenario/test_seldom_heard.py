"""Hard days of boards that report seldom. PUMPHOUSE_SEEDS says how many."""

from __future__ import annotations

import os

import pytest

from tests.scenario.seldom_heard import SeldomHeard

SEEDS = int(os.environ.get("PUMPHOUSE_SEEDS", "4"))


@pytest.mark.parametrize("seed", range(SEEDS))
def test_whatever_breaks_between_two_reports_nobody_is_harmed_and_a_good_level_is_true(seed: int) -> None:
    week = SeldomHeard(seed)
    week.run()
    assert week.struck


FOUND = {
    "a thermometer at -30 °C, and well again": 100053,
    "a leak that began at once and ended": 100342,
    "three leaks on end, taken for warmer air": 200071,
    "a leak, then rain": 100357,
    "rain that no gauge measures, then a leak": 400068,
    "a ranger that hung in light rain": 700184,
    "the same, with a report each five minutes": 800111,
    "a tank emptied just before a pump without a meter started": 800078,
    "a tank emptied while such a pump ran": 800358,
    "waterings cut by a cable that loses most lines, booked as nothing": 1500022,
}


@pytest.mark.parametrize("seed", FOUND.values(), ids=FOUND)
def test_what_was_found_so_stays_mended(seed: int) -> None:
    SeldomHeard(seed).run()
