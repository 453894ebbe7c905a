"""When something is due by the wall clock of the place, on a clock that is given: windows and fixed start times.

Calendar rules come from apscheduler's cron trigger, which is run on the plain wall clock (no daylight saving); the way
from the wall to an instant is ours. A wall time that is skipped in spring is due at the first minute after the gap. One
that comes twice in autumn is due in its first pass only. A date that a place skipped altogether has nothing due.

Instants are UTC milliseconds since 1970; dates are proleptic ordinals (`date.fromordinal`). Nothing here asks for the
time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from controller.site.model import Window

MS_PER_MINUTE = 60_000
MS_PER_DAY = 86_400_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_NAIVE = datetime(1970, 1, 1)
_EPOCH_ORDINAL = _EPOCH_NAIVE.toordinal()
_MINUTE = timedelta(minutes=1)
_SURE_MS = MS_PER_DAY // 4
"""No place has changed its offset and changed it back within this time."""
_SEARCH_DAYS = 400
"""A daily time is found long before this; the bound is against a zone file that makes no sense."""


@dataclass(frozen=True, slots=True)
class Start:
    """One fixed start: when, for which local date, and which of the day's times (`slot`, its place among them)."""

    wall_ms: int
    local_date: int
    slot: int


@dataclass(frozen=True, slots=True)
class WindowSpan:
    """One day's window as instants; `index` is its place among the windows. It is open from start to before end."""

    index: int
    start_ms: int
    end_ms: int
    local_date: int


@lru_cache(maxsize=64)
def zone_info(time_zone: str) -> ZoneInfo:
    """The place's zone. Raises `zoneinfo.ZoneInfoNotFoundError` for an unknown name."""
    return ZoneInfo(time_zone)


# --- wall to instant --------------------------------------------------------------------------------------------------


def wall_to_instant_ms(wall: datetime, zone: tzinfo) -> int:
    """The instant at which a naive wall time first comes, or the end of the gap that swallowed it."""
    return _locate(wall, zone)[0]


def _locate(wall: datetime, zone: tzinfo) -> tuple[int, bool]:
    """(instant, swallowed by a gap) for a naive wall time."""
    plain_ms = _plain_ms(wall)
    before_ms = _offset_of_wall_ms(wall.replace(tzinfo=zone, fold=0))
    after_ms = _offset_of_wall_ms(wall.replace(tzinfo=zone, fold=1))
    if after_ms <= before_ms:
        return plain_ms - before_ms, False
    return _change_between(plain_ms - after_ms, plain_ms - before_ms, zone), True


def _plain_ms(wall: datetime) -> int:
    return (wall - _EPOCH_NAIVE) // timedelta(milliseconds=1)


def _offset_of_wall_ms(wall: datetime) -> int:
    offset = wall.utcoffset()
    return 0 if offset is None else offset // timedelta(milliseconds=1)


def utc_offset_ms(instant_ms: int, zone: tzinfo) -> int:
    """How far the place's wall clock is ahead of UTC at an instant."""
    return _offset_of_wall_ms((_EPOCH + timedelta(milliseconds=instant_ms)).astimezone(zone))


def _change_between(low_ms: int, high_ms: int, zone: tzinfo) -> int:
    """The first instant after `low_ms` with the offset that holds at `high_ms`; there is one change between them."""
    new_offset_ms = utc_offset_ms(high_ms, zone)
    while high_ms - low_ms > 1:
        middle_ms = (low_ms + high_ms) // 2
        if utc_offset_ms(middle_ms, zone) == new_offset_ms:
            high_ms = middle_ms
        else:
            low_ms = middle_ms
    return high_ms


def _date_exists(local_date: int, zone: tzinfo) -> bool:
    """False for a date a place jumped over when it changed sides of the date line."""
    midnight = datetime.fromordinal(local_date)
    start_ms, swallowed = _locate(midnight, zone)
    return not swallowed or (start_ms + utc_offset_ms(start_ms, zone)) // MS_PER_DAY + _EPOCH_ORDINAL == local_date


# --- instant to wall --------------------------------------------------------------------------------------------------


