"""What the stored records say per local day: water given, rain, the ledger, and the log of events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo

from dashboards.homie import json_or_none
from dashboards.senml import StreamRecord, Value
from dashboards.series import Point
from dashboards.view import finite

L_PER_M3 = 1000.0
MM_PER_M = 1000.0


@dataclass(frozen=True, slots=True)
class Days:
    """A run of local dates, the last one today; and which of them anything is known of."""

    dates: tuple[date, ...]
    known: frozenset[date]
    zone: tzinfo

    def of(self, at_ms: int) -> date:
        return datetime.fromtimestamp(at_ms / 1000, self.zone).date()

    def values(self, totals: Mapping[date, float]) -> list[float | None]:
        """A total per date: what is not in `totals` is zero on a known day and unknown on any other."""
        return [totals.get(d, 0.0 if d in self.known else None) for d in self.dates]


def days_until(now_ms: int, count: int, zone: tzinfo, points: Iterable[Point]) -> Days:
    """The last `count` dates; a date with a reading is known."""
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    dates = tuple(today - timedelta(days=back) for back in range(count - 1, -1, -1))
    known = {datetime.fromtimestamp(p.at_ms / 1000, zone).date() for p in points}
    return Days(dates, frozenset(known), zone)


def start_of(day: date, zone: tzinfo) -> int:
    """UTC ms at which a local date begins."""
    return int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)


def doses_by_zone(records: Iterable[StreamRecord], days: Days) -> dict[str, dict[date, float]]:
    """Litres delivered per zone and date, from delivery records."""
    totals: dict[str, dict[date, float]] = {}
    for record in records:
        volume_l = litres(record.fields.get("volume"))
        if record.kind != "delivery" or volume_l is None:
            continue
        zone = totals.setdefault(record.key, {})
        day = days.of(record.at_ms)
        zone[day] = zone.get(day, 0.0) + volume_l
    return totals


def rain_by_day(records: Iterable[StreamRecord], running: Iterable[Point], days: Days) -> dict[date, float]:
    """Millimetres of rain per date: the day's closing where there is one, else the highest running total of the day."""
    totals: dict[date, float] = {}
    for point in running:
        day = days.of(point.at_ms)
        totals[day] = max(totals.get(day, 0.0), point.high * MM_PER_M)
    for record in records:
        rain = record.fields.get("rain")
        if record.kind == "day" and rain is not None and isinstance(rain.value, float):
            totals[_date_of(record, days)] = rain.value * MM_PER_M
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


def ledger_days(records: Sequence[StreamRecord], days: Days) -> list[LedgerDay]:
    """Closed days, the newest first."""
    return [_ledger_day(record, days) for record in records if record.kind == "ledger"]


def _ledger_day(record: StreamRecord, days: Days) -> LedgerDay:
    listed = record.fields.get("entries_ml")
    entries = json_or_none(listed.value) if listed is not None and isinstance(listed.value, str) else None
    booked = {
        account: float(ml) / 1000.0
        for account, ml in (entries.items() if isinstance(entries, dict) else ())
        if isinstance(ml, int | float) and not isinstance(ml, bool) and finite(str(ml)) is not None
    }
    opening, closing = litres(record.fields.get("opening")), litres(record.fields.get("closing"))
    return LedgerDay(record.key, _date_of(record, days), opening, closing, booked)


def _date_of(record: StreamRecord, days: Days) -> date:
    """The date a closing says it is about, else the date a moment before it was written."""
    said = record.fields.get("local_date", record.fields.get("date"))
    try:
        return date.fromisoformat(str(said.value) if said is not None else "")
    except ValueError:
        return days.of(record.at_ms - 60_000)


def litres(value: Value | None) -> float | None:
    """A volume as litres, whatever unit the stream gave; None when it is not a volume."""
    if value is None or isinstance(value.value, str | bool):
        return None
    factor = {"m3": L_PER_M3, "l": 1.0}.get(value.unit)
    return None if factor is None else value.value * factor
