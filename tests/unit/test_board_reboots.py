"""A board that keeps booting locks its outputs out; what it knows of earlier boots is kept by the hardware."""

from __future__ import annotations

import pytest

from tests.board_stand_in import BoardRig, FakeHardware

MINUTE_MS = 60_000


class RememberingHardware(FakeHardware):
    """Keeps its memory over boots, as flash does."""

    memory = (0, 0, 0)
    writes = 0
    cause = "power"

    def reset_cause(self) -> str:
        return self.cause

    def remembered(self) -> tuple[int, int, int]:
        return RememberingHardware.memory

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        RememberingHardware.memory = (boots, lock_outs, locked)
        RememberingHardware.writes += 1


@pytest.fixture(autouse=True)
def blank_memory() -> None:
    RememberingHardware.memory = (0, 0, 0)
    RememberingHardware.writes = 0
    RememberingHardware.cause = "power"


def boot(lasting_ms: int = 0) -> BoardRig:
    rig = BoardRig(hardware_class=RememberingHardware)
    rig.run(lasting_ms, step_ms=1000)
    return rig


def refusal(rig: BoardRig) -> str:
    rig.set(1, 1)
    return rig.last("ack").get("refusal", "")


def wake_as_asked(rig: BoardRig, until_ms: int) -> None:
    """Only wake the board when it asked to be, with a report every five minutes."""
    rig.set(0, 0, report=300_000)
    while (wake_ms := max(rig.next_ms, rig.hw.now_ms + 1)) <= until_ms:
        rig.hw.advance_to(wake_ms)
        rig.next_ms = rig.board.tick()


def test_three_short_boots_are_nothing_the_fourth_locks_out() -> None:
    for _ in range(3):
        assert refusal(boot()) == ""
    rig = boot()
    assert refusal(rig) == "board-reboots"
    assert rig.faults() == "board-reboots"
    assert rig.safe
    assert RememberingHardware.memory == (1, 1, 1)


def test_a_lock_out_ends_30_minutes_after_the_last_boot() -> None:
    for _ in range(3):
        boot()
    rig = boot()
    rig.run(30 * MINUTE_MS - 1000, step_ms=1000)
    assert refusal(rig) == "board-reboots"
    rig.run(1000, step_ms=1000)
    assert refusal(rig) == ""
    assert refusal(boot()) == ""


def test_a_reboot_in_a_lock_out_begins_its_30_minutes_again() -> None:
    for _ in range(4):
        boot()
    boot(20 * MINUTE_MS)
    rig = boot(20 * MINUTE_MS)
    assert refusal(rig) == "board-reboots"
    rig.run(10 * MINUTE_MS, step_ms=1000)
    assert refusal(rig) == ""


def test_a_boot_that_lasts_ten_minutes_makes_the_ones_before_it_forgotten() -> None:
    for _ in range(5):
        boot()
        boot()
        boot(10 * MINUTE_MS)
    assert refusal(boot()) == ""


def test_the_third_lock_out_stays_until_somebody_clears_it() -> None:
    for _ in range(9):
        boot()
    rig = boot(31 * MINUTE_MS)
    assert refusal(rig) == "board-reboots-latched"
    rig = boot(60 * MINUTE_MS)
    assert refusal(rig) == "board-reboots-latched"
    rig.send(rig.command("clear", fault="board-reboots-latched"))
    assert refusal(rig) == ""
    assert RememberingHardware.memory == (0, 0, 0)
    assert refusal(boot()) == ""


def test_a_day_does_not_end_the_third_lock_out_nor_make_it_forgotten() -> None:
    for _ in range(9):
        boot()
    rig = boot()
    assert RememberingHardware.memory == (1, 3, 1)
    rig.set(0, 0, report=300_000)
    wakes = []
    while rig.board.reboots.next_ms < 1000 * 24 * 60 * MINUTE_MS:
        assert rig.board.reboots.next_ms > rig.hw.now_ms
        rig.hw.advance_to(rig.board.reboots.next_ms)
        wakes.append(rig.hw.now_ms)
        rig.board.tick()
    assert wakes == [10 * MINUTE_MS, 30 * MINUTE_MS, 24 * 60 * MINUTE_MS]
    assert rig.board.faults.text() == "board-reboots-latched"
    assert RememberingHardware.memory == (0, 3, 1)
    assert refusal(boot()) == "board-reboots-latched"


def test_a_lock_out_may_be_cleared_earlier() -> None:
    for _ in range(3):
        boot()
    rig = boot(MINUTE_MS)
    rig.send(rig.command("clear", fault="board-reboots"))
    assert refusal(rig) == ""
    assert refusal(boot()) == ""


def test_a_day_without_a_reboot_makes_lock_outs_forgotten() -> None:
    for _ in range(8):
        boot()
    assert RememberingHardware.memory[1] == 2
    boot(24 * 60 * MINUTE_MS)
    assert RememberingHardware.memory == (0, 0, 0)


def test_restarts_by_order_do_not_count() -> None:
    RememberingHardware.cause = "soft"
    for _ in range(10):
        assert refusal(boot()) == ""


def test_a_year_at_rest_writes_the_memory_twice() -> None:
    rig = boot()
    wake_as_asked(rig, 24 * 60 * MINUTE_MS)
    for _ in range(365 * 24):
        rig.hw.advance_to(rig.hw.now_ms + 60 * MINUTE_MS)
        rig.board.tick()
    assert RememberingHardware.writes == 2


def test_a_boot_that_lasts_writes_the_memory_once_more_and_then_no_more() -> None:
    rig = boot()
    for minutes in (10, 11, 30, 31, 24 * 60, 48 * 60):
        rig.hw.advance_to(minutes * MINUTE_MS)
        rig.board.tick()
    assert RememberingHardware.memory == (0, 0, 0)
    assert RememberingHardware.writes == 2


def test_a_lock_out_ends_on_time_when_the_board_is_only_woken_as_it_asked() -> None:
    for _ in range(3):
        boot()
    rig = boot()
    rig.set(0, 0, report=300_000)
    wakes = []
    while rig.board.faults.standing:
        rig.hw.advance_to(max(rig.board.reboots.next_ms, rig.hw.now_ms + 1))
        wakes.append(rig.hw.now_ms)
        rig.board.tick()
    assert wakes == [10 * MINUTE_MS, 30 * MINUTE_MS]
    assert rig.board.reboots.next_ms == 24 * 60 * MINUTE_MS
    rig.hw.advance_to(rig.board.reboots.next_ms)
    rig.board.tick()
    assert RememberingHardware.memory == (0, 0, 0)
    assert rig.board.reboots.next_ms > 1000 * 24 * 60 * MINUTE_MS
