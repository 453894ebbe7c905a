"""What clogging, wear, lost emitters, crossed wires and air do to the water of the plant, and how it all ages."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from simulator.plant.ageing import Ageing
from simulator.plant.faults import PlantFaults
from simulator.plant.hydraulics import Branch, Filter, Pipe, PumpCurve, operating_flows
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from tests.unit.plant_site import SITE, plant, quiet_plant, with_tank

CURVE, TRUNK, MESH = PumpCurve(10.0, 25.0), Pipe(15.8, 10.0), Filter(1.0, 10.0)
BRANCH = Branch(Pipe(13.6, 10.0), 5.0 / 10.0**0.5, 0.5, 10.0)
DAY_MS = 86_400_000


def flow_through(clogged: float) -> float:
    (flow,) = operating_flows(CURVE, 1.0, 1.0, TRUNK, [BRANCH], MESH, clogged)
    return flow


class TestFilter:
    def test_its_loss_rises_with_the_square_of_flow_and_the_fourth_power_of_what_is_left_of_the_holes(self) -> None:
        assert MESH.loss_m(10.0) == pytest.approx(1.0)
        assert MESH.loss_m(5.0) == pytest.approx(0.25)
        assert MESH.loss_m(10.0, clogged=0.5) == pytest.approx(16.0)
        assert MESH.loss_m(5.0, clogged=0.8) == pytest.approx(156.25)

    def test_a_little_clogging_is_hidden_by_the_regulator_and_more_is_not(self) -> None:
        flows = [flow_through(clogged) for clogged in (0.0, 0.3, 0.65, 0.75, 0.85)]
        assert flows[0] == flows[1]
        assert all(later < earlier for earlier, later in pairwise(flows[1:]))
        assert flows[-1] < 0.7 * flows[0]

    def test_a_shut_mesh_lets_nothing_through(self) -> None:
        assert MESH.loss_m(0.0, clogged=1.0) == 0.0
        assert flow_through(1.0) == 0.0


def pumped(subject: Plant, valve: int = 0, after_s: int = 60) -> Plant:
    """The plant with the pump on a valve, its line filled."""
    subject.set_valve(valve, True)
    subject.advance(subject.now_ms + 5000)
    subject.set_pump(0, True)
    subject.advance(subject.now_ms + 1000 * after_s)
    return subject


def flow_l_min(seed: int = 1, zone: str = "bench", valve: int = 0, **faults: object) -> float:
    subject = quiet_plant(seed)
    for name, value in faults.items():
        setattr(subject.faults, name, value)
    subject.refresh()
    return pumped(subject, valve).truth.zone_flow_l_min(zone)


class TestFaults:
    def test_a_worn_pump_gives_less_where_it_works_at_its_limit(self) -> None:
        assert flow_l_min(pump_worn={"pump": 0.7}) < 0.8 * flow_l_min()

    def test_a_clogged_filter_gives_less(self) -> None:
        assert flow_l_min(filter_clogged={"pump": 0.85}) < 0.8 * flow_l_min()

    def test_each_emitter_that_popped_off_lets_through_what_dozens_would(self) -> None:
        sound, one, two = (flow_l_min(emitters_popped={"bench": count}) for count in (0, 1, 2))
        assert one - sound == pytest.approx(1.2 - sound / 60.0, rel=0.01)
        assert two - one == pytest.approx(one - sound, rel=0.01)

    def test_no_more_emitters_pop_off_than_there_are(self) -> None:
        assert flow_l_min(emitters_popped={"bench": 60}) == flow_l_min(emitters_popped={"bench": 90})

    def test_crossed_wires_water_the_other_zone_by_its_own_emitters(self) -> None:
        crossed = {(0, 2)}
        assert flow_l_min(zones_crossed=crossed) == 0.0
        assert flow_l_min(zone="salad", zones_crossed=crossed) == flow_l_min(zone="salad", valve=2)
        assert flow_l_min(zone="bench", valve=2, zones_crossed=crossed) == flow_l_min(zone="bench")
        assert flow_l_min(zone="row", valve=1, zones_crossed=crossed) == flow_l_min(zone="row", valve=1)

    def test_a_slow_meter_counts_its_part(self) -> None:
        sound, slow = quiet_plant(), quiet_plant()
        slow.faults.flow_meter_slow[0] = 0.8
        counted = [Sensors(pumped(subject), 1).flow_pulses(0) for subject in (sound, slow)]
        assert counted[1] == pytest.approx(0.8 * counted[0], abs=1.0)
        assert slow.truth.drawn_l == sound.truth.drawn_l

    def test_all_water_is_still_accounted_for(self) -> None:
        subject = quiet_plant()
        faults = subject.faults
        faults.zones_crossed.add((0, 1))
        faults.emitters_popped["row"] = 3
        faults.filter_clogged["pump"], faults.pump_worn["pump"] = 0.6, 0.2
        pumped(subject, 0, 600)
        assert subject.truth.zone("row").applied_l == pytest.approx(subject.truth.drawn_l)
        assert abs(subject.water_balance_error_l()) < 1e-9


class TestPumping:
    def test_after_a_rest_little_flows_for_some_seconds_while_the_line_fills(self) -> None:
        for seed in range(10):
            subject = pumped(quiet_plant(seed), after_s=1)
            filling = subject.truth.zone_flow_l_min("bench")
            subject.advance(subject.now_ms + 5000)
            assert filling == pytest.approx(0.3 * subject.truth.zone_flow_l_min("bench"), rel=0.02)

    def test_a_line_that_was_just_in_use_is_still_full(self) -> None:
        subject = pumped(quiet_plant())
        full = subject.truth.zone_flow_l_min("bench")
        subject.set_pump(0, False)
        subject.set_pump(0, True)
        assert subject.truth.zone_flow_l_min("bench") == pytest.approx(full, rel=0.01)

    def test_a_deep_tank_and_a_low_battery_give_less_to_a_pump_at_its_limit(self) -> None:
        hungry = replace(SITE, zones=(replace(SITE.zones[0], emitter_count=280), *SITE.zones[1:]))

        def flow(fill: float, soc: float) -> float:
            subject = quiet_plant(site=hungry, fill=fill)
            subject.bank.charge_ah = soc * subject.bank.capacity_ah
            return pumped(subject).truth.zone_flow_l_min("bench")

        assert flow(0.2, 0.9) < 0.995 * flow(0.95, 0.9)
        assert flow(0.95, 0.2) < 0.97 * flow(0.95, 0.9)

    def test_the_motor_takes_more_the_more_it_moves(self) -> None:
        def current_a(**faults: object) -> float:
            subject = quiet_plant()
            for name, value in faults.items():
                setattr(subject.faults, name, value)
            return pumped(subject).truth.pump(0).current_a

        assert current_a(filter_clogged={"pump": 0.85}) < current_a() < current_a(pipe_burst={"bench": 2.0})

    def test_each_held_valve_takes_its_own_current(self) -> None:
        held_a = [quiet_plant(seed).valves[output].hold_a for seed in range(20) for output in range(3)]
        assert fmean(held_a) == pytest.approx(0.3, rel=0.05)
        assert 0.01 < pstdev(held_a) < 0.05

    def test_water_that_enters_no_zone_is_no_zones_flow(self) -> None:
        subject = pumped(quiet_plant(site=with_tank(), fill=0.6), valve=1)
        assert subject.truth.zone_flow_l_min("bench") == 0.0
        assert subject.truth.zone_flow_l_min("row") == pytest.approx(subject.truth.pump(0).flow_l_min)


class TestAgeing:
    def aged(self, years: int, seed: int = 1, litres_a_day: float = 40.0) -> PlantFaults:
        ageing, faults = Ageing(SITE, seed, cleaning_day=None), PlantFaults()
        for day in range(1, 365 * years + 1):
            today = date.fromordinal(date(2026, 1, 1).toordinal() + day)
            ageing.pass_day(faults, today, {"pump": litres_a_day * day})
        return faults

    def test_a_battery_fades_some_per_cent_a_year_and_pumps_emitters_and_filters_go_down(self) -> None:
        for seed in range(20):
            one, three = self.aged(1, seed), self.aged(3, seed)
            assert 0.02 <= one.battery_fade < 0.051
            assert three.battery_fade == pytest.approx(3.0 * one.battery_fade)
            assert 0.01 <= one.pump_worn["pump"] < three.pump_worn["pump"] < 0.13
            assert all(0.009 < one.emitters_clogged[z.id] < three.emitters_clogged[z.id] for z in SITE.zones)
            assert 0.1 < one.filter_clogged["pump"] <= three.filter_clogged["pump"] <= 0.95

    def test_a_filter_clogs_by_the_water_that_passes_and_not_by_time(self) -> None:
        assert self.aged(1, litres_a_day=0.0).filter_clogged["pump"] == 0.0

    def test_a_ranger_drifts_some_millimetres_a_year_either_way(self) -> None:
        drifts = [365.0 * self.aged(1, seed).echo_drift_mm_day[0] for seed in range(40)]
        assert min(drifts) < -0.5
        assert max(drifts) > 0.5
        assert max(map(abs, drifts)) < 8.0

    def test_the_yearly_cleaning_frees_the_filter(self) -> None:
        ageing, faults = Ageing(SITE, 1, cleaning_day=(3, 15)), PlantFaults()
        ageing.pass_day(faults, date(2026, 3, 14), {"pump": 5000.0})
        assert faults.filter_clogged["pump"] > 0.04
        ageing.pass_day(faults, date(2026, 3, 15), {"pump": 5000.0})
        assert "pump" not in faults.filter_clogged

    def test_a_fault_set_by_hand_stays_and_ages_too(self) -> None:
        ageing, faults = Ageing(SITE, 1), PlantFaults()
        faults.pump_worn["pump"], faults.echo_drift_mm_day[0] = 0.3, 4.0
        ageing.pass_day(faults, date(2026, 6, 1), {"pump": 0.0})
        assert 0.3 < faults.pump_worn["pump"] < 0.301
        assert faults.echo_drift_mm_day[0] == 4.0

    def test_a_plant_ages_once_a_day_only_when_told_to_and_the_same_for_a_seed(self) -> None:
        def fade(ageing: Ageing | None) -> float:
            subject = plant(days=12, seed=3)
            subject.ageing = ageing
            subject.advance(10 * DAY_MS + 1000)
            return subject.faults.battery_fade

        assert fade(None) == 0.0
        assert fade(Ageing(SITE, 5)) == pytest.approx(10.0 * Ageing(SITE, 5).fade_a_day)
        assert fade(Ageing(SITE, 5)) != fade(Ageing(SITE, 6))
