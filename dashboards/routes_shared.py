"""What the routes have in common: the feed, the site somebody asks for, and pictures of the past kept for a minute."""

from __future__ import annotations

import secrets
import threading
import time
from typing import Annotated

from fastapi import HTTPException, Query

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

    def __init__(self, feed: Feed, units: UnitSystem | None, allow_orders: bool) -> None:
        self.feed = feed
        self.units = units
        self.token = secrets.token_urlsafe(32)
        self.last_answer = ""
        self.allow_orders = allow_orders
        self.cache = PastCache(feed)

    def view(self, site: str | None) -> SiteView:
        """Raises HTTPException 404 when the site has not been heard of."""
        view = self.feed.view(site, self.units)
        if view is None:
            raise HTTPException(404, "no such site has been heard of")
        return view

    def desk(self) -> OrderDesk | None:
        return OrderDesk(self.token, self.last_answer) if self.allow_orders else None

    def completeness(self, view: SiteView) -> Completeness:
        missing = sum(last - first + 1 for first, last in self.feed.missing(view))
        newest = max(self.feed.store.newest(view.id) or 0, view.newest_sequence or 0) or None
        failures = self.feed.unanswered_refills(view.id)
        note = f"The last {failures} requests brought nothing." if failures > 1 else ""
        return Completeness(newest, missing, note)
