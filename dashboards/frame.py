"""What every page has around it: the document, the site's headline and state, the way to the other pages, the foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from urllib.parse import quote, urlencode

from dashboards import words
from dashboards.access import FORM_FIELD
from dashboards.view import SiteView

SILENT_AFTER_MS = 3 * 60_000
MOST_SITES_NAMED = 5
OPEN_ORDER_REFRESH_S, REFRESH_S = 4, 60
PLACES = (("now", "Now"), ("history", "History"), ("ledger", "Ledger"), ("log", "Log"))


@dataclass(frozen=True, slots=True)
class Completeness:
    """What is known of the record's completeness: highest number, and how many below it have not arrived."""

    newest: int | None
    missing: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Desk:
    """What a page needs to offer orders: the token that proves a form is ours."""

    token: str


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a page knows beside the site: other sites, the record, who looks, and whether he may order."""

    sites: Sequence[tuple[str, str]] = ()
    done: Completeness = field(default_factory=lambda: Completeness(None, 0))
    desk: Desk | None = None
    account: str = ""
    """Name of whoever is signed in with an account; empty without one."""
    troubles: Sequence[str] = ()
    """What goes out beside the page and does not get through."""


def e(text: str) -> str:
    """Text as HTML; everything that came over MQTT or from a form goes through here."""
    return escape(text, quote=True)


def address(path: str, view: SiteView, **query: str | int) -> str:
    """An address of ours."""
    return f"{quote(path)}?{urlencode({'site': view.id} | query)}"


def link(path: str, view: SiteView, **query: str | int) -> str:
    """The same, ready for an attribute."""
    return e(address(path, view, **query))


def document(title: str, body: str, refresh_s: int = 0, place: str = "") -> str:
    """The frame around everything; style and script are files of their own, so nothing here runs by itself."""
    refresh = f'<noscript><meta http-equiv="refresh" content="{refresh_s}"></noscript>' if refresh_s else ""
    css = f' class="at-{place}"' if place else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{e(title)}</title>"
        '<link rel="stylesheet" href="/static/page.css"><link rel="icon" href="/static/icon.svg" type="image/svg+xml">'
        f'{refresh}<script src="/static/page.js" defer></script></head><body{css}>'
        f'<a class="skip" href="#main">To the content</a>{body}</body></html>'
    )


def site_page(
    view: SiteView,
    around: Surroundings,
    place: str,
    title: str,
    content: str,
    *,
    part: str = "",
    reloads: bool = False,
    before: str = "",
    after: str = "",
) -> str:
    """A whole page of a site. `part` is where its content can be had anew; `before` and `after` stand around what is
    renewed. `reloads`: without a script it is loaded again by itself, soon while an order is open."""
    refresh_s = (OPEN_ORDER_REFRESH_S if "data-open" in before else REFRESH_S) if reloads else 0
    renewed = f' data-part="{e(part)}"' if part else ""
    body = (
        f'<header><div id="head">{head(view)}</div>{_places(view, place)}</header>'
        f'<main id="main" tabindex="-1" data-site="{e(view.id)}">{before}'
        f'<div id="content"{renewed}>{content}</div>{after}</main>'
        f"{footer(view, around)}"
    )
    return document(f"{title} – {view.name}", body, refresh_s, place)


def waiting_page(domain: str, broker: str, connected: bool, problem: str) -> str:
    """What is shown before any site has been heard of."""
    said = (
        f"Connected to the broker at {broker}, but no controller has introduced itself under “{domain}/5/” yet."
        if connected
        else f"No connection to the broker at {broker} yet. {problem}"
    )
    body = (
        f'<header><h1>Waiting for a site</h1></header><main id="main"><p>{e(said)}</p>'
        "<p>The page appears by itself as soon as one is heard. Is <code>pumphouse serve</code> running, and does its "
        "site file name the same broker?</p></main>"
    )
    return document("Waiting for a site", body, refresh_s=10)


# --- the head ---


def head(view: SiteView) -> str:
    """Name, state and time of the site; what may no longer be true is said here, on every page."""
    clock = words.moment(view.now_ms, view.now_ms, view.time_zone).removeprefix("today ")
    state = f'<p class="state {_state_class(view)}">{e(_state_words(view))} · {clock}</p>'
    return f"<h1>{e(view.name)}</h1>{state}{_flag(view)}{_notice(view)}"


def _places(view: SiteView, place: str) -> str:
    links = []
    for key, name in PLACES:
        current = ' aria-current="page"' if key == place else ""
        links.append(f'<a href="{link("/" if key == "now" else f"/{key}", view)}"{current}>{name}</a>')
    return f'<nav class="places" aria-label="Pages">{"".join(links)}</nav>'


def _flag(view: SiteView) -> str:
    """How many findings wait, worst kind first; nothing when there are none."""
    found = view.findings or ()
    counts = [(sum(f.severity == s for f in found), word) for s, word in (("fault", "fault"), ("warning", "warning"))]
    said = [f"{count} {word}{'s' if count > 1 else ''}" for count, word in counts if count]
    return f'<a class="flag" href="{link("/", view)}#findings">⚠ {" and ".join(said)}</a>' if said else ""


def _state_class(view: SiteView) -> str:
    return "good" if view.live and not _silent(view) else "bad"


def _silent(view: SiteView) -> bool:
    return view.updated_at_ms is None or view.now_ms - view.updated_at_ms > SILENT_AFTER_MS


def _state_words(view: SiteView) -> str:
    if not view.broker_connected:
        return "Broker not reached"
    state = {
        "ready": "Controller is there",
        "init": "Controller is starting",
        "disconnected": "Controller was stopped",
        "sleeping": "Controller sleeps",
        "lost": "Controller lost",
        "absent": "Controller not heard",
    }[view.state]
    return "Controller silent" if view.live and _silent(view) else state


def _notice(view: SiteView) -> str:
    """One strip when what is shown may no longer be true."""
    age = words.age(view.updated_at_ms, view.now_ms)
    if not view.broker_connected:
        text = f"This page has no connection to the broker; what follows was true {age}. It reconnects by itself."
    elif view.state in ("lost", "disconnected", "sleeping", "absent"):
        text = (
            f"The controller does not answer ({view.state}); what follows was true {age}. If it lost power or stopped, "
            "its board has shut the pump and every valve by itself within seconds."
        )
    elif _silent(view):
        text = f"The controller is connected but has said nothing new; what follows was true {age}."
    elif view.board_state == "lost" or view.link_up is False:
        text = "The board in the pump house does not answer the controller: nothing is measured and nothing can run."
    else:
        return ""
    return f'<p class="notice"><strong>Careful:</strong> {e(text)}</p>'


def careful(said: Sequence[str]) -> str:
    """A strip for what the page itself has trouble with; nothing when there is none."""
    return f'<p class="notice"><strong>Careful:</strong> {e(" ".join(said))}</p>' if said else ""


# --- forms ---


def hidden(view: SiteView, desk: Desk, **fields: str) -> str:
    """The fields every form of a site has, and some of its own."""
    known = {FORM_FIELD: desk.token, "site": view.id, **fields}
    return "".join(f'<input type="hidden" name="{e(k)}" value="{e(v)}">' for k, v in known.items())


def order_button(view: SiteView, desk: Desk, label: str, css: str = "", **fields: str) -> str:
    """A form of one button that gives an order."""
    look = f' class="{css}"' if css else ""
    return (
        f'<form method="post" action="/orders">{hidden(view, desk, **fields)}<button{look}>{e(label)}</button></form>'
    )


# --- the foot ---


def footer(view: SiteView, around: Surroundings) -> str:
    """Cautions, completeness of the record, where the data can be had."""
    others = [(site_id, name) for site_id, name in around.sites if site_id != view.id]
    if len(others) > MOST_SITES_NAMED:
        elsewhere = f'<p><a href="/sites">All {len(around.sites)} sites</a></p>'
    else:
        named = "".join(f'<li><a href="/?site={e(i)}">{e(name)}</a></li>' for i, name in others)
        elsewhere = f'<p><a href="/sites">Other sites</a>:</p><ul>{named}</ul>' if others else ""
    site = e(view.id)
    account = f'<a href="/account">Account of {e(around.account)}</a> · ' if around.account else ""
    return (
        f"<footer>{careful(around.troubles)}"
        "<p class=caution><strong>Not drinking water.</strong> Stored rain is for plants only: never drink it, "
        "and never join this pipework to a drinking-water supply without the backflow protection your local rules ask "
        "for.</p>"
        f"<p>An amount after ± is right 19 times in 20. {e(_complete_words(around.done))}</p>{_clock_words(view)}"
        f'{elsewhere}<p class="note">{account}Data: <a href="/api/site?site={site}">site</a>, '
        f'<a href="/api/series?site={site}">series</a>, <a href="/openapi.json">description of the interface</a>.</p>'
        "</footer>"
    )


def _complete_words(done: Completeness) -> str:
    if done.newest is None:
        return "No record has arrived yet."
    count = f"{done.newest:,}".replace(",", words.THIN_SPACE)
    if not done.missing:
        return f"All {count} records of the site’s journal have arrived."
    missing = f"{done.missing:,}".replace(",", words.THIN_SPACE)
    lacking = f"{missing} of {count} records of the site’s journal have not arrived yet"
    return f"{lacking}; they are being asked for. {done.note}"


def _clock_words(view: SiteView) -> str:
    parts = []
    if view.clock_trust in ("coasting", "unknown"):
        parts.append(f"The controller’s clock is {'not yet set' if view.clock_trust == 'unknown' else 'running free'}.")
    if view.clocks_apart_ms:
        ahead = "ahead of" if view.clocks_apart_ms > 0 else "behind"
        apart = words.span(abs(view.clocks_apart_ms))
        parts.append(f"The site’s clock is {apart} {ahead} this computer’s; ages follow the site’s.")
    return f"<p>{e(' '.join(parts))}</p>" if parts else ""
