"""The page as HTML text: the present on top, history below. Everything that came over MQTT is escaped here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from dashboards import words
from dashboards.svg import swatch
from dashboards.view import FindingStatus, SiteView, TankStatus, ZoneStatus

STALE_AFTER_MS = 10 * 60_000
SILENT_AFTER_MS = 3 * 60_000
TWO_SIGMA = 2.0
NEXT_SHOWN = 3
FINDINGS_OPEN = 4


@dataclass(frozen=True, slots=True)
class OrderDesk:
    """What the page needs to offer orders: the token that proves a form is ours, and how the last order went."""

    token: str
    last_answer: str = ""


@dataclass(frozen=True, slots=True)
class Completeness:
    """What is known of the record's completeness: highest number, and how many below it have not arrived."""

    newest: int | None
    missing: int
    note: str = ""


def document(title: str, body: str, refresh_s: int = 60) -> str:
    """The frame around everything; style and script are files of their own, so nothing here runs by itself."""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{_e(title)}</title>"
        '<link rel="stylesheet" href="/static/page.css"><link rel="icon" href="/static/icon.svg" type="image/svg+xml">'
        f'<noscript><meta http-equiv="refresh" content="{refresh_s}"></noscript>'
        f'<script src="/static/page.js" defer></script></head><body>{body}</body></html>'
    )


def full_page(
    view: SiteView, past: str, sites: Sequence[tuple[str, str]], desk: OrderDesk | None, done: Completeness
) -> str:
    """The whole page of one site."""
    body = (
        f'<main id="main" data-site="{_e(view.id)}"><div id="present">{present(view, desk)}</div>'
        f'<div id="past">{past}</div></main>{footer(view, sites, done)}'
    )
    return document(headline(view) + " – " + view.name, body)


def waiting_page(domain: str, broker: str, connected: bool, problem: str) -> str:
    """What is shown before any site has been heard of."""
    said = (
        f"Connected to the broker at {broker}, but no controller has introduced itself under “{domain}/5/” yet."
        if connected
        else f"No connection to the broker at {broker} yet. {problem}"
    )
    body = (
        f'<main id="main"><div id="present"><header><h1>Waiting for a site</h1></header><p>{_e(said)}</p>'
        "<p>The page appears by itself as soon as one is heard. Is <code>pumphouse serve</code> running, and does its "
        "site file name the same broker?</p></div></main>"
    )
    return document("Waiting for a site", body, refresh_s=10)


# --- the present ---


def headline(view: SiteView) -> str:
    """The state of affairs in a few words."""
    if not view.broker_connected:
        return "No connection to the broker"
    if not view.live:
        return "Controller not there"
    if view.running:
        return "Watering " + words.listing([z.name for z in view.running])
    if view.held:
        return "On hold"
    return "Nothing is running"


def present(view: SiteView, desk: OrderDesk | None = None) -> str:
    """Everything about now."""
    return (
        f"{_header(view)}{_notice(view)}"
        f'<section class="essentials" aria-label="Water and power">{"".join(_tank(view, t) for t in view.tanks)}'
        f'{_facts(view)}</section><div class="pair">'
        f'<section class="doing" aria-labelledby="doing-h"><h2 id="doing-h">{_e(headline(view))}</h2>'
        f"{_doing(view)}</section>{_findings(view, desk)}</div>{_orders(view, desk)}{_zones(view)}"
    )


def _header(view: SiteView) -> str:
    clock = words.moment(view.now_ms, view.now_ms, view.time_zone).removeprefix("today ")
    state = f'<p class="state {_state_class(view)}">{_e(_state_words(view))} · {clock}</p>'
    return f"<header><h1>{_e(view.name)}</h1>{state}{_flag(view)}</header>"


def _flag(view: SiteView) -> str:
    """How many findings wait further down, worst kind first; nothing when there are none."""
    found = view.findings or ()
    counts = [(sum(f.severity == s for f in found), word) for s, word in (("fault", "fault"), ("warning", "warning"))]
    said = [f"{count} {word}{'s' if count > 1 else ''}" for count, word in counts if count]
    return f'<a class="flag" href="#findings">⚠ {" and ".join(said)}</a>' if said else ""


