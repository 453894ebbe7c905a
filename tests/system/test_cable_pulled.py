"""The cable is pulled while a zone is watered; the board comes back under another name, another board under the old."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from tests.system.broker_process import wait_for
from tests.system.real_garden import LOG, ZONE, Garden

pytestmark = pytest.mark.system

LEASE_S, SEEN_WITHIN_S = 5.0, 0.5
METERED_WITHIN = 0.05
"""Of the litre or so that is given, a pulse of the meter is half a per cent."""


class Extension:
    """A cable between a board's terminal and a name of our own, which can be pulled and put back under another.

    What the board says while it is pulled is lost. `said` is all that was said to the board.
    """

    def __init__(self, board_tty: Path) -> None:
        self._board = serial.Serial(str(board_tty), 115_200, timeout=0, exclusive=True)
        self._lock = threading.Lock()
        self._host = -1
        self._name: Path | None = None
        self._ended = False
        self.said = b""
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def plug(self, name: Path) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        with self._lock:
            self._host, self._name = master, name
        name.symlink_to(path)

    def pull(self) -> None:
        with self._lock:
            host, self._host = self._host, -1
            assert self._name is not None
            self._name.unlink()
        os.close(host)

    def close(self) -> None:
        self._ended = True
        self._thread.join(2.0)
        if self._host >= 0:
            self.pull()
        self._board.close()

    def _carry(self) -> None:
        while not self._ended:
            select.select([self._board], [], [], 0.01)
            from_board = self._board.read(4096)
            with self._lock:
                if self._host < 0:
                    continue
                # A terminal that nobody has open fails; then nothing is carried.
                with contextlib.suppress(OSError):
                    if from_board:
                        os.write(self._host, from_board)
                with contextlib.suppress(OSError):
                    from_host = os.read(self._host, 4096)
                    self.said += from_host
                    self._board.write(from_host)


class MovableGarden(Garden):
    """The board is reached through an extension; the controller knows only a pattern of names."""

    def __init__(self, directory: Path) -> None:
        super().__init__(directory)
        self.ports = directory / "ports"
        self.ports.mkdir()
        self.cable = Extension(self._tty)
        self.cable.plug(self.ports / "ttyACM0")
        self._extensions = [self.cable]
        self._directory = directory
        self._tty = self.ports / "ttyACM*"

    def plug_in_another_board(self, name: str) -> Extension:
        link, state = self._directory / "other-tty", self._directory / "other-state.json"
        self._command(
            "board", "virtual", "--link", link, "--state", state, "--seed", "2", "--start", "2026-06-01T06:00"
        )
        wait_for(state.exists, "another board")
        other = Extension(link)
        self._extensions.append(other)
        other.plug(self.ports / name)
        return other

    def close(self) -> None:
        for extension in self._extensions:
            extension.close()
        super().close()


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[MovableGarden]:
    garden = MovableGarden(tmp_path)
    yield garden
    garden.close()


def deliveries(garden: MovableGarden) -> dict[str, list[object]]:
    """What the history says of ended waterings of the zone, value by value in order."""
    found: dict[str, list[object]] = {}
    for payload in garden.listener.payloads(f"{LOG}/senml"):
        for entry in json.loads(payload):
            if (name := str(entry["n"])).startswith(f"delivery/{ZONE}/"):
                found.setdefault(name.rsplit("/", 1)[1], []).append(entry.get("v", entry.get("vs")))
    return found


def test_a_pulled_cable_shuts_the_board_and_the_board_is_found_again_under_another_name(garden: MovableGarden) -> None:
    garden.serve()
    garden.until_ready()
    answer = garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5.0)
    assert answer["accepted"], answer
    wait_for(lambda: garden.truth()["applied_l"][ZONE] > 0.5, "water", 60.0)

    garden.cable.pull()
    pulled_s = time.monotonic()
    wait_for(lambda: not garden.truth()["pump_on"] and not garden.truth()["valve_open"], "shut board", 10.0)
    assert time.monotonic() - pulled_s <= LEASE_S + SEEN_WITHIN_S
    wait_for(lambda: garden.board_value("link/up") == "false", "lost link", 5.0)
    wait_for(lambda: not garden.truth()["valves_truly_open"], "closed valve", 10.0)
    truth_l = garden.truth()["applied_l"][ZONE]

    other = garden.plug_in_another_board("ttyACM0")
    garden.cable.plug(garden.ports / "ttyACM1")
    wait_for(lambda: garden.board_value("link/up") == "true", "board under its new name", 30.0)
    questions = [line.split(b" ")[0] for line in other.said.splitlines() if line]
    assert set(questions) == {b"who"}, "another board is asked who it is and told nothing"

    wait_for(lambda: "volume" in deliveries(garden), "end of the watering", 30.0)
    assert deliveries(garden)["run"] == ["p-1"]
    assert deliveries(garden)["ended"] == ["blocked"]
    (volume_m3,) = deliveries(garden)["volume"]
    assert volume_m3 == pytest.approx(truth_l / 1000.0, rel=METERED_WITHIN), "what ran on during the lease is counted"
    assert float(garden.value(f"zone-{ZONE}/applied-today")) == pytest.approx(truth_l, rel=METERED_WITHIN)

    assert garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5.0)["accepted"], "the same answer as before"
    time.sleep(3.0)
    assert not garden.truth()["valve_open"], "an ended watering does not go on by itself"
    assert float(garden.value(f"zone-{ZONE}/applied-today")) == pytest.approx(truth_l, rel=METERED_WITHIN)
    assert garden.order(order="run-zone", id="p-2", zone=ZONE, volume_l=5.0)["accepted"]
    wait_for(lambda: garden.truth()["valve_open"], "valve opened over the new name", 5.0)
    assert b"set " not in other.said
