"""What the board remembers over boots: two slots, torn and damaged writes, wear, and totals that go on."""

from __future__ import annotations

import binascii
from pathlib import Path
from random import Random

import pytest

from firmware_host.board.nonvolatile import CHANNELS, SAVE_EVERY_MS, WORDS, Memory, Slots


def words(first: int) -> list[int]:
    return [first, *range(1, WORDS)]


def slots(folder: Path) -> Slots:
    return Slots(str(folder))


def saved_twice(folder: Path) -> None:
    store = slots(folder)
    store.load()
    store.save(words(1))
    store.save(words(2))


def test_a_blank_board_remembers_zeros(tmp_path: Path) -> None:
    assert slots(tmp_path).load() == [0] * WORDS


def test_the_newest_of_many_records_is_found_and_only_two_files_exist(tmp_path: Path) -> None:
    store = slots(tmp_path)
    for number in range(20):
        assert store.save(words(number))
        assert slots(tmp_path).load() == words(number)
    assert len(list(tmp_path.iterdir())) == 2


def test_a_write_cut_short_at_any_byte_falls_back_to_the_one_before(tmp_path: Path) -> None:
    saved_twice(tmp_path)
    newest = tmp_path / "record.1"
    whole = newest.read_bytes()
    for length in range(len(whole)):
        newest.write_bytes(whole[:length])
        assert slots(tmp_path).load() == words(1)


