"""The USB port as MicroPython shows it: standard streams that can be polled, and a host that reads or does not."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from tests.fake_machine.chip import chip

ROOM_BYTES = 256
SEND_TIMEOUT_US = 500_000


class Usb:
    """sent: what the host has got. While the host does not read, what is written fills the port's own buffer."""

    POLLIN, POLLOUT = 1, 4

    def __init__(self) -> None:
        self.incoming = bytearray()
        self.sent = bytearray()
        self.host_reads = True
        self._room = ROOM_BYTES
        self.stdin: Any = SimpleNamespace(buffer=SimpleNamespace(read=self._read))
        self.stdout: Any = SimpleNamespace(buffer=SimpleNamespace(write=self._write))

    def poll(self) -> Any:
        """A poll object, as `select.poll()`."""
        kinds: list[int] = []
        return SimpleNamespace(
            register=lambda _, kind: kinds.append(kind),
            poll=lambda _: [kind for kind in kinds if (self.incoming if kind == self.POLLIN else self._has_room())],
        )

    def _has_room(self) -> bool:
        return self.host_reads or self._room > 0

    def _read(self, most: int) -> bytes:
        assert len(self.incoming) >= most, "MicroPython would wait here"
        data = bytes(self.incoming[:most])
        del self.incoming[:most]
        return data

    def _write(self, data: bytes) -> None:
        """MicroPython waits half a second for room, then drops the rest."""
        if self.host_reads:
            self.sent += data
            self._room = ROOM_BYTES
            return
        if len(data) > self._room:
            chip().spend(SEND_TIMEOUT_US)
        self._room -= min(len(data), self._room)

    def take(self) -> bytes:
        data = bytes(self.sent)
        self.sent.clear()
        return data
