"""Carries orders and questions to the sites and brings the answers back.

An order is in the book before it is sent. It goes out when its site is there; it goes out again, with the same id,
when the connection was lost or no answer came, until it is answered or its time is over. The controller acts once on an
id, however often it comes.
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from controller.errors import OperatingError
from dashboards.order_book import Entry, OrderBook
from dashboards.view import SiteView

AGAIN_AFTER_MS = 10_000
MOST_AT_ONCE = 4
"""Orders sent in one go; the controller takes one a second beyond a burst of ten."""
LONGEST_REASON = 500
STOPPING = ("stop-all", "hold", "hold-zone")
PREVIEW_WITHIN_S = 6.0
FORGET_EVERY_MS = 3_600_000


class Wire(Protocol):
    """What is needed of the feed."""

    connected: bool
    on_answer: Callable[[str, dict[str, Any]], None] | None
    on_duty: Callable[[], None] | None

    def publish(self, site_id: str, leaf: str, text: str) -> bool:
        """Hand a message over; False while there is no connection."""
        ...

    def view(self, site_id: str) -> SiteView | None:
        """The present of one site."""
        ...


class NoAnswerError(Exception):
    """A question was not answered; the text says why, for people."""


class Dispatch:
    """Hooks itself into the feed. `duty` is called about once a second by the feed's worker."""

    def __init__(self, feed: Wire, book: OrderBook, wall_ms: Callable[[], int] | None = None) -> None:
        self.book = book
        self._feed = feed
        self._wall_ms = wall_ms or (lambda: time.time_ns() // 1_000_000)
        self._questions: dict[str, _Question] = {}
        self._away: set[str] = set()
        """Sites with open orders that were not there at the last look: what was sent before may be lost."""
        self._forget_ms = 0
        feed.on_answer = self.answered
        feed.on_duty = self.duty

    def now_ms(self) -> int:
        """This computer's time, as in the book."""
        return self._wall_ms()

    # --- orders ---

    def send(
        self,
        site_id: str,
        command: dict[str, Any],
        person: str,
        words: str,
        life_ms: int,
        context: dict[str, Any] | None = None,
    ) -> Entry:
        """Note an order and send it when the site is there; the order as it then stands.

        `words` are for people; after `life_ms` it must not act. Raises OperatingError when it cannot be noted; what
        stops is sent all the same, for a stop must not depend on a disk.
        """
        now_ms = self._wall_ms()
        order_id = f"page-{secrets.token_hex(8)}"
        full = command | {"id": order_id, "sender": _sender(person)}
        entry = Entry(order_id, site_id, person, words, full, now_ms, now_ms + life_ms, context=context or {})
        try:
            self.book.add(entry)
        except OperatingError:
            if command["order"] in STOPPING and self._feed.publish(site_id, "order", json.dumps(full)):
                return replace(entry, state="sent", sent_ms=now_ms)
            raise
        if self._is_there(site_id):
            self._hand_over(entry, now_ms)
        return self.book.get(order_id) or entry

    def duty(self) -> None:
        """Close what is over, send what waits, send again what got no answer."""
        now_ms = self._wall_ms()
        self.book.lapse(now_ms)
        if now_ms >= self._forget_ms:
            self._forget_ms = now_ms + FORGET_EVERY_MS
            self.book.forget(now_ms)
        waiting = self.book.open_entries()
        there = {site_id for site_id in {entry.site for entry in waiting} if self._is_there(site_id)}
        came_back, self._away = self._away & there, {entry.site for entry in waiting} - there
        sent = 0
        for entry in waiting:
            stale = entry.sent_ms is None or now_ms - entry.sent_ms >= AGAIN_AFTER_MS
            if entry.site in there and (stale or entry.site in came_back) and sent < MOST_AT_ONCE:
                sent += self._hand_over(entry, now_ms)

    def _is_there(self, site_id: str) -> bool:
        view = self._feed.view(site_id) if self._feed.connected else None
        return view is not None and view.live

    def answered(self, site_id: str, answer: dict[str, Any]) -> None:
        """Take a site's answer to an order or a question, whoever asked."""
        answer_id = answer.get("id")
        if not isinstance(answer_id, str):
            return
        question = self._questions.get(answer_id)
        if question is not None and question.site_id == site_id:
            question.take(answer)
            return
        reason = _plain(answer.get("reason"))
        self.book.answered(site_id, answer_id, answer.get("accepted") is True, reason, self._wall_ms())

    def _hand_over(self, entry: Entry, now_ms: int) -> bool:
        if not self._feed.publish(entry.site, "order", json.dumps(entry.command)):
            return False
        self.book.sent(entry.id, now_ms)
        return True

    # --- questions ---

    def preview(self, site_id: str, zone_id: str, schedule: dict[str, Any], person: str) -> dict[str, Any]:
        """What the controller says a schedule would do. Raises NoAnswerError when it says nothing of use."""
        if not self._is_there(site_id):
            raise NoAnswerError("The controller is not there, and only it can tell.")
        question = _Question(site_id)
        ask_id = f"ask-{secrets.token_hex(8)}"
        asked = {
            "ask": "preview-schedule",
            "id": ask_id,
            "sender": _sender(person),
            "zone": zone_id,
            "schedule": schedule,
        }
        self._questions[ask_id] = question
        try:
            if not self._feed.publish(site_id, "ask", json.dumps(asked)):
                raise NoAnswerError("There is no connection to the broker.")
            answer = question.wait(PREVIEW_WITHIN_S)
        finally:
            self._questions.pop(ask_id, None)
        if answer is None:
            raise NoAnswerError(f"The controller has not answered within {PREVIEW_WITHIN_S:.0f} s.")
        found = answer.get("preview")
        if answer.get("accepted") is not True or not isinstance(found, dict):
            raise NoAnswerError(f"The controller says: {_plain(answer.get('reason')) or 'no'}.")
        return found


class _Question:
    """Waits for one answer."""

    def __init__(self, site_id: str) -> None:
        self.site_id = site_id
        self._answered = threading.Event()
        self._answer: dict[str, Any] | None = None

    def take(self, answer: dict[str, Any]) -> None:
        self._answer = answer
        self._answered.set()

    def wait(self, timeout_s: float) -> dict[str, Any] | None:
        self._answered.wait(timeout_s)
        return self._answer


def _sender(person: str) -> str:
    """A name as the controller takes it: 1 to 40 characters, none of them a control character."""
    return "".join(c for c in person if c >= " " and c != "\x7f")[:40] or "page"


def _plain(text: object) -> str:
    return text.encode("utf-8", "replace").decode("utf-8")[:LONGEST_REASON] if isinstance(text, str) else ""
