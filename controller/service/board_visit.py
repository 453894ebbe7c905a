"""A short visit to a board: open its port, be introduced, read it, move an output for a few seconds, leave it shut.

For the commands that inspect and exercise a board. The service must not be running: a port has one owner.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from controller.errors import OperatingError
from controller.service.cable import Cable
from firmware_host.link import BoardLimits, Event, Link, LinkDown, LinkUp, Received
from firmware_host.messages import SHUT, Hello, Outputs, Report
from firmware_host.transport import SerialPort

ANSWER_WITHIN_S = 10.0
TURN_S = 0.05
REPORT_EVERY_MS = 1000
SHUT_WITHIN_S = 8.0


class BoardVisit:
    """Use as a context manager; on the way out every output is shut. Times are real seconds."""

    def __init__(
        self,
        port: SerialPort,
        limits: BoardLimits | None = None,
        session: int = 0,
        monotonic_s: Callable[[], float] = time.monotonic,
        sleep_s: Callable[[float], None] = time.sleep,
    ) -> None:
        self._cable = Cable(Link(limits, session=session), port)
        self._monotonic_s = monotonic_s
        self._sleep_s = sleep_s
        self._moved = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self._moved:
                self.shut()
        finally:
            self._cable.close()

    def introduce(self) -> Hello:
        """Wait for the board's introduction. Raises OperatingError saying why none came and what to do."""
        end_s = self._monotonic_s() + ANSWER_WITHIN_S
        link, why = self._cable.link, ""
        while self._monotonic_s() < end_s:
            for event in self._turn(SHUT):
                if isinstance(event, LinkUp) and link.hello is not None:
                    return link.hello
                if isinstance(event, LinkDown):
                    why = event.reason
            if link.state == "refused":
                raise OperatingError(link.reason)
        raise OperatingError(why or _NOBODY)

    def watch(self, outputs: Outputs, seconds: float) -> list[Report]:
        """Hold `outputs` for so long and gather the board's reports; the lease is renewed all the while."""
        self._moved |= outputs.any_on
        end_s = self._monotonic_s() + seconds
        reports: list[Report] = []
        while self._monotonic_s() < end_s:
            for event in self._turn(outputs):
                if isinstance(event, Received) and isinstance(event.message, Report):
                    reports.append(event.message)
                elif isinstance(event, LinkDown):
                    raise OperatingError(f"the board was lost: {event.reason}")
        return reports

    def restart(self, *, with_program: bool) -> None:
        """Order a restart and wait until the line has gone out. Raises OperatingError when there is no board to ask."""
        if not self._cable.link.restart(with_program):
            raise OperatingError("the board went away before it could be restarted; try again")
        end_s = self._monotonic_s() + 0.5
        while self._monotonic_s() < end_s:
            self._turn(SHUT)

    def shut(self) -> None:
        """Have everything shut and see it shut; if that is not seen, the lease does it within 5 s all the same."""
        end_s = self._monotonic_s() + SHUT_WITHIN_S
        while self._monotonic_s() < end_s:
            for event in self._turn(SHUT):
                message = event.message if isinstance(event, Received) else None
                if isinstance(message, Report) and not message.pump_on and not message.valve_open:
                    self._moved = False
                    return

    def _turn(self, outputs: Outputs) -> list[Event]:
        mono_ms = int(self._monotonic_s() * 1000)
        events = self._cable.turn(mono_ms)
        self._cable.link.want(outputs, REPORT_EVERY_MS, mono_ms)
        events += self._cable.send(mono_ms)
        self._sleep_s(TURN_S)
        return events


_NOBODY = (
    "the port is open, but nothing on it answers as a board. Is it the right port? Is the firmware on the board? "
    "(pumphouse board flash --serial PORT)"
)
