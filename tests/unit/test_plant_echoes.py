"""Air, water and echoes in a tank: what warms what, what a ping meets on its way, and what goes wrong with it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from random import Random
from statistics import fmean, median, pstdev, stdev

import pytest

from simulator.plant.headspace import Headspace, path_mean_c
from simulator.plant.plant import Plant
from simulator.plant.ranger import Ranger
from simulator.plant.sensors import Sensors
from simulator.plant.tank import TankWater
from simulator.plant.water import density_kg_m3
from simulator.plant.weather import Hour
from tests.unit.plant_site import SITE, START_WALL_MS, plant, quiet_plant, steady_weather, with_tank

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
QUARTER_MS = 15 * MINUTE_MS
TANK = SITE.tanks[0]


def still_air(volume_l: float = 1000.0, air_c: float = 15.0, seed: int = 1) -> Headspace:
    return Headspace(TankWater(TANK, volume_l), Random(seed), air_c)


def under(air: Headspace, hour: Hour, quarters: int) -> None:
    """Let an hour's weather stand for some quarters of an hour."""
    began_ms = air.since_ms
    for quarter in range(quarters + 1):
        now_ms = began_ms + quarter * QUARTER_MS
        air.turn(hour, now_ms, now_ms + QUARTER_MS)


def hour(temperature_c: float, sun_w_m2: float = 0.0, cloud: float = 1.0, humidity: float = 70.0) -> Hour:
    return Hour(temperature_c, humidity, 1.0, sun_w_m2, cloud, 0.0)


def pings(ranger: Ranger, bursts: int, count: int = 7, **faults: float) -> list[int]:
    return [ping for _ in range(bursts) for ping in ranger.burst_us(0, count, **faults)]


def lone_ranger(level_mm: float = 900.0, seed: int = 1) -> Ranger:
    """A ranger over quiet water, its face where it was declared."""
    water = TankWater(TANK, 0.0)
    water.volume_l = water.table.volume_l(level_mm)
    return Ranger(TANK, water, Headspace(water, Random(seed), 15.0), f"{seed}", face_sd_mm=0.0)


