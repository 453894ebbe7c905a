"""The journal's one writing thread: the control loop hands over rows and never waits for the disk.

Readings gather for some seconds before they are committed, because every commit wears the flash; what must survive a
power cut is committed and synced at once. When the disk stalls, rows wait in a bounded queue; when that is full, rows
are dropped and counted, and a checkpoint afterwards lets replay go on behind the hole.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from controller.contract import Now, OrderAnswer, Record, StepResult
from controller.errors import PumphouseError
from controller.service.codec import Entry
from controller.service.journal import Journal, is_damage, is_read_only
from controller.service.unwritable import FoundAgainError, UnrecordedMark

QUEUE_ROWS = 20_000
COMMIT_AT_REST_S = 120.0
"""With everything off the board reports once a minute; every commit writes whole pages to the flash."""
COMMIT_BUSY_S = 5.0
RETRY_AFTER_S = 5.0
LOOK_EVERY_S = 10.0
"""How often it is seen whether there is room; at rest, also whether the medium would take a commit (own choice)."""
LEAST_FREE_BYTES = 1 << 20
FREE_AGAIN_BYTES = 2 << 20
DOUBTED_DAMAGE = 2
"""So often a file said to be damaged is looked at, and used on when it is whole (own choice)."""
URGENT_KINDS = frozenset(
    {"order", "delivery", "start", "fault", "schedule", "look", "day", "ledger", "link", "journal"}
)

Work = Callable[[Journal], object]


def is_urgent(result: StepResult) -> bool:
    """Whether a step must be on the medium at once: an order was answered, or what came of it must survive."""
    return bool(result.answers) or any(record.kind in URGENT_KINDS for record in result.records)


class JournalWriter:
    """Owns the journal in its own thread. All methods return at once unless they say otherwise."""

    def __init__(
        self,
        journal: Journal,
        commit_every_s: float = COMMIT_AT_REST_S,
        queue_rows: int = QUEUE_ROWS,
        retry_after_s: float = RETRY_AFTER_S,
        trouble: str | None = None,
        mark: UnrecordedMark | None = None,
    ) -> None:
        """`trouble`: why the journal could not be written when it was opened. `mark`: where it is noted that water is
        given while nothing can be recorded."""
        self.path: Path = journal.path
        self.dropped = 0
        self.trouble = trouble
        """Why the last attempt to write failed; None while all is well."""
        self.full = False
        """There is next to no room left; what is overwritten in place may still find some."""
        self.found_again = False
        """A journal that could not be read at the start is there: only a new start brings back what it knows."""
        self.reopened = 0
        """How often the file was opened anew; who reads it has to do the same."""
        self.replaced = 0
        """How often the file broke in use and was replaced by a fresh one, which then needs a checkpoint."""
        self.last_seq = journal.last_seq
        self._retry_after_s = retry_after_s
        self._look_every_s = min(commit_every_s, LOOK_EVERY_S)
        self._looked_s = -LOOK_EVERY_S
        self._anew = False
        self._when_safe: list[Callable[[], None]] = []
        self._mark = mark
        self._marked = mark is not None and mark.is_set()
        self._journal = journal
        self._at_rest_s = commit_every_s
        self._busy_s = min(commit_every_s, COMMIT_BUSY_S)
        self._commit_every_s = self._busy_s
        self._last_commit_s = time.monotonic()
        self._queue: queue.Queue[tuple[Work, bool]] = queue.Queue(queue_rows)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def add_step(
        self, now: Now, entries: Sequence[Entry], result: StepResult, when_safe: Callable[[], None] | None = None
    ) -> None:
        """Hand over one step; committed at once when an order, a delivery, a fault or the like came of it.

        `when_safe` is called from the writing thread as soon as the step is on the medium, and never when it is not.
        """
        self._commit_every_s = self._busy_s if result.outputs.any_on else self._at_rest_s
        if result.outputs.any_on and self.trouble is not None and self._mark is not None and not self._marked:
            self._mark.set()
            self._marked = True

        def add(journal: Journal) -> None:
            journal.add_step(now, entries, result)
            if when_safe is not None:
                self._when_safe.append(when_safe)

        self.submit(add, urgent=is_urgent(result))

    def add_record(self, now: Now, record: Record) -> None:
        self.submit(lambda journal: journal.add_record(now, record), urgent=record.kind in URGENT_KINDS)

    def submit(self, work: Work, *, urgent: bool = False) -> bool:
        """Queue some work on the journal. False when the queue is full: the work is dropped and counted."""
        try:
            self._queue.put_nowait((work, urgent))
        except queue.Full:
            self.dropped += 1
            return False
        return True

    def claim_order(self, order_id: str, wall_ms: int, timeout_s: float) -> OrderAnswer | None:
        """Reserve an order id on the medium, waiting for it. None: new, act. Raises TimeoutError on a stalled disk."""
        answers: queue.SimpleQueue[OrderAnswer | None] = queue.SimpleQueue()
        self.submit(lambda journal: answers.put(journal.claim_order(order_id, wall_ms)), urgent=True)
        try:
            return answers.get(timeout=timeout_s)
        except queue.Empty:
            raise TimeoutError("the journal could not be written in time") from None

    def backlog(self) -> int:
        """Pieces of work waiting."""
        return self._queue.qsize()

    def flush(self, timeout_s: float) -> bool:
        """Wait until everything handed over so far is committed and synced. False when it took too long."""
        done = threading.Event()

        def commit(journal: Journal) -> None:
            journal.commit(durable=True)
            done.set()

        return self.submit(commit, urgent=True) and done.wait(timeout_s)

    def close(self, timeout_s: float = 10.0) -> bool:
        """Commit what is there and end the thread. False when the disk did not let it."""
        self._stopping.set()
        self.submit(lambda _journal: None, urgent=True)
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while True:
            urgent = self._take()
            if self._insist(lambda journal: journal.commit(durable=urgent)):  # noqa: B023 - runs at once
                while self._when_safe:
                    self._when_safe.pop(0)()
            self._last_commit_s = time.monotonic()
            self.last_seq = self._journal.last_seq
            self._forget_mark()
            if self._stopping.is_set() and self._queue.empty():
                self._insist(lambda journal: journal.close())
                return

    def _forget_mark(self) -> None:
        if self._marked and self.trouble is None and self._queue.empty() and self._mark is not None:
            self._mark.clear()
            self._marked = False

    def _take(self) -> bool:
        """Do queued work until an urgent piece was done or a commit is due. Whether one was urgent."""
        while True:
            self._look_for_room()
            left_s = self._last_commit_s + self._commit_every_s - time.monotonic()
            if left_s <= 0.0:
                return False
            look_s = max(0.0, self._looked_s + self._look_every_s - time.monotonic())
            try:
                work, urgent = self._queue.get(timeout=min(left_s, look_s))
            except queue.Empty:
                if _takes_little(self.path):
                    return False
                continue
            self._insist(work)
            if urgent:
                return True

    def _look_for_room(self) -> None:
        if self.trouble is None and time.monotonic() - self._looked_s < self._look_every_s:
            return
        self._looked_s = time.monotonic()
        free_bytes = _free_bytes(self.path)
        if free_bytes is not None:
            self.full = free_bytes < (FREE_AGAIN_BYTES if self.full else LEAST_FREE_BYTES)

    def _insist(self, work: Work) -> bool:
        """Try until it works; meanwhile the queue fills, which is bounded. Given up, and False, only while stopping."""
        times_damaged = 0
        failed = False
        while True:
            transactions = self._journal.transactions
            try:
                work(self._journal)
            except sqlite3.Error as error:
                failed = True
                self.trouble = f"the journal cannot be written: {error}"
                if is_damage(error):
                    times_damaged += 1
                    if times_damaged > DOUBTED_DAMAGE or not self._reconnected():
                        self._replace_journal()
                elif self._stopping.wait(self._retry_after_s):
                    return False
                elif is_read_only(error):
                    self._connect_again()
            else:
                if failed or self._journal.transactions != transactions:
                    # Work that only gathers in memory says nothing about the medium.
                    self._all_well()
                return True

    def _all_well(self) -> None:
        if self.trouble is not None:
            self._look_for_room()
        self.trouble = None
        if self._anew:
            self._anew = False
            self.reopened += 1

    def _connect_again(self) -> None:
        with contextlib.suppress(sqlite3.Error):  # The next try says so again.
            try:
                self._journal.connect_again()
            except FoundAgainError:
                self.found_again = True
            else:
                self._anew = True

    def _reconnected(self) -> bool:
        """Whether the journal is whole after all."""
        try:
            return self._journal.reconnected()
        except (sqlite3.Error, PumphouseError):
            return False

    def _replace_journal(self) -> None:
        """The file broke while in use: set it aside and go on with a fresh one, which `replaced` tells the daemon."""
        stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
        self._when_safe.clear()  # It never will be.
        try:
            self._journal = self._journal.replaced_by_fresh(stamp)
        except (sqlite3.Error, OSError, PumphouseError) as error:
            self.trouble = f"the damaged journal cannot be replaced: {error}"
            self._stopping.wait(self._retry_after_s)
            return
        self.replaced += 1


def _free_bytes(path: Path) -> int | None:
    try:
        state = os.statvfs(path.parent)
    except OSError:
        return None
    return state.f_bavail * state.f_frsize


def _takes_little(path: Path) -> bool:
    """Whether a medium would hardly take a commit: read-only, or full."""
    free_bytes = _free_bytes(path)
    # A file system that has given up after an error still calls itself writable; asking about a file tells.
    return free_bytes is None or free_bytes < LEAST_FREE_BYTES or not os.access(path, os.W_OK)
