"""The plant as a whole: books that balance, pumps against valves, faults, and what the sensors make of it."""

from __future__ import annotations

from dataclasses import replace
from statistics import fmean, median

import pytest

from controller.site.model import Rectangle, Site
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from tests.unit.plant_site import SITE, plant, quiet_plant, with_tank

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


def open_and_pump(subject: Plant, valve: int, seconds: int) -> None:
    """Open a valve, wait its travel out, pump, then stop and shut."""
    subject.set_valve(valve, True)
    subject.advance(subject.now_ms + 5000)
    subject.set_pump(0, True)
    subject.advance(subject.now_ms + 1000 * seconds)
    subject.set_pump(0, False)
    subject.set_valve(valve, False)
    subject.advance(subject.now_ms + 5000)


class TestBooks:
    def test_a_year_of_weather_and_watering_balances(self) -> None:
        subject = plant(days=366, seed=11)
        subject.faults.leak_l_h["main"] = 0.2
        for day in range(365):
            subject.advance(day * DAY_MS + 6 * HOUR_MS)
            for valve in range(3):
                open_and_pump(subject, valve, 200)
            if day % 60 == 0:
                subject.set_volume("main", 400.0 if day % 120 == 0 else 1800.0)
        subject.advance(365 * DAY_MS)
        truth = subject.truth
        assert min(truth.roof_catch_l, truth.overflow_l, truth.drawn_l, truth.leaked_l, truth.evaporated_l) > 10.0
        assert abs(subject.water_balance_error_l()) < 1e-6

    def test_the_balance_notices_missing_water(self) -> None:
        subject = quiet_plant()
        subject.tanks["main"].volume_l -= 1.0
        assert subject.water_balance_error_l() == pytest.approx(1.0)

    def test_what_the_pump_draws_is_what_the_zones_get(self) -> None:
        subject = quiet_plant()
        for valve in range(3):
            open_and_pump(subject, valve, 300)
        applied = sum(subject.truth.zone(zone.id).applied_l for zone in SITE.zones)
        assert applied == pytest.approx(subject.truth.drawn_l)
        assert applied > 20.0

    def test_the_size_of_steps_changes_nothing(self) -> None:
        coarse, fine = plant(days=5, seed=4), plant(days=5, seed=4)
        coarse.advance(4 * DAY_MS)
        for minute in range(1, 4 * 1440 + 1):
            fine.advance(minute * 60_000)
            if minute % 7 == 0:
                fine.settle()
        assert fine.truth.volume_l("main") == pytest.approx(coarse.truth.volume_l("main"), abs=1e-9)
        assert fine.truth.battery_soc == pytest.approx(coarse.truth.battery_soc, abs=1e-9)

    def test_the_same_seed_gives_the_same_plant_and_another_another(self) -> None:
        def volumes(seed: int) -> list[float]:
            subject = plant(days=10, seed=seed)
            found = []
            for day in range(9):
                subject.advance(day * DAY_MS)
                found.append(subject.truth.volume_l("main"))
            return found

        assert volumes(2) == volumes(2)
        assert volumes(2) != volumes(3)

    def test_time_does_not_go_back(self) -> None:
        subject = quiet_plant()
        subject.advance(5000)
        with pytest.raises(ValueError, match="cannot go back"):
            subject.advance(4999)


class TestRain:
    def test_rain_on_the_roof_arrives_in_the_tank(self) -> None:
        subject = quiet_plant(rain_mm_h=1.0)
        opening = subject.truth.volume_l("main")
        subject.advance(10 * HOUR_MS)
        roof = subject.roofs[0]
        expected = (10.0 - 0.3) * roof.event_coefficient * 18.0 - 0.5 * 18.0
        swollen_l = subject.tanks["main"].swollen_l
        assert abs(swollen_l) < 0.5
        assert subject.truth.volume_l("main") - opening - swollen_l == pytest.approx(expected)
        assert subject.truth.rain_mm == pytest.approx(10.0)

    def test_a_full_tank_overflows_at_its_overflow_height(self) -> None:
        subject = quiet_plant(fill=0.99, rain_mm_h=5.0)
        subject.advance(5 * HOUR_MS)
        assert subject.truth.level_mm("main") == pytest.approx(1600.0)
        assert subject.truth.overflow_l > 300.0

    def test_a_start_within_an_hour_gets_that_hours_share_of_rain(self) -> None:
        whole = quiet_plant(rain_mm_h=2.0)
        late = Plant(SITE, whole.weather, 1, whole.start_wall_ms + 45 * 60_000)
        late.advance(15 * 60_000)
        assert late.truth.rain_mm == pytest.approx(0.5)


