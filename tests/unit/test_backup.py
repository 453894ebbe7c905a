"""A copy of the journal is whole whatever is being written meanwhile, and one put back knows that it is old."""

from __future__ import annotations

import stat
import threading
from pathlib import Path

import pytest

from controller.cli import main
from controller.errors import ConfigurationError, OperatingError
from controller.service import backup
from controller.service.backup import back_up, bring_back
from controller.service.journal import Journal
from controller.service.lock import InstanceLock
from tests.unit.journal_data import line, measure, now_at, result_with


def fill(journal: Journal, seconds: range) -> None:
    for second in seconds:
        journal.add_step(now_at(second), (line(second),), result_with(measure(900.0 - second)))
    journal.commit()


def damaged(whole: bytes) -> bytes:
    """A few pages in the middle are not what they were."""
    middle = len(whole) // 2 // 4096 * 4096
    return whole[:middle] + b"\xa5" * 16384 + whole[middle + 16384 :]


def test_a_copy_holds_what_was_committed_and_belongs_to_its_owner_alone(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite")
    fill(journal, range(50))
    copy = back_up(tmp_path / "j.sqlite", tmp_path / "copy.sqlite")
    assert (copy.newest_seq, copy.last_wall_ms) == (50, now_at(49).wall_ms)
    assert stat.S_IMODE(copy.path.stat().st_mode) == 0o600
    read = Journal.read(copy.path)
    assert [r.json for r in read.records()] == [r.json for r in journal.records()]
    assert list(read.steps()) == list(journal.steps())
    assert not list(tmp_path.glob("copy*-wal"))


def test_a_copy_made_while_the_controller_writes_is_one_instant_of_the_journal(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    Journal.open(path).close()
    stopping = threading.Event()

    def write() -> None:
        journal = Journal.open(path)
        second = 0
        while not stopping.is_set():
            fill(journal, range(second, second + 20))
            second += 20
        journal.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [back_up(path, tmp_path / f"copy-{number}.sqlite") for number in range(5)]
    finally:
        stopping.set()
        writer.join()
    for copy in copies:
        steps = list(Journal.read(copy.path).steps())
        # Whole commits of twenty steps, each step with its record.
        assert len(steps) == copy.newest_seq
        assert len(steps) % 20 == 0
    assert copies[0].newest_seq < copies[-1].newest_seq


def test_a_copy_never_writes_over_anything(tmp_path: Path) -> None:
    Journal.open(tmp_path / "j.sqlite").close()
    (tmp_path / "copy.sqlite").write_text("precious")
    with pytest.raises(ConfigurationError, match="exists already"):
        back_up(tmp_path / "j.sqlite", tmp_path / "copy.sqlite")
    assert (tmp_path / "copy.sqlite").read_text() == "precious"


def test_no_copy_is_begun_on_a_card_that_it_would_fill(tmp_path: Path) -> None:
    fill(Journal.open(tmp_path / "j.sqlite"), range(50))
    with pytest.raises(OperatingError, match="make room"):
        back_up(tmp_path / "j.sqlite", tmp_path / "copy.sqlite", free_bytes=lambda _directory: 4 * 1024 * 1024)
    assert sorted(p.name for p in tmp_path.iterdir() if "copy" in p.name) == []


def test_a_copy_of_a_damaged_journal_is_not_called_one(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    journal = Journal.open(path)
    fill(journal, range(3000))
    journal.close()
    whole = path.read_bytes()
    path.write_bytes(damaged(whole))
    with pytest.raises(OperatingError):
        back_up(path, tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))


def test_a_journal_brought_back_says_that_the_rest_is_lost_until_something_new_is_written(tmp_path: Path) -> None:
    path, copy = tmp_path / "j.sqlite", tmp_path / "copy.sqlite"
    journal = Journal.open(path)
    fill(journal, range(30))
    back_up(path, copy)
    fill(journal, range(30, 45))
    journal.close()
    aside = bring_back(copy, path, "20260514T053000Z")
    assert aside == tmp_path / "j.sqlite.before-20260514T053000Z"
    assert Journal.read(aside).last_seq == 45
    for _ in range(2):
        # Also after a start that was cut short before it wrote anything.
        opened = Journal.open(path)
        assert opened.recovered
        assert len(list(opened.steps())) == 30
        opened.close()
    opened = Journal.open(path)
    fill(opened, range(45, 46))
    assert [record.seq for record in opened.records()][-1] == 46, "no number is used for two records"
    opened.close()
    assert not Journal.open(path).recovered


def test_a_copy_can_be_brought_to_a_machine_that_has_no_journal(tmp_path: Path) -> None:
    fill(Journal.open(tmp_path / "j.sqlite"), range(30))
    back_up(tmp_path / "j.sqlite", tmp_path / "copy.sqlite")
    new = tmp_path / "new"
    new.mkdir()
    assert bring_back(tmp_path / "copy.sqlite", new / "j.sqlite", "x") is None
    assert len(list(Journal.read(new / "j.sqlite").steps())) == 30


def test_nothing_is_brought_back_under_a_running_controller(tmp_path: Path) -> None:
    fill(Journal.open(tmp_path / "j.sqlite"), range(3))
    back_up(tmp_path / "j.sqlite", tmp_path / "copy.sqlite")
    lock = InstanceLock(tmp_path / "j.sqlite")
    with pytest.raises(ConfigurationError, match="stop that one first"):
        bring_back(tmp_path / "copy.sqlite", tmp_path / "j.sqlite", "x")
    lock.release()


def test_a_damaged_copy_leaves_the_journal_as_it_is(tmp_path: Path) -> None:
    path, copy = tmp_path / "j.sqlite", tmp_path / "copy.sqlite"
    journal = Journal.open(path)
    fill(journal, range(3000))
    back_up(path, copy)
    whole = copy.read_bytes()
    copy.write_bytes(damaged(whole))
    with pytest.raises(OperatingError, match="damaged"):
        bring_back(copy, path, "x")
    assert len(list(Journal.read(path).steps())) == 3000
    assert sorted(p.name for p in tmp_path.glob("j.sqlite*")) == sorted(
        ["j.sqlite", "j.sqlite-shm", "j.sqlite-wal", "j.sqlite.lock"]
    )


def test_a_copy_that_cannot_be_written_leaves_the_journal_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, copy = tmp_path / "j.sqlite", tmp_path / "copy.sqlite"
    fill(Journal.open(path), range(30))
    back_up(path, copy)

    def full(_source: Path, target: Path) -> None:
        target.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup, "_copy_file", full)
    with pytest.raises(OperatingError, match="No space left"):
        bring_back(copy, path, "x")
    assert len(list(Journal.read(path).steps())) == 30
    assert not list(tmp_path.glob("*brought-back*"))


def test_the_commands_say_what_they_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fill(Journal.open(tmp_path / "j.sqlite"), range(30))
    assert main(["backup", str(tmp_path / "j.sqlite"), str(tmp_path)]) == 0
    assert "30 records, the last step of 2026-05-14T05:30:29Z" in capsys.readouterr().out
    (copy,) = tmp_path.glob("j-*.sqlite")
    assert main(["restore", str(copy), str(tmp_path / "j.sqlite")]) == 0
    assert "waters nothing until the next day" in capsys.readouterr().out
