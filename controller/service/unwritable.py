"""Starting on a journal that cannot be written: what is read all the same, and whether today's water is known then.

A full card, a file system that went read-only or a medium that fails must not leave a garden dry. What can be read is
read, what happens waits in memory until the medium takes it, and while it is not known what today has had, nothing is
watered before the next midnight.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from controller.errors import OperatingError, PumphouseError
from controller.irrigate.due import wall_to_instant_ms, zone_info
from controller.service.journal import Journal, is_sound, lay_out

SHORT_STOP_MS = 10 * 60_000
"""A machine that went down and came up within this had no other life in between (own choice)."""

Reach = Literal["written", "only read", "not read"]


class FoundAgainError(Exception):
    """A journal that could not be read at the start is there after all: it knows more than this process does."""


class StandInJournal(Journal):
    """In place of a journal that cannot be read: empty, takes nothing; what happens gathers in its memory.

    As soon as the medium lets it, it becomes a fresh file where there is none. Where there is one, it is not written:
    `connect_again` raises FoundAgainError.
    """

    def __init__(self, path: Path) -> None:
        connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        lay_out(connection)
        super().__init__(connection, path, bulk=False)
        connection.execute("PRAGMA query_only = ON")
        self.recovered = True

    def connect_again(self) -> None:
        if _has_content(self.path):
            try:
                is_sound(self.path)
            except PumphouseError as error:
                raise sqlite3.OperationalError(str(error)) from error
            raise FoundAgainError
        super().connect_again()


@dataclass(frozen=True, slots=True)
class Opening:
    """A journal as far as it could be opened, and why no further."""

    journal: Journal
    reach: Reach
    trouble: str | None = None


def open_as_far_as_it_goes(path: Path, stamp: str) -> Opening:
    """The journal to be written, or only to be read, or an empty stand-in.

    Raises ConfigurationError for a file that is not ours, or that another program is writing.
    """
    there = os.path.exists(path)  # Unlike a Path it takes a medium that fails for an answer.
    try:
        journal = Journal.open(path, stamp=stamp)
    except (OperatingError, sqlite3.Error, OSError) as error:
        if not there and not _has_content(path):
            # The empty file of an attempt would look like a damaged journal to the next start.
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        return _opened_to_read(path, f"the journal cannot be written: {error}")
    try:
        # Only a write tells whether the medium takes one.
        journal.set_meta("opened", stamp)
    except sqlite3.Error as error:
        return Opening(journal, "only read", f"the journal cannot be written: {error}")
    return Opening(journal, "written")


def _opened_to_read(path: Path, trouble: str) -> Opening:
    if not _has_content(path):
        return Opening(StandInJournal(path), "not read", trouble)
    try:
        return Opening(Journal.read_still(path), "only read", trouble)
    except (sqlite3.Error, OSError) as error:
        return Opening(StandInJournal(path), "not read", f"{trouble}; nor can it be read: {error}")


def _has_content(path: Path) -> bool:
    try:
        return path.stat().st_size > 0
    except FileNotFoundError:
        return False
    except OSError:
        return True  # Something is there that the medium does not let us see.


@dataclass(frozen=True, slots=True)
class Start:
    """What is known of today's water when the controller starts. Times are wall times in milliseconds."""

    reach: Reach
    left_unrecorded: bool
    """An earlier life on this boot of the machine watered without being able to write it down."""
    same_boot: bool
    """The journal was last written on this boot of the machine."""
    recorded_until_ms: int
    """0: nothing is recorded."""
    booted_ms: int
    midnight_ms: int
    """When the present local day began."""
    time_known: bool


def unknown_because(start: Start) -> str:
    """Why it is not known what today has had; empty when it is known."""
    if start.left_unrecorded:
        return "before this start it was watered while nothing could be recorded"
    if start.reach == "written":
        return ""
    if start.reach == "not read":
        return "the journal cannot be read"
    if not start.recorded_until_ms:
        return "the journal is empty and cannot be written"
    if start.same_boot:
        return ""
    if start.time_known and (
        start.booted_ms <= start.midnight_ms or start.booted_ms - start.recorded_until_ms <= SHORT_STOP_MS
    ):
        return ""
    return "the journal cannot be written, and what happened between its end and this start is not known"


def day_began_ms(wall_ms: int, time_zone: str) -> int:
    """Wall time at which the local day of an instant began."""
    zone = zone_info(time_zone)
    today = datetime.fromtimestamp(wall_ms / 1000.0, zone).date()
    return wall_to_instant_ms(datetime(today.year, today.month, today.day), zone)


class UnrecordedMark:
    """A small file in memory (gone with the next boot): water was given that the journal does not hold."""

    def __init__(self, journal: Path, environment: Mapping[str, str] = os.environ) -> None:
        """In the service manager's directory for this (RUNTIME_DIRECTORY), else in shared memory."""
        directory = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0] or "/dev/shm"
        name = hashlib.sha256(str(journal.absolute()).encode()).hexdigest()[:16]
        self.path = Path(directory) / f"pumphouse-unrecorded-{name}"

    def is_set(self) -> bool:
        return self.path.exists()

    def set(self) -> None:
        with contextlib.suppress(OSError):  # Without it a start is less sure of what it knows, no more.
            self.path.touch(mode=0o600)

    def clear(self) -> None:
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)
