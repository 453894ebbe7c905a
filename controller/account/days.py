"""Readings folded to one line a local day: what pictures and sentences about a season need."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from controller.account.events import Event, Period
from controller.core.localclock import LocalClock


@dataclass(slots=True)
class Spread:
    """Lowest, mean and highest of a day's readings."""

    low: float
    high: float
    total: float
    count: int

    @property
    def mean(self) -> float:
        return self.total / self.count

    def take(self, value: float) -> None:
        self.low, self.high = min(self.low, value), max(self.high, value)
        self.total += value
        self.count += 1


@dataclass(slots=True)
class DayReadings:
    """One local day: how many readings were taken, and the spread of each quantity that was known in them."""

    date: date
    readings: int = 0
    spreads: dict[str, Spread] = field(default_factory=dict)

    def low(self, name: str) -> float | None:
        spread = self.spreads.get(name)
        return None if spread is None else spread.low

    def high(self, name: str) -> float | None:
        spread = self.spreads.get(name)
        return None if spread is None else spread.high

    def mean(self, name: str) -> float | None:
        spread = self.spreads.get(name)
        return None if spread is None else spread.mean

    def known_part(self, name: str) -> float:
        """In which part of the readings the quantity was known."""
        spread = self.spreads.get(name)
        return 0.0 if spread is None or self.readings == 0 else spread.count / self.readings


def fold(events: Iterable[Event], period: Period, clock: LocalClock) -> dict[date, DayReadings]:
    """Days that have readings, in order. An hour that was folded to its mean before counts as one reading."""
    found: dict[date, DayReadings] = {}
    for event in events:
        if event.kind != "measure":
            continue
        day = date.fromordinal(clock.ordinal(event.wall_ms))
        if not period.first <= day <= period.last:
            continue
        readings = found.get(day)
        if readings is None:
            readings = found[day] = DayReadings(day)
        readings.readings += 1
        for name, value in event.data.items():
            if isinstance(value, bool) or not isinstance(value, int | float):
                continue
            spread = readings.spreads.get(name)
            if spread is None:
                readings.spreads[name] = Spread(value, value, value, 1)
            else:
                spread.take(value)
    return dict(sorted(found.items()))
