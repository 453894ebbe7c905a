"""The board's tests of itself find what they look for: stuck memory, a damaged program, a clock that runs wrong."""

from __future__ import annotations

import binascii
from pathlib import Path
from typing import IO

import pytest

from firmware_host.board import selftest
from firmware_host.board.selftest import SLICE_BYTES, Program, TickRate, memory_good, processor_good
from firmware_host.program_list import LIST_PATH, program_list
from tests.fake_machine.chip import TICKS_MASK, power_up

FILES = {
    "/firmware_host/wire.py": bytes(range(256)) * 20,
    "/firmware_host/board/pins.py": b"x" * SLICE_BYTES,
    "/firmware_host/board/small.py": b"y",
    "/firmware_host/board/empty.py": b"",
}


class StuckMemory(bytearray):
    """One cell that keeps a bit, or that follows its neighbour."""

    stuck: tuple[int, int, int] = (0, 0, 0)
    coupled: tuple[int, int] | None = None

    def __setitem__(self, index, value):  # type: ignore[no-untyped-def]
        super().__setitem__(index, value)
        if self.coupled and index == self.coupled[0]:
            super().__setitem__(self.coupled[1], value)

    def __getitem__(self, index):  # type: ignore[no-untyped-def]
        cell, mask, bits = self.stuck
        value = super().__getitem__(index)
        return value & ~mask | bits if index == cell and mask else value


def flash(folder: Path, files: dict[str, bytes]) -> Program:
    for path, content in files.items():
        (folder / path[1:]).parent.mkdir(parents=True, exist_ok=True)
        (folder / path[1:]).write_bytes(content)
    (folder / LIST_PATH[1:]).write_bytes(program_list(files))
    return Program(str(folder))


def test_a_good_processor_and_good_memory_pass() -> None:
    assert processor_good()
    assert memory_good(bytearray(256))


@pytest.mark.parametrize("cell", [0, 1, 100, 255])
@pytest.mark.parametrize("bits", [0x00, 0x10])
def test_a_stuck_bit_in_memory_is_found(cell: int, bits: int) -> None:
    memory = StuckMemory(256)
    memory.stuck = (cell, 0x10, bits)
    assert not memory_good(memory)


@pytest.mark.parametrize(("writer", "follower"), [(3, 200), (200, 3), (0, 1), (1, 0), (255, 254), (254, 255)])
def test_a_cell_that_follows_another_is_found(writer: int, follower: int) -> None:
    memory = StuckMemory(256)
    memory.coupled = (writer, follower)
    assert not memory_good(memory)


def test_a_program_as_it_was_flashed_passes_again_and_again(tmp_path: Path) -> None:
    program = flash(tmp_path, FILES)
    assert program.wrong_at_boot() == ""
    assert [program.step() for _ in range(100)] == [""] * 100


def test_a_board_without_its_list_says_so(tmp_path: Path) -> None:
    assert Program(str(tmp_path)).wrong_at_boot() == "no list of program files"


