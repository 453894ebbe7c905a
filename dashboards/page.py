"""What matters now: water, power, what runs, what comes next and why, findings with their cure, the zones."""

from __future__ import annotations

from datetime import timedelta

from dashboards import words
from dashboards.frame import Desk, Surroundings, address, e, hidden, link, order_button, site_page
from dashboards.history import local_date
from dashboards.view import FindingStatus, SiteView, TankStatus, ZoneStatus

STALE_AFTER_MS = 10 * 60_000
TWO_SIGMA = 2.0
NEXT_SHOWN = 3
FINDINGS_OPEN = 4
FINDING_MARKS = {"fault": "✗", "warning": "⚠", "info": "i"}
FINDING_WORDS = {"fault": "Fault", "warning": "Warning", "info": "Note"}


def now_page(view: SiteView, around: Surroundings, before: str = "", glimpse: str = "") -> str:
    """The first page of a site. `before`: strips of orders; `glimpse`: pictures of the last days."""
    part = address("/part/present", view)
    content = present(view, around.desk)
    return site_page(
        *(view, around, "now", headline(view), content), part=part, reloads=True, before=before, after=glimpse
    )


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


def present(view: SiteView, desk: Desk | None = None) -> str:
    """Everything about now."""
    return (
        f'<section class="essentials" aria-label="Water and power">{"".join(_tank(view, t) for t in view.tanks)}'
        f'{_facts(view)}</section><div class="pair">'
        f'<section class="doing" aria-labelledby="doing-h"><h2 id="doing-h">{e(headline(view))}</h2>'
        f"{_doing(view)}</section><div>{_findings(view, desk)}{_orders(view, desk)}</div></div>{_zones(view)}"
    )


def _tank(view: SiteView, tank: TankStatus) -> str:
    units = view.units
    several = f" <small>{e(tank.id)}</small>" if len(view.tanks) > 1 else ""
    if tank.volume_l is None:
        value = '<p class="big unknown">unknown</p>'
    else:
        margin, bound = "", '<small class="bound">at least</small> ' if tank.at_least else ""
        if tank.uncertainty_l is not None and not tank.at_least:
            spread = words.volume(TWO_SIGMA * tank.uncertainty_l, units)
            margin = f' <span class="margin" title="19 times in 20">± {e(spread)}</span>'
        unit = words.volume_unit(units)
        amount = words.volume(tank.volume_l, units).removesuffix(f" {unit}")
        value = f'<p class="big">{bound}{e(amount)}<small>{unit}</small>{margin}</p>'
    return (
        f'<div class="tank"><h2>Water stored{several}</h2>{value}{_level_bar(tank)}'
        f"<p>{e(_tank_words(view, tank))}{_stale(view, tank.measured_at_ms)}</p></div>"
    )


def _tank_words(view: SiteView, tank: TankStatus) -> str:
    parts = []
    if tank.capacity_l is not None:
        full = (
            f"{'at least ' if tank.at_least else ''}{tank.fill_percent:.0f} % of "
            if tank.fill_percent is not None
            else "holds "
        )
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
    """A lying gauge: filled part, pale uncertainty, a notch for the reserve. The words beside it say the same."""
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
    """Small tiles: each a name, a value and how old it is or what it means."""
    tiles = [_supply_tile(tank, len(view.tanks) > 1) for tank in view.tanks]
    power, weather = view.power, view.weather
    voltage = "voltage unknown" if power.battery_v is None else f"{power.battery_v:.2f} V"
    doubt = ", doubtful" if power.quality == "suspect" else ""
    battery_age = words.age(power.measured_at_ms, view.now_ms)
    tiles.append(
        _tile("Battery", words.percent(power.charge_percent), f"{voltage}{doubt}, {battery_age}")
        if power.charge_percent is not None or power.battery_v is None
        else _tile("Battery", voltage, f"charge unknown, {battery_age}")
    )
    coming = weather.rain_to_come_mm
    rain_note = "since midnight" if coming is None else f"{words.depth(coming, view.units)} forecast"
    tiles.append(_tile("Rain today", words.depth(weather.rain_today_mm, view.units), rain_note))
    air_age = words.age(weather.measured_at_ms, view.now_ms) if weather.temperature_c is not None else ""
    tiles.append(_tile("Air", words.temperature(weather.temperature_c, view.units), air_age))
    tiles.append(_tile("Thirst today", words.depth(weather.et0_today_mm, view.units), "of reference grass"))
    return f'<dl class="facts">{"".join(tiles)}</dl>'


