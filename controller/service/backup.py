"""A journal copied while it is being written, and a copy put back in its place.

The copy is one consistent instant of the journal (SQLite's backup, which reads like any other reader and never holds up
the writer), checked before it gets its name. What happened after that instant is not in it: a controller that starts
with a copy brought back waters nothing until the next day, because what today used up is not known.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.errors import ConfigurationError, OperatingError
from controller.service.journal import Journal
from controller.service.lock import InstanceLock

PARTS = ("", "-wal", "-shm")
SPARE_BYTES = 4 * 1024 * 1024
"""Room to leave free beside a copy: a full card stops the journal that is being written, too (own choice)."""


@dataclass(frozen=True, slots=True)
class Copy:
    """A finished copy: where it is, how large, the newest record's number and the time of the last step in it."""

    path: Path
    size_bytes: int
    newest_seq: int
    last_wall_ms: int


def back_up(journal: Path, to: Path, free_bytes: Callable[[Path], int] | None = None) -> Copy:
    """Copy a journal, running or not, to a new file `to` that only its owner may read.

    Raises ConfigurationError when there is no journal or `to` exists; OperatingError when the medium is full or fails,
    or the copy is not sound. A copy that failed leaves nothing behind.
    """
    if to.exists():
        raise ConfigurationError(f"{to}: exists already; give a copy a name of its own")
    needed = sum(_size(Path(f"{journal}{part}")) for part in PARTS) + SPARE_BYTES
    there_is = (free_bytes or _free_bytes)(to.parent)
    if there_is < needed:
        raise OperatingError(f"{to.parent}: {there_is // 1024} KiB are free, a copy needs {needed // 1024}; make room")
    Journal.read(journal).close()
    unfinished = to.with_name(f"{to.name}.unfinished")
    try:
        unfinished.unlink(missing_ok=True)
        os.close(os.open(unfinished, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with (
            closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True, timeout=10.0)) as source,
            closing(sqlite3.connect(unfinished)) as target,
        ):
            source.backup(target)
            # One file by itself: a copy is carried about without its companions.
            target.execute("PRAGMA journal_mode = DELETE")
        found = _checked(unfinished)
        _to_medium(unfinished)
        unfinished.rename(to)
        _to_medium(to.parent)
    except (OSError, sqlite3.Error) as error:
        unfinished.unlink(missing_ok=True)
        raise OperatingError(f"{to}: the copy failed ({error})") from error
    except OperatingError:
        unfinished.unlink(missing_ok=True)
        raise
    return Copy(to, to.stat().st_size, *found)


def bring_back(copy: Path, journal: Path, stamp: str) -> Path | None:
    """Put a copy in a journal's place, whose files are renamed `<name>.before-<stamp>`; returns that name, if any.

    Raises ConfigurationError when the controller runs, or the copy is no journal; OperatingError when the copy is
    damaged or cannot be written. Until everything is in place the old journal stays as it was.
    """
    lock = InstanceLock(journal)
    try:
        _checked(copy)
        fresh = journal.with_name(f"{journal.name}.brought-back")
        try:
            _copy_file(copy, fresh)
            with closing(Journal.open(fresh)) as opened:
                opened.continue_after(_last_seq(journal))
                opened.mark_lost()
            for part in PARTS[1:]:
                Path(f"{fresh}{part}").unlink(missing_ok=True)
            _to_medium(fresh)
        except (OSError, sqlite3.Error) as error:
            fresh.unlink(missing_ok=True)
            raise OperatingError(f"{journal}: the copy cannot be put there ({error})") from error
        return _exchange(fresh, journal, stamp)
    finally:
        lock.release()


def _exchange(fresh: Path, journal: Path, stamp: str) -> Path | None:
    """The old journal's companions go with it: beside another journal they would be taken for that one's."""
    aside = journal.with_name(f"{journal.name}.before-{stamp}") if journal.exists() else None
    for part in PARTS:
        old = Path(f"{journal}{part}")
        if old.exists():
            old.rename(journal.with_name(f"{journal.name}.before-{stamp}{part}"))
    fresh.rename(journal)
    _to_medium(journal.parent)
    return aside


def _last_seq(journal: Path) -> int:
    """How far the records of the journal to be replaced got; 0 when it is not there or cannot be read any more."""
    try:
        with closing(Journal.read(journal)) as replaced:
            return replaced.last_seq
    except (ConfigurationError, sqlite3.Error):
        return 0


def _checked(path: Path) -> tuple[int, int]:
    """Newest record and time of a copy's last step. Raises OperatingError when it is not whole."""
    journal = Journal.read(path)
    try:
        problem = journal.problem()
        if problem:
            raise OperatingError(f"{path}: the copy is damaged ({problem}); take another one")
        return journal.newest_seq(), journal.newest_wall_ms()
    except sqlite3.Error as error:
        raise OperatingError(f"{path}: the copy is damaged ({error}); take another one") from error
    finally:
        journal.close()


def _copy_file(source: Path, target: Path) -> None:
    target.unlink(missing_ok=True)
    with (
        source.open("rb") as reading,
        os.fdopen(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as to,
    ):
        while block := reading.read(1024 * 1024):
            to.write(block)


def _to_medium(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _free_bytes(directory: Path) -> int:
    try:
        found = os.statvfs(directory)
    except OSError as error:
        raise ConfigurationError(f"{directory}: cannot be written to ({error.strerror})") from error
    return found.f_bavail * found.f_frsize
