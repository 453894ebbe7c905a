"""The day's ledger closes to the millilitre."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.estimate.ledger import (
    OVERFLOW,
    RAIN,
    UNEXPLAINED,
    DayLedger,
    book,
    close_at,
    ledger_data,
    ledger_from_data,
    millilitres,
    new_millilitres,
    next_day,
    transfer,
    zone_account,
)

AMOUNTS = st.integers(-10_000_000, 10_000_000)
ENTRIES = st.lists(st.tuples(st.sampled_from([RAIN, OVERFLOW, zone_account("beds"), zone_account("bench")]), AMOUNTS))


def make_ledger(opening_ml: int = 500_000) -> DayLedger:
    return DayLedger("shed", "2026-06-01", opening_ml)


def test_a_day_without_entries_closes_as_it_opened() -> None:
    assert make_ledger().closing_ml == 500_000


def test_entries_of_one_account_add_up() -> None:
    ledger = book(book(make_ledger(), zone_account("beds"), -12_000), zone_account("beds"), -3_000)
    assert ledger.entries_ml == {"zone:beds": -15_000}
    assert ledger.closing_ml == 485_000


def test_booking_leaves_the_earlier_ledger_alone() -> None:
    before = make_ledger()
    book(before, RAIN, 100)
    assert before.entries_ml == {}


@settings(deadline=None)
@given(opening=AMOUNTS, entries=ENTRIES, measured=AMOUNTS)
def test_opening_and_entries_make_the_measured_closing_exactly(
    opening: int, entries: list[tuple[str, int]], measured: int
) -> None:
    ledger = make_ledger(opening)
    for account, amount in entries:
        ledger = book(ledger, account, amount)
    closed = close_at(ledger, measured)
    assert closed.closing_ml == measured
    assert closed.opening_ml + sum(closed.entries_ml.values()) == measured
    assert closed.entries_ml.get(UNEXPLAINED, 0) == measured - opening - sum(amount for _, amount in entries)
    assert next_day(closed, "2026-06-02").opening_ml == measured


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 0.5), max_size=300))
def test_a_running_total_never_drifts_from_what_is_booked(draws_l: list[float]) -> None:
    total_l, booked_ml = 0.0, 0
    for draw_l in draws_l:
        total_l += draw_l
        booked_ml += new_millilitres(total_l, booked_ml)
    assert booked_ml == millilitres(total_l)


def test_water_moved_between_tanks_leaves_one_and_arrives_in_the_other() -> None:
    source, target = transfer(make_ledger(), DayLedger("barrel", "2026-06-01", 10_000), 25_000)
    assert source.entries_ml == {"tank:barrel": -25_000}
    assert target.entries_ml == {"tank:shed": 25_000}
    assert source.closing_ml + target.closing_ml == 510_000


def test_a_ledger_survives_as_plain_data() -> None:
    ledger = close_at(book(make_ledger(), RAIN, 120_000), 615_000)
    assert ledger_from_data(json.loads(json.dumps(ledger_data(ledger)))) == ledger


def test_a_ledger_whose_closing_does_not_follow_is_refused() -> None:
    data = ledger_data(book(make_ledger(), RAIN, 120_000)) | {"closing_ml": 1}
    with pytest.raises(ValueError, match="620000 mL, but the closing says 1 mL"):
        ledger_from_data(data)
