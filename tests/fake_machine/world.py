"""What hangs on the chip's pins: rangers, good and bad."""

from __future__ import annotations

from tests.fake_machine.chip import Chip

SPEED_MM_PER_US = 0.3432
ECHO_BEGINS_US = 450
TRIGGER_LEAST_US = 10
NO_ECHO_US = 38_000


class PulseRangerModel:
    """A ranger on a trigger and an echo pin. `times_us` are the echoes to come, the last one for ever; 0: no echo.

    dead: never answers. `triggers_us`: how long each trigger pulse was, and when it ended.
    """

    def __init__(self, on: Chip, trigger: int, echo: int, times_us: list[int], dead: bool = False) -> None:
        self._chip, self._echo = on, echo
        self._times_us = list(times_us)
        self.dead = dead
        self._rose_us = -1
        self.triggers_us: list[tuple[int, int]] = []
        on.put(echo, 0)
        on.pins[trigger].watchers.append(self._triggered)

    def _triggered(self, level: int) -> None:
        now_us = self._chip.now_us
        if level:
            self._rose_us = now_us
            return
        if self._rose_us < 0:
            return
        length_us, self._rose_us = now_us - self._rose_us, -1
        self.triggers_us.append((now_us, length_us))
        if self.dead or length_us < TRIGGER_LEAST_US:
            return
        time_us = self._times_us.pop(0) if len(self._times_us) > 1 else self._times_us[0]
        self._chip.after(ECHO_BEGINS_US, lambda: self._chip.put(self._echo, 1))
        self._chip.after(ECHO_BEGINS_US + (time_us or NO_ECHO_US), lambda: self._chip.put(self._echo, 0))


def frame(distance_mm: int) -> bytes:
    """What a serial ranger sends."""
    high, low = distance_mm >> 8, distance_mm & 0xFF
    return bytes([0xFF, high, low, (0xFF + high + low) & 0xFF])
