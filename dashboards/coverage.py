"""Which sequence numbers have arrived: proof of completeness, duplicates and holes."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

CLOCK_SLACK_MS = 1000
MOST_STRETCHES = 5000
"""Far more than losses ever leave; a site whose numbers lie scattered must not fill the memory."""
UNDATED = (2**53, 0)
"""Earliest and latest of a stretch whose records carry no time that could be relied on."""


@dataclass(slots=True)
class Stretch:
    """A run of numbers without a hole, and the earliest and latest time stamp among them (UNDATED: none had one)."""

    first: int
    last: int
    earliest_ms: int
    latest_ms: int


class Arrival(Enum):
    """What a sequence number turned out to be."""

    NEW = "new"
    DUPLICATE = "duplicate"
    CONTRADICTION = "contradiction"
    """Known number, but a time no record of that stretch had: the site began to count anew."""
    SCATTERED = "scattered"
    """Touches nothing known, of which there are too many pieces already: not noted, so that it counts as missing."""


class Coverage:
    """The stretches that have arrived, in order. Holes cost memory, numbers do not."""

    def __init__(self, stretches: Iterable[Stretch] = ()) -> None:
        self.stretches = sorted(stretches, key=lambda s: s.first)

    @property
    def newest(self) -> int | None:
        """Highest number that has arrived, None before the first."""
        return self.stretches[-1].last if self.stretches else None

    @property
    def known_count(self) -> int:
        return sum(s.last - s.first + 1 for s in self.stretches)

    def add(self, seq: int, at_ms: int | None) -> Arrival:
        """Note one number; joins neighbouring stretches. A number without a time never contradicts."""
        earliest_ms, latest_ms = UNDATED if at_ms is None else (at_ms, at_ms)
        index = bisect_right(self.stretches, seq, key=lambda s: s.first) - 1
        before = self.stretches[index] if index >= 0 else None
        if before is not None and seq <= before.last:
            if at_ms is None or before.latest_ms == 0:
                return Arrival.DUPLICATE
            inside = before.earliest_ms - CLOCK_SLACK_MS <= at_ms <= before.latest_ms + CLOCK_SLACK_MS
            return Arrival.DUPLICATE if inside else Arrival.CONTRADICTION
        after = self.stretches[index + 1] if index + 1 < len(self.stretches) else None
        if before is not None and seq == before.last + 1:
            _extend(before, before.first, seq, earliest_ms, latest_ms)
            if after is not None and after.first == seq + 1:
                _extend(before, before.first, after.last, after.earliest_ms, after.latest_ms)
                del self.stretches[index + 1]
        elif after is not None and after.first == seq + 1:
            _extend(after, seq, after.last, earliest_ms, latest_ms)
        elif len(self.stretches) >= MOST_STRETCHES:
            return Arrival.SCATTERED
        else:
            self.stretches.insert(index + 1, Stretch(seq, seq, earliest_ms, latest_ms))
        return Arrival.NEW

    def missing(self, first: int, last: int) -> list[tuple[int, int]]:
        """Holes between two numbers, both included, in order, as (first, last)."""
        holes: list[tuple[int, int]] = []
        expected = first
        for stretch in self.stretches:
            if stretch.last < expected:
                continue
            if stretch.first > last:
                break
            if stretch.first > expected:
                holes.append((expected, stretch.first - 1))
            expected = stretch.last + 1
        if expected <= last:
            holes.append((expected, last))
        return holes


def _extend(stretch: Stretch, first: int, last: int, earliest_ms: int, latest_ms: int) -> None:
    stretch.first, stretch.last = first, last
    stretch.earliest_ms = min(stretch.earliest_ms, earliest_ms)
    stretch.latest_ms = max(stretch.latest_ms, latest_ms)
