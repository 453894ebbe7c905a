"""The MQTT side: listens to every site below a domain, keeps tree and history up to date, asks for what is missing.

The client library's network thread only puts what arrives into a queue; one worker of ours does everything else. A
connection that died without saying so, or a network thread that ended, is noticed by the worker and built anew.
"""

from __future__ import annotations

import json
import logging
import queue
import re
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dashboards.homie import DeviceTree, json_or_none
from dashboards.refill import RefillPlanner
from dashboards.senml import PackError, read_pack
from dashboards.store import HistoryStore
from dashboards.view import SiteView, UnitSystem, read_site

log = logging.getLogger("pumphouse.watch")

INBOX_LIMIT = 20_000
SILENT_AFTER_S = 180.0
FOLD_EVERY_S = 300.0
SWAP_AFTER_S = 2.0
ANSWER_WITHIN_S = 5.0
MAX_PLANNERS = 16
STREAM_TOPIC = re.compile(r"([a-z0-9-]{1,64})/(senml|answer)")


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where the broker is and how to be let in."""

    host: str
    port: int = 1883
    domain: str = "homie"
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """What the network thread hands over. `topic` "" is news of the connection, `text` says which."""

    topic: str
    payload: bytes
    retained: bool
    at_ms: int
    text: str = ""


class Feed:
    """Start with `start`, end with `stop`; `view` and `sites` may be called from any thread."""

    def __init__(self, settings: BrokerSettings, store: HistoryStore, wall_ms: Callable[[], int] | None = None) -> None:
        self.settings = settings
        self.store = store
        self.connected = False
        self.problem = ""
        self.refused_packs = 0
        self._wall_ms = wall_ms or (lambda: time.time_ns() // 1_000_000)
        self._inbox: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._dropped = 0
        self._tree = DeviceTree(settings.domain)
        self._incoming: DeviceTree | None = None
        """After a reconnect: what is being heard anew, until it is complete enough to be shown."""
        self._tree_lock = threading.Lock()
        self._planners: dict[str, RefillPlanner] = {}
        self._answers: dict[str, queue.SimpleQueue[str]] = {}
        self.on_answer: Callable[[str, dict[str, Any]], None] | None = None
        """Told of every answer to an order or a question: site id and what was said."""
        self.on_duty: Callable[[], None] | None = None
        """Called about once a second by the worker."""
        self._client_id = f"pumphouse-watch-{secrets.token_hex(4)}"
        self._client: mqtt.Client | None = None
        self._network: threading.Thread | None = None
        self._heard_mono_s = self._connected_mono_s = time.monotonic()
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
            found = [d for d in self._tree.sites() if site_id in (None, d.id)]
            return read_site(self._tree, found[0], self._wall_ms(), self.connected, units) if found else None

    def unanswered_refills(self, site_id: str) -> int:
        planner = self._planners.get(site_id)
        return planner.unanswered if planner else 0

    def publish(self, site_id: str, leaf: str, text: str) -> bool:
        """Hand a message to a site's `order` or `ask` topic over to the client; False while there is no connection."""
        client = self._client
        if client is None or not self.connected:
            return False
        return client.publish(self._log_topic(site_id, leaf), text, qos=1).rc == mqtt.MQTT_ERR_SUCCESS

    def send_order(self, site_id: str, order: dict[str, Any]) -> str:
        """Send an order and wait for its answer, in words for people."""
        client = self._client
        if client is None or not self.connected:
            return "Not sent: no connection to the broker."
        order_id = f"page-{secrets.token_hex(8)}"
        answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._answers[order_id] = answers
        try:
            text = json.dumps(order | {"id": order_id, "sender": "status page"})
            if client.publish(self._log_topic(site_id, "order"), text, qos=1).rc != mqtt.MQTT_ERR_SUCCESS:
                return "Not sent: the connection to the broker just broke."
            return answers.get(timeout=ANSWER_WITHIN_S)
        except queue.Empty:
            return (
                f"Sent, but the controller has not answered within {ANSWER_WITHIN_S:.0f} s. "
                "Look at what it does before ordering again."
            )
        finally:
            self._answers.pop(order_id, None)

    # --- life ---

    def start(self) -> None:
        self._connect()
        self._worker.start()

    def stop(self) -> None:
        self._stopping.set()
        self._disconnect()
        if self._worker.is_alive():
            self._worker.join(timeout=5)

    def _log_topic(self, site_id: str, leaf: str) -> str:
        return f"{self.settings.domain}-log/{site_id}/{leaf}"

    def _connect(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self._client_id, protocol=mqtt.MQTTv311)
        client.max_queued_messages_set(20)
        client.reconnect_delay_set(1, 60)
        if self.settings.username is not None:
            client.username_pw_set(self.settings.username, self.settings.password)
        if self.settings.ca_file is not None:
            client.tls_set(ca_certs=self.settings.ca_file)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.connect_async(self.settings.host, self.settings.port, keepalive=30)
        self._client = client
        self._network = threading.Thread(
            target=client.loop_forever, kwargs={"retry_first_connection": True}, name="mqtt", daemon=True
        )
        self._network.start()
        self._heard_mono_s = time.monotonic()

    def _disconnect(self) -> None:
        client, network = self._client, self._network
        self._client = None
        if client is not None:
            client.disconnect()
        if network is not None:
            network.join(timeout=3)
        self.connected = False

    # --- callbacks of the network thread: hand over, nothing else ---

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        try:
            if reason == 0:
                prefix = self.settings.domain
                client.subscribe([(f"{prefix}/5/#", 1), (f"{prefix}-log/+/senml", 1), (f"{prefix}-log/+/answer", 1)])
                self._put(Message("", b"", False, self._wall_ms(), "connected"))
            else:
                self._put(Message("", b"", False, self._wall_ms(), f"The broker refused: {reason}."))
        except Exception:
            log.exception("on_connect")

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        try:
            self._put(Message("", b"", False, self._wall_ms(), f"The connection ended: {reason}."))
        except Exception:
            log.exception("on_disconnect")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            self._put(Message(message.topic, bytes(message.payload), message.retain, self._wall_ms()))
        except Exception:
            log.exception("on_message")

    def _put(self, message: Message) -> None:
        if self._inbox.qsize() < INBOX_LIMIT or not message.topic:
            self._inbox.put(message)
        else:
            self._dropped += 1

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
                    self._supervise(now_s)
                    self.show_incoming()
                    self._ask_again(now_s)
                    if self.on_duty is not None:
                        self.on_duty()
                if now_s >= next_fold_s:
                    next_fold_s = now_s + FOLD_EVERY_S
                    self.store.fold(self._wall_ms())
            except Exception:
                log.exception("feed worker")
                self._stopping.wait(1.0)

    def _take_waiting(self) -> None:
        try:
            self.take(self._inbox.get(timeout=0.25))
            for _ in range(500):
                self.take(self._inbox.get_nowait())
        except queue.Empty:
            return

    def take(self, message: Message) -> None:
        """Apply one message; the worker calls it for everything that arrives."""
        self._heard_mono_s = time.monotonic()
        if not message.topic:
            self.connected = message.text == "connected"
            self.problem = "" if self.connected else message.text
            if self.connected:
                self._incoming = DeviceTree(self.settings.domain)
                self._connected_mono_s = time.monotonic()
            return
        if message.topic.startswith(f"{self.settings.domain}/5/"):
            with self._tree_lock:
                tree = self._incoming or self._tree
                tree.take(message.topic, message.payload, message.retained, message.at_ms)
            return
        match = STREAM_TOPIC.fullmatch(message.topic.removeprefix(f"{self.settings.domain}-log/"))
        if match is None or message.retained:
            return
        if match[2] == "senml":
            self._take_pack(match[1], message)
        else:
            self._take_answer(match[1], message.payload)

    def show_incoming(self) -> None:
        """Values deleted while nobody listened are not announced: after a reconnect everything is heard anew."""
        heard_for_s = time.monotonic() - self._connected_mono_s
        if self._incoming is not None and (not self._tree.sites() or heard_for_s > SWAP_AFTER_S):
            with self._tree_lock:
                self._tree, self._incoming = self._incoming, None

    def _take_pack(self, site_id: str, message: Message) -> None:
        try:
            records = read_pack(message.payload, message.at_ms)
        except PackError as error:
            self.refused_packs += 1
            log.warning("pack from %s refused: %s", site_id, error)
            return
        if self.store.add(site_id, records).restarted:
            log.warning("site %s began its journal anew; its records are asked for again", site_id)

    def _take_answer(self, site_id: str, payload: bytes) -> None:
        answer = json_or_none(payload.decode("utf-8", "replace"))
        if not isinstance(answer, dict):
            return
        if self.on_answer is not None:
            self.on_answer(site_id, answer)
        waiting = self._answers.get(str(answer.get("id")))
        if waiting is not None:
            verdict = "Accepted" if answer.get("accepted") is True else "Refused"
            reason = answer.get("reason")
            said = reason.encode("utf-8", "replace").decode("utf-8")[:500] if isinstance(reason, str) else ""
            waiting.put(f"{verdict}: {said}" if said else f"{verdict}.")

    def _supervise(self, now_s: float) -> None:
        """Build the connection anew when its thread ended, when it fell silent, or when messages had to be dropped."""
        ended = self._network is None or not self._network.is_alive()
        silent = self.connected and now_s - self._heard_mono_s > SILENT_AFTER_S
        dropped, self._dropped = self._dropped, 0
        if (ended or silent or dropped) and not self._stopping.is_set():
            log.warning("connection built anew (ended %s, silent %s, dropped %s)", ended, silent, dropped)
            self._disconnect()
            self._connect()

    def _ask_again(self, now_s: float) -> None:
        for site_id, _name in self.sites():
            view = self.view(site_id)
            crowded = site_id not in self._planners and len(self._planners) >= MAX_PLANNERS
            if view is None or not view.live or crowded:
                continue
            planner = self._planners.setdefault(site_id, RefillPlanner())
            due = planner.due(self.missing(view), int(now_s * 1000))
            client = self._client
            if due is not None and client is not None:
                request = json.dumps({"from": due[0], "to": due[1]})
                client.publish(self._log_topic(site_id, "refill"), request, qos=1)

    def missing(self, view: SiteView) -> list[tuple[int, int]]:
        """Holes in a site's record; what the site has yet to send for the first time is none."""
        return self.store.missing(view.id, view.newest_sequence if not view.unsent else None)
