"""A subscriber that reads nothing any more, while a long history is sent: nobody else notices.

Real processes: board, Mosquitto, controller.
"""

from __future__ import annotations

import itertools
import re
import socket
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from controller.contract import Now, Record
from controller.service.journal import Journal
from controller.service.mqtt import PACKS_PER_S
from tests.system.broker_process import wait_for
from tests.system.real_garden import LOG, ZONE, Garden

pytestmark = pytest.mark.system

RECORDS = 40_000
LONGEST_TURN_S = 1.0
ANSWER_S = 2.0
GROWTH_MB = 32.0
YESTERDAY_WALL_MS = int(datetime.fromisoformat("2026-05-31T06:00+00:00").timestamp() * 1000)


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    garden = Garden(tmp_path)
    yield garden
    garden.close()


def _fill(path: Path) -> None:
    """A day's readings, one every other second, that nobody has been sent yet."""
    journal = Journal.open(path, bulk=True)
    for number in range(RECORDS):
        ms = number * 80_000_000 // RECORDS
        readings = {"battery_v": round(12.0 + number % 1000 / 1000.0, 3), "tank.main.volume_l": number / 100.0}
        journal.add_record(Now(ms, YESTERDAY_WALL_MS + ms, "synchronised"), Record("measure", "", readings))
    journal.close()


class StuckSubscriber:
    """Asks for everything and then reads nothing, with hardly any room for what is on its way."""

    def __init__(self, port: int) -> None:
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._socket.connect(("127.0.0.1", port))
        # MQTT 3.1.1, no keep-alive, so that the broker never calls it dead; then "#" at QoS 1.
        self._socket.sendall(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05stuck")
        assert self._socket.recv(4) == b"\x20\x02\x00\x00"
        self._socket.sendall(b"\x82\x06\x00\x01\x00\x01#\x01")

    def is_still_stuck(self) -> bool:
        """Whether the broker keeps it, with as much in its buffer as this takes."""
        return len(self._socket.recv(1 << 20, socket.MSG_PEEK | socket.MSG_DONTWAIT)) > 1000

    def close(self) -> None:
        self._socket.close()


def _resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024.0


def _history(garden: Garden) -> set[int]:
    packs = b"".join(garden.listener.payloads(f"{LOG}/senml"))
    return {int(number) for number in re.findall(rb'"n":"seq"[^}]*?"v":(\d+)', packs)}


def test_a_subscriber_that_reads_nothing_holds_up_neither_the_loop_nor_anybody_else(garden: Garden) -> None:
    _fill(garden.journal)
    stuck = StuckSubscriber(garden.broker.port)
    try:
        controller = garden.serve()
        wait_for(lambda: garden.value("$state") == "ready", "controller", 20.0)
        ready_s, at_first_mb = time.monotonic(), _resident_mb(controller.pid)
        waits_s = []
        for number in itertools.count():
            asked_s = time.monotonic()
            kind = "hold-zone" if number % 2 == 0 else "resume-zone"
            assert garden.order(order=kind, id=f"h-{number}", zone=ZONE)["accepted"]
            mode = "hold" if number % 2 == 0 else "run"
            wait_for(lambda: garden.value(f"zone-{ZONE}/mode") == mode, "live value", ANSWER_S)  # noqa: B023
            waits_s.append(time.monotonic() - asked_s)
            if len(_history(garden)) >= RECORDS:
                break
            assert number < 60, "the history never ends"
            time.sleep(max(0.0, 1.0 - waits_s[-1]))
        paced_s = len(garden.listener.payloads(f"{LOG}/senml")) / PACKS_PER_S - 1.0
        assert time.monotonic() - ready_s > 0.9 * paced_s > 2.0
        assert set(range(1, RECORDS + 1)) <= _history(garden)
        assert max(waits_s) < ANSWER_S
        assert _resident_mb(controller.pid) - at_first_mb < GROWTH_MB
        assert stuck.is_still_stuck()
        controller.terminate()
        _, said = controller.communicate(timeout=20)
        (longest_s,) = re.findall(r"the longest turn of the loop took ([\d.]+) s", said)
        assert float(longest_s) < LONGEST_TURN_S
    finally:
        stuck.close()
