"""Pictures with what stands around them: captions, legends, and the way to other stretches of time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dashboards.frame import e, link
from dashboards.periods import SPANS, Period
from dashboards.svg import number, swatch
from dashboards.view import SiteView


def figure(title: str, picture: str, below: str = "") -> str:
    return f"<figure><figcaption>{e(title)}</figcaption>{picture}{below}</figure>"


def legend(entries: Sequence[tuple[str, str]]) -> str:
    """(style class, words) pairs under a picture."""
    items = "".join(f"<li>{swatch(name)} {e(label)}</li>" for name, label in entries)
    return f'<ul class="legend">{items}</ul>'


def in_numbers(
    title: str, heads: Sequence[str], labels: Sequence[str], columns: Sequence[Sequence[float | None]]
) -> str:
    """What bars show as a table to open, for whoever cannot see them; bars of which nothing is known are left out."""
    rows = []
    for label, row in zip(labels, zip(*columns, strict=True), strict=True):
        if any(value is not None for value in row):
            cells = "".join(f"<td>{_cell(value)}</td>" for value in row)
            rows.append(f"<tr><th scope=row>{e(label)}</th>{cells}</tr>")
    head = "".join(f"<th scope=col>{e(h)}</th>" for h in heads)
    return (
        f'<details class="ledger" id="in-numbers"><summary>{e(title)}</summary>'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{e(title)}"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div></details>"
    )


def _cell(value: float | None) -> str:
    if value is None:
        return "?"
    return number(value, 0.01 if 0.0 < value < 1.0 else 0.1)


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
