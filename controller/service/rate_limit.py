"""A token bucket over a clock that is passed in."""

from __future__ import annotations


class RateLimit:
    """A bucket of `burst` tokens that refills at `per_s` a second of the given clock."""

    def __init__(self, per_s: float = 1.0, burst: int = 10) -> None:
        self._per_ms = per_s / 1000.0
        self._burst = float(burst)
        self._tokens = float(burst)
        self._last_mono_ms: int | None = None

    def allows(self, mono_ms: int) -> bool:
        """Whether one more may pass now; takes a token when it may."""
        if self._last_mono_ms is not None:
            elapsed_ms = max(0, mono_ms - self._last_mono_ms)
            self._tokens = min(self._burst, self._tokens + elapsed_ms * self._per_ms)
        self._last_mono_ms = mono_ms
        if self._tokens < 1.0:
            return False
        self._tokens -= 1.0
        return True
