"""The board's end of the cable, read while nobody holds the other end."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from firmware_host.board import console
from firmware_host.board.console import READ_BYTES, Console
from tests.fake_machine.usb import Usb


@pytest.fixture
def usb(monkeypatch: pytest.MonkeyPatch) -> Usb:
    port = Usb()
    monkeypatch.setattr(console, "sys", port)
    monkeypatch.setattr(console, "select", port)
    return port


def test_a_cable_that_says_it_has_bytes_and_gives_none_does_not_hold_up_the_loop(usb: Usb) -> None:
    usb.incoming += b"never read"
    usb.stdin = SimpleNamespace(buffer=SimpleNamespace(read=lambda _: b""))
    assert Console().read() == b""


def test_a_babbling_host_is_heard_a_piece_at_a_time_and_nothing_is_lost(usb: Usb) -> None:
    said = bytes(range(256)) * 3
    usb.incoming += said
    port = Console()
    pieces = [port.read() for _ in range(4)]
    assert [len(piece) for piece in pieces] == [READ_BYTES] * 3 + [0]
    assert b"".join(pieces) == said