class TestPumping:
    def test_a_pump_with_an_open_valve_gives_about_the_declared_flow(self) -> None:
        flows = []
        for seed in range(20):
            subject = quiet_plant(seed)
            open_and_pump(subject, 0, 600)
            flows.append(subject.truth.drawn_l / 10.0)
        assert fmean(flows) == pytest.approx(SITE.zones[0].rated_flow_l_min, rel=0.03)
        assert max(flows) - min(flows) > 0.02

    def test_a_pump_against_shut_valves_moves_nothing_and_suffers(self) -> None:
        subject = quiet_plant()
        subject.set_pump(0, True)
        subject.advance(10_000)
        pump = subject.truth.pump(0)
        assert (pump.running, pump.dead_headed, pump.flow_l_min) == (True, True, 0.0)
        assert pump.dead_head_ms == 10_000
        assert subject.truth.drawn_l == 0.0

    def test_an_open_valve_without_the_pump_moves_nothing(self) -> None:
        subject = quiet_plant()
        subject.set_valve(0, True)
        subject.advance(HOUR_MS)
        assert subject.truth.valve_open(0)
        assert subject.truth.drawn_l == 0.0

    def test_a_valve_is_open_once_its_travel_is_over(self) -> None:
        subject = quiet_plant()
        subject.set_valve(0, True)
        subject.advance(3000)
        assert not subject.truth.valve_open(0)
        subject.advance(5000)
        assert subject.truth.valve_open(0)

    def test_a_pump_stops_giving_when_the_water_is_at_its_suction(self) -> None:
        subject = quiet_plant()
        suction_l = subject.tanks["main"].suction_volume_l
        subject.set_volume("main", suction_l + 1.0)
        open_and_pump(subject, 0, 120)
        assert subject.truth.drawn_l == pytest.approx(1.0)
        assert subject.truth.volume_l("main") == pytest.approx(suction_l)
        assert subject.truth.pump(0).dry_ms > 60_000
        assert not subject.truth.above_suction("main")

    def test_pumping_costs_charge(self) -> None:
        costs_ah = []
        for seed in range(20):
            idle, pumping = quiet_plant(seed), quiet_plant(seed)
            pumping.set_valve(0, True)
            pumping.set_pump(0, True)
            for subject in (idle, pumping):
                subject.advance(HOUR_MS)
            costs_ah.append((idle.truth.battery_soc - pumping.truth.battery_soc) * idle.bank.capacity_ah)
        # 4 A for the pump and 0.3 A for the held valve, a little less for a zone that takes a fifth of the pump's flow.
        assert fmean(costs_ah) == pytest.approx(4.3, rel=0.06)
        assert 0.2 < max(costs_ah) - min(costs_ah) < 1.0

    def test_losing_power_stops_pumps_and_shuts_held_valves_but_not_latching_ones(self) -> None:
        latching = replace(SITE.zones[1], valve=replace(SITE.zones[1].valve, kind="latching"))
        subject = quiet_plant(site=replace(SITE, zones=(SITE.zones[0], latching, SITE.zones[2])))
        subject.set_valve(0, True)
        subject.set_valve(1, True)
        subject.advance(5000)
        subject.set_pump(0, True)
        subject.lose_power()
        subject.advance(10_000)
        assert subject.truth.valves_open == (1,)
        assert not subject.truth.pump(0).running

    def test_zones_of_another_tank_do_not_relieve_a_pump(self) -> None:
        second = replace(SITE.tanks[0], id="second", sensor_channel=1, float_switch_channel=None)
        moved = replace(SITE.zones[0], tank_id="second")
        subject = quiet_plant(site=replace(SITE, tanks=(*SITE.tanks, second), zones=(moved, *SITE.zones[1:])))
        subject.set_valve(0, True)
        subject.advance(5000)
        subject.set_pump(0, True)
        subject.advance(6000)
        assert subject.truth.pump(0).dead_headed


