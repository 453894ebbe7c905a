"""All sites on one page, those that need somebody first; a word or two narrows it down."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlencode

from dashboards import words
from dashboards.frame import careful, document, e
from dashboards.standing import Need, Standing, by_need, matching, need_of

PER_PAGE = 50
LONGEST_WORDS = 100
LONGEST_FINDING = 160
HEADINGS: dict[Need, str] = {
    "lost": "Controller lost",
    "fault": "Fault",
    "silent": "Controller silent",
    "warning": "Warning",
    "stopped": "Controller was stopped",
    "starting": "Controller is starting",
    "none": "Nothing needs you",
}
CLASSES: dict[Need, str] = {"lost": "fault", "fault": "fault", "silent": "warning", "warning": "warning"}


def overview_page(
    standings: Sequence[Standing],
    now_ms: int,
    broker_connected: bool,
    asked: str = "",
    page: int = 1,
    account: str = "",
    troubles: Sequence[str] = (),
) -> str:
    """The whole page. `asked` are words to look for; `page` counts from 1."""
    found = by_need(matching(standings, asked), now_ms)
    last_page = max(1, -(-len(found) // PER_PAGE))
    page = min(max(1, page), last_page)
    shown = found[(page - 1) * PER_PAGE : page * PER_PAGE]
    needing = sum(need_of(standing, now_ms) in CLASSES for standing in standings)
    body = (
        f"<header><h1>Sites</h1>{_state(len(standings), needing, broker_connected)}</header>"
        f'<main id="main" tabindex="-1">{_search(asked)}{_notice(broker_connected)}{careful(troubles)}'
        f"{_list(shown, now_ms)}{_none_found(found, standings, asked)}"
        f"{_pages(asked, page, last_page, len(found))}</main>"
        f"{_foot(account)}"
    )
    return document(f"{needing} of {len(standings)} sites need somebody", body, refresh_s=60)


def _state(count: int, needing: int, broker_connected: bool) -> str:
    good = broker_connected and not needing
    said = f"{needing} of {count} need somebody" if needing else f"{count}, and none needs anybody"
    return f'<p class="state {"good" if good else "bad"}">{said}</p>'


def _search(asked: str) -> str:
    return (
        '<form method="get" action="/sites" role="search" class="buttons"><label for="words">Name or finding</label>'
        f'<input id="words" name="words" type="search" maxlength="{LONGEST_WORDS}" value="{e(asked)}">'
        "<button>Look</button></form>"
    )


def _notice(broker_connected: bool) -> str:
    text = "This page has no connection to the broker; what follows was true when it was last heard."
    return "" if broker_connected else careful([text])


def _list(shown: Sequence[tuple[Need, Standing]], now_ms: int) -> str:
    rows = "".join(_row(need, standing, now_ms) for need, standing in shown)
    return f'<section class="findings"><ul>{rows}</ul></section>' if rows else ""


def _row(need: Need, standing: Standing, now_ms: int) -> str:
    facts = [
        f"tank {_percent(standing.fill_percent)}",
        f"battery {_percent(standing.charge_percent)}",
        f"heard {words.age(standing.heard_at_ms or None, now_ms)}",
    ]
    name = f'<a href="/?{urlencode({"site": standing.id})}">{e(standing.name)}</a>'
    return (
        f'<li class="{CLASSES.get(need, "calm")}">{name} '
        f"<strong>{HEADINGS[need]}</strong>{_worst(standing)}"
        f'<span class="note">{e(" · ".join(facts))}</span></li>'
    )


def _worst(standing: Standing) -> str:
    """The worst finding in its own words, and how many there are beside it."""
    found = standing.worst("fault") + standing.worst("warning")
    if not found:
        return ""
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return f" {e(found[0].text[:LONGEST_FINDING])}{more}"


def _percent(value: float | None) -> str:
    return words.UNKNOWN if value is None else f"{value:.0f} %"


def _none_found(found: Sequence[object], standings: Sequence[Standing], asked: str) -> str:
    if found:
        return ""
    return (
        f"<p>None of {len(standings)} sites answers to “{e(asked)}”.</p>" if standings else "<p>No site was heard.</p>"
    )


def _pages(asked: str, page: int, last_page: int, count: int) -> str:
    if last_page == 1:
        return ""
    steps = [(page - 1, "Those before"), (page + 1, "Those after")]
    links = [
        f'<a class="button" href="/sites?{e(urlencode({"words": asked, "page": number}))}">{name}</a>'
        for number, name in steps
        if 1 <= number <= last_page
    ]
    where = f"{(page - 1) * PER_PAGE + 1} to {min(page * PER_PAGE, count)} of {count}"
    return f'<nav class="buttons" aria-label="More sites"><span>{where}</span>{"".join(links)}</nav>'


def _foot(account: str) -> str:
    said = f'<a href="/account">Account of {e(account)}</a> · ' if account else ""
    return f'<footer><p class="note">{said}Data: <a href="/api/sites">sites</a>.</p></footer>'
