"""A ranger that repeats one and the same burst, which a live one cannot.

No burst of several pings comes again by chance many times on end, but coarse rangers come near to it over still water.
So it takes pings that differ among themselves, and come again in the same order, or a cause for which it cannot be so:
litres metered out, rain on the roof, or air that became warmer (sound is faster by 0.17 % a kelvin).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

REPEATS = 20
FEW_REPEATS, FEW_OVER_MS = 5, 20 * 60_000
"""A board that reports seldom: so few are enough over so long a time, once water or air have changed as said below."""
DRAWN_L, RAINED_MM, WARMED_K = 8.0, 4.0, 6.0
"""What must show in the echoes: five millimetres of water in a garden's tank, eighty litres off a shed's roof, or
three millimetres of echo at the least distance (own choice)."""
VARIED = 3
"""So many different times in one burst are noise, which does not come again (own choice)."""


_STATE = ("burst", "coldest_c", "count", "drawn_l", "last_ms", "rained_mm", "since_ms", "warmest_c")


class FrozenEcho:
    """One ranger. Set `burst` with each new burst; call `again` instead when it is the same as before."""

    __slots__ = _STATE

    def __init__(self) -> None:
        self.burst: Sequence[int] = ()
        self.count = 0
        """How often it came again."""
        self.since_ms = self.last_ms = 0
        self.drawn_l = self.rained_mm = 0.0
        self.coldest_c: float | None = None
        self.warmest_c: float | None = None

    def new(self, burst: Sequence[int]) -> None:
        """Another burst than the last."""
        self.burst, self.count = burst, 0

    def again(self, probe_c: float | None, mono_ms: int) -> None:
        """The same burst once more."""
        if self.count == 0:
            self.since_ms = mono_ms
            self.drawn_l = self.rained_mm = 0.0
            self.coldest_c = self.warmest_c = probe_c
        self.count += 1
        self.last_ms = mono_ms
        if probe_c is not None:
            self.coldest_c = probe_c if self.coldest_c is None else min(self.coldest_c, probe_c)
            self.warmest_c = probe_c if self.warmest_c is None else max(self.warmest_c, probe_c)

    def add(self, rain_mm: float, drawn_l: float) -> None:
        """What was counted meanwhile."""
        self.rained_mm += rain_mm
        self.drawn_l += drawn_l

    @property
    def lasts(self) -> bool:
        """Whether it came again so often, or for so long, that no chance explains it once anything has changed."""
        count = self.count
        return count >= REPEATS or (count >= FEW_REPEATS and self.last_ms - self.since_ms >= FEW_OVER_MS)

    def why(self, roofs_fill_it: bool) -> str:
        """Why the echoes cannot be live, in words; empty while nothing speaks against the ranger.

        `roofs_fill_it` says whether rain must raise the level: roofs drain into a tank that is not full.
        """
        if not self.lasts or not any(self.burst):
            return ""
        if self.drawn_l >= DRAWN_L:
            return f"{self.drawn_l:.0f} L were metered out"
        if roofs_fill_it and self.rained_mm >= RAINED_MM:
            return f"{self.rained_mm:.0f} mm of rain fell"
        if self.coldest_c is not None and self.warmest_c is not None:
            warmed_k = self.warmest_c - self.coldest_c
            if warmed_k >= WARMED_K:
                return f"the air changed by {warmed_k:.0f} °C"
        if len(set(self.burst)) >= VARIED:
            return "even still water never gives the same times twice"
        return ""

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock was set on by so much: a ranger that hung may hang still."""
        self.since_ms += shift_ms
        self.last_ms += shift_ms

    def dump(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in _STATE} | {"burst": list(self.burst)}

    def load(self, data: dict[str, Any]) -> None:
        for name in _STATE:
            setattr(self, name, data.get(name, 0))
        self.burst = tuple(data["burst"])
