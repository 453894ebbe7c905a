"""Joins the serial port and the link: bytes one way, events the other, and nothing decided here."""

from __future__ import annotations

import logging

from firmware_host.link import Event, Link
from firmware_host.transport import PortClosed, SerialPort

CLOSED_RETRY_MS = 250
"""How often a closed port is asked whether it is time to try again; the port itself paces the tries."""

log = logging.getLogger("pumphouse.cable")


class Cable:
    """One board behind one port. Times are those the link is told, `pace` times faster than real ones."""

    def __init__(self, link: Link, port: SerialPort, pace: float = 1.0) -> None:
        self.link = link
        self._port = port
        self._pace = pace

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
        return events

    def send(self, mono_ms: int) -> list[Event]:
        """Write what the link wants to say now."""
        data = self.link.tick(mono_ms)
        if data:
            self._port.send(data)
            return self._port_events(mono_ms)
        return []

    def close(self) -> None:
        self._port.close()

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