class TestFaults:
    def test_a_valve_stuck_shut_leaves_the_pump_without_an_outlet(self) -> None:
        subject = quiet_plant()
        subject.faults.valve_stuck[0] = False
        open_and_pump(subject, 0, 60)
        assert subject.truth.drawn_l == 0.0
        assert subject.truth.pump(0).dead_head_ms >= 60_000

    def test_a_valve_stuck_open_takes_its_share_of_anothers_water(self) -> None:
        subject = quiet_plant()
        subject.faults.valve_stuck[2] = True
        open_and_pump(subject, 0, 60)
        assert subject.truth.zone("salad").applied_l > 1.0
        assert subject.truth.zone("bench").applied_l > 1.0

    def test_a_valve_freed_again_goes_where_it_is_driven(self) -> None:
        subject = quiet_plant()
        subject.faults.valve_stuck[2] = True
        subject.refresh()
        assert subject.truth.valve_open(2)
        del subject.faults.valve_stuck[2]
        subject.refresh()
        assert not subject.truth.valve_open(2)

    def test_a_dead_pump_moves_nothing(self) -> None:
        subject = quiet_plant()
        subject.faults.pump_dead.add(0)
        open_and_pump(subject, 0, 60)
        assert subject.truth.drawn_l == 0.0

    def test_a_welded_relay_runs_the_pump_whatever_the_pin_says(self) -> None:
        subject = quiet_plant()
        subject.set_valve(0, True)
        subject.advance(5000)
        subject.faults.pump_welded.add(0)
        subject.refresh()
        subject.advance(65_000)
        assert subject.truth.drawn_l == pytest.approx(2.0, rel=0.1)

    def test_a_leak_takes_its_rate(self) -> None:
        subject = quiet_plant()
        subject.faults.leak_l_h["main"] = 5.0
        subject.refresh()
        subject.advance(DAY_MS)
        assert subject.truth.leaked_l == pytest.approx(120.0)

    def test_half_clogged_emitters_give_half_and_a_burst_pipe_more(self) -> None:
        def drawn(**faults: dict[str, float]) -> float:
            subject = quiet_plant()
            for name, value in faults.items():
                setattr(subject.faults, name, value)
            open_and_pump(subject, 0, 300)
            return subject.truth.drawn_l

        sound = drawn()
        assert drawn(emitters_clogged={"bench": 0.5}) == pytest.approx(0.5 * sound, rel=0.01)
        assert drawn(pipe_burst={"bench": 2.0}) > 1.8 * sound

    def test_a_shaded_panel_charges_less(self) -> None:
        clear, shaded = (quiet_plant(sun_w_m2=400.0) for _ in range(2))
        for subject in (clear, shaded):
            subject.bank.charge_ah = 0.4 * subject.bank.capacity_ah
        shaded.faults.panel_shaded = 0.9
        for subject in (clear, shaded):
            subject.refresh()
            subject.advance(12 * HOUR_MS)
        assert shaded.bank.charged_ah < 0.2 * clear.bank.charged_ah


def sound_m_s(subject: Plant) -> float:
    return subject.headspaces["main"].sound_m_s(subject.now_ms)


def sensed(subject: Plant, seed: int = 1) -> Sensors:
    return Sensors(subject, seed)


