"""Stretches of local days that a picture shows: a day by its hours, longer ones by days or weeks; and how to move."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Literal, get_args

from dashboards.history import start_of
from dashboards.svg import TimeFrame

SpanName = Literal["day", "week", "month", "season", "year"]
SPANS: tuple[SpanName, ...] = get_args(SpanName)
LENGTH_DAYS: dict[SpanName, int] = {"day": 1, "week": 7, "month": 30, "season": 91, "year": 364}
"""A season is 13 weeks and a year 52, so that they divide into whole weeks."""
BIN_DAYS: dict[SpanName, int] = {"day": 0, "week": 1, "month": 1, "season": 7, "year": 7}
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Bin:
    """One bar's stretch of time; `end_ms` belongs to the next one."""

    start_ms: int
    end_ms: int
    label: str


@dataclass(frozen=True, slots=True)
class Period:
    """A span of whole local days, the last of them `last`."""

    span: SpanName
    last: date
    zone: tzinfo

    @property
    def first(self) -> date:
        return self.last - timedelta(days=LENGTH_DAYS[self.span] - 1)

    @property
    def start_ms(self) -> int:
        return start_of(self.first, self.zone)

    @property
    def end_ms(self) -> int:
        return start_of(self.last + timedelta(days=1), self.zone)

    @property
    def title(self) -> str:
        """ "Sunday 14 June 2026", "8 to 14 June 2026" or "26 May to 24 June 2026"."""
        if self.span == "day":
            return f"{self.last:%A} {self.last.day} {self.last:%B %Y}"
        year = f" {self.first.year}" if self.first.year != self.last.year else ""
        month = f" {self.first:%B}" if year or self.first.month != self.last.month else ""
        return f"{self.first.day}{month}{year} to {self.last.day} {self.last:%B %Y}"

    def frame(self, now_ms: int) -> TimeFrame:
        """The time axis; of a period that is not over yet it ends now, but never shorter than an hour."""
        return TimeFrame(self.start_ms, max(self.start_ms + HOUR_MS, min(self.end_ms, now_ms)), self.zone)

    def earlier(self) -> Period:
        return Period(self.span, self.first - timedelta(days=1), self.zone)

    def later(self, today: date) -> Period | None:
        """The next one, at most up to today; None when this one reaches today."""
        if self.last >= today:
            return None
        return Period(self.span, min(today, self.last + timedelta(days=LENGTH_DAYS[self.span])), self.zone)

    def bins(self) -> list[Bin]:
        """Bars in order of time: hours of a day, else days or weeks."""
        step = BIN_DAYS[self.span]
        if step == 0:
            starts = range(self.start_ms, self.end_ms, HOUR_MS)
            return [Bin(at, at + HOUR_MS, f"{datetime.fromtimestamp(at / 1000, self.zone):%H}") for at in starts]
        days = [self.first + timedelta(days=n) for n in range(0, LENGTH_DAYS[self.span], step)]
        edges = [start_of(day, self.zone) for day in [*days, self.last + timedelta(days=1)]]
        labels = [f"{day:%a}"[:2] + f" {day.day}" if self.span == "week" else f"{day.day} {day:%b}" for day in days]
        return [Bin(edges[n], edges[n + 1], label) for n, label in enumerate(labels)]


def period_of(span: str, end: str | None, now_ms: int, zone: tzinfo) -> Period:
    """The period that a query asks for; what makes no sense is a week that ends today."""
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    known: SpanName = next((name for name in SPANS if name == span), "week")
    try:
        last = min(today, date.fromisoformat(end)) if end else today
    except ValueError:
        last = today
    return Period(known, max(last, date(2000, 1, 1)), zone)


def summed(bins: Sequence[Bin], amounts: Iterable[tuple[int, float]]) -> dict[int, float]:
    """Amounts at instants added up by the bin they fall into; what lies outside is left out."""
    starts = [found.start_ms for found in bins]
    totals: dict[int, float] = {}
    for at_ms, amount in amounts:
        index = bisect_right(starts, at_ms) - 1
        if index >= 0 and at_ms < bins[index].end_ms:
            totals[index] = totals.get(index, 0.0) + amount
    return totals


def known_bins(bins: Sequence[Bin], instants: Iterable[int]) -> set[int]:
    """Bins of which anything is known."""
    return set(summed(bins, ((at_ms, 1.0) for at_ms in instants)))


def values(bins: Sequence[Bin], totals: dict[int, float], known: set[int]) -> list[float | None]:
    """A total per bin: nothing is zero where something is known, else unknown."""
    return [totals.get(n, 0.0 if n in known else None) for n in range(len(bins))]
