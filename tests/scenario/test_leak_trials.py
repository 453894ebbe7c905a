"""The leak test on a tank that is lived with, on a few seeds; `scripts/bench estimate` has more of them."""

from __future__ import annotations

from datetime import date
from statistics import median

import pytest

from simulator.trials.leak import DIFFERENCE, OURS, SLOPE, gauging, hours_to_find, tight_year

SEEDS = range(1100, 1105)


def test_two_summers_of_a_tight_tank_without_a_false_alarm() -> None:
    for seed in SEEDS[:2]:
        assert tight_year(seed, 90, date(2026, 6, 1)).times_ms[OURS] == []


@pytest.mark.parametrize(("leak_l_h", "must_h"), [(0.2, 72.0), (0.5, 18.0), (1.0, 10.0), (5.0, 5.0)])
def test_leaks_are_found_in_time(leak_l_h: float, must_h: float) -> None:
    found = [hours_to_find(seed, leak_l_h) for seed in SEEDS]
    ours = [hours[OURS] for hours in found]
    assert median(ours) <= must_h
    assert max(ours) < 7 * 24
    for rival in (DIFFERENCE, SLOPE):
        assert median(ours) < median(hours[rival] for hours in found)


def test_a_fifth_of_a_gallon_an_hour_is_found_in_a_day_by_the_rules_of_tank_gauging() -> None:
    # Performance standard of automatic tank gauging: EPA/530/UST-90/006, foreword; 40 CFR 280 Subpart D.
    paired, night = gauging(SEEDS[:1])
    assert paired.detection >= 0.95
    assert paired.false_alarm <= 0.05
    assert paired.sd < night.sd
