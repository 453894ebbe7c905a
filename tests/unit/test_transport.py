"""The serial port under the link, over real pseudo terminals and over stand-ins that fail."""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import time
import tty
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
import serial

from firmware_host.transport import PortClosed, PortOpened, SerialPort


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """Master end and path of a raw pseudo terminal."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    for descriptor in (master, slave):
        with contextlib.suppress(OSError):
            os.close(descriptor)


def read_until(port: SerialPort, wanted: bytes) -> bytes:
    got = b""
    end = time.monotonic() + 5
    while wanted not in got:
        assert time.monotonic() < end
        got += port.poll(0.05) or b""
    return got


def test_bytes_go_both_ways_over_a_pseudo_terminal(terminal: tuple[int, str]) -> None:
    master, path = terminal
    port = SerialPort(path)
    assert port.poll(0.0) == b""
    assert port.take_events() == [PortOpened(path)]
    os.write(master, b"report 1\n" * 50)
    assert read_until(port, b"report 1\n" * 50) == b"report 1\n" * 50
    assert port.send(b"who 1\n")
    assert os.read(master, 100) == b"who 1\n"
    port.close()


def test_nothing_to_read_returns_after_the_time_out(terminal: tuple[int, str]) -> None:
    port = SerialPort(terminal[1])
    port.poll(0.0)
    began = time.monotonic()
    assert port.poll(0.1) == b""
    assert 0.05 <= time.monotonic() - began < 1.0
    port.close()


def test_a_second_program_is_told_that_the_port_is_taken(terminal: tuple[int, str]) -> None:
    first, second = SerialPort(terminal[1]), SerialPort(terminal[1])
    first.poll(0.0)
    assert second.poll(0.0) is None
    (closed,) = second.take_events()
    assert isinstance(closed, PortClosed)
    assert closed.cause == "another program has the port open"
    first.close()


def test_a_vanished_far_end_closes_the_port_with_cause_and_cure(terminal: tuple[int, str]) -> None:
    master, path = terminal
    port = SerialPort(path)
    port.poll(0.0)
    port.take_events()
    os.close(master)
    assert port.poll(0.1) is None
    (closed,) = port.take_events()
    assert isinstance(closed, PortClosed)
    assert closed.cause == "the board was unplugged or lost power"
    assert path in closed.reason
    assert not port.is_open
    assert not port.send(b"x")


def test_a_far_end_that_reads_nothing_cannot_block_for_more_than_a_second(terminal: tuple[int, str]) -> None:
    port = SerialPort(terminal[1])
    port.poll(0.0)
    began = time.monotonic()
    assert not port.send(b"x" * 1_000_000)
    assert time.monotonic() - began < 1.5
    assert isinstance(port.take_events()[-1], PortClosed)


def test_the_first_path_that_opens_is_taken(terminal: tuple[int, str], tmp_path: Path) -> None:
    port = SerialPort([str(tmp_path / "absent"), terminal[1]])
    port.poll(0.0)
    assert port.path == terminal[1]
    assert port.take_events() == [PortOpened(terminal[1])]
    assert port.fileno() is not None
    port.close()
    assert port.fileno() is None


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        self.now_s += duration_s


def test_an_absent_port_is_tried_at_growing_pauses_of_one_to_five_seconds_and_told_once(tmp_path: Path) -> None:
    clock = Clock()
    tries: list[float] = []

    def opener(path: str) -> serial.Serial:
        tries.append(clock.now_s)
        return serial.Serial(path)

    port = SerialPort(str(tmp_path / "absent"), opener, clock, clock.sleep)
    while clock.now_s < 140:
        assert port.poll(0.25) is None
    pauses = [later - earlier for earlier, later in pairwise(tries)]
    assert pauses[:4] == [1.0, 1.5, 2.25, 3.375]
    assert set(pauses[4:]) == {5.0}
    (closed,) = port.take_events()
    assert isinstance(closed, PortClosed)
    assert closed.cause == "there is no such port"


def test_waiting_for_an_absent_port_never_spins(tmp_path: Path) -> None:
    clock = Clock()
    port = SerialPort(str(tmp_path / "absent"), serial.Serial, clock, clock.sleep)
    polls = 0
    while clock.now_s < 160:
        port.poll(0.5)
        polls += 1
    assert polls <= 160


@pytest.mark.parametrize(
    ("error", "cause"),
    [
        (OSError(errno.EACCES, "no"), "no permission"),
        (OSError(errno.EBUSY, "busy"), "another program has the port open"),
        (serial.SerialException("strange"), "the port failed (strange)"),
        (ValueError("not a port"), "the port failed (not a port)"),
    ],
)
def test_every_failure_to_open_has_a_cause_and_a_cure(error: Exception, cause: str) -> None:
    def opener(_: str) -> serial.Serial:
        raise error

    clock = Clock()
    port = SerialPort("port", opener, clock, clock.sleep)
    assert port.poll(0.1) is None
    (closed,) = port.take_events()
    assert isinstance(closed, PortClosed)
    assert closed.cause == cause
    assert closed.cure


def test_a_port_that_comes_back_is_opened_again_within_two_seconds(tmp_path: Path) -> None:
    link = tmp_path / "board"
    port = SerialPort(str(link))
    assert port.poll(0.0) is None
    master, slave = pty.openpty()
    tty.setraw(slave)
    link.symlink_to(os.ttyname(slave))
    began = time.monotonic()
    while port.poll(0.2) is None:
        assert time.monotonic() - began < 2.0
    port.close()
    os.close(master)
    os.close(slave)
