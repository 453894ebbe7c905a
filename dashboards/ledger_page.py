"""The ledger: where the water came from and where it went, month by month, and the days of a month."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from dashboards import charts, words
from dashboards.figures import figure, legend
from dashboards.frame import e, link
from dashboards.history import LedgerDay, LedgerMonth, ledger_days, ledger_months, local_date, start_of
from dashboards.store import DAY_MS, HistoryStore
from dashboards.svg import hatches
from dashboards.view import SiteView

MONTHS_SHOWN = 12
LEGEND = (
    ("rained", "rain"),
    ("topped-up", "topped up"),
    ("to-zones", "to zones"),
    ("overflowed", "overflow"),
    ("lost", "leak and evaporation"),
    ("unexplained", "unexplained"),
)
HEADS = ("Rain", "To zones", "Overflow", "Unexplained", "Lost", "Topped up", "Began with", "Ended with")
MOST_DAYS = 20_000


def ledger(store: HistoryStore, view: SiteView, month: date | None) -> str:
    """Twelve months as table and picture; with `month`, its days."""
    today = local_date(view.now_ms, view.time_zone)
    first = _months_back(today.replace(day=1), MONTHS_SHOWN - 1)
    start_ms = start_of(first, view.time_zone)
    # A day is closed a moment after it has ended.
    records = store.records(view.id, ("ledger",), start_ms, view.now_ms + DAY_MS, MOST_DAYS)
    closed = [day for day in ledger_days(records, view.time_zone) if day.day >= first]
    if month is not None:
        return _days_of_month(store, view, month)
    if not closed:
        return '<section class="ledger"><h2>Where the water went</h2><p>No day has been closed yet.</p></section>'
    months = ledger_months(closed)
    picture = figure("In above the line, out below it", charts.ledger_chart(view, months), legend(LEGEND))
    return (
        f'{hatches()}<section class="ledger"><h2>Where the water went</h2>{picture}{_month_table(view, months)}'
        '<p class="note">Lost is what leaks and evaporation took. Unexplained is what was measured beyond all that is '
        "booked: with a sign before it, water went that nobody booked.</p></section>"
    )


def _month_table(view: SiteView, months: Sequence[LedgerMonth]) -> str:
    rows = []
    for month in reversed(months):
        name = f"{month.first:%B %Y}"
        address = link("/ledger", view, month=f"{month.first:%Y-%m}")
        cells = _cells(
            view,
            *(month.rain_l, month.zones_l, month.overflow_l, month.unexplained_l),
            *(month.leak_l + month.evaporation_l, month.top_up_l, month.opening_l, month.closing_l),
        )
        rows.append(f'<tr><th scope=row><a href="{address}">{e(name)}</a></th>{cells}</tr>')
    return _table(view, "month by month", ("Month", *HEADS), rows)


def _days_of_month(store: HistoryStore, view: SiteView, month: date) -> str:
    following = _months_back(month, -1)
    start_ms, end_ms = start_of(month, view.time_zone), start_of(following, view.time_zone)
    records = store.records(view.id, ("ledger",), start_ms, end_ms + DAY_MS, MOST_DAYS)
    days = [d for d in ledger_days(records, view.time_zone) if month <= d.day < following]
    title = f"Where the water went in {month:%B %Y}"
    before, today = _months_back(month, 1), local_date(view.now_ms, view.time_zone)
    ways = [f'<a href="{link("/ledger", view, month=f"{before:%Y-%m}")}">← {before:%B}</a>']
    ways.append(f'<a href="{link("/ledger", view)}">All months</a>')
    if following <= today:
        ways.append(f'<a href="{link("/ledger", view, month=f"{following:%Y-%m}")}">{following:%B} →</a>')
    nav = f'<nav class="moves" aria-label="Other months">{"".join(ways)}</nav>'
    if not days:
        return f'<section class="ledger"><h2>{e(title)}</h2>{nav}<p>No day of it has been closed.</p></section>'
    several = len(view.tanks) > 1
    rows = [_day_row(view, day, several) for day in days]
    heads = ("Day", *(("Tank",) if several else ()), *HEADS)
    return f'<section class="ledger"><h2>{e(title)}</h2>{nav}{_table(view, "day by day", heads, rows)}</section>'


def _day_row(view: SiteView, day: LedgerDay, several: bool) -> str:
    spilled = day.entry("overflow")
    leak, evaporated = day.entry("leak"), day.entry("evaporation")
    lost_l = None if leak is None or evaporated is None else -leak - evaporated + 0.0
    cells = _cells(
        view,
        *(day.entry("rain"), day.zones_l, None if spilled is None else -spilled + 0.0, day.entry("unexplained")),
        *(lost_l, day.entry("top-up"), day.opening_l, day.closing_l),
    )
    tank = f"<td>{e(day.tank_id)}</td>" if several else ""
    return f"<tr><th scope=row>{day.day:%a} {day.day.day} {day.day:%b}</th>{tank}{cells}</tr>"


def _cells(view: SiteView, *volumes_l: float | None) -> str:
    said = ["?" if v is None else words.sized(words.volume_value(v, view.units)) for v in volumes_l]
    return "".join(f"<td>{e(text)}</td>" for text in said)


def _table(view: SiteView, what: str, heads: Sequence[str], rows: Sequence[str]) -> str:
    unit = words.volume_unit(view.units)
    head = "".join(f"<th scope=col>{h}</th>" for h in heads)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="Ledger {what} in {unit}"><table>'
        f"<caption>{unit}, {what}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _months_back(first: date, count: int) -> date:
    """The first of the month so many months before; a negative count goes forward."""
    number = first.year * 12 + first.month - 1 - count
    return date(number // 12, number % 12 + 1, 1)


def month_of(text: str | None) -> date | None:
    """ "2026-06" as its first day; None for anything else."""
    try:
        return date.fromisoformat(f"{text}-01")
    except ValueError:
        return None
