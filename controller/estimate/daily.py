"""What a day adds up to: the lowest and highest air temperature, and the rain."""

from __future__ import annotations

from typing import Any

from controller.estimate.counters import Counter

LOWEST_AIR_C = -50.0
HIGHEST_AIR_C = 60.0
MINIMUM_HOURS_SEEN = 18
"""A day with fewer hours of readings has no trustworthy extremes (own choice)."""

MAXIMUM_RAIN_MM_H = 250.0
"""More than this is a gauge being cleaned or knocked, not rain (own choice)."""
_MS_PER_HOUR = 3_600_000.0


class DayTemperatures:
    """Minimum and maximum of the day from probe readings; a single spike never counts (median of three in a row)."""

    __slots__ = ("_before_last_c", "_hours_seen", "_last_c", "tmax_c", "tmin_c")

    def __init__(self) -> None:
        self._last_c: float | None = None
        self._before_last_c: float | None = None
        self.start_day()

    def start_day(self) -> None:
        """Forget the extremes, keep the last readings for the spike test."""
        self.tmin_c: float | None = None
        self.tmax_c: float | None = None
        self._hours_seen = 0

    def add(self, temperature_c: float | None, minute_of_day: int) -> None:
        """Take one reading; None, not-a-number and values no air can have are ignored."""
        if temperature_c is None or not LOWEST_AIR_C <= temperature_c <= HIGHEST_AIR_C:
            return
        last, before = self._last_c, self._before_last_c
        self._before_last_c = last
        self._last_c = temperature_c
        if last is None or before is None:
            return
        # The air mostly stands still from one reading to the next.
        middle = last if last in (before, temperature_c) else _median_of_three(before, last, temperature_c)
        self._hours_seen |= 1 << (minute_of_day // 60)
        if self.tmin_c is None or middle < self.tmin_c:
            self.tmin_c = middle
        if self.tmax_c is None or middle > self.tmax_c:
            self.tmax_c = middle

    def extremes_c(self) -> tuple[float, float] | None:
        """(tmin, tmax) of the day, or None when too few hours of it were seen."""
        if self.tmin_c is None or self.tmax_c is None or self._hours_seen.bit_count() < MINIMUM_HOURS_SEEN:
            return None
        return self.tmin_c, self.tmax_c

    def dump(self) -> dict[str, Any]:
        return {
            "last_c": self._last_c,
            "before_last_c": self._before_last_c,
            "tmin_c": self.tmin_c,
            "tmax_c": self.tmax_c,
            "hours_seen": self._hours_seen,
        }

    def load(self, state: dict[str, Any]) -> None:
        self._last_c = state["last_c"]
        self._before_last_c = state["before_last_c"]
        self.tmin_c = state["tmin_c"]
        self.tmax_c = state["tmax_c"]
        self._hours_seen = state["hours_seen"]


def _median_of_three(a: float, b: float, c: float) -> float:
    return max(min(a, b), min(max(a, b), c))


class RainDay:
    """Rain of the day from the board's cumulative tips.

    Faster than `MAXIMUM_RAIN_MM_H` over the time since the last line, beyond one minute's worth or two tips in a row,
    is counted in `rejected_mm` instead.
    """

    __slots__ = ("_burst_mm", "_counter", "_last_mono_ms", "_mm_per_tip", "_spare_mm", "rain_mm", "rejected_mm")

    def __init__(self, mm_per_tip: float) -> None:
        self._mm_per_tip = mm_per_tip
        self._burst_mm = max(2.0 * mm_per_tip, MAXIMUM_RAIN_MM_H / 60.0)
        self._counter = Counter()
        self._last_mono_ms: int | None = None
        self._spare_mm = self._burst_mm
        self.start_day()

    def start_day(self) -> None:
        self.rain_mm = 0.0
        self.rejected_mm = 0.0

    def add(self, boot_id: str, tips: int | None, mono_ms: int) -> float:
        """Take the gauge's total; returns the rain since the last call, mm, already added to the day."""
        counter, last_mono_ms = self._counter, self._last_mono_ms
        if tips == counter.value and self._spare_mm == self._burst_mm and boot_id == counter.boot_id:
            # Most of the time: a dry minute after a dry minute.
            self._last_mono_ms = mono_ms
            return 0.0
        if tips is None:
            return 0.0
        if last_mono_ms is None or mono_ms < last_mono_ms:
            last_mono_ms = mono_ms
        possible_mm = self._spare_mm + (mono_ms - last_mono_ms) * (MAXIMUM_RAIN_MM_H / _MS_PER_HOUR)
        self._last_mono_ms = mono_ms
        fallen_mm = counter.follow(boot_id, tips) * self._mm_per_tip
        if fallen_mm > possible_mm:
            self._spare_mm = 0.0
            self.rejected_mm += fallen_mm
            return 0.0
        left_mm = possible_mm - fallen_mm
        self._spare_mm = left_mm if left_mm < self._burst_mm else self._burst_mm
        self.rain_mm += fallen_mm
        return fallen_mm

    def dump(self) -> dict[str, Any]:
        return {
            "counter": self._counter.dump(),
            "last_mono_ms": self._last_mono_ms,
            "spare_mm": self._spare_mm,
            "rain_mm": self.rain_mm,
            "rejected_mm": self.rejected_mm,
        }

    def load(self, state: dict[str, Any]) -> None:
        self._counter.load(state["counter"])
        self._last_mono_ms = state["last_mono_ms"]
        self._spare_mm = state["spare_mm"]
        self.rain_mm = state["rain_mm"]
        self.rejected_mm = state["rejected_mm"]
