"""A broker for demonstrations: Mosquitto when the machine has it, else the one inside a Python package.

It listens on this machine alone, on a port that the system chose, and is stopped with whoever started it. A garden runs
Debian's Mosquitto as a service instead, with accounts.
"""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.errors import OperatingError

MOSQUITTO_PLACES = ("mosquitto", "/usr/sbin/mosquitto")
ANSWERS_WITHIN_S = 10.0


@dataclass(frozen=True, slots=True)
class RunningBroker:
    name: str
    port: int


@contextlib.contextmanager
def start_broker(directory: Path, *, prefer_embedded: bool = False) -> Iterator[RunningBroker]:
    """A running broker on 127.0.0.1. Raises OperatingError when there is none to run, with the cure."""
    mosquitto = next((found for place in MOSQUITTO_PLACES if (found := shutil.which(place))), None)
    port = free_port()
    if mosquitto is not None and not prefer_embedded:
        with _mosquitto(mosquitto, directory, port):
            yield RunningBroker("Mosquitto", port)
        return
    with _embedded(port):
        yield RunningBroker("the embedded broker", port)


@contextlib.contextmanager
def _mosquitto(program: str, directory: Path, port: int) -> Iterator[None]:
    settings = directory / "mosquitto.conf"
    # Only this machine can reach it, and it holds nothing but a demonstration: no accounts.
    lines = (f"listener {port} 127.0.0.1", "allow_anonymous true", "persistence false", "max_queued_messages 0")
    settings.write_text("\n".join(lines) + "\n", encoding="ascii")
    with (directory / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(settings)], stdout=log, stderr=log)
        try:
            _wait_until_it_answers(port, "Mosquitto")
            yield
        finally:
            process.terminate()
            process.wait()


@contextlib.contextmanager
def _embedded(port: int) -> Iterator[None]:
    try:
        from iotcore import Broker
    except ImportError as error:
        raise OperatingError(
            "there is no broker to run: install Mosquitto (sudo apt install mosquitto) "
            "or the embedded one (pip install 'pumphouse[demo]')"
        ) from error
    with Broker(port=port, listen="127.0.0.1"):
        _wait_until_it_answers(port, "the embedded broker")
        yield


def free_port(wanted: int = 0) -> int:
    """The wanted port of this machine when it is free, else one from the system."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            found: int = probe.getsockname()[1]
            return found
    raise OperatingError("no free port on 127.0.0.1; end a program that listens there and try again")


def _wait_until_it_answers(port: int, name: str) -> None:
    end_s = time.monotonic() + ANSWERS_WITHIN_S
    while time.monotonic() < end_s:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise OperatingError(f"{name} does not answer on 127.0.0.1:{port} within {ANSWERS_WITHIN_S:.0f} s")
