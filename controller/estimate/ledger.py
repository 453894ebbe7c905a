"""The water ledger of one tank and one day, in whole millilitres, so that it closes exactly.

Double entry: what enters the tank (positive) leaves an account outside it by the same amount, and the other way round.
Accounts: "rain", "top-up", "overflow", "leak", "evaporation", "unexplained", "zone:<id>" and, between tanks,
"tank:<id>". Beside its amount each entry may carry how sure it is and which readings it rests on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

RAIN = "rain"
TOP_UP = "top-up"
OVERFLOW = "overflow"
LEAK = "leak"
EVAPORATION = "evaporation"
UNEXPLAINED = "unexplained"
ZONE_PREFIX = "zone:"
BLUNDER_SDS = 3.0
"""A gap wider than this many of its standard deviations is nobody's inaccuracy: it stays unexplained as a whole."""


def zone_account(zone_id: str) -> str:
    return f"{ZONE_PREFIX}{zone_id}"


def tank_account(tank_id: str) -> str:
    return f"tank:{tank_id}"


@dataclass(frozen=True, slots=True)
class Evidence:
    """How sure an entry is, and the first and last monotonic time (ms) of the readings it rests on."""

    sd_ml: float
    first_mono_ms: int
    last_mono_ms: int

    def with_more(self, other: Evidence, same_error: bool) -> Evidence:
        """Both together. Errors of one source (a meter that is off) add up, others add in squares."""
        sd_ml = self.sd_ml + other.sd_ml if same_error else math.hypot(self.sd_ml, other.sd_ml)
        return Evidence(sd_ml, min(self.first_mono_ms, other.first_mono_ms), max(self.last_mono_ms, other.last_mono_ms))


@dataclass(frozen=True, slots=True)
class DayLedger:
    """One tank's day. `entries_ml` maps accounts to what came from them; what went out is negative.

    evidence     by account, where it is known
    opening_sd_ml
                 how sure the opening volume is, None when nobody said
    """

    tank_id: str
    local_date: str
    opening_ml: int
    entries_ml: Mapping[str, int] = field(default_factory=dict)
    evidence: Mapping[str, Evidence] = field(default_factory=dict)
    opening_sd_ml: float | None = None
    closing_sd_ml: float | None = None

    @property
    def closing_ml(self) -> int:
        return self.opening_ml + sum(self.entries_ml.values())

    @property
    def gap_sd_ml(self) -> float:
        """How far opening and entries may be from a closing measured: all uncertainties together."""
        return math.sqrt((self.opening_sd_ml or 0.0) ** 2 + sum(e.sd_ml**2 for e in self.evidence.values()))


def millilitres(volume_l: float) -> int:
    """Whole millilitres, halves to even."""
    return round(volume_l * 1000.0)


def new_millilitres(total_l: float, booked_ml: int) -> int:
    """What is still to book of a running total, so that the bookings of a total never drift from it by rounding."""
    return millilitres(total_l) - booked_ml


def book(
    ledger: DayLedger,
    account: str,
    into_tank_ml: int,
    evidence: Evidence | None = None,
    *,
    same_error: bool = False,
) -> DayLedger:
    """The ledger with one more entry; entries of one account add up, and so does what is known of them."""
    entries = dict(ledger.entries_ml)
    entries[account] = entries.get(account, 0) + into_tank_ml
    if evidence is None:
        return replace(ledger, entries_ml=entries)
    known = dict(ledger.evidence)
    before = known.get(account)
    known[account] = evidence if before is None else before.with_more(evidence, same_error)
    return replace(ledger, entries_ml=entries, evidence=known)


def rebook(ledger: DayLedger, account: str, into_tank_ml: int, evidence: Evidence) -> DayLedger:
    """The ledger with an account's entry replaced, when something better is known than what was booked."""
    entries = {**ledger.entries_ml, account: into_tank_ml}
    return replace(ledger, entries_ml=entries, evidence={**ledger.evidence, account: evidence})


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


