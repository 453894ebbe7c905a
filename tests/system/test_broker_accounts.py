"""The files of `pumphouse broker-config` at a real Mosquitto: everybody may do what they must and nothing more."""

from __future__ import annotations

import getpass
import json
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from controller.service.broker_files import SiteTopics, accounts_for
from simulator.example import example_site_text
from tests.system.broker_process import MOSQUITTO, free_port, wait_for
from tests.system.test_hostile_network import certificate
from tests.unit.test_broker_files import RIGHTS

pytestmark = pytest.mark.system
PROJECT = Path(__file__).resolve().parents[2]


class GuardedBroker:
    """Mosquitto with a main configuration like Debian's, which takes in what `pumphouse broker-config` wrote."""

    def __init__(self, directory: Path, *sites: Path, options: tuple[str, ...] = ()) -> None:
        self.port = free_port()
        self.out = directory / "broker"
        words = [word for site in sites for word in ("--site", str(site))]
        _run("broker-config", *words, "--out", str(self.out), "--port", str(self.port), *options)
        (directory / "conf.d").mkdir()
        (directory / "conf.d" / "pumphouse.conf").symlink_to(self.out / "pumphouse.conf")
        main = directory / "mosquitto.conf"
        # The user is the test's own: it may read the test's directory.
        main.write_text(
            f"user {getpass.getuser()}\npid_file {directory}/broker.pid\npersistence true\n"
            f"persistence_location {directory}/\nlog_dest file {directory}/broker.log\ninclude_dir {directory}/conf.d\n"
        )
        self.log = directory / "broker.log"
        self._process = subprocess.Popen([MOSQUITTO, "-c", str(main)], stderr=subprocess.PIPE, text=True)
        wait_for(lambda: self.log.exists() and "running" in self.log.read_text(), "broker")

    def password(self, name: str) -> str:
        return (self.out / "secrets" / name).read_text(encoding="utf-8").strip()

    def client(self, name: str | None, password: str | None = None) -> Client:
        return Client(self.port, name, password if password is not None or name is None else self.password(name))

    def close(self) -> None:
        self._process.terminate()
        self._process.communicate(timeout=10)


class Client:
    """One account at the broker: hears whatever it may."""

    def __init__(self, port: int, name: str | None, password: str | None, ca_file: Path | None = None) -> None:
        self.heard: list[tuple[str, str]] = []
        self.refused = ""
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, reconnect_on_failure=False)
        self._client.username_pw_set(name, password)
        if ca_file is not None:
            self._client.tls_set(str(ca_file))
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = lambda _c, _u, m: self.heard.append((m.topic, m.payload.decode()))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(5), "the broker did not answer"

    def try_to_say(self, topic: str, payload: str) -> None:
        """At QoS 0, where the broker says nothing about what it does not pass on."""
        self._client.publish(topic, payload, 0)

    def answers(self) -> list[dict[str, Any]]:
        return [json.loads(text) for topic, text in self.heard if topic.endswith("/answer")]

    def say(self, topic: str, payload: str, retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain).wait_for_publish(5)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, reason: object, _more: object) -> None:
        if str(reason) != "Success":
            self.refused = str(reason)
            self._ready.set()
            client.disconnect()
            return
        client.subscribe([("#", 1), ("$SYS/#", 1)])


def _run(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *words], cwd=PROJECT, capture_output=True, text=True, check=True
    )
    return done.stdout


def site_file(directory: Path, site_id: str, domain: str) -> Path:
    text = example_site_text().replace('id = "river-allotment"', f'id = "{site_id}"')
    text = text.replace("port = 1883", f'port = 1883\ndomain = "{domain}"')
    file = directory / f"{site_id}.toml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[GuardedBroker]:
    sites = site_file(tmp_path, "riverside", "homie"), site_file(tmp_path, "hillside", "garden")
    running = GuardedBroker(tmp_path, *sites)
    yield running
    running.close()


def test_each_account_may_do_what_it_must_and_nothing_more(broker: GuardedBroker) -> None:
    accounts = accounts_for([SiteTopics("riverside"), SiteTopics("hillside", "garden")])
    clients = {account.name: broker.client(account.name) for account in accounts}
    assert not [client.refused for client in clients.values() if client.refused]
    for topic in RIGHTS:
        for name, client in clients.items():
            client.try_to_say(topic, f"from {name}")
    expected = {
        name: {(topic, f"from {w}") for topic, (ws, rs) in RIGHTS.items() for w in ws.split() if name in rs.split()}
        for name in clients
    }
    wait_for(lambda: all(set(client.heard) >= expected[name] for name, client in clients.items()), "all that may pass")
    time.sleep(0.5)
    for name, client in clients.items():
        assert set(client.heard) == expected[name], name
        client.close()


def test_nobody_comes_in_without_an_account_or_with_anothers_password(broker: GuardedBroker) -> None:
    tries = [(None, None), ("watch", ""), ("watch", broker.password("look-riverside")), ("root", "root"), ("", "")]
    for name, password in tries:
        stranger = broker.client(name, password)
        assert "Not authorized" in stranger.refused or "Bad user name" in stranger.refused, (name, stranger.refused)
        stranger.close()


