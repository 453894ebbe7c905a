"""One zone: how dry it is, what is planned and why, its schedule, what can be ordered for it, its last waterings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import charts, words
from dashboards.events import ENDINGS
from dashboards.figures import figure, legend, period_links
from dashboards.frame import Desk, e, hidden, link, order_button
from dashboards.history import litres
from dashboards.page import badges, because, held_back, hold_form, soil
from dashboards.periods import Period
from dashboards.senml import StreamRecord, Value
from dashboards.store import DAY_MS, HistoryStore
from dashboards.svg import hatches
from dashboards.view import SiteView, ZoneStatus

LAST_SHOWN = 8
LOOK_BACK_DAYS = 60
TRIGGERS = {"need": "by need", "fixed": "fixed time", "order": "ordered", "drain": "line emptied"}


def zone_now(view: SiteView, zone: ZoneStatus, desk: Desk | None) -> str:
    """Everything about a zone's present; renewed by the script."""
    return (
        f'<section class="zone" aria-labelledby="zone-h"><h2 id="zone-h">{e(zone.name)} {badges(view, zone)}</h2>'
        f"{soil(view, zone)}{_plan(view, zone)}</section>"
        f'<div class="pair">{_schedule(view, zone, desk)}{_orders(view, zone, desk)}</div>'
    )


def zone_past(store: HistoryStore, view: SiteView, zone: ZoneStatus, period: Period) -> str:
    """Its soil and its water over time, and the last waterings."""
    frame = period.frame(view.now_ms)
    since_ms = min(period.start_ms, view.now_ms - LOOK_BACK_DAYS * DAY_MS)
    records = store.records(view.id, ("delivery", "start"), since_ms, view.now_ms + DAY_MS, charts.MOST_DELIVERIES)
    own = [record for record in records if record.key == zone.id]
    deliveries = [record for record in own if record.kind == "delivery"]
    seen = charts.seen_instants(store, view, period)
    doses = charts.dose_bars(view, deliveries, seen, period)[view.zones.index(zone)]
    soil_legend = legend((("water", "water left, shaded from least to most"), ("mark mark-water", "watered")))
    pictures = figure(
        "Water in the soil", charts.soil_chart(store, view, zone, deliveries, frame), soil_legend
    ) + figure("Water given", charts.zone_chart(view, doses, period))
    ways = period_links(view, f"/zone/{zone.id}", period)
    return (
        f'{hatches()}<section class="history"><h2>How it went</h2>{ways}<div class="figures">{pictures}</div></section>'
        f"{_waterings(view, own)}"
    )


def _plan(view: SiteView, zone: ZoneStatus) -> str:
    units = view.units
    cap = f" of at most {words.volume(zone.daily_cap_l, units)}" if zone.daily_cap_l is not None else ""
    start = "" if zone.watering else ", no start planned"
    if zone.next_start_ms is not None and not zone.watering:
        start = f", next start {words.moment(zone.next_start_ms, view.now_ms, view.time_zone)}"
    now = ""
    if zone.watering:
        now = f"<p class=row><b>Now</b><span>{e(words.volume(zone.delivered_now_l, units))} so far</span></p>"
    plan = f"{e(words.volume(zone.plan_l, units))}{e(start)}"
    return (
        f"{now}<p class=row><b>Plan</b><span>{plan}{because(view, zone)}</span></p>{held_back(view, zone)}"
        f"<p class=row><b>Today</b><span>{e(words.volume(zone.applied_today_l, units))} given{e(cap)}</span></p>"
        f"{_looks_words(zone)}"
    )


def _looks_words(zone: ZoneStatus) -> str:
    factor = zone.coefficient_factor
    said = f"Last said to look {zone.looks}. " if zone.looks else ""
    if factor is not None and abs(factor - 1.0) >= 0.005:
        more = "more" if factor > 1.0 else "less"
        said += f"By what was said it is taken to drink {abs(factor - 1.0) * 100:.0f} % {more} than declared."
    return f"<p class=row><b>Looks</b><span>{e(said)}</span></p>" if said else ""