class LocalDay:
    """Local date and minute of day for a loop that asks very often: the offset is kept until it next changes."""

    __slots__ = ("_offset_ms", "_sure_from_ms", "_sure_until_ms", "_zone")

    def __init__(self, time_zone: str) -> None:
        self._zone = zone_info(time_zone)
        self._sure_from_ms = 0
        self._sure_until_ms = 0
        self._offset_ms = 0

    def at(self, wall_ms: int) -> tuple[int, int]:
        """(local date as ordinal, minute of that day, 0 to 1439) at an instant."""
        if not self._sure_from_ms <= wall_ms < self._sure_until_ms:
            self._learn(wall_ms)
        days, in_day_ms = divmod(wall_ms + self._offset_ms, MS_PER_DAY)
        return days + _EPOCH_ORDINAL, in_day_ms // MS_PER_MINUTE

    def _learn(self, wall_ms: int) -> None:
        """Look up the offset and for how long it surely holds."""
        self._offset_ms = utc_offset_ms(wall_ms, self._zone)
        self._sure_from_ms = wall_ms
        self._sure_until_ms = wall_ms + _SURE_MS
        if utc_offset_ms(self._sure_until_ms, self._zone) != self._offset_ms:
            self._sure_until_ms = _change_between(wall_ms, self._sure_until_ms, self._zone)


# --- fixed start times ------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1441)
def _daily_trigger(minute_of_day: int) -> CronTrigger:
    """Every day at a minute, on a wall clock that is never put forward or back."""
    hour, minute = divmod(minute_of_day, 60)
    return CronTrigger(hour=hour, minute=minute, second=0, timezone=UTC)


KNOWN_STARTS_MAX = 4096
_KNOWN_EACH = 3
"""Whoever asks what was due lately asks in turn for the starts of two hours ago and of now."""
_known_starts: dict[tuple[int, str], tuple[tuple[int, int, int], ...]] = {}
"""By daily time and zone, the newest first: an instant asked about, the start found, its date. It is the answer until
that start."""


def _starts_after(minute_of_day: int, slot: int, time_zone: str, after_wall_ms: int) -> Start:
    """The next start of one daily time strictly after an instant."""
    known = _known_starts.get((minute_of_day, time_zone), ())
    for asked_ms, start_ms, local_date in known:
        if asked_ms <= after_wall_ms < start_ms:
            return Start(start_ms, local_date, slot)
    if len(_known_starts) >= KNOWN_STARTS_MAX:
        _known_starts.clear()
    start_ms, local_date = _found_after(minute_of_day, zone_info(time_zone), after_wall_ms)
    _known_starts[minute_of_day, time_zone] = ((after_wall_ms, start_ms, local_date), *known[: _KNOWN_EACH - 1])
    return Start(start_ms, local_date, slot)


def _found_after(minute_of_day: int, zone: tzinfo, after_wall_ms: int) -> tuple[int, int]:
    """Instant and local date of a daily time's next start."""
    trigger = _daily_trigger(minute_of_day)
    wall = _EPOCH + timedelta(milliseconds=after_wall_ms + utc_offset_ms(after_wall_ms, zone))
    for _ in range(_SEARCH_DAYS):
        fire = trigger.get_next_fire_time(None, wall)
        naive = fire.replace(tzinfo=None)
        instant_ms = wall_to_instant_ms(naive, zone)
        if instant_ms > after_wall_ms and _date_exists(naive.toordinal(), zone):
            return instant_ms, naive.toordinal()
        wall = fire + _MINUTE
    raise ValueError(f"no start at minute {minute_of_day} of the day found in zone {zone} within {_SEARCH_DAYS} days")


def next_start(times_min: Sequence[int], time_zone: str, after_wall_ms: int) -> Start | None:
    """The first start strictly after an instant, for times in minutes after local midnight; None without times."""
    starts = [_starts_after(minute, slot, time_zone, after_wall_ms) for slot, minute in enumerate(times_min)]
    return min(starts, key=_start_order, default=None)


def next_start_ms(times_min: Sequence[int], time_zone: str, after_wall_ms: int) -> int | None:
    """`next_start` as a bare instant."""
    start = next_start(times_min, time_zone, after_wall_ms)
    return None if start is None else start.wall_ms


def starts_between(times_min: Sequence[int], time_zone: str, after_ms: int, until_ms: int) -> tuple[Start, ...]:
    """All starts after one instant and not after another, in order. Two that a gap pushed together both count."""
    found: list[Start] = []
    for slot, minute in enumerate(times_min):
        start = _starts_after(minute, slot, time_zone, after_ms)
        while start.wall_ms <= until_ms:
            found.append(start)
            start = _starts_after(minute, slot, time_zone, start.wall_ms)
    return tuple(sorted(found, key=_start_order))


