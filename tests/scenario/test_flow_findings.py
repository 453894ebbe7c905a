"""What runs tell of zones, filter and meter, through the whole chain: plant, board, cable, core, findings."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from controller.contract import ClearFault
from tests.scenario.garden import EXAMPLE, Garden, fixed, only, with_zones

BEDS = ("salad-bed-east", "salad-bed-west")


def twice_a_day() -> Garden:
    """Two beds, watered morning and evening whatever the weather, so that runs come quickly."""
    schedule = fixed(8.0, 6 * 60, 20 * 60, cap_l=40.0)
    zones = [replace(zone, schedule=schedule) for zone in only(EXAMPLE, *BEDS).zones]
    return Garden(with_zones(EXAMPLE, zones), date(2026, 6, 1), days=14)


@pytest.fixture(scope="module")
def learned() -> Garden:
    """After four days each bed's usual flow is known, and nothing is found on a sound site."""
    garden = twice_a_day()
    garden.run_hours(24 * 4)
    assert not [finding for finding in garden.findings if "flow" in finding or "emitters" in finding]
    garden.season.plant.faults.emitters_clogged[BEDS[0]] = 0.25
    garden.season.plant.refresh()
    garden.run_hours(24 * 3)
    return garden


def test_emitters_that_clog_are_found_within_three_days_and_the_other_bed_is_not_blamed(learned: Garden) -> None:
    assert f"emitters-clogged:{BEDS[0]}" in learned.findings
    assert not [finding for finding in learned.findings if BEDS[1] in finding]
    (finding,) = [finding for finding in learned.snapshot.findings if finding.id.startswith("emitters-clogged")]
    assert "-2" in finding.text or "-1" in finding.text


def test_what_was_mended_is_cleared_by_order_and_stays_away(learned: Garden) -> None:
    learned.season.plant.faults.emitters_clogged.clear()
    learned.season.plant.refresh()
    answer = learned.order(ClearFault(f"emitters-clogged:{BEDS[0]}"))
    assert answer.accepted
    learned.run_hours(48)
    assert f"emitters-clogged:{BEDS[0]}" not in learned.findings


def test_a_finding_that_is_not_there_cannot_be_cleared() -> None:
    garden = twice_a_day()
    garden.run_hours(1)
    answer = garden.order(ClearFault(f"emitters-clogged:{BEDS[1]}"))
    assert not answer.accepted


def test_a_flow_meter_that_died_is_told_from_a_line_that_is_blocked() -> None:
    kinds = {}
    for trouble in ("meter", "valve"):
        garden = twice_a_day()
        garden.run_hours(24 * 4)
        if trouble == "meter":
            garden.season.plant.faults.flow_meter_dead.add(0)
        else:
            garden.season.plant.faults.valve_stuck[0] = False
        garden.season.plant.refresh()
        for _ in range(4):
            garden.run_hours(12)
            for fault in [finding for finding in garden.findings if finding.startswith("no-flow:")]:
                garden.order(ClearFault(fault))
        kinds[trouble] = {finding.split(":")[0] for finding in garden.findings}
    assert "meter-dead" in kinds["meter"]
    assert "line-blocked" not in kinds["meter"]
    assert "meter-dead" not in kinds["valve"]
