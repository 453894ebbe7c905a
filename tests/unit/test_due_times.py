"""Windows and fixed starts on the wall clock, over every clock change of many places."""

from __future__ import annotations

import timeit
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from controller.irrigate.due import (
    LocalDay,
    Start,
    WindowClock,
    WindowSpan,
    next_start,
    next_start_ms,
    next_window,
    starts_between,
    window_at,
)
from controller.site.model import Window

NEW_YORK = "America/New_York"
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

PLACES = (
    NEW_YORK,
    "America/St_Johns",  # changes at one minute past midnight until 2011
    "America/Sao_Paulo",  # southern, changes at midnight
    "America/Asuncion",  # southern, changes at midnight
    "America/Santiago",  # southern, changes at midnight
    "America/Havana",
    "America/Nuuk",
    "America/Scoresbysund",
    "Europe/Brussels",
    "Europe/London",
    "Europe/Lisbon",
    "Europe/Istanbul",
    "Asia/Beirut",  # changes at midnight
    "Asia/Amman",
    "Asia/Tehran",
    "Asia/Gaza",
    "Africa/Cairo",
    "Africa/Casablanca",  # standard time only in Ramadan
    "Australia/Lord_Howe",  # half an hour of daylight saving, southern
    "Australia/Adelaide",
    "Pacific/Auckland",
    "Pacific/Chatham",  # three quarters of an hour off
    "Pacific/Apia",  # skipped 30 December 2011
    "Pacific/Fakaofo",  # skipped 30 December 2011
    "Antarctica/Troll",  # two hours of daylight saving
    "Antarctica/Casey",
)
FIRST_YEAR, LAST_YEAR = 1996, 2026


def at(zone: str, text: str, fold: int = 0) -> int:
    """An instant in milliseconds from a local time that exists."""
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold)
    return round(local.timestamp() * 1000)


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def ordinal(text: str) -> int:
    return date.fromisoformat(text).toordinal()


@cache
def clock_changes_ms(zone: str) -> tuple[int, ...]:
    """All instants at which the offset changes, found by walking through the years in UTC."""
    info = ZoneInfo(zone)

    def offset(hour: int) -> timedelta | None:
        return datetime.fromtimestamp(hour * 3600, info).utcoffset()

    hours = range(
        int(datetime(FIRST_YEAR, 1, 1, tzinfo=UTC).timestamp()) // 3600,
        int(datetime(LAST_YEAR, 1, 1, tzinfo=UTC).timestamp()) // 3600,
        6,
    )
    found = []
    known = offset(hours[0])
    for hour in hours:
        if (now := offset(hour)) != known:
            low, high = (hour - 6) * 3600, hour * 3600
            while high - low > 1:
                middle = (low + high) // 2
                if datetime.fromtimestamp(middle, info).utcoffset() == known:
                    low = middle
                else:
                    high = middle
            found.append(high * 1000)
            known = now
    return tuple(found)


