"""What became of orders, as strips above a page: waiting, sent, accepted, refused and why, or without answer."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards import words
from dashboards.frame import Desk, e, link, order_button
from dashboards.order_book import Entry
from dashboards.view import SiteView

SHOWN_MS = 15 * 60_000
"""A settled order stays above the pages for so long."""
MOST = 3

MARKS = {"waiting": "…", "sent": "…", "accepted": "✓", "refused": "✗", "lapsed": "✗"}
STATE_WORDS = {
    "waiting": "Waiting",
    "sent": "Sent",
    "accepted": "Accepted",
    "refused": "Refused",
    "lapsed": "Not answered",
}


def worth_showing(entries: Sequence[Entry], now_ms: int, asked: str = "") -> list[Entry]:
    """What stands above a page: what is open, what was settled a moment ago, and the one that was asked for."""
    shown = [x for x in entries if x.open or x.id == asked or now_ms - (x.settled_ms or x.made_ms) < SHOWN_MS]
    return shown[:MOST]


def strips(view: SiteView, entries: Sequence[Entry], desk: Desk | None) -> str:
    """The strips, renewed by the script while any is open; they are read aloud when they change, so nothing in them
    changes by itself with the time."""
    inner = "".join(strip(view, entry, desk) for entry in entries)
    states = {entry.state for entry in entries}
    open_mark = ' data-open="sent"' if "sent" in states else ' data-open="waiting"' if "waiting" in states else ""
    return f'<div id="orders-now" role="status" aria-live="polite"{open_mark}>{inner}</div>'


def strip(view: SiteView, entry: Entry, desk: Desk | None) -> str:
    """One order and what became of it."""
    what = f"<strong>{MARKS[entry.state]} {STATE_WORDS[entry.state]}</strong>: {e(entry.words)}."
    return (
        f'<div class="strip {entry.state}"><p>{what} {e(told(view, entry))} '
        f'<span class="note">{e(entry.person)}, {e(_moment(view, entry.made_ms))}</span></p>'
        f"{_next_step(view, entry, desk)}</div>"
    )


def _moment(view: SiteView, at_ms: int) -> str:
    """A time of the book, which is this computer's, as the site's clock shows it."""
    return words.moment(at_ms + view.clocks_apart_ms, view.now_ms, view.time_zone)


def told(view: SiteView, entry: Entry) -> str:
    """The state in a sentence."""
    if entry.state == "waiting":
        why = "The controller is not there" if view.broker_connected else "The broker cannot be reached"
        until = _moment(view, entry.lapses_ms)
        return f"{why}. It goes out by itself when that has changed, until {until}; later it is dropped."
    if entry.state == "sent":
        return "No answer yet; it is sent again by itself, and acts once."
    if entry.state == "lapsed":
        return "No answer came in time. It cannot act any more unless it did before: look at the log."
    if entry.state == "refused":
        return _sentence(words.in_units(entry.reason, view.units) or "no reason was given")
    return _sentence(words.in_units(entry.reason, view.units)) if entry.reason else ""


def _next_step(view: SiteView, entry: Entry, desk: Desk | None) -> str:
    """A way back after a schedule was changed, and a way on after it was refused."""
    if desk is None or entry.command.get("order") != "set-schedule":
        return ""
    zone = next((zone for zone in view.zones if zone.id == entry.command.get("zone")), None)
    if zone is None:
        return ""
    made_version = entry.command.get("base_version")
    if entry.state == "accepted" and zone.schedule_version == (made_version or 0) + 1:
        version = str(zone.schedule_version)
        return order_button(view, desk, "Undo", order="undo-schedule", zone=zone.id, base_version=version)
    if entry.state in ("refused", "lapsed"):
        return (
            f'<p><a class="button" href="{link(f"/zone/{zone.id}/schedule", view, again=entry.id)}">'
            "Look at it again, with what you typed</a></p>"
        )
    return ""


def _sentence(text: str) -> str:
    text = text.strip()
    capital = text[:1].upper() + text[1:]
    return capital if capital.endswith((".", "!", "?")) else capital + "."