def _start_order(start: Start) -> tuple[int, int, int]:
    return start.wall_ms, start.local_date, start.slot


# --- windows ----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=2048)
def _window_span(window: Window, index: int, time_zone: str, local_date: int) -> WindowSpan | None:
    """A window on a local date as instants; None on a date that does not exist.

    A window that a gap would cut to less than half keeps its length and so ends later. It ends where its last minute
    first ends, so that the second pass of a repeated hour opens nothing.
    """
    zone = zone_info(time_zone)
    if not _date_exists(local_date, zone):
        return None
    midnight = datetime.fromordinal(local_date)
    start_ms, _ = _locate(midnight + timedelta(minutes=window.start_min), zone)
    last_minute_ms, last_swallowed = _locate(midnight + timedelta(minutes=window.end_min - 1), zone)
    end_ms = last_minute_ms if last_swallowed else last_minute_ms + MS_PER_MINUTE
    length_ms = (window.end_min - window.start_min) * MS_PER_MINUTE
    if 2 * (end_ms - start_ms) < length_ms:
        end_ms = start_ms + length_ms
    return WindowSpan(index, start_ms, end_ms, local_date)


def _spans_near(windows: Sequence[Window], time_zone: str, local_date: int, days: range) -> list[WindowSpan]:
    """All spans of the dates around one, in order of their start."""
    spans = [
        span
        for day in days
        for index, window in enumerate(windows)
        if (span := _window_span(window, index, time_zone, local_date + day)) is not None
    ]
    return sorted(spans, key=lambda span: (span.start_ms, span.local_date, span.index))


def spans_on(windows: Sequence[Window], time_zone: str, local_date: int) -> list[WindowSpan]:
    """The windows of one local date as instants, in order of their start."""
    return _spans_near(windows, time_zone, local_date, range(1))


def _local_date(wall_ms: int, zone: tzinfo) -> int:
    return (wall_ms + utc_offset_ms(wall_ms, zone)) // MS_PER_DAY + _EPOCH_ORDINAL


def window_at(windows: Sequence[Window], time_zone: str, wall_ms: int) -> WindowSpan | None:
    """The window that is open at an instant, or None. Of two that a gap made overlap, the one that began first."""
    local_date = _local_date(wall_ms, zone_info(time_zone))
    spans = _spans_near(windows, time_zone, local_date, range(-1, 2))
    return next((span for span in spans if span.start_ms <= wall_ms < span.end_ms), None)


def next_window(windows: Sequence[Window], time_zone: str, after_wall_ms: int) -> WindowSpan | None:
    """The first window that opens strictly after an instant, or None without windows."""
    start = next_start([window.start_min for window in windows], time_zone, after_wall_ms)
    if start is None:
        return None
    return _window_span(windows[start.slot], start.slot, time_zone, start.local_date)


class WindowClock:
    """The windows of one zone for a loop that asks very often: an answer is kept until it may change."""

    __slots__ = ("_from_ms", "_span", "_time_zone", "_until_ms", "_windows")

    def __init__(self, windows: Sequence[Window], time_zone: str) -> None:
        self._windows = tuple(windows)
        self._time_zone = time_zone
        self._from_ms = 0
        self._until_ms = 0
        self._span: WindowSpan | None = None

    def at(self, wall_ms: int) -> WindowSpan | None:
        """The window that is open at an instant, as `window_at` says."""
        if not self._from_ms <= wall_ms < self._until_ms:
            self._span = window_at(self._windows, self._time_zone, wall_ms)
            self._from_ms = wall_ms
            self._until_ms = self._answer_holds_until_ms(wall_ms)
        return self._span

    def changes_at_ms(self, wall_ms: int) -> int:
        """The instant at which the answer may next differ: the open window's end, else the next one's start."""
        self.at(wall_ms)
        return self._until_ms

    def _answer_holds_until_ms(self, wall_ms: int) -> int:
        if self._span is not None:
            return self._span.end_ms
        following = next_window(self._windows, self._time_zone, wall_ms)
        return wall_ms + MS_PER_DAY if following is None else following.start_ms
