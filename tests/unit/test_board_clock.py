"""A board's clock that is off by more than 2 % is told of; lines that come late are not taken for one."""

from __future__ import annotations

import json
from collections.abc import Callable
from random import Random

import pytest

from controller.estimate.board_clock import BoardClock

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
Late = Callable[[Random, int], int]
"""How late a line comes that was written at this time."""


def punctual(rng: Random, _wrote_ms: int) -> int:
    return rng.randrange(200)


def up_to_2_s(rng: Random, _wrote_ms: int) -> int:
    return rng.randrange(2_000)


def up_to_60_s(rng: Random, _wrote_ms: int) -> int:
    return rng.randrange(60_000)


def held_up_in_turns(_rng: Random, wrote_ms: int) -> int:
    """For a minute in every seven nothing comes through; then all of it does."""
    within_ms = wrote_ms % (7 * MINUTE_MS)
    return max(0, MINUTE_MS - within_ms)


def late_for_good_after_an_hour(_rng: Random, wrote_ms: int) -> int:
    return MINUTE_MS if wrote_ms > HOUR_MS else 0


class Board:
    """Reports to a clock watch; `minutes` lets time pass and returns the minute at which the verdict first changed."""

    def __init__(self, fast: float = 0.0, every_s: int = 60, late: Late = punctual, seed: int = 1) -> None:
        self.watch = BoardClock()
        self.fast, self.every_ms, self.late = fast, every_s * 1000, late
        self.rng = Random(seed)
        self.boot_id, self.uptime_ms, self.true_ms = "b1", 0.0, 0

    def boots(self) -> None:
        self.boot_id, self.uptime_ms = f"{self.boot_id}+", 0.0

    def minutes(self, count: float) -> float | None:
        began_ms, lines = self.true_ms, []
        end_ms = began_ms + round(count * MINUTE_MS)
        while self.true_ms < end_ms:
            lines.append((self.true_ms + self.late(self.rng, self.true_ms), round(self.uptime_ms)))
            # The board waits by its own clock.
            self.uptime_ms += self.every_ms
            self.true_ms += round(self.every_ms / (1.0 + self.fast))
        newest_ms, changed = -1, None
        for arrives_ms, uptime_ms in sorted(lines):
            # A line that is overtaken by a newer one is not taken for new by the link either.
            if uptime_ms < newest_ms:
                continue
            newest_ms = uptime_ms
            if self.watch.note(self.boot_id, uptime_ms, arrives_ms) and changed is None:
                changed = (arrives_ms - began_ms) / MINUTE_MS
        return changed


@pytest.mark.parametrize("fast", [0.05, 0.03, -0.03, -0.05])
@pytest.mark.parametrize("late", [punctual, up_to_2_s])
@pytest.mark.parametrize(("every_s", "within_min"), [(1, 30), (60, 32), (300, 160)])
def test_three_per_cent_are_told_within_half_an_hour_of_a_report_a_minute(
    fast: float, late: Late, every_s: int, within_min: float
) -> None:
    for seed in range(5):
        board = Board(fast, every_s, late, seed)
        changed = board.minutes(2.0 * within_min)
        assert changed is not None
        assert changed <= within_min
        assert board.watch.fast_part == pytest.approx(fast, abs=0.006)


@pytest.mark.parametrize("fast", [0.0, 0.0195, -0.0195])
@pytest.mark.parametrize("every_s", [60, 120, 300])
@pytest.mark.parametrize("late", [up_to_2_s, held_up_in_turns])
def test_below_two_per_cent_nothing_is_told(fast: float, every_s: int, late: Late) -> None:
    for seed in range(5):
        assert Board(fast, every_s, late, seed).minutes(24 * 60) is None


@pytest.mark.parametrize("every_s", [1, 20, 60, 120, 300])
@pytest.mark.parametrize("late", [up_to_60_s, held_up_in_turns, late_for_good_after_an_hour])
def test_lines_a_minute_late_are_not_taken_for_a_clock(every_s: int, late: Late) -> None:
    hours = 4 if every_s == 1 else 24 * 3
    for seed in range(3):
        assert Board(0.0, every_s, late, seed).minutes(60 * hours) is None


def test_a_slow_watering_after_a_long_rest_is_no_drift() -> None:
    board = Board(late=up_to_2_s)
    for _ in range(20):
        board.every_ms = 300_000
        assert board.minutes(70) is None
        board.every_ms = 1_000
        assert board.minutes(12) is None


def test_a_boot_begins_anew_and_its_uptime_of_nothing_is_no_drift() -> None:
    board = Board()
    for _ in range(30):
        assert board.minutes(17) is None
        board.boots()


def test_what_was_told_of_a_boot_ends_with_it_and_is_found_again() -> None:
    board = Board(0.04)
    assert board.minutes(40) is not None
    board.boots()
    assert board.minutes(1) == pytest.approx(0.0, abs=0.01)
    assert board.watch.fast_part is None
    changed = board.minutes(40)
    assert changed is not None
    assert board.watch.fast_part is not None


def test_a_restart_of_the_controller_begins_anew() -> None:
    board = Board()
    board.minutes(29)
    board.watch.restarted()
    board.true_ms += 20 * MINUTE_MS
    assert board.minutes(60) is None


def test_a_clock_that_goes_right_again_is_no_longer_told() -> None:
    board = Board(-0.04, late=up_to_2_s)
    board.minutes(60)
    assert board.watch.fast_part is not None
    board.fast = 0.0
    changed = board.minutes(60)
    assert changed is not None
    assert changed < 35
    assert board.watch.fast_part is None


def test_a_clock_that_mends_halfway_stays_told_until_it_is_under_one_and_a_half_per_cent() -> None:
    board = Board(0.03)
    board.minutes(60)
    board.fast = 0.017
    assert board.minutes(300) is None
    assert board.watch.fast_part == pytest.approx(0.017, abs=0.002)
    board.fast = 0.013
    assert board.minutes(60) is not None
    assert board.watch.fast_part is None


def test_a_dump_goes_on_where_it_left_off() -> None:
    board, again = Board(0.03, late=up_to_2_s), BoardClock()
    for _ in range(40):
        board.minutes(1)
        again = BoardClock()
        again.load(json.loads(json.dumps(board.watch.dump())))
        assert again.dump() == board.watch.dump()
        board.watch = again
    assert again.fast_part is not None


def test_the_last_line_of_one_block_and_the_first_of_the_next_may_come_at_one_instant() -> None:
    """They are the ones that lie least behind in theirs."""
    watch = BoardClock()
    watch.note("b1", 0, 9)
    first, second = (
        [(9, 50), (9, 100), (9, 150), (5, 210)],
        [(4, 210), (9, 260), (9, 310), (9, 360), (9, 420), (9, 420)],
    )
    for turn in range(20):
        for behind_ms, after_s in (*first, *second):
            mono_ms = 9 + 420_000 * turn + 1000 * after_s
            assert not watch.note("b1", mono_ms - behind_ms, mono_ms)
    assert watch.fast_part is None
