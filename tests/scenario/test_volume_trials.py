"""The volume filter in weeks of weather must keep what is promised of it, on seeds that nothing was tuned on."""

from __future__ import annotations

import pytest

from simulator.trials import volume
from simulator.trials.sites import example_site, upright_site
from simulator.trials.table import TrialRow
from simulator.trials.volume import Score

SEEDS = range(1000, 1004)
"""One for each season."""
DAYS = 16


@pytest.fixture(scope="module")
def upright() -> Score:
    return volume.score(upright_site(), SEEDS, DAYS)


def test_idle_and_drawing_the_volume_is_within_three_litres_and_eight_at_worst(upright: Score) -> None:
    assert volume.rms(upright.still.ours) <= 3.0
    assert volume.worst_of_thousand(upright.still.ours) <= 8.0


def test_while_it_rains_into_the_tank_the_volume_is_within_seven_litres(upright: Score) -> None:
    assert len(upright.rain.ours) > 500
    assert volume.rms(upright.rain.ours) <= 7.0


def test_a_hose_is_followed_within_minutes(upright: Score) -> None:
    assert len(upright.hose.ours) > 30
    assert volume.rms(upright.hose.ours) <= 15.0


def test_the_filter_beats_what_is_usually_done(upright: Score) -> None:
    for rival, errors_l in upright.still.rivals.items():
        assert volume.rms(upright.still.ours) < 0.7 * volume.rms(errors_l), rival


def test_the_truth_is_hardly_ever_outside_twice_the_stated_uncertainty(upright: Score) -> None:
    assert upright.inside / upright.known >= 0.93


def test_a_lying_tank_is_known_as_well() -> None:
    lying = volume.score(example_site(), SEEDS, DAYS)
    assert volume.rms(lying.still.ours) <= 3.0
    assert volume.rms(lying.rain.ours) <= 7.0


def test_the_same_seed_gives_the_same_errors() -> None:
    runs = [volume.score(upright_site(), (1002,), 3).still.ours for _ in range(2)]
    assert runs[0] == runs[1]


def test_a_table_has_a_row_for_each_promise_and_tank() -> None:
    rows = volume.rows((1002,), 6)
    assert [row.unit for row in rows] == ["L", "L", "L", "%"] * 2
    assert all(isinstance(row, TrialRow) for row in rows)
