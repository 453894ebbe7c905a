"""Which of several ports is the board's: the one on which it introduces itself, and the same board ever after."""

from __future__ import annotations

import os
from itertools import count
from pathlib import Path

import pytest
import serial

from controller.service.cable import INTRODUCED_WITHIN_MS, Cable
from firmware_host.board.conversation import Conversation
from firmware_host.link import Link, LinkDown, LinkUp
from firmware_host.transport import REOPEN_FIRST_S, SerialPort
from firmware_host.wire import Decoder
from tests.board_stand_in import FITTED, FakeHardware

TURN_MS = 50


class Socket:
    """A port with something on it: a board of this id, or with None a thing that says nothing a board would say."""

    def __init__(self, board_id: str | None) -> None:
        self.board_id = board_id
        self.heard: list[str] = []
        self.timeout: float | None = 0.0
        self.gone = False
        self._decoder = Decoder()
        self._answers = b"" if board_id else b"$POSITION,51.7,-2.1\n"

    @property
    def in_waiting(self) -> int:
        return len(self._answers)

    def read(self, size: int = 1, /) -> bytes:
        if self.gone:
            raise serial.SerialException(5, "Input/output error")
        data, self._answers = self._answers[:size], self._answers[size:]
        return data

    def write(self, data: bytes, /) -> int:
        for kind, seq, _ in self._decoder.feed(data):
            self.heard.append(kind)
            if kind == "who" and self.board_id is not None:
                hardware = OfId(self.board_id)
                Conversation(hardware, FITTED).hello(0, seq)
                self._answers += hardware.outbox
        return len(data)

    def close(self) -> None:
        """Nothing to give back."""

    def fileno(self) -> int:
        return -1


class OfId(FakeHardware):
    """As after a boot of its own each time, so that its first line is new."""

    _boots = count(1)

    def __init__(self, board_id: str) -> None:
        super().__init__(boot=f"{next(self._boots):08x}")
        self._id = board_id

    def board_id(self) -> str:
        return self._id


class Shed:
    """Sockets by name in a folder; a controller that knows the pattern only."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now_s = folder, 0.0
        self.sockets: dict[str, Socket] = {}
        port = SerialPort(str(folder / "tty*"), self._open, lambda: self.now_s, lambda _: None)
        self.port = port
        self.cable = Cable(Link(faithful=True), port)
        self.told: list[str] = []

    def _open(self, path: str) -> Socket:
        if path not in self.sockets:
            raise FileNotFoundError(2, "No such file", path)
        return self.sockets[path]

    def plug(self, name: str, board_id: str | None) -> Socket:
        path = self.folder / name
        path.touch()
        self.sockets[str(path)] = Socket(board_id)
        return self.sockets[str(path)]

    def pull(self, name: str) -> None:
        path = self.folder / name
        self.sockets.pop(str(path)).gone = True
        os.unlink(path)

    def until_up(self, most_ms: int) -> int:
        began_s = self.now_s
        while (self.now_s - began_s) * 1000 < most_ms:
            self.now_s += TURN_MS / 1000
            now_ms = round(self.now_s * 1000)
            for event in self.cable.turn(now_ms) + self.cable.send(now_ms):
                if isinstance(event, LinkUp):
                    return round((self.now_s - began_s) * 1000)
                if isinstance(event, LinkDown):
                    self.told.append(event.reason)
        raise AssertionError(f"not up within {most_ms} ms: {self.told}")

    def never_up(self, for_ms: int) -> None:
        with pytest.raises(AssertionError, match="not up"):
            self.until_up(for_ms)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


OURS, ANOTHER = "e6614c311b7f3a21", "aa014c311b7f3a99"


def test_the_board_is_found_among_ports_that_lead_elsewhere(shed: Shed) -> None:
    other = shed.plug("tty0", None)
    shed.plug("tty1", OURS)
    shed.until_up(INTRODUCED_WITHIN_MS + 1000 * int(REOPEN_FIRST_S) + 1000)
    assert shed.port.path.endswith("tty1")
    assert set(other.heard) == {"who"}


def test_the_board_is_found_under_another_name_although_another_one_has_taken_its_own(shed: Shed) -> None:
    shed.plug("tty0", OURS)
    shed.until_up(1000)
    shed.pull("tty0")
    shed.never_up(3000)
    another = shed.plug("tty0", ANOTHER)
    shed.plug("tty1", OURS)
    shed.until_up(INTRODUCED_WITHIN_MS + 10_000)
    assert shed.port.path.endswith("tty1")
    assert set(another.heard) <= {"who"}
    assert OURS in " ".join(shed.told)
    assert ANOTHER in " ".join(shed.told)


def test_a_board_that_comes_back_alone_is_talked_to_within_the_pause_between_two_tries(shed: Shed) -> None:
    shed.plug("tty0", OURS)
    shed.until_up(1000)
    shed.pull("tty0")
    shed.plug("tty7", OURS)
    assert shed.until_up(5000) <= 1000 * REOPEN_FIRST_S + 500


def test_another_board_alone_is_never_taken_for_ours(shed: Shed) -> None:
    shed.plug("tty0", OURS)
    shed.until_up(1000)
    shed.pull("tty0")
    another = shed.plug("tty0", ANOTHER)
    shed.never_up(120_000)
    assert set(another.heard) == {"who"}
    assert "restart this program" in shed.told[-1]


def test_a_single_silent_port_is_not_left(shed: Shed) -> None:
    silent = shed.plug("tty0", None)
    shed.never_up(60_000)
    assert shed.port.is_open
    silent.board_id = OURS
    shed.until_up(3000)


def test_ports_are_changed_less_and_less_often_while_the_board_is_nowhere(shed: Shed) -> None:
    for name in ("tty0", "tty1"):
        shed.plug(name, ANOTHER)
    shed.cable.link._expected_board_id = OURS
    shed.never_up(600_000)
    assert len(shed.told) < 60


def test_a_pattern_that_fits_nothing_says_so_once(shed: Shed, caplog: pytest.LogCaptureFixture) -> None:
    shed.never_up(60_000)
    (told,) = caplog.messages
    assert "tty*: there is no such port; plug the board in" in told
