"""Mean runs to an alarm of a one-sided cumulative sum of normal values, against the classic table.

Values from memory of the tables by Lucas and Crosier (Technometrics, 1982) as textbooks of quality control repeat them
for an allowance of half a standard deviation: two-sided 168 at a threshold of 4 and 465 at 5 when nothing changed, 8.38
and 10.4 after a shift by one standard deviation. One side alone takes twice as long for false alarms.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import log
from statistics import fmean, stdev

import pytest

from controller.estimate.cusum import Cusum
from controller.estimate.flow import ALLOWANCE, THRESHOLD_SDS


def alarms(threshold: float, shift: float, times: int) -> Iterator[int]:
    """Values until the sum of either side reaches the threshold, again and again."""
    rng = random.Random(f"cusum {threshold} {shift}")
    for _ in range(times):
        cusum, values = Cusum(), 0
        while max(cusum.up, cusum.down) < threshold:
            cusum.add(rng.gauss(shift, 1.0), 0.5, values)
            values += 1
        yield values


@pytest.mark.parametrize(
    ("threshold", "shift", "published"), [(4.0, 0.0, 168.0), (5.0, 0.0, 465.0), (4.0, 1.0, 8.38), (5.0, 1.0, 10.4)]
)
def test_mean_run_to_an_alarm(threshold: float, shift: float, published: float) -> None:
    lengths = list(alarms(threshold, shift, 1500 if shift == 0.0 else 6000))
    standard_error = stdev(lengths) / len(lengths) ** 0.5
    assert fmean(lengths) == pytest.approx(published, abs=3.0 * standard_error + 0.005 * published)


def test_the_allowance_is_half_of_15_per_cent() -> None:
    assert pytest.approx(log(1.15) / 2.0, abs=0.001) == ALLOWANCE


def test_runs_that_scatter_by_two_thirds_of_the_allowance_give_an_alarm_less_than_once_in_ten_thousand() -> None:
    rng = random.Random("scatter")
    sd = ALLOWANCE / 1.5
    cusum, found = Cusum(), 0
    for number in range(100_000):
        cusum.add(rng.gauss(0.0, sd), ALLOWANCE, number)
        if max(cusum.up, cusum.down) >= THRESHOLD_SDS * sd:
            found += 1
            cusum.reset()
    assert found <= 10