def _supply_tile(tank: TankStatus, several: bool) -> str:
    """How long the water lasts: the range of likely years where the controller gives one, else without any rain."""
    name = f"Lasts ({tank.id})" if several else "Lasts"
    if tank.supply_low_days is None or tank.supply_high_days is None:
        note = "at expected use, without rain" if tank.supply_days is not None else ""
        return _tile(name, words.days(tank.supply_days), note, wide=True)
    dry = "" if tank.supply_days is None else f"; {words.days(tank.supply_days)} without rain"
    likely = tank.supply_likely_days
    middle = "" if likely is None else f"likely {words.supply(likely)}"
    return _tile(name, words.days_range(tank.supply_low_days, tank.supply_high_days), f"{middle}{dry}", wide=True)


def _tile(name: str, value: str, note: str, wide: bool = False) -> str:
    css = ' class="unknown"' if value == words.UNKNOWN else ""
    size = ' class="wide"' if wide else ""
    return f"<div{size}><dt>{e(name)}</dt><dd{css}>{e(value)}</dd><dd class=note>{e(note)}</dd></div>"


def _doing(view: SiteView) -> str:
    lines = []
    for zone in view.running:
        so_far = e(words.volume(zone.delivered_now_l, view.units))
        lines.append(f"<p><strong>{e(zone.name)}</strong>: {so_far} so far.</p>")
    if view.held:
        until = "someone resumes it"
        if view.hold_until_ms:
            until = words.moment(view.hold_until_ms, view.now_ms, view.time_zone)
        lines.append(f"<p>Watering is on hold until {e(until)}.</p>")
    if view.held is None:
        lines.append("<p>Whether watering is on hold is unknown.</p>")
    pump = {True: "on", False: "off", None: words.UNKNOWN}[view.pump_running]
    lines.append(f'<p class="note">Pump {pump}{", read back" if view.link_up else ", board not answering"}.</p>')
    if not view.upcoming:
        none = "Nothing else is planned." if view.running else "No watering is planned."
        return f"{''.join(lines)}<p>{none}{_because_all(view)}</p>"
    items = [
        f"<li><strong>{e(words.moment(z.next_start_ms, view.now_ms, view.time_zone))}</strong> {e(z.name)}, "
        f"{e(words.volume(z.plan_l, view.units))}{because(view, z) if index == 0 else ''}</li>"
        for index, z in enumerate(view.upcoming[:NEXT_SHOWN])
    ]
    return f'{"".join(lines)}<h3>Next</h3><ol class="next">{"".join(items)}</ol>'


def _because_all(view: SiteView) -> str:
    """Why nothing is planned, when every zone says the same."""
    reasons = {zone.why for zone in view.zones}
    return because(view, view.zones[0]) if len(reasons) == 1 else ""


def because(view: SiteView, zone: ZoneStatus) -> str:
    """The plan's reason, small."""
    return f' <span class="why">{e(words.in_units(zone.why, view.units))}</span>' if zone.why else ""


def held_back(view: SiteView, zone: ZoneStatus) -> str:
    """Why a wanted watering did not start."""
    if not zone.last_refusal:
        return ""
    return f'<p class="refusal">Held back: {e(words.in_units(zone.last_refusal, view.units))}</p>'


# --- findings ---


def _findings(view: SiteView, desk: Desk | None) -> str:
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


def _finding(view: SiteView, finding: FindingStatus, desk: Desk | None) -> str:
    since = f" Since {words.moment(finding.since_ms, view.now_ms, view.time_zone)}." if finding.since_ms else ""
    kept = " Stays until someone clears it." if finding.latched else ""
    cure = f"<br><span class=cure>Cure: {e(words.in_units(finding.cure, view.units))}</span>" if finding.cure else ""
    clear = ""
    if desk and finding.latched:
        clear = order_button(view, desk, "Clear it", order="clear-fault", fault=finding.id)
    mark = f'<span aria-hidden="true">{FINDING_MARKS[finding.severity]}</span>'
    return (
        f'<li class="{finding.severity}"><strong>{mark} {FINDING_WORDS[finding.severity]}</strong> '
        f"{e(sentence(words.in_units(finding.text, view.units)))}{cure}"
        f'<span class="note">{e(since + kept)} <code>{e(finding.id)}</code></span>{clear}</li>'
    )


def sentence(text: str) -> str:
    """The same words with a capital and a full stop."""
    text = text.strip()
    capital = text[:1].upper() + text[1:]
    return capital if capital.endswith((".", "!", "?")) else capital + "."


