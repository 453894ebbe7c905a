"""Where the battery's charge is going: dark days are told days before they end the pumping.

Compares the charge with that of the same hour one and two days ago, so that night and noon cancel out.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import Any

HOUR_MS = 3_600_000
EVERY_MS = HOUR_MS - 60_000
KEPT_H = 50
NEAR_H = 1.5
LEAST_FALL, STILL_FALLS = 1.5, 0.3
"""Per cent a day: less than the first is within what the estimate wanders; a fall that was told ends with the second
(own choice)."""
WARN_DAYS, CALM_DAYS = 3.5, 6.0
"""Three days are time enough to look at the panel, or to water by hand; a day of little sun more changes nothing."""


class ChargeTrend:
    """Feed `add` every quarter of an hour or so; `dump` and `load` round-trip."""

    def __init__(self) -> None:
        self._seen: list[tuple[int, float]] = []
        self.fall_per_day: float | None = None
        """Per cent that the charge lost a day over the last two; None while it does not fall or is not known."""
        self.days_left: float | None = None
        """Until the limit, if it goes on like that."""
        self.warns = False

    def add(self, mono_ms: int, charge_percent: float | None, limit_percent: float) -> None:
        """Take the present charge, and what may not be gone below; None is no reading."""
        if charge_percent is None:
            return
        if not self._seen or mono_ms - self._seen[-1][0] >= EVERY_MS:
            self._seen.append((mono_ms, charge_percent))
            self._seen = [seen for seen in self._seen if mono_ms - seen[0] <= KEPT_H * HOUR_MS]
        yesterday, before = self._ago(mono_ms, 24.0), self._ago(mono_ms, 48.0)
        self.fall_per_day = self.days_left = None
        if yesterday is not None and before is not None:
            falls = (yesterday - charge_percent, before - yesterday)
            if min(falls) >= (STILL_FALLS if self.warns else LEAST_FALL):
                self.fall_per_day = sum(falls) / 2.0
                self.days_left = max(0.0, charge_percent - limit_percent) / self.fall_per_day
        self.warns = self.days_left is not None and self.days_left <= (CALM_DAYS if self.warns else WARN_DAYS)

    def _ago(self, mono_ms: int, hours: float) -> float | None:
        """The charge about so many hours ago."""
        then_ms = mono_ms - hours * HOUR_MS
        after = bisect_left(self._seen, (then_ms, 0.0))
        beside = [(abs(seen_ms - then_ms), charge) for seen_ms, charge in self._seen[max(after - 1, 0) : after + 1]]
        if not beside or min(beside)[0] > NEAR_H * HOUR_MS:
            return None
        return min(beside)[1]

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock began anew, `shift_ms` away from where it was."""
        self._seen = [(mono_ms + shift_ms, charge) for mono_ms, charge in self._seen]

    def dump(self) -> dict[str, Any]:
        return {
            "seen": [list(seen) for seen in self._seen],
            "fall_per_day": self.fall_per_day,
            "days_left": self.days_left,
            "warns": self.warns,
        }

    def load(self, data: dict[str, Any]) -> None:
        self._seen = [(mono_ms, charge) for mono_ms, charge in data["seen"]]
        self.fall_per_day, self.days_left, self.warns = data["fall_per_day"], data["days_left"], data["warns"]
