"""The lower half of the page as HTML: pictures, ledger and log, from the page's own history."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from html import escape

from dashboards import charts, words
from dashboards.events import EVENT_KINDS, event_words
from dashboards.history import Days, LedgerDay, days_until, ledger_days, start_of
from dashboards.page import legend
from dashboards.senml import StreamRecord
from dashboards.store import HistoryStore
from dashboards.svg import hatches
from dashboards.view import SiteView

RANGES = ((7, "week"), (60, "60 days"), (365, "year"))
DEFAULT_DAYS = 60
LEDGER_SHOWN = 7
LEDGER_DAYS = 30
EVENTS_SHOWN = 20


def past(store: HistoryStore, view: SiteView, day_count: int) -> str:
    """Everything about the stretch of time that ends now."""
    frame = charts.frame_of(view, day_count)
    tank_points = {t.id: charts.tank_volume_points(store, view.id, t.id, frame) for t in view.tanks}
    days = days_until(view.now_ms, day_count, view.time_zone, [p for points in tank_points.values() for p in points])
    if any(zone.applied_today_l is not None for zone in view.zones):
        days = replace(days, known=days.known | {days.dates[-1]})
    start_ms = start_of(days.dates[0], days.zone)
    deliveries = store.records(view.id, ("delivery",), start_ms, view.now_ms)
    recent = Days(days.dates[-charts.STACKED_DAYS :], days.known, days.zone)
    pictures = [
        _figure(
            "Water stored" + (f": {tank.id}" if len(view.tanks) > 1 else ""),
            charts.tank_chart(store, view, tank, tank_points[tank.id], frame),
            legend((("water", "volume, shaded by how uncertain it is"),)),
        )
        for tank in view.tanks
    ]
    zone_names = [(charts.zone_class(i), zone.name) for i, zone in enumerate(view.zones)]
    pictures.append(
        _figure(
            f"Water given, last {len(recent.dates)} days",
            charts.dose_chart(view, deliveries, recent),
            legend(zone_names),
        )
    )
    pictures.append(_figure("Rain", charts.rain_chart(store, view, days), ""))
    pictures.append(
        _figure(
            "Battery",
            charts.battery_chart(store, view, frame),
            legend((("power", "mean; shaded from lowest to highest"),)),
        )
    )
    return (
        f'{hatches()}<section class="history"><h2>History</h2>{_ranges(view, day_count)}'
        f'<div class="figures">{"".join(pictures)}</div>{_sparks(view, deliveries, days)}</section>'
        f"{_ledger(store, view, days)}{_events(store, view)}"
    )


def _figure(title: str, picture: str, below: str) -> str:
    return f"<figure><figcaption>{escape(title)}</figcaption>{picture}{below}</figure>"


def _ranges(view: SiteView, day_count: int) -> str:
    links = []
    for count, name in RANGES:
        current = " aria-current=page" if count == day_count else ""
        links.append(f'<a href="/?site={escape(view.id)}&amp;days={count}"{current}>{name}</a>')
    return f'<nav class="ranges" aria-label="How far back">{"".join(links)}</nav>'


def _sparks(view: SiteView, deliveries: Sequence[StreamRecord], days: Days) -> str:
    rows = []
    for index, zone in enumerate(view.zones):
        picture = charts.zone_spark(view, zone, index, deliveries, days)
        rows.append(f"<tr><th scope=row>{escape(zone.name)}</th><td>{picture}</td></tr>")
    table = f'<table class="sparks">{"".join(rows)}</table>'
    return _figure("Water given per day, each zone to its own scale", table, "") if rows else ""


def _ledger(store: HistoryStore, view: SiteView, days: Days) -> str:
    start_ms = start_of(days.dates[-min(len(days.dates), LEDGER_DAYS)], days.zone)
    closed = ledger_days(store.records(view.id, ("ledger",), start_ms, view.now_ms), days)
    if not closed:
        return '<section class="ledger"><h2>Where the water went</h2><p>No day has been closed yet.</p></section>'
    shown, older = closed[:LEDGER_SHOWN], closed[LEDGER_SHOWN:]
    more = (
        f'<details id="older-days"><summary>{len(older)} earlier days</summary>{_ledger_table(view, older)}</details>'
        if older
        else ""
    )
    return f'<section class="ledger"><h2>Where the water went</h2>{_ledger_table(view, shown)}{more}</section>'


def _ledger_table(view: SiteView, closed: Sequence[LedgerDay]) -> str:
    several = len(view.tanks) > 1
    unit = words.volume_unit(view.units)
    heads = [
        "Day",
        *(["Tank"] if several else []),
        "Began with",
        "Rain",
        "Topped up",
        "To zones",
        "Overflow",
        "Unexplained",
        "Ended with",
    ]
    rows = []
    for day in closed:
        spilled = day.entry("overflow")
        cells = [day.opening_l, day.entry("rain"), day.entry("top-up"), day.zones_l]
        cells += [None if spilled is None else -spilled + 0.0, day.entry("unexplained"), day.closing_l]
        numbers = "".join(f"<td>{escape(_cell(view, value))}</td>" for value in cells)
        tank = f"<td>{escape(day.tank_id)}</td>" if several else ""
        rows.append(f"<tr><th scope=row>{day.day:%a} {day.day.day} {day.day:%b}</th>{tank}{numbers}</tr>")
    head = "".join(f"<th scope=col>{h}</th>" for h in heads)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="Day ledger in {unit}"><table>'
        f"<caption>{unit}, day by day</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _cell(view: SiteView, value: float | None) -> str:
    return "?" if value is None else words.sized(words.volume_value(value, view.units))


def _events(store: HistoryStore, view: SiteView) -> str:
    records = store.records(view.id, EVENT_KINDS, 0, view.now_ms + 86_400_000, EVENTS_SHOWN)
    names = {zone.id: zone.name for zone in view.zones}
    rows = []
    for record in records:
        when = words.moment(record.at_ms, view.now_ms, view.time_zone)
        rows.append(f"<li><time>{escape(when)}</time> {escape(event_words(record, names, view.units))}</li>")
    body = f'<ol class="events">{"".join(rows)}</ol>' if rows else "<p>Nothing yet.</p>"
    return f'<section class="log"><h2>What happened last</h2>{body}</section>'
