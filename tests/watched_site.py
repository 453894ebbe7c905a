"""Real processes around the invented site: a Mosquitto broker, the site's publisher in this process, and the page."""

from __future__ import annotations

import json
import queue
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulator.broker_process import free_port
from tests import fake_site

ROOT = Path(__file__).resolve().parents[1]
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def eventually(check: Callable[[], bool], within_s: float = 15.0) -> None:
    """Wait until something holds; fails when it never does."""
    limit = time.monotonic() + within_s
    while not check():
        assert time.monotonic() < limit, f"did not happen within {within_s:.0f} s"
        time.sleep(0.1)


@contextmanager
def broker(port: int) -> Iterator[subprocess.Popen[bytes]]:
    assert MOSQUITTO is not None
    process = subprocess.Popen([MOSQUITTO, "-p", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        eventually(lambda: _listens(port))
        yield process
    finally:
        process.terminate()
        process.wait(5)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Publisher:
    """The invented site at a broker: its tree, its stream, answers to refill requests and orders."""

    def __init__(self, port: int, days: int = 4) -> None:
        self.now = datetime.now(UTC)
        self.records = fake_site.history(self.now, days)
        self.refills: list[tuple[int, int]] = []
        self.orders: list[dict[str, Any]] = []
        self.verdict: dict[str, Any] | None = {"accepted": True, "reason": "held until resumed"}
        """What is said to every order; None says nothing."""
        self._asked: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.will_set(f"homie/5/{fake_site.SITE}/$state", "lost", qos=1, retain=True)
        self._client.on_message = lambda _c, _u, message: self._asked.put((message.topic, bytes(message.payload)))
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe([(f"homie-log/{fake_site.SITE}/{leaf}", 1) for leaf in ("refill", "order")])
        self._client.loop_start()
        assert self._subscribed.wait(5)
        self._stopping = threading.Event()
        self._answering = threading.Thread(target=self._answer, daemon=True)
        self._answering.start()

    def publish_tree(self, changes: dict[str, str] | None = None) -> None:
        tree = fake_site.tree(self.now, fake_site.volume_now_l(self.records), len(self.records))
        for topic, value in (tree | (changes or {})).items():
            self.say(f"homie/5/{topic}", value, retain=True)

    def say(self, topic: str, value: str | bytes, retain: bool = False) -> None:
        self._client.publish(topic, value, qos=1, retain=retain).wait_for_publish(5)

    def die(self) -> None:
        """Vanish without goodbye: the broker publishes the last will."""
        sock = self._client.socket()
        self._client.loop_stop()
        assert isinstance(sock, socket.socket)
        sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._stopping.set()
        self._answering.join(5)
        self._client.disconnect()
        self._client.loop_stop()

    def _answer(self) -> None:
        while not self._stopping.is_set():
            try:
                topic, payload = self._asked.get(timeout=0.2)
            except queue.Empty:
                continue
            asked = json.loads(payload)
            if topic.endswith("/refill"):
                self.refills.append((asked["from"], asked["to"]))
                for pack in fake_site.packs(self.records, asked["from"], asked["to"]):
                    self._client.publish(f"homie-log/{fake_site.SITE}/senml", pack, qos=1)
            else:
                self.orders.append(asked)
                if self.verdict is not None:
                    answer = self.verdict | {"id": asked["id"]}
                    self._client.publish(f"homie-log/{fake_site.SITE}/answer", json.dumps(answer), qos=1)


class Page:
    """`pumphouse watch` as a process; open to whoever is on this machine unless other options are given."""

    def __init__(self, folder: Path, mqtt_port: int, *options: str) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        words = ["watch", "--mqtt", f"127.0.0.1:{mqtt_port}", "--http", f"127.0.0.1:{self.port}"]
        words += ["--store", str(folder / "history.sqlite3"), *(options or ("--open-on-loopback",))]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *words],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )

    def get(self, path: str = "/") -> str:
        """The body; an empty string when the server is not there or refuses."""
        try:
            with urllib.request.urlopen(self.url + path, timeout=5) as answer:
                return str(answer.read().decode())
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return ""

    def order(self, **fields: str) -> str:
        """Give an order by a form of the page; the page it leads to."""
        token = self.get().partition('name="token" value="')[2].partition('"')[0]
        body = urllib.parse.urlencode({"token": token, "site": fake_site.SITE, **fields}).encode()
        request = urllib.request.Request(self.url + "/orders", body, {"Origin": self.url})
        with urllib.request.urlopen(request, timeout=10) as answer:
            return str(answer.read().decode())

    def site(self) -> dict[str, Any]:
        text = self.get("/api/site")
        return dict(json.loads(text)) if text else {}

    def resident_mb(self) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="utf-8")
        line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
        return int(line.split()[1]) / 1024.0

    def close(self) -> str:
        """End it as systemd would; returns what it complained about."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        _, complaints = self.process.communicate(timeout=10)
        return complaints.decode()


def complete(page: Page, site: Publisher) -> bool:
    """True once every record of the invented site has arrived."""
    seen = page.site()
    return bool(seen) and seen["missing_records"] == 0 and seen["newest_record"] == len(site.records)
