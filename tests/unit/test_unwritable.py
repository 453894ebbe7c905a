"""A start on a journal that cannot be written: what is read, and whether it is known what today has had."""

from __future__ import annotations

import shutil
import sqlite3
import time
from dataclasses import replace
from pathlib import Path

import pytest

from controller.contract import Record
from controller.errors import ConfigurationError, OperatingError
from controller.service.journal import Journal
from controller.service.unwritable import (
    FoundAgainError,
    StandInJournal,
    Start,
    UnrecordedMark,
    day_began_ms,
    open_as_far_as_it_goes,
    unknown_because,
)
from controller.service.writer import JournalWriter
from firmware_host.messages import Outputs
from tests.unit.journal_data import START_WALL_MS, line, measure, now_at, result_with

HOUR_MS = 3_600_000
MIDNIGHT_MS = START_WALL_MS - 5 * HOUR_MS
CANNOT_BE_READ = Start(
    "only read",
    left_unrecorded=False,
    same_boot=False,
    recorded_until_ms=MIDNIGHT_MS + HOUR_MS,
    booted_ms=MIDNIGHT_MS + 3 * HOUR_MS,
    midnight_ms=MIDNIGHT_MS,
    time_known=True,
)
"""Two hours lie between the end of a journal that cannot be written and the boot of the machine."""


def test_with_a_journal_that_can_be_written_the_day_is_known() -> None:
    assert unknown_because(replace(CANNOT_BE_READ, reach="written")) == ""


def test_without_anything_readable_it_is_not() -> None:
    assert "cannot be read" in unknown_because(replace(CANNOT_BE_READ, reach="not read", same_boot=True))


def test_nobody_knows_what_another_boot_gave_that_could_not_write_either() -> None:
    assert "not known" in unknown_because(CANNOT_BE_READ)


@pytest.mark.parametrize(
    "known",
    [
        {"same_boot": True},
        {"booted_ms": MIDNIGHT_MS - 1},
        {"recorded_until_ms": CANNOT_BE_READ.booted_ms - 9 * 60_000},
    ],
    ids=["nothing was given on this boot", "other boots were before today", "the machine was hardly away"],
)
def test_a_journal_that_is_only_read_is_enough_when_nothing_can_have_happened_since(known: dict[str, int]) -> None:
    assert unknown_because(replace(CANNOT_BE_READ, **known)) == ""  # type: ignore[arg-type]


def test_but_not_when_the_time_of_day_is_a_guess() -> None:
    assert unknown_because(replace(CANNOT_BE_READ, booted_ms=MIDNIGHT_MS - 1, time_known=False))


def test_an_empty_journal_that_cannot_be_written_knows_nothing() -> None:
    """Such is the one that took the place of a damaged one on a card that is full."""
    assert "empty" in unknown_because(replace(CANNOT_BE_READ, booted_ms=MIDNIGHT_MS - 1, recorded_until_ms=0))


@pytest.mark.parametrize("reach", ["written", "only read", "not read"])
def test_water_that_was_given_unrecorded_makes_the_day_unknown_whatever_can_be_written_now(reach: str) -> None:
    start = replace(CANNOT_BE_READ, reach=reach, same_boot=True, left_unrecorded=True)  # type: ignore[arg-type]
    assert "nothing could be recorded" in unknown_because(start)


def test_the_day_begins_behind_the_gap_where_the_clock_skips_midnight() -> None:
    """Asuncion's clocks went from 0:00 to 1:00 on 3 October 2010 (tz database)."""
    noon_ms = 1_286_118_000_000
    assert noon_ms - day_began_ms(noon_ms, "America/Asuncion") == 11 * HOUR_MS


def _filled(path: Path) -> Journal:
    """One that is still open, so that its newest entries are in the log beside it."""
    journal = Journal.open(path)
    for second in range(300):
        journal.add_step(now_at(second), (line(second),), result_with(measure(second)))
        journal.commit(durable=second % 10 == 0)
    journal._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    journal.add_step(now_at(300), (line(300),), result_with(Record("delivery", "bench", {"volume_l": 6.0})))
    journal.commit(durable=True)
    return journal


@pytest.mark.parametrize("closed", [False, True], ids=["after a crash", "after an orderly end"])
def test_a_journal_is_read_whole_without_a_single_file_beside_it(tmp_path: Path, closed: bool) -> None:
    writing = _filled(tmp_path / "j.sqlite")
    if closed:
        writing.close()
    copy = tmp_path / "copy"
    copy.mkdir()
    for name in ("j.sqlite", "j.sqlite-wal"):
        if (tmp_path / name).exists():
            shutil.copy(tmp_path / name, copy)
    before = {path.name: path.read_bytes() for path in copy.iterdir()}
    assert ("j.sqlite-wal" in before) != closed
    journal = Journal.read_still(copy / "j.sqlite")
    assert [record.data for record in journal.newest_records("delivery")] == [{"volume_l": 6.0}]
    assert journal.last_seq == 301
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        journal.set_meta("boot_id", "x")
    assert {path.name: path.read_bytes() for path in copy.iterdir()} == before


