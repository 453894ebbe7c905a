"""Messages in words: what one addressee is told, of the sites and severities that are for them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo

from dashboards.alert_model import Message, Note

MOST_LINES = 30
LONGEST_TITLE = 120
SEVERITY_WORDS = {"fault": "Fault", "warning": "Warning", "info": "Note"}

Wanted = Callable[[Note], bool]


def compose(message: Message, wanted: Wanted, zone: tzinfo, site_count: int | None = None) -> tuple[str, str] | None:
    """Title and text for somebody who wants some of the notes; None when none of an immediate message is for them.

    `site_count` replaces the number of sites a daily message speaks of, for somebody who looks after fewer.
    """
    notes = [note for note in message.notes if wanted(note)]
    if message.kind == "daily":
        count = message.site_count if site_count is None else site_count
        return _daily_title(notes, count), _daily_text(notes, message.made_ms, zone)
    if not notes:
        return None
    return _title(notes), _lines(notes, message.made_ms, zone)


def _title(notes: Sequence[Note]) -> str:
    sites = {note.site_id: note.site_name for note in notes}
    if len(notes) == 1:
        note = notes[0]
        said = note.text[:LONGEST_TITLE] if note.what != "over" else f"over: {note.text[:LONGEST_TITLE]}"
        return f"{_who(note.site_name)}{said}"
    if all(note.what == "over" for note in notes):
        what = f"{len(notes)} findings are over"
    else:
        what = f"{sum(note.what != 'over' for note in notes)} open"
        over = sum(note.what == "over" for note in notes)
        what += f", {over} over" if over else ""
    return f"{_who(next(iter(sites.values())))}{what}" if len(sites) == 1 else f"{len(sites)} sites: {what}"


def _who(site_name: str) -> str:
    return f"{site_name}: " if site_name else ""


def _daily_title(notes: Sequence[Note], site_count: int) -> str:
    still = sum(note.what != "over" for note in notes)
    said = f"{still} open" if still else "nothing is open"
    return f"Daily summary of {site_count} {'site' if site_count == 1 else 'sites'}: {said}"


def _daily_text(notes: Sequence[Note], now_ms: int, zone: tzinfo) -> str:
    still = [note for note in notes if note.what != "over"]
    gone = [note for note in notes if note.what == "over"]
    parts = ["Open:\n" + _lines(still, now_ms, zone) if still else "Nothing is open."]
    if gone:
        parts.append("Came and went:\n" + _lines(gone, now_ms, zone))
    return "\n\n".join(parts)


def _lines(notes: Sequence[Note], now_ms: int, zone: tzinfo) -> str:
    several = len({note.site_id for note in notes}) > 1
    lines = [_line(note, now_ms, zone, several) for note in notes[:MOST_LINES]]
    more = len(notes) - MOST_LINES
    return "\n".join([*lines, f"and {more} more"] if more > 0 else lines)


def _line(note: Note, now_ms: int, zone: tzinfo, with_site: bool) -> str:
    who = _who(note.site_name) if with_site else ""
    since = _moment(note.since_ms, now_ms, zone)
    text = note.text[:1].upper() + note.text[1:]
    text = text if text.endswith((".", "!", "?")) else f"{text}."
    came = f" It came back {note.returns} {'time' if note.returns == 1 else 'times'}." if note.returns else ""
    if note.what == "over":
        return f"Over: {who}{text} It began {since}.{came}"
    head = {"new": "", "worse": "Worse: ", "still": "Still: "}[note.what]
    cure = f" Cure: {note.cure.rstrip('.')}." if note.cure else ""
    return f"{head}{SEVERITY_WORDS[note.severity]}: {who}{text} Since {since}.{came}{cure}"


def _moment(at_ms: int, now_ms: int, zone: tzinfo) -> str:
    at, now = (datetime.fromtimestamp(ms / 1000, zone) for ms in (at_ms, now_ms))
    if at.date() == now.date():
        return f"{at:%H:%M}"
    return f"{at.day} {at:%b} {at:%H:%M}"
