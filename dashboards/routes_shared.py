"""What the routes have in common: the feed, the site somebody asks for, what stands around a page, pictures kept for a
minute."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Annotated

from fastapi import HTTPException, Query, Request

from dashboards.access import Person, csrf_token, looker, may_see, sites_for, visit
from dashboards.dispatch import Dispatch
from dashboards.feed import Feed
from dashboards.frame import Completeness, Desk, Surroundings
from dashboards.strip import strips, worth_showing
from dashboards.view import SiteView, UnitSystem, ZoneStatus

PICTURES_KEPT_S = 60.0
KEPT_MOST = 48
RECENT_ORDERS = 30
SiteParameter = Annotated[str | None, Query(max_length=64, pattern=r"^[a-z0-9-]+$")]
OrderParameter = Annotated[str, Query(max_length=64, pattern=r"^[A-Za-z0-9-]*$")]
DateParameter = Annotated[str | None, Query(max_length=10)]


class Kept:
    """What is costly to draw on a small board and changes slowly: drawn at most once a minute."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, ...], tuple[float, str]] = {}

    def html(self, key: tuple[str, ...], draw: Callable[[], str]) -> str:
        with self._lock:
            drawn_s, text = self._kept.get(key, (-PICTURES_KEPT_S, ""))
        if time.monotonic() - drawn_s < PICTURES_KEPT_S:
            return text
        text = draw()
        with self._lock:
            if len(self._kept) >= KEPT_MOST:
                self._kept.clear()
            self._kept[key] = (time.monotonic(), text)
        return text

    def forget(self) -> None:
        """Draw anew at the next request: something is known to have changed."""
        with self._lock:
            self._kept.clear()


class Pages:
    """What the routes have in common."""

    def __init__(self, feed: Feed, dispatch: Dispatch, units: UnitSystem | None) -> None:
        self.feed = feed
        self.dispatch = dispatch
        self.units = units
        self.kept = Kept()

    def sites(self, person: Person) -> list[tuple[str, str]]:
        """(id, name) of every site heard of that this person may see."""
        return sites_for(person, self.feed.sites())

    def find(self, person: Person, site: str | None) -> SiteView | None:
        """The site asked for, or the first; None when there is none that this person may see."""
        if site is None:
            site = next((site_id for site_id, _ in self.sites(person)), None)
        if site is None or not may_see(person, site):
            return None
        return self.feed.view(site, self.units)

    def view(self, person: Person, site: str | None) -> SiteView:
        """Raises HTTPException 404 when the site has not been heard of, or is not this person's to see."""
        view = self.find(person, site)
        if view is None:
            raise HTTPException(404, "no such site has been heard of")
        return view

    def zone(self, view: SiteView, zone_id: str) -> ZoneStatus:
        """Raises HTTPException 404 for an id that is no zone's."""
        found = next((zone for zone in view.zones if zone.id == zone_id), None)
        if found is None:
            raise HTTPException(404, "this site has no such zone")
        return found

    def desk(self, request: Request) -> Desk | None:
        """What forms need, for whoever may order; None for everybody else."""
        return Desk(csrf_token(request)) if looker(request).may("act") else None

    def around(self, request: Request, person: Person, view: SiteView) -> Surroundings:
        """What a page knows beside the site."""
        account = person.name if visit(request).has_account else ""
        troubles = self.troubles(person)
        return Surroundings(self.sites(person), self.completeness(view), self.desk(request), account, troubles)

    def troubles(self, person: Person) -> list[str]:
        """What does not get out of this machine, for whoever may do something about it."""
        return self.feed.troubles() if person.may("act") else []

    def strips(self, request: Request, view: SiteView, asked: str = "") -> str:
        """What became of the last orders, above a page."""
        now_ms = self.dispatch.now_ms()
        entries = worth_showing(self.dispatch.book.recent(view.id, RECENT_ORDERS), now_ms, asked)
        return strips(view, entries, self.desk(request))

    def completeness(self, view: SiteView) -> Completeness:
        """How much of the site's record has arrived."""
        missing = sum(last - first + 1 for first, last in self.feed.missing(view))
        newest = max(self.feed.store.newest(view.id) or 0, view.newest_sequence or 0) or None
        failures = self.feed.unanswered_refills(view.id)
        note = f"The last {failures} requests brought nothing." if failures > 1 else ""
        return Completeness(newest, missing, note)
