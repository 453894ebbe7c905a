"""Limits of what may flow: a burst, a valve that stays open, pulses that no pump can have caused."""

from __future__ import annotations

import pytest

from controller.estimate.flow_excess import PulseCeiling, burst_limit_l_min, valves_suspected


@pytest.mark.parametrize(
    ("usual_l_min", "open_pipe_l_min", "limit_l_min"),
    [
        # A strong pump: half as much again.
        (4.0, 20.0, 6.0),
        # A small one: part of the way to what an open pipe gives.
        (6.0, 10.0, 7.6),
        # A zone that takes nearly all the pump gives: a fifth more, for less is in every run.
        (9.0, 10.0, 10.8),
        (9.0, 8.0, 10.8),
    ],
)
def test_a_burst_is_half_as_much_again_or_nearly_all_that_the_pump_gives(
    usual_l_min: float, open_pipe_l_min: float, limit_l_min: float
) -> None:
    assert burst_limit_l_min(usual_l_min, open_pipe_l_min) == pytest.approx(limit_l_min)


def test_one_zone_that_flows_too_much_has_a_trouble_of_its_own() -> None:
    assert valves_suspected({"a": True, "b": False, "c": None}) == []


def test_two_zones_that_flow_too_much_make_the_others_suspect() -> None:
    assert valves_suspected({"a": True, "b": True, "c": None, "d": False}) == ["c", "d"]


def test_where_all_flow_too_much_no_valve_is_suspect() -> None:
    assert valves_suspected({"a": True, "b": True, "c": True}) == []


def test_pulses_up_to_a_fifth_above_the_pumps_greatest_flow_are_taken() -> None:
    ceiling = PulseCeiling(max_flow_l_min=10.0, pulses_per_l=450.0)
    ceiling.possible(1, 50_000)
    assert ceiling.possible(90, 51_000) == 90
    assert ceiling.beyond_ms == 0
    # 12 L/min are 90 pulses a second, and two for where their edges fall.
    assert ceiling.possible(4_000, 52_000) == 92
    assert ceiling.beyond_ms == 1_000


def test_reports_that_were_lost_leave_room_for_what_flowed_meanwhile() -> None:
    ceiling = PulseCeiling(10.0, 450.0)
    ceiling.possible(1, 50_000)
    assert ceiling.possible(700, 58_000) == 700
    assert ceiling.beyond_ms == 0


def test_the_first_pulses_of_a_run_may_be_those_of_ten_seconds() -> None:
    ceiling = PulseCeiling(10.0, 450.0)
    ceiling.possible(1, 50_000)
    ceiling.begin()
    assert ceiling.possible(5_000, 900_000) == 902
    ceiling.begin()
    assert ceiling.beyond_ms == 0


def test_after_a_reboot_the_time_since_the_boot_counts() -> None:
    ceiling = PulseCeiling(10.0, 450.0)
    ceiling.possible(1, 500_000)
    assert ceiling.possible(300, 4_000) == 300
    assert ceiling.possible(500, 5_000) == 92


def test_a_dump_goes_on_where_it_left_off() -> None:
    ceiling, again = PulseCeiling(10.0, 450.0), PulseCeiling(10.0, 450.0)
    ceiling.possible(1, 10_000)
    ceiling.possible(1_000, 11_000)
    again.load(ceiling.dump())
    assert again.dump() == ceiling.dump()
    assert again.possible(1_000, 12_000) == 92
