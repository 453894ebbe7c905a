"""In dark days the pots live, the beds wait and the battery keeps its least charge; what a litre takes is learned."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.core.choose import supply_of
from controller.core.pump_energy import NOMINAL_BATTERY_V, note_draw
from controller.core.state import Delivery
from controller.irrigate.plan import Supply, allocate
from controller.irrigate.priced_plan import allocate_at_price
from tests.scenario.garden import EXAMPLE, POTS, Garden
from tests.unit.test_price_of_water import TANK, market, need

BEDS = ("salad-bed-east", "salad-bed-west")
PUMP = EXAMPLE.pumps[0]


def supply(garden: Garden) -> Supply:
    return supply_of(garden.season.core._ctx, garden.season.now(), TANK.id)


# --- dark days --------------------------------------------------------------------------------------------------------


def test_over_a_dark_week_the_pots_live_the_beds_wait_and_the_battery_keeps_its_least_charge() -> None:
    garden = Garden(days=11, fill=0.95)
    garden.season.plant.faults.panel_shaded = 0.95
    garden.run_hours(9 * 24)
    truth = garden.season.plant.truth
    assert truth.battery_soc > EXAMPLE.battery.minimum_charge_percent / 100.0
    assert max(truth.zone(zone_id).stress for zone_id in POTS) < 0.5 * min(truth.zone(bed).stress for bed in BEDS)
    assert max(truth.zone(zone_id).stress for zone_id in POTS) < 0.1
    assert all(garden.given_l(zone_id) > 80.0 for zone_id in POTS)
    assert garden.given_l("berry-row") == 0.0


def test_when_the_charge_is_too_little_for_all_what_counts_most_has_it_and_the_line_says_why() -> None:
    pots, bed, berries = (EXAMPLE.zone(zone_id) for zone_id in ("bench-south", "salad-bed-east", "berry-row"))
    needs = [need(zone, 0.6) for zone in (pots, bed, berries)]
    ample, short = ({TANK.id: Supply(1500.0, energy_wh, 0.13)} for energy_wh in (math.inf, 5.0))
    plans = [allocate_at_price(needs, stock, market(rain_mm=50.0)) for stock in (ample, short)]
    given = [{line.zone_id: line for line in plan} for plan in plans]
    assert min(given[0][zone.id].volume_l for zone in (pots, bed)) > 10.0
    assert given[1][pots.id].volume_l > 2.0 * given[1][bed.id].volume_l
    assert "the charge the battery can spare" in given[1][bed.id].why
    assert 0.13 * sum(line.volume_l for line in given[1].values()) == pytest.approx(5.0, abs=0.2)


def test_a_zone_whose_litres_take_more_of_the_charge_spends_more_of_it() -> None:
    slow, quick = (replace(EXAMPLE.zone("salad-bed-east"), id=zone_id) for zone_id in ("slow", "quick"))
    for line in (
        *allocate([need(slow, 0.9)], {TANK.id: Supply(900.0, 4.0, 0.1, wh_per_l_of={"slow": 0.4})}),
        *allocate_at_price([need(slow, 0.9)], {TANK.id: Supply(900.0, 4.0, 0.1, wh_per_l_of={"slow": 0.4})}, market()),
    ):
        assert line.volume_l == pytest.approx(10.0, abs=0.1)
    (line,) = allocate([need(quick, 0.9)], {TANK.id: Supply(900.0, 4.0, 0.4, wh_per_l_of={"quick": 0.1})})
    assert line.volume_l == pytest.approx(40.0)


# --- what a litre takes -----------------------------------------------------------------------------------------------


def test_the_shunt_teaches_what_the_pump_draws_and_the_meter_what_a_zone_gets() -> None:
    garden = Garden(days=9, fill=0.95, tmax_c=31.0)
    declared = supply(garden)
    assert declared.wh_per_l_of["bench-south"] == pytest.approx(PUMP.current_a * 12.5 / (60.0 * 6.0))
    garden.run_hours(8 * 24)
    learned, drawn_a = supply(garden), garden.season.core.dump()["state"]["pump_draw_a"][PUMP.id]
    flows = garden.season.core._ctx.sensing.flows[PUMP.id]
    for pot in POTS:
        assert flows.reading(pot).usual_l_min is not None
        by_hand = drawn_a * NOMINAL_BATTERY_V / (60.0 * flows.usual_l_min(pot))
        assert learned.wh_per_l_of[pot] == pytest.approx(by_hand)
    garden.run_until_watering()
    garden.run_seconds(10)
    assert drawn_a == pytest.approx(garden.season.plant.truth.pump(0).current_a, rel=0.06)


@pytest.mark.parametrize(("before_a", "with_a"), [(None, -4.0), (0.5, None), (0.5, 0.4), (0.5, -20.0)])
def test_a_run_without_a_shunt_or_with_a_senseless_current_teaches_nothing(
    before_a: float | None, with_a: float | None
) -> None:
    garden = Garden(days=1)
    run = Delivery("bench-south", "need", "key", 1000, "why", "stopping", 0, 0, rest_a=before_a, pumping_a=with_a)
    note_draw(garden.season.core._ctx, run)
    assert garden.season.core.dump()["state"]["pump_draw_a"] == {}
