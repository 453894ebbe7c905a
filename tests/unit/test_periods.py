"""Stretches of local days: where they begin and end, what their bars hold, and how one moves among them."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.periods import LENGTH_DAYS, SPANS, Period, SpanName, known_bins, period_of, summed, values

LONDON = ZoneInfo("Europe/London")
HOUR_MS = 3_600_000
dates = st.dates(date(2020, 1, 1), date(2030, 12, 31))


@given(st.sampled_from(SPANS), dates)
def test_bars_fill_a_period_without_gap_or_overlap(span: SpanName, last: date) -> None:
    period = Period(span, last, LONDON)
    bins = period.bins()
    assert bins[0].start_ms == period.start_ms
    assert bins[-1].end_ms == period.end_ms
    assert all(a.end_ms == b.start_ms for a, b in pairwise(bins))


def test_a_day_has_as_many_hours_as_the_clocks_give_it() -> None:
    counts = [len(Period("day", date(2026, month, day), LONDON).bins()) for month, day in ((3, 29), (6, 1), (10, 25))]
    assert counts == [23, 24, 25]


@given(st.sampled_from(SPANS), dates)
def test_going_back_and_forth_leads_to_the_same_place(span: SpanName, last: date) -> None:
    period = Period(span, last, LONDON)
    earlier = period.earlier()
    assert (period.first - earlier.last).days == 1
    assert earlier.later(date(2040, 1, 1)) == period
    assert (period.last - period.first).days == LENGTH_DAYS[span] - 1


def test_nothing_lies_after_today() -> None:
    today = date(2026, 6, 14)
    assert Period("week", today, LONDON).later(today) is None
    assert Period("week", date(2026, 6, 10), LONDON).later(today) == Period("week", today, LONDON)


@pytest.mark.parametrize(("span", "end"), [("week", None), ("fortnight", "2026-06-14"), ("week", "soon"), ("", "")])
def test_an_address_that_makes_no_sense_shows_the_week_that_ends_today(span: str, end: str | None) -> None:
    now_ms = Period("day", date(2026, 6, 14), LONDON).start_ms + 12 * HOUR_MS
    assert period_of(span, end, now_ms, LONDON) == Period("week", date(2026, 6, 14), LONDON)


def test_titles_say_no_more_than_needed() -> None:
    def title(span: SpanName, last: date) -> str:
        return Period(span, last, LONDON).title

    assert title("day", date(2026, 6, 14)) == "Sunday 14 June 2026"
    assert title("week", date(2026, 6, 14)) == "8 to 14 June 2026"
    assert title("month", date(2026, 6, 24)) == "26 May to 24 June 2026"
    assert title("season", date(2026, 1, 31)) == "2 November 2025 to 31 January 2026"


def test_amounts_are_added_up_by_their_bar_and_nothing_known_is_not_zero() -> None:
    bins = Period("week", date(2026, 6, 14), LONDON).bins()
    noon = [found.start_ms + 12 * HOUR_MS for found in bins]
    totals = summed(bins, [(noon[1], 2.0), (noon[1] + 1, 3.0), (noon[6], 1.0), (bins[0].start_ms - 1, 99.0)])
    assert values(bins, totals, known_bins(bins, [noon[0], noon[1]])) == [0.0, 5.0, None, None, None, None, 1.0]