def _state_class(view: SiteView) -> str:
    return "good" if view.live and not _silent(view) else "bad"


def _silent(view: SiteView) -> bool:
    return view.updated_at_ms is None or view.now_ms - view.updated_at_ms > SILENT_AFTER_MS


def _state_words(view: SiteView) -> str:
    if not view.broker_connected:
        return "Broker not reached"
    state = {
        "ready": "Controller is there",
        "init": "Controller is starting",
        "disconnected": "Controller was stopped",
        "sleeping": "Controller sleeps",
        "lost": "Controller lost",
        "absent": "Controller not heard",
    }[view.state]
    return "Controller silent" if view.live and _silent(view) else state


def _notice(view: SiteView) -> str:
    """One strip when what is shown may no longer be true."""
    age = words.age(view.updated_at_ms, view.now_ms)
    if not view.broker_connected:
        text = f"This page has no connection to the broker; what follows was true {age}. It reconnects by itself."
    elif view.state in ("lost", "disconnected", "sleeping", "absent"):
        text = (
            f"The controller does not answer ({view.state}); what follows was true {age}. If it lost power or stopped, "
            "its board has shut the pump and every valve by itself within seconds."
        )
    elif _silent(view):
        text = f"The controller is connected but has said nothing new; what follows was true {age}."
    elif view.board_state == "lost" or view.link_up is False:
        text = "The board in the pump house does not answer the controller: nothing is measured and nothing can run."
    else:
        return ""
    return f'<p class="notice" role="status"><strong>Careful:</strong> {_e(text)}</p>'


def _tank(view: SiteView, tank: TankStatus) -> str:
    units = view.units
    several = f" <small>{_e(tank.id)}</small>" if len(view.tanks) > 1 else ""
    if tank.volume_l is None:
        value = '<p class="big unknown">unknown</p>'
    else:
        margin = ""
        if tank.uncertainty_l is not None:
            spread = words.volume(TWO_SIGMA * tank.uncertainty_l, units)
            margin = f' <span class="margin" title="19 times in 20">± {_e(spread)}</span>'
        unit = words.volume_unit(units)
        amount = words.volume(tank.volume_l, units).removesuffix(f" {unit}")
        value = f'<p class="big">{_e(amount)}<small>{unit}</small>{margin}</p>'
    return (
        f'<div class="tank"><h2>Water stored{several}</h2>{value}{_level_bar(tank)}'
        f"<p>{_e(_tank_words(view, tank))}{_stale(view, tank.measured_at_ms)}</p></div>"
    )


def _tank_words(view: SiteView, tank: TankStatus) -> str:
    parts = []
    if tank.capacity_l is not None:
        full = f"{tank.fill_percent:.0f} % of " if tank.fill_percent is not None else "holds "
        parts.append(f"{full}{words.volume(tank.capacity_l, view.units)}")
    if tank.reserve_l:
        below = tank.volume_l is not None and tank.volume_l < tank.reserve_l
        kept = words.volume(tank.reserve_l, view.units)
        parts.append(f"below the reserve of {kept}" if below else f"{kept} kept in reserve")
    if tank.quality == "suspect":
        parts.append("level doubtful")
    parts.append(f"measured {words.age(tank.measured_at_ms, view.now_ms)}")
    return " · ".join(parts)


def _level_bar(tank: TankStatus) -> str:
    """A lying gauge: filled part, hatched uncertainty, a notch for the reserve. The words beside it say the same."""
    parts = ['<rect class="track" width="100%" height="22"/>']
    if tank.volume_l is not None and tank.capacity_l:
        share = _share(tank.volume_l, tank.capacity_l)
        parts.append(f'<rect class="fill" width="{share:.1f}%" height="22"/>')
        spread_l = TWO_SIGMA * (tank.uncertainty_l or 0.0)
        left = _share(tank.volume_l - spread_l, tank.capacity_l)
        right = _share(tank.volume_l + spread_l, tank.capacity_l)
        parts.append(f'<rect class="doubt" x="{left:.1f}%" width="{right - left:.1f}%" height="22"/>')
    if tank.reserve_l and tank.capacity_l:
        notch = _share(tank.reserve_l, tank.capacity_l)
        parts.append(f'<line class="notch" x1="{notch:.1f}%" x2="{notch:.1f}%" y1="0" y2="22"/>')
    return f'<svg class="gauge" width="100%" height="22" aria-hidden="true">{"".join(parts)}</svg>'