# --- orders ---


def _orders(view: SiteView, desk: Desk | None) -> str:
    if desk is None:
        return ""
    stop = order_button(view, desk, "Stop everything", "stop-all", order="stop-all")
    return (
        f'<section class="orders" aria-label="Orders"><div class="buttons">{stop}'
        f"{hold_form(view, desk)}</div>"
        f'<p class="note"><a href="{link("/orders", view)}">Orders given</a>. Extra water and schedules: on the page '
        "of each zone.</p></section>"
    )


def hold_form(view: SiteView, desk: Desk, zone: ZoneStatus | None = None) -> str:
    """Hold the site or one zone, for good or until a day begins; or resume what is held."""
    end = "" if zone is None else "-zone"
    which = {} if zone is None else {"zone": zone.id}
    name = "watering" if zone is None else "this zone"
    if view.held if zone is None else zone.held:
        return order_button(view, desk, f"Resume {name}", order=f"resume{end}", **which)
    tomorrow = local_date(view.now_ms, view.time_zone) + timedelta(days=1)
    return (
        f'<form method="post" action="/orders" class="hold">{hidden(view, desk, order=f"hold{end}", **which)}'
        f"<button>Hold {name}</button> "
        '<label for="until">until the morning of</label> '
        f'<input id="until" type="date" name="until" min="{tomorrow.isoformat()}" aria-describedby="until-n"> '
        '<span class="note" id="until-n">no day: until someone resumes</span></form>'
    )


# --- zones ---


def _zones(view: SiteView) -> str:
    cards = "".join(_zone(view, zone) for zone in view.zones)
    return f'<section class="zones"><h2>Zones</h2><div class="cards">{cards}</div></section>'


def _zone(view: SiteView, zone: ZoneStatus) -> str:
    units = view.units
    cap = f" of at most {words.volume(zone.daily_cap_l, units)}" if zone.daily_cap_l is not None else ""
    start = ""
    if zone.next_start_ms is not None and zone.wants_water and not zone.watering:
        start = f", next start {words.moment(zone.next_start_ms, view.now_ms, view.time_zone)}"
    plan = f"{e(words.volume(zone.plan_l, units))} today{e(start)}{because(view, zone)}"
    return (
        f'<article><h3><a href="{link(f"/zone/{zone.id}", view)}">{e(zone.name)}</a> {badges(view, zone)}</h3>'
        f"{soil(view, zone)}"
        f"<p class=row><b>Today</b><span>{e(words.volume(zone.applied_today_l, units))} given{e(cap)}</span></p>"
        f"<p class=row><b>Plan</b><span>{plan}</span></p>{held_back(view, zone)}</article>"
    )


def badges(view: SiteView, zone: ZoneStatus) -> str:
    """Whether water flows, and whether the zone is held."""
    flow = {True: '<span class="badge on">watering</span>', False: "", None: '<span class="badge">state unknown</span>'}
    until = ""
    if zone.hold_until_ms is not None:
        until = f" until {words.moment(zone.hold_until_ms, view.now_ms, view.time_zone)}"
    held = f' <span class="badge held">held{e(until)}</span>' if zone.held else ""
    return f"{flow[zone.watering]}{held}"


def soil(view: SiteView, zone: ZoneStatus) -> str:
    """The root zone's water as a word, a bar of what is left with a notch where thirst begins, and the numbers."""
    word = words.wetness(zone.depletion_mm, zone.total_available_mm, zone.readily_mm)
    if zone.depletion_mm is None or not zone.total_available_mm:
        return "<p class=row><b>Soil</b><span class=unknown>unknown</span></p>"
    total_mm = zone.total_available_mm
    left = _share(total_mm - zone.depletion_mm, total_mm)
    missing = words.depth(zone.depletion_mm, view.units).rpartition(" ")[0]
    whole = words.depth(total_mm, view.units)
    notch = ""
    if zone.readily_mm is not None:
        at = _share(total_mm - zone.readily_mm, total_mm)
        notch = f'<line class="notch" x1="{at:.0f}%" x2="{at:.0f}%" y1="0" y2="12"/>'
    return (
        f"<p class=row><b>Soil</b><span>{e(word)}: {e(missing)} of {e(whole)} missing</span></p>"
        f'<svg class="soil" width="100%" height="12" aria-hidden="true"><rect class="track" width="100%" height="12"/>'
        f'<rect class="fill" width="{left:.0f}%" height="12"/>{notch}</svg>'
    )
