"""One connection to the broker, driven by its owner's thread: no callback ever runs anywhere else.

The client library only moves bytes here. It holds no backlog, resends nothing and reconnects never: a connection that
failed or stands still is thrown away whole, and its owner makes a new one. It has no thread of its own that could end
in silence: what goes wrong in a callback comes out where the owner called, and costs a connection.
"""

from __future__ import annotations

import logging
import select
import socket
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from controller.errors import OperatingError
from controller.service.sign_in_name import End
from controller.site.model import Mqtt

QOS = 1
KEEPALIVE_S = 20
CONNECT_TIMEOUT_S = 5.0
HANDSHAKE_TIMEOUT_S = 3.0
NO_PROGRESS_S = 5.0
TAKEN_OVER = 142
"""The reason code of MQTT 5: another client has signed in by our name."""

log = logging.getLogger("pumphouse.mqtt")


class BrokerLost(OperatingError):  # noqa: N818 - what happened, not an error class of its own kind
    """The connection failed, was refused or stands still. `protocol_unknown`: try the other version of MQTT."""

    def __init__(
        self, text: str, *, end: End = "other", protocol_unknown: bool = False, not_allowed: bool = False
    ) -> None:
        super().__init__(text)
        self.end: End = end
        self.protocol_unknown = protocol_unknown
        self.not_allowed = not_allowed


@dataclass(frozen=True, slots=True)
class Message:
    """One message that came in; response topic and correlation data only with MQTT 5."""

    topic: str
    payload: bytes
    retained: bool
    response_topic: str | None = None
    correlation: bytes | None = None


