"""Before frost a zone's line is emptied: its valve open, the pump off, on a site on hold; interlocks hold."""

from __future__ import annotations

import pytest

from controller.contract import ClearFault, DrainZone, HoldAll, Note, ResumeAll, RunZone, StopAll
from controller.core import Core
from tests.scenario.garden import EXAMPLE, Garden

BED, POT = "salad-bed-east", "bench-south"
VALVE = EXAMPLE.zone(BED).valve.output


def held_garden(**changes: float) -> Garden:
    garden = Garden(**changes)  # type: ignore[arg-type]
    garden.run_hours(0.1)
    garden.order(HoldAll(None))
    return garden


def test_the_valve_is_open_for_the_time_asked_for_and_the_pump_stays_off() -> None:
    garden = held_garden()
    assert garden.order(DrainZone(BED, 3.0)).accepted
    pump = garden.season.plant.truth.pump(EXAMPLE.pumps[0].output)
    garden.run_seconds(5)
    for _ in range(34):
        assert garden.season.plant.truth.valves_open == (VALVE,)
        assert not pump.running
        garden.run_seconds(5)
    garden.run_seconds(20)
    assert garden.season.plant.truth.valves_open == ()
    start, ended = garden.of_kind("start", BED)[0].data, garden.of_kind("delivery", BED)[0].data
    assert (start["trigger"], start["run"]) == ("drain", ended["run"])
    assert ended["ended"] == "drained"
    assert ended["duration_s"] == pytest.approx(180.0, abs=15.0)
    assert ended["volume_l"] == 0.0
    assert garden.findings.count("held") == 1
    assert next(zone.why for zone in garden.snapshot.zones if zone.id == BED) == "its line was just emptied"


def test_frost_does_not_keep_a_line_from_being_emptied() -> None:
    garden = held_garden(tmin_c=-6.0, tmax_c=-1.0)
    assert "frost" in garden.findings
    assert garden.order(DrainZone(BED, 1.0)).accepted


def test_it_takes_a_hold_so_that_nobody_empties_lines_in_summer_by_a_slip() -> None:
    garden = Garden()
    garden.run_hours(0.1)
    answer = garden.order(DrainZone(BED, 3.0))
    assert not answer.accepted
    assert "order hold first" in answer.reason
    garden.run_seconds(10)
    assert garden.season.plant.truth.valves_open == ()


def test_one_line_is_emptied_at_a_time_and_none_while_water_is_given() -> None:
    garden = held_garden()
    assert garden.order(DrainZone(BED, 2.0)).accepted
    assert "wait until all is still" in garden.order(DrainZone(POT, 2.0)).reason
    watering = Garden()
    watering.run_hours(0.1)
    assert watering.order(RunZone(POT, 12.0)).accepted
    watering.run_until_watering()
    watering.order(HoldAll(None))
    assert "wait until all is still" in watering.order(DrainZone(BED, 2.0)).reason


@pytest.mark.parametrize("command", [ResumeAll(), StopAll()])
def test_resume_and_stop_end_it(command: ResumeAll | StopAll) -> None:
    garden = held_garden()
    garden.order(DrainZone(BED, 10.0))
    garden.run_seconds(20)
    assert garden.season.plant.truth.valves_open == (VALVE,)
    garden.order(command)
    garden.run_seconds(8)
    assert garden.season.plant.truth.valves_open == ()
    garden.run_seconds(15)
    assert garden.of_kind("delivery", BED)[0].data["ended"] == "stopped"


def test_what_runs_out_by_its_own_weight_is_booked_and_ends_at_the_daily_cap() -> None:
    garden = held_garden()
    meter = EXAMPLE.pumps[0].flow_meter
    assert meter is not None
    garden.order(DrainZone(BED, 15.0))
    # A siphon: ten times the cap in an hour.
    cap_l = EXAMPLE.zone(BED).schedule.daily_cap_l
    garden.season.plant.faults.flow_phantom_l_h[meter.channel] = 10.0 * cap_l
    garden.season.plant.refresh()
    garden.run_seconds(8 * 60)
    assert garden.season.plant.truth.valves_open == ()
    ended = garden.of_kind("delivery", BED)[0].data
    assert ended["ended"] in ("drained", "blocked")
    assert 0.9 * cap_l <= ended["volume_l"] <= 1.02 * cap_l


def test_a_board_that_goes_silent_shuts_by_itself_and_the_line_counts_as_not_emptied() -> None:
    garden = held_garden()
    garden.order(DrainZone(BED, 10.0))
    garden.run_seconds(20)
    garden.season.restart(away_ms=60_000)
    assert garden.season.plant.truth.valves_open == ()
    garden.run_seconds(60)
    assert garden.season.plant.truth.valves_open == ()
    assert garden.of_kind("delivery", BED)[0].data["ended"] == "blocked"


def test_it_goes_on_where_it_was_after_a_restart_without_a_gap_in_memory() -> None:
    garden = held_garden()
    garden.order(DrainZone(BED, 10.0))
    garden.run_seconds(20)
    dumped = garden.season.core.dump()
    assert dumped["state"]["delivery"]["drain_ms"] == 600_000
    assert Core(EXAMPLE, dumped).dump() == dumped


@pytest.mark.parametrize("minutes", [0.0, 15.5, float("nan"), -1.0])
def test_only_some_minutes_are_taken(minutes: float) -> None:
    answer = held_garden().order(DrainZone(BED, minutes))
    assert not answer.accepted
    assert "allowed is up to 15" in answer.reason


def test_a_latched_fault_is_cleared_first() -> None:
    garden = Garden()
    garden.run_hours(0.1)
    garden.season.plant.faults.valve_stuck[EXAMPLE.zone(POT).valve.output] = False
    garden.season.plant.refresh()
    garden.order(RunZone(POT, 6.0))
    garden.run_seconds(120)
    assert f"no-flow:{POT}" in garden.findings
    garden.order(HoldAll(None))
    assert not garden.order(DrainZone(POT, 2.0)).accepted
    garden.order(ClearFault(f"no-flow:{POT}"))
    assert garden.order(DrainZone(POT, 2.0)).accepted


def test_a_note_is_written_into_the_journal_and_changes_nothing() -> None:
    garden = Garden()
    garden.run_hours(0.1)
    before = garden.season.core.dump()["state"]["zones"]
    assert garden.order(Note("the pump is carried in")).accepted
    entry = garden.of_kind("order")[-1].data
    assert entry["details"] == {"text": "the pump is carried in"}
    assert entry["sender"] == "test"
    assert garden.season.core.dump()["state"]["zones"] == before
