"""The day's ledger closes to the millilitre."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.estimate.ledger import (
    EVAPORATION,
    LEAK,
    OVERFLOW,
    RAIN,
    TOP_UP,
    UNEXPLAINED,
    DayLedger,
    Evidence,
    book,
    close_at,
    explains_itself,
    ledger_data,
    ledger_from_data,
    millilitres,
    new_millilitres,
    next_day,
    overflowed_ml,
    rebook,
    reconcile,
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


# --- how sure each entry is ---------------------------------------------------------------------------------------

CAUSES = st.sampled_from([RAIN, TOP_UP, OVERFLOW, LEAK, EVAPORATION, zone_account("beds")])
EVIDENCE = st.builds(Evidence, st.floats(0.0, 50_000.0), st.integers(0, 10**9), st.integers(0, 10**9))


def test_an_entry_carries_its_uncertainty_and_its_readings() -> None:
    ledger = book(make_ledger(), LEAK, -4_800, Evidence(600.0, 1_000, 86_400_000))
    assert ledger.evidence[LEAK] == Evidence(600.0, 1_000, 86_400_000)


def test_independent_errors_add_in_squares_and_those_of_one_meter_add_up() -> None:
    first, second = Evidence(300.0, 50, 90), Evidence(400.0, 10, 70)
    apart = book(book(make_ledger(), RAIN, 10_000, first), RAIN, 10_000, second)
    assert apart.evidence[RAIN] == Evidence(500.0, 10, 90)
    beds = zone_account("beds")
    metered = book(book(make_ledger(), beds, -10_000, first), beds, -10_000, second, same_error=True)
    assert metered.evidence[beds].sd_ml == 700.0


def test_an_entry_is_replaced_when_something_better_is_known() -> None:
    ledger = book(make_ledger(), RAIN, 120_000, Evidence(12_000.0, 0, 10))
    ledger = rebook(ledger, RAIN, 111_000, Evidence(1_200.0, 0, 20))
    assert ledger.closing_ml == 611_000
    assert ledger.evidence[RAIN].sd_ml == 1_200.0


def test_a_gap_is_shared_by_how_unsure_each_entry_is_and_what_a_zone_was_given_stays_as_it_was_metered() -> None:
    ledger = book(make_ledger(), RAIN, 120_000, Evidence(4_000.0, 0, 1))
    ledger = book(ledger, zone_account("beds"), -30_000, Evidence(1_000.0, 0, 1))
    closed = reconcile(ledger, 595_000, 2_000.0)
    # A gap of 5 L over variances of 16, 1 and 4 L2.
    assert closed.entries_ml == {RAIN: 123_810, "zone:beds": -30_000, UNEXPLAINED: 1_190}
    assert closed.closing_ml == 595_000
    assert explains_itself(closed)


def test_a_blunder_is_not_spread_over_the_innocent() -> None:
    ledger = book(make_ledger(), RAIN, 120_000, Evidence(4_000.0, 0, 1))
    closed = reconcile(ledger, 560_000, 2_000.0)
    assert closed.entries_ml == {RAIN: 120_000, UNEXPLAINED: -60_000}
    assert not explains_itself(closed)


def test_an_entry_never_turns_about() -> None:
    ledger = book(make_ledger(), EVAPORATION, -100, Evidence(1_000.0, 0, 1))
    closed = reconcile(ledger, 501_500, 10.0)
    assert closed.entries_ml == {EVAPORATION: 0, UNEXPLAINED: 1_500}


@settings(deadline=None)
@given(
    opening=AMOUNTS,
    entries=st.lists(st.tuples(CAUSES, AMOUNTS, st.none() | EVIDENCE)),
    measured=AMOUNTS,
    sd_ml=st.floats(0.0, 20_000.0),
)
def test_a_reconciled_day_closes_exactly_whatever_is_booked(
    opening: int, entries: list[tuple[str, int, Evidence | None]], measured: int, sd_ml: float
) -> None:
    ledger = make_ledger(opening)
    for account, amount, evidence in entries:
        ledger = book(ledger, account, amount, evidence)
    closed = reconcile(ledger, measured, sd_ml)
    assert closed.closing_ml == measured
    assert closed.opening_ml + sum(closed.entries_ml.values()) == measured
    assert ledger_from_data(json.loads(json.dumps(ledger_data(closed)))) == closed
    opened = next_day(closed, "2026-06-02")
    assert (opened.opening_ml, opened.opening_sd_ml) == (measured, sd_ml)


def test_ledgers_of_before_entries_had_evidence_are_still_read() -> None:
    kept = {
        "tank_id": "shed",
        "local_date": "2026-06-01",
        "opening_ml": 500_000,
        "entries_ml": {"rain": 120_000},
        "closing_ml": 620_000,
    }
    ledger = ledger_from_data(kept)
    assert ledger == book(make_ledger(), RAIN, 120_000)
    assert ledger_data(ledger) == kept


def test_a_full_tank_spills_what_finds_no_room() -> None:
    assert overflowed_ml(100_000, 40_000) == 60_000
    assert overflowed_ml(30_000, 40_000) == 0
    assert overflowed_ml(30_000, -5_000) == 30_000
