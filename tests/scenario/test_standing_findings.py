"""What the estimators find, through the whole chain: plant, board, cable, core, and the findings people see.

Bounds: fault catalogue W2 to W4 ask for leaks within days and a blocked gutter within a few storms; the figures are
those of the trials of estimators (`scripts/bench estimate`).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from tests.scenario.garden import EXAMPLE, Garden, fixed, with_zones

SPRING = date(2026, 4, 10)


def watered_by_nobody(start: date = SPRING, **weather: float) -> Garden:
    """The allotment with its schedules off, so that only what is tested moves water."""
    idle = [replace(zone, schedule=replace(zone.schedule, mode="off")) for zone in EXAMPLE.zones]
    return Garden(with_zones(EXAMPLE, idle), start, days=16, **weather)


def journalled(garden: Garden, finding_id: str) -> list[bool]:
    """Every time a finding came (True) or went (False)."""
    return [record.data["raised"] for record in garden.of_kind("fault", finding_id)]


def test_a_sound_and_idle_site_finds_nothing_for_ten_days() -> None:
    garden = watered_by_nobody()
    garden.run_hours(240)
    assert not garden.season.core.dump()["state"]["standing"]


def test_a_leak_is_found_within_a_day_named_in_litres_an_hour_and_goes_two_quiet_days_after_it_is_mended() -> None:
    garden = watered_by_nobody()
    garden.run_hours(72)
    faults = garden.season.plant.faults
    faults.leak_l_h["main"] = 2.0
    garden.season.plant.refresh()
    garden.run_hours(24)
    (finding,) = [finding for finding in garden.snapshot.findings if finding.id == "leak:main"]
    assert "L/h" in finding.text
    assert finding.severity == "fault"
    since_h = (garden.season.now().wall_ms - (finding.since_wall_ms or 0)) / 3_600_000.0
    assert 0.0 < since_h < 24.0
    faults.leak_l_h.clear()
    garden.season.plant.refresh()
    garden.run_hours(96)
    assert "leak:main" not in garden.findings
    assert journalled(garden, "leak:main") == [True, False]


def test_the_ledger_books_a_leak_as_a_leak_and_closes_on_what_is_in_the_tank() -> None:
    garden = watered_by_nobody()
    garden.run_hours(72)
    garden.season.plant.faults.leak_l_h["main"] = 2.0
    garden.season.plant.refresh()
    garden.run_hours(73)
    ledger = garden.of_kind("ledger", "main")[-1].data
    assert -60.0 < ledger["entries_ml"]["leak"] / 1000.0 < -36.0
    assert ledger["closing_ml"] == ledger["opening_ml"] + sum(ledger["entries_ml"].values())
    assert abs(ledger["entries_ml"].get("unexplained", 0)) < 12_000


def test_rain_that_the_gutter_spills_is_found_after_a_few_storms() -> None:
    garden = watered_by_nobody(rain_mm=8.0, fill=0.2)
    garden.season.plant.faults.gutter_blocked["cycle-shed"] = 0.5
    garden.run_hours(24 * 8)
    assert "catch-lost:main" in garden.findings


def test_a_charger_that_does_not_charge_in_the_sun_is_found_within_a_week() -> None:
    garden = watered_by_nobody(date(2026, 6, 10))
    garden.run_hours(48)
    garden.season.plant.faults.charger_dead = True
    garden.season.plant.refresh()
    garden.run_hours(24 * 7)
    assert "charger-dead" in garden.findings


@pytest.mark.parametrize("rate_l_h", [20.0, 35.0, 60.0])
def test_a_leak_that_empties_the_tank_in_days_is_told_within_hours(rate_l_h: float) -> None:
    """Found by a campaign: so fast a fall was taken for water that somebody takes, hour after hour."""
    garden = watered_by_nobody()
    garden.run_hours(52)
    garden.season.plant.faults.leak_l_h["main"] = rate_l_h
    garden.season.plant.refresh()
    garden.run_hours(5)
    assert "leak:main" in garden.findings
    garden.season.plant.faults.leak_l_h.clear()
    garden.season.plant.refresh()


def test_what_a_pump_without_a_meter_takes_is_no_leak_and_makes_no_roof_lose_its_rain() -> None:
    pump = replace(EXAMPLE.pumps[0], flow_meter=None)
    zones = [
        replace(zone, schedule=fixed(12.0, 6 * 60 + 20 * number, 19 * 60 + 20 * number))
        for number, zone in enumerate(EXAMPLE.zones[:3])
    ]
    garden = Garden(replace(with_zones(EXAMPLE, zones), pumps=(pump,)), SPRING, days=16, rain_mm=4.0)
    garden.run_hours(24 * 8)
    told = {record.key for record in garden.of_kind("fault")}
    assert not {key for key in told if key.startswith(("leak", "catch-lost", "rain-gauge-low"))}


def test_a_gauge_that_is_not_there_is_not_called_blocked() -> None:
    garden = Garden(replace(EXAMPLE, rain_gauge=None), SPRING, days=16, rain_mm=9.0, fill=0.3)
    garden.run_hours(24 * 8)
    assert "rain-gauge-low:main" not in {record.key for record in garden.of_kind("fault")}
