"""Local dates, minutes and watering windows of one site, with answers kept for a loop that asks often."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

from controller.irrigate.due import (
    LocalDay,
    WindowClock,
    next_start_ms,
    spans_on,
    starts_between,
    zone_info,
)
from controller.site.model import Window

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Slot:
    """A fixed time on a local date: its instant, and the key that makes it happen once."""

    key: str
    start_ms: int


@dataclass(frozen=True, slots=True)
class Opening:
    """A watering window that is open: its instants, and the key of this opening."""

    key: str
    start_ms: int
    end_ms: int


class LocalClock:
    """The site's wall clock. Every method is a pure function of its arguments; only answers are kept."""

    def __init__(self, time_zone: str) -> None:
        self._time_zone = time_zone
        self._day = LocalDay(time_zone)
        self._windows: dict[tuple[Window, ...], WindowClock] = {}
        self._next: dict[tuple[int, ...], tuple[int, int]] = {}
        self._due: dict[tuple[int, ...], tuple[int, int, int, list[Slot]]] = {}

    def ordinal(self, wall_ms: int) -> int:
        """Local date as a proleptic ordinal."""
        return self._day.at(wall_ms)[0]

    def minute(self, wall_ms: int) -> int:
        """Minute of the local day."""
        return self._day.at(wall_ms)[1]

    def month(self, wall_ms: int) -> int:
        return date.fromordinal(self.ordinal(wall_ms)).month

    def text(self, wall_ms: int) -> str:
        """Local date and time for people, to the minute."""
        moment = (_EPOCH + timedelta(milliseconds=wall_ms)).astimezone(zone_info(self._time_zone))
        return moment.strftime("%Y-%m-%d %H:%M")

    def opening_at(self, windows: tuple[Window, ...], wall_ms: int) -> Opening | None:
        """The window that is open now, or None."""
        clock = self._windows.get(windows)
        if clock is None:
            clock = self._windows[windows] = WindowClock(windows, self._time_zone)
        span = clock.at(wall_ms)
        if span is None:
            return None
        return _opening(span.local_date, span.index, span.start_ms, span.end_ms)

    def later_openings(self, windows: tuple[Window, ...], opening: Opening) -> list[Opening]:
        """The windows that open on the same local date after one that is open has ended."""
        local_date = date.fromisoformat(opening.key[:10]).toordinal()
        spans = spans_on(windows, self._time_zone, local_date)
        return [
            _opening(span.local_date, span.index, span.start_ms, span.end_ms)
            for span in spans
            if span.start_ms >= opening.end_ms
        ]

    def next_time_ms(self, times_min: tuple[int, ...], after_wall_ms: int) -> int | None:
        """The first of the daily times strictly after an instant; None without times."""
        known = self._next.get(times_min)
        if known is not None and known[0] <= after_wall_ms < known[1]:
            return known[1]
        found = next_start_ms(times_min, self._time_zone, after_wall_ms)
        if found is not None:
            self._next[times_min] = (after_wall_ms, found)
        return found

    def due_times(self, times_min: tuple[int, ...], wall_ms: int, late_ms: int) -> list[Slot]:
        """The daily times that came within the last `late_ms`, the oldest first."""
        known = self._due.get(times_min)
        if known is not None and known[0] == late_ms and known[1] <= wall_ms < known[2]:
            return known[3]
        starts = starts_between(times_min, self._time_zone, wall_ms - late_ms, wall_ms)
        # Keyed by the time itself, not by its place in the list: a schedule changed in the course of the day is new.
        slots = [
            Slot(f"{_iso(start.local_date)}/{clock_text(times_min[start.slot])}", start.wall_ms) for start in starts
        ]
        # The same until the next comes, or the oldest is too late.
        changes = [start.wall_ms + late_ms for start in starts[:1]]
        coming_ms = self.next_time_ms(times_min, wall_ms)
        if coming_ms is not None:
            changes.append(coming_ms)
        if changes:
            self._due[times_min] = (late_ms, wall_ms, min(changes), slots)
        return slots


def clock_text(minute_of_day: int) -> str:
    """06:05 for minute 365."""
    return f"{minute_of_day // 60:02d}:{minute_of_day % 60:02d}"


@lru_cache(maxsize=64)
def _opening(local_date: int, slot: int, start_ms: int, end_ms: int) -> Opening:
    return Opening(f"{_iso(local_date)}/{slot}", start_ms, end_ms)


def _iso(local_date: int) -> str:
    return date.fromordinal(local_date).isoformat()
