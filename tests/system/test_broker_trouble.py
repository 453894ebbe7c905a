"""What else goes wrong between controller and broker: a rival for the name, an error inside, a thread that ends.

Real Mosquitto; the control loop is played by the test.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from controller.service import mqtt as mqtt_module
from controller.service import sign_in_name
from controller.service.broker import Broker, BrokerLost
from controller.service.mqtt import _Session
from controller.site.model import Mqtt, Site
from dashboards.connection import BrokerSettings, Connection
from tests.system.broker_process import BrokerProcess, Listener, wait_for
from tests.system.test_mqtt_real_broker import LOG, ROOT, Controller, _answers, _numbers, _order, _ready
from tests.unit.example_site import SITE

pytestmark = pytest.mark.system

OWN_NAME = "hillfoot-controller-t"


@pytest.fixture(autouse=True)
def _soon_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Connections are made anew sooner than in a garden."""
    monkeypatch.setattr(mqtt_module, "SHORTEST_WAIT_S", 0.1)


@pytest.fixture
def site(broker: BrokerProcess) -> Site:
    return replace(SITE, mqtt=Mqtt(port=broker.port))


@pytest.fixture
def listener(broker: BrokerProcess) -> Iterator[Listener]:
    listener = Listener(broker.port)
    yield listener
    listener.close()


# --- somebody else by our name -------------------------------------------------------------------------------------


class Rival:
    """Signs in by the controller's name, and again a moment after each time it is thrown out."""

    def __init__(self, port: int) -> None:
        self.sign_ins = 0
        self._port = port
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._fight)
        self._thread.start()

    def close(self) -> None:
        self._ended.set()
        self._thread.join()

    def _fight(self) -> None:
        while not self._ended.is_set():
            client = paho.Client(CallbackAPIVersion.VERSION2, OWN_NAME, reconnect_on_failure=False)
            client.connect("127.0.0.1", self._port)
            self.sign_ins += 1
            while client.loop(0.1) == paho.MQTT_ERR_SUCCESS and not self._ended.is_set():
                continue
            client.disconnect()
            self._ended.wait(0.2)


@pytest.fixture
def rival(broker: BrokerProcess) -> Iterator[Rival]:
    rival = Rival(broker.port)
    yield rival
    rival.close()


def _is_let_alone(controller: Controller, rival: Rival) -> None:
    fights, sign_ins = controller.mqtt.connections, rival.sign_ins
    time.sleep(1.0)
    assert (controller.mqtt.connections, rival.sign_ins) == (fights, sign_ins), "nobody is thrown out any more"


