"""The controller's MQTT side against a real Mosquitto; the control loop is played by the test."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import iotcore
import pytest

from controller.contract import (
    Finding,
    HoldZone,
    Intention,
    Order,
    OrderAnswer,
    Preview,
    PreviewSchedule,
    Record,
    ResumeZone,
    RunZone,
    StepResult,
    TankOutlook,
    ZoneLooks,
)
from controller.service.asks import AskAnswer
from controller.service.clock import PacedClock
from controller.service.journal import Journal
from controller.service.mqtt import MqttService, Picture, WateringEnded
from controller.service.writer import JournalWriter
from controller.site.model import Mqtt, Site
from tests.system.broker_process import BrokerProcess, Listener, free_port, wait_for
from tests.unit.example_site import SITE
from tests.unit.journal_data import START_WALL_MS, now_at
from tests.unit.test_homie import snapshot

pytestmark = pytest.mark.system
ROOT, LOG = "homie/5/hillfoot", "homie-log/hillfoot"


class Controller:
    """Journal, MQTT and a control loop that accepts every order for the bench and refuses the rest."""

    def __init__(self, site: Site, journal: Path) -> None:
        self.writer = JournalWriter(Journal.open(journal), commit_every_s=0.1)
        self.acted: list[Order] = []
        self._woken = threading.Event()
        self._running = True
        self._seconds = 0
        self.mqtt = MqttService(site, self.writer, "t", 0, {}, PacedClock(START_WALL_MS, 1.0), self._woken.set)
        self._thread = threading.Thread(target=self._loop)
        self._thread.start()
        self.mqtt.show(Picture(snapshot(), START_WALL_MS))
        self.mqtt.start()

    def record(self, count: int) -> None:
        for _ in range(count):
            self._seconds += 1
            records = (Record("measure", "", {"battery_v": 12.7, "second": self._seconds}),)
            self.writer.add_step(now_at(self._seconds), (), StepResult(records=records))

    def stop(self) -> None:
        self._running = False
        self._woken.set()
        self._thread.join()
        self.mqtt.stop()
        assert self.writer.close()

    def _loop(self) -> None:
        while self._running:
            self._woken.wait()
            self._woken.clear()
            while not self.mqtt.inbox.empty():
                order = self.mqtt.inbox.get()
                self.acted.append(order)
                good = not isinstance(order.command, RunZone) or order.command.zone_id == "bench"
                answer = OrderAnswer(order.id, good, "" if good else "the salad beds are wet enough")
                self.writer.add_step(now_at(0), (), StepResult(answers=(answer,)))
                self.mqtt.tell(answer)


@pytest.fixture
def site(broker: BrokerProcess) -> Site:
    return replace(SITE, mqtt=Mqtt(port=broker.port))


@pytest.fixture
def controller(site: Site, tmp_path: Path) -> Iterator[Controller]:
    controller = Controller(site, tmp_path / "j.sqlite")
    yield controller
    controller.stop()


@pytest.fixture
def listener(broker: BrokerProcess) -> Iterator[Listener]:
    listener = Listener(broker.port)
    yield listener
    listener.close()


def _ready(listener: Listener) -> None:
    wait_for(lambda: listener.retained.get(f"{ROOT}/$state") == b"ready", "$state ready")


def _order(**changes: object) -> str:
    return json.dumps({"order": "run-zone", "id": "p-1", "sender": "phone", "zone": "bench", "volume_l": 6} | changes)


def _answers(listener: Listener) -> list[dict[str, object]]:
    return [json.loads(payload) for payload in listener.payloads(f"{LOG}/answer")]


def _numbers(listener: Listener) -> list[int]:
    packs = [json.loads(payload) for payload in listener.payloads(f"{LOG}/senml")]
    return [entry["v"] for pack in packs for entry in pack if entry["n"] == "seq"]


@pytest.mark.usefixtures("controller")
def test_the_tree_is_published_and_ready_comes_last(listener: Listener) -> None:
    _ready(listener)
    assert listener.retained[f"{ROOT}/tank-butts/volume"] == b"867.1"
    assert listener.retained[f"{ROOT}/tank-butts/measured-at"] == b"2026-05-14T05:29:55Z"
    assert json.loads(listener.retained[f"{ROOT}/$description"])["children"] == ["hillfoot-board"]
    assert listener.retained[f"{ROOT}-board/$state"] == b"ready"


def test_a_changed_value_and_a_finding_come_and_go(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    leak = Finding("flow-at-rest", "fault", "water flows", "look for a leak")
    controller.mqtt.show(Picture(snapshot(findings=(leak,), battery_v=12.5), START_WALL_MS))
    wait_for(lambda: f"{ROOT}/$alert/flow-at-rest" in listener.retained, "alert")
    assert listener.retained[f"{ROOT}/power/voltage"] == b"12.50"
    controller.mqtt.show(Picture(snapshot(battery_v=None), START_WALL_MS))
    wait_for(lambda: f"{ROOT}/$alert/flow-at-rest" not in listener.retained, "end of the alert")
    wait_for(lambda: f"{ROOT}/power/voltage" not in listener.retained, "end of the unknown voltage")


def test_a_stale_alert_of_an_earlier_life_is_cleared(site: Site, listener: Listener, tmp_path: Path) -> None:
    listener.publish(f"{ROOT}/$alert/old-trouble", "fault: long ago", retain=True)
    controller = Controller(site, tmp_path / "j.sqlite")
    wait_for(lambda: f"{ROOT}/$alert/old-trouble" not in listener.retained, "end of the stale alert")
    controller.stop()


def test_a_lost_board_is_lost_in_the_tree(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    controller.mqtt.show(Picture(snapshot(link_up=False)))
    wait_for(lambda: listener.retained.get(f"{ROOT}-board/$state") == b"lost", "board $state lost")


def test_an_order_is_answered_and_acts_once(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    listener.publish(f"{LOG}/order", _order())
    wait_for(lambda: _answers(listener), "answer")
    listener.publish(f"{LOG}/order", _order())
    wait_for(lambda: len(_answers(listener)) == 2, "second answer")
    assert _answers(listener) == [{"id": "p-1", "accepted": True, "reason": ""}] * 2
    assert [order.command for order in controller.acted] == [RunZone("bench", 6.0)]


@pytest.mark.usefixtures("controller")
def test_a_request_gets_its_correlation_data_back_on_its_own_topic(listener: Listener) -> None:
    _ready(listener)
    own = f"{LOG}/answer/phone"
    listener.publish(f"{LOG}/order", _order(), response_topic=own, correlation=b"c-77")
    wait_for(lambda: listener.payloads(own), "answer")
    assert [c for topic, _, c in listener.heard if topic == own] == [b"c-77"]


@pytest.mark.usefixtures("controller")
def test_a_response_topic_elsewhere_is_not_written_to(listener: Listener) -> None:
    _ready(listener)
    foreign = f"{ROOT}/site/mode/set"
    listener.publish(f"{LOG}/order", _order(), response_topic=foreign)
    wait_for(lambda: _answers(listener), "answer")
    assert listener.payloads(foreign) == []


@pytest.mark.usefixtures("controller")
def test_a_refusal_of_the_core_reaches_sender_tree_and_log(listener: Listener) -> None:
    _ready(listener)
    listener.publish(f"{LOG}/order", _order(zone="salad"))
    wait_for(lambda: _answers(listener), "answer")
    assert _answers(listener) == [{"id": "p-1", "accepted": False, "reason": "the salad beds are wet enough"}]
    wait_for(lambda: b"wet enough" in listener.retained.get(f"{ROOT}/site/last-refusal", b""), "last-refusal")
    assert any(b"wet enough" in payload for payload in listener.payloads(f"{ROOT}/$log/warn"))


def test_a_malformed_order_is_refused_and_reaches_nobody(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    for payload in (b"\xff\xff", b"{", _order(volume_l="6").encode(), b"[" * 3000):
        listener.publish(f"{LOG}/order", payload)
    wait_for(lambda: len(_answers(listener)) == 4, "four answers")
    assert all(not answer["accepted"] and answer["reason"] for answer in _answers(listener))
    assert controller.acted == []


def test_a_retained_order_is_refused_at_every_connect(site: Site, listener: Listener, tmp_path: Path) -> None:
    listener.publish(f"{LOG}/order", _order(), retain=True)
    listener.publish(f"{ROOT}/zone-bench/run/set", '{"id": "h-1", "volume_l": 3}', retain=True)
    controller = Controller(site, tmp_path / "j.sqlite")
    wait_for(lambda: _answers(listener), "answer")
    assert "retained" in str(_answers(listener)[0]["reason"])
    _ready(listener)
    assert controller.acted == []
    assert f"{ROOT}/zone-bench/run/$target" not in listener.retained
    controller.stop()


def test_a_set_topic_shows_its_target_and_reaches_it_when_the_watering_ends(
    controller: Controller, listener: Listener
) -> None:
    _ready(listener)
    payload = b'{"id": "h-1",  "volume_l": 3}'
    listener.publish(f"{ROOT}/zone-bench/run/set", payload)
    controller.mqtt.show(Picture(snapshot(battery_v=12.6), START_WALL_MS))
    wait_for(lambda: listener.retained.get(f"{ROOT}/zone-bench/run/$target") == payload, "$target")
    assert f"{ROOT}/zone-bench/run" not in listener.retained
    controller.mqtt.tell(WateringEnded("bench"))
    wait_for(lambda: listener.retained.get(f"{ROOT}/zone-bench/run") == payload, "value equal to its target")


def test_mode_can_be_set_by_any_homie_client(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    for word in ("hold", "run", "faster"):
        listener.publish(f"{ROOT}/site/mode/set", word)
    wait_for(lambda: b"either run or hold" in listener.retained.get(f"{ROOT}/site/last-refusal", b""), "refusal")
    assert [type(order.command).__name__ for order in controller.acted] == ["HoldAll", "ResumeAll"]


def test_a_zone_s_mode_and_looks_can_be_set_by_any_homie_client(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    for word in ("hold", "run", "faster"):
        listener.publish(f"{ROOT}/zone-bench/mode/set", word)
    for word in ("dry", "thirsty"):
        listener.publish(f"{ROOT}/zone-bench/looks/set", word)
    wait_for(lambda: b"'dry' or 'wet'" in listener.retained.get(f"{ROOT}/site/last-refusal", b""), "refusal")
    acted = [order.command for order in controller.acted]
    assert acted == [HoldZone("bench", None), ResumeZone("bench"), ZoneLooks("bench", "dry")]


def test_a_flood_of_orders_is_cut_to_the_burst(controller: Controller, listener: Listener) -> None:
    _ready(listener)
    for n in range(40):
        listener.publish(f"{LOG}/order", _order(id=f"f-{n}"))
    wait_for(lambda: len(_answers(listener)) >= 20, "answers")
    assert 10 <= len(controller.acted) <= 14


def test_the_history_drains_after_a_broker_outage_and_refills_on_request(
    controller: Controller, broker: BrokerProcess, listener: Listener
) -> None:
    _ready(listener)
    controller.record(50)
    wait_for(lambda: set(_numbers(listener)) == set(range(1, 51)), "first records")
    broker.stop()
    controller.record(2500)
    wait_for(lambda: controller.writer.last_seq == 2550, "journal")
    broker.start()
    late = Listener(broker.port)
    _ready(late)
    wait_for(lambda: set(range(51, 2551)) <= set(_numbers(late)), "records of the outage", 20.0)
    assert late.retained[f"{ROOT}/tank-butts/volume"] == b"867.1"
    before = len(_numbers(late))
    late.publish(f"{LOG}/refill", '{"from": 7, "to": 9}')
    wait_for(lambda: _numbers(late)[before:] == [7, 8, 9], "refill")
    late.close()


def test_a_clean_stop_says_disconnected(site: Site, listener: Listener, tmp_path: Path) -> None:
    controller = Controller(site, tmp_path / "j.sqlite")
    _ready(listener)
    controller.stop()
    wait_for(lambda: listener.retained.get(f"{ROOT}/$state") == b"disconnected", "$state disconnected")


def test_a_killed_controller_is_lost(broker: BrokerProcess, listener: Listener, tmp_path: Path) -> None:
    program = f"""
        from dataclasses import replace
        from pathlib import Path
        from controller.site.model import Mqtt
        from tests.system.test_mqtt_real_broker import Controller
        from tests.unit.example_site import SITE
        Controller(replace(SITE, mqtt=Mqtt(port={broker.port})), Path({str(tmp_path / "j.sqlite")!r}))
    """
    process = subprocess.Popen([sys.executable, "-c", textwrap.dedent(program)], cwd=Path(__file__).parents[2])
    try:
        _ready(listener)
        os.kill(process.pid, signal.SIGKILL)
        wait_for(lambda: listener.retained.get(f"{ROOT}/$state") == b"lost", "$state lost", 3.0)
    finally:
        process.kill()
        process.wait()


def test_without_a_broker_orders_and_watering_are_not_waited_for(
    site: Site, broker: BrokerProcess, tmp_path: Path
) -> None:
    broker.stop()
    controller = Controller(site, tmp_path / "j.sqlite")
    controller.record(100)
    wait_for(lambda: controller.writer.last_seq == 100, "journal without a broker")
    wait_for(lambda: "no broker at" in str(controller.mqtt.trouble), "reason")
    controller.stop()


def test_a_broker_that_knows_only_version_3_1_1_is_served_too(tmp_path: Path) -> None:
    with iotcore.Broker(port=free_port(), listen="127.0.0.1") as embedded:
        controller = Controller(replace(SITE, mqtt=Mqtt(port=embedded.port)), tmp_path / "j.sqlite")
        listener = Listener(embedded.port, version_5=False)
        wait_for(lambda: listener.retained.get(f"{ROOT}/$state") == b"ready", "$state ready", 15.0)
        listener.publish(f"{LOG}/order", _order())
        wait_for(lambda: _answers(listener), "answer")
        controller.record(300)
        wait_for(lambda: set(_numbers(listener)) == set(range(1, 301)), "history")
        listener.close()
        controller.stop()
    assert [order.command for order in controller.acted] == [RunZone("bench", 6.0)]


def test_a_question_is_answered_where_it_asks_and_a_wrong_one_is_no_refused_order(
    controller: Controller, listener: Listener
) -> None:
    _ready(listener)
    schedule = {"mode": "need", "windows": [{"start": "05:00", "end": "08:00"}], "daily_cap_l": 60}
    asked = {"ask": "preview-schedule", "id": "q-1", "sender": "phone", "zone": "bench", "schedule": schedule}
    listener.publish(f"{LOG}/ask", json.dumps(asked), response_topic=f"{LOG}/answer/phone", correlation=b"7")
    wait_for(lambda: not controller.mqtt.questions.empty(), "question")
    question = controller.mqtt.questions.get()
    assert isinstance(question, PreviewSchedule)
    assert (question.zone_id, question.schedule.daily_cap_l) == ("bench", 60.0)
    intention = Intention(START_WALL_MS, 6.0, 6.0, 9.0, "dry", (TankOutlook("butts", 11.5, None),))
    controller.mqtt.tell(AskAnswer("q-1", preview=Preview("bench", 2, intention, intention)))
    wait_for(lambda: listener.payloads(f"{LOG}/answer/phone"), "answer")
    answer = json.loads(listener.payloads(f"{LOG}/answer/phone")[0])
    assert answer["accepted"]
    assert answer["preview"]["asked"]["site_day_l"] == 9.0

    listener.publish(f"{LOG}/ask", json.dumps(asked | {"id": "q-2", "zone": "nowhere"}))
    wait_for(lambda: any(found["id"] == "q-2" for found in _answers(listener)), "refusal")
    assert "no zone" in str(_answers(listener)[-1]["reason"])
    assert listener.retained[f"{ROOT}/site/last-refusal"] == b"\x00"
    assert controller.acted == []
