"""The demonstration as a newcomer runs it: history, broker, board, controller and page, all real processes."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from controller.errors import PumphouseError
from simulator.broker_process import start_broker
from simulator.demo import headline
from tests.system.broker_process import wait_for

pytestmark = pytest.mark.system


class Demo:
    def __init__(self, directory: Path) -> None:
        self.directory = directory
        words = ["demo", "--days", "12", "--pace", "20", "--http-port", "0", "--for", "120", "--keep", str(directory)]
        self._out = directory.with_suffix(".out")
        with self._out.open("wb") as out:
            self.process = subprocess.Popen([sys.executable, "-m", "controller.cli", *words], stdout=out, stderr=out)

    @property
    def said(self) -> str:
        return self._out.read_text(encoding="utf-8", errors="replace")

    def page(self) -> str:
        found = re.search(r"http://127\.0\.0\.1:\d+/", self.said)
        return found[0] if found else ""

    def view(self) -> dict[str, Any]:
        try:
            with urllib.request.urlopen(self.page() + "api/site", timeout=5.0) as answer:
                view: dict[str, Any] = json.load(answer)
        except (OSError, ValueError):
            return {}
        return view

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=30.0)


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    running = Demo(tmp_path / "demo")
    yield running
    running.close()


def test_the_demo_shows_a_zone_being_watered_on_its_page_and_leaves_nothing_running(demo: Demo) -> None:
    wait_for(demo.page, "address of the page", 60.0)
    wait_for(lambda: any(tank["volume_l"] for tank in demo.view().get("tanks", [])), "volume on the page", 40.0)
    wait_for(lambda: any(zone["watering"] for zone in demo.view()["zones"]), "watering", 60.0)
    with urllib.request.urlopen(demo.page(), timeout=5.0) as answer:
        html = answer.read().decode()
    assert "Allotment above the river" in html
    assert "drinking" in html
    demo.close()
    assert demo.process.returncode == 0
    time.sleep(0.2)
    mine = subprocess.run(["pgrep", "-f", str(demo.directory)], capture_output=True, text=True, check=False)
    assert mine.stdout == ""


def test_the_demo_refuses_what_it_cannot_do_and_says_what_is_allowed(tmp_path: Path) -> None:
    for words, part in (
        (["--pace", "1000"], "allowed are 0.1 to 60"),
        (["--days", "0"], "allowed are 1 to 3650"),
        (["--keep", str(tmp_path)], "exists already"),
    ):
        result = subprocess.run(
            [sys.executable, "-m", "controller.cli", "demo", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert result.returncode == 2
        assert part in result.stderr


@pytest.mark.parametrize("embedded", [False, True], ids=["mosquitto", "embedded"])
def test_either_broker_carries_a_message_and_stops_with_its_owner(tmp_path: Path, embedded: bool) -> None:
    with start_broker(tmp_path, prefer_embedded=embedded) as broker:
        heard: list[bytes] = []
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        client.on_message = lambda _client, _data, message: heard.append(message.payload)
        client.connect("127.0.0.1", broker.port)
        client.subscribe("garden/#")
        client.loop_start()
        wait_for(lambda: client.is_connected(), "connection")
        time.sleep(0.2)
        client.publish("garden/level", b"1200", qos=1)
        wait_for(lambda: heard == [b"1200"], "message")
        client.disconnect()
        client.loop_stop()
    with pytest.raises(OSError):
        paho.Client(CallbackAPIVersion.VERSION2).connect("127.0.0.1", broker.port)


def test_without_any_broker_the_cure_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simulator.broker_process.shutil.which", lambda _name: None)
    monkeypatch.setitem(sys.modules, "iotcore", None)
    with pytest.raises(PumphouseError, match="apt install mosquitto"), start_broker(tmp_path):
        pass


def test_the_line_in_the_terminal_says_what_runs_else_how_much_there_is() -> None:
    tanks = [{"volume_l": 1234.0}]
    bed = {"name": "Salad bed", "watering": False, "applied_today_l": 12.4}
    assert headline({}) == ""
    assert headline({"tanks": [{"volume_l": None}]}) == ""
    assert headline({"tanks": tanks, "zones": [bed]}) == "at rest; about 1230 L stored, 12 L given today"
    assert headline({"tanks": tanks, "zones": [{**bed, "watering": True}]}) == "watering Salad bed"