def _share(part: float, whole: float) -> float:
    return min(100.0, max(0.0, 100.0 * part / whole))


def _stale(view: SiteView, at_ms: int | None) -> str:
    if at_ms is None or view.now_ms - at_ms <= STALE_AFTER_MS:
        return ""
    return ' <strong class="stale">old reading</strong>'


def _facts(view: SiteView) -> str:
    """Small tiles: each a name, a value and how old it is."""
    tiles = [
        _tile(
            f"Lasts{f' ({tank.id})' if len(view.tanks) > 1 else ''}",
            words.days(tank.supply_days),
            "at expected use" if tank.supply_days is not None else "",
        )
        for tank in view.tanks
    ]
    power, weather = view.power, view.weather
    voltage = "voltage unknown" if power.battery_v is None else f"{power.battery_v:.2f} V"
    doubt = ", doubtful" if power.quality == "suspect" else ""
    battery_age = words.age(power.measured_at_ms, view.now_ms)
    tiles.append(
        _tile("Battery", words.percent(power.charge_percent), f"{voltage}{doubt}, {battery_age}")
        if power.charge_percent is not None or power.battery_v is None
        else _tile("Battery", voltage, f"charge unknown, {battery_age}")
    )
    pump = {True: "on", False: "off", None: words.UNKNOWN}[view.pump_running]
    tiles.append(_tile("Pump", pump, "read back" if view.link_up else "board not answering"))
    tiles.append(_tile("Rain today", words.depth(weather.rain_today_mm, view.units), "since midnight"))
    air_age = words.age(weather.measured_at_ms, view.now_ms) if weather.temperature_c is not None else ""
    tiles.append(_tile("Air", words.temperature(weather.temperature_c, view.units), air_age))
    tiles.append(_tile("Thirst today", words.depth(weather.et0_today_mm, view.units), "of reference grass"))
    return f'<dl class="facts">{"".join(tiles)}</dl>'


def _tile(name: str, value: str, note: str) -> str:
    css = ' class="unknown"' if value == words.UNKNOWN else ""
    return f"<div><dt>{_e(name)}</dt><dd{css}>{_e(value)}</dd><dd class=note>{_e(note)}</dd></div>"


def _doing(view: SiteView) -> str:
    lines = []
    for zone in view.running:
        lines.append(
            f"<p><strong>{_e(zone.name)}</strong>: {_e(words.volume(zone.delivered_now_l, view.units))} so far.</p>"
        )
    if view.held:
        until = (
            words.moment(view.hold_until_ms, view.now_ms, view.time_zone)
            if view.hold_until_ms
            else "someone resumes it"
        )
        lines.append(f"<p>Watering is on hold until {_e(until)}.</p>")
    if view.held is None:
        lines.append("<p>Whether watering is on hold is unknown.</p>")
    if not view.upcoming:
        return f"{''.join(lines)}<p>No watering is planned.{_because_all(view)}</p>"
    items = [
        f"<li><strong>{_e(words.moment(z.next_start_ms, view.now_ms, view.time_zone))}</strong> {_e(z.name)}, "
        f"{_e(words.volume(z.plan_l, view.units))}{_because(z) if index == 0 else ''}</li>"
        for index, z in enumerate(view.upcoming[:NEXT_SHOWN])
    ]
    return f'{"".join(lines)}<h3>Next</h3><ol class="next">{"".join(items)}</ol>'


def _because_all(view: SiteView) -> str:
    """Why nothing is planned, when every zone says the same."""
    reasons = {zone.why for zone in view.zones}
    return _because(view.zones[0]) if len(reasons) == 1 else ""


def _because(zone: ZoneStatus) -> str:
    return f'<span class="why">{_e(zone.why)}</span>' if zone.why else ""


