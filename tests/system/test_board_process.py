"""`pumphouse board virtual` as a real process on a real pseudo-terminal."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from firmware_host.wire import Decoder, encode

pytestmark = pytest.mark.system

ROOT = Path(__file__).resolve().parents[2]
Line = tuple[str, int, dict[str, str]]


class BoardProcess:
    """A board process, its link and its state file."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.link, self.state_file = folder / "board", folder / "state.json"
        words = ["board", "virtual", "--link", str(self.link)]
        words += ["--state", str(self.state_file), "--start", "2026-06-01T06:00"]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *words, *options],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.path = self.process.stdout.readline().strip()

    def state(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.state_file.read_text(encoding="utf-8"))
        return found

    def stop(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(5)

    def complaint(self) -> str:
        assert self.process.stderr is not None
        return self.process.stderr.read()

    def close(self) -> None:
        self.stop()
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()


Start = Callable[..., BoardProcess]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[BoardProcess] = []

    def starter(*options: str) -> BoardProcess:
        started.append(BoardProcess(tmp_path, *options))
        return started[-1]

    yield starter
    for board in started:
        board.close()


@pytest.fixture
def board(start: Start) -> BoardProcess:
    return start()


def within(seconds: float, happens: Callable[[], bool]) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if happens():
            return True
        time.sleep(0.02)
    return False


class Host:
    """Opens the terminal exclusively, as the daemon does."""

    def __init__(self, path: Path) -> None:
        self.port = serial.Serial(str(path), 115_200, timeout=0.1, exclusive=True)
        self._decoder = Decoder()

    def wait_for(self, kind: str, seconds: float = 5.0) -> dict[str, str] | None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for found, _, fields in self._decoder.feed(self.port.read(max(1, self.port.in_waiting))):
                if found == kind:
                    return fields
        return None

    def hello(self) -> dict[str, str]:
        # A board that has just introduced itself does not do so again at once.
        for _ in range(6):
            self.port.write(b"\n" + encode("who", 0, {}))
            if (hello := self.wait_for("hello", 0.5)) is not None:
                return hello
        raise AssertionError("the board did not introduce itself within 3 s")

    def ask(self, hello: dict[str, str], seq: int, pumps: int, valves: int) -> None:
        fields: dict[str, str | int] = {"boot": hello["boot"], "at": hello["up"], "pumps": pumps, "valves": valves}
        self.port.write(encode("set", seq, {**fields, "lease": 5000, "report": 1000}))


def test_the_link_leads_to_the_printed_terminal_and_goes_with_the_process(board: BoardProcess) -> None:
    assert os.readlink(board.link) == board.path
    assert board.stop() == 0
    assert not board.link.is_symlink()


def test_a_command_over_the_terminal_opens_the_valve_and_a_silent_host_loses_it(board: BoardProcess) -> None:
    host = Host(board.link)
    host.ask(host.hello(), 1, 1, 1)
    ack = host.wait_for("ack")
    assert ack is not None
    assert ack["ack"] == "1"
    assert within(1.0, lambda: board.state()["valve_open"] == 1)
    assert within(4.0, lambda: board.state()["pumps_running"] == [0])
    host.port.close()
    assert within(5.5, lambda: (board.state()["pump_on"], board.state()["valve_open"]) == (0, 0))
    assert board.state()["applied_l"]["salad-bed-east"] > 0.0


def test_a_host_that_dies_leaves_the_terminal_free_for_the_next(board: BoardProcess) -> None:
    first = Host(board.link)
    boot = first.hello()["boot"]
    # As after a kill: nothing but the closing of the descriptor by the system.
    os.close(first.port.fileno())
    first.port.fd = None
    time.sleep(0.1)
    second = Host(board.link)
    assert second.hello()["boot"] == boot
    second.port.close()


def test_a_faster_pace_moves_the_boards_own_clock(start: Start) -> None:
    board = start("--pace", "200")
    host = Host(board.link)
    first = int(host.hello()["up"])
    began = time.monotonic()
    time.sleep(1.5)
    passed = (int(host.hello()["up"]) - first) / 1000.0
    assert passed == pytest.approx(200.0 * (time.monotonic() - began), rel=0.15)
    host.port.close()


def test_a_file_in_the_links_place_is_not_overwritten(start: Start, tmp_path: Path) -> None:
    (tmp_path / "board").write_text("precious", encoding="utf-8")
    board = start()
    assert board.process.wait(10) == 1
    assert "is in the way" in board.complaint()
    assert (tmp_path / "board").read_text(encoding="utf-8") == "precious"
