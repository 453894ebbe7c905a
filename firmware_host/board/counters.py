"""Pulses of flow meters and rain gauges, counted by interrupt as contacts close to ground."""

from machine import Pin  # type: ignore[import-not-found]

from firmware_host.board.clock import between, now_us

EDGES_MAX_PER_S = 5000
"""More can only be noise; it is then not listened to for a while, so that it cannot starve the main loop."""

_DEAF_MS = 10_000
_MASK = (1 << 29) - 1
"""What the interrupt counts stays, with one added, a small number (31 bits with sign): it must not need memory."""


class PulseCounter:
    """`step` must run at least once a second; `total` is then right for ever, whatever wraps underneath."""

    def __init__(self, gpio: int, debounce_us: int):
        self._debounce_us = debounce_us
        self._pin = Pin(gpio, Pin.IN, Pin.PULL_UP)
        self._counted = 0
        self._edges = 0
        self._last_us = now_us()
        self._quiet = True
        self._taken = 0
        self._edges_taken = 0
        self._checked_ms = -1
        self._deaf_until_ms = -1
        self._total = 0
        self.storms = 0
        self._listen(True)

    def _listen(self, on: bool) -> None:
        self._pin.irq(handler=self._edge if on else None, trigger=Pin.IRQ_FALLING, hard=True)

    def _edge(self, _: Pin) -> None:
        """In the interrupt: no memory, no long way."""
        now = now_us()
        self._edges = (self._edges + 1) & _MASK
        if self._quiet or between(now, self._last_us) >= self._debounce_us:
            self._counted = (self._counted + 1) & _MASK
            self._quiet = False
            self._last_us = now

    def total(self) -> int:
        """Pulses since boot."""
        counted = self._counted
        self._total += (counted - self._taken) & _MASK
        self._taken = counted
        return self._total

    def step(self, now: int) -> None:
        """Let old pulses be old before microseconds wrap, and stop listening to what can only be noise."""
        last_us = self._last_us
        if not self._quiet and not 0 <= between(now_us(), last_us) < self._debounce_us:
            self._quiet = True
            if self._last_us != last_us:
                # A pulse came in between: it is not that old.
                self._quiet = False
        if 0 <= self._deaf_until_ms <= now:
            self._deaf_until_ms = -1
            self._listen(True)
        if self._checked_ms < 0 or now - self._checked_ms >= 1000:
            self._check_rate(now)

    def _check_rate(self, now: int) -> None:
        edges = self._edges
        fresh = (edges - self._edges_taken) & _MASK
        span_ms = now - self._checked_ms
        self._edges_taken = edges
        if self._checked_ms >= 0 and fresh * 1000 > EDGES_MAX_PER_S * span_ms:
            self._listen(False)
            self.storms += 1
            self._deaf_until_ms = now + _DEAF_MS
        self._checked_ms = now
        self.total()
