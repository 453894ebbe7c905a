"""What the service manager is told, and that only one controller runs on a journal."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from controller.errors import ConfigurationError
from controller.service.lock import InstanceLock
from controller.service.systemd import Notifier


def test_messages_arrive_as_datagrams(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        assert notifier.send("READY=1", "STATUS=running")
        assert manager.recv(100) == b"READY=1\nSTATUS=running"
        notifier.close()


def test_without_a_manager_nothing_is_sent_and_nothing_fails() -> None:
    notifier = Notifier({})
    assert not notifier.send("READY=1")
    assert notifier.watchdog_s is None


def test_a_manager_that_does_not_read_never_blocks(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        sent = [notifier.send("WATCHDOG=1") for _ in range(5000)]
        assert not sent[-1]
        notifier.close()


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "10000000"}, 5.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_fed_at_half_its_time(environment: dict[str, str], every_s: float | None) -> None:
    """sd_watchdog_enabled(3): ping at half of WATCHDOG_USEC; WATCHDOG_PID may name another process."""
    assert Notifier(environment).watchdog_s == every_s


def test_a_second_controller_on_the_same_journal_is_refused(tmp_path: Path) -> None:
    first = InstanceLock(tmp_path / "j.sqlite")
    with pytest.raises(ConfigurationError, match=f"process {os.getpid()}"):
        InstanceLock(tmp_path / "j.sqlite")
    first.release()
    InstanceLock(tmp_path / "j.sqlite").release()
