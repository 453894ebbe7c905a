"""A real Mosquitto on a free port of the loopback, for tests; and a client that remembers what it hears."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from simulator.broker_process import free_port

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def wait_for(condition: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Return as soon as the condition holds; fail naming what did not come."""
    end_s = time.monotonic() + timeout_s
    while time.monotonic() < end_s:
        if condition():
            return
        time.sleep(0.02)
    raise AssertionError(f"within {timeout_s} s there was no {what}")


class BrokerProcess:
    """Starts and stops on one port; forgets everything when stopped."""

    def __init__(self, directory: Path) -> None:
        self.port = free_port()
        self._config = directory / "mosquitto.conf"
        self.let_in(True)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(self._answers, "broker")

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def let_in(self, anyone: bool) -> None:
        """From the next start on: everybody, or nobody."""
        listener = f"listener {self.port} 127.0.0.1"
        self._config.write_text(f"{listener}\nallow_anonymous {str(anyone).lower()}\npersistence false\n")

    def send_signal(self, number: int) -> None:
        if self._process is not None:
            self._process.send_signal(number)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


class Listener:
    """A client of somebody else: hears everything, may publish."""

    def __init__(self, port: int, *, version_5: bool = True) -> None:
        self.retained: dict[str, bytes] = {}
        """Newest payload by topic; an empty one deletes."""
        self.heard: list[tuple[str, bytes, bytes | None]] = []
        """Everything in order, with correlation data."""
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if version_5 else paho.MQTTv311)
        self._client.on_message = self._on_message
        self._client.on_connect = self._on_connect
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(
        self,
        topic: str,
        payload: bytes | str,
        *,
        retain: bool = False,
        response_topic: str | None = None,
        correlation: bytes | None = None,
    ) -> None:
        properties = None
        if response_topic is not None or correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if response_topic is not None:
                properties.ResponseTopic = response_topic
            if correlation is not None:
                properties.CorrelationData = correlation
        self._client.publish(topic, payload, 1, retain, properties).wait_for_publish(5)

    def publish_soon(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Hand over and go on, whether there is a broker now or not."""
        self._client.publish(topic, payload, 0, retain)

    @property
    def connected(self) -> bool:
        return self._client.is_connected()

    def forget(self) -> None:
        """Drop what was heard so far."""
        self.heard.clear()

    def payloads(self, topic: str) -> list[bytes]:
        return [payload for heard, payload, _ in self.heard if heard == topic]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, *_: object) -> None:
        client.subscribe("#", 1)

    def _on_message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        payload = bytes(message.payload)
        self.heard.append((message.topic, payload, getattr(message.properties, "CorrelationData", None)))
        if payload:
            self.retained[message.topic] = payload
        else:
            self.retained.pop(message.topic, None)
