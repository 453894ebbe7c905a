"""The orders given from here, and what became of them."""

from __future__ import annotations

from collections.abc import Sequence

from dashboards.frame import Desk
from dashboards.order_book import Entry
from dashboards.strip import strip
from dashboards.view import SiteView


def orders(view: SiteView, entries: Sequence[Entry], desk: Desk | None) -> str:
    """The newest first."""
    shown = "".join(strip(view, entry, desk) for entry in entries)
    body = shown or "<p>None yet.</p>"
    return (
        f'<section class="log"><h2>Orders given</h2>{body}'
        '<p class="note">An order keeps its number however often it is sent, so the controller acts on it once.</p>'
        "</section>"
    )