class Broker:
    """A connected client. All methods raise BrokerLost when the connection is gone."""

    def __init__(self, settings: Mqtt, client_id: str, will: tuple[str, bytes] | None, *, version_5: bool) -> None:
        """Connect and shake hands; `will` is (topic, payload) the broker publishes when we vanish."""
        self.version_5 = version_5
        self.messages: deque[Message] = deque()
        self.acknowledged: deque[int] = deque()
        self._unacked: set[int] = set()
        self._progress_s = time.monotonic()
        self._connack: Any = None
        self._lost: str | None = None
        self._end: End = "cut"
        self._unreadable = 0
        self._client = self._make_client(settings, client_id)
        if will is not None:
            self._client.will_set(*will, QOS, retain=True)
        self._connect(settings)

    def _make_client(self, settings: Mqtt, client_id: str) -> paho.Client:
        protocol = MQTTProtocolVersion.MQTTv5 if self.version_5 else MQTTProtocolVersion.MQTTv311
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            clean_session=None if self.version_5 else True,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.max_queued_messages_set(5000)
        if settings.username is not None:
            client.username_pw_set(settings.username, _password(settings))
        if settings.ca_file is not None:
            client.tls_set(ca_certs=settings.ca_file)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        return client

    def _connect(self, settings: Mqtt) -> None:
        where = f"{settings.host}:{settings.port}"
        try:
            self._client.connect(settings.host, settings.port, KEEPALIVE_S)
        except (OSError, ValueError) as error:
            raise BrokerLost(f"no broker at {where}: {error}", end="not let in") from error
        deadline_s = time.monotonic() + HANDSHAKE_TIMEOUT_S
        while self._connack is None:
            if self._lost is not None or time.monotonic() > deadline_s:
                self.drop()
                raise BrokerLost(f"the broker at {where} did not answer", end="not let in", protocol_unknown=True)
            self._turn(0.1, None)
        if self._connack.is_failure:
            self.drop()
            reason = str(self._connack)
            raise BrokerLost(
                f"the broker at {where} refuses the connection: {reason}",
                end="not let in",
                protocol_unknown=self.version_5 and "protocol" in reason.lower(),
                not_allowed="authori" in reason.lower() or "password" in reason.lower(),
            )

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        content_type: str | None = None,
        correlation: bytes | None = None,
    ) -> int:
        """Send at QoS 1; the message id appears in `acknowledged` once the broker has it."""
        properties = None
        if self.version_5 and (content_type is not None or correlation is not None):
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if content_type is not None:
                properties.ContentType = content_type
            if correlation is not None:
                properties.CorrelationData = correlation
        if not self._unacked:
            self._progress_s = time.monotonic()
        info = self._client.publish(topic, payload, QOS, retain, properties)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerLost(f"cannot publish: {paho.error_string(info.rc)}", end=self._end)
        self._unacked.add(info.mid)
        return info.mid

    def subscribe(self, topics: list[str]) -> None:
        """Subscribe to plain topics or filters. What is retained there arrives marked as such."""
        for start in range(0, len(topics), 50):
            some = topics[start : start + 50]
            if self.version_5:
                options = SubscribeOptions(qos=QOS, retainAsPublished=True)
                code, _mid = self._client.subscribe([(topic, options) for topic in some])
            else:
                code, _mid = self._client.subscribe([(topic, QOS) for topic in some])
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise BrokerLost(f"cannot subscribe: {paho.error_string(code)}", end=self._end)

    def poll(self, timeout_s: float, wake: socket.socket | None = None) -> None:
        """Move bytes until something happened, `wake` got a byte, or the time is over."""
        self._turn(timeout_s, wake)
        if self._lost is not None:
            raise BrokerLost(f"connection lost: {self._lost}", end=self._end)
        if self._unacked and time.monotonic() - self._progress_s > NO_PROGRESS_S:
            self.drop()
            raise BrokerLost(f"the broker acknowledged nothing for {NO_PROGRESS_S:g} s")

    @property
    def unacked(self) -> int:
        return len(self._unacked)

    def close(self) -> None:
        """Say goodbye (the will is not sent) and close."""
        self._client.disconnect()
        self._turn(0.0, None)
        self.drop()

    def drop(self) -> None:
        """Close the socket without a word."""
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    def _turn(self, timeout_s: float, wake: socket.socket | None) -> None:
        sock = self._client.socket()
        if sock is None:
            self._lost = self._lost or "closed"
            return
        readers = [sock] if wake is None else [sock, wake]
        writers = [sock] if self._client.want_write() else []
        if getattr(sock, "pending", lambda: 0)():
            timeout_s = 0.0
        try:
            ready, writable, _ = select.select(readers, writers, [], timeout_s)
        except (OSError, ValueError) as error:
            self._lost = str(error)
            return
        if wake is not None and wake in ready:
            wake.recv(4096)
        codes = []
        if sock in ready or getattr(sock, "pending", lambda: 0)():
            codes.append(self._client.loop_read())
        if writable:
            codes.append(self._client.loop_write())
        codes.append(self._client.loop_misc())
        bad = next((code for code in codes if code != MQTTErrorCode.MQTT_ERR_SUCCESS), None)
        if bad is not None and self._lost is None:
            self._lost = paho.error_string(bad)

    def _on_connect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._connack = reason

    def _on_disconnect(self, _client: Any, _userdata: Any, flags: Any, reason: Any, _properties: Any) -> None:
        self._lost = str(reason)
        if flags.is_disconnect_packet_from_server:
            self._end = "taken over" if reason.value == TAKEN_OVER else "other"

    def _on_subscribe(self, _client: Any, _userdata: Any, _mid: int, _reasons: Any, _properties: Any) -> None:
        self._progress_s = time.monotonic()

    def _on_publish(self, _client: Any, _userdata: Any, mid: int, _reason: Any, _properties: Any) -> None:
        self._unacked.discard(mid)
        self._progress_s = time.monotonic()
        self.acknowledged.append(mid)

    def _on_message(self, _client: Any, _userdata: Any, message: Any) -> None:
        """A message that cannot even be read is left: retained, it would end every connection anew."""
        try:
            self.messages.append(_read(message))
        except Exception:
            self._unreadable += 1
            if self._unreadable == 1:
                log.exception("a message that cannot be read is left")


def _read(message: Any) -> Message:
    properties = message.properties
    return Message(
        message.topic,
        bytes(message.payload),
        bool(message.retain),
        getattr(properties, "ResponseTopic", None),
        getattr(properties, "CorrelationData", None),
    )


def _password(settings: Mqtt) -> str | None:
    if settings.password_file is None:
        return None
    try:
        return Path(settings.password_file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise BrokerLost(
            f"the password file {settings.password_file} cannot be read: {error}", end="not let in"
        ) from error
