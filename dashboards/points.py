"""Points of all series in the history file: fine ones for some days, hourly ones for a year, daily ones after that.

The finest points of a series are kept beside each other by span and time, so that folding and reading look only at what
they change or want, however much else the file holds.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from dashboards.senml import StreamRecord
from dashboards.series import Bucket, Column, Point, joined

HOUR_MS = 3_600_000
DAY_MS = 86_400_000
FINE_DAYS = 3
HOURLY_DAYS = 400
MAX_SERIES_PER_SITE = 500
FOLDED_READINGS = "folded_readings"
"""A field by which the controller says that a record stands for so many readings."""

POINT_TABLE = """
CREATE TABLE point (
    series INTEGER NOT NULL, span_ms INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,
    PRIMARY KEY (series, span_ms, at_ms)) WITHOUT ROWID;
"""
SCHEMA = f"""
CREATE TABLE series (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, name));
{POINT_TABLE}"""
SPANS = f"(0, {HOUR_MS}, {DAY_MS})"

FOLD = """
INSERT INTO point
SELECT series, :span, at_ms / :span * :span + :span / 2,
    min(low), sum(mean * count) / sum(count), max(high), sum(count)
FROM point WHERE series = :series AND span_ms = :finer AND at_ms < :before GROUP BY at_ms / :span
ON CONFLICT (series, span_ms, at_ms) DO UPDATE SET
    low = min(low, excluded.low), high = max(high, excluded.high),
    mean = (mean * count + excluded.mean * excluded.count) / (count + excluded.count),
    count = count + excluded.count
"""

COLUMNS = f"""
SELECT min(:last, (at_ms - :start) * :count / (:end - :start)) AS slot, min(at_ms), max(at_ms),
    min(low), sum(mean * count) / sum(count), max(high)
FROM point WHERE series = (SELECT id FROM series WHERE site = :site AND name = :name)
    AND span_ms IN {SPANS} AND at_ms BETWEEN :start AND :end
GROUP BY slot ORDER BY slot
"""

PointRow = tuple[int, int, float, float, float, int]


@dataclass(frozen=True, slots=True)
class SeriesInfo:
    """A series and the unit its points are in (SenML name, "" = none)."""

    name: str
    unit: str


class SeriesIds:
    """Numbers of the series in the file, looked up once. Belongs to the connection that writes."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._known: dict[str, dict[str, int]] = {}

    def forget(self) -> None:
        """What was written was rolled back: look everything up again."""
        self._known.clear()

    def of(self, site: str, name: str, unit: str) -> int | None:
        """The number of a series, made when it is new; None when the site has too many already."""
        known = self._known.get(site)
        if known is None:
            rows = self._db.execute("SELECT name, id FROM series WHERE site = ?", (site,))
            known = self._known[site] = dict(rows.fetchall())
        found = known.get(name)
        if found is None and len(known) < MAX_SERIES_PER_SITE:
            sql = "INSERT INTO series (site, name, unit) VALUES (?, ?, ?) RETURNING id"
            found = known[name] = int(self._db.execute(sql, (site, name, unit)).fetchone()[0])
        return found


def rows_of(ids: SeriesIds, site: str, record: StreamRecord) -> Iterable[PointRow]:
    """A record of readings as rows for `keep`; texts have no place in a series."""
    weight = record.fields.get(FOLDED_READINGS)
    count = int(weight.value) if weight is not None and isinstance(weight.value, float) and weight.value >= 1 else 1
    for name, value in record.fields.items():
        if isinstance(value.value, str) or name == FOLDED_READINGS:
            continue
        series = ids.of(site, name, value.unit)
        if series is not None:
            number = float(value.value)
            yield series, record.at_ms, number, number, number, count


def keep(db: sqlite3.Connection, rows: Iterable[PointRow]) -> None:
    """Write readings inside the caller's transaction; one of the same series and time is replaced."""
    db.executemany("INSERT OR REPLACE INTO point VALUES (?, 0, ?, ?, ?, ?, ?)", rows)


def to_fold(db: sqlite3.Connection, finer_ms: int, before_ms: int) -> list[int]:
    """Series that have points of a span older than `before_ms`."""
    sql = (
        "SELECT id FROM series WHERE EXISTS "
        "(SELECT 1 FROM point WHERE series = series.id AND span_ms = ? AND at_ms < ?)"
    )
    return [row[0] for row in db.execute(sql, (finer_ms, before_ms))]


def fold_series(db: sqlite3.Connection, series: int, finer_ms: int, span_ms: int, before_ms: int) -> None:
    """Points of one span older than `before_ms` become coarser ones, merged with what is folded there already.

    Extremes, counts and the weighted mean are kept. Inside the caller's transaction.
    """
    db.execute(FOLD, {"series": series, "finer": finer_ms, "span": span_ms, "before": before_ms})
    db.execute("DELETE FROM point WHERE series = ? AND span_ms = ? AND at_ms < ?", (series, finer_ms, before_ms))


def series_of(db: sqlite3.Connection, site: str) -> list[SeriesInfo]:
    rows = db.execute("SELECT name, unit FROM series WHERE site = ? ORDER BY name", (site,))
    return [SeriesInfo(*row) for row in rows]


def read_points(db: sqlite3.Connection, site: str, name: str, from_ms: int, to_ms: int) -> list[Point]:
    """Points of a series in order of time, both ends included; empty for an unknown series."""
    rows = db.execute(
        "SELECT at_ms, low, mean, high, count FROM point WHERE series = "
        f"(SELECT id FROM series WHERE site = ? AND name = ?) AND span_ms IN {SPANS} AND at_ms BETWEEN ? AND ?",
        (site, name, from_ms, to_ms),
    ).fetchall()
    rows.sort()
    return [Point(*row) for row in rows]


def read_columns(
    db: sqlite3.Connection, site: str, name: str, start_ms: int, end_ms: int, count: int, gap_ms: int
) -> list[list[Column]]:
    """A stretch of a series as runs of `count` columns, merged by the database: a year costs what its columns cost."""
    wanted = {"site": site, "name": name, "start": start_ms, "end": end_ms, "count": count, "last": count - 1}
    return joined(map(Bucket._make, db.execute(COLUMNS, wanted)), gap_ms)
