"""How much water there was, day by day, and how long it would have lasted at the use of the days before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

from controller.account.days import DayReadings
from controller.estimate.ledger import ZONE_PREFIX, DayLedger

USE_DAYS = 14
"""The use is the mean of so many days (own choice: two weekends, and long enough to even out rain)."""
LONGEST_DAYS = 120.0


class SupplyDay(NamedTuple):
    """One tank on one day. Volumes in litres; `days_left` None when nothing was used in the days before."""

    date: str
    low_l: float
    closing_l: float
    closing_sd_l: float | None
    days_left: float | None
    at_limit: bool
    """Whether it came down to where no watering begins: the reserve and the interlock's margin."""


def supply_days(
    tank_id: str, reserve_l: float, limit_l: float, ledgers: Sequence[DayLedger], readings: Mapping[date, DayReadings]
) -> list[SupplyDay]:
    """From the closed days, with the lowest reading of each; a day closed twice counts with its last closing."""
    by_date = {day.local_date: day for day in ledgers}
    used_l: list[float] = []
    found = []
    for iso_day, ledger in by_date.items():
        used_l.append(-sum(ml for account, ml in ledger.entries_ml.items() if account.startswith(ZONE_PREFIX)) / 1000.0)
        closing_l = ledger.closing_ml / 1000.0
        reading = readings.get(date.fromisoformat(iso_day))
        low_l = None if reading is None else reading.low(f"tank.{tank_id}.volume_l")
        low_l = closing_l if low_l is None else low_l
        recent_l = used_l[-USE_DAYS:]
        use_l = sum(recent_l) / len(recent_l)
        days_left = min(LONGEST_DAYS, max(0.0, closing_l - reserve_l) / use_l) if use_l > 0.0 else None
        sd_l = None if ledger.closing_sd_ml is None else ledger.closing_sd_ml / 1000.0
        found.append(SupplyDay(iso_day, low_l, closing_l, sd_l, days_left, low_l <= limit_l))
    return found