def test_a_journal_that_another_program_locks_is_not_read_past_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.service.journal.BUSY_S", 0.01)
    _filled(tmp_path / "j.sqlite").close()
    other = sqlite3.connect(tmp_path / "j.sqlite", isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(ConfigurationError, match="locked"):
        Journal.read(tmp_path / "j.sqlite")
    other.close()


def test_a_broken_file_is_not_read_as_if_it_were_whole(tmp_path: Path) -> None:
    _filled(tmp_path / "j.sqlite").close()
    whole = (tmp_path / "j.sqlite").read_bytes()
    (tmp_path / "j.sqlite").write_bytes(whole[:8192] + bytes(16384) + whole[24576:])
    with pytest.raises(sqlite3.Error):
        Journal.read_still(tmp_path / "j.sqlite")


def test_a_journal_that_can_be_written_is_opened_as_ever(tmp_path: Path) -> None:
    opening = open_as_far_as_it_goes(tmp_path / "j.sqlite", "20260514T053000Z")
    assert (opening.reach, opening.trouble) == ("written", None)


def test_a_damaged_journal_on_a_card_that_fills_up_while_it_is_replaced_stops_no_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_journal: Journal) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    (tmp_path / "j.sqlite").write_bytes(b"noise" * 1000)
    monkeypatch.setattr(Journal, "mark_lost", full)
    opening = open_as_far_as_it_goes(tmp_path / "j.sqlite", "20260514T053000Z")
    assert opening.reach == "only read"
    assert opening.journal.newest_wall_ms() == 0


def test_a_stand_in_takes_nothing_and_becomes_a_fresh_file_as_soon_as_one_can_be_made(tmp_path: Path) -> None:
    path = tmp_path / "not-there-yet" / "j.sqlite"
    journal = StandInJournal(path)
    assert journal.recovered
    writer = JournalWriter(journal, commit_every_s=0.02, retry_after_s=0.01, trouble="no medium")
    writer.add_step(now_at(0), (line(0),), result_with(measure(1)))
    assert not writer.flush(0.1)
    assert writer.trouble is not None
    path.parent.mkdir()
    assert writer.flush(5.0)
    assert (writer.reopened, writer.found_again) == (1, False)
    assert not writer.trouble
    writer.close()
    stored = Journal.read(path)
    assert len(stored.records()) == 1
    stored.close()


def test_a_stand_in_never_writes_into_a_journal_that_was_there_all_the_time(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    journal = StandInJournal(path)
    _filled(path).close()
    before = path.read_bytes()
    with pytest.raises(FoundAgainError):
        journal.connect_again()
    writer = JournalWriter(journal, commit_every_s=0.02, retry_after_s=0.01, trouble="no medium")
    writer.add_step(now_at(0), (line(0),), result_with(measure(1)))
    assert not writer.flush(0.1)
    assert writer.found_again
    writer.close()
    assert path.read_bytes() == before


def test_a_stand_in_waits_for_a_file_that_still_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_path: Path) -> bool:
        raise OperatingError("the medium fails")

    (tmp_path / "j.sqlite").write_bytes(b"something")
    monkeypatch.setattr("controller.service.unwritable.is_sound", fails)
    with pytest.raises(sqlite3.OperationalError, match="the medium fails"):
        StandInJournal(tmp_path / "j.sqlite").connect_again()


def test_it_is_noted_in_memory_that_water_runs_unrecorded_until_it_is_recorded_after_all(tmp_path: Path) -> None:
    mark = UnrecordedMark(tmp_path / "j.sqlite", {"RUNTIME_DIRECTORY": str(tmp_path)})
    path = tmp_path / "later" / "j.sqlite"
    writer = JournalWriter(StandInJournal(path), 0.02, retry_after_s=0.01, trouble="no medium", mark=mark)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    assert not mark.is_set(), "nothing was given"
    writer.add_step(now_at(1), (), result_with(outputs=Outputs(1, 1)))
    assert mark.is_set()
    path.parent.mkdir()
    assert writer.flush(5.0)
    _until(lambda: not mark.is_set())
    writer.add_step(now_at(2), (), result_with(outputs=Outputs(1, 1)))
    assert not mark.is_set(), "it is recorded"
    writer.close()


def _until(condition: object) -> None:
    end_s = time.monotonic() + 5.0
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end_s
        time.sleep(0.005)


def test_a_mark_that_cannot_be_made_stops_nothing(tmp_path: Path) -> None:
    mark = UnrecordedMark(tmp_path / "j.sqlite", {"RUNTIME_DIRECTORY": str(tmp_path / "missing")})
    mark.set()
    assert not mark.is_set()
    mark.clear()
