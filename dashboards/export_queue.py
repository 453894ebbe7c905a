"""Records that still have to go to databases: a queue in the history file, and for each database how far it has come.

A record enters the queue in the transaction that keeps it in the history, and leaves it when every database has
confirmed it. So nothing is lost over a restart of either side; what is written twice is the same point.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
from collections.abc import Mapping
from dataclasses import dataclass

from controller.errors import OperatingError
from dashboards.senml import StreamRecord, Value

log = logging.getLogger("pumphouse.export")

MOST_POINTS_GIVEN = 2_000_000
"""A database that is new is given the history there is, unless that is more."""

SCHEMA = """
CREATE TABLE IF NOT EXISTS outgoing (
    id INTEGER PRIMARY KEY AUTOINCREMENT, site TEXT NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL, key TEXT NOT NULL, fields TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS export_cursor (
    target TEXT PRIMARY KEY, done INTEGER NOT NULL, dropped INTEGER NOT NULL) WITHOUT ROWID;
"""
ALL_SO_FAR = """
INSERT INTO outgoing (site, seq, at_ms, kind, key, fields)
SELECT site, seq, at_ms, kind, key, fields FROM record
UNION ALL
SELECT series.site, 0, point.at_ms, 'measure', '',
    json_object(series.name, json_array(point.mean, series.unit)) FROM point JOIN series ON series.id = point.series
"""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A record on its way, with its number in the queue."""

    id: int
    site: str
    record: StreamRecord


class ExportQueue:
    """Works on the history file with a connection of its own; every method may be called from any thread."""

    def __init__(self, path: str, most_waiting: Mapping[str, int]) -> None:
        """`most_waiting`: how many records may wait for each database, by its name; a clock could be wrong.

        A database that is new is given all that the history holds. Raises OperatingError when the file cannot be used.
        """
        self._most_waiting = dict(most_waiting)
        self._lock = threading.Lock()
        try:
            self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None, timeout=30.0)
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.executescript(SCHEMA)
            self._begin()
        except sqlite3.Error as error:
            raise OperatingError(f"history file {path}: the queue for databases cannot be used ({error})") from error

    def _begin(self) -> None:
        """Forget databases that are no longer there, and begin with those that are new."""
        known = {row[0] for row in self._db.execute("SELECT target FROM export_cursor")}
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            for gone in known - self._most_waiting.keys():
                self._db.execute("DELETE FROM export_cursor WHERE target = ?", (gone,))
            fresh = self._most_waiting.keys() - known
            if fresh:
                newest = self._db.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'outgoing'")
                done = newest.fetchone()[0]
                if self._db.execute("SELECT count(*) FROM point").fetchone()[0] <= MOST_POINTS_GIVEN:
                    self._db.execute(ALL_SO_FAR)
                else:
                    log.warning("the history is too long to be given to %s: it begins with now", sorted(fresh))
                self._db.executemany("INSERT INTO export_cursor VALUES (?, ?, 0)", [(name, done) for name in fresh])
            self._delete_confirmed()

    def close(self) -> None:
        with self._lock:
            self._db.close()

    def note(self, db: sqlite3.Connection, site: str, record: StreamRecord) -> None:
        """Queue a record inside the transaction of whoever keeps it, on that connection."""
        fields = json.dumps({name: [value.value, value.unit] for name, value in record.fields.items()})
        db.execute(
            "INSERT INTO outgoing (site, seq, at_ms, kind, key, fields) VALUES (?, ?, ?, ?, ?, ?)",
            (site, record.seq, record.at_ms, record.kind, record.key, fields),
        )

    def next_for(self, target: str, most: int) -> list[Outgoing]:
        """The oldest records a database has not confirmed."""
        with self._lock:
            rows = self._db.execute(
                "SELECT id, site, seq, at_ms, kind, key, fields FROM outgoing "
                "WHERE id > (SELECT done FROM export_cursor WHERE target = ?) ORDER BY id LIMIT ?",
                (target, most),
            ).fetchall()
        return [
            Outgoing(
                number,
                site,
                StreamRecord(seq, at_ms, kind, key, {n: Value(*pair) for n, pair in json.loads(fields).items()}),
            )
            for number, site, seq, at_ms, kind, key, fields in rows
        ]

    def confirm(self, target: str, number: int, dropped: int = 0) -> None:
        """A database has everything up to a number; `dropped` of them it will never take."""
        with self._lock, self._db:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute(
                "UPDATE export_cursor SET done = max(done, ?), dropped = dropped + ? WHERE target = ?",
                (number, dropped, target),
            )
            self._delete_confirmed()

    def drop_excess(self, target: str) -> int:
        """Give up the oldest of more records than may wait. How many that were."""
        excess = self.waiting(target) - self._most_waiting[target]
        if excess <= 0:
            return 0
        with self._lock:
            newest = self._db.execute(
                "SELECT id FROM outgoing WHERE id > (SELECT done FROM export_cursor WHERE target = ?) "
                "ORDER BY id LIMIT 1 OFFSET ?",
                (target, excess - 1),
            ).fetchone()[0]
        self.confirm(target, newest, excess)
        return excess

    def waiting(self, target: str) -> int:
        """How many records a database has not confirmed."""
        return self._number(
            "SELECT count(*) FROM outgoing WHERE id > (SELECT done FROM export_cursor WHERE target = ?)", target
        )

    def dropped(self, target: str) -> int:
        """How many records a database did not get and will not."""
        return self._number("SELECT dropped FROM export_cursor WHERE target = ?", target)

    def _number(self, sql: str, target: str) -> int:
        with self._lock:
            return int(self._db.execute(sql, (target,)).fetchone()[0])

    def _delete_confirmed(self) -> None:
        self._db.execute("DELETE FROM outgoing WHERE id <= (SELECT min(done) FROM export_cursor)")