def test_a_damaged_list_is_found_at_any_bit(tmp_path: Path) -> None:
    flash(tmp_path, FILES)
    whole = program_list(FILES)
    for bit in range(0, 8 * len(whole), 7):
        damaged = bytearray(whole)
        damaged[bit // 8] ^= 1 << bit % 8
        (tmp_path / LIST_PATH[1:]).write_bytes(damaged)
        assert Program(str(tmp_path)).wrong_at_boot() == "list of program files damaged"


@pytest.mark.parametrize("line", [b"xyz 1 /a", b"00000000 1", b"00000000  1 /a", b"00000000 one /a"])
def test_a_list_that_nobody_could_have_flashed_is_damaged(tmp_path: Path, line: bytes) -> None:
    line += b"\n"
    (tmp_path / LIST_PATH[1:]).write_bytes(line + f"{binascii.crc32(line):08x}\n".encode())
    assert Program(str(tmp_path)).wrong_at_boot() == "list of program files damaged"


@pytest.mark.parametrize("text", [b"", b"\n", b"00000000", b"00000000\n", b"\n\n", b"\n\n\n"])
def test_a_list_without_a_file_in_it_is_damaged(tmp_path: Path, text: bytes) -> None:
    (tmp_path / LIST_PATH[1:]).write_bytes(text)
    assert Program(str(tmp_path)).wrong_at_boot() == "list of program files damaged"


def test_a_program_of_one_file_can_be_listed(tmp_path: Path) -> None:
    assert flash(tmp_path, {"/main.py": b"a program"}).wrong_at_boot() == ""
    (tmp_path / "main.py").write_bytes(b"A program")
    assert Program(str(tmp_path)).wrong_at_boot() == "/main.py is damaged"


def test_at_boot_every_slice_is_read_once_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = flash(tmp_path, FILES)
    opened: list[str] = []

    def counted(path: str, mode: str) -> IO[bytes]:
        opened.append(path[len(str(tmp_path)) :])
        return open(path, mode)

    monkeypatch.setattr(selftest, "open", counted, raising=False)
    assert program.wrong_at_boot() == ""
    slices = [path for path in sorted(FILES) for _ in range(len(FILES[path]) // SLICE_BYTES + 1)]
    assert opened == [LIST_PATH, *slices]


def test_a_processor_that_computes_checksums_wrong_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(selftest.binascii, "crc32", lambda *_: 0xCBF43927)
    assert not processor_good()


class BrokenRegister(int):
    """A number whose processor gets one operation wrong: it gives a result with one bit too many."""

    broken = ""

    def __xor__(self, other: int) -> BrokenRegister:
        result = BrokenRegister(int(self) ^ other ^ (self.broken == "xor"))
        result.broken = self.broken
        return result

    def __and__(self, other: int) -> int:
        return int(self) & other | (self.broken == "and")

    def __or__(self, other: int) -> int:
        return (int(self) | other) ^ (self.broken == "or")

    def __add__(self, other: int) -> int:
        return int(self) + other + (self.broken == "add")


@pytest.mark.parametrize("broken", ["xor", "and", "or", "add"])
@pytest.mark.parametrize("register", range(len(selftest.PATTERNS)))
def test_a_processor_that_gets_one_operation_wrong_is_found(
    monkeypatch: pytest.MonkeyPatch, broken: str, register: int
) -> None:
    patterns = [BrokenRegister(pattern) for pattern in selftest.PATTERNS]
    monkeypatch.setattr(selftest, "PATTERNS", patterns)
    assert processor_good()
    patterns[register].broken = broken
    assert not processor_good()


@pytest.mark.parametrize("bit", range(30))
def test_the_patterns_hold_every_bit_of_a_small_number_both_ways(bit: int) -> None:
    assert {pattern >> bit & 1 for pattern in selftest.PATTERNS} == {0, 1}


def test_asked_too_soon_the_clock_is_not_judged() -> None:
    board = power_up()
    ticks = TickRate()
    board.slow_us_per_s = 1_000_000
    board.spend(900_000)
    assert ticks.good()
    board.spend(200_000)
    assert not ticks.good()


@pytest.mark.parametrize("path", [path for path in FILES if FILES[path]])
@pytest.mark.parametrize("place", [0, -1])
def test_a_flipped_bit_in_any_file_is_found_at_boot(tmp_path: Path, path: str, place: int) -> None:
    program = flash(tmp_path, FILES)
    damaged = bytearray(FILES[path])
    damaged[place] ^= 1
    (tmp_path / path[1:]).write_bytes(damaged)
    assert program.wrong_at_boot() == f"{path} is damaged"


@pytest.mark.parametrize("path", ["/firmware_host/wire.py", "/firmware_host/board/pins.py"])
@pytest.mark.parametrize("change", ["longer", "shorter", "gone"])
def test_a_file_that_grew_shrank_or_went_is_found(tmp_path: Path, path: str, change: str) -> None:
    """The second is as long as a slice: what was added to it stands in a slice of its own."""
    program = flash(tmp_path, FILES)
    file = tmp_path / path[1:]
    if change == "gone":
        file.unlink()
    else:
        file.write_bytes(FILES[path] + b"z" if change == "longer" else FILES[path][:-1])
    assert program.wrong_at_boot() in (f"{path} is damaged", f"{path} cannot be read")


def test_a_bit_that_flips_later_is_found_within_one_round_of_slices(tmp_path: Path) -> None:
    program = flash(tmp_path, FILES)
    assert program.wrong_at_boot() == ""
    damaged = bytearray(FILES["/firmware_host/wire.py"])
    damaged[3000] ^= 0x40
    (tmp_path / "firmware_host/wire.py").write_bytes(damaged)
    rounds = sum(len(content) // SLICE_BYTES + 1 for content in FILES.values())
    assert "/firmware_host/wire.py is damaged" in [program.step() for _ in range(rounds)]


@pytest.mark.parametrize("path", ["no/slash", "/a blank"])
def test_a_list_is_not_made_for_paths_that_a_board_cannot_read(path: str) -> None:
    with pytest.raises(ValueError, match="begins with a slash"):
        program_list({path: b""})


# --- clock ------------------------------------------------------------------------------------------------------------


def judged_good(seconds: int, offset_ms: int = 0, **wrong: float) -> bool:
    board = power_up(offset_ms)
    for name, value in wrong.items():
        setattr(board, name, value)
    ticks = TickRate()
    good = True
    for _ in range(seconds):
        board.spend(1_003_000)
        good = good and ticks.good()
    return good


@pytest.mark.parametrize("offset_ms", [0, TICKS_MASK - 5000, (TICKS_MASK + 1) // 1000 - 5])
def test_a_good_clock_passes_also_where_ticks_wrap(offset_ms: int) -> None:
    assert judged_good(600, offset_ms)


def test_microseconds_that_run_five_percent_slow_are_found_in_seconds() -> None:
    assert not judged_good(3, slow_us_per_s=50_000)


def test_microseconds_that_stand_still_are_found() -> None:
    assert not judged_good(3, slow_us_per_s=1_000_000)


@pytest.mark.parametrize("factor", [0.94, 1.06])
def test_a_clock_that_is_six_percent_off_the_calendar_is_found_within_four_minutes(factor: float) -> None:
    assert not judged_good(240, calendar_factor=factor)


def test_somebody_who_sets_the_calendar_once_does_no_harm() -> None:
    board = power_up()
    ticks = TickRate()
    for second in range(600):
        board.spend(1_000_000)
        if second == 250:
            board.calendar_jump_s = 800_000_000
        assert ticks.good()


@pytest.mark.parametrize("second", [50, 99, 150])
def test_nor_when_it_was_set_before_it_was_first_compared(second: int) -> None:
    board = power_up()
    ticks = TickRate()
    for now_s in range(400):
        board.spend(1_000_000)
        if now_s == second:
            board.calendar_jump_s = 3600
        assert ticks.good()


class Clocks:
    """The three time bases of the chip, each set by hand."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ms = self.us = self.s = 0
        monkeypatch.setattr(selftest, "now_ms", lambda: self.ms)
        monkeypatch.setattr(selftest, "now_us", lambda: self.us)
        monkeypatch.setattr(selftest, "calendar_s", lambda: self.s)

    def go_on(self, span_ms: int, off_us: int = 0, seconds: int | None = None) -> None:
        self.ms += span_ms
        self.us += 1000 * span_ms + off_us
        self.s += span_ms // 1000 if seconds is None else seconds


@pytest.mark.parametrize("span_ms", [1000, 1500, 3000])
@pytest.mark.parametrize("sign", [-1, 1])
def test_microseconds_may_be_two_percent_and_two_milliseconds_off(
    monkeypatch: pytest.MonkeyPatch, span_ms: int, sign: int
) -> None:
    clocks = Clocks(monkeypatch)
    ticks = TickRate()
    allowed_us = span_ms * 20 + 2000
    clocks.go_on(span_ms, sign * allowed_us)
    assert ticks.good()
    clocks.go_on(span_ms, sign * (allowed_us + 1))
    assert not ticks.good()


@pytest.mark.parametrize("seconds", [97, 104])
def test_the_calendar_may_be_three_and_a_half_seconds_off_in_a_hundred(
    monkeypatch: pytest.MonkeyPatch, seconds: int
) -> None:
    clocks = Clocks(monkeypatch)
    ticks = TickRate()
    off_by_one_ms = 1 if seconds < 100 else -1
    for _ in range(4):
        clocks.go_on(100_500, 0, seconds)
        assert ticks.good()
    for last in (False, True):
        clocks.go_on(100_500 + off_by_one_ms, 0, seconds)
        assert ticks.good() != last


def test_the_calendar_is_compared_after_exactly_a_hundred_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    clocks = Clocks(monkeypatch)
    ticks = TickRate()
    clocks.go_on(100_000, 0, 0)
    assert ticks.good()
    clocks.go_on(99_000, 0, 0)
    assert ticks.good()
    clocks.go_on(1000, 0, 0)
    assert not ticks.good()
