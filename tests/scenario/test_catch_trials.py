"""Storms, gutter, gauge and books of a tank that is lived with; `scripts/bench estimate` has more seeds."""

from __future__ import annotations

from statistics import median

from simulator.trials.catch import rms, sound_gutter, storms_to_find
from simulator.trials.ledger import rows as ledger_rows

SEEDS = range(1100, 1103)
WINTER_SEEDS = (1104, 1105)
"""Trials take turns with the seasons; these begin in January and March, when tanks spill."""


def test_a_storm_of_5_mm_is_measured_within_5_per_cent_and_a_sound_gutter_left_alone() -> None:
    sound = [sound_gutter(seed, days=60) for seed in SEEDS]
    ours = [error for measured in sound for error in measured.ours]
    assert len(ours) >= 10
    assert 100.0 * rms(ours) <= 5.0
    assert rms(ours) < 0.5 * rms([error for measured in sound for error in measured.by_ends])
    assert sum(measured.false for measured in sound) == 0
    assert sum(measured.rival_false for measured in sound) > 0


def test_a_gutter_that_loses_30_per_cent_is_found_within_two_storms() -> None:
    assert median(storms_to_find(seed)[0] for seed in SEEDS) <= 2


def test_a_blocked_rain_gauge_is_found_within_three_rises_and_called_a_gauge() -> None:
    assert median(storms_to_find(seed, 0.0)[0] for seed in SEEDS[:2]) <= 3


def test_the_days_of_a_tank_that_leaks_and_spills_explain_themselves() -> None:
    table = {row.quantity: row for row in ledger_rows(WINTER_SEEDS)}
    assert len(table) == 5
    for row in table.values():
        assert row.reaches(row.must), row
    assert table["ledger: unexplained on days without can or hose, RMS"].naive["declared yield"] > 4.0
