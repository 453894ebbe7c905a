"""Echoes from farther away than the level that is followed: what is followed then is no water.

Nothing echoes from below a surface. A ladder's rung that answers more often than the water behind it can be taken for
the level, but as long as some pings come from one place below it, burst after burst, the water is there. A second trip
of the sound between water and roof comes from twice the distance, and is left out.
"""

from __future__ import annotations

from typing import Any

SURE = 3.0
"""Bursts with pings from there, less a quarter of those without, until it is sure (own choice)."""
WITHOUT = 0.25
REACH_MM = 12.0
MOVES_MOST_MM = 60.0
"""How far the water may have moved between two of them, at most (own choice)."""
FORGOTTEN_MS = 3_600_000
TWICE_PART = 0.05
_MS_PER_MIN = 60_000.0

_STATE = ("distance_mm", "last_ms", "score")


class DeeperEcho:
    """One tank's. Feed `see` with a distance, or None, for each burst while something does not come from the level, or
    while `score` is above nothing. Distances are from the ranger's face, in mm."""

    __slots__ = _STATE

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        self.score = 0.0
        self.distance_mm = 0.0
        self.last_ms = 0

    def see(self, distance_mm: float | None, followed_mm: float, moves_mm_min: float, mono_ms: int) -> None:
        """A burst had a ping from `distance_mm`, or none from below the level, which is at `followed_mm`."""
        if distance_mm is None or abs(distance_mm - 2.0 * followed_mm) < TWICE_PART * distance_mm:
            self.score = max(0.0, self.score - WITHOUT)
            return
        silent_ms = mono_ms - self.last_ms
        moved_mm = min(MOVES_MOST_MM, moves_mm_min * silent_ms / _MS_PER_MIN)
        if self.score <= 0.0 or silent_ms > FORGOTTEN_MS or abs(distance_mm - self.distance_mm) > REACH_MM + moved_mm:
            self.score = 0.0
        self.score += 1.0
        self.distance_mm, self.last_ms = distance_mm, mono_ms

    @property
    def is_sure(self) -> bool:
        """Whether the water is there, and not where it is followed."""
        return self.score >= SURE

    def dump(self) -> list[Any]:
        return [getattr(self, name) for name in _STATE]

    def load(self, data: list[Any]) -> None:
        for name, value in zip(_STATE, data, strict=True):
            setattr(self, name, value)
