"""Carries the queue to one database: in order, confirmed, ever more patiently while it does not answer."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

from dashboards.export_points import ExportPoint, points_of
from dashboards.export_queue import ExportQueue
from dashboards.influx import Refused, TryLater

log = logging.getLogger("pumphouse.export")

RECORDS_AT_ONCE = 500
LOOK_EVERY_S = 2.0
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 300.0
COUNT_EVERY = 500
"""Turns between two looks whether more wait than may."""

Write = Callable[[Sequence[ExportPoint]], None]


class Exporter:
    """`turn` does one step and says how long to wait until the next; `start` has a thread do it."""

    def __init__(self, name: str, queue: ExportQueue, write: Write) -> None:
        """`write` returns when the points are confirmed; it raises TryLater or Refused."""
        self.name = name
        self.problem = ""
        self._queue = queue
        self._write = write
        self._at_once = RECORDS_AT_ONCE
        self._failures = 0
        self._turns = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"export {name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=20)

    def _run(self) -> None:
        wait_s = 0.0
        while not self._stopping.wait(wait_s):
            try:
                wait_s = self.turn()
            except Exception:
                log.exception("export to %s", self.name)
                wait_s = LONGEST_PAUSE_S

    def turn(self) -> float:
        """Write the next records. Seconds until the next turn: none while there may be more."""
        if self._turns % COUNT_EVERY == 0 and (dropped := self._queue.drop_excess(self.name)):
            log.warning("%s: too many records wait, the oldest %s are not written", self.name, dropped)
        self._turns += 1
        records = self._queue.next_for(self.name, self._at_once)
        if not records:
            return LOOK_EVERY_S
        points = [point for entry in records for point in points_of(entry.site, entry.record)]
        try:
            if points:
                self._write(points)
        except TryLater as later:
            return self._pause(str(later), later.after_s)
        except Refused as refused:
            return self._narrow(len(records), records[-1].id, str(refused))
        self._queue.confirm(self.name, records[-1].id)
        self._note("")
        self._failures = 0
        self._at_once = min(RECORDS_AT_ONCE, 2 * self._at_once)
        return 0.0

    def _pause(self, reason: str, after_s: float | None) -> float:
        self._note(reason)
        self._failures += 1
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(self._failures - 1, 10))
        return pause_s if after_s is None else max(pause_s, min(after_s, 3600.0))

    def _narrow(self, count: int, newest: int, reason: str) -> float:
        """Something among them is refused for good: halve until it is alone, then leave it out and count it."""
        if count > 1:
            self._at_once = count // 2
            return 0.0
        log.warning("%s will never take one record, it is left out: %s", self.name, reason)
        self._queue.confirm(self.name, newest, dropped=1)
        return 0.0

    def _note(self, problem: str) -> None:
        """Tell the log when the state of things changes, not at every attempt."""
        if problem and problem != self.problem:
            log.warning("%s is not written for now: %s", self.name, problem)
        self.problem = problem
