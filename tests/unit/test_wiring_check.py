"""What each move of the wiring check must show, and what is said when it does not."""

from __future__ import annotations

from typing import Any

import pytest

from controller.service.wiring_check import Move, judge, moves
from controller.site.load import parse_site
from firmware_host.messages import Outputs, Report
from simulator.example import example_site_text

SITE = parse_site(example_site_text(), "example site")
QUIET = Report(1, "0badcafe", 1000, {}, {}, 12.7, None, None, {0: 100}, None, {}, 0, 0, 1, 0, (), {})
VALVE_2 = Move("valve", Outputs(0, 4), 5.0, None, "")
PUMP_THROUGH_2 = Move("pump", Outputs(1, 4), 15.0, 0, "")


def seen(**changes: Any) -> Report:
    return QUIET._replace(**changes)


def test_a_valve_that_follows_alone_is_right() -> None:
    outcome = judge(VALVE_2, QUIET, [seen(), seen(valve_open=4)])
    assert outcome.right
    assert outcome.words == ()


@pytest.mark.parametrize(
    ("move", "report", "part"),
    [
        (VALVE_2, seen(), "valve output 2 does not follow"),
        (VALVE_2, seen(valve_open=8), "valve output 3 moved although it should not"),
        (VALVE_2, seen(valve_open=4, pump_on=1), "pump output 0 moved although it should not"),
        (VALVE_2, seen(valve_open=4, flow_pulses={0: 160}), "although its pump should stand still"),
        (VALVE_2, seen(valve_open=4, faults=("board-dry",)), "the board holds board-dry"),
        (PUMP_THROUGH_2, seen(valve_open=4, pump_on=0), "pump output 0 does not follow"),
        (PUMP_THROUGH_2, seen(valve_open=4, pump_on=1), "meter 0 counted 0 pulses"),
    ],
)
def test_what_is_wrong_is_said(move: Move, report: Report, part: str) -> None:
    outcome = judge(move, QUIET, [report])
    assert not outcome.right
    assert any(part in line for line in outcome.words), outcome.words


def test_a_pump_through_its_valve_with_water_in_the_meter_is_right() -> None:
    assert judge(PUMP_THROUGH_2, QUIET, [seen(valve_open=4, pump_on=1, flow_pulses={0: 400})]).right


def test_without_a_report_nothing_is_right() -> None:
    assert not judge(VALVE_2, QUIET, []).right


def test_every_valve_is_moved_alone_before_any_pump_and_no_pump_ever_without_a_valve() -> None:
    plan = moves(SITE)
    pumping = [move.outputs.pumps != 0 for move in plan]
    assert pumping == sorted(pumping)
    assert {move.outputs.valves for move in plan if not move.outputs.pumps} == {0, *(1 << n for n in range(6))}
    assert all(move.outputs.valves for move in plan if move.outputs.pumps)
    assert len(plan) == 1 + 2 * len(SITE.zones)
