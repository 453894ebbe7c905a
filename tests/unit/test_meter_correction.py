"""A meter is put right by what the tank falls, when that is sure, and never by much."""

from __future__ import annotations

import pytest

from controller.estimate.meter_correction import AS_COUNTED, MOST_PART, correction


@pytest.mark.parametrize("ratio", [0.97, 0.99, 1.0, 1.02, 1.03])
def test_what_the_falls_themselves_are_off_by_is_left_alone(ratio: float) -> None:
    assert correction(ratio, 0.005, AS_COUNTED) == AS_COUNTED


@pytest.mark.parametrize("ratio", [0.93, 0.96, 1.04, 1.09])
def test_a_difference_that_is_sure_is_put_right(ratio: float) -> None:
    found = correction(ratio, 0.005, AS_COUNTED)
    assert found.part == pytest.approx(ratio - 1.0)
    assert found.sd == pytest.approx(0.013)
    assert not found.beyond


def test_few_falls_are_not_sure() -> None:
    assert correction(1.06, 0.04, AS_COUNTED) == AS_COUNTED


def test_what_is_put_right_stays_so_until_both_agree() -> None:
    before = correction(1.04, 0.005, AS_COUNTED)
    assert correction(1.025, 0.005, before).part == pytest.approx(0.025)
    assert correction(1.015, 0.005, before) == AS_COUNTED


@pytest.mark.parametrize(("ratio", "part"), [(1.3, MOST_PART), (0.5, -MOST_PART)])
def test_a_meter_that_is_far_off_is_put_right_by_a_tenth_and_told(ratio: float, part: float) -> None:
    found = correction(ratio, 0.005, AS_COUNTED)
    assert found.part == part
    assert found.beyond
    # What is left over is not known away.
    assert found.sd == pytest.approx(abs(ratio - 1.0) - MOST_PART)
