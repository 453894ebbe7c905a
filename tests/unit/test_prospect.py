"""What the coming weeks may bring, and the command that shows it."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli import main
from controller.irrigate.outlook import Basis, Use, basis, outlook
from controller.irrigate.prospect import FARTHEST_DAYS, percentiles, prospect
from tests.scenario.garden import EXAMPLE

JULY = date(2026, 7, 10)
OUTLOOK = outlook(EXAMPLE)
assert OUTLOOK is not None
TABLE = OUTLOOK.tables["main"]
HALF_EMPTY = {zone.id: 0.3 * zone.total_available_mm for zone in EXAMPLE.zones}


@pytest.fixture(scope="module")
def known() -> Basis:
    found = basis(EXAMPLE, "main")
    assert found is not None
    return found


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_percentiles_are_in_order_and_within_what_was_seen(values: list[float]) -> None:
    low, middle, high = percentiles(values)
    assert min(values) - 1e-6 <= low <= middle + 1e-6
    assert middle <= high + 1e-6 <= max(values) + 2e-6


def test_percentiles_of_a_straight_row_are_the_row_itself() -> None:
    assert percentiles([float(n) for n in range(11)]) == (1.0, 5.0, 9.0)


def test_more_water_lasts_longer_and_the_range_is_in_order(known: Basis) -> None:
    dry, wet = (prospect(known, TABLE, JULY, stored_l, HALF_EMPTY, [0.0] * 14) for stored_l in (200.0, 1500.0))
    assert dry.supply_days.middle < wet.supply_days.middle
    for found in (dry, wet):
        assert found.supply_days.low <= found.supply_days.middle <= found.supply_days.high <= FARTHEST_DAYS
        for stored in found.stored_l.values():
            assert 0.0 <= stored.low <= stored.middle <= stored.high <= known.capacity_l
    assert dry.empty_part >= wet.empty_part


def test_in_winter_nothing_is_drunk_and_the_tank_does_not_fall(known: Basis) -> None:
    found = prospect(known, TABLE, date(2026, 11, 20), 900.0, HALF_EMPTY, [3.0] * 14)
    assert found.supply_days.low == FARTHEST_DAYS
    assert found.stored_l[30].low >= 900.0
    assert all(day.high == 0.0 for days in found.given_l.values() for day in days)


def test_no_zone_is_given_more_than_its_cap_in_any_likely_year(known: Basis) -> None:
    found = prospect(known, TABLE, JULY, 1500.0, dict.fromkeys(HALF_EMPTY, 60.0), [0.0] * 14)
    for zone in EXAMPLE.zones:
        assert all(day.high <= zone.schedule.daily_cap_l + 1e-9 for day in found.given_l[zone.id])


def test_a_zone_that_is_off_is_given_nothing_and_the_rest_lasts_longer(known: Basis) -> None:
    uses = {zone.id: Use(zone.schedule.daily_cap_l) for zone in EXAMPLE.zones}
    everyone = prospect(known, TABLE, JULY, 800.0, HALF_EMPTY, [0.0] * 14, uses=uses)
    fewer = prospect(known, TABLE, JULY, 800.0, HALF_EMPTY, [0.0] * 14, uses=uses | {"berry-row": Use(0.0, 0.0)})
    assert all(day.high == 0.0 for day in fewer.given_l["berry-row"])
    assert fewer.supply_days.middle > everyone.supply_days.middle


def test_a_tank_without_a_roof_has_no_prospect() -> None:
    assert basis(EXAMPLE, "another") is None


def test_the_command_shows_reasons_and_ranges_from_a_journal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "season.sqlite"
    assert main(["season", "--days", "3", "--from", "2026-07-01", "--journal", str(journal)]) == 0
    capsys.readouterr()
    assert main(["plan", "--journal", str(journal)]) == 0
    text = capsys.readouterr().out
    for zone in EXAMPLE.zones:
        assert zone.name in text
    assert "mm short of full" in text
    assert "driest tenth" in text
    assert main(["plan", "--journal", str(journal), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert set(data["zones"]) == {zone.id for zone in EXAMPLE.zones}
    supply = data["tanks"]["main"]["supply_days"]
    assert supply["low"] <= supply["middle"] <= supply["high"]


def test_the_command_says_that_a_journal_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--journal", str(tmp_path / "none.sqlite")]) != 0
    assert "none.sqlite" in capsys.readouterr().err