def _findings(view: SiteView, desk: OrderDesk | None) -> str:
    if view.findings is None:
        return '<section class="findings"><h2>Findings</h2><p>Unknown: the controller has not said.</p></section>'
    if not view.findings:
        return '<section class="findings none"><h2>Findings</h2><p>None: nothing needs you.</p></section>'
    items = [_finding(view, f, desk) for f in view.findings]
    shown, more = "".join(items[:FINDINGS_OPEN]), "".join(items[FINDINGS_OPEN:])
    if more:
        more = (
            f'<details id="more-findings"><summary>{len(items) - FINDINGS_OPEN} more</summary><ul>{more}</ul></details>'
        )
    return f'<section class="findings" id="findings"><h2>Findings</h2><ul>{shown}</ul>{more}</section>'


def _finding(view: SiteView, finding: FindingStatus, desk: OrderDesk | None) -> str:
    word = {"fault": "Fault", "warning": "Warning", "info": "Note"}[finding.severity]
    since = f" Since {words.moment(finding.since_ms, view.now_ms, view.time_zone)}." if finding.since_ms else ""
    kept = " Stays until someone clears it." if finding.latched else ""
    cure = f"<br><span class=cure>Cure: {_e(finding.cure)}</span>" if finding.cure else ""
    clear = _form(view, desk, "clear-fault", "Clear it", {"fault": finding.id}) if desk and finding.latched else ""
    return (
        f'<li class="{finding.severity}"><strong>{word}</strong> {_e(_sentence(finding.text))}{cure}'
        f'<span class="note">{_e(since + kept)} <code>{_e(finding.id)}</code></span>{clear}</li>'
    )


def _orders(view: SiteView, desk: OrderDesk | None) -> str:
    if desk is None:
        return ""
    answer = f'<p class="answer" role="status">{_e(desk.last_answer)}</p>' if desk.last_answer else ""
    hold = _form(view, desk, "resume", "Resume watering") if view.held else _form(view, desk, "hold", "Hold watering")
    options = "".join(f'<option value="{_e(z.id)}">{_e(z.name)}</option>' for z in view.zones)
    run = (
        f'<form method="post" action="/orders">{_hidden(view, desk, "run-zone")}<label>Give '
        f'<select name="zone">{options}</select></label> <label>an extra <input name="volume" inputmode="decimal" '
        f'size="4" required pattern="[0-9]+([.,][0-9]+)?"> {words.volume_unit(view.units)}</label> '
        "<button>Give water now</button></form>"
    )
    return (
        f'<section class="orders"><h2>Orders</h2>{answer}<div class="buttons">'
        f"{_form(view, desk, 'stop-all', 'Stop everything')}{hold}</div>{run if view.zones else ''}"
        "<p class=note>Reserve, daily cap and every interlock hold for orders too. This page has no accounts yet, so "
        "it takes orders on this machine only.</p></section>"
    )


def _hidden(view: SiteView, desk: OrderDesk, order: str, extra: dict[str, str] | None = None) -> str:
    fields = {"token": desk.token, "site": view.id, "order": order, **(extra or {})}
    return "".join(f'<input type="hidden" name="{_e(k)}" value="{_e(v)}">' for k, v in fields.items())


def _form(view: SiteView, desk: OrderDesk, order: str, label: str, extra: dict[str, str] | None = None) -> str:
    hidden = _hidden(view, desk, order, extra)
    return f'<form method="post" action="/orders">{hidden}<button class="{_e(order)}">{_e(label)}</button></form>'


def _zones(view: SiteView) -> str:
    cards = "".join(_zone(view, zone) for zone in view.zones)
    return f'<section class="zones"><h2>Zones</h2><div class="cards">{cards}</div></section>'


def _zone(view: SiteView, zone: ZoneStatus) -> str:
    units = view.units
    flow = {
        True: '<span class="badge on">watering</span>',
        False: "",
        None: '<span class="badge">state unknown</span>',
    }[zone.watering]
    cap = f" of at most {words.volume(zone.daily_cap_l, units)}" if zone.daily_cap_l is not None else ""
    start = ""
    if zone.next_start_ms is not None and zone.wants_water:
        start = f", next start {words.moment(zone.next_start_ms, view.now_ms, view.time_zone)}"
    held_back = f"<p class=refusal>Held back: {_e(zone.last_refusal)}</p>" if zone.last_refusal else ""
    return (
        f"<article><h3>{_e(zone.name)} {flow}</h3>{_soil(view, zone)}"
        f"<p class=row><b>Today</b><span>{_e(words.volume(zone.applied_today_l, units))} given{_e(cap)}</span></p>"
        f"<p class=row><b>Plan</b><span>{_e(words.volume(zone.plan_l, units))} today{_e(start)}{_because(zone)}</span>"
        "</p>"
        f"{held_back}<p class=row><b>Schedule</b><span>{_e(words.schedule(zone.schedule, units))}</span></p></article>"
    )


