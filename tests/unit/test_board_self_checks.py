"""Flow with everything shut, limits and leases kept twice, and a hardware that fails its self-test."""

from __future__ import annotations

from typing import Any

import pytest

from firmware_host.board.limits import SETTINGS
from tests.board_stand_in import BoardRig, FakeHardware

TICK_MS = 20


class LeakingHardware(FakeHardware):
    """Its meter counts for as long as `leaking`, pump or no pump. `calls` are all calls that drive an output."""

    leaking = False

    def advance_to(self, now_ms: int) -> None:
        if self.leaking:
            self._millipulses += (now_ms - self.now_ms) * self.pulses_per_s
        self.now_ms = now_ms


class AilingHardware(FakeHardware):
    well = True

    def healthy(self) -> bool:
        return self.well


def leaking_rig() -> tuple[BoardRig, LeakingHardware]:
    rig = BoardRig(hardware_class=LeakingHardware)
    assert isinstance(rig.hw, LeakingHardware)
    rig.run(1000)
    rig.hw.leaking = True
    return rig, rig.hw


def run_until_fault(rig: BoardRig, limit_ms: int) -> int:
    began = rig.hw.now_ms
    while not rig.board.faults.standing:
        assert rig.hw.now_ms - began < limit_ms, "no fault"
        rig.run(TICK_MS)
    return rig.hw.now_ms - began


def test_water_that_runs_for_60_s_at_rest_is_a_fault_and_drives_every_output_shut_again() -> None:
    rig, hardware = leaking_rig()
    hardware.history.clear()
    assert 60_000 <= run_until_fault(rig, 90_000) <= 60_000 + 200
    assert rig.board.faults.text() == "board-flow-at-rest"
    assert {(part, output, on) for _, part, output, on in hardware.history} == {
        ("pump", 0, False),
        ("valve", 0, False),
        ("valve", 1, False),
        ("valve", 2, False),
    }
    assert rig.set(1, 1)[-1][2]["refusal"] == "board-flow-at-rest"


def test_it_is_found_within_two_minutes_when_the_board_is_only_woken_when_it_asked_to_be() -> None:
    rig, hardware = leaking_rig()
    began = hardware.now_ms
    while not rig.board.faults.standing:
        hardware.advance_to(max(rig.next_ms, hardware.now_ms + 1))
        rig.next_ms = rig.board.tick()
    assert hardware.now_ms - began <= 2 * 60_000


def test_water_that_comes_to_rest_within_55_s_is_no_fault() -> None:
    rig, hardware = leaking_rig()
    rig.run(54_000)
    hardware.leaking = False
    rig.run(300_000)
    assert rig.board.faults.standing == []


def test_a_lone_pulse_now_and_then_is_no_flow() -> None:
    rig, hardware = leaking_rig()
    for _ in range(30):
        hardware.leaking = True
        rig.run(200)
        hardware.leaking = False
        rig.run(11_000)
    assert rig.board.faults.standing == []


def test_flow_at_rest_can_be_cleared_only_once_the_water_stands_still() -> None:
    rig, hardware = leaking_rig()
    run_until_fault(rig, 90_000)
    rig.run(10_000)
    rig.send(rig.command("clear", fault="board-flow-at-rest"))
    assert rig.last("ack")["refusal"] == "still-present"
    hardware.leaking = False
    rig.run(15_000)
    rig.send(rig.command("clear", fault="board-flow-at-rest"))
    assert "refusal" not in rig.last("ack")
    assert "refusal" not in rig.set(1, 1)[-1][2]


def test_flow_through_an_open_valve_is_not_at_rest() -> None:
    rig, _ = leaking_rig()
    rig.hold(0, 1, 120_000)
    assert rig.board.faults.standing == []


@pytest.mark.parametrize("name", [name for name, *_ in SETTINGS])
@pytest.mark.parametrize("bit", [0, 7, 20])
def test_a_limit_with_a_flipped_bit_stops_the_pump_at_the_next_tick(name: str, bit: int) -> None:
    rig = BoardRig()
    rig.start()
    limits = rig.board.limits
    setattr(limits, name, getattr(limits, name) ^ 1 << bit)
    rig.run(TICK_MS)
    assert rig.hw.pumps == set()
    assert rig.board.faults.standing[0] == "board-self-test"
    assert rig.time_to_safe_ms(2000) <= 1000 + TICK_MS
    rig.send(rig.command("clear", fault="board-self-test"))
    assert rig.last("ack")["refusal"] == "still-present"


@pytest.mark.parametrize("bit", [0, 12, 40])
def test_a_lease_with_a_flipped_bit_stops_the_pump_at_the_next_tick(bit: int) -> None:
    rig = BoardRig()
    rig.start()
    rig.board.outputs.lease_end_ms ^= 1 << bit
    rig.run(TICK_MS)
    assert rig.hw.pumps == set()
    rig.run(TICK_MS)
    assert rig.faults() == "board-self-test"


