"""Points of a series and how they become columns of a picture, without hiding a peak or a gap."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple


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


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of pixels shows; `index` counts from the left edge of the picture."""

    index: int
    low: float
    mean: float
    high: float


class Bucket(NamedTuple):
    """All points that fall into one column, and when the first and the last of them was."""

    column: int
    first_ms: int
    last_ms: int
    low: float
    mean: float
    high: float


def joined(buckets: Iterable[Bucket], gap_ms: int) -> list[list[Column]]:
    """Buckets in order of time as runs of columns; where more than `gap_ms` lies between two, a new run starts.

    A column without a reading inside a run is left out (the line spans it); between runs nothing may be drawn, because
    nothing is known there. `gap_ms` must be longer than a column is wide, or a gap inside one could hide.
    """
    runs: list[list[Column]] = []
    last_ms: int | None = None
    for bucket in buckets:
        if last_ms is None or bucket.first_ms - last_ms > gap_ms:
            runs.append([])
        runs[-1].append(Column(bucket.column, bucket.low, bucket.mean, bucket.high))
        last_ms = bucket.last_ms
    return runs


def buckets(points: Iterable[Point], start_ms: int, end_ms: int, count: int) -> list[Bucket]:
    """Points in order of time, merged by the column they fall into; what lies outside the two instants is left out.

    Extremes survive; the mean is weighted by how many readings stand behind each point.
    """
    width_ms = (end_ms - start_ms) / count
    merged: list[Bucket] = []
    weight = 0
    for point in points:
        at_ms, low, mean, high = point.at_ms, point.low, point.mean, point.high
        if not start_ms <= at_ms <= end_ms:
            continue
        index = min(count - 1, int((at_ms - start_ms) / width_ms))
        if merged and merged[-1].column == index:
            last = merged[-1]
            weight += point.count
            middle = last.mean + (mean - last.mean) * point.count / weight
            merged[-1] = Bucket(index, last.first_ms, at_ms, min(last.low, low), middle, max(last.high, high))
        else:
            weight = point.count
            merged.append(Bucket(index, at_ms, at_ms, low, mean, high))
    return merged


def columns(points: Iterable[Point], start_ms: int, end_ms: int, count: int, gap_ms: int) -> list[list[Column]]:
    """Points between two instants as runs of columns, see `buckets` and `joined`."""
    return joined(buckets(points, start_ms, end_ms, count), gap_ms)
