"""The battery's trials on a few seeds; `scripts/bench estimate` has more of them."""

from __future__ import annotations

from math import fsum, sqrt

import pytest

from controller.site.model import Chemistry
from simulator.trials.battery import (
    CHEMISTRIES,
    DEAD_CHARGER,
    FADE,
    LOW_CHARGER,
    SETTLING_DAYS,
    SUMMER_RUNS_MIN,
    Trial,
    days_to_find,
    run,
    run_days,
)

SEEDS = range(1100, 1103)


@pytest.fixture(scope="module", params=CHEMISTRIES)
def seasons(request: pytest.FixtureRequest) -> list[Trial]:
    """Autumn into midwinter, and summer, three of each."""
    return [run(request.param, seed, start) for seed in SEEDS for start in SETTLING_DAYS]


def rms(seasons: list[Trial], name: str) -> float:
    squares = [square for trial in seasons for square in trial.errors[name].squares]
    return sqrt(fsum(squares) / len(squares))


def test_charge_by_voltage_alone_and_with_a_shunt(seasons: list[Trial]) -> None:
    assert rms(seasons, "voltage") <= 6.0
    assert rms(seasons, "shunt") <= 4.0
    assert rms(seasons, "voltage") < rms(seasons, "table, nightly lowest")
    assert rms(seasons, "shunt") < rms(seasons, "counted")


def test_the_doubt_is_honest(seasons: list[Trial]) -> None:
    for name in ("voltage", "shunt"):
        inside = sum(trial.errors[name].inside for trial in seasons)
        assert inside >= 0.7 * sum(len(trial.errors[name].squares) for trial in seasons)


def test_a_sound_battery_and_charger_are_not_called_broken(seasons: list[Trial]) -> None:
    assert [finding for trial in seasons for finding in trial.findings] == []


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_a_dead_charger_is_found_in_days_with_the_panels_voltage_and_in_two_weeks_without(chemistry: Chemistry) -> None:
    taken = days_to_find(chemistry, SEEDS[0], DEAD_CHARGER, 21)
    assert taken["shunt"] <= 4.0
    assert taken["voltage"] <= 14.0


@pytest.mark.parametrize("chemistry", ["flooded", "agm"])
def test_a_charger_that_stops_too_early_is_found_within_two_weeks(chemistry: Chemistry) -> None:
    taken = days_to_find(chemistry, SEEDS[0], LOW_CHARGER, 21)
    assert max(taken.values()) <= 14.0


def test_a_quarter_of_the_capacity_gone_lowers_what_a_shunt_makes_of_it() -> None:
    """Slowly: how long until it is called faded is a row of the table."""
    fallen = []
    for seed in SEEDS:
        trial = Trial.of("agm", seed, FADE.start, 140)
        run_days(trial, 20, SUMMER_RUNS_MIN)
        before = trial.estimators["shunt"].reading(trial.plant.now_ms).capacity_percent
        FADE.breaks(trial.plant.faults)
        trial.plant.refresh()
        run_days(trial, 120, SUMMER_RUNS_MIN)
        after = trial.estimators["shunt"].reading(trial.plant.now_ms).capacity_percent
        assert before is not None
        assert after is not None
        fallen.append(before - after)
    assert min(fallen) > 3.0
