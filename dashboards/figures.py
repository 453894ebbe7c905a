"""Pictures with what stands around them: captions, legends, and the way to other stretches of time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dashboards.frame import e, link
from dashboards.periods import SPANS, Period
from dashboards.svg import swatch
from dashboards.view import SiteView


def figure(title: str, picture: str, below: str = "") -> str:
    return f"<figure><figcaption>{e(title)}</figcaption>{picture}{below}</figure>"


def legend(entries: Sequence[tuple[str, str]]) -> str:
    """(style class, words) pairs under a picture."""
    items = "".join(f"<li>{swatch(name)} {e(label)}</li>" for name, label in entries)
    return f'<ul class="legend">{items}</ul>'


def period_links(view: SiteView, path: str, period: Period) -> str:
    """Links to other lengths and to earlier and later stretches: they work without a script."""
    today = datetime.fromtimestamp(view.now_ms / 1000, view.time_zone).date()
    spans = []
    for span in SPANS:
        current = ' aria-current="true"' if span == period.span else ""
        address = link(path, view, span=span, end=period.last.isoformat())
        spans.append(f'<a href="{address}"{current}>{span.capitalize()}</a>')
    earlier, later = period.earlier(), period.later(today)
    back = f'<a href="{link(path, view, span=period.span, end=earlier.last.isoformat())}">← Earlier</a>'
    forth = "<span>Later →</span>"
    if later is not None:
        forth = f'<a href="{link(path, view, span=period.span, end=later.last.isoformat())}">Later →</a>'
    return (
        f'<nav class="ranges spans" aria-label="How long">{"".join(spans)}</nav>'
        f'<nav class="moves" aria-label="Back and forth in time">{back}<strong>{e(period.title)}</strong>{forth}</nav>'
    )
