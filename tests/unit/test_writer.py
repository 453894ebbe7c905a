"""The writing thread: nothing is lost that was promised, and nobody waits for the disk."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.contract import OrderAnswer, Record, StepResult
from controller.service import writer as writer_module
from controller.service.journal import Journal
from controller.service.writer import JournalWriter
from tests.unit.journal_data import measure, now_at, result_with


def _wait_for(condition: Callable[[], object], timeout_s: float = 5.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.005)


def _stored(path: Path) -> int:
    journal = Journal.read(path)
    count = len(journal.records())
    journal.close()
    return count


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "j.sqlite"


def test_readings_wait_for_the_next_batch_and_a_delivery_does_not(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=60.0)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    time.sleep(0.1)
    assert _stored(path) == 0
    writer.add_step(now_at(1), (), result_with(Record("delivery", "bench", {"volume_l": 6.0})))
    _wait_for(lambda: _stored(path) == 2)
    assert writer.close()


def test_readings_are_committed_after_their_time(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=0.1)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    _wait_for(lambda: _stored(path) == 1)
    assert writer.close()


def test_closing_writes_what_is_there(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=60.0)
    for second in range(500):
        writer.add_step(now_at(second), (), result_with(measure(second)))
    assert writer.close()
    assert _stored(path) == 500


def test_flush_returns_when_it_is_on_the_medium(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=60.0)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    assert writer.flush(5.0)
    assert _stored(path) == 1
    writer.close()


def test_an_order_is_claimed_once_and_its_answer_remembered(path: Path) -> None:
    writer = JournalWriter(Journal.open(path))
    assert writer.claim_order("p-1", 5, 5.0) is None
    answer = OrderAnswer("p-1", True, "done")
    writer.add_step(now_at(0), (), StepResult(answers=(answer,)))
    assert writer.claim_order("p-1", 6, 5.0) == answer
    writer.close()


def test_it_is_said_that_a_step_is_safe_only_once_it_is_on_the_medium(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=60.0)
    stored: list[int] = []
    answered = StepResult(answers=(OrderAnswer("p-1", True, "done"),), records=(measure(1),))
    writer.add_step(now_at(0), (), answered, lambda: stored.append(_stored(path)))
    assert writer.flush(5.0)
    assert stored == [1]
    writer.close()


def test_it_is_never_said_of_a_step_that_is_lost_with_its_file(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=60.0)
    said: list[str] = []
    writer.add_step(now_at(0), (), result_with(measure(1)), lambda: said.append("safe"))

    def complain(_journal: Journal) -> None:
        if not writer.replaced:
            raise _called_damaged()

    writer.submit(complain)
    assert writer.flush(5.0)
    assert (said, writer.replaced) == ([], 1)
    writer.close()


def test_a_disk_that_stands_still_never_holds_up_the_caller(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), queue_rows=100)
    gate = threading.Event()
    writer.submit(lambda _journal: gate.wait(10.0))
    _wait_for(lambda: writer.backlog() == 0)
    began_s = time.monotonic()
    for second in range(150):
        writer.add_step(now_at(second), (), result_with(measure(second)))
    with pytest.raises(TimeoutError):
        writer.claim_order("p-1", 5, 0.05)
    assert time.monotonic() - began_s < 1.0
    assert writer.dropped >= 50
    gate.set()
    _wait_for(lambda: writer.backlog() == 0)
    writer.close()
    assert _stored(path) == 100


def test_a_failing_disk_is_told_and_nothing_is_lost_or_doubled_when_it_recovers(path: Path) -> None:
    journal = Journal.open(path)
    journal._connection.execute("PRAGMA busy_timeout = 1")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    writer = JournalWriter(journal, commit_every_s=0.05, retry_after_s=0.02)
    for second in range(1200):
        writer.add_step(now_at(second), (), result_with(measure(second)))
    _wait_for(lambda: writer.trouble is not None)
    other.execute("ROLLBACK")
    other.close()
    _wait_for(lambda: writer.trouble is None)
    assert writer.close()
    reader = Journal.read(path)
    assert [record.seq for record in reader.records()] == list(range(1, 1201))
    assert len(list(reader.steps())) == 1200
    reader.close()


def _called_damaged() -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError("database disk image is malformed")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def test_a_file_that_breaks_in_use_is_set_aside_and_writing_goes_on(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=0.05)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    assert writer.flush(5.0)

    failed: list[bool] = []

    def break_once(journal: Journal) -> None:
        if not failed:
            failed.append(True)
            journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            with path.open("r+b") as file:
                file.write(b"\xff" * 200)
            raise _called_damaged()

    writer.submit(break_once)
    _wait_for(lambda: writer.replaced == 1)
    writer.add_step(now_at(1), (), result_with(measure(2)))
    assert writer.flush(5.0)
    assert _stored(path) == 1
    assert len(list(path.parent.glob("j.sqlite.damaged-*"))) >= 1
    writer.close()


def test_a_whole_file_that_is_called_damaged_once_is_written_on(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=0.05)
    writer.add_step(now_at(0), (), result_with(measure(1)))
    failed: list[bool] = []

    def complain_once(_journal: Journal) -> None:
        if not failed:
            failed.append(True)
            raise _called_damaged()

    writer.submit(complain_once)
    writer.add_step(now_at(1), (), result_with(measure(2)))
    assert writer.flush(5.0)
    assert (_stored(path), writer.replaced) == (2, 0)
    assert not list(path.parent.glob("j.sqlite.damaged-*"))
    writer.close()


def test_a_file_that_is_called_damaged_again_and_again_is_set_aside(path: Path) -> None:
    writer = JournalWriter(Journal.open(path), commit_every_s=0.05)
    complaints: list[int] = []

    def complain(_journal: Journal) -> None:
        complaints.append(1)
        if not writer.replaced:
            raise _called_damaged()

    writer.submit(complain)
    _wait_for(lambda: writer.replaced == 1)
    assert len(complaints) >= 3
    writer.close()


def test_a_medium_without_room_is_seen_before_anything_fails_and_so_is_its_end(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = [1 << 19]
    monkeypatch.setattr(writer_module, "_free_bytes", lambda _path: free[0])
    writer = JournalWriter(Journal.open(path), commit_every_s=0.02)
    _wait_for(lambda: writer.full)
    assert writer.trouble is None
    free[0] = 3 << 19
    time.sleep(0.1)
    assert writer.full, "hardly more room than before"
    free[0] = 3 << 20
    _wait_for(lambda: not writer.full)
    assert writer.close()