def test_a_flipped_bit_anywhere_falls_back_to_the_one_before(tmp_path: Path) -> None:
    saved_twice(tmp_path)
    newest = tmp_path / "record.1"
    whole = newest.read_bytes()
    for bit in range(8 * len(whole)):
        damaged = bytearray(whole)
        damaged[bit // 8] ^= 1 << bit % 8
        newest.write_bytes(damaged)
        assert slots(tmp_path).load() == words(1)


def test_after_a_torn_write_the_next_one_replaces_the_torn_slot(tmp_path: Path) -> None:
    saved_twice(tmp_path)
    (tmp_path / "record.1").write_bytes(b"PHR1 torn")
    store = slots(tmp_path)
    assert store.load() == words(1)
    store.save(words(3))
    assert slots(tmp_path).load() == words(3)
    (tmp_path / "record.1").write_bytes(b"")
    assert slots(tmp_path).load() == words(1)


def test_noise_in_both_slots_is_a_blank_board(tmp_path: Path) -> None:
    rng = Random("noise")
    for _ in range(100):
        for slot in (0, 1):
            (tmp_path / f"record.{slot}").write_bytes(rng.randbytes(rng.randrange(200)))
        assert slots(tmp_path).load() == [0] * WORDS


def test_the_sequence_of_records_wraps(tmp_path: Path) -> None:
    store = slots(tmp_path)
    store._seq = (1 << 32) - 2
    for number in range(4):
        store.save(words(number))
        assert slots(tmp_path).load() == words(number)


def test_a_full_or_missing_flash_is_counted_and_nothing_else_is_lost(tmp_path: Path) -> None:
    store = Slots(str(tmp_path / "missing"))
    assert not store.save(words(1))
    assert not store.save(words(1))
    assert store.failures == 2


def test_a_whole_record_of_another_kind_is_none_of_ours(tmp_path: Path) -> None:
    store = slots(tmp_path)
    store.save(words(1))
    (file,) = tmp_path.iterdir()
    other = b"PHR0" + file.read_bytes()[4:-4]
    file.write_bytes(other + binascii.crc32(other).to_bytes(4, "little"))
    assert slots(tmp_path).load() == [0] * WORDS


def test_a_later_program_finds_the_records_of_an_earlier_one_by_their_names_and_mark(tmp_path: Path) -> None:
    saved_twice(tmp_path)
    assert {file.read_bytes()[:4] for file in tmp_path.iterdir()} == {b"PHR1"}
    assert sorted(file.name for file in tmp_path.iterdir()) == ["record.0", "record.1"]


def memory(folder: Path, cause: int = 0) -> Memory:
    return Memory(slots(folder), cause)


def test_boots_and_lock_outs_are_written_at_once_but_never_while_an_output_is_on(tmp_path: Path) -> None:
    board = memory(tmp_path)
    board.remember(2, 1, 1)
    board.step(0, False, [], 0)
    assert memory(tmp_path).boots == 0
    board.step(100, True, [], 0)
    again = memory(tmp_path)
    assert (again.boots, again.lock_outs, again.locked) == (2, 1, 1)


def test_totals_go_on_over_boots(tmp_path: Path) -> None:
    first = memory(tmp_path, 0)
    first.step(0, True, [100, 7], 3)
    second = memory(tmp_path, 1)
    assert (second.pulses[:2], second.tips, second.cause_before, second.boots_ever) == ([100, 7], 3, 0, 2)
    second.step(0, True, [50, 0], 1)
    third = memory(tmp_path)
    assert (third.pulses[:2], third.tips, third.cause_before) == ([150, 7], 4, 1)


def test_totals_wrap_at_32_bits(tmp_path: Path) -> None:
    board = memory(tmp_path)
    board.pulses[0] = (1 << 32) - 5
    board.step(0, True, [10], 0)
    assert memory(tmp_path).pulses[0] == 5


def count_writes(board: Memory, duration_ms: int, pulses_per_h: int, step_ms: int = 600_000) -> int:
    written = 0
    store = board._slots
    for now_ms in range(0, duration_ms, step_ms):
        before = store._seq
        board.step(now_ms, True, [now_ms * pulses_per_h // 3_600_000], 0)
        written += store._seq != before
    return written


def test_a_year_of_watering_writes_each_slot_some_four_thousand_times(tmp_path: Path) -> None:
    hours = 24 * 30
    written = count_writes(memory(tmp_path), hours * SAVE_EVERY_MS, 27_000)
    assert written <= hours + 1
    # A month here; twelve of them, over two slots, stay below five thousand: flash bears a hundred thousand.
    assert written * 12 / 2 < 5000


def test_a_winter_at_rest_writes_once(tmp_path: Path) -> None:
    assert count_writes(memory(tmp_path), 24 * 30 * SAVE_EVERY_MS, 0) == 1


@pytest.mark.parametrize("tear", [0, 10, 30, 60])
def test_a_reset_in_the_middle_of_writing_keeps_the_boots_before_it(tmp_path: Path, tear: int) -> None:
    for boots in range(1, 4):
        board = memory(tmp_path)
        board.remember(boots, 0, 0)
        board.step(0, True, [], 0)
    newest = max(tmp_path.iterdir(), key=lambda path: path.read_bytes()[4:8][::-1])
    newest.write_bytes(newest.read_bytes()[:tear])
    assert memory(tmp_path).boots == 2


@pytest.mark.parametrize("remembered", [(2, 1, 0), (0, 2, 1), (3, 0, 1)])
def test_each_number_of_the_lock_out_comes_back_as_itself(tmp_path: Path, remembered: tuple[int, int, int]) -> None:
    board = memory(tmp_path)
    board.step(0, True, [1], 1)
    board.remember(*remembered)
    board.step(20, True, [1], 1)
    again = memory(tmp_path)
    assert (again.boots, again.lock_outs, again.locked) == remembered
    assert len(again.pulses) == CHANNELS


def test_what_was_counted_is_written_after_exactly_an_hour(tmp_path: Path) -> None:
    board = memory(tmp_path)
    board.step(100, True, [5], 0)
    board.step(100 + 3_600_000 - 1, True, [6], 0)
    assert memory(tmp_path).pulses[0] == 5
    board.step(100 + 3_600_000, True, [7], 0)
    assert memory(tmp_path).pulses[0] == 7


@pytest.mark.parametrize(("pulses", "tips"), [(5, 4), (6, 3), (6, 4)])
def test_a_tip_or_a_pulse_alone_is_worth_writing(tmp_path: Path, pulses: int, tips: int) -> None:
    board = memory(tmp_path)
    board.step(0, True, [5], 3)
    board.step(SAVE_EVERY_MS, True, [pulses], tips)
    again = memory(tmp_path)
    assert (again.pulses[:2], again.tips) == ([pulses, 0], tips)
