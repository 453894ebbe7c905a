"""The MQTT side: listens to every site below a domain, keeps tree and history up to date, asks for what is missing.

The connection only fills an inbox; one worker of ours does everything else. What one message costs does not grow with
the number of sites.
"""

from __future__ import annotations

import json
import logging
import re
import threading
import time
from collections.abc import Callable
from typing import Any

from dashboards.connection import BrokerSettings, Connection, Message
from dashboards.homie import Device, DeviceTree, json_or_none
from dashboards.refill import Hole, RefillDesk
from dashboards.senml import PackError, StreamRecord, read_pack
from dashboards.standing import Standing, StandingBook, read_standing
from dashboards.store import Batch, HistoryStore
from dashboards.view import SiteView, UnitSystem, read_site

__all__ = ["BrokerSettings", "Feed", "Message"]

log = logging.getLogger("pumphouse.watch")

FOLD_EVERY_S = 300.0
KEPT_ALL_HEARD_AFTER_S = 2.0
"""When nothing the broker keeps came for so long after connecting, it has said everything."""
MESSAGES_AT_ONCE = 500
TAKE_WITHIN_S = 0.25
STREAM_TOPIC = re.compile(r"([a-z0-9-]{1,64})/(senml|answer)")


class Feed:
    """Start with `start`, end with `stop`; `view` and `sites` may be called from any thread."""

    def __init__(self, settings: BrokerSettings, store: HistoryStore, wall_ms: Callable[[], int] | None = None) -> None:
        self.settings = settings
        self.store = store
        self.connected = False
        self.problem = ""
        self.refused_packs = 0
        self.on_answer: Callable[[str, dict[str, Any]], None] | None = None
        """Told of every answer to an order or a question: site id and what was said."""
        self.on_duty: Callable[[], None] | None = None
        """Called about once a second by the worker."""
        self.complaints: list[Callable[[], list[str]]] = []
        """Asked by `troubles`."""
        self._wall_ms = wall_ms or (lambda: time.time_ns() // 1_000_000)
        domain = settings.domain
        filters = (f"{domain}/5/#", f"{domain}-log/+/senml", f"{domain}-log/+/answer")
        self._connection = Connection(settings, filters, self._wall_ms)
        self._tree = DeviceTree(domain)
        self._tree_lock = threading.Lock()
        self._standings = StandingBook()
        self._refills = RefillDesk()
        self._packs: list[tuple[str, list[StreamRecord]]] = []
        self._heard_mono_s = self._kept_heard_mono_s = time.monotonic()
        self._round_open = False
        self._stopping = threading.Event()
        self._worker = threading.Thread(target=self._work, name="feed", daemon=True)

    # --- for the page ---

    def sites(self) -> list[tuple[str, str]]:
        """(id, name) of every site heard of."""
        with self._tree_lock:
            return [(d.id, d.name or d.id) for d in self._tree.sites()]

    def view(self, site_id: str | None = None, units: UnitSystem | None = None) -> SiteView | None:
        """The present of one site, by default the first; None when it has not been heard of."""
        with self._tree_lock:
            site = next(iter(self._tree.sites()), None) if site_id is None else self._tree.site(site_id)
            return read_site(self._tree, site, self._wall_ms(), self.connected, units) if site is not None else None

    def troubles(self) -> list[str]:
        """What goes out beside the page and does not get through, in sentences."""
        return [said for complain in self.complaints for said in complain()]

    def now_ms(self) -> int:
        """This computer's wall clock."""
        return self._wall_ms()

    def standings(self) -> list[Standing]:
        """All sites in short, by id."""
        with self._tree_lock:
            return self._standings.of(self._tree)

    def unanswered_refills(self, site_id: str) -> int:
        """How many requests to a site brought nothing, in a row."""
        return self._refills.unanswered(site_id)

    def missing(self, view: SiteView) -> list[Hole]:
        """Holes in a site's record; what the site has yet to send for the first time is none."""
        return self.store.missing(view.id, view.newest_sequence if not view.unsent else None)

    def publish(self, site_id: str, leaf: str, text: str) -> bool:
        """Hand a message to a site's `order` or `ask` topic over to the client; False while there is no connection."""
        return self.connected and self._connection.publish(self._log_topic(site_id, leaf), text)

    # --- life ---

    def start(self) -> None:
        self._connection.open()
        self._worker.start()

    def stop(self) -> None:
        self._stopping.set()
        self._connection.inbox.refuse_from_now_on()
        self._connection.close()
        if self._worker.is_alive():
            self._worker.join(timeout=5)
        self.connected = False

    def _log_topic(self, site_id: str, leaf: str) -> str:
        return f"{self.settings.domain}-log/{site_id}/{leaf}"

    # --- the worker ---

    def _work(self) -> None:
        next_duty_s = 0.0
        next_fold_s = time.monotonic() + 30.0
        while not self._stopping.is_set():
            try:
                self._take_waiting()
                now_s = time.monotonic()
                if now_s >= next_duty_s:
                    next_duty_s = now_s + 1.0
                    self._duty(now_s)
                if now_s >= next_fold_s:
                    next_fold_s = now_s + FOLD_EVERY_S
                    self.store.fold(self._wall_ms())
            except Exception:
                log.exception("feed worker")
                self._stopping.wait(1.0)

    def _take_waiting(self) -> None:
        """Everything that arrived in one go: its packs share a transaction."""
        for message in self._connection.inbox.take(MESSAGES_AT_ONCE, TAKE_WITHIN_S):
            try:
                self._apply(message)
            except Exception:
                # A bug met by one message must not lose its neighbours.
                log.exception("message on %s", message.topic)
        self._keep_packs()

    def _duty(self, now_s: float) -> None:
        if self._connection.supervise(self.connected, now_s - self._heard_mono_s):
            self.connected = False
            self._heard_mono_s = now_s
        if self._round_open and now_s - self._kept_heard_mono_s > KEPT_ALL_HEARD_AFTER_S:
            self.drop_unheard()
        self._ask_again(now_s)
        if self.on_duty is not None:
            self.on_duty()

    def take(self, message: Message) -> None:
        """Apply one message and keep what it brought."""
        self._apply(message)
        self._keep_packs()

    def _apply(self, message: Message) -> None:
        self._heard_mono_s = time.monotonic()
        if not message.topic:
            self._take_news(message.text)
        elif message.topic.startswith(self._tree.prefix):
            self._take_value(message)
        elif not message.retained:
            match = STREAM_TOPIC.fullmatch(message.topic.removeprefix(f"{self.settings.domain}-log/"))
            if match is not None and match[2] == "senml":
                self._take_pack(match[1], message)
            elif match is not None:
                self._take_answer(match[1], message.payload)

    def _take_news(self, text: str) -> None:
        self.connected = text == "connected"
        self.problem = "" if self.connected else text
        if self.connected:
            self._round_open = True
            self._kept_heard_mono_s = time.monotonic()
            with self._tree_lock:
                self._tree.begin_round()

    def _take_value(self, message: Message) -> None:
        if message.retained:
            self._kept_heard_mono_s = self._heard_mono_s
        with self._tree_lock:
            device = self._tree.take(message.topic, message.payload, message.retained, message.at_ms)
        if device is not None and message.topic.endswith(("/site/sequence", "/site/unsent", "/$state")):
            self._refills.note(device.id)

    def drop_unheard(self) -> None:
        """Values deleted while nobody listened are not announced: what the broker did not say again is gone."""
        self._round_open = False
        with self._tree_lock:
            self._tree.end_round()

    def _take_pack(self, site_id: str, message: Message) -> None:
        try:
            self._packs.append((site_id, read_pack(message.payload, message.at_ms)))
        except PackError as error:
            self.refused_packs += 1
            log.warning("pack from %s refused: %s", site_id, error)

    def _keep_packs(self) -> None:
        packs, self._packs = self._packs, []
        if not packs:
            return
        try:
            self._keep(packs)
        except Exception:
            # One pack that cannot be kept must not hold up the others; what is not kept is asked for again.
            log.exception("%s packs could not be kept together", len(packs))
            for pack in packs:
                try:
                    self._keep([pack])
                except Exception:
                    log.exception("a pack from %s could not be kept", pack[0])

    def _keep(self, packs: Batch) -> None:
        for site_id, _ in packs:
            self._refills.note(site_id)
        for (site_id, _), added in zip(packs, self.store.add_all(packs), strict=True):
            if added.restarted:
                log.warning("site %s began its journal anew; its records are asked for again", site_id)

    def _take_answer(self, site_id: str, payload: bytes) -> None:
        answer = json_or_none(payload.decode("utf-8", "replace"))
        if not isinstance(answer, dict):
            return
        if self.on_answer is not None:
            self.on_answer(site_id, answer)

    def _ask_again(self, now_s: float) -> None:
        for site_id, (first, last) in self._refills.due(self._holes_to_fill, int(now_s * 1000)):
            self.publish(site_id, "refill", json.dumps({"from": first, "to": last}))

    def _holes_to_fill(self, site_id: str) -> list[Hole] | None:
        """None for a site that is not there to be asked."""
        with self._tree_lock:
            site: Device | None = self._tree.site(site_id)
            standing = read_standing(site) if site is not None and self.connected else None
        if standing is None or not standing.live:
            return None
        return self.store.missing(site_id, standing.newest_sequence if not standing.unsent else None)
