"""The connection to the broker: everything that arrives goes into a bounded inbox, nothing is done with it here.

The client library's network thread only fills the inbox; when that is full the thread waits, and with it the broker. A
connection that died without saying so, or whose thread ended, is noticed by `supervise` and built anew.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

log = logging.getLogger("pumphouse.watch")

INBOX_BYTES = 2 * 1024 * 1024
TAKEN_BYTES = 256 * 1024
"""So much is handed to the worker at once: read, a message takes many times its size."""
MESSAGE_OVERHEAD_BYTES = 300
ROOM_WITHIN_S = 20.0
"""The network thread waits so long for room, well below the time after which the broker calls the connection dead."""
KEEPALIVE_S = 30
SILENT_AFTER_S = 180.0


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


class Inbox:
    """Messages on their way from the network thread to the worker, bounded by what they weigh."""

    def __init__(self, limit_bytes: int = INBOX_BYTES, room_within_s: float = ROOM_WITHIN_S) -> None:
        self.dropped = 0
        self._limit_bytes = limit_bytes
        self._room_within_s = room_within_s
        self._messages: deque[Message] = deque()
        self._bytes = 0
        self._changed = threading.Condition()

    def put(self, message: Message) -> None:
        """Add a message, waiting for room; one that finds none is dropped and counted. News never waits."""
        weight = _weight(message)
        with self._changed:
            if message.topic and not self._changed.wait_for(
                lambda: self._bytes + weight <= self._limit_bytes, self._room_within_s
            ):
                self.dropped += 1
                return
            self._messages.append(message)
            self._bytes += weight
            self._changed.notify_all()

    def take(self, most: int, timeout_s: float, most_bytes: int = TAKEN_BYTES) -> list[Message]:
        """Up to `most` messages and about `most_bytes`, oldest first; empty when none came in time."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._messages), timeout_s)
            taken: list[Message] = []
            weight = 0
            while self._messages and len(taken) < most and weight < most_bytes:
                taken.append(self._messages.popleft())
                weight += _weight(taken[-1])
            self._bytes -= weight
            self._changed.notify_all()
            return taken

    def refuse_from_now_on(self) -> None:
        """Nobody will take anything any more: let a waiting thread go."""
        with self._changed:
            self._room_within_s = 0.0
            self._limit_bytes = 1 << 62
            self._changed.notify_all()


def _weight(message: Message) -> int:
    return len(message.payload) + len(message.topic) + MESSAGE_OVERHEAD_BYTES


class Connection:
    """One client at the broker, made anew as often as needed. `publish` may be called from any thread."""

    def __init__(self, settings: BrokerSettings, filters: tuple[str, ...], wall_ms: Callable[[], int]) -> None:
        """`filters` are subscribed to at every connect."""
        self.inbox = Inbox()
        self._settings = settings
        self._filters = filters
        self._wall_ms = wall_ms
        self._client_id = f"pumphouse-watch-{secrets.token_hex(4)}"
        self._client: mqtt.Client | None = None
        self._network: threading.Thread | None = None

    def open(self) -> None:
        """Begin to connect, for as long as it takes."""
        settings = self._settings
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self._client_id, protocol=mqtt.MQTTv311)
        client.max_queued_messages_set(200)
        client.reconnect_delay_set(1, 60)
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if settings.ca_file is not None:
            client.tls_set(ca_certs=settings.ca_file)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.connect_async(settings.host, settings.port, keepalive=KEEPALIVE_S)
        self._client = client
        self._network = threading.Thread(
            target=client.loop_forever, kwargs={"retry_first_connection": True}, name="mqtt", daemon=True
        )
        self._network.start()

    def close(self) -> None:
        client, network = self._client, self._network
        self._client = None
        if client is not None:
            client.disconnect()
        if network is not None:
            network.join(timeout=3)

    def publish(self, topic: str, text: str) -> bool:
        """Hand a message over to the client; False when it cannot go out now."""
        client = self._client
        return client is not None and client.publish(topic, text, qos=1).rc == mqtt.MQTT_ERR_SUCCESS

    def supervise(self, connected: bool, heard_ago_s: float) -> bool:
        """Build the connection anew when its thread ended, when it fell silent, or when messages had to be dropped.

        Whether it was.
        """
        ended = self._network is None or not self._network.is_alive()
        silent = connected and heard_ago_s > SILENT_AFTER_S
        dropped, self.inbox.dropped = self.inbox.dropped, 0
        if not (ended or silent or dropped):
            return False
        log.warning("connection built anew (ended %s, silent %s, dropped %s)", ended, silent, dropped)
        self.close()
        self.open()
        return True

    # --- callbacks of the network thread: hand over, nothing else ---

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        try:
            if reason == 0:
                client.subscribe([(topic, 1) for topic in self._filters])
                self._news("connected")
            else:
                self._news(f"The broker refused: {reason}.")
        except Exception:
            log.exception("on_connect")

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        try:
            self._news(f"The connection ended: {reason}.")
        except Exception:
            log.exception("on_disconnect")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            self.inbox.put(Message(message.topic, bytes(message.payload), message.retain, self._wall_ms()))
        except Exception:
            log.exception("on_message")

    def _news(self, text: str) -> None:
        self.inbox.put(Message("", b"", False, self._wall_ms(), text))
