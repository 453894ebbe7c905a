"""What a storm brought into a tank, measured by the tank itself: how far it rose, with what was drawn added back.

A storm is a spell of rain that a few dry hours end. Tips of the gauge begin it, but water runs before the first tip;
so the level before it is taken from well before, and the level after it from when the roof has dripped dry. A tank that
rises without a tip rises by a hose, or the gauge is blocked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from controller.estimate.echoes import middle

HOUR_MS = 3_600_000
DRY_MS = 3 * HOUR_MS
"""So long after the last tip a storm is over."""
DRIPPING_MS = HOUR_MS
"""Roofs drip, and the level settles, for as long after the last tip."""
BEFORE_MS = HOUR_MS
"""Rain may have run in for so long before the first tip: a tip is a quarter of a millimetre."""
KEPT_MS = 4 * HOUR_MS
LONG_DRY_H = 400.0
"""Taken for the dry time before the first storm."""
FEWEST_SAMPLES = 4
LEVEL_SD_L = 0.8
"""Of a level's mean over an hour or two, less that of another time of day (own choice)."""
DRAW_PART = 0.012
"""Part of a metered draw that may be wrong: what makers state for turbine meters."""
RISE_L = 8.0
"""A tank that rises by this without a tip takes in water that nobody counted."""
RISE_MS = HOUR_MS


class Storm(NamedTuple):
    """One spell of rain, or a rise without any.

    dry_h       dry hours before it
    rain_mm     by the gauge; 0 for a rise that it did not see
    caught_l    what came in, None when no good level was known before and after; its standard deviation
    rising_h    how long water ran in
    spilled     the tank was full meanwhile: what was caught is a lower bound
    """

    began_ms: int
    ended_ms: int
    dry_h: float
    rain_mm: float
    caught_l: float | None
    sd_l: float
    rising_h: float
    spilled: bool


_STATE = (
    "began_ms",
    "before_l",
    "drawn_l",
    "drawn_at_begin_l",
    "last_rain_ms",
    "rain_mm",
    "rising",
    "spilled",
    "wet_before_ms",
)


class StormGauge:
    """Follows one tank's storms. `observe` every few minutes; it returns a storm when one is over."""

    __slots__ = ("_after", "_recent", *_STATE)

    began_ms: int | None
    before_l: float | None
    wet_before_ms: int | None

    def __init__(self) -> None:
        self._forget()

    def _forget(self) -> None:
        self._recent: list[tuple[int, float]] = []
        self._after: list[tuple[int, float]] = []
        self.drawn_l = self.drawn_at_begin_l = self.rain_mm = 0.0
        self.began_ms = self.before_l = self.wet_before_ms = None
        self.last_rain_ms = 0
        self.rising = self.spilled = False

    def restarted(self) -> None:
        """After a restart of the monotonic clock: a storm under way is given up."""
        self._forget()

    @property
    def under_way(self) -> bool:
        return self.began_ms is not None

    @property
    def dry_h(self) -> float:
        """Dry hours before the storm under way; many when nobody knows."""
        if self.began_ms is None or self.wet_before_ms is None:
            return LONG_DRY_H
        return (self.began_ms - self.wet_before_ms) / HOUR_MS

    def observe(self, mono_ms: int, volume_l: float | None, rain_mm: float, drawn_l: float, full: bool) -> Storm | None:
        """Take the volume now (None unless good), and since the last call the rain and what left: draw, known leak."""
        self.drawn_l += drawn_l
        standing_l = None if volume_l is None else volume_l + self.drawn_l
        if rain_mm > 0.0:
            if self.began_ms is None:
                self._begin(mono_ms, False)
            self.rising = False
            self.rain_mm += rain_mm
            self._rains(mono_ms)
        if self.began_ms is None:
            if standing_l is not None:
                self._wait(mono_ms, standing_l)
            return None
        if full:
            self.spilled = True
        if standing_l is not None:
            if self.rising and self._after and standing_l > max(level_l for _, level_l in self._after) + 0.25 * RISE_L:
                self._rains(mono_ms)
            self._after.append((mono_ms, standing_l))
        return self._end(mono_ms) if mono_ms - self.last_rain_ms >= DRY_MS else None

    def _rains(self, mono_ms: int) -> None:
        self.last_rain_ms = mono_ms
        self._after.clear()

    def _wait(self, mono_ms: int, standing_l: float) -> None:
        """Keep the last hours' levels; a rise without rain begins a storm that the gauge did not see."""
        recent = self._recent
        recent.append((mono_ms, standing_l))
        while mono_ms - recent[0][0] > KEPT_MS:
            del recent[0]
        if len(recent) > 2 * FEWEST_SAMPLES and standing_l - recent[-FEWEST_SAMPLES][1] > 0.5 * RISE_L:
            before = [level_l for at_ms, level_l in recent if mono_ms - at_ms > RISE_MS]
            newest = [level_l for _, level_l in recent[-FEWEST_SAMPLES + 1 :]]
            if len(before) >= FEWEST_SAMPLES and min(newest) - _median(before) > RISE_L:
                self._begin(mono_ms, True)
                self._rains(mono_ms)

    def _begin(self, mono_ms: int, rising: bool) -> None:
        before = [level_l for at_ms, level_l in self._recent if mono_ms - at_ms > BEFORE_MS]
        self.before_l = _median(before) if len(before) >= FEWEST_SAMPLES else None
        self.began_ms, self.rising = mono_ms, rising
        self.rain_mm, self.spilled = 0.0, False
        self.drawn_at_begin_l = self.drawn_l
        self._recent.clear()
        self._after.clear()

    def so_far(self, mono_ms: int) -> Storm | None:
        """The storm under way as it would be if it ended now, None without one."""
        if self.began_ms is None:
            return None
        newest = [level_l for _, level_l in self._after[-FEWEST_SAMPLES:]]
        return self._storm(self.began_ms, mono_ms, newest)

    def _end(self, mono_ms: int) -> Storm:
        """The storm that is over; the levels after it are those before the next."""
        settled = [level_l for at_ms, level_l in self._after if at_ms - self.last_rain_ms > DRIPPING_MS]
        began_ms = mono_ms if self.began_ms is None else self.began_ms
        storm = self._storm(began_ms, mono_ms, settled if len(settled) >= FEWEST_SAMPLES else [])
        self.wet_before_ms = self.last_rain_ms
        self._recent = self._after[:]
        self._after.clear()
        self.began_ms = self.before_l = None
        self.rising = False
        return storm

    def _storm(self, began_ms: int, mono_ms: int, after_l: Sequence[float]) -> Storm:
        caught_l = _median(after_l) - self.before_l if after_l and self.before_l is not None else None
        drawn_l = self.drawn_l - self.drawn_at_begin_l
        return Storm(
            began_ms,
            mono_ms,
            self.dry_h,
            self.rain_mm,
            caught_l,
            (2.0 * LEVEL_SD_L**2 + (DRAW_PART * drawn_l) ** 2) ** 0.5,
            (self.last_rain_ms - began_ms) / HOUR_MS,
            self.spilled,
        )

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {
            "recent": [list(pair) for pair in self._recent],
            "after": [list(pair) for pair in self._after],
            **{name: getattr(self, name) for name in _STATE},
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self._recent = [(at_ms, level_l) for at_ms, level_l in data["recent"]]
        self._after = [(at_ms, level_l) for at_ms, level_l in data["after"]]
        for name in _STATE:
            setattr(self, name, data[name])


def _median(values: Sequence[float]) -> float:
    return middle(sorted(values))