def _schedule(view: SiteView, zone: ZoneStatus, desk: Desk | None) -> str:
    version = "" if zone.schedule_version is None else f" Version {zone.schedule_version}"
    version += {"": "", " Version 0": ", from the site file"}.get(version, "")
    buttons = ""
    if desk is not None and zone.schedule is not None and zone.schedule_version is not None:
        change = f'<a class="button" href="{link(f"/zone/{zone.id}/schedule", view)}">Change the schedule</a>'
        undo = ""
        if zone.schedule_version > 0:
            fields = {"order": "undo-schedule", "zone": zone.id, "base_version": str(zone.schedule_version)}
            undo = order_button(view, desk, "Undo the last change", **fields)
        buttons = f'<div class="buttons">{change}{undo}</div>'
    return (
        f'<section class="schedule"><h2>Schedule</h2><p>{e(words.schedule(zone.schedule, view.units))}'
        f"{f' <span class=note>{e(version.strip())}.</span>' if version else ''}</p>{buttons}</section>"
    )


def _orders(view: SiteView, zone: ZoneStatus, desk: Desk | None) -> str:
    if desk is None:
        return ""
    unit = words.volume_unit(view.units)
    give = (
        f'<form method="post" action="/orders" class="give">{hidden(view, desk, order="run-zone", zone=zone.id)}'
        f'<label for="volume">Extra water</label> <input id="volume" name="volume" inputmode="decimal" size="4" '
        f'required pattern="[0-9]+([.,][0-9]+)?" autocomplete="off"> {unit} <button>Give it now</button></form>'
    )
    looks = "".join(
        order_button(view, desk, f"Looks {look}", order="zone-looks", zone=zone.id, look=look)
        for look in ("dry", "wet")
    )
    return (
        f'<section class="orders"><h2>Orders</h2>{give}<div class="buttons">{looks}</div>{hold_form(view, desk, zone)}'
        '<p class="note">Reserve, daily cap and every interlock hold for orders too. How it looks counts once in 20 '
        "hours and corrects what it is taken to drink.</p></section>"
    )


@dataclass(frozen=True, slots=True)
class _Watering:
    delivery: StreamRecord
    start: StreamRecord | None


def _waterings(view: SiteView, records: Sequence[StreamRecord]) -> str:
    """The last waterings with what set them off and why. `records`: starts and deliveries, the newest first."""
    shown: list[_Watering] = []
    for place, record in enumerate(records):
        if record.kind == "delivery" and len(shown) < LAST_SHOWN:
            start = next((r for r in records[place + 1 :] if r.kind == "start"), None)
            shown.append(_Watering(record, start))
    if not shown:
        return (
            '<section class="log"><h2>Last waterings</h2>'
            f"<p>None in the last {LOOK_BACK_DAYS} days that are recorded.</p></section>"
        )
    rows = "".join(_watering(view, watering) for watering in shown)
    return f'<section class="log"><h2>Last waterings</h2><ol class="events">{rows}</ol></section>'


def _watering(view: SiteView, watering: _Watering) -> str:
    fields = watering.delivery.fields
    when = words.moment(watering.delivery.at_ms, view.now_ms, view.time_zone)
    parts = [f"<strong>{e(words.volume(litres(fields.get('volume')), view.units))}</strong>"]
    duration = fields.get("duration")
    if duration is not None and isinstance(duration.value, float):
        parts.append(f"in {e(words.span(int(duration.value * 1000)))}")
    ended = _text(fields.get("ended"))
    if ended not in ("", "done"):
        parts.append(e(ENDINGS.get(ended, ended)))
    why = ""
    if watering.start is not None:
        trigger = _text(watering.start.fields.get("trigger"))
        parts.append(e(TRIGGERS.get(trigger, trigger)))
        why = f'<span class="why">{e(words.in_units(_text(watering.start.fields.get("why")), view.units))}</span>'
    return f"<li><time>{e(when)}</time> {', '.join(part for part in parts if part)}{why}</li>"


def _text(value: Value | None) -> str:
    return value.value[:300] if value is not None and isinstance(value.value, str) else ""
