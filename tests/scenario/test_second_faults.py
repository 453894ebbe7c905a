"""What seeded hard weeks found: faults that come together, or in a row; each found once and kept for good."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from controller.contract import ClearFault, HoldAll, ResumeAll
from firmware_host.board.logic import Board
from simulator.board import board_settings
from tests.scenario.broken_season import Cable, LineTrouble
from tests.scenario.garden import EXAMPLE, Garden, at_fixed_times, fixed, with_zones

BED, POT = "salad-bed-east", "bench-south"
SIX = 6 * 60


def test_pulses_without_water_do_not_count_the_tank_empty_and_one_clearing_is_enough() -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 5.0, SIX))
    garden.season.plant.faults.flow_phantom_l_h[0] = 600.0
    garden.season.plant.refresh()
    garden.run_hours(4)
    assert "flow-at-rest" in garden.findings
    assert garden.snapshot.tanks[0].quality == "good"
    garden.season.plant.faults.flow_phantom_l_h.clear()
    garden.season.plant.refresh()
    garden.run_seconds(120)
    assert garden.order(ClearFault("flow-at-rest")).accepted
    garden.run_hours(3)
    assert garden.given_l(BED) > 4.0


def test_without_a_meter_lost_reports_do_not_hide_water_from_the_daily_cap() -> None:
    pump = replace(EXAMPLE.pumps[0], flow_meter=None)
    zone = replace(EXAMPLE.zone(BED), schedule=fixed(20.0, SIX, SIX + 20, SIX + 40, cap_l=20.0))
    garden = Garden(replace(with_zones(EXAMPLE, [zone]), pumps=(pump,)))
    lossy = Cable(garden.season, Random(3))
    garden.run_hours(5.9)
    lossy.weather = LineTrouble(drop=0.4)
    garden.run_hours(2)
    # Emitters are a few per cent off their rating; half of the reports hid half of the water.
    assert 15.0 < garden.given_l(BED) < 22.0


def test_what_flows_on_while_the_cable_is_out_for_long_counts_for_the_cap() -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 40.0, SIX))
    garden.run_until_watering()
    garden.run_seconds(30)
    cable = Cable(garden.season, Random(1))
    cable.weather = LineTrouble(drop=1.0)
    garden.run_seconds(300)
    assert garden.of_kind("delivery", BED) == []
    cable.weather = LineTrouble()
    garden.run_seconds(30)
    (run,) = garden.of_kind("delivery", BED)
    assert run.data["volume_l"] == pytest.approx(garden.given_l(BED), rel=0.05)
    assert garden.snapshot.zones[0].applied_today_l == run.data["volume_l"]


def test_a_cap_that_has_no_room_left_strokes_no_valve() -> None:
    zone = replace(EXAMPLE.zone(BED), schedule=fixed(10.0, SIX, SIX + 60, cap_l=10.1))
    garden = Garden(with_zones(EXAMPLE, [zone]))
    garden.run_hours(8)
    assert len(garden.of_kind("start", BED)) == 1
    assert any("cap-reached" in record.data["blockers"] for record in garden.of_kind("refusal", BED))


def test_a_no_flow_that_the_board_finds_while_a_hold_is_on_its_way_bars_only_its_own_zone() -> None:
    site = with_zones(
        EXAMPLE,
        [
            replace(EXAMPLE.zone(BED), schedule=fixed(40.0, SIX)),
            replace(EXAMPLE.zone(POT), schedule=fixed(5.0, SIX + 60)),
        ],
    )
    garden = Garden(site)
    garden.run_until_watering()
    garden.run_seconds(20)
    garden.season.plant.faults.flow_meter_dead.add(0)
    garden.season.plant.refresh()
    garden.run_seconds(2.5)
    write = garden.season.hardware.host_write
    garden.season.hardware.host_write = _unheard  # type: ignore[method-assign]
    assert garden.order(HoldAll(None)).accepted
    garden.run_seconds(4)
    garden.season.hardware.host_write = write  # type: ignore[method-assign]
    garden.season.plant.faults.flow_meter_dead.clear()
    garden.season.plant.refresh()
    garden.run_seconds(60)
    assert f"no-flow:{BED}" in garden.findings
    assert "board-no-flow" not in garden.findings
    assert garden.order(ResumeAll()).accepted
    garden.run_hours(2)
    assert garden.given_l(POT) == pytest.approx(5.0, rel=0.1)


def _unheard(data: bytes) -> None:
    """What the host writes into a broken wire."""
    assert data


@pytest.mark.parametrize("quiet_s", range(0, 60, 7))
def test_a_fault_of_the_board_is_cleared_by_one_order_however_long_it_was_quiet(quiet_s: int) -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 5.0, SIX))
    garden.run_hours(1)
    garden.season.board.faults.raise_("board-output-mismatch")
    garden.run_seconds(120 + quiet_s)
    assert "board-output-mismatch" in garden.findings
    assert garden.order(ClearFault("board-output-mismatch")).accepted
    garden.run_seconds(5)
    assert garden.season.board.faults.standing == []


def test_without_a_meter_the_level_falls_with_the_water_and_owns_up_to_its_doubt() -> None:
    pump = replace(EXAMPLE.pumps[0], flow_meter=None)
    site = at_fixed_times(EXAMPLE, BED, 20.0, SIX, SIX + 40, SIX + 240)
    garden = Garden(replace(site, pumps=(pump,)), fill=0.25)
    garden.run_hours(6)
    for _ in range(32):
        garden.run_hours(0.25)
        (tank,) = garden.snapshot.tanks
        assert tank.volume_l is not None
        assert tank.volume_sd_l is not None
        assert abs(tank.volume_l - garden.volume_l()) < 4.0 * tank.volume_sd_l
    assert garden.given_l(BED) == pytest.approx(60.0, rel=0.1)


def test_a_board_that_hangs_in_mid_run_is_not_told_to_open_a_valve_again_when_it_is_back() -> None:
    """It is lost and found in one step, and the flow need not be waited for behind a pump that was reset."""
    garden = Garden(at_fixed_times(EXAMPLE, BED, 40.0, SIX))
    garden.run_until_watering()
    garden.run_seconds(30)
    garden.season.hardware.reboot("watchdog")
    garden.season.board = Board(garden.season.hardware, board_settings(garden.site))
    for _ in range(50):
        garden.run_seconds(0.5)
        assert garden.season.hardware.output_masks() == (0, 0)
    garden.run_hours(1)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.06)


def test_a_board_whose_settings_are_damaged_is_told_by_its_name() -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 5.0, SIX))
    garden.run_hours(1)
    garden.season.hardware.reboot("power")
    garden.season.board = Board(garden.season.hardware, {"opening_ms": 1})
    garden.run_seconds(90)
    assert garden.snapshot.link_up
    assert "board-settings-bad" in garden.findings
