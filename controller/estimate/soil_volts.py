"""The voltage of one soil probe: its last reading without spikes, and the range of its day."""

from __future__ import annotations

from typing import Any


class SoilVolts:
    """Median of the last three readings. `dump` and `load` round-trip exactly."""

    __slots__ = ("_recent", "high_v", "low_v")

    def __init__(self) -> None:
        self._recent: list[float] = []
        self.start_day()

    def start_day(self) -> None:
        """Forget the day's range, and the readings too: a probe that is silent all day says nothing."""
        self._recent = []
        self.low_v: float | None = None
        self.high_v: float | None = None

    def add(self, volts: float) -> None:
        """Take one reading."""
        self._recent = [*self._recent[-2:], volts]
        if len(self._recent) == 3:
            middle = sorted(self._recent)[1]
            self.low_v = middle if self.low_v is None else min(self.low_v, middle)
            self.high_v = middle if self.high_v is None else max(self.high_v, middle)

    @property
    def volts(self) -> float | None:
        """None until three readings of the day are in."""
        return sorted(self._recent)[1] if len(self._recent) == 3 else None

    def dump(self) -> dict[str, Any]:
        return {"recent": list(self._recent), "low_v": self.low_v, "high_v": self.high_v}

    def load(self, state: dict[str, Any]) -> None:
        self._recent, self.low_v, self.high_v = list(state["recent"]), state["low_v"], state["high_v"]