def reconcile(ledger: DayLedger, measured_ml: int, measured_sd_ml: float) -> DayLedger:
    """Close the day on the measured volume, and let unsure entries take their share of the gap first.

    Least squares: the gap is shared by variance between the entries and the two measured volumes. What falls to those,
    and all of a gap beyond `BLUNDER_SDS` of its standard deviations, is "unexplained". An entry never changes its
    direction, and a zone's is what its waterings were booked with: ledger and deliveries agree to the millilitre.
    Opening plus entries is the measured closing exactly.
    """
    gap_ml = measured_ml - ledger.closing_ml
    variance = ledger.gap_sd_ml**2 + measured_sd_ml**2
    if gap_ml and variance > 0.0 and abs(gap_ml) <= BLUNDER_SDS * math.sqrt(variance):
        entries = dict(ledger.entries_ml)
        for account in sorted(account for account in ledger.evidence if not account.startswith(ZONE_PREFIX)):
            before_ml = entries[account]
            after_ml = before_ml + round(gap_ml * ledger.evidence[account].sd_ml ** 2 / variance)
            entries[account] = max(after_ml, 0) if before_ml > 0 else min(after_ml, 0)
        ledger = replace(ledger, entries_ml=entries)
    return replace(close_at(ledger, measured_ml), closing_sd_ml=measured_sd_ml)


def explains_itself(ledger: DayLedger) -> bool:
    """Whether what is left unexplained is no more than the measurements' own uncertainty."""
    unexplained_ml = abs(ledger.entries_ml.get(UNEXPLAINED, 0))
    return unexplained_ml <= BLUNDER_SDS * math.hypot(ledger.gap_sd_ml, ledger.closing_sd_ml or 0.0)


def next_day(ledger: DayLedger, local_date: str) -> DayLedger:
    """The following day, which opens with what this one closed with."""
    return DayLedger(ledger.tank_id, local_date, ledger.closing_ml, opening_sd_ml=ledger.closing_sd_ml)


def overflowed_ml(caught_ml: int, room_ml: int) -> int:
    """What of a catch a tank with so much room left spilled."""
    return max(0, caught_ml - max(0, room_ml))


def ledger_data(ledger: DayLedger) -> dict[str, Any]:
    """The ledger as plain data, for a record or a checkpoint; accounts in alphabetical order."""
    data: dict[str, Any] = {
        "tank_id": ledger.tank_id,
        "local_date": ledger.local_date,
        "opening_ml": ledger.opening_ml,
        "entries_ml": {account: ledger.entries_ml[account] for account in sorted(ledger.entries_ml)},
        "closing_ml": ledger.closing_ml,
    }
    if ledger.evidence:
        data["evidence"] = {
            account: {"sd_ml": known.sd_ml, "first_mono_ms": known.first_mono_ms, "last_mono_ms": known.last_mono_ms}
            for account, known in sorted(ledger.evidence.items())
        }
    for name, sd_ml in (("opening_sd_ml", ledger.opening_sd_ml), ("closing_sd_ml", ledger.closing_sd_ml)):
        if sd_ml is not None:
            data[name] = sd_ml
    return data


def ledger_from_data(data: Mapping[str, Any]) -> DayLedger:
    """The inverse of `ledger_data`; data without evidence is as good. ValueError when the closing does not follow."""
    evidence = {account: Evidence(**known) for account, known in data.get("evidence", {}).items()}
    ledger = DayLedger(
        data["tank_id"],
        data["local_date"],
        data["opening_ml"],
        dict(data["entries_ml"]),
        evidence,
        data.get("opening_sd_ml"),
        data.get("closing_sd_ml"),
    )
    if ledger.closing_ml != data["closing_ml"]:
        raise ValueError(
            f"ledger of tank {ledger.tank_id!r}, {ledger.local_date}: opening and entries make {ledger.closing_ml} mL, "
            f"but the closing says {data['closing_ml']} mL"
        )
    return ledger
