"""The page's own history in one SQLite file: numbered records of each site's journal and points of its series.

Everything here can be asked for again from the site, so the file may be deleted at any time. Numbers and points of one
pack are committed together: after a crash a record is either wholly there or still missing and asked for.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass

from controller.errors import OperatingError
from dashboards.coverage import Arrival, Coverage, Stretch
from dashboards.senml import StreamRecord, Value
from dashboards.series import Point

HOUR_MS = 3_600_000
DAY_MS = 86_400_000
RAW_DAYS = 3
HOURLY_DAYS = 400
SCHEMA_VERSION = 1
MAX_SERIES_PER_SITE = 500

SCHEMA = """
CREATE TABLE epoch (site TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE covered (
    site TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    earliest_ms INTEGER NOT NULL, latest_ms INTEGER NOT NULL, PRIMARY KEY (site, first)) WITHOUT ROWID;
CREATE TABLE record (
    site TEXT NOT NULL, epoch INTEGER NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL, key TEXT NOT NULL, fields TEXT NOT NULL, PRIMARY KEY (site, epoch, seq)) WITHOUT ROWID;
CREATE INDEX record_by_kind ON record (site, kind, at_ms);
CREATE TABLE series (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, name));
CREATE TABLE point (
    series INTEGER NOT NULL, at_ms INTEGER NOT NULL, span_ms INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,
    PRIMARY KEY (series, at_ms, span_ms)) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Added:
    """What became of a pack's records."""

    new: int
    duplicate: int
    restarted: bool


@dataclass(frozen=True, slots=True)
class SeriesInfo:
    """A series and the unit its points are in (SenML name, "" = none)."""

    name: str
    unit: str