class TestSensors:
    def test_echoes_mean_the_distance_to_the_water_at_the_headspaces_speed_of_sound(self) -> None:
        subject = quiet_plant()
        sensors = sensed(subject)
        heard = [median(sensors.echo_burst_us(0, 7)) for _ in range(200)]
        distance_mm = fmean(heard) * sound_m_s(subject) / 2000.0
        # The face sits a few millimetres off where it was declared.
        assert 1900.0 - subject.truth.level_mm("main") == pytest.approx(distance_mm, abs=7.0)

    def test_some_pings_are_lost_and_some_come_back_too_early(self) -> None:
        subject = quiet_plant()
        sensors = sensed(subject)
        pings = [ping for _ in range(1500) for ping in sensors.echo_burst_us(0, 7)]
        usual = median(pings)
        assert 0.005 < sum(ping == 0 for ping in pings) / len(pings) < 0.04
        assert 0.001 < sum(0 < ping < 0.95 * usual for ping in pings) / len(pings) < 0.01

    def test_a_surface_in_the_blind_zone_is_heard_as_something_nearer_than_it(self) -> None:
        subject = quiet_plant(site=with_tank(sensor_height_mm=1700.0), fill=1.0)
        burst = sensed(subject).echo_burst_us(0, 20)
        assert max(burst) * sound_m_s(subject) / 2000.0 <= 250.0

    def test_a_surface_beyond_reach_is_not_heard(self) -> None:
        deep = with_tank(shape=Rectangle(500.0, 500.0, 6000.0), sensor_height_mm=6200.0, overflow_mm=5900.0)
        assert sensed(quiet_plant(site=deep, fill=0.05)).echo_burst_us(0, 5).count(0) >= 4

    def test_ranger_faults_are_silence_repetition_and_a_jump(self) -> None:
        subject = quiet_plant()
        sensors, faults = sensed(subject), subject.faults
        before = sensors.echo_burst_us(0, 7)
        faults.echo_frozen.add(0)
        subject.set_volume("main", 200.0)
        assert sensors.echo_burst_us(0, 7) == before
        faults.echo_frozen.clear()
        settled = median(sensors.echo_burst_us(0, 7))
        faults.echo_jump_mm[0] = 100.0
        further = median(sensors.echo_burst_us(0, 7)) - settled
        assert further == pytest.approx(2e5 / sound_m_s(subject), abs=25)
        faults.echo_silent.add(0)
        assert sensors.echo_burst_us(0, 7) == [0] * 7

    def test_pulses_count_the_water_by_a_factor_slightly_off_the_declared(self) -> None:
        factors = []
        for seed in range(20):
            subject = quiet_plant(seed)
            open_and_pump(subject, 1, 1200)
            factors.append(sensed(subject).flow_pulses(0) / subject.truth.drawn_l)
        assert fmean(factors) == pytest.approx(450.0, rel=0.01)
        assert 1.0 < max(factors) - min(factors) < 40.0

    def test_a_dead_meter_counts_nothing_and_a_phantom_counts_without_water(self) -> None:
        subject = quiet_plant()
        subject.faults.flow_meter_dead.add(0)
        open_and_pump(subject, 0, 60)
        sensors = sensed(subject)
        assert sensors.flow_pulses(0) == 0
        subject.faults.flow_phantom_l_h[0] = 2.0
        subject.advance(subject.now_ms + HOUR_MS)
        assert sensors.flow_pulses(0) == pytest.approx(900, rel=0.05)

    def test_tips_count_the_rain(self) -> None:
        subject = quiet_plant(rain_mm_h=4.0)
        sensors = sensed(subject)
        subject.advance(10 * HOUR_MS)
        assert sensors.rain_tips() == pytest.approx(40.0 / 0.2794, rel=0.08)

    def test_a_blocked_gauge_misses_what_falls_meanwhile(self) -> None:
        subject = quiet_plant(rain_mm_h=4.0)
        sensors = sensed(subject)
        subject.advance(HOUR_MS)
        before = sensors.rain_tips()
        subject.faults.rain_gauge_blocked = True
        subject.advance(2 * HOUR_MS)
        assert sensors.rain_tips() == before
        subject.faults.rain_gauge_blocked = False
        subject.advance(3 * HOUR_MS)
        assert sensors.rain_tips() - before == pytest.approx(4.0 / 0.2794, abs=2.0)

    def test_the_battery_reading_is_within_two_per_cent_of_the_terminals(self) -> None:
        for seed in range(10):
            subject = quiet_plant(seed)
            reading = sensed(subject, seed).battery_mv()
            assert reading == pytest.approx(1000.0 * subject.truth.battery_v, rel=0.02)

    def test_a_motor_just_started_pulls_the_voltage_down_for_a_moment(self) -> None:
        subject = quiet_plant()
        subject.set_valve(0, True)
        subject.advance(5000)
        subject.set_pump(0, True)
        at_start = subject.supply_v()
        subject.advance(6000)
        assert at_start < subject.supply_v() - 0.2

    def test_bad_and_frozen_readings_are_what_was_asked_for(self) -> None:
        subject = quiet_plant()
        sensors, faults = sensed(subject), subject.faults
        faults.battery_frozen_mv = 12_345
        assert sensors.battery_mv() == 12_345
        faults.battery_bad = True
        assert sensors.battery_mv() is None
        faults.temperature_frozen[0] = 21.5
        assert sensors.temperature_centi_c(0) == 2150
        faults.temperature_bad.add(0)
        assert sensors.temperature_centi_c(0) is None

    def test_the_float_tells_water_above_the_suction(self) -> None:
        subject = quiet_plant()
        sensors = sensed(subject)
        assert sensors.float_wet(0)
        subject.set_volume("main", 10.0)
        assert not sensors.float_wet(0)
        subject.faults.float_stuck[0] = True
        assert sensors.float_wet(0)

    def test_the_probe_reads_the_air_within_a_degree(self) -> None:
        subject = quiet_plant(temperature_c=18.0)
        subject.advance(6 * HOUR_MS)
        reading = sensed(subject).temperature_centi_c(0)
        assert reading == pytest.approx(1800, abs=100)

    def test_the_shunt_shows_the_load_at_night_and_the_panel_reads_nothing(self) -> None:
        for seed in range(10):
            subject = quiet_plant(seed)
            sensors = sensed(subject, seed)
            # 1.5 to 3 W at about 12.7 V, through a shunt that is a few tens of milliamperes off.
            assert -320 < sensors.current_ma() < -60
            assert sensors.current_ma() == pytest.approx(1000.0 * subject.bank.net_a, abs=60)
            assert sensors.panel_mv() == 0


def test_without_panel_gauge_and_meter_the_plant_still_runs() -> None:
    bare = replace(SITE, panel=None, rain_gauge=None, pumps=(replace(SITE.pumps[0], flow_meter=None),))
    subject = quiet_plant(site=bare)
    subject.advance(DAY_MS)
    open_and_pump(subject, 0, 60)
    assert subject.truth.drawn_l > 1.0
    assert abs(subject.water_balance_error_l()) < 1e-9


def test_adding_a_zone_changes_nothing_for_the_others() -> None:
    fewer: Site = replace(SITE, zones=SITE.zones[:2])
    assert quiet_plant(site=fewer).roots["row"].capacity_mm == quiet_plant().roots["row"].capacity_mm
