"""Tells the service manager how we are (sd_notify protocol): a datagram to the socket it named, or nothing."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends without ever blocking; silent when not started by a service manager."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        environment = os.environ if environment is None else environment
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self.watchdog_s = _watchdog_s(environment)
        """Ping at least this often (half of what the manager allows); None when it does not watch."""

    def send(self, *lines: str) -> bool:
        """Send assignments such as READY=1. False when it could not be delivered now."""
        if self._socket is None:
            return False
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return False  # A manager that does not listen must not stop the watering; the next ping may get through.
        return True

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    pid = environment.get("WATCHDOG_PID")
    if pid is not None and pid != str(os.getpid()):
        return None
    try:
        allowed_us = int(environment.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return allowed_us / 2_000_000.0 if allowed_us > 0 else None