@pytest.mark.parametrize("name", ["open_max_ms", "low_mv"])
def test_a_limit_damaged_in_memory_does_not_become_whole_by_limits_that_the_host_sends(name: str) -> None:
    """As it does after each introduction: the same limit again, or another one."""
    rig = BoardRig()
    rig.start()
    setattr(rig.board.limits, name, getattr(rig.board.limits, name) ^ 1 << 20)
    rig.run(40)
    rig.set(0, 0, low_mv=11_300)
    assert rig.board.limits.intact() is False
    rig.send(rig.command("clear", fault="board-self-test"))
    assert rig.last("ack")["refusal"] == "still-present"


def test_a_failed_self_test_of_the_hardware_stops_the_pump_and_refuses_until_it_is_passed_and_cleared() -> None:
    rig = BoardRig(hardware_class=AilingHardware)
    assert isinstance(rig.hw, AilingHardware)
    rig.start()
    rig.hw.well = False
    rig.run(TICK_MS)
    assert rig.hw.pumps == set()
    rig.run(2000)
    assert rig.safe
    rig.send(rig.command("clear", fault="board-self-test"))
    assert rig.last("ack")["refusal"] == "still-present"
    rig.hw.well = True
    assert rig.set(1, 1)[-1][2]["refusal"] == "board-self-test"
    rig.send(rig.command("clear", fault="board-self-test"))
    assert "refusal" not in rig.set(1, 1)[-1][2]


def test_a_hello_says_what_is_wrong_with_the_settings() -> None:
    rig = BoardRig(settings={"low_mv": 0, "opening_ms": 3000, "bogus": 1, "flow_of_pump": None})  # type: ignore[dict-item]
    assert rig.last("hello")["problem"] == "SETTINGS:_low_mv_bogus_flow_of_pump"
    assert rig.faults() == "board-settings-bad"


@pytest.mark.parametrize(
    ("settings", "wrong"),
    [
        ({"low_mv": [11_000]}, "low_mv"),
        ({"poll_ms": 5}, "poll_ms"),
        ({"poll_ms": 100}, ""),
        ({"flow_of_pump": [0, 0]}, "flow_of_pump"),
        ({"flow_of_pump": ["0"]}, "flow_of_pump"),
        ({"flow_of_pump": [1]}, "flow_of_pump"),
        ({"flow_of_pump": [-1]}, ""),
        ({"float_of_pump": [-2]}, "float_of_pump"),
        ({"valves_of_pump": [-1]}, "valves_of_pump"),
        ({"valves_of_pump": [8]}, "valves_of_pump"),
        ({"valves_of_pump": (7,)}, ""),
    ],
)
def test_each_setting_is_checked_and_a_wrong_one_named(settings: dict[str, Any], wrong: str) -> None:
    rig = BoardRig(settings=settings)
    assert rig.last("hello").get("problem", "") == (f"SETTINGS:_{wrong}" if wrong else "")
    assert rig.faults() == "board-settings-bad" if wrong else rig.board.faults.standing == []


@pytest.mark.parametrize(("supply_mv", "refusal"), [(11_000, "still-present"), (None, "still-present"), (12_000, "")])
def test_a_supply_fault_can_be_cleared_only_once_its_cause_is_gone(supply_mv: int | None, refusal: str) -> None:
    for fault, bad_mv in (("board-supply-low", 9000), ("board-supply-unknown", None)):
        rig = BoardRig(settings={"low_mv": 11_500})
        rig.start()
        rig.hw.battery = bad_mv
        rig.hold(1, 1, 12_000)
        assert rig.board.faults.standing == [fault]
        rig.hw.battery = supply_mv
        rig.send(rig.command("clear", fault=fault))
        readable_is_enough = fault == "board-supply-unknown" and supply_mv is not None
        assert rig.last("ack").get("refusal", "") == ("" if readable_is_enough else refusal)


def test_a_dry_suction_can_be_cleared_only_once_it_is_wet() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.wet = False
    rig.run(1000)
    assert rig.board.faults.standing == ["board-dry"]
    rig.send(rig.command("clear", fault="board-dry"))
    assert rig.last("ack")["refusal"] == "still-present"
    rig.hw.wet = True
    rig.send(rig.command("clear", fault="board-dry"))
    assert "refusal" not in rig.last("ack")


def test_a_valve_that_no_pump_feeds_closes_at_once() -> None:
    rig = BoardRig(settings={"valves_of_pump": [0b001]})
    rig.start()
    rig.set(1, 0b101)
    rig.run(100)
    assert rig.hw.valves == {0, 2}
    rig.set(1, 0b001)
    assert rig.hw.valves == {0}
    assert rig.hw.pumps == {0}


def test_a_hello_of_a_board_that_is_well_names_no_problem() -> None:
    assert "problem" not in BoardRig().last("hello")


def test_a_limit_that_changed_while_everything_rested_is_found_before_anything_is_driven() -> None:
    rig = BoardRig()
    rig.run(1000)
    rig.hw.history.clear()
    rig.board.limits.open_max_ms ^= 1 << 3
    rig.run(1000)
    rig.set(1, 1)
    rig.run(10_000)
    assert rig.board.faults.text() == "board-self-test"
    assert not [entry for entry in rig.hw.history if entry[3]]


def test_a_limit_that_changed_at_rest_is_a_fault_within_ten_minutes() -> None:
    rig = BoardRig()
    rig.run(1000)
    rig.board.limits.open_max_ms ^= 1 << 3
    assert run_until_fault(rig, 600_000 + 2 * TICK_MS) <= 600_000
