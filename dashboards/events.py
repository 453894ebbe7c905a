"""Records of the site's journal as sentences for the log of events."""

from __future__ import annotations

from collections.abc import Mapping

from dashboards import words
from dashboards.history import litres
from dashboards.senml import StreamRecord, Value
from dashboards.view import UnitSystem

EVENT_KINDS = ("delivery", "refusal", "order", "fault", "link", "schedule", "look", "journal")
LONGEST = 300

ENDINGS = {
    "stopped": "stopped by an order",
    "blocked": "something forbade the rest",
    "fault": "ended by a fault",
    "slow": "given up because the water came too slowly",
    "relief": "water of a pump that could not be stopped",
    "drained": "ran out of its line by itself",
}
COMMANDS = {
    "RunZone": "extra water",
    "HoldAll": "to hold watering",
    "ResumeAll": "to resume watering",
    "StopAll": "to stop everything",
    "SetSchedule": "a new schedule",
    "ClearFault": "to clear a fault",
    "DayWeather": "a day’s weather to be noted",
    "VoidRain": "a day’s rain to be voided",
    "ZoneLooks": "a look at a zone to be noted",
    "ForgetLooks": "to forget the looks at a zone",
    "HoldZone": "to hold a zone",
    "ResumeZone": "to resume a zone",
    "Forecast": "a weather forecast to be noted",
    "UndoSchedule": "an earlier schedule to be put back",
    "DrainZone": "to empty a zone’s line",
    "Note": "something done by hand to be noted",
}

Fields = Mapping[str, Value]


def event_words(record: StreamRecord, zone_names: Mapping[str, str], units: UnitSystem) -> str:
    """One record as a sentence in the owner's units; kinds without one of their own are listed field by field."""
    return words.in_units(_sentence(record, zone_names, units), units)


def _sentence(record: StreamRecord, zone_names: Mapping[str, str], units: UnitSystem) -> str:
    who = zone_names.get(record.key, record.key)
    fields = record.fields
    if record.kind == "delivery":
        return f"{who}: {words.volume(litres(fields.get('volume')), units)} given{_ending(fields)}."
    if record.kind == "refusal":
        told = _told(fields)
        return told if who and told.startswith(who) else f"{who or 'Watering'} held back: {told}"
    if record.kind == "order":
        return _order(fields)
    if record.kind == "fault":
        return f"{'Finding' if _true(fields, 'raised') else 'Over'}: {_told(fields)} ({record.key})"
    if record.kind == "link":
        return f"The board {'answers' if _true(fields, 'up') else 'is lost'}{_reason(fields)}."
    if record.kind == "look":
        return _look(who, fields)
    if record.kind == "schedule":
        return f"{who}: a new schedule is in force."
    if record.kind == "journal":
        return _journal(fields)
    return f"{record.kind} {who}: {_told(fields)}"


def _journal(fields: Fields) -> str:
    if _said(fields, "text"):
        return f"{_said(fields, 'text')}."
    if _true(fields, "opened_anew"):
        return "The journal broke and was begun anew."
    return "Entries of the journal were lost while the disk stood still."


def _look(who: str, fields: Fields) -> str:
    look = _said(fields, "look")
    return f"{who}: how it looked is forgotten." if look == "forgotten" else f"{who}: said to look {look}."


def _ending(fields: Fields) -> str:
    ended = _said(fields, "ended")
    return "" if ended in ("", "done") else f", {ENDINGS.get(ended, ended)}"


def _order(fields: Fields) -> str:
    command = _said(fields, "command")
    verdict = "accepted" if _true(fields, "accepted") else "refused"
    wanted = COMMANDS.get(command, command or "something")
    return f"{_said(fields, 'sender') or 'Someone'} ordered {wanted}, {verdict}{_reason(fields)}."


def _reason(fields: Fields) -> str:
    reason = _said(fields, "reason")
    return f": {reason}" if reason else ""


def _said(fields: Fields, name: str) -> str:
    value = fields.get(name)
    return value.value[:LONGEST] if value is not None and isinstance(value.value, str) else ""


def _true(fields: Fields, name: str) -> bool:
    value = fields.get(name)
    return value is not None and value.value is True


def _told(fields: Fields) -> str:
    """The record's own words, else its fields one by one."""
    texts = [_said(fields, name) for name in ("text", "reason", "why") if _said(fields, name)]
    listed = ", ".join(f"{name} {value.value} {value.unit}".rstrip() for name, value in fields.items())
    return texts[0] if texts else listed[:LONGEST]
