"""What the routes have in common: the feed, the site somebody asks for, and pictures of the past kept for a minute."""

from __future__ import annotations

import threading
import time
from typing import Annotated

from fastapi import HTTPException, Query, Request

from dashboards.access import Person, csrf_token, looker, may_see, sites_for
from dashboards.feed import Feed
from dashboards.page import Completeness, OrderDesk
from dashboards.past import past
from dashboards.view import SiteView, UnitSystem

PAST_KEPT_S = 60.0
SiteParameter = Annotated[str | None, Query(max_length=64, pattern=r"^[a-z0-9-]+$")]


class PastCache:
    """The history half of the page is costly on a small board and changes slowly: drawn at most once a minute."""

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, int, str], tuple[float, str]] = {}

    def html(self, view: SiteView, day_count: int) -> str:
        key = (view.id, day_count, view.units)
        with self._lock:
            drawn_s, text = self._kept.get(key, (-PAST_KEPT_S, ""))
            if time.monotonic() - drawn_s >= PAST_KEPT_S:
                text = past(self._feed.store, view, day_count)
                if len(self._kept) > 12:
                    self._kept.clear()
                self._kept[key] = (time.monotonic(), text)
            return text

    def forget(self) -> None:
        """Draw anew at the next request: something is known to have changed."""
        with self._lock:
            self._kept.clear()


class Pages:
    """What the routes have in common."""

    def __init__(self, feed: Feed, units: UnitSystem | None) -> None:
        self.feed = feed
        self.units = units
        self.last_answer = ""
        self.cache = PastCache(feed)

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

    def desk(self, request: Request) -> OrderDesk | None:
        """What forms need, for whoever may order; None for everybody else."""
        return OrderDesk(csrf_token(request), self.last_answer) if looker(request).may("act") else None

    def completeness(self, view: SiteView) -> Completeness:
        missing = sum(last - first + 1 for first, last in self.feed.missing(view))
        newest = max(self.feed.store.newest(view.id) or 0, view.newest_sequence or 0) or None
        failures = self.feed.unanswered_refills(view.id)
        note = f"The last {failures} requests brought nothing." if failures > 1 else ""
        return Completeness(newest, missing, note)
