"""Pumps with one or two contacts, held valves, and latching valves by pulses, on the simulated chip."""

from __future__ import annotations

from itertools import pairwise

import pytest

from firmware_host.board.outputs_rp2 import (
    SECOND_CONTACT_MS,
    HeldValve,
    LatchingValve,
    Line,
    Pulses,
    Pump,
)
from tests.fake_machine.chip import Chip, power_up

FIRST, SECOND = 2, 3
PULSE_MS, SPACING_MS = 60, 250


@pytest.fixture
def board() -> Chip:
    return power_up()


class Bank:
    """Three latching valves, stepped as the main loop does; valve n opens by pin 6 + 2n and closes by the next one."""

    def __init__(self, board: Chip) -> None:
        self.board = board
        self.pulses = Pulses(PULSE_MS, SPACING_MS)
        self.valves = [LatchingValve(Line(6 + 2 * n, 1), Line(7 + 2 * n, 1), self.pulses) for n in range(3)]

    def run(self, duration_ms: int) -> None:
        for _ in range(duration_ms // 5):
            self.pulses.step(self.board.now_us // 1000)
            self.board.spend(5000)

    def moves(self) -> list[tuple[int, int, int]]:
        """Start, length and pin of every pulse, milliseconds."""
        began: dict[int, int] = {}
        found = []
        for us, gpio, level in self.board.levels:
            if level:
                began[gpio] = us // 1000
            elif gpio in began:
                found.append((began[gpio], us // 1000 - began.pop(gpio), gpio))
        return found


@pytest.mark.parametrize("active", [0, 1])
def test_a_line_is_at_rest_from_the_moment_it_is_an_output(board: Chip, active: int) -> None:
    line = Line(FIRST, active)
    assert [level for _, level in board.changes(FIRST)] == [1 - active]
    line.drive(True)
    assert board.pins[FIRST].level() == active
    assert line.reads_on()


def test_a_shorted_pin_is_seen(board: Chip) -> None:
    line = Line(FIRST, 1)
    board.pins[FIRST].shorted = 1
    assert line.reads_on()
    assert not line.follows()


# --- pump -------------------------------------------------------------------------------------------------------------


def pump_with_two_contacts() -> Pump:
    return Pump(Line(FIRST, 1), Line(SECOND, 1))


def test_both_contacts_close_for_a_run_and_the_second_opens_half_a_second_after_the_first(board: Chip) -> None:
    pump = pump_with_two_contacts()
    pump.set(True, 0)
    assert board.on_pins() == {FIRST, SECOND}
    assert pump.is_on()
    pump.set(False, 10_000)
    assert board.on_pins() == {SECOND}
    assert not pump.is_on()
    pump.step(10_000 + SECOND_CONTACT_MS - 1)
    assert board.on_pins() == {SECOND}
    pump.step(10_000 + SECOND_CONTACT_MS)
    assert board.on_pins() == set()
    assert not pump.is_on()


def test_told_to_stop_twice_both_contacts_are_open_at_once(board: Chip) -> None:
    pump = pump_with_two_contacts()
    pump.set(True, 0)
    pump.set(False, 10)
    pump.set(False, 10)
    assert board.on_pins() == set()


def test_a_start_within_the_half_second_keeps_the_second_contact_closed(board: Chip) -> None:
    pump = pump_with_two_contacts()
    pump.set(True, 0)
    pump.set(False, 1000)
    pump.set(True, 1200)
    pump.step(5000)
    assert board.on_pins() == {FIRST, SECOND}


@pytest.mark.parametrize(
    ("gpio", "level", "on"), [(FIRST, 1, False), (FIRST, 0, True), (SECOND, 1, False), (SECOND, 0, True)]
)
def test_a_contact_that_does_not_follow_reads_as_a_pump_that_does_not(
    board: Chip, gpio: int, level: int, on: bool
) -> None:
    pump = pump_with_two_contacts()
    pump.set(on, 0)
    board.pins[gpio].shorted = level
    assert pump.is_on() is not on


def test_a_pump_with_one_contact_does_as_it_is_told(board: Chip) -> None:
    pump = Pump(Line(FIRST, 0), None)
    pump.set(True, 0)
    assert pump.is_on()
    assert board.pins[FIRST].level() == 0
    pump.set(False, 0)
    pump.step(1000)
    assert not pump.is_on()


# --- valves -----------------------------------------------------------------------------------------------------------


def test_a_held_valve_is_open_for_as_long_as_its_pin_drives(board: Chip) -> None:
    valve = HeldValve(Line(6, 1))
    assert not valve.is_open()
    valve.set(True)
    assert valve.is_open()
    assert board.on_pins() == {6}
    valve.off()
    assert not valve.is_open()


def test_a_latching_valve_gets_one_pulse_to_open_and_one_to_close(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(True)
    bank.run(1000)
    bank.valves[0].set(False)
    bank.run(1000)
    assert [(length, gpio) for _, length, gpio in bank.moves()] == [(PULSE_MS, 6), (PULSE_MS, 7)]
    assert board.on_pins() == set()


def test_pulses_come_one_by_one_with_a_rest_for_the_battery(board: Chip) -> None:
    bank = Bank(board)
    for valve in bank.valves:
        valve.set(True)
    assert bank.pulses.left_ms(0) == 3 * (PULSE_MS + SPACING_MS)
    bank.run(2000)
    moves = bank.moves()
    assert [gpio for _, _, gpio in moves] == [6, 8, 10]
    assert all(length == PULSE_MS for _, length, _ in moves)
    assert all(later - earlier >= PULSE_MS + SPACING_MS for (earlier, *_), (later, *_) in pairwise(moves))
    assert bank.pulses.left_ms(2000) == 0


def test_closing_comes_before_opening(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(True)
    bank.valves[1].set(True)
    bank.valves[2].set(False)
    bank.run(2000)
    assert [gpio for _, _, gpio in bank.moves()] == [11, 6, 8]


def test_the_last_order_for_a_valve_is_the_one_that_counts(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(True)
    bank.valves[1].set(True)
    bank.valves[1].set(False)
    bank.run(2000)
    assert [gpio for _, _, gpio in bank.moves()] == [9, 6]
    assert [valve.is_open() for valve in bank.valves[:2]] == [True, False]


def test_a_valve_closed_in_the_middle_of_its_opening_pulse_closes_after_it(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(True)
    bank.run(30)
    bank.valves[0].set(False)
    bank.run(1000)
    assert [(length, gpio) for _, length, gpio in bank.moves()] == [(PULSE_MS, 6), (PULSE_MS, 7)]
    assert not bank.valves[0].is_open()


def test_closing_twice_is_two_harmless_pulses(board: Chip) -> None:
    bank = Bank(board)
    for _ in range(2):
        bank.valves[0].set(False)
        bank.run(1000)
    assert [gpio for _, _, gpio in bank.moves()] == [7, 7]
    assert not bank.valves[0].is_open()


@pytest.mark.parametrize(("gpio", "level"), [(6, 0), (7, 1)])
def test_a_pulse_that_the_pins_did_not_give_counts_as_not_given(board: Chip, gpio: int, level: int) -> None:
    bank = Bank(board)
    board.pins[gpio].shorted = level
    bank.valves[0].set(True)
    assert bank.valves[0].is_open()
    bank.run(1000)
    assert not bank.valves[0].is_open()


def test_a_driver_that_is_stuck_on_at_rest_reads_as_a_valve_that_does_not_follow(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(False)
    bank.run(1000)
    assert not bank.valves[0].is_open()
    board.pins[6].shorted = 1
    assert bank.valves[0].is_open()


def test_a_failed_program_ends_a_pulse_at_once(board: Chip) -> None:
    bank = Bank(board)
    bank.valves[0].set(True)
    bank.run(30)
    assert board.on_pins() == {6}
    bank.valves[0].off()
    assert board.on_pins() == set()


def test_how_long_is_left_is_right_at_every_moment(board: Chip) -> None:
    bank = Bank(board)
    for valve in bank.valves:
        valve.set(True)
    foretold = []
    while True:
        now_ms = board.now_us // 1000
        left_ms = bank.pulses.left_ms(now_ms)
        foretold.append(now_ms + left_ms)
        if not any(bank.pulses.holds(valve) for valve in bank.valves):
            break
        bank.run(5)
    done_ms = board.now_us // 1000
    assert max(foretold) - done_ms <= SPACING_MS + 20
    assert all(end_ms >= done_ms - 20 for end_ms in foretold[:-1])