def test_a_second_client_by_our_name_is_told_and_the_controller_goes_on_by_another(
    site: Site, rival: Rival, listener: Listener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mosquitto before 2.0.15 does not say why it ends a connection: that the other name is let alone tells."""
    monkeypatch.setattr(sign_in_name, "STANDS_S", 1.0)
    controller = Controller(site, tmp_path / "j.sqlite")
    controller.record(300)
    try:
        wait_for(lambda: controller.mqtt.name_taken, "word of the rival", 15.0)
        assert OWN_NAME in str(controller.mqtt.name_taken)
        _is_let_alone(controller, rival)
        assert rival.sign_ins <= 6
        assert listener.retained[f"{ROOT}/$state"] == b"ready"
        listener.publish(f"{LOG}/order", _order())
        wait_for(lambda: _answers(listener), "answer")
        wait_for(lambda: set(_numbers(listener)) == set(range(1, 301)), "all of the history")
    finally:
        controller.stop()


def test_a_broker_that_says_that_another_has_taken_our_name_is_understood() -> None:
    with socket.create_server(("127.0.0.1", 0)) as stand_in:

        def throw_out() -> None:
            client, _ = stand_in.accept()
            with client:
                client.recv(1000)
                client.sendall(b"\x20\x03\x00\x00\x00")
                client.sendall(b"\xe0\x02\x8e\x00")

        thrown = threading.Thread(target=throw_out)
        thrown.start()
        broker = Broker(Mqtt(port=stand_in.getsockname()[1]), OWN_NAME, None, version_5=True)
        thrown.join()
        with pytest.raises(BrokerLost, match="taken over") as lost:
            broker.poll(2.0)
        broker.drop()
    assert lost.value.end == "taken over"


# --- errors inside -------------------------------------------------------------------------------------------------


def _fails_once(monkeypatch: pytest.MonkeyPatch, owner: type, method: str, error: BaseException) -> list[str]:
    """The method raises at its first call; the list then has its name."""
    sound: Callable[..., Any] = getattr(owner, method)
    failed: list[str] = []

    def failing(*words: Any, **named: Any) -> Any:
        if not failed:
            failed.append(method)
            raise error
        return sound(*words, **named)

    monkeypatch.setattr(owner, method, failing)
    return failed


def _takes_an_order(listener: Listener) -> bool:
    """Given while there is no connection, an order is lost."""
    listener.publish(f"{LOG}/order", _order())
    time.sleep(0.2)
    return bool(_answers(listener))


@pytest.mark.parametrize("callback", ["_on_connect", "_on_subscribe", "_on_publish", "_on_message", "_on_disconnect"])
def test_an_error_in_a_callback_costs_a_connection_and_nothing_else(
    callback: str,
    site: Site,
    broker: BrokerProcess,
    listener: Listener,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    failed = _fails_once(monkeypatch, Broker, callback, ValueError("a fault of ours"))
    controller = Controller(site, tmp_path / "j.sqlite")
    try:
        controller.record(20)
        _ready(listener)
        wait_for(lambda: set(_numbers(listener)) == set(range(1, 21)), "all of the history")
        if callback == "_on_message":
            listener.publish(f"{ROOT}/$alert/old-trouble", "fault: long ago")
        elif callback == "_on_disconnect":
            broker.stop()
            broker.start()
        wait_for(lambda: failed, "error")
        wait_for(lambda: listener.connected, "listener")
        wait_for(lambda: _takes_an_order(listener), "answer")
        assert controller.mqtt.alive()
    finally:
        controller.stop()


def test_a_message_that_is_a_trap_is_left_and_ends_no_connection_though_it_is_retained(
    site: Site, listener: Listener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    listener.publish(f"{LOG}/order", _order(), retain=True)
    _fails_once(monkeypatch, mqtt_module, "parse_order", RecursionError("a trap"))  # type: ignore[arg-type]
    with caplog.at_level(logging.ERROR):
        controller = Controller(site, tmp_path / "j.sqlite")
        try:
            _ready(listener)
            wait_for(lambda: f"{LOG}/order cannot be handled" in caplog.text, "word of it in the log")
            listener.publish(f"{LOG}/order", _order())
            wait_for(lambda: _answers(listener), "answer to the next order")
            assert controller.mqtt.connections == 1
        finally:
            controller.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_has_ended_is_begun_anew_within_its_time(
    site: Site, listener: Listener, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_module, "THREAD_ANEW_AFTER_S", 0.5)
    _fails_once(monkeypatch, _Session, "_drain", SystemExit())
    controller = Controller(site, tmp_path / "j.sqlite")
    try:
        controller.record(20)
        wait_for(lambda: not controller.mqtt.alive(), "end of the thread")
        controller.mqtt.supervise()
        time.sleep(0.5)
        controller.mqtt.supervise()
        assert controller.mqtt.alive()
        wait_for(lambda: set(_numbers(listener)) == set(range(1, 21)), "all of the history")
        _ready(listener)
    finally:
        controller.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_the_page_s_connection_bears_an_error_in_a_callback_and_is_built_anew_when_its_thread_has_ended(
    broker: BrokerProcess, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    connection = Connection(BrokerSettings("127.0.0.1", broker.port), ("homie/5/#",), lambda: 0)
    connection.open()

    def hears(payload: str) -> bool:
        listener.publish("homie/5/x/y/z", payload)
        return any(message.payload == payload.encode() for message in connection.inbox.take(100, 0.3))

    try:
        wait_for(lambda: hears("first"), "message")
        client = connection._client
        assert client is not None
        with monkeypatch.context() as broken:
            broken.setattr(connection.inbox, "put", None)
            listener.publish("homie/5/x/y/z", "lost to an error")
            time.sleep(0.3)
        assert not connection.supervise(connected=True, heard_ago_s=0.0), "its thread has borne it"
        wait_for(lambda: hears("second"), "message after the error")

        client.on_message = None
        client.on_message = lambda *_: 1 / 0
        listener.publish("homie/5/x/y/z", "the end of the thread")
        network = connection._network
        assert network is not None
        wait_for(lambda: not network.is_alive(), "end of the thread")
        assert client.is_connected(), "the library does not notice"
        assert connection.supervise(connected=True, heard_ago_s=0.0)
        wait_for(lambda: hears("third"), "message over the new connection")
    finally:
        connection.close()
