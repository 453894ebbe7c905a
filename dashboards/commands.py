"""What a form on the page orders: checked text becomes a command of docs/mqtt.md, with words for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from dashboards import words
from dashboards.view import SiteView, ZoneStatus, finite, utc_text

SHORT_LIFE_MS = 120_000
"""For what acts at once: who stands beside it does not want it to happen after he has gone (own choice)."""
LONG_LIFE_MS = 6 * 3_600_000
"""For what changes intentions: it may wait for a poor link (own choice)."""
LONGEST_HOLD_DAYS = 399
LONGEST_REASON = 200
ZONE_ORDERS = ("run-zone", "hold-zone", "resume-zone", "zone-looks", "forget-looks", "undo-schedule")
SITE_ORDERS = ("hold", "resume", "stop-all", "clear-fault", "void-rain")
AT_ONCE = ("run-zone", "stop-all", "clear-fault", "drain-zone")


class FormProblem(ValueError):  # noqa: N818 - it is the form's problem, not the program's
    """Why a form orders nothing; for people."""


@dataclass(frozen=True, slots=True)
class Ordered:
    """A command, what it means in words, and how long it may act."""

    command: dict[str, Any]
    words: str
    life_ms: int
    context: dict[str, Any] = field(default_factory=dict)


def ordered(form: Mapping[str, str], view: SiteView) -> Ordered:
    """The order a form means. Raises FormProblem."""
    kind = form.get("order", "")
    if kind in SITE_ORDERS:
        return finished(*_site_order(kind, form, view), view)
    if kind in ZONE_ORDERS:
        return finished(*_zone_order(kind, form, view, zone_of(form.get("zone", ""), view)), view)
    raise FormProblem("There is no such order.")


def schedule_order(
    zone: ZoneStatus, schedule: dict[str, Any], base_version: int, base: dict[str, Any] | None, view: SiteView
) -> Ordered:
    """A new schedule for a zone, made from version `base_version`, which was `base`."""
    command = {"order": "set-schedule", "zone": zone.id, "base_version": base_version, "schedule": schedule}
    made = finished(command, f"Change the schedule of {zone.name}", view)
    return Ordered(made.command, made.words, made.life_ms, {"base": base})


def zone_of(zone_id: str, view: SiteView) -> ZoneStatus:
    """Raises FormProblem for an id that is no zone's."""
    found = next((zone for zone in view.zones if zone.id == zone_id), None)
    if found is None:
        raise FormProblem("There is no such zone.")
    return found


def finished(command: dict[str, Any], said: str, view: SiteView) -> Ordered:
    """A command with the end of its life, and what it means in words."""
    life_ms = SHORT_LIFE_MS if command["order"] in AT_ONCE else LONG_LIFE_MS
    # A site whose clock differs would take our "until then" for another moment; its own default is a minute.
    if not view.clocks_apart_ms:
        command["not_after"] = utc_text(view.now_ms + life_ms)
    return Ordered(command, said, life_ms)


def _site_order(kind: str, form: Mapping[str, str], view: SiteView) -> tuple[dict[str, Any], str]:
    if kind == "hold":
        until, said = _until(form, view)
        return {"order": kind} | until, f"Hold watering{said}"
    if kind == "void-rain":
        return _void_rain(form)
    if kind == "clear-fault":
        fault = form.get("fault", "")[:64]
        return {"order": kind, "fault": fault}, f"Clear the fault {fault}"
    return {"order": kind}, {"resume": "Resume watering", "stop-all": "Stop everything"}[kind]


def _void_rain(form: Mapping[str, str]) -> tuple[dict[str, Any], str]:
    reason = " ".join(form.get("reason", "").split())[:LONGEST_REASON]
    try:
        day = date.fromisoformat(form.get("date", ""))
    except ValueError:
        raise FormProblem("Choose one of the days.") from None
    if not reason:
        raise FormProblem("Say what the gauge counted in place of rain.")
    command = {"order": "void-rain", "date": day.isoformat(), "reason": reason}
    return command, f"Take back the rain of {day:%A} {day.day} {day:%B}"


def _zone_order(kind: str, form: Mapping[str, str], view: SiteView, zone: ZoneStatus) -> tuple[dict[str, Any], str]:
    command: dict[str, Any] = {"order": kind, "zone": zone.id}
    if kind == "run-zone":
        litres = _litres(form.get("volume", ""), view)
        return command | {"volume_l": litres}, f"Give {zone.name} {words.volume(litres, view.units)}"
    if kind == "hold-zone":
        until, said = _until(form, view)
        return command | until, f"Hold {zone.name}{said}"
    if kind == "zone-looks":
        look = form.get("look", "")
        if look not in ("dry", "wet"):
            raise FormProblem("It looks either dry or wet.")
        return command | {"look": look}, f"{zone.name} looks {look}"
    if kind == "undo-schedule":
        version = form.get("base_version", "")
        if not version.isdecimal() or len(version) > 9:
            raise FormProblem("The version of the schedule is missing; load the page again.")
        return command | {"base_version": int(version)}, f"Undo the last change to the schedule of {zone.name}"
    if kind == "resume-zone":
        return command, f"Resume {zone.name}"
    return command, f"Forget how {zone.name} looked"


def _litres(text: str, view: SiteView) -> float:
    amount = finite(text.strip().replace(",", "."), 0.0)
    if not amount:
        raise FormProblem("The amount must be a number above 0, for example 6 or 2.5.")
    litres = amount * words.L_PER_US_GAL if view.units == "us" else amount
    return round(litres, 3)


def _until(form: Mapping[str, str], view: SiteView) -> tuple[dict[str, str], str]:
    """A hold's end: the beginning of a local date; without one, until somebody resumes."""
    text = form.get("until", "").strip()
    if not text:
        return {}, ""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise FormProblem("Write the day as 2026-05-14, or leave it out.") from None
    today = datetime.fromtimestamp(view.now_ms / 1000, view.time_zone).date()
    if not 0 < (day - today).days <= LONGEST_HOLD_DAYS:
        raise FormProblem(f"The day must come after today, and within {LONGEST_HOLD_DAYS} days.")
    start_ms = int(datetime(day.year, day.month, day.day, tzinfo=view.time_zone).timestamp() * 1000)
    return {"until": utc_text(start_ms)}, f" until {day:%A} {day.day} {day:%B}"