class TestAirAndWater:
    def test_sun_on_the_lid_warms_the_upper_air_most_and_the_water_least(self) -> None:
        air = still_air()
        under(air, hour(15.0, sun_w_m2=800.0), 12)
        assert air.lid_c - 15.0 == pytest.approx(9.6, abs=0.3)
        assert 2.0 < air.air_c - 15.0 < 6.0
        assert 0.0 < air.water_c - 15.0 < 0.5

    def test_a_clear_night_cools_the_lid_below_the_air_outside_and_a_cloudy_one_does_not(self) -> None:
        clear, cloudy = still_air(), still_air()
        under(clear, hour(5.0, cloud=0.0), 12)
        under(cloudy, hour(5.0, cloud=1.0), 12)
        assert clear.lid_c == pytest.approx(2.0, abs=0.2)
        assert cloudy.lid_c == pytest.approx(5.0, abs=0.2)

    def test_water_follows_the_air_over_days(self) -> None:
        air = still_air(air_c=10.0)
        under(air, hour(20.0), 96)
        after_a_day = air.water_c
        under(air, hour(20.0), 14 * 96)
        assert 11.5 < after_a_day < 15.0
        assert air.water_c == pytest.approx(20.0, abs=0.5)

    def test_rain_mixes_its_warmth_in(self) -> None:
        subject = quiet_plant(rain_mm_h=30.0, temperature_c=15.0)
        water = subject.headspaces["main"]
        water.water_c = 25.0
        before_l = subject.truth.volume_l("main")
        subject.advance(HOUR_MS)
        part = subject.tanks["main"].inflow_l / (before_l + subject.tanks["main"].inflow_l)
        assert water.water_c == pytest.approx(25.0 - 10.0 * part, abs=0.6)
        assert 25.0 - water.water_c > 2.0

    def test_warm_air_lies_in_layers_and_cold_air_turns_over(self) -> None:
        # Upper air 8 degrees warmer than the water: half way between 18 and the surface's 12.4.
        assert path_mean_c(18.0, 10.0) == pytest.approx(15.2)
        assert path_mean_c(10.0, 10.0) == 10.0
        # As much colder: the whole way is near the upper air.
        assert path_mean_c(2.0, 10.0) - 2.0 < 0.2 * 8.0

    def test_in_the_sun_the_probe_makes_the_sound_seem_faster_than_it_is(self) -> None:
        air = still_air()
        under(air, hour(20.0, sun_w_m2=800.0), 12)
        warmer_k = air.probed_c - path_mean_c(air.air_c, air.water_c)
        assert 1.0 < warmer_k < 6.0

    def test_sound_slows_and_quickens_without_jumps(self) -> None:
        subject = plant(days=4, seed=3)
        air = subject.headspaces["main"]
        slowness = []
        for minute in range(3 * 1440):
            subject.advance(minute * MINUTE_MS)
            slowness.append(air.us_per_mm_at(subject.now_ms))
        # Over a metre no minute moves an echo by more than a few tenths of a millimetre.
        assert max(abs(later - earlier) for earlier, later in pairwise(slowness)) * 1000.0 / 5.8 < 0.4
        assert max(slowness) - min(slowness) > 0.02

    def test_looking_more_often_changes_no_temperature(self) -> None:
        often, seldom = plant(days=3, seed=2), plant(days=3, seed=2)
        for minute in range(0, 2 * 1440, 7):
            often.advance(minute * MINUTE_MS)
        for subject in (often, seldom):
            subject.advance(2 * DAY_MS)
        assert often.headspaces["main"].water_c == seldom.headspaces["main"].water_c
        assert often.headspaces["main"].us_per_mm == seldom.headspaces["main"].us_per_mm

    def test_a_refresh_within_a_quarter_warms_nothing_twice(self) -> None:
        refreshed, left = (quiet_plant(temperature_c=25.0) for _ in range(2))
        for subject in (refreshed, left):
            subject.headspaces["main"].water_c = 10.0
        for minute in range(240):
            refreshed.advance(minute * MINUTE_MS)
            refreshed.refresh()
        for subject in (refreshed, left):
            subject.advance(4 * HOUR_MS)
        warmed = [subject.headspaces["main"].water_c - 10.0 for subject in (refreshed, left)]
        assert warmed[0] == pytest.approx(warmed[1], rel=0.02)
        assert warmed[1] > 0.3

    def test_water_that_warms_swells_and_what_rises_over_the_overflow_is_gone(self) -> None:
        part_full, full = still_air(volume_l=1000.0), still_air(volume_l=1e6)
        for air in (part_full, full):
            air.water_c = 10.0
            under(air, hour(25.0), 96)
        lighter = density_kg_m3(10.0) / density_kg_m3(part_full.water_c)
        assert part_full.tank.swollen_l == pytest.approx(1000.0 * (lighter - 1.0), rel=1e-6)
        assert part_full.tank.volume_l == pytest.approx(1000.0 + part_full.tank.swollen_l)
        assert full.tank.overflow_l == pytest.approx(full.tank.swollen_l)
        assert full.tank.swollen_l > 0.3

    def test_drops_on_the_face_come_in_damp_nights_with_a_cold_lid_and_last_minutes_to_hours(self) -> None:
        subject = plant(days=365, seed=5)
        air = subject.headspaces["main"]
        spells: list[list[int]] = []
        for quarter in range(364 * 96):
            subject.advance(quarter * QUARTER_MS)
            if air.face_lost_part > 0.0:
                if not spells or spells[-1][-1] != quarter - 1:
                    spells.append([])
                spells[-1].append(quarter)
        mornings = {spell[0] // 96 for spell in spells}
        lengths_h = [len(spell) / 4.0 for spell in spells]
        at_night = [spell for spell in spells if not 40 <= spell[0] % 96 < 72]
        assert 20 <= len(mornings) <= 130
        assert 0.25 <= median(lengths_h) <= 2.0
        assert max(lengths_h) > 2.0
        assert len(at_night) > 0.8 * len(spells)

    def test_a_dry_night_leaves_the_face_clear(self) -> None:
        air = still_air()
        under(air, hour(5.0, cloud=0.0, humidity=60.0), 2000)
        assert air.face_lost_part == 0.0


class TestPings:
    def test_their_spread_grows_with_the_distance(self) -> None:
        def spread_mm(level_mm: float) -> float:
            ranger = lone_ranger(level_mm)
            heard = [ping for ping in pings(ranger, 3000) if ping]
            middle = median(heard)
            return stdev(ping for ping in heard if abs(ping - middle) < 20) / 5.83

        assert 0.8 < spread_mm(1500.0) < 1.3
        assert 1.2 < spread_mm(200.0) < 2.0

    def test_a_wave_is_missed_more_often_far_away(self) -> None:
        def missed_part(level_mm: float) -> float:
            heard = [ping for ping in pings(lone_ranger(level_mm), 4000) if ping]
            middle = median(heard)
            return sum(18 < ping - middle < 40 for ping in heard) / len(heard)

        assert 0.005 < missed_part(1500.0) < 0.03
        assert missed_part(200.0) > 2.0 * missed_part(1500.0)

    def test_most_are_lost_on_a_wet_face_and_more_come_a_wave_late(self) -> None:
        ranger = lone_ranger()
        dry = median(pings(ranger, 200))
        ranger._headspace.face_lost_part = 0.8
        wet = pings(ranger, 1000)
        heard = [ping for ping in wet if ping]
        assert wet.count(0) / len(wet) == pytest.approx(0.8, abs=0.03)
        assert sum(18 < ping - dry < 40 for ping in heard) / len(heard) > 0.2

    def test_a_rung_answers_for_minutes_at_one_distance_some_times_a_month(self) -> None:
        ranger = lone_ranger(level_mm=20.0, seed=4)
        us_per_mm = ranger.us_per_mm(0)
        spells, caught = 0, False
        near: Counter[int] = Counter()
        for minute in range(90 * 1440):
            burst = ranger.burst_us(minute * MINUTE_MS, 7)
            at_rung = [ping for ping in burst if abs(ping - ranger.obstacle_mm * us_per_mm) < 30]
            spells += len(at_rung) >= 3 and not caught
            caught = len(at_rung) >= 3
            near[len(at_rung)] += 1
        assert 8 <= spells <= 60
        minutes_each = sum(near[n] for n in range(3, 8)) / spells
        assert 1.0 <= minutes_each <= 25.0

    def test_a_rung_under_water_does_not_answer(self) -> None:
        ranger = lone_ranger(level_mm=1550.0)
        ranger._cluster_part = 0.9
        ranger.obstacle_mm = ranger.face_mm - 1500.0
        quiet = lone_ranger(level_mm=1550.0)
        assert median(pings(ranger, 300)) == pytest.approx(median(pings(quiet, 300)), abs=1.0)
        ranger.obstacle_mm = ranger.face_mm - 1640.0
        assert median(pings(ranger, 300)) < median(pings(quiet, 300)) - 400

    def test_running_water_makes_waves_that_a_burst_cannot_average_away(self) -> None:
        def wander_mm(hose_l_min: float) -> float:
            ranger = lone_ranger()
            ranger._water.hose_l_ms = hose_l_min / 60_000.0
            return pstdev(median(ranger.burst_us(0, 7)) for _ in range(2000)) / 5.83

        assert 0.3 < wander_mm(0.0) < 0.9
        assert wander_mm(15.0) > wander_mm(0.0) + 0.3

    def test_waves_leave_the_mean_where_it_is(self) -> None:
        still, moved = lone_ranger(), lone_ranger()
        moved._water.hose_l_ms = 15.0 / 60_000.0
        means = [fmean(median(ranger.burst_us(0, 7)) for _ in range(3000)) for ranger in (still, moved)]
        assert means[1] == pytest.approx(means[0], abs=1.5)

    def test_the_same_seed_hears_the_same_and_another_another(self) -> None:
        def heard(seed: int) -> list[list[int]]:
            sensors = Sensors(plant(days=3, seed=6), seed)
            return [sensors.echo_burst_us(0, 5) for _ in range(50)]

        assert heard(1) == heard(1)
        assert heard(1) != heard(2)

    def test_the_face_sits_as_near_its_declared_height_as_it_was_measured(self) -> None:
        def off_mm(sd_mm: float) -> float:
            subject = quiet_plant()
            return pstdev(Sensors(subject, seed, sd_mm).face_mm(0) for seed in range(60))

        assert off_mm(2.0) == pytest.approx(2.0, rel=0.35)
        assert off_mm(0.5) == pytest.approx(0.5, rel=0.35)


class TestRangerFaults:
    def test_a_drift_grows_from_day_to_day(self) -> None:
        subject = quiet_plant(hours=400)
        sensors, ranger = Sensors(subject, 1), Sensors(subject, 1).rangers[0]
        subject.faults.echo_drift_mm_day[0] = 2.0
        sensors.echo_burst_us(0, 7)
        subject.advance(10 * DAY_MS)
        drifted = fmean(median(sensors.echo_burst_us(0, 7)) for _ in range(300))
        sound = fmean(median(ranger.burst_us(subject.now_ms, 7)) for _ in range(300))
        assert (drifted - sound) / ranger.us_per_mm(subject.now_ms) == pytest.approx(20.0, abs=0.5)

    def test_something_over_the_water_catches_most_pings(self) -> None:
        subject = quiet_plant()
        sensors = Sensors(subject, 1)
        subject.faults.echo_false_mm[0] = 500.0
        heard = [ping for _ in range(200) for ping in sensors.echo_burst_us(0, 7)]
        expected_us = 500.0 * sensors.rangers[0].us_per_mm(0)
        assert median(heard) == pytest.approx(expected_us, abs=2.0)
        assert 0.85 < sum(abs(ping - expected_us) < 40 for ping in heard) / len(heard) < 0.95

    def test_a_part_of_the_pings_may_be_lost(self) -> None:
        subject = quiet_plant()
        sensors = Sensors(subject, 1)
        subject.faults.echo_lost_part[0] = 0.6
        heard = [ping for _ in range(400) for ping in sensors.echo_burst_us(0, 7)]
        assert heard.count(0) / len(heard) == pytest.approx(0.61, abs=0.04)

    def test_faults_of_one_ranger_leave_the_other_alone(self) -> None:
        second = replace(TANK, id="second", sensor_channel=1, float_switch_channel=None)
        subject = quiet_plant(site=replace(SITE, tanks=(TANK, second)))
        sensors = Sensors(subject, 1)
        before = median(sensors.echo_burst_us(1, 7))
        subject.faults.echo_false_mm[0] = 400.0
        subject.faults.echo_drift_mm_day[0] = 50.0
        assert median(sensors.echo_burst_us(1, 7)) == pytest.approx(before, abs=30)


class TestHose:
    def test_it_runs_for_its_minutes_and_is_booked_as_external(self) -> None:
        subject = quiet_plant()
        subject.hand_fill("main", 12.0, 20.0)
        subject.advance(10 * MINUTE_MS)
        assert subject.truth.external_l == pytest.approx(120.0)
        subject.advance(2 * HOUR_MS)
        assert subject.truth.external_l == pytest.approx(240.0)
        assert subject.water_balance_error_l() == pytest.approx(0.0, abs=1e-9)

    def test_what_a_full_tank_cannot_hold_overflows(self) -> None:
        subject = quiet_plant(fill=1.0)
        subject.hand_fill("main", 10.0, 5.0)
        subject.advance(HOUR_MS)
        assert subject.truth.overflow_l == pytest.approx(50.0, abs=0.5)

    def test_another_takes_the_place_of_one_that_runs(self) -> None:
        subject = quiet_plant()
        subject.hand_fill("main", 10.0, 60.0)
        subject.advance(10 * MINUTE_MS)
        subject.hand_fill("main", 5.0, 10.0)
        subject.advance(2 * HOUR_MS)
        assert subject.truth.external_l == pytest.approx(150.0)


def test_a_slow_valve_takes_its_time_both_ways() -> None:
    subject = quiet_plant()
    subject.faults.valve_slow_s[0] = 15.0
    subject.set_valve(0, True)
    subject.advance(14_000)
    assert not subject.truth.valve_open(0)
    subject.advance(15_000)
    assert subject.truth.valve_open(0)
    subject.set_valve(0, False)
    subject.advance(29_000)
    assert subject.truth.valve_open(0)
    subject.advance(30_000)
    assert not subject.truth.valve_open(0)


def test_two_tanks_have_airs_of_their_own() -> None:
    shallow = with_tank(id="main")
    second = replace(TANK, id="second", sensor_channel=1, float_switch_channel=None)
    subject = Plant(
        replace(shallow, tanks=(*shallow.tanks, second)), steady_weather(temperature_c=25.0), 1, START_WALL_MS
    )
    subject.tanks["second"].set_volume(50.0)
    for air in subject.headspaces.values():
        air.water_c = 10.0
    subject.advance(12 * HOUR_MS)
    assert subject.headspaces["second"].water_c > subject.headspaces["main"].water_c
