"""Whom to blame for changed flows, by what the zones' runs showed."""

from __future__ import annotations

from math import log, sqrt

import pytest

from controller.estimate.flow_cause import (
    Against,
    WeakZone,
    Witness,
    crossed_log_odds,
    filter_or_pump,
    whom_to_blame,
)

MAX_HEAD_M, MAX_FLOW_L_MIN, LIFT_M = 25.0, 10.0, 1.0


def unregulated_flow(loss_m: float, worn: float = 0.0) -> float:
    """Where a pump's parabola meets losses of `loss_m` for each (L/min)^2, at rated speed."""
    head_m, most = MAX_HEAD_M * (1.0 - worn), MAX_FLOW_L_MIN * (1.0 - worn)
    return sqrt((head_m - LIFT_M) / (loss_m + head_m / most**2))


def weak_zones(losses_m: list[float], *, filter_m: float = 0.0, worn: float = 0.0) -> list[WeakZone]:
    """Zones from small to large behind a filter that took on a loss, or a worn pump."""
    lift = LIFT_M / MAX_HEAD_M
    return [
        WeakZone(
            flow_l_min=unregulated_flow(loss_m + filter_m, worn),
            unregulated=unregulated_flow(loss_m) / sqrt(1.0 - lift),
            speed2=1.0,
            lift=lift,
            sd=0.015,
        )
        for loss_m in losses_m
    ]


UNLIKE_M, ALIKE_M = [3.0, 1.5, 0.7, 0.3, 0.15, 0.05], [0.30, 0.31, 0.32, 0.29, 0.30, 0.33]


def test_one_zone_alone_is_its_own_fault() -> None:
    assert whom_to_blame(-0.2, [Witness(1.0, -0.01), Witness(0.9, 0.02)], 5) == "zone"


def test_all_zones_together_are_the_fault_of_what_they_share() -> None:
    assert whom_to_blame(-0.16, [Witness(1.0, -0.12), Witness(0.9, -0.2), Witness(0.9, -0.04)], 5) == "supply"


@pytest.mark.parametrize(
    ("witnesses", "others"), [([], 0), ([Witness(1.0, -0.2)], 5), ([Witness(0.5, 0.0), Witness(0.6, 0.0)], 5)]
)
def test_nobody_is_blamed_before_two_zones_that_can_tell_have_run(witnesses: list[Witness], others: int) -> None:
    assert whom_to_blame(-0.2, witnesses, others) == "unknown"


def test_a_filter_takes_more_from_large_flows_and_a_worn_pump_from_all() -> None:
    assert filter_or_pump(weak_zones(UNLIKE_M, filter_m=0.15), MAX_FLOW_L_MIN).kind == "filter-clogged"
    assert filter_or_pump(weak_zones(UNLIKE_M, worn=0.2), MAX_FLOW_L_MIN).kind == "pump-worn"


def test_zones_that_are_alike_cannot_tell_filter_from_pump_and_both_are_said() -> None:
    for zones in (weak_zones(ALIKE_M, filter_m=0.15), weak_zones(ALIKE_M, worn=0.2)):
        verdict = filter_or_pump(zones, MAX_FLOW_L_MIN)
        assert verdict.kind == "filter-or-pump"
        assert abs(verdict.filter_chi2 - verdict.pump_chi2) < 1.0


def test_two_zones_that_flow_as_each_other_did_are_crossed() -> None:
    apart = log(6.4 / 5.6)
    odds = crossed_log_odds([Against(-apart, 0.0, 0.02)] * 2, [Against(apart, 0.0, 0.02)] * 2, apart)
    assert odds is not None
    assert odds > 20.0


def test_a_clogged_zone_beside_a_sound_one_is_not_crossed() -> None:
    apart = log(6.4 / 5.6)
    assert crossed_log_odds([Against(-apart, 0.0, 0.02)] * 2, [Against(0.0, -apart, 0.02)] * 2, apart) is None


def test_zones_of_nearly_the_same_flow_cannot_be_found_crossed() -> None:
    assert crossed_log_odds([Against(-0.03, 0.0, 0.005)] * 2, [Against(0.03, 0.0, 0.005)] * 2, 0.03) is None