def test_a_message_larger_than_any_order_reaches_nobody_and_hurts_nobody_else(broker: GuardedBroker) -> None:
    phone, page = broker.client("act-riverside"), broker.client("watch")
    controller = broker.client("controller-riverside")
    phone.try_to_say("homie-log/riverside/order", "x" * 200_000)
    phone.try_to_say("homie-log/riverside/order", "y" * 140_000)
    page.try_to_say("homie-log/riverside/refill", "{}")
    wait_for(lambda: controller.heard == [("homie-log/riverside/refill", "{}")], "what the page asked for")
    controller.close()
    page.close()
    phone.close()


def test_beyond_this_machine_there_is_tls_and_nothing_else(tmp_path: Path) -> None:
    cert, key = certificate(tmp_path)
    port = free_port()
    tls = ("--tls-cert", str(cert), "--tls-key", str(key), "--tls-port", str(port))
    broker = GuardedBroker(tmp_path, site_file(tmp_path, "riverside", "homie"), options=tls)
    try:
        phone = Client(port, "act-riverside", broker.password("act-riverside"), cert)
        controller = broker.client("controller-riverside")
        phone.try_to_say("homie/5/riverside/site/mode/set", "hold")
        wait_for(lambda: controller.heard == [("homie/5/riverside/site/mode/set", "hold")], "what the phone said")
        with socket.create_connection(("127.0.0.1", port)) as plug, pytest.raises(ssl.SSLCertVerificationError):
            ssl.create_default_context().wrap_socket(plug, server_hostname="127.0.0.1")
        # 127.0.0.2 stands for every address but the one that is listened on without TLS.
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.2", broker.port), timeout=2)
        socket.create_connection(("127.0.0.2", port), timeout=2).close()
        for client in (phone, controller):
            client.close()
    finally:
        broker.close()


def test_controller_and_page_work_under_these_files_and_a_phone_orders(tmp_path: Path) -> None:
    """The real service over a virtual board, the real page, a phone's account."""
    site = site_file(tmp_path, "riverside", "homie")
    broker = GuardedBroker(tmp_path, site)
    secrets = broker.out / "secrets"
    login = f'username = "controller-riverside"\npassword_file = "{secrets}/controller-riverside"\n'
    site.write_text(site.read_text().replace("port = 1883", f"port = {broker.port}\n{login}"), encoding="utf-8")
    tty, state = tmp_path / "tty", tmp_path / "state.json"
    start = "2026-06-01T06:00"
    http = free_port()
    serial = ["--serial", str(tty), "--pace", "1", "--start", start]
    login_words = ["--user", "watch", "--password-file", f"{secrets}/watch", "--store", str(tmp_path / "h.sqlite3")]
    where = ["--mqtt", f"127.0.0.1:{broker.port}", "--http", f"127.0.0.1:{http}", "--open-on-loopback"]
    programs = [
        ["board", "virtual", "--link", str(tty), "--state", str(state), "--start", start],
        ["serve", "--site", str(site), "--journal", str(tmp_path / "j.sqlite"), *serial],
        ["watch", *where, *login_words],
    ]
    running = [
        subprocess.Popen([sys.executable, "-m", "controller.cli", *words], cwd=tmp_path, stderr=subprocess.DEVNULL)
        for words in programs
    ]
    look, phone = broker.client("look-riverside"), broker.client("act-riverside")
    try:
        wait_for(lambda: ("homie/5/riverside/$state", "ready") in look.heard, "the site's tree", 30.0)
        wait_for(lambda: _get(http, "/healthz") == "ok\n", "page", 20.0)
        wait_for(lambda: json.loads(_get(http, "/api/site") or "{}").get("newest_record"), "records on the page", 20.0)

        order = {"order": "hold", "id": "phone-1", "sender": "phone"}
        phone.say("homie-log/riverside/order", json.dumps(order))
        wait_for(lambda: json.loads(_get(http, "/api/site"))["held"] is True, "hold", 10.0)
        assert ("homie/5/riverside/site/mode", "hold") in look.heard
        phone.say("homie/5/riverside/site/mode/set", "run")
        wait_for(lambda: json.loads(_get(http, "/api/site"))["held"] is False, "resume", 10.0)

        password = ("--password-file", str(secrets / "look-riverside"))
        shown = _run("status", "--mqtt", f"127.0.0.1:{broker.port}", "--user", "look-riverside", *password)
        assert shown.startswith("riverside, ")

        # The first order once more, as somebody may send it who has recorded it; one that the broker keeps; a late one.
        phone.say("homie-log/riverside/order", json.dumps(order))
        phone.say("homie-log/riverside/order", json.dumps(order | {"id": "phone-2"}), retain=True)
        late = {"order": "hold", "id": "phone-3", "sender": "phone", "not_after": "2026-06-01T05:00:00Z"}
        phone.say("homie-log/riverside/order", json.dumps(late))
        wait_for(lambda: len(phone.answers()) == 4, "four answers", 10.0)
        assert [a["accepted"] for a in phone.answers()] == [True, True, False, False]
        assert "retained" in phone.answers()[2]["reason"]
        phone.say("homie-log/riverside/order", "", retain=True)
        time.sleep(1.0)
        assert json.loads(_get(http, "/api/site"))["held"] is False, "nothing of this has held the garden again"
    finally:
        for client in (look, phone):
            client.close()
        for process in running:
            process.terminate()
        for process in running:
            process.wait(15)
        broker.close()
    assert "Denied" not in broker.log.read_text()


def _get(port: int, path: str) -> str:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
            return str(answer.read().decode())
    except OSError:
        return ""
