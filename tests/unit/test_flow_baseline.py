"""A zone's usual flow at any voltage and level, learned from a few runs."""

from __future__ import annotations

import json
import math
from random import Random

import pytest

from controller.estimate.flow_baseline import LEARN_RUNS, FlowBaseline, drive, lift_part, speed2


def zone_flow(log_drive: float, c: float = 6.2, most: float = 6.0) -> float:
    """A zone with a pressure regulator."""
    return math.log(min(most, c * math.exp(log_drive)))


def test_a_higher_voltage_or_a_higher_level_drives_more() -> None:
    usual = drive(speed2(12.6), lift_part(25.0, 1000.0, 500.0))
    assert drive(speed2(13.0), lift_part(25.0, 1000.0, 500.0)) > usual
    assert drive(speed2(12.6), lift_part(25.0, 1000.0, 900.0)) > usual


def test_one_volt_less_takes_as_much_flow_as_the_affinity_laws_say() -> None:
    # With no lift, the flow through losses of its square goes with the speed.
    assert drive(speed2(11.6), 0.0) / drive(speed2(12.6), 0.0) == pytest.approx(11.6 / 12.6)


def test_one_odd_run_among_the_first_does_not_become_the_reference() -> None:
    baseline = FlowBaseline()
    for number in range(LEARN_RUNS):
        assert not baseline.learned
        baseline.learn(0.0, zone_flow(0.0) - (0.5 if number == 2 else 0.0))
    assert baseline.learned
    assert baseline.expected(0.0).log_flow == pytest.approx(zone_flow(0.0), abs=0.002)


def test_where_the_regulator_lets_go_is_learned_from_runs_at_other_voltages() -> None:
    baseline, rng = FlowBaseline(), Random(1)
    for _ in range(LEARN_RUNS):
        baseline.learn(0.04, zone_flow(0.04) + rng.gauss(0.0, 0.01))
    unsure = baseline.expected(-0.1)
    for _ in range(60):
        log_drive = rng.uniform(-0.12, 0.08)
        baseline.follow(log_drive, zone_flow(log_drive) + rng.gauss(0.0, 0.01))
    sure = baseline.expected(-0.1)
    assert unsure.sd > 2.0 * sure.sd
    assert sure.log_flow == pytest.approx(zone_flow(-0.1), abs=0.015)
    assert baseline.expected(0.06).log_flow == pytest.approx(zone_flow(0.06), abs=0.015)
    assert math.exp(baseline.unregulated().log_flow) == pytest.approx(6.2, rel=0.03)


def test_slow_clogging_does_not_move_the_reference() -> None:
    baseline = FlowBaseline()
    for _ in range(LEARN_RUNS):
        baseline.learn(0.04, zone_flow(0.04))
    for number in range(200):
        baseline.follow(0.04, zone_flow(0.04) - 0.0003 * number)
    assert baseline.expected(0.04).log_flow == pytest.approx(zone_flow(0.04), abs=0.001)


def test_a_measured_reference_takes_the_place_of_first_runs() -> None:
    baseline = FlowBaseline()
    baseline.set_reference(0.0, math.log(5.0))
    assert math.exp(baseline.expected(0.0).log_flow) == pytest.approx(5.0)


def test_the_memory_survives_json() -> None:
    baseline, rng = FlowBaseline(), Random(2)
    for _ in range(LEARN_RUNS):
        baseline.learn(0.0, zone_flow(0.0) + rng.gauss(0.0, 0.01))
    for _ in range(5):
        baseline.follow(-0.02, zone_flow(-0.02))
    again = FlowBaseline()
    again.load(json.loads(json.dumps(baseline.dump())))
    assert again.dump() == baseline.dump()
    assert again.expected(-0.05) == baseline.expected(-0.05)


def test_the_usual_flow_alone_is_the_expected_one_at_every_drive() -> None:
    baseline = FlowBaseline()
    for run in range(9):
        log_drive = -0.12 + 0.03 * run
        (baseline.follow if baseline.learned else baseline.learn)(log_drive, zone_flow(log_drive))
    for step in range(-40, 41):
        assert baseline.usual_log_flow(0.01 * step) == pytest.approx(baseline.expected(0.01 * step).log_flow, abs=1e-12)