def _soil(view: SiteView, zone: ZoneStatus) -> str:
    """The root zone's water as a word, a bar of what is left, and the numbers."""
    word = words.wetness(zone.depletion_mm, zone.total_available_mm)
    if zone.depletion_mm is None or not zone.total_available_mm:
        return "<p class=row><b>Soil</b><span class=unknown>unknown</span></p>"
    left = _share(zone.total_available_mm - zone.depletion_mm, zone.total_available_mm)
    missing = words.depth(zone.depletion_mm, view.units).rpartition(" ")[0]
    whole = words.depth(zone.total_available_mm, view.units)
    return (
        f"<p class=row><b>Soil</b><span>{_e(word)}: {_e(missing)} of {_e(whole)} missing</span></p>"
        f'<svg class="soil" width="100%" height="8" aria-hidden="true"><rect class="track" width="100%" height="8"/>'
        f'<rect class="fill" width="{left:.0f}%" height="8"/></svg>'
    )


def legend(entries: Sequence[tuple[str, str]]) -> str:
    """(style class, words) pairs under a picture."""
    items = "".join(f"<li>{swatch(name)} {_e(label)}</li>" for name, label in entries)
    return f'<ul class="legend">{items}</ul>'


def footer(view: SiteView, sites: Sequence[tuple[str, str]], done: Completeness) -> str:
    """Cautions, completeness of the record, where the data can be had."""
    others = "".join(f'<li><a href="/?site={_e(i)}">{_e(name)}</a></li>' for i, name in sites if i != view.id)
    elsewhere = f"<p>Other sites:</p><ul>{others}</ul>" if others else ""
    site = _e(view.id)
    return (
        "<footer><p class=caution><strong>Not drinking water.</strong> Stored rain is for plants only: never drink it, "
        "and never join this pipework to a drinking-water supply without the backflow protection your local rules ask "
        "for.</p>"
        f"<p>An amount after ± is right 19 times in 20. {_e(_complete_words(done))}</p>{_clock_words(view)}{elsewhere}"
        f'<p class="note">Data: <a href="/api/site?site={site}">site</a>, '
        f'<a href="/api/series?site={site}">series</a>, <a href="/openapi.json">description of the interface</a>.</p>'
        "</footer>"
    )


def _complete_words(done: Completeness) -> str:
    if done.newest is None:
        return "No record has arrived yet."
    count = f"{done.newest:,}".replace(",", words.THIN_SPACE)
    if not done.missing:
        return f"All {count} records of the site’s journal have arrived."
    missing = f"{done.missing:,}".replace(",", words.THIN_SPACE)
    lacking = f"{missing} of {count} records of the site’s journal have not arrived yet"
    return f"{lacking}; they are being asked for. {done.note}"


def _clock_words(view: SiteView) -> str:
    parts = []
    if view.clock_trust in ("coasting", "unknown"):
        parts.append(f"The controller’s clock is {'not yet set' if view.clock_trust == 'unknown' else 'running free'}.")
    if view.clocks_apart_ms:
        ahead = "ahead of" if view.clocks_apart_ms > 0 else "behind"
        apart = words.span(abs(view.clocks_apart_ms))
        parts.append(f"The site’s clock is {apart} {ahead} this computer’s; ages follow the site’s.")
    return f"<p>{_e(' '.join(parts))}</p>" if parts else ""


def _sentence(text: str) -> str:
    text = text.strip()
    capital = text[:1].upper() + text[1:]
    return capital if capital.endswith((".", "!", "?")) else capital + "."


def _e(text: str) -> str:
    return escape(text, quote=True)
