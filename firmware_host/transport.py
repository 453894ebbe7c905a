"""The serial port under the link: opens, reads without waiting longer than told, reopens by itself, explains itself.

It has no thread and no protocol. Trouble with the port is never raised; it is a `PortClosed` with cause and cure.
"""

from __future__ import annotations

import contextlib
import errno
import glob
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import serial

BAUD = 115_200
READ_MAX = 4096
WRITE_TIMEOUT_S = 0.5
REOPEN_FIRST_S = 1.0
REOPEN_LAST_S = 5.0
REOPEN_GROWTH = 1.5


@dataclass(frozen=True, slots=True)
class PortOpened:
    path: str


@dataclass(frozen=True, slots=True)
class PortClosed:
    """The port could not be opened, or was lost; `cure` says what to do about `cause`."""

    path: str
    cause: str
    cure: str

    @property
    def reason(self) -> str:
        return f"{self.path}: {self.cause}; {self.cure}"


PortEvent = PortOpened | PortClosed


class _Port(Protocol):
    timeout: float | None

    @property
    def in_waiting(self) -> int: ...
    def read(self, size: int = 1, /) -> bytes: ...
    def write(self, data: bytes, /) -> int | None: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...


def open_serial(path: str) -> _Port:
    """Open a serial port for this program alone. Raises OSError (of which SerialException is one) or ValueError."""
    port: _Port = serial.Serial(
        path, BAUD, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True, xonxoff=False, rtscts=False, dsrdtr=False
    )
    return port


class SerialPort:
    """The first of `paths` that opens. `events` tells when it opened and closed, in order.

    A path may be a pattern (`/dev/ttyACM*`): it stands for all ports of such a name that are there, in order. A board
    that is unplugged often comes back under another name.
    `opener`, `monotonic_s` and `sleep_s` stand in for the machine in tests.
    """

    def __init__(
        self,
        paths: str | Sequence[str],
        opener: Callable[[str], _Port] = open_serial,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep_s: Callable[[float], None] = time.sleep,
    ):
        self._paths = (paths,) if isinstance(paths, str) else tuple(paths)
        self._opener = opener
        self._monotonic_s = monotonic_s
        self._sleep_s = sleep_s
        self._port: _Port | None = None
        self._path = ""
        self._left = ""
        self._retry_s = monotonic_s()
        self._pause_s = REOPEN_FIRST_S
        self._events: list[PortEvent] = []
        self._last_told = ""

    @property
    def is_open(self) -> bool:
        return self._port is not None

    @property
    def path(self) -> str:
        """The path that is open, or was last."""
        return self._path

    def fileno(self) -> int | None:
        """Descriptor to wait on beside others; None while the port is closed."""
        return None if self._port is None else self._port.fileno()

    def take_events(self) -> list[PortEvent]:
        """What happened to the port since the last call. A port that stays unusable for one reason is told once."""
        events, self._events = self._events, []
        return events

    def poll(self, timeout_s: float) -> bytes | None:
        """Bytes that arrived, waiting at most `timeout_s` for the first; None while the port is closed."""
        port = self._port or self._open()
        if port is None:
            self._sleep_s(max(0.0, min(timeout_s, self._retry_s - self._monotonic_s())))
            return None
        try:
            if port.timeout != timeout_s:
                port.timeout = timeout_s
            return port.read(max(1, min(READ_MAX, port.in_waiting)))
        except _TROUBLE as error:
            self._lose(error)
            return None

    def send(self, data: bytes) -> bool:
        """Write everything, or lose the port: False. A far end that takes nothing for 0.5 s counts as lost."""
        port = self._port
        if port is None:
            return False
        if not data:
            return True
        try:
            port.write(data)
        except _TROUBLE as error:
            self._lose(error)
            return False
        return True

    def close(self) -> None:
        """Give the port back; a later `poll` opens it again."""
        port, self._port = self._port, None
        if port is not None:
            # A port whose device is gone may fail even here; there is nothing left to save.
            with contextlib.suppress(*_TROUBLE):
                port.close()

    def others(self) -> list[str]:
        """The ports beside this one that could be tried."""
        return [path for path in self._candidates() if path != self._path]

    def leave(self, reason: str) -> None:
        """Close a port that does not lead to the board; the one after it is tried next."""
        self.close()
        self._left = self._path
        self._retry_s = self._monotonic_s() + REOPEN_FIRST_S
        self._events.append(PortClosed(self._path, reason, "the next port is tried"))

    def _candidates(self) -> list[str]:
        """Every path once, patterns replaced by what is there; what comes after the port that was left goes first."""
        found: dict[str, None] = {}
        for path in self._paths:
            found.update(dict.fromkeys(sorted(glob.glob(path)) if glob.has_magic(path) else [path]))
        paths = list(found)
        start = paths.index(self._left) + 1 if self._left in found else 0
        return paths[start:] + paths[:start] or [self._paths[0]]

    def _open(self) -> _Port | None:
        if self._monotonic_s() < self._retry_s:
            return None
        trouble: list[PortClosed] = []
        for path in self._candidates():
            try:
                port = self._opener(path)
            except _TROUBLE as error:
                trouble.append(_explained(path, error))
                continue
            self._port = port
            self._path = path
            self._pause_s = REOPEN_FIRST_S
            self._last_told = ""
            self._events.append(PortOpened(path))
            return port
        self._retry_later()
        told = "; ".join(closed.reason for closed in trouble)
        if told != self._last_told:
            self._last_told = told
            self._events += trouble
        return None

    def _lose(self, error: BaseException) -> None:
        self.close()
        self._retry_s = self._monotonic_s() + REOPEN_FIRST_S
        self._events.append(_explained(self._path, error))

    def _retry_later(self) -> None:
        self._retry_s = self._monotonic_s() + self._pause_s
        self._pause_s = min(self._pause_s * REOPEN_GROWTH, REOPEN_LAST_S)


def _trouble_classes() -> tuple[type[BaseException], ...]:
    """What the serial library lets through: its own errors are OSErrors, terminal settings raise one of their own."""
    try:
        import termios
    except ImportError:
        return OSError, ValueError
    return OSError, ValueError, termios.error


_TROUBLE = _trouble_classes()


def _explained(path: str, error: BaseException) -> PortClosed:
    text = str(error)
    number = getattr(error, "errno", None)
    if number is None:
        # The serial library wraps some errors and leaves their number in the text only, as `(5, 'Input/output error')`.
        found = re.search(r"\((\d+), ", text) or re.search(r"\[Errno (\d+)\]", text)
        number = int(found[1]) if found else None
    if isinstance(error, serial.SerialTimeoutException):
        return PortClosed(path, "the board takes no data", "unplug and replug the board, or restart it")
    if number == errno.ENOENT:
        return PortClosed(path, "there is no such port", "plug the board in, or correct the configured port")
    if number == errno.EACCES:
        return PortClosed(path, "no permission", "add this user to the group that owns the port (often `dialout`)")
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text:
        return PortClosed(path, "another program has the port open", "stop the other program; only one may drive pumps")
    if number in (errno.EIO, errno.ENXIO, errno.ENODEV) or "returned no data" in text:
        return PortClosed(path, "the board was unplugged or lost power", "check its cable and its power")
    return PortClosed(path, f"the port failed ({text})", "check the cable, then unplug and replug the board")
