"""The water ledger of one tank and one day, in whole millilitres, so that it closes exactly.

Double entry: what enters the tank (positive) leaves an account outside it by the same amount, and the other way round.
Accounts: "rain", "top-up", "overflow", "unexplained", "zone:<id>" and, between tanks, "tank:<id>".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

RAIN = "rain"
TOP_UP = "top-up"
OVERFLOW = "overflow"
UNEXPLAINED = "unexplained"


def zone_account(zone_id: str) -> str:
    return f"zone:{zone_id}"


def tank_account(tank_id: str) -> str:
    return f"tank:{tank_id}"


@dataclass(frozen=True, slots=True)
class DayLedger:
    """One tank's day. `entries_ml` maps accounts to what came from them; what went out is negative."""

    tank_id: str
    local_date: str
    opening_ml: int
    entries_ml: Mapping[str, int] = field(default_factory=dict)

    @property
    def closing_ml(self) -> int:
        return self.opening_ml + sum(self.entries_ml.values())


def millilitres(volume_l: float) -> int:
    """Whole millilitres, halves to even."""
    return round(volume_l * 1000.0)


def new_millilitres(total_l: float, booked_ml: int) -> int:
    """What is still to book of a running total, so that the bookings of a total never drift from it by rounding."""
    return millilitres(total_l) - booked_ml


def book(ledger: DayLedger, account: str, into_tank_ml: int) -> DayLedger:
    """The ledger with one more entry; entries of one account add up."""
    entries = dict(ledger.entries_ml)
    entries[account] = entries.get(account, 0) + into_tank_ml
    return replace(ledger, entries_ml=entries)


def transfer(source: DayLedger, target: DayLedger, moved_ml: int) -> tuple[DayLedger, DayLedger]:
    """Move water from one tank to another: both ledgers carry the same amount."""
    return (
        book(source, tank_account(target.tank_id), -moved_ml),
        book(target, tank_account(source.tank_id), moved_ml),
    )


def close_at(ledger: DayLedger, measured_ml: int) -> DayLedger:
    """Close the day on the measured volume; what the entries do not explain goes to "unexplained"."""
    gap_ml = measured_ml - ledger.closing_ml
    return book(ledger, UNEXPLAINED, gap_ml) if gap_ml else ledger


def next_day(ledger: DayLedger, local_date: str) -> DayLedger:
    """The following day, which opens with what this one closed with."""
    return DayLedger(ledger.tank_id, local_date, ledger.closing_ml)


def ledger_data(ledger: DayLedger) -> dict[str, Any]:
    """The ledger as plain data, for a record or a checkpoint; accounts in alphabetical order."""
    return {
        "tank_id": ledger.tank_id,
        "local_date": ledger.local_date,
        "opening_ml": ledger.opening_ml,
        "entries_ml": {account: ledger.entries_ml[account] for account in sorted(ledger.entries_ml)},
        "closing_ml": ledger.closing_ml,
    }


def ledger_from_data(data: Mapping[str, Any]) -> DayLedger:
    """The inverse of `ledger_data`. Raises ValueError when the closing does not follow from the entries."""
    ledger = DayLedger(data["tank_id"], data["local_date"], data["opening_ml"], dict(data["entries_ml"]))
    if ledger.closing_ml != data["closing_ml"]:
        raise ValueError(
            f"ledger of tank {ledger.tank_id!r}, {ledger.local_date}: opening and entries make {ledger.closing_ml} mL, "
            f"but the closing says {data['closing_ml']} mL"
        )
    return ledger
