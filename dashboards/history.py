"""What the stored records say per local day and month: rain, and the ledger of the tanks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, tzinfo

from dashboards.homie import json_or_none
from dashboards.senml import StreamRecord, Value
from dashboards.series import Point
from dashboards.view import finite

L_PER_M3 = 1000.0
MM_PER_M = 1000.0


def local_date(at_ms: int, zone: tzinfo) -> date:
    """The date of an instant at the site."""
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


def start_of(day: date, zone: tzinfo) -> int:
    """UTC ms at which a local date begins."""
    return int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)


def rain_by_day(records: Iterable[StreamRecord], running: Iterable[Point], zone: tzinfo) -> dict[date, float]:
    """Millimetres of rain per date: the day's closing where there is one, else the highest running total of the day."""
    totals: dict[date, float] = {}
    for point in running:
        day = local_date(point.at_ms, zone)
        totals[day] = max(totals.get(day, 0.0), point.high * MM_PER_M)
    for record in records:
        rain = record.fields.get("rain")
        if record.kind == "day" and rain is not None and isinstance(rain.value, float):
            totals[_date_of(record, zone)] = rain.value * MM_PER_M
    return totals


@dataclass(frozen=True, slots=True)
class LedgerDay:
    """One tank's day in litres; `entries_l` by account, what left the tank is negative. None is unknown."""

    tank_id: str
    day: date
    opening_l: float | None
    closing_l: float | None
    entries_l: dict[str, float] = field(default_factory=dict)

    def entry(self, account: str) -> float | None:
        """What came from one account: nothing booked is zero once anything of the day is known."""
        return self.entries_l.get(account, 0.0 if self.opening_l is not None else None)

    @property
    def zones_l(self) -> float | None:
        """What all zones took, positive."""
        if self.opening_l is None:
            return None
        return -sum(v for account, v in self.entries_l.items() if account.startswith("zone:")) + 0.0


@dataclass(frozen=True, slots=True)
class LedgerMonth:
    """All closed days of one or several tanks in a month, in litres; what left is positive here.

    `unexplained_l` is what was found above what was booked; below zero, something went that nobody booked.
    """

    first: date
    days: int
    opening_l: float | None
    closing_l: float | None
    rain_l: float
    top_up_l: float
    zones_l: float
    overflow_l: float
    leak_l: float
    evaporation_l: float
    unexplained_l: float


def ledger_days(records: Iterable[StreamRecord], zone: tzinfo) -> list[LedgerDay]:
    """Closed days, the newest first."""
    return [_ledger_day(record, zone) for record in records if record.kind == "ledger"]


def ledger_months(closed: Iterable[LedgerDay]) -> list[LedgerMonth]:
    """Days added up by calendar month, the oldest first; a day whose opening is unknown adds nothing."""
    by_month: dict[date, list[LedgerDay]] = {}
    for day in closed:
        by_month.setdefault(day.day.replace(day=1), []).append(day)
    return [_month(first, by_month[first]) for first in sorted(by_month)]


def _month(first: date, closed: Sequence[LedgerDay]) -> LedgerMonth:
    earliest, latest = min(d.day for d in closed), max(d.day for d in closed)

    def booked(account: str) -> float:
        return sum(day.entry(account) or 0.0 for day in closed)

    return LedgerMonth(
        first=first,
        days=len({d.day for d in closed}),
        opening_l=_total([d.opening_l for d in closed if d.day == earliest]),
        closing_l=_total([d.closing_l for d in closed if d.day == latest]),
        rain_l=booked("rain"),
        top_up_l=booked("top-up"),
        zones_l=sum(day.zones_l or 0.0 for day in closed),
        overflow_l=-booked("overflow") + 0.0,
        leak_l=-booked("leak") + 0.0,
        evaporation_l=-booked("evaporation") + 0.0,
        unexplained_l=booked("unexplained"),
    )


def _total(volumes_l: Sequence[float | None]) -> float | None:
    known = [volume_l for volume_l in volumes_l if volume_l is not None]
    return sum(known) if len(known) == len(volumes_l) else None


def _ledger_day(record: StreamRecord, zone: tzinfo) -> LedgerDay:
    listed = record.fields.get("entries_ml")
    entries = json_or_none(listed.value) if listed is not None and isinstance(listed.value, str) else None
    booked = {
        account: float(ml) / 1000.0
        for account, ml in (entries.items() if isinstance(entries, dict) else ())
        if isinstance(ml, int | float) and not isinstance(ml, bool) and finite(str(ml)) is not None
    }
    opening, closing = litres(record.fields.get("opening")), litres(record.fields.get("closing"))
    return LedgerDay(record.key, _date_of(record, zone), opening, closing, booked)


def _date_of(record: StreamRecord, zone: tzinfo) -> date:
    """The date a closing says it is about, else the date a moment before it was written."""
    said = record.fields.get("local_date", record.fields.get("date"))
    try:
        return date.fromisoformat(str(said.value) if said is not None else "")
    except ValueError:
        return local_date(record.at_ms - 60_000, zone)


def litres(value: Value | None) -> float | None:
    """A volume as litres, whatever unit the stream gave; None when it is not a volume."""
    if value is None or isinstance(value.value, str | bool):
        return None
    factor = {"m3": L_PER_M3, "l": 1.0}.get(value.unit)
    return None if factor is None else value.value * factor
