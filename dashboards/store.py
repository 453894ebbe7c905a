"""The page's own history in one SQLite file: numbered records of each site's journal and points of its series.

Everything here can be asked for again from the site, so the file may be deleted at any time. Numbers and points of one
pack are committed together: after a crash a record is either wholly there or still missing and asked for.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from controller.errors import OperatingError
from dashboards import points
from dashboards.coverage import Arrival, Coverage, Stretch
from dashboards.points import FINE_DAYS, HOURLY_DAYS, PointRow, SeriesIds, SeriesInfo
from dashboards.senml import StreamRecord, Value
from dashboards.series import Column, Point

HOUR_MS = points.HOUR_MS
DAY_MS = points.DAY_MS
SCHEMA_VERSION = 2
FOLDED_AT_ONCE = 50
"""Series folded in one transaction: arriving records wait for no more than that."""
PAGES_GIVEN_BACK = 2000
"""Empty pages handed back to the file system at each folding."""
FORGOTTEN_KINDS = ("plan", "refusal", "start", "link")
"""Records of passing interest, dropped after HOURLY_DAYS; water given, days and faults are kept for good."""

SCHEMA = f"""
CREATE TABLE epoch (site TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE covered (
    site TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    earliest_ms INTEGER NOT NULL, latest_ms INTEGER NOT NULL, PRIMARY KEY (site, first)) WITHOUT ROWID;
CREATE TABLE record (
    site TEXT NOT NULL, epoch INTEGER NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL, key TEXT NOT NULL, fields TEXT NOT NULL, PRIMARY KEY (site, epoch, seq)) WITHOUT ROWID;
CREATE INDEX record_by_kind ON record (site, kind, at_ms);
{points.SCHEMA}
"""
FROM_LAYOUT_1 = f"""
ALTER TABLE point RENAME TO old_point;
{points.POINT_TABLE}
INSERT INTO point SELECT series, span_ms, at_ms, low, mean, high, count FROM old_point ORDER BY 1, 2, 3;
DROP TABLE old_point;
"""

AlsoKeep = Callable[[sqlite3.Connection, str, StreamRecord], None]
Batch = Sequence[tuple[str, Sequence[StreamRecord]]]


@dataclass(slots=True)
class Added:
    """What became of a pack's records."""

    new: int = 0
    duplicate: int = 0
    restarted: bool = False


class HistoryStore:
    """One writer, any number of reading threads; every method may be called from any thread.

    Readers have a connection of their own, so that a long look back does not keep arriving records waiting.
    """

    def __init__(self, path: str, fine_days: int = FINE_DAYS) -> None:
        """Open or create. Raises OperatingError when the file cannot be used."""
        self.path = path
        self.also_keep: AlsoKeep | None = None
        """Called for every new record with content, inside the transaction that keeps it."""
        self._fine_days = fine_days
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        try:
            self._db = _connect(path)
            self._db.execute("PRAGMA auto_vacuum = INCREMENTAL")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._prepare(path)
            self._reader = _connect(path)
            self._reader.execute("PRAGMA query_only = ON")
        except sqlite3.Error as error:
            raise OperatingError(
                f"history file {path}: {error}. Name another file with --store, or delete this one: "
                "the site sends again what it still keeps."
            ) from error
        self._coverage: dict[str, Coverage] = {}
        self._ids = SeriesIds(self._db)

    def _prepare(self, path: str) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            self._db.executescript(f"BEGIN; {SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        elif version == 1:
            self._db.executescript(f"BEGIN; {FROM_LAYOUT_1} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        elif version != SCHEMA_VERSION:
            self._db.close()
            raise OperatingError(
                f"history file {path} has layout {version}, this program knows {SCHEMA_VERSION}. "
                "Name another file with --store, or delete this one: the site sends again what it still keeps."
            )

    def close(self) -> None:
        with self._lock, self._reading:
            self._reader.close()
            self._db.close()

    # --- writing ---

    def add(self, site: str, records: Sequence[StreamRecord]) -> Added:
        """Keep what is new. A number that contradicts what is known begins a new count of the same site."""
        return self.add_all([(site, records)])[0]

    def add_all(self, batch: Batch) -> list[Added]:
        """Packs of any sites in one transaction, an answer for each; all of them are kept or none."""
        rows: list[PointRow] = []
        with self._lock, self._transaction():
            done = [self._add(site, records, rows) for site, records in batch]
            points.keep(self._db, rows)
            for site in {site for (site, _), added in zip(batch, done, strict=True) if added.new}:
                self._write_covered(site, self._covered(site))
        return done

    def _add(self, site: str, records: Sequence[StreamRecord], rows: list[PointRow]) -> Added:
        added = Added()
        coverage = self._covered(site)
        for record in records:
            dated_ms = record.at_ms if record.kind else None
            arrival = coverage.add(record.seq, dated_ms)
            if arrival is Arrival.CONTRADICTION:
                coverage = self._restart(site)
                added.restarted = True
                arrival = coverage.add(record.seq, dated_ms)
            if arrival is Arrival.NEW:
                added.new += 1
                self._keep(site, record, rows)
            elif arrival is Arrival.DUPLICATE:
                added.duplicate += 1
        return added

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All or nothing; what is remembered of the file is forgotten with what was not written."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            self._coverage.clear()
            self._ids.forget()
            raise

    def _restart(self, site: str) -> Coverage:
        self._db.execute(
            "INSERT INTO epoch VALUES (?, 1) ON CONFLICT (site) DO UPDATE SET number = number + 1", (site,)
        )
        self._coverage[site] = Coverage()
        return self._coverage[site]

    def _keep(self, site: str, record: StreamRecord, rows: list[PointRow]) -> None:
        if not record.kind:
            return
        if record.kind == "measure":
            rows.extend(points.rows_of(self._ids, site, record))
        else:
            fields = json.dumps({name: [v.value, v.unit] for name, v in record.fields.items()})
            self._db.execute(
                "INSERT OR REPLACE INTO record "
                "VALUES (?, coalesce((SELECT number FROM epoch WHERE site = ?), 0), ?, ?, ?, ?, ?)",
                (site, site, record.seq, record.at_ms, record.kind, record.key, fields),
            )
        if self.also_keep is not None:
            self.also_keep(self._db, site, record)

    def _covered(self, site: str) -> Coverage:
        if site not in self._coverage:
            rows = self._db.execute("SELECT first, last, earliest_ms, latest_ms FROM covered WHERE site = ?", (site,))
            self._coverage[site] = Coverage(Stretch(*row) for row in rows)
        return self._coverage[site]

    def _write_covered(self, site: str, coverage: Coverage) -> None:
        self._db.execute("DELETE FROM covered WHERE site = ?", (site,))
        self._db.executemany(
            "INSERT INTO covered VALUES (?, ?, ?, ?, ?)",
            [(site, s.first, s.last, s.earliest_ms, s.latest_ms) for s in coverage.stretches],
        )

    def fold(self, now_ms: int) -> None:
        """Old readings become hourly points, very old ones daily points; extremes and counts are kept.

        A clock far ahead folds nothing for good: no reading counts as older than the newest record lets it be.
        """
        with self._lock:
            newest_ms = self._db.execute("SELECT coalesce(max(latest_ms), 0) FROM covered").fetchone()[0]
        now_ms = min(now_ms, newest_ms + DAY_MS)
        self._fold(0, HOUR_MS, now_ms - self._fine_days * DAY_MS)
        self._fold(HOUR_MS, DAY_MS, now_ms - HOURLY_DAYS * DAY_MS)
        self._forget(now_ms - HOURLY_DAYS * DAY_MS)
        with self._lock:
            self._db.execute(f"PRAGMA incremental_vacuum({PAGES_GIVEN_BACK})").fetchall()

    def _fold(self, finer_ms: int, span_ms: int, before_ms: int) -> None:
        before_ms -= before_ms % span_ms
        with self._lock:
            series = points.to_fold(self._db, finer_ms, before_ms)
        for start in range(0, len(series), FOLDED_AT_ONCE):
            with self._lock, self._transaction():
                for number in series[start : start + FOLDED_AT_ONCE]:
                    points.fold_series(self._db, number, finer_ms, span_ms, before_ms)

    def _forget(self, before_ms: int) -> None:
        marks = ",".join("?" * len(FORGOTTEN_KINDS))
        sql = f"DELETE FROM record WHERE site = ? AND kind IN ({marks}) AND at_ms < ?"
        with self._lock:
            sites = [row[0] for row in self._db.execute("SELECT DISTINCT site FROM covered")]
            with self._transaction():
                self._db.executemany(sql, [(site, *FORGOTTEN_KINDS, before_ms) for site in sites])

    # --- reading ---

    def missing(self, site: str, newest: int | None) -> list[tuple[int, int]]:
        """Holes from number 1 to the newest known to exist, in order."""
        with self._lock:
            coverage = self._covered(site)
            last = max(newest or 0, coverage.newest or 0)
            return coverage.missing(1, last)

    def newest(self, site: str) -> int | None:
        """Highest number that has arrived from a site, None before the first."""
        with self._lock:
            return self._covered(site).newest

    def series(self, site: str) -> list[SeriesInfo]:
        """What series a site has, by name."""
        with self._reading:
            return points.series_of(self._reader, site)

    def points(self, site: str, name: str, from_ms: int, to_ms: int) -> list[Point]:
        """Points of a series in order of time, both ends included; empty for an unknown series."""
        with self._reading:
            return points.read_points(self._reader, site, name, from_ms, to_ms)

    def columns(self, site: str, name: str, start_ms: int, end_ms: int, count: int, gap_ms: int) -> list[list[Column]]:
        """A stretch of a series as runs of columns, the same that `series.columns` makes of `points`, only sooner."""
        with self._reading:
            return points.read_columns(self._reader, site, name, start_ms, end_ms, count, gap_ms)

    def records(
        self, site: str, kinds: Sequence[str], from_ms: int, to_ms: int, limit: int = 10_000
    ) -> list[StreamRecord]:
        """Records of some kinds, the newest first."""
        marks = ",".join("?" * len(kinds))
        with self._reading:
            rows = self._reader.execute(
                f"SELECT seq, at_ms, kind, key, fields FROM record WHERE site = ? AND kind IN ({marks}) "
                "AND at_ms BETWEEN ? AND ? ORDER BY at_ms DESC, epoch DESC, seq DESC LIMIT ?",
                (site, *kinds, from_ms, to_ms, limit),
            ).fetchall()
        return [
            StreamRecord(seq, at_ms, kind, key, {name: Value(*pair) for name, pair in json.loads(fields).items()})
            for seq, at_ms, kind, key, fields in rows
        ]


def _connect(path: str) -> sqlite3.Connection:
    connection = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
    connection.execute("PRAGMA synchronous = NORMAL")
    return connection