class HistoryStore:
    """One writer, any number of reading threads; every method may be called from any thread."""

    def __init__(self, path: str) -> None:
        """Open or create. Raises OperatingError when the file cannot be used."""
        self._lock = threading.Lock()
        try:
            self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._prepare(path)
        except sqlite3.Error as error:
            raise OperatingError(
                f"history file {path}: {error}. Name another file with --store, or delete this one: "
                "the site sends again what it still keeps."
            ) from error
        self._coverage: dict[str, Coverage] = {}
        self._series_ids: dict[tuple[str, str], int] = {}

    def _prepare(self, path: str) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            self._db.executescript(f"BEGIN; {SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        elif version != SCHEMA_VERSION:
            self._db.close()
            raise OperatingError(
                f"history file {path} has layout {version}, this program knows {SCHEMA_VERSION}. "
                "Name another file with --store, or delete this one: the site sends again what it still keeps."
            )

    def close(self) -> None:
        with self._lock:
            self._db.close()

    # --- writing ---

    def add(self, site: str, records: Sequence[StreamRecord]) -> Added:
        """Keep what is new. A number that contradicts what is known begins a new count of the same site."""
        new, duplicate, restarted = 0, 0, False
        with self._lock:
            coverage = self._covered(site)
            with self._transaction():
                for record in records:
                    dated_ms = record.at_ms if record.kind else None
                    arrival = coverage.add(record.seq, dated_ms)
                    if arrival is Arrival.CONTRADICTION:
                        coverage = self._restart(site)
                        restarted = True
                        arrival = coverage.add(record.seq, dated_ms)
                    if arrival is Arrival.NEW:
                        self._keep(site, record)
                        new += 1
                    else:
                        duplicate += 1
                if new:
                    self._write_covered(site, coverage)
        return Added(new, duplicate, restarted)

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
            self._series_ids.clear()
            raise

    def _restart(self, site: str) -> Coverage:
        self._db.execute(
            "INSERT INTO epoch VALUES (?, 1) ON CONFLICT (site) DO UPDATE SET number = number + 1", (site,)
        )
        self._coverage[site] = Coverage()
        return self._coverage[site]

    def _keep(self, site: str, record: StreamRecord) -> None:
        if record.kind == "measure":
            for name, value in record.fields.items():
                self._keep_point(site, name, value, record.at_ms)
        elif record.kind:
            fields = json.dumps({name: [v.value, v.unit] for name, v in record.fields.items()})
            self._db.execute(
                "INSERT OR REPLACE INTO record "
                "VALUES (?, coalesce((SELECT number FROM epoch WHERE site = ?), 0), ?, ?, ?, ?, ?)",
                (site, site, record.seq, record.at_ms, record.kind, record.key, fields),
            )

    def _keep_point(self, site: str, name: str, value: Value, at_ms: int) -> None:
        if isinstance(value.value, str):
            return
        number = float(value.value)
        series = self._series_id(site, name, value.unit)
        if series is not None:
            self._db.execute(
                "INSERT OR REPLACE INTO point VALUES (?, ?, 0, ?, ?, ?, 1)", (series, at_ms, number, number, number)
            )

    def _series_id(self, site: str, name: str, unit: str) -> int | None:
        known = self._series_ids.get((site, name))
        if known is not None:
            return known
        row = self._db.execute("SELECT id FROM series WHERE site = ? AND name = ?", (site, name)).fetchone()
        if row is None:
            count = self._db.execute("SELECT count(*) FROM series WHERE site = ?", (site,)).fetchone()[0]
            if count >= MAX_SERIES_PER_SITE:
                return None
            row = self._db.execute(
                "INSERT INTO series (site, name, unit) VALUES (?, ?, ?) RETURNING id", (site, name, unit)
            ).fetchone()
        self._series_ids[(site, name)] = int(row[0])
        return int(row[0])

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
        """Old readings become hourly points, very old ones daily points; extremes and counts are kept."""
        with self._lock:
            self._fold(HOUR_MS, now_ms - RAW_DAYS * DAY_MS)
            self._fold(DAY_MS, now_ms - HOURLY_DAYS * DAY_MS)

    def _fold(self, span_ms: int, before_ms: int) -> None:
        """Points finer than `span_ms` and older than `before_ms`, merged per span with what is folded there already."""
        before_ms -= before_ms % span_ms
        with self._transaction():
            self._db.execute(
                "CREATE TEMP TABLE folded AS SELECT series, at_ms / :span * :span + :span / 2 AS at_ms, "
                "min(low) AS low, sum(mean * count) / sum(count) AS mean, max(high) AS high, sum(count) AS count, "
                "min(span_ms) AS finest "
                "FROM point WHERE at_ms < :before AND span_ms <= :span GROUP BY series, at_ms / :span "
                "HAVING finest < :span",
                {"span": span_ms, "before": before_ms},
            )
            self._db.execute(
                "DELETE FROM point WHERE at_ms < ? AND span_ms <= ? "
                "AND (series, at_ms / ? * ? + ? / 2) IN (SELECT series, at_ms FROM folded)",
                (before_ms, span_ms, span_ms, span_ms, span_ms),
            )
            self._db.execute(
                "INSERT INTO point SELECT series, at_ms, ?, low, mean, high, count FROM folded", (span_ms,)
            )
            self._db.execute("DROP TABLE folded")

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
        with self._lock:
            rows = self._db.execute("SELECT name, unit FROM series WHERE site = ? ORDER BY name", (site,)).fetchall()
        return [SeriesInfo(*row) for row in rows]

    def points(self, site: str, name: str, from_ms: int, to_ms: int) -> list[Point]:
        """Points of a series in order of time, both ends included; empty for an unknown series."""
        with self._lock:
            rows = self._db.execute(
                "SELECT at_ms, low, mean, high, count FROM point WHERE series = "
                "(SELECT id FROM series WHERE site = ? AND name = ?) AND at_ms BETWEEN ? AND ? ORDER BY at_ms",
                (site, name, from_ms, to_ms),
            ).fetchall()
        return [Point(*row) for row in rows]

    def records(
        self, site: str, kinds: Sequence[str], from_ms: int, to_ms: int, limit: int = 10_000
    ) -> list[StreamRecord]:
        """Records of some kinds, the newest first."""
        marks = ",".join("?" * len(kinds))
        with closing(self._db.cursor()) as cursor, self._lock:
            rows = cursor.execute(
                f"SELECT seq, at_ms, kind, key, fields FROM record WHERE site = ? AND kind IN ({marks}) "
                "AND at_ms BETWEEN ? AND ? ORDER BY at_ms DESC, epoch DESC, seq DESC LIMIT ?",
                (site, *kinds, from_ms, to_ms, limit),
            ).fetchall()
        return [
            StreamRecord(seq, at_ms, kind, key, {name: Value(*pair) for name, pair in json.loads(fields).items()})
            for seq, at_ms, kind, key, fields in rows
        ]
