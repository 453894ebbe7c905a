"""Joins the serial port and the link: bytes one way, events the other.

The one thing decided here is which port: where there are several, one on which the board does not introduce itself is
left for the next. Until it has, nothing is sent but the question who is there.
"""

from __future__ import annotations

import logging

from firmware_host.link import Event, Link
from firmware_host.transport import PortClosed, SerialPort

CLOSED_RETRY_MS = 250
"""How often a closed port is asked whether it is time to try again; the port itself paces the tries."""

INTRODUCED_WITHIN_MS, PATIENCE_MAX_MS = 3000, 60_000
"""How long a port may be without the board before the next one is tried; each round waits twice as long as the last."""

log = logging.getLogger("pumphouse.cable")


class Cable:
    """One board behind one port. Times are those the link is told, `pace` times faster than real ones."""

    def __init__(self, link: Link, port: SerialPort, pace: float = 1.0) -> None:
        self.link = link
        self._port = port
        self._pace = pace
        self._alone_since_ms: int | None = None
        self._patience_ms = INTRODUCED_WITHIN_MS

    def fileno(self) -> int | None:
        """What to wait for reading on; None while there is no port."""
        return self._port.fileno()

    def due_ms(self, mono_ms: int) -> int:
        """When `turn` or `send` has something to do although nothing arrives."""
        if not self._port.is_open:
            return mono_ms + int(CLOSED_RETRY_MS * self._pace)
        return self.link.due_ms()

    def turn(self, mono_ms: int) -> list[Event]:
        """Read what arrived, notice silence, open the port again when it is time."""
        data = self._port.poll(0.0)
        events = self._port_events(mono_ms)
        if data is not None:
            events += self.link.receive(data, mono_ms)
        self._look_elsewhere(mono_ms)
        return events + self._port_events(mono_ms)

    def send(self, mono_ms: int) -> list[Event]:
        """Write what the link wants to say now."""
        data = self.link.tick(mono_ms)
        if data:
            self._port.send(data)
            return self._port_events(mono_ms)
        return []

    def close(self) -> None:
        self._port.close()

    def _look_elsewhere(self, mono_ms: int) -> None:
        """Leave a port on which nobody, or another board, answers."""
        link = self.link
        if link.state == "up":
            self._patience_ms = INTRODUCED_WITHIN_MS
        if link.state in ("up", "closed"):
            self._alone_since_ms = None
        elif self._alone_since_ms is None:
            self._alone_since_ms = mono_ms
        elif mono_ms - self._alone_since_ms >= self._patience_ms * self._pace:
            self._alone_since_ms = None
            if self._port.others():
                self._patience_ms = min(2 * self._patience_ms, PATIENCE_MAX_MS)
                self._port.leave(link.reason or "no board answers here")

    def _port_events(self, mono_ms: int) -> list[Event]:
        events: list[Event] = []
        for happened in self._port.take_events():
            if isinstance(happened, PortClosed):
                log.warning("%s", happened.reason)
                events += self.link.disconnected(mono_ms, happened.reason)
            else:
                log.info("%s is open", happened.path)
                events += self.link.connected(mono_ms)
        return events
