"""Points of a series, and how many of them become few without hiding a peak or a gap."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Point:
    """A reading, or several folded into one: lowest, mean and highest value around `at_ms` (UTC, since 1970)."""

    at_ms: int
    low: float
    mean: float
    high: float
    count: int = 1


def reading(at_ms: int, value: float) -> Point:
    """A single reading as a point."""
    return Point(at_ms, value, value, value)


def merged(points: Sequence[Point], at_ms: int) -> Point:
    """One point for several: extremes survive, the mean is weighted by how many readings stand behind each point."""
    count = sum(p.count for p in points)
    mean = sum(p.mean * p.count for p in points) / count
    return Point(at_ms, min(p.low for p in points), mean, max(p.high for p in points), count)


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of pixels shows; `index` counts from the left edge of the picture."""

    index: int
    low: float
    mean: float
    high: float


def columns(points: Iterable[Point], start_ms: int, end_ms: int, count: int, gap_ms: int) -> list[list[Column]]:
    """Points between two instants as runs of columns; readings further apart than `gap_ms` start a new run.

    Points must be in order of time. A column without a reading inside a run is left out (the line spans it); between
    runs nothing may be drawn, because nothing is known there.
    """
    width_ms = (end_ms - start_ms) / count
    runs: list[list[Column]] = []
    pending: list[Point] = []
    pending_index = -1
    last_ms: int | None = None

    def flush() -> None:
        if pending:
            whole = merged(pending, pending[0].at_ms)
            runs[-1].append(Column(pending_index, whole.low, whole.mean, whole.high))
            pending.clear()

    for point in points:
        if not start_ms <= point.at_ms <= end_ms:
            continue
        index = min(count - 1, int((point.at_ms - start_ms) / width_ms))
        broken = last_ms is None or point.at_ms - last_ms > gap_ms
        if broken or index != pending_index:
            flush()
        if broken:
            runs.append([])
        pending_index = index
        pending.append(point)
        last_ms = point.at_ms
    flush()
    return runs
