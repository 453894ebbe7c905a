"""What the board drives, in which order and for how long."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_host.wire import frame
from tests.board_stand_in import FITTED, BoardRig, FakeHardware

LEASE_MS = 5000
OPENING_MS = 2000
SETTLE_MS = 1000
SLACK_MS = 200


def when(rig: BoardRig, part: str, output: int, on: bool) -> int:
    """Uptime of the last such movement."""
    return max(t for t, p, o, is_on in rig.hw.history if (p, o, is_on) == (part, output, on))


def test_at_boot_every_output_is_driven_shut_pumps_first() -> None:
    rig = BoardRig()
    assert rig.hw.history == [(0, "pump", 0, False), *[(0, "valve", n, False) for n in range(3)]]


def test_the_pump_starts_only_once_the_valve_has_been_open_for_its_opening_time() -> None:
    rig = BoardRig()
    rig.set(1, 1)
    rig.hold(1, 1, 3000)
    assert when(rig, "valve", 0, True) == 0
    assert when(rig, "pump", 0, True) == OPENING_MS


def test_a_longer_opening_time_from_the_host_is_kept() -> None:
    rig = BoardRig()
    rig.set(1, 1, opening_ms=9000)
    rig.hold(1, 1, 10_000)
    assert when(rig, "pump", 0, True) == 9000


def test_a_pump_that_stopped_rests_two_seconds_before_it_starts_again() -> None:
    rig = BoardRig()
    rig.start()
    stopped = rig.hw.now_ms
    rig.set(0, 1)
    rig.run(100)
    rig.hold(1, 1, 3000)
    assert when(rig, "pump", 0, False) == stopped
    assert when(rig, "pump", 0, True) == stopped + 2000


def test_on_shutting_the_valve_closes_one_second_after_the_pump_stopped() -> None:
    rig = BoardRig()
    rig.start()
    asked = rig.hw.now_ms
    rig.set(0, 0)
    rig.run(2000)
    assert when(rig, "pump", 0, False) == asked
    assert when(rig, "valve", 0, False) == asked + SETTLE_MS


def test_changing_zones_under_a_running_pump_never_leaves_it_without_an_open_valve() -> None:
    rig = BoardRig()
    rig.start()
    changed = rig.hw.now_ms
    rig.set(1, 0b10)
    rig.hold(1, 0b10, 4000)
    assert rig.hw.pumps == {0}
    assert rig.hw.valves == {1}
    assert when(rig, "valve", 1, True) == changed
    assert changed + OPENING_MS <= when(rig, "valve", 0, False) <= changed + OPENING_MS + 20


@pytest.mark.parametrize("lease_ms", [5000, 3500])
def test_when_the_host_falls_silent_everything_is_shut_before_the_lease_ends_pump_first(lease_ms: int) -> None:
    rig = BoardRig()
    rig.start()
    last_word = rig.hw.now_ms
    rig.set(1, 1, lease=lease_ms)
    assert rig.time_to_safe_ms(renew=False) <= lease_ms
    assert last_word + lease_ms - 1300 <= when(rig, "pump", 0, False)
    assert when(rig, "valve", 0, False) >= when(rig, "pump", 0, False) + SETTLE_MS
    assert rig.faults() == "board-lease-lapsed"


def test_a_valve_without_a_pump_is_told_to_close_a_slow_turn_before_its_lease_ends() -> None:
    rig = BoardRig()
    rig.set(0, 1)
    assert rig.time_to_safe_ms(renew=False) == LEASE_MS - SLACK_MS


def test_a_lapse_is_said_at_once_and_forgotten_with_the_next_command() -> None:
    rig = BoardRig()
    rig.set(0, 1)
    rig.lines.clear()
    rig.run(LEASE_MS)
    assert rig.last("report")["faults"] == "board-lease-lapsed"
    assert int(rig.last("report")["up"]) == LEASE_MS - SLACK_MS
    rig.set(0, 1)
    assert "faults" not in rig.last("report")


def test_renewing_each_second_keeps_the_outputs_on_without_an_answer_each_time() -> None:
    rig = BoardRig()
    rig.start()
    rig.lines.clear()
    rig.hold(1, 1, 30_000)
    assert rig.hw.pumps == {0}
    assert [kind for kind, _, _ in rig.lines if kind == "ack"] == []
    assert int(rig.last("report")["ack"]) >= rig.seq - 1


def test_a_pump_with_no_valve_is_refused_and_shuts_what_was_on() -> None:
    rig = BoardRig()
    rig.start()
    rig.set(1, 0)
    assert rig.last("ack")["refusal"] == "board-no-valve"
    assert rig.time_to_safe_ms(renew=False) <= SETTLE_MS


def test_valves_of_another_pump_do_not_count() -> None:
    rig = BoardRig({"valves_of_pump": [0b001, 0b110]}, fitted={**FITTED, "pump": 2})
    rig.set(0b01, 0b010)
    assert rig.last("ack")["refusal"] == "board-no-valve"
    rig.set(0b11, 0b011)
    rig.hold(0b11, 0b011, 3000)
    assert rig.hw.pumps == {0, 1}


@pytest.mark.parametrize(
    "wrong",
    [
        {"pumps": 2},
        {"pumps": -1},
        {"valves": 8},
        {"valves": "all"},
        {"lease": 5001},
        {"lease": "-1"},
        {"report": 100},
        {"report": 300_001},
        {"low_mv": 9000},
        {"open_max_ms": 3_600_001},
        {"flow_start_ms": 60_000},
        {"colour": 3},
    ],
)
def test_a_field_out_of_range_refuses_the_command_and_shuts(wrong: dict[str, str | int]) -> None:
    rig = BoardRig()
    rig.start()
    rig.set(**{"pumps": 1, "valves": 1, **wrong})
    assert rig.last("ack")["refusal"] == "bad-field"
    assert rig.time_to_safe_ms(renew=False) <= SETTLE_MS


@pytest.mark.parametrize("missing", ["pumps", "valves", "lease", "report", "at"])
def test_a_command_with_a_field_missing_is_refused(missing: str) -> None:
    rig = BoardRig()
    line = rig.set_line(0, 1).decode()
    text = " ".join(word for word in line[:-10].split(" ") if not word.startswith(missing + "="))
    rig.send(frame(text))
    assert rig.last("ack")["refusal"] == "bad-field"
    assert rig.safe


def test_settings_of_the_board_that_are_wrong_keep_everything_shut() -> None:
    rig = BoardRig({"low_mv": 255})
    rig.set(0, 1)
    assert rig.last("ack")["refusal"] == "board-settings-bad"
    assert rig.faults() == "board-settings-bad"
    rig.send(rig.command("clear", fault="board-settings-bad"))
    assert rig.last("ack")["refusal"] == "not-latched"
    assert rig.safe


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["set", "set", "set", "wait", "clear"]), st.integers(0, 3), st.integers(0, 7),
                  st.integers(20, 7000)),
        max_size=25,
    )
)  # fmt: skip
def test_whatever_the_host_asks_no_pump_ever_runs_without_a_valve_open_long_enough(
    steps: list[tuple[str, int, int, int]],
) -> None:
    rig = BoardRig(hardware_class=WatchfulHardware, fitted={**FITTED, "pump": 2})
    for what, pumps, valves, wait_ms in steps:
        if what == "set":
            rig.set(pumps, valves)
        elif what == "clear":
            rig.send(rig.command("clear", fault="board-no-flow"))
        rig.run(wait_ms, 100)
    assert rig.time_to_safe_ms(renew=False) <= LEASE_MS + 100


class WatchfulHardware(FakeHardware):
    """Raises the moment an output moves against the order."""

    def __init__(self, fitted: dict[str, int] | None = None) -> None:
        super().__init__(fitted)
        self.opened_ms: dict[int, int] = {}
        self.pump_stopped_ms = -SETTLE_MS

    def set_pump(self, output: int, on: bool) -> None:
        if on and output not in self.pumps:
            longest = max((self.now_ms - self.opened_ms[n] for n in self.valves), default=-1)
            assert longest >= OPENING_MS, "pump started before a valve was open"
        if not on and output in self.pumps:
            self.pump_stopped_ms = self.now_ms
        super().set_pump(output, on)

    def set_valve(self, output: int, is_open: bool) -> None:
        if is_open and output not in self.valves:
            self.opened_ms[output] = self.now_ms
        if not is_open and output in self.valves:
            assert not self.pumps or len(self.valves) > 1, "last valve closed under a running pump"
            assert self.pumps or self.now_ms >= self.pump_stopped_ms + SETTLE_MS, "valve closed too soon"
        super().set_valve(output, is_open)
