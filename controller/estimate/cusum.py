"""A two-sided cumulative sum: the sequential test for a shift of a mean (Page 1954).

Each side adds up what a value lies beyond an allowance and never falls below nothing. With an allowance of half the
shift that matters it is the fastest test for a given rate of false alarms (Moustakides 1986; both from memory). Mean
runs to a false alarm are checked against published tables in tests/reference/test_cusum.py.
"""

from __future__ import annotations

from typing import Any

NEVER_MS = -(10**12)


class Cusum:
    """The sums of both sides, and when each last began to rise."""

    __slots__ = ("down", "down_since_ms", "up", "up_since_ms")

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Begin anew."""
        self.up = self.down = 0.0
        self.up_since_ms = self.down_since_ms = NEVER_MS

    def add(self, value: float, allowance: float, at_ms: int) -> None:
        """Take one value, in the unit of the allowance."""
        if self.up == 0.0:
            self.up_since_ms = at_ms
        if self.down == 0.0:
            self.down_since_ms = at_ms
        self.up = max(0.0, self.up + value - allowance)
        self.down = max(0.0, self.down - value - allowance)

    @property
    def quiet(self) -> bool:
        """Whether nothing speaks for a shift to either side."""
        return self.up == 0.0 and self.down == 0.0

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock began anew, `shift_ms` away from where it was."""
        self.up_since_ms += shift_ms
        self.down_since_ms += shift_ms

    def dump(self) -> list[Any]:
        """The sums as JSON-able data."""
        return [self.up, self.down, self.up_since_ms, self.down_since_ms]

    def load(self, data: list[Any]) -> None:
        """Take back what `dump` gave."""
        self.up, self.down, self.up_since_ms, self.down_since_ms = data
