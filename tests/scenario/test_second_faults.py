"""What seeded hard weeks found: faults that come together, or one after the other, each found once and kept for good."""

from __future__ import annotations

from controller.contract import ClearFault
from tests.scenario.garden import EXAMPLE, Garden, at_fixed_times

BED = "salad-bed-east"
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
    assert garden.order(ClearFault("flow-at-rest")).accepted
    garden.run_hours(3)
    assert garden.given_l(BED) > 4.0