def wall_minutes(zone: str, from_ms: int, until_ms: int) -> Iterator[tuple[int, int, int]]:
    """(instant, local date, minute of day) for every minute of an interval, by the zone database alone."""
    info = ZoneInfo(zone)
    for instant_ms in range(from_ms, until_ms, MINUTE_MS):
        local = datetime.fromtimestamp(instant_ms // 1000, info)
        yield instant_ms, local.toordinal(), local.hour * 60 + local.minute


def first_times(zone: str, change_ms: int) -> dict[tuple[int, int], int]:
    """When each wall minute around a change first comes."""
    first: dict[tuple[int, int], int] = {}
    for instant_ms, day, minute in wall_minutes(zone, change_ms - 4 * HOUR_MS, change_ms + 4 * HOUR_MS):
        first.setdefault((day, minute), instant_ms)
    return first


def test_a_time_in_the_spring_gap_runs_once_at_the_first_minute_after_it() -> None:
    starts = starts_between([150], NEW_YORK, at(NEW_YORK, "2026-03-07T12:00"), at(NEW_YORK, "2026-03-09T12:00"))
    assert starts == (
        Start(at(NEW_YORK, "2026-03-08T03:00"), ordinal("2026-03-08"), 0),
        Start(at(NEW_YORK, "2026-03-09T02:30"), ordinal("2026-03-09"), 0),
    )


def test_a_time_in_the_autumn_fold_runs_in_its_first_pass_only() -> None:
    starts = starts_between([90], NEW_YORK, at(NEW_YORK, "2026-10-31T12:00"), at(NEW_YORK, "2026-11-02T12:00"))
    assert [start.wall_ms for start in starts] == [utc("2026-11-01T05:30"), utc("2026-11-02T06:30")]


def test_during_the_second_pass_the_next_start_is_tomorrow() -> None:
    second_pass = at(NEW_YORK, "2026-11-01T01:10", fold=1)
    assert next_start_ms([90], NEW_YORK, second_pass) == utc("2026-11-02T06:30")


def test_a_start_is_due_strictly_after_the_instant_asked_about() -> None:
    six = at(NEW_YORK, "2026-06-01T06:00")
    assert next_start_ms([360], NEW_YORK, six - 1) == six
    assert next_start_ms([360], NEW_YORK, six) == at(NEW_YORK, "2026-06-02T06:00")


def test_the_nearest_of_several_times_is_next_and_names_its_slot() -> None:
    start = next_start([1200, 360, 720], NEW_YORK, at(NEW_YORK, "2026-06-01T07:00"))
    assert start == Start(at(NEW_YORK, "2026-06-01T12:00"), ordinal("2026-06-01"), 2)


def test_without_times_nothing_is_ever_due() -> None:
    assert next_start([], NEW_YORK, 0) is None
    assert next_start_ms([], NEW_YORK, 0) is None
    assert starts_between([], NEW_YORK, 0, DAY_MS) == ()
    assert next_window([], NEW_YORK, 0) is None


def test_two_times_that_a_gap_pushes_together_are_both_due() -> None:
    starts = starts_between([135, 150], NEW_YORK, at(NEW_YORK, "2026-03-08T01:00"), at(NEW_YORK, "2026-03-08T12:00"))
    assert [(start.wall_ms, start.slot) for start in starts] == [
        (at(NEW_YORK, "2026-03-08T03:00"), 0),
        (at(NEW_YORK, "2026-03-08T03:00"), 1),
    ]


def test_a_date_that_a_place_skipped_has_nothing_due() -> None:
    starts = starts_between([360], "Pacific/Apia", utc("2011-12-29T00:00"), utc("2012-01-01T00:00"))
    assert [start.local_date for start in starts] == [
        ordinal("2011-12-29"),
        ordinal("2011-12-31"),
        ordinal("2012-01-01"),
    ]


def test_midnight_is_a_time_like_any_other_where_the_clock_changes_at_midnight() -> None:
    starts = starts_between([0], "Asia/Beirut", utc("2022-03-25T00:00"), utc("2022-03-28T00:00"))
    assert [start.local_date for start in starts] == [ordinal(f"2022-03-{day}") for day in (26, 27, 28)]
    assert starts[1].wall_ms == at("Asia/Beirut", "2022-03-27T01:00")


@pytest.mark.parametrize("zone", PLACES)
def test_every_local_date_of_thirty_years_has_each_start_once(zone: str) -> None:
    """Around each clock change, for times spread over the day and the whole hour around the change itself."""
    for change_ms in clock_changes_ms(zone):
        begin_ms, end_ms = change_ms - 2 * DAY_MS, change_ms + 2 * DAY_MS
        days = sorted({day for _, day, _ in wall_minutes(zone, begin_ms, end_ms)})[1:-1]
        local = datetime.fromtimestamp(change_ms // 1000 - 1, ZoneInfo(zone))
        near = (local.hour * 60 + local.minute + 1) % 1440
        times = sorted({(near + shift) % 1440 for shift in (-90, -45, -15, 0, 15, 45, 90, 720)})
        starts = starts_between(times, zone, begin_ms - DAY_MS, end_ms + DAY_MS)
        keys = [(start.local_date, start.slot) for start in starts if start.local_date in days]
        assert sorted(keys) == [(day, slot) for day in days for slot in range(len(times))]
        assert [start.wall_ms for start in starts] == sorted(start.wall_ms for start in starts)
        first = first_times(zone, change_ms)
        for start in starts:
            minute = times[start.slot]
            if (start.local_date, minute) in first:
                assert start.wall_ms == first[(start.local_date, minute)]
            elif abs(start.wall_ms - change_ms) < 3 * HOUR_MS:
                assert start.wall_ms == change_ms


@pytest.mark.parametrize("zone", PLACES)
def test_asking_step_by_step_finds_the_same_starts_as_asking_at_once(zone: str) -> None:
    for change_ms in clock_changes_ms(zone)[-6:]:
        begin_ms, end_ms = change_ms - DAY_MS, change_ms + DAY_MS
        expected = [start.wall_ms for start in starts_between([15, 90, 150, 1425], zone, begin_ms, end_ms)]
        found, now = [], begin_ms
        while (following := next_start_ms([15, 90, 150, 1425], zone, now)) is not None and following <= end_ms:
            found.append(following)
            now = following
        assert found == sorted(set(expected))


@pytest.mark.parametrize("zone", PLACES)
def test_the_local_day_agrees_with_the_zone_database_around_every_change(zone: str) -> None:
    local = LocalDay(zone)
    info = ZoneInfo(zone)
    for change_ms in clock_changes_ms(zone):
        for shift_ms in (-5 * HOUR_MS, -HOUR_MS, -MINUTE_MS, -1, 0, 1, MINUTE_MS, HOUR_MS, 30 * HOUR_MS, -30 * HOUR_MS):
            instant_ms = change_ms + shift_ms
            expected = datetime.fromtimestamp(instant_ms // 1000, info)
            assert local.at(instant_ms) == (expected.toordinal(), expected.hour * 60 + expected.minute)


def moved_onto_another(spans: list[WindowSpan], windows: tuple[Window, ...], change_ms: int) -> set[tuple[int, int]]:
    """The first window after a gap, if the gap pushed another one of equal length onto its time: they are one then."""
    pushed = [span for span in spans if span.start_ms == change_ms and windows[span.index].start_min != 0]
    return {(span.local_date + 1, 0) for span in pushed if windows[span.index].end_min == 1440}


@pytest.mark.parametrize("zone", PLACES)
def test_a_window_opens_once_on_each_date_and_never_in_a_second_pass(zone: str) -> None:
    windows = (Window(0, 60), Window(90, 180), Window(300, 420), Window(1380, 1440))
    for change_ms in clock_changes_ms(zone)[-8:]:
        begin_ms, end_ms = change_ms - 2 * DAY_MS, change_ms + 2 * DAY_MS
        days = sorted({day for _, day, _ in wall_minutes(zone, begin_ms, end_ms)})[1:-1]
        spans: list[WindowSpan] = []
        clock = WindowClock(windows, zone)
        for instant_ms in range(begin_ms, end_ms, 10 * MINUTE_MS):
            span = window_at(windows, zone, instant_ms)
            assert clock.at(instant_ms) == span
            if span is not None and (not spans or span != spans[-1]):
                spans.append(span)
        keys = [(span.local_date, span.index) for span in spans]
        assert len(keys) == len(set(keys))
        for missing in {(day, index) for day in days for index in range(len(windows))}.difference(keys):
            assert missing in moved_onto_another(spans, windows, change_ms), f"{missing} never opened"
        assert all(span.end_ms - span.start_ms >= 30 * MINUTE_MS for span in spans)


def test_a_window_inside_the_spring_gap_moves_behind_it_and_keeps_its_length() -> None:
    span = next_window([Window(120, 180)], NEW_YORK, at(NEW_YORK, "2026-03-08T00:30"))
    three, four = at(NEW_YORK, "2026-03-08T03:00"), at(NEW_YORK, "2026-03-08T04:00")
    assert span == WindowSpan(0, three, four, ordinal("2026-03-08"))


def test_a_window_that_begins_in_the_spring_gap_still_ends_when_it_should() -> None:
    span = next_window([Window(150, 360)], NEW_YORK, at(NEW_YORK, "2026-03-08T00:30"))
    three, six = at(NEW_YORK, "2026-03-08T03:00"), at(NEW_YORK, "2026-03-08T06:00")
    assert span == WindowSpan(0, three, six, ordinal("2026-03-08"))


def test_a_window_that_ends_in_the_spring_gap_ends_with_it() -> None:
    span = window_at([Window(60, 150)], NEW_YORK, at(NEW_YORK, "2026-03-08T01:30"))
    assert span is not None
    assert span.end_ms == at(NEW_YORK, "2026-03-08T03:00")


def test_a_window_over_the_repeated_hour_is_open_in_the_first_pass_only() -> None:
    windows = [Window(60, 120)]
    assert window_at(windows, NEW_YORK, at(NEW_YORK, "2026-11-01T01:30", fold=0)) is not None
    assert window_at(windows, NEW_YORK, at(NEW_YORK, "2026-11-01T01:30", fold=1)) is None


def test_a_long_night_window_stays_one_window_through_the_repeated_hour() -> None:
    windows = [Window(0, 300)]
    first = window_at(windows, NEW_YORK, at(NEW_YORK, "2026-11-01T00:30"))
    again = window_at(windows, NEW_YORK, at(NEW_YORK, "2026-11-01T01:30", fold=1))
    assert first is not None
    assert first == again
    assert first.end_ms - first.start_ms == 6 * HOUR_MS


def test_a_window_up_to_midnight_closes_at_midnight() -> None:
    span = window_at([Window(1320, 1440)], NEW_YORK, at(NEW_YORK, "2026-06-01T23:59"))
    assert span is not None
    assert span.end_ms == at(NEW_YORK, "2026-06-02T00:00")


def test_a_window_is_open_from_its_start_and_shut_at_its_end() -> None:
    windows = [Window(300, 480), Window(1200, 1320)]
    five, eight = at(NEW_YORK, "2026-06-01T05:00"), at(NEW_YORK, "2026-06-01T08:00")
    expected = WindowSpan(0, five, eight, ordinal("2026-06-01"))
    assert window_at(windows, NEW_YORK, five - 1) is None
    assert window_at(windows, NEW_YORK, five) == expected
    assert window_at(windows, NEW_YORK, eight - 1) == expected
    assert window_at(windows, NEW_YORK, eight) is None


def test_a_window_clock_says_when_its_answer_may_change() -> None:
    clock = WindowClock([Window(300, 480)], NEW_YORK)
    assert clock.changes_at_ms(at(NEW_YORK, "2026-06-01T04:00")) == at(NEW_YORK, "2026-06-01T05:00")
    assert clock.changes_at_ms(at(NEW_YORK, "2026-06-01T05:00")) == at(NEW_YORK, "2026-06-01T08:00")
    assert clock.changes_at_ms(at(NEW_YORK, "2026-06-01T09:00")) == at(NEW_YORK, "2026-06-02T05:00")


def test_a_window_clock_follows_a_wall_clock_that_is_set_back() -> None:
    clock = WindowClock([Window(300, 480)], NEW_YORK)
    assert clock.at(at(NEW_YORK, "2026-06-01T06:00")) is not None
    assert clock.at(at(NEW_YORK, "2026-06-01T04:00")) is None
    assert clock.at(at(NEW_YORK, "2026-05-20T07:00")) is not None


def test_leap_day_and_the_year_2038_are_ordinary_days() -> None:
    assert next_start_ms([360], NEW_YORK, at(NEW_YORK, "2028-02-29T05:00")) == at(NEW_YORK, "2028-02-29T06:00")
    assert next_start_ms([360], NEW_YORK, at(NEW_YORK, "2038-01-19T05:00")) == at(NEW_YORK, "2038-01-19T06:00")


def test_local_time_is_cheap_enough_for_every_step() -> None:
    local = LocalDay(NEW_YORK)
    now = at(NEW_YORK, "2026-06-01T05:00")
    best_s = min(timeit.repeat(lambda: local.at(now), number=10_000, repeat=5)) / 10_000
    assert best_s < 5e-6, f"{best_s * 1e6:.2f} us per look-up"
