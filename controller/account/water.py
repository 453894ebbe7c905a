"""The books of a tank over many days: opening and entries make the closing to the millilitre.

Each closed day is a `ledger` record that closes by itself. Between two of them the books may be interrupted (a journal
that was lost, a tank without a reading): the step from one closing to the next opening is an entry of its own, so that
the whole still closes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from controller.account.events import Event, Period
from controller.errors import OperatingError
from controller.estimate.ledger import (
    EVAPORATION,
    LEAK,
    OVERFLOW,
    RAIN,
    TOP_UP,
    UNEXPLAINED,
    ZONE_PREFIX,
    DayLedger,
    ledger_from_data,
)

NOT_RECORDED = "not-recorded"
"""The step between two days that do not join."""
SAME_ERROR = (OVERFLOW, LEAK, EVAPORATION)
"""Accounts whose error is much the same every day (a rate, a coefficient): it adds up. So does that of each zone, whose
water goes through one meter. Rain and top-up are differences of levels: their errors add in squares."""
_ORDER = (RAIN, TOP_UP, OVERFLOW, LEAK, EVAPORATION, UNEXPLAINED, NOT_RECORDED)


@dataclass(slots=True)
class Entry:
    """What came from an account into a tank (negative: left for it), and one standard deviation, None when unknown."""

    into_tank_ml: int = 0
    sd_ml: float | None = None

    @property
    def into_tank_l(self) -> float:
        return self.into_tank_ml / 1000.0

    @property
    def sd_l(self) -> float | None:
        return None if self.sd_ml is None else self.sd_ml / 1000.0


@dataclass(slots=True)
class Books:
    """One tank over a stretch of days. `entries` are in the order they are told in: sources, zones, losses."""

    tank_id: str
    first_day: str
    last_day: str
    opening_ml: int
    closing_ml: int
    opening_sd_ml: float | None
    closing_sd_ml: float | None
    days: int
    entries: dict[str, Entry] = field(default_factory=dict)

    def of(self, account: str) -> Entry:
        return self.entries.get(account, Entry())

    @property
    def zone_ids(self) -> list[str]:
        return [account.removeprefix(ZONE_PREFIX) for account in self.entries if account.startswith(ZONE_PREFIX)]

    @property
    def to_zones(self) -> Entry:
        """All zones together, positive. One meter counts all of it, so its errors add up."""
        return together([self.entries[ZONE_PREFIX + zone_id] for zone_id in self.zone_ids], same_error=True, sign=-1)


def together(entries: Iterable[Entry], *, same_error: bool, sign: int = 1) -> Entry:
    """Several entries as one."""
    listed = list(entries)
    known = [entry.sd_ml for entry in listed if entry.sd_ml is not None]
    sd_ml = (sum(known) if same_error else math.hypot(*known)) if known else None
    return Entry(sign * sum(entry.into_tank_ml for entry in listed), sd_ml)


def day_ledgers(events: Iterable[Event], period: Period) -> dict[str, list[DayLedger]]:
    """Closed days by tank, in the order they were closed. Raises OperatingError when one does not close."""
    found: dict[str, list[DayLedger]] = {}
    for event in events:
        if event.kind == "ledger" and period.holds(event.data["local_date"]):
            try:
                found.setdefault(event.key, []).append(ledger_from_data(event.data))
            except (ValueError, KeyError, TypeError) as error:
                raise OperatingError(f"the journal holds a day's ledger that cannot be used: {error}") from error
    return found


def books_of(tank_id: str, days: list[DayLedger]) -> Books:
    """The days of one tank as one account; at least one day."""
    first, last = days[0], days[-1]
    books = Books(
        tank_id,
        first.local_date,
        last.local_date,
        first.opening_ml,
        last.closing_ml,
        first.opening_sd_ml,
        last.closing_sd_ml,
        len({day.local_date for day in days}),
    )
    sums: dict[str, Entry] = {}
    before: DayLedger | None = None
    for day in days:
        if before is not None and before.closing_ml != day.opening_ml:
            sums.setdefault(NOT_RECORDED, Entry()).into_tank_ml += day.opening_ml - before.closing_ml
        for account, into_tank_ml in day.entries_ml.items():
            _add(sums.setdefault(account, Entry()), account, into_tank_ml, day.evidence)
        before = day
    _share_spill_error(sums, days)
    books.entries = {account: sums[account] for account in sorted(sums, key=_place)}
    return books


def _share_spill_error(sums: Mapping[str, Entry], days: Iterable[DayLedger]) -> None:
    """What rain brought is booked with what of it spilled: the spill's error is in both, and the same every day."""
    rain, spill = sums.get(RAIN), sums.get(OVERFLOW)
    if rain is None or rain.sd_ml is None or spill is None or spill.sd_ml is None:
        return
    spilled = math.hypot(*(day.evidence[OVERFLOW].sd_ml for day in days if OVERFLOW in day.evidence))
    rain.sd_ml = math.hypot(math.sqrt(max(0.0, rain.sd_ml**2 - spilled**2)), spill.sd_ml)


def _add(entry: Entry, account: str, into_tank_ml: int, evidence: Mapping[str, object]) -> None:
    entry.into_tank_ml += into_tank_ml
    sd_ml = getattr(evidence.get(account), "sd_ml", None)
    if sd_ml is None:
        return
    same_error = account in SAME_ERROR or account.startswith(ZONE_PREFIX)
    before_ml = entry.sd_ml or 0.0
    entry.sd_ml = before_ml + sd_ml if same_error else math.hypot(before_ml, sd_ml)


def _place(account: str) -> tuple[int, str]:
    """Sources first, then zones, then losses."""
    if account in (RAIN, TOP_UP):
        return (0, str(_ORDER.index(account)))
    if account in _ORDER:
        return (2, str(_ORDER.index(account)))
    return (1, account)


def months_of(days: list[DayLedger]) -> dict[str, Books]:
    """The same, month by month ("2026-05"); the step between two months that do not join counts for the later one."""
    by_month: dict[str, list[DayLedger]] = {}
    for day in days:
        by_month.setdefault(day.local_date[:7], []).append(day)
    found: dict[str, Books] = {}
    before_ml: int | None = None
    for month, listed in by_month.items():
        books = books_of(listed[0].tank_id, listed)
        if before_ml is not None and books.opening_ml != before_ml:
            books.entries.setdefault(NOT_RECORDED, Entry()).into_tank_ml += books.opening_ml - before_ml
            books.opening_ml = before_ml
        before_ml = books.closing_ml
        found[month] = books
    return found
