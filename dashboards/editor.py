"""The schedule editor: a form that says what is wrong beside the field, what the schedule would do, and what changed
meanwhile. It works without a script; with one the preview follows the typing."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from dashboards import words
from dashboards.frame import Desk, e, hidden, link
from dashboards.schedule_form import MODES, ROWS, Draft
from dashboards.view import SiteView, ZoneStatus, finite, time_ms

HELP = {
    "need": "The controller gives what the soil lacks, as long as the water lasts.",
    "fixed": "Whether it rained or not.",
    "off": "Nothing, not even when it is dry.",
}
SPARE_ROWS = 1
LEAST_ROWS = 2


def editor(
    view: SiteView,
    zone: ZoneStatus,
    desk: Desk,
    draft: Draft,
    base_version: int,
    base: Mapping[str, Any] | None,
    *,
    changed: Sequence[str] = (),
    preview: str = "",
) -> str:
    """The form. `base` is the schedule it was made from; `changed` says what others changed since."""
    # Without a script the answer to a preview is found at once, below what was typed.
    action = f"/zone/{zone.id}/schedule#preview"
    keep = hidden(
        view, desk, zone=zone.id, base_version=str(base_version), base=json.dumps(base, separators=(",", ":"))
    )
    return (
        f'<section class="editor" aria-labelledby="editor-h"><h2 id="editor-h">Schedule of {e(zone.name)}</h2>'
        f"{_conflict(changed)}{_wrong(draft)}"
        f'<form method="post" action="{e(action)}" id="schedule-form" data-preview="/part/preview">{keep}'
        f"{_modes(draft)}{_hours(draft)}{_fixed(view, draft)}{_limits(view, draft)}"
        f'<div id="preview" class="preview" role="status" aria-live="polite">{preview}</div>'
        '<div class="buttons"><button name="do" value="preview" class="quiet">What would it do?</button>'
        '<button name="do" value="save" class="main">Save</button>'
        f'<a class="button quiet" href="{link(f"/zone/{zone.id}", view)}">Leave it as it is</a></div></form></section>'
    )


def preview_words(view: SiteView, zone: ZoneStatus, found: Mapping[str, Any]) -> str:
    """What the controller says a schedule would do, beside what the one in force does."""
    asked, now = _object(found.get("asked")), _object(found.get("in_force"))
    day_l, day_now_l = _number(asked, "zone_day_l"), _number(now, "zone_day_l")
    site_l, site_now_l = _number(asked, "site_day_l"), _number(now, "site_day_l")
    units = view.units
    lines = [
        f"In the next 24 hours <strong>{e(words.volume(day_l, units))}</strong> for {e(zone.name)} "
        f"(now: {e(words.volume(day_now_l, units))}), {e(words.volume(site_l, units))} for all zones "
        f"(now: {e(words.volume(site_now_l, units))}).",
        _start_words(_start(view, asked), _start(view, now)),
    ]
    then_tanks, now_tanks = _object(asked.get("tanks")), _object(now.get("tanks"))
    for tank in view.tanks:
        lines.append(_supply_words(tank.id if len(view.tanks) > 1 else "", then_tanks, now_tanks, tank.id))
    why = asked.get("why")
    reason = f'<li class="why">{e(words.in_units(why[:300], units))}</li>' if isinstance(why, str) and why else ""
    items = "".join(f"<li>{line}</li>" for line in lines if line)
    return f"<h3>What it would do</h3><ul>{items}{reason}</ul>"


def no_preview(reason: str) -> str:
    """Why there is no preview; saving does not need one."""
    return f'<h3>What it would do</h3><p class="unknown">Cannot be told now. {e(reason)}</p>'


def _supply_words(name: str, then: Mapping[str, Any], now: Mapping[str, Any], tank_id: str) -> str:
    after, before = _object(then.get(tank_id)), _object(now.get(tank_id))
    key = "days_of_supply_likely" if _number(after, "days_of_supply_likely") is not None else "days_of_supply"
    days, days_before = _number(after, key), _number(before, key)
    if days is None and days_before is None:
        return ""
    which = f" in {e(name)}" if name else ""
    likely = "in likely weather" if key == "days_of_supply_likely" else "without rain"
    spread = ""
    low, high = _number(after, "days_of_supply_low"), _number(after, "days_of_supply_high")
    if low is not None and high is not None:
        spread = f", {words.days_range(low, high)} in eight of ten years"
    if days is not None and days_before is not None and abs(days - days_before) < 0.5:
        return f"The water{which} would last as long as now: {e(words.supply(days))} {likely}{e(spread)}."
    return (
        f"The water{which} would last <strong>{e(words.supply(days))}</strong> instead of "
        f"{e(words.supply(days_before))} {likely}{e(spread)}."
    )


def _start_words(then: str, now: str) -> str:
    return f"Next start as now: {e(then)}." if then == now else f"Next start {e(then)} (now: {e(now)})."


def _start(view: SiteView, intention: Mapping[str, Any]) -> str:
    at_ms = time_ms(intention.get("next_start"))
    return "none" if at_ms is None else words.moment(at_ms, view.now_ms, view.time_zone)


def _object(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _number(values: Mapping[str, Any], name: str) -> float | None:
    value = values.get(name)
    return finite(str(value)) if isinstance(value, int | float) and not isinstance(value, bool) else None


# --- the form's parts ---


def _conflict(changed: Sequence[str]) -> str:
    if not changed:
        return ""
    items = "".join(f"<li>{e(line)}</li>" for line in changed)
    return (
        '<div class="strip refused" role="alert"><p><strong>This schedule was changed since you opened it.</strong> '
        f"Below is what you typed; nothing of it is saved yet. What changed meanwhile:</p><ul>{items}</ul>"
        "<p>Save now puts your version in the place of theirs.</p></div>"
    )


def _wrong(draft: Draft) -> str:
    if not draft.problems:
        return ""
    count = len(draft.problems)
    said = "One field needs another look." if count == 1 else f"{count} fields need another look."
    return f'<p class="strip refused" role="alert"><strong>Not saved.</strong> {said}</p>'


def _modes(draft: Draft) -> str:
    chosen = draft.fields.get("mode", "")
    options = "".join(
        f'<label class="choice"><input type="radio" name="mode" value="{mode}"{" checked" if mode == chosen else ""}> '
        f"<span>{name}<small>{HELP[mode]}</small></span></label>"
        for mode, name in MODES.items()
    )
    return f'<fieldset class="modes"><legend>It is watered</legend>{options}{_problem(draft, "mode")}</fieldset>'


def _hours(draft: Draft) -> str:
    rows = []
    for n in range(1, _rows(draft, "start") + 1):
        start, end = f"start{n}", f"end{n}"
        rows.append(
            f'<div class="times">{_time(draft, start, f"From, pair {n}")} <span aria-hidden="true">to</span> '
            f"{_time(draft, end, f'To, pair {n}')}{_problem(draft, start)}{_problem(draft, end)}</div>"
        )
    return (
        f'<fieldset class="for-need"><legend>Only between these hours</legend>{"".join(rows)}'
        '<p class="note">An empty pair counts for nothing. Up to midnight: 00:00 as the end.</p></fieldset>'
    )


def _fixed(view: SiteView, draft: Draft) -> str:
    unit = words.volume_unit(view.units)
    times = "".join(
        f'<span class="one">{_time(draft, f"time{n}", f"Time {n}")}{_problem(draft, f"time{n}")}</span>'
        for n in range(1, _rows(draft, "time") + 1)
    )
    amount = _field(draft, "fixed", "Amount at each", unit, 'inputmode="decimal"')
    return (
        f'<fieldset class="for-fixed"><legend>Fixed amount</legend>{amount}<div class="times">{times}</div>'
        '<p class="note">An empty time counts for nothing.</p></fieldset>'
    )


def _limits(view: SiteView, draft: Draft) -> str:
    unit = words.volume_unit(view.units)
    return (
        "<fieldset><legend>Limits</legend>"
        f"{_field(draft, 'cap', 'At most a day', unit, 'inputmode=decimal required')}"
        f"{_field(draft, 'doses', 'Doses a day, at most', '', 'inputmode=numeric')}"
        f"{_field(draft, 'soak', 'Pause between doses', 'min', 'inputmode=numeric')}</fieldset>"
    )


def _rows(draft: Draft, name: str) -> int:
    """As many rows as are filled, and one to spare."""
    filled = max((n for n in range(1, ROWS + 1) if draft.fields.get(f"{name}{n}")), default=0)
    return min(ROWS, max(LEAST_ROWS, filled + SPARE_ROWS))


def _time(draft: Draft, name: str, label: str) -> str:
    return (
        f'<input type="time" name="{name}" value="{e(draft.fields.get(name, ""))}" aria-label="{label}"'
        f"{_described(draft, name)}>"
    )


def _field(draft: Draft, name: str, label: str, unit: str, more: str) -> str:
    return (
        f'<p class="field"><label for="f-{name}">{label}</label> <span><input id="f-{name}" name="{name}" size="6" '
        f'value="{e(draft.fields.get(name, ""))}" autocomplete="off" {more}{_described(draft, name)}> {unit}</span>'
        f"{_problem(draft, name)}</p>"
    )


def _described(draft: Draft, name: str) -> str:
    return f' aria-invalid="true" aria-describedby="p-{name}"' if name in draft.problems else ""


def _problem(draft: Draft, name: str) -> str:
    text = draft.problems.get(name)
    return f'<span class="problem" id="p-{name}">✗ {e(text)}</span>' if text else ""
