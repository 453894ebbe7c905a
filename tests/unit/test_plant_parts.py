"""Roof, tank, pump and pipes, root zone, battery and panel, each by itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from math import pi
from random import Random
from statistics import fmean, stdev

import pytest

from controller.site.model import Rectangle, Stack, StrappingTable, Tank, VerticalCylinder
from simulator.plant.hydraulics import Branch, Pipe, PumpCurve, operating_flows
from simulator.plant.power import Bank, SolarPanel
from simulator.plant.roof import DRY_SPELL_HOURS, WETTING_MM, RoofWater
from simulator.plant.root_zone import RootZone, crop_factor_on
from simulator.plant.tank import LevelTable, TankWater
from tests.unit.plant_site import BERRIES, PLACE, SALAD, SITE

TANK = SITE.tanks[0]
FULL_L = pi * 0.36 * 1700.0
"""Upright, 1.2 m across and 1.7 m high."""
HOUR_MS = 3_600_000


def tank_of(shape: object, **changes: object) -> Tank:
    return replace(TANK, shape=shape, **changes)  # type: ignore[arg-type]


class TestTank:
    def test_level_and_volume_are_each_others_inverse(self) -> None:
        table = LevelTable(TANK)
        for level in (0.0, 1.0, 333.3, 850.0, 1699.0, 1700.0):
            assert table.level_mm(table.volume_l(level)) == pytest.approx(level, abs=1e-6)

    def test_a_level_above_the_top_is_the_full_volume_and_one_below_the_floor_none(self) -> None:
        table = LevelTable(TANK)
        assert table.volume_l(2500.0) == pytest.approx(FULL_L)
        assert table.volume_l(-5.0) == 0.0

    def test_a_strapping_table_is_followed_by_straight_lines(self) -> None:
        table = LevelTable(tank_of(StrappingTable((0.0, 100.0, 400.0), (0.0, 50.0, 350.0))))
        assert table.volume_l(50.0) == pytest.approx(25.0)
        assert table.volume_l(250.0) == pytest.approx(200.0)
        assert table.volume_l(400.0) == pytest.approx(350.0)

    def test_a_strapping_table_that_begins_above_the_floor_is_followed_down_to_it(self) -> None:
        table = LevelTable(tank_of(StrappingTable((100.0, 400.0), (50.0, 350.0))))
        assert table.volume_l(50.0) == pytest.approx(25.0)

    def test_parts_of_a_stack_add_up(self) -> None:
        box, drum = Rectangle(1000.0, 500.0, 400.0), VerticalCylinder(600.0, 800.0)
        table = LevelTable(tank_of(Stack((box, drum))))
        assert table.volume_l(400.0) == pytest.approx(200.0)
        assert table.volume_l(800.0) == pytest.approx(200.0 + pi * 0.09 * 400.0)

    def test_water_above_the_overflow_spills(self) -> None:
        water = TankWater(TANK, 0.0)
        water.inflow_l_ms = 1.0
        water.pass_time(5000)
        assert water.level_mm == pytest.approx(TANK.overflow_mm)
        assert water.overflow_l == pytest.approx(5000.0 - water.volume_l)

    def test_a_draw_ends_at_the_suction_and_says_how_much_it_got(self) -> None:
        water = TankWater(TANK, 200.0)
        water.draw_l_ms = 0.01
        assert water.ms_until_suction() == pytest.approx((200.0 - water.suction_volume_l) / 0.01)
        assert water.pass_time(1e6) == pytest.approx(200.0 - water.suction_volume_l)
        assert water.level_mm == pytest.approx(TANK.suction_mm)

    def test_a_leak_empties_the_tank_and_no_more(self) -> None:
        water = TankWater(TANK, 30.0)
        water.leak_l_ms = 1.0
        water.pass_time(1000)
        assert water.volume_l == 0.0
        assert water.leaked_l == pytest.approx(30.0)

    def test_evaporation_takes_a_depth_off_the_surface(self) -> None:
        water = TankWater(TANK, 900.0)
        water.evaporate(2.0)
        assert water.evaporated_l == pytest.approx(pi * 0.36 * 2.0)

    def test_filling_by_hand_stops_at_the_overflow_and_is_booked(self) -> None:
        water = TankWater(TANK, 100.0)
        water.set_volume(1e6)
        assert water.volume_l == pytest.approx(pi * 0.36 * 1600.0)
        assert water.external_l == pytest.approx(water.volume_l - 100.0)


def clean_roof(**changes: float) -> RoofWater:
    roof = RoofWater(replace(SITE.roofs[0], **changes), Random(1))  # type: ignore[arg-type]
    roof.coefficient = 0.9
    roof.wind_sd = 0.0
    return roof


class TestRoof:
    def test_the_first_rain_after_a_dry_spell_wets_and_flushes(self) -> None:
        roof = clean_roof(area_m2=10.0, first_flush_mm=0.5)
        assert roof.rain_hour(WETTING_MM) == 0.0
        assert roof.rain_hour(1.0) == pytest.approx((0.9 - 0.5) * 10.0)
        assert roof.rain_hour(2.0) == pytest.approx(1.8 * 10.0)
        assert roof.flushed_l == pytest.approx(5.0)

    def test_a_pause_shorter_than_a_dry_spell_does_not_flush_again(self) -> None:
        roof = clean_roof(area_m2=10.0)
        roof.rain_hour(10.0)
        for _ in range(DRY_SPELL_HOURS - 1):
            roof.rain_hour(0.0)
        roof.rain_hour(10.0)
        assert roof.flushed_l == pytest.approx(5.0)

    def test_each_event_after_a_dry_spell_flushes_once(self) -> None:
        roof = clean_roof(area_m2=10.0)
        for _ in range(3):
            roof.rain_hour(10.0)
            for _ in range(DRY_SPELL_HOURS):
                roof.rain_hour(0.0)
        assert roof.flushed_l == pytest.approx(3 * 5.0)

    def test_all_rain_is_lost_flushed_or_caught(self) -> None:
        roof, rng = clean_roof(), Random(2)
        for _ in range(500):
            roof.rain_hour(max(0.0, rng.gauss(-2.0, 3.0)), blocked=0.3)
        assert roof.lost_l + roof.flushed_l + roof.caught_l == pytest.approx(roof.rain_l)

    def test_a_blocked_gutter_spills_its_part(self) -> None:
        clear, blocked = clean_roof(first_flush_mm=0.0), clean_roof(first_flush_mm=0.0)
        assert blocked.rain_hour(5.0, blocked=0.75) == pytest.approx(0.25 * clear.rain_hour(5.0))

    def test_a_shower_stays_in_the_gutter_and_a_cloudburst_runs_over_it(self) -> None:
        shower, cloudburst = clean_roof(first_flush_mm=0.0), clean_roof(first_flush_mm=0.0)
        assert shower.rain_hour(5.0) == pytest.approx(0.9 * (5.0 - WETTING_MM) * 18.0, rel=1e-6)
        # exp(-75 / 40) of it is above what the gutter carries.
        assert cloudburst.rain_hour(40.0) == pytest.approx(0.8466 * 0.9 * (40.0 - WETTING_MM) * 18.0, rel=1e-4)

    def test_wind_makes_each_event_catch_a_little_more_or_less(self) -> None:
        roof = RoofWater(replace(SITE.roofs[0], first_flush_mm=0.0), Random(1))
        caught = []
        for _ in range(400):
            caught.append(roof.rain_hour(5.0) + roof.rain_hour(5.0))
            for _ in range(DRY_SPELL_HOURS):
                roof.rain_hour(0.0)
        assert stdev(caught) / fmean(caught) == pytest.approx(0.03, abs=0.005)

    def test_the_true_coefficient_is_a_few_per_cent_off_the_declared_one(self) -> None:
        ratios = [RoofWater(SITE.roofs[0], Random(seed)).coefficient / 0.85 for seed in range(200)]
        assert 0.015 < max(abs(ratio - 1.0) for ratio in ratios) < 0.12
        assert sum(ratios) / 200 == pytest.approx(1.0, abs=0.01)


CURVE = PumpCurve(10.0, 25.0)
TRUNK = Pipe(15.8, 10.0)


def zone_branch(flow_l_min: float) -> Branch:
    return Branch(Pipe(13.6, 10.0), flow_l_min / 10.0**0.5, 0.5, 10.0)


class TestHydraulics:
    def test_a_strong_pump_gives_a_zone_its_regulated_flow(self) -> None:
        assert operating_flows(CURVE, 1.0, 1.0, TRUNK, [zone_branch(3.0)]) == pytest.approx((3.0,))

    def test_a_zone_too_large_for_the_pump_settles_where_both_agree(self) -> None:
        branch = zone_branch(9.5)
        (flow,) = operating_flows(CURVE, 1.0, 1.0, TRUNK, [branch])
        assert flow < 9.5
        head = CURVE.head_m(flow) - 1.0 - TRUNK.loss_m(flow) - branch.pipe.loss_m(flow)
        assert branch.emitter_head_m(flow) == pytest.approx(head, abs=1e-6)

    def test_two_zones_together_share_what_the_pump_can_give(self) -> None:
        alone = operating_flows(CURVE, 1.0, 1.0, TRUNK, [zone_branch(6.0)])
        small, large = operating_flows(CURVE, 1.0, 1.0, TRUNK, [zone_branch(6.0), zone_branch(7.0)])
        assert small < alone[0]
        assert small < large
        assert small + large < 10.0

    def test_a_weak_battery_slows_the_pump(self) -> None:
        (full,) = operating_flows(CURVE, 1.0, 1.0, TRUNK, [zone_branch(9.5)])
        (weak,) = operating_flows(CURVE, 0.85, 1.0, TRUNK, [zone_branch(9.5)])
        assert weak < 0.95 * full

    def test_water_that_stands_too_deep_is_not_lifted(self) -> None:
        assert operating_flows(CURVE, 1.0, 26.0, TRUNK, [zone_branch(3.0)]) == (0.0,)

    def test_clogged_emitters_pass_nothing(self) -> None:
        assert zone_branch(0.0).flow_l_min(10.0) == 0.0


def roots(seed: int = 1, **changes: object) -> RootZone:
    zone = replace(SITE.zone("salad"), **changes)  # type: ignore[arg-type]
    return RootZone(zone, Random(seed), date(2026, 6, 1))


def books(zone: RootZone, opening_l: float) -> float:
    ins = zone.applied_l + zone.rain_l
    return opening_l + ins - zone.missed_l - zone.drained_l - zone.transpired_l - zone.content_l


class TestRootZone:
    def test_all_water_is_accounted_for(self) -> None:
        zone, rng = roots(), Random(3)
        opening = zone.content_l
        for _ in range(3000):
            if rng.random() < 0.1:
                zone.irrigate(rng.uniform(0.0, 20.0))
            zone.pass_hour(8.0 if rng.random() < 0.02 else 0.0, max(0.0, rng.gauss(0.1, 0.2)))
            assert books(zone, opening) == pytest.approx(0.0, abs=1e-8)
        assert min(zone.drained_l, zone.transpired_l, zone.missed_l) > 0.0

    def test_moist_roots_drink_all_they_want(self) -> None:
        zone = roots()
        zone.pass_hour(0.0, 0.3)
        assert zone.stress == pytest.approx(0.0, abs=0.02)

    def test_drying_roots_drink_less_and_less_but_never_more_than_there_is(self) -> None:
        zone = roots(rain_fed=False)
        uptakes = []
        for _ in range(4000):
            before = zone.transpired_l
            zone.pass_hour(0.0, 0.2)
            uptakes.append(zone.transpired_l - before)
        assert all(later <= earlier + 1e-12 for earlier, later in pairwise(uptakes))
        assert zone.stress > 0.8
        assert zone.content_l >= 0.0

    def test_water_above_field_capacity_drains_within_two_days(self) -> None:
        zone = roots()
        zone.irrigate(400.0)
        for _ in range(48):
            zone.pass_hour(0.0, 0.0)
        assert -0.2 < zone.depletion_mm < 0.5
        assert zone.drained_l > 200.0

    def test_no_rain_reaches_a_zone_under_cover(self) -> None:
        zone = roots(rain_fed=False)
        zone.pass_hour(20.0, 0.0)
        assert zone.rain_l == 0.0

    def test_part_of_the_drip_water_misses_the_roots(self) -> None:
        zone = roots(drip_efficiency=0.8)
        zone.irrigate(100.0)
        zone.pass_hour(0.0, 0.0)
        assert zone.missed_l == pytest.approx(100.0 * (1.0 - zone.efficiency))
        assert zone.efficiency == pytest.approx(0.8, rel=0.08)

    def test_a_day_without_water_is_seen_as_yesterdays_stress(self) -> None:
        zone = roots(rain_fed=False)
        for _ in range(1000):
            zone.pass_hour(0.0, 0.2)
        zone.start_day(date(2026, 6, 2))
        for _ in range(24):
            zone.pass_hour(0.0, 0.2)
        zone.start_day(date(2026, 6, 3))
        assert zone.stress_yesterday > 0.8

    def test_without_a_crop_nothing_is_stressed(self) -> None:
        zone = RootZone(SITE.zone("salad"), Random(1), date(2026, 1, 5))
        for _ in range(5000):
            zone.pass_hour(0.0, 0.3)
        assert not zone.growing
        assert zone.stress == 0.0

    @pytest.mark.parametrize(
        ("today", "factor"),
        [
            (date(2026, 4, 1), 0.7),
            (date(2026, 4, 21), 0.7),
            (date(2026, 5, 6), 0.85),
            (date(2026, 6, 1), 1.0),
            (date(2026, 9, 13), 0.975),
            (date(2026, 12, 1), None),
            (date(2026, 3, 31), None),
        ],
    )
    def test_the_crop_factor_follows_its_stages(self, today: date, factor: float | None) -> None:
        # Lettuce of 1 April, stages 20, 30, 100, 30 days, 0.7, 1.0, 0.95; by hand.
        assert crop_factor_on(SALAD, today) == (factor if factor is None else pytest.approx(factor))

    def test_a_crop_planted_in_autumn_grows_on_in_the_new_year(self) -> None:
        garlic = replace(BERRIES, planted_month=10, planted_day=15, stage_days=(30, 30, 100, 40))
        assert crop_factor_on(garlic, date(2027, 1, 10)) == garlic.kc_mid


def bank(**changes: object) -> Bank:
    return Bank(replace(SITE.battery, **changes), Random(1))  # type: ignore[arg-type]


class TestBattery:
    @pytest.mark.parametrize("chemistry", ["flooded", "agm", "lifepo4"])
    def test_rested_voltage_rises_with_charge(self, chemistry: str) -> None:
        battery = bank(chemistry=chemistry)
        volts = [battery.rested_v(i / 100.0) for i in range(101)]
        assert all(later > earlier for earlier, later in pairwise(volts))
        assert volts[100] == pytest.approx(battery.rested_v(2.0))

    def test_an_owners_table_takes_the_place_of_the_built_in_one(self) -> None:
        battery = bank(rest_table=((11.5, 0.0), (12.5, 50.0), (13.0, 100.0)))
        assert battery.rested_v(0.25) == pytest.approx(12.0, abs=0.06)

    def test_a_load_pulls_the_voltage_down_by_its_resistance(self) -> None:
        battery = bank()
        rested = battery.terminal_v()
        battery.set_currents(0.0, 5.0)
        assert rested - battery.terminal_v() == pytest.approx(5.0 * battery.resistance_ohm)

    def test_surface_charge_shows_after_charging_and_fades_over_hours(self) -> None:
        battery = bank()
        battery.charge_ah = 0.6 * battery.capacity_ah
        battery.set_currents(4.0, 0.0)
        battery.pass_time(3 * HOUR_MS)
        battery.set_currents(0.0, 0.0)
        over_rest = [battery.terminal_v() - battery.rested_v(battery.soc)]
        for _ in range(12):
            battery.pass_time(HOUR_MS)
            over_rest.append(battery.terminal_v() - battery.rested_v(battery.soc))
        assert over_rest[0] > 0.1
        assert over_rest[6] < 0.2 * over_rest[0]
        assert over_rest[12] < 0.01

    def test_charging_shows_above_rest_but_never_above_the_absorption_voltage(self) -> None:
        battery = bank()
        battery.charge_ah = 0.5 * battery.capacity_ah
        battery.set_currents(5.0, 0.0)
        assert battery.terminal_v() > battery.rested_v(0.5)
        for _ in range(40):
            battery.pass_time(HOUR_MS)
            battery.set_currents(5.0, 0.0)
            assert battery.terminal_v() <= battery.absorb_v
        assert battery.soc == pytest.approx(1.0, abs=0.01)

    def test_a_full_battery_takes_little_of_the_sun(self) -> None:
        battery = bank()
        battery.charge_ah = battery.capacity_ah
        battery.set_currents(5.0, 0.2)
        # Less than a hundredth of its capacity in an hour.
        assert 0.0 < battery.net_a < 0.5

    def test_what_charging_puts_in_and_loads_take_out_is_the_change_of_charge(self) -> None:
        battery = bank()
        opening = battery.charge_ah
        for hour in range(200):
            battery.set_currents(*((4.0, 0.3) if hour % 24 < 8 else (0.0, 0.9)))
            battery.pass_time(HOUR_MS)
        gone = battery.discharged_ah + battery.self_discharged_ah
        assert opening + battery.charged_ah - gone == pytest.approx(battery.charge_ah)

    def test_an_empty_battery_collapses_under_load(self) -> None:
        battery = bank()
        battery.charge_ah = 0.0
        battery.set_currents(0.0, 1.0)
        assert battery.terminal_v() < 10.0

    def test_true_capacity_is_below_the_label(self) -> None:
        assert all(0.8 < Bank(SITE.battery, Random(s)).capacity_ah / 50.0 <= 0.97 for s in range(50))


class TestPanel:
    def amps(self, hour: int, sun_w_m2: float = 600.0, air_c: float = 15.0) -> float:
        assert SITE.panel is not None
        panel = SolarPanel(SITE.panel, PLACE.latitude_deg, PLACE.longitude_deg, Random(1))
        wall_ms = int(datetime(2026, 3, 20, hour, tzinfo=UTC).timestamp() * 1000)
        return panel.current_a(wall_ms, sun_w_m2, air_c, 12.6)

    def test_noon_sun_on_the_panel_gives_near_its_rating(self) -> None:
        assert 0.6 * 60.0 / 12.6 < self.amps(12) < 60.0 / 12.6

    def test_night_gives_nothing(self) -> None:
        assert self.amps(0, 0.0) == 0.0

    def test_a_hot_panel_gives_less(self) -> None:
        assert self.amps(12, air_c=40.0) == pytest.approx(self.amps(12) * 0.89, rel=0.03)
