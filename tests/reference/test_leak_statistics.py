"""Statistics of leak tests against computed figures (data/leak.sources.md) and against another library."""

from __future__ import annotations

import csv
from math import sqrt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.trials.leak_statistics import detection, false_alarm, quality, slope_sd, t_exceeded, t_quantile

stats = pytest.importorskip("scipy.stats")

DATA = Path(__file__).parent / "data"
TANK_M2 = 1.131
"""An upright tank 1200 mm across: 1 mm is 1.131 L."""


def rows(name: str) -> list[dict[str, float]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


@pytest.mark.parametrize(
    ("exceeded", "degrees", "t"),
    [(0.05, 23, 1.713872), (0.025, 23, 2.068658), (0.05, 5, 2.015048)],
)
def test_quantiles_of_student_s_t(exceeded: float, degrees: int, t: float) -> None:
    assert t_quantile(exceeded, degrees) == pytest.approx(t, abs=1e-6)


def test_with_very_many_degrees_of_freedom_student_s_t_is_normal() -> None:
    assert t_quantile(0.05, 10**6) == pytest.approx(1.644854, abs=1e-5)


@pytest.mark.parametrize("row", rows("leak_pd_pfa.csv"), ids=lambda row: f"C{row['threshold_C_gph']}S{row['sd_S_gph']}")
def test_false_alarms_and_detections_of_a_declared_test(row: dict[str, float]) -> None:
    threshold, bias, sd, degrees = row["threshold_C_gph"], row["bias_B_gph"], row["sd_S_gph"], int(row["df"])
    assert false_alarm(threshold, bias, sd, degrees) == pytest.approx(row["Pfa"], abs=1e-6)
    assert detection(threshold, row["leak_R_gph"], bias, sd, degrees) == pytest.approx(row["Pd"], abs=1e-6)


def test_the_widest_spread_that_still_passes() -> None:
    assert 0.10 / t_quantile(0.05, 23) == pytest.approx(0.058347, abs=1e-6)
    # The normal approximation is optimistic.
    assert 0.10 / t_quantile(0.05, 10**6) == pytest.approx(0.060796, abs=1e-5)


def test_the_least_threshold_and_the_least_leak_for_a_spread() -> None:
    least = 0.05 * t_quantile(0.05, 23)
    assert least == pytest.approx(0.085694, abs=1e-6)
    assert false_alarm(least, 0.0, 0.05, 23) == pytest.approx(0.05, abs=1e-9)
    assert detection(least, 0.171387, 0.0, 0.05, 23) == pytest.approx(0.95, abs=1e-6)


def test_the_24_constructed_trials() -> None:
    trials = rows("leak_24_test_constructed.csv")
    found = quality([row["measured_gph"] - row["induced_gph"] for row in trials], 0.10, 0.20)
    assert found.bias == pytest.approx(-0.0072917, abs=1e-7)
    assert found.sd == pytest.approx(0.0350856, abs=1e-7)
    assert found.mean_square_error == pytest.approx(0.00123288, abs=1e-8)
    assert found.bias_t == pytest.approx(-1.0181, abs=1e-4)
    assert found.false_alarm == pytest.approx(0.004530, abs=1e-6)
    assert found.detection == pytest.approx(0.995470, abs=1e-6)


def test_a_bias_that_is_one_counts() -> None:
    errors = [0.02, 0.03, 0.04, 0.03, 0.025, 0.035]
    found = quality(errors, 0.10, 0.20)
    assert found.false_alarm == pytest.approx(stats.t.sf((0.10 - found.bias) / found.sd, 5), rel=1e-9)
    assert found.bias_t > 2.57


@pytest.mark.parametrize(
    ("sd_mm", "count", "sd_l_h", "threshold_l_h", "leak_l_h"),
    [(3.0, 36, 0.3266, 0.5523, 1.1045), (3.0, 72, 0.1154, 0.1924, 0.3849), (1.0, 72, 0.0385, 0.0641, 0.1283)],
)
def test_what_the_slope_of_a_garden_tank_s_level_can_show(
    sd_mm: float, count: int, sd_l_h: float, threshold_l_h: float, leak_l_h: float
) -> None:
    sd = TANK_M2 * slope_sd(sd_mm, count, 1.0 / 6.0)
    least = sd * t_quantile(0.05, count - 2)
    assert sd == pytest.approx(sd_l_h, abs=1e-4)
    assert least == pytest.approx(threshold_l_h, abs=2e-4)
    assert 2.0 * least == pytest.approx(leak_l_h, abs=3e-4)


def test_a_fifth_of_a_gallon_an_hour_on_that_tank() -> None:
    leak_l_h = 0.20 * 3.785411784
    assert leak_l_h == pytest.approx(0.75708, abs=1e-5)
    assert leak_l_h / TANK_M2 == pytest.approx(0.669, abs=1e-3)


@settings(deadline=None, max_examples=200)
@given(st.floats(-50.0, 50.0), st.integers(1, 500))
def test_student_s_t_agrees_with_another_library(t: float, degrees: int) -> None:
    assert t_exceeded(t, degrees) == pytest.approx(float(stats.t.sf(t, degrees)), rel=1e-8, abs=1e-14)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=40).filter(lambda errors: max(errors) - min(errors) > 1e-3))
def test_bias_and_its_t_test_agree_with_another_library(errors: list[float]) -> None:
    found = quality(errors, 0.4, 0.757)
    assert found.bias_t == pytest.approx(float(stats.ttest_1samp(errors, 0.0).statistic), rel=1e-6, abs=1e-9)
    assert found.mean_square_error == pytest.approx(
        found.bias**2 + found.sd**2 * (len(errors) - 1) / len(errors), rel=1e-6
    )
    assert found.bias_t * found.sd / sqrt(len(errors)) == pytest.approx(found.bias, rel=1e-9, abs=1e-12)


def test_trials_that_show_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        quality([0.1], 0.4, 0.757)
    with pytest.raises(ValueError, match="no spread"):
        quality([0.1, 0.1], 0.4, 0.757)
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(1.0, 5)
