"""Ultrasonic ranger with a trigger and an echo pin: bursts of pings that never hold up the main loop."""

import rp2  # type: ignore[import-not-found]
from machine import Pin  # type: ignore[import-not-found]

from firmware_host.board.ping_program import CLOCK_HZ, ping

LONGEST_US = 40_000
"""Some 6.8 m there and back; also how long an echo may take to begin."""

GAP_MS = 60
"""From ping to ping, so that the last one has died away."""

_STUCK_MS = 100
_DEAF_MS = 150
_FORGOTTEN_MS = 3000


class PulseRanger:
    """unit: which of the chip's state machines times the echoes. trigger, echo: GPIO numbers."""

    def __init__(self, unit: int, trigger: int, echo: int):
        self._echo = Pin(echo, Pin.IN, Pin.PULL_DOWN)
        self._machine = rp2.StateMachine(
            unit, ping, freq=CLOCK_HZ, set_base=Pin(trigger, Pin.OUT, value=0), jmp_pin=self._echo
        )
        self._machine.active(1)
        self._times_us: list[int] = []
        self._asked_ms = -_FORGOTTEN_MS - 1
        self._pinged_ms = -1
        self._next_ms = 0

    def burst_us(self, count: int, now: int) -> list[int] | None:
        """Round-trip times of `count` pings, 0 for one without echo; None until all are there. Ask every 10 to 20 ms.

        A burst that nobody asked after for three seconds is begun anew.
        """
        if now - self._asked_ms > _FORGOTTEN_MS:
            while self._machine.rx_fifo():
                self._machine.get()
            self._times_us = []
            self._pinged_ms = -1
            self._next_ms = now
        self._asked_ms = now
        if self._pinged_ms >= 0:
            self._hear(now)
        elif now >= self._next_ms:
            self._ping(now)
        if len(self._times_us) < count:
            return None
        times_us = self._times_us
        self._times_us = []
        return times_us

    def _hear(self, now: int) -> None:
        if self._machine.rx_fifo():
            left_us = int(self._machine.get())
            self._note(LONGEST_US - left_us if left_us < LONGEST_US else 0)
        elif now - self._pinged_ms > _DEAF_MS:
            self._machine.restart()
            self._note(0)

    def _note(self, time_us: int) -> None:
        self._times_us.append(time_us)
        self._next_ms = self._pinged_ms + GAP_MS
        self._pinged_ms = -1

    def _ping(self, now: int) -> None:
        """Ping once the echo pin is at rest and the last word was taken.

        An echo that stays high belongs to no ping of ours, and a word more in a full queue would be waited for.
        """
        if not (self._echo.value() or self._machine.tx_fifo()):
            self._machine.put(LONGEST_US)
            self._pinged_ms = now
        elif now - self._next_ms > _STUCK_MS:
            self._times_us.append(0)
            self._next_ms = now + GAP_MS
