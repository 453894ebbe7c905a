"""The site's log: what happened, the newest first, by kind, a page at a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dashboards.events import EVENT_KINDS, event_words
from dashboards.frame import e, link
from dashboards.senml import StreamRecord
from dashboards.store import HistoryStore
from dashboards.view import SiteView

PER_PAGE = 40
SAME_INSTANT = 60
"""Records of one instant that a page's edge may fall among."""
FAR_AHEAD_MS = 86_400_000
KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "all": ("Everything", EVENT_KINDS),
    "water": ("Waterings", ("delivery",)),
    "held-back": ("Held back", ("refusal",)),
    "orders": ("Orders", ("order", "schedule", "look")),
    "findings": ("Findings", ("fault", "link", "journal")),
}


@dataclass(frozen=True, slots=True)
class Before:
    """The record after which a page begins: older ones follow."""

    at_ms: int
    seq: int

    def text(self) -> str:
        return f"{self.at_ms}.{self.seq}"


def before_of(text: str | None) -> Before | None:
    """A page's beginning from an address; None for the newest page and for what makes no sense."""
    at_ms, _, seq = (text or "").partition(".")
    if not at_ms.isdecimal() or not seq.isdecimal() or len(at_ms) > 14 or len(seq) > 16:
        return None
    return Before(int(at_ms), int(seq))


def log(store: HistoryStore, view: SiteView, kind: str, before: Before | None) -> str:
    """One page of the log."""
    kind = kind if kind in KINDS else "all"
    found = _records(store, view, KINDS[kind][1], before)
    shown, more = found[:PER_PAGE], len(found) > PER_PAGE
    names = {zone.id: zone.name for zone in view.zones}
    body = _by_day(view, shown, names) if shown else "<p>Nothing.</p>"
    ways = []
    if before is not None:
        ways.append(f'<a href="{link("/log", view, kind=kind)}">← Newest</a>')
    if more:
        last = shown[-1]
        older = link("/log", view, kind=kind, before=Before(last.at_ms, last.seq).text())
        ways.append(f'<a href="{older}">Older →</a>')
    paging = f'<nav class="moves" aria-label="Pages of the log">{"".join(ways)}</nav>' if ways else ""
    return f'<section class="log"><h2>Log</h2>{_filter(view, kind)}{body}{paging}</section>'


def _records(store: HistoryStore, view: SiteView, kinds: tuple[str, ...], before: Before | None) -> list[StreamRecord]:
    until_ms = view.now_ms + FAR_AHEAD_MS if before is None else before.at_ms
    found = store.records(view.id, kinds, 0, until_ms, PER_PAGE + 1 + SAME_INSTANT)
    if before is not None:
        found = [r for r in found if (r.at_ms, r.seq) < (before.at_ms, before.seq)]
    return found


def _filter(view: SiteView, kind: str) -> str:
    links = []
    for key, (name, _) in KINDS.items():
        current = ' aria-current="true"' if key == kind else ""
        links.append(f'<a href="{link("/log", view, kind=key)}"{current}>{name}</a>')
    return f'<nav class="ranges" aria-label="What is shown">{"".join(links)}</nav>'


def _by_day(view: SiteView, records: list[StreamRecord], names: dict[str, str]) -> str:
    """A heading for each local day, so that each line needs the time alone."""
    parts: list[str] = []
    day = None
    for record in records:
        moment = datetime.fromtimestamp(record.at_ms / 1000, view.time_zone)
        if moment.date() != day:
            parts.append("</ol>" if parts else "")
            day = moment.date()
            parts.append(f'<h3>{day:%A} {day.day} {day:%B %Y}</h3><ol class="events">')
        said = e(event_words(record, names, view.units))
        parts.append(f"<li><time>{moment:%H:%M}</time> {said}</li>")
    return "".join(parts) + "</ol>"
