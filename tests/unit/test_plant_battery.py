"""What time, cold, age and a bad charger do to the plant's battery."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random
from statistics import fmean

import pytest

from controller.site.model import Chemistry
from simulator.plant.power import Bank
from tests.unit.plant_site import SITE, quiet_plant

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
LEAD: tuple[Chemistry, ...] = ("flooded", "agm")
ALL: tuple[Chemistry, ...] = (*LEAD, "lifepo4")


def bank(chemistry: Chemistry = "agm", soc: float = 0.6, air_c: float = 25.0, seed: int = 1) -> Bank:
    battery = Bank(replace(SITE.battery, chemistry=chemistry), Random(seed), air_c)
    battery.charge_ah = soc * battery.capacity_ah
    return battery


def run(battery: Bank, panel_a: float, load_a: float, hours: float) -> None:
    """Hours of the same sun and load, looked at each quarter of an hour as the plant does."""
    for _ in range(round(4.0 * hours)):
        battery.set_currents(panel_a, load_a)
        battery.pass_time(HOUR_MS / 4)


def above_rest_v(battery: Bank) -> float:
    return battery.terminal_v() - battery.rested_v(battery.soc)


class TestRecovery:
    @pytest.mark.parametrize("chemistry", ALL)
    def test_after_a_load_the_voltage_jumps_then_rises_for_minutes_then_for_hours(self, chemistry: Chemistry) -> None:
        battery = bank(chemistry)
        run(battery, 0.0, 5.0, 2.0)
        loaded, ohm = above_rest_v(battery), battery.resistance_ohm
        battery.set_currents(0.0, 0.0)
        at_once = above_rest_v(battery)
        battery.pass_time(20 * MINUTE_MS)
        after_minutes = above_rest_v(battery)
        battery.pass_time(8 * HOUR_MS)
        after_hours = above_rest_v(battery)
        assert loaded < at_once < after_minutes < after_hours <= 0.0
        assert at_once - loaded == pytest.approx(5.0 * ohm)
        assert after_minutes - at_once > 0.01
        assert after_hours - after_minutes > 0.005

    def test_many_short_steps_come_to_the_same_as_a_long_one(self) -> None:
        short, long = bank(), bank()
        for battery in (short, long):
            battery.set_currents(3.0, 0.5)
        long.pass_time(HOUR_MS / 4)
        for step in range(10):
            for part_ms in (7_000, 83_000):
                short.pass_time(part_ms if step % 2 else 90_000 - part_ms)
        assert short.charge_ah == pytest.approx(long.charge_ah, abs=1e-12)
        assert short.terminal_v() == pytest.approx(long.terminal_v(), abs=1e-12)

    def test_a_load_eats_surface_charge_faster_than_rest_lets_it_fade(self) -> None:
        resting, loaded = bank(soc=0.7), bank(soc=0.7)
        for battery in (resting, loaded):
            run(battery, 4.0, 0.0, 3.0)
        run(resting, 0.0, 0.0, 2.0)
        run(loaded, 0.0, 1.0, 2.0)
        assert loaded.slow_v < 0.2 * resting.slow_v
        assert resting.slow_v > 0.05


class TestResistance:
    @pytest.mark.parametrize("chemistry", ALL)
    def test_it_grows_in_the_cold_near_empty_and_with_age(self, chemistry: Chemistry) -> None:
        def ohm(soc: float = 0.6, air_c: float = 25.0, fade: float = 0.0) -> float:
            battery = bank(chemistry, soc, air_c)
            battery.set_fade(fade)
            battery.set_currents(0.0, 0.0)
            return battery.resistance_ohm

        assert ohm(air_c=-5.0) > 1.3 * ohm()
        assert ohm(soc=0.05) > 1.5 * ohm()
        assert ohm(fade=0.4) > 1.3 * ohm()


class TestCharging:
    @pytest.mark.parametrize("chemistry", ALL)
    def test_less_of_it_is_kept_the_fuller_the_battery(self, chemistry: Chemistry) -> None:
        kept = []
        for soc in (0.5, 0.85, 0.97):
            battery = bank(chemistry, soc)
            battery.set_currents(1.0, 0.0)
            before, net = battery.charge_ah, battery.net_a
            battery.pass_time(MINUTE_MS)
            kept.append((battery.charge_ah - before) * 60.0 / net)
        assert all(later <= earlier + 1e-9 for earlier, later in pairwise(kept))
        assert kept[2] < kept[0] < 1.0

    @pytest.mark.parametrize("chemistry", ALL)
    def test_the_charger_holds_its_voltage_near_full_and_the_current_tails_off(self, chemistry: Chemistry) -> None:
        battery = bank(chemistry, soc=0.5)
        run(battery, 4.0, 0.0, 1.0)
        assert battery.net_a == 4.0
        assert battery.terminal_v() < battery.absorb_v - 0.5
        held_at: list[float] = []
        for _ in range(80):
            run(battery, 4.0, 0.0, 0.25)
            assert battery.terminal_v() <= battery.absorb_v
            if battery.net_a < 4.0:
                held_at.append(battery.soc)
        assert 0.8 < held_at[0] < 0.999
        assert battery.terminal_v() == pytest.approx(battery.absorb_v, abs=0.03)
        assert battery.net_a < 0.03 * battery.capacity_ah
        assert battery.soc > 0.97

    def test_lithium_takes_no_charge_below_freezing(self) -> None:
        cold, warm = bank("lifepo4", 0.4, -3.0), bank("lifepo4", 0.4, 3.0)
        for battery in (cold, warm):
            battery.set_currents(4.0, 0.2)
        assert cold.net_a == 0.0
        assert warm.net_a == pytest.approx(3.8)

    @pytest.mark.parametrize("chemistry", ALL)
    def test_a_dead_charger_leaves_the_battery_to_the_load(self, chemistry: Chemistry) -> None:
        battery = bank(chemistry)
        battery.charger_dead = True
        battery.set_currents(5.0, 0.4)
        assert battery.net_a == pytest.approx(-0.4)

    @pytest.mark.parametrize("chemistry", LEAD)
    def test_a_charger_that_stops_too_low_never_fills_the_battery(self, chemistry: Chemistry) -> None:
        sound, low = bank(chemistry), bank(chemistry)
        low.charger_stop_v = 13.0
        for battery in (sound, low):
            for _ in range(30):
                run(battery, 4.0, 0.2, 7.0)
                assert battery.terminal_v() <= battery.charger_stop_v
                run(battery, 0.0, 0.2, 17.0)
        assert low.soc < sound.soc - 0.05

    def test_a_charger_that_does_not_stop_drives_a_full_battery_too_high(self) -> None:
        battery = bank(soc=0.9)
        battery.charger_stop_v = 15.6
        run(battery, 4.0, 0.0, 24.0)
        assert battery.absorb_v + 0.3 < battery.terminal_v() <= 15.6


class TestLosses:
    @pytest.mark.parametrize(("chemistry", "least", "most"), [("flooded", 4, 8), ("agm", 1, 3), ("lifepo4", 1, 3)])
    def test_self_discharge_is_some_per_cent_a_month_when_warm_and_half_of_it_10_k_colder(
        self, chemistry: Chemistry, least: float, most: float
    ) -> None:
        # Common practice, no source.
        lost = []
        for air_c in (25.0, 15.0):
            battery = bank(chemistry, 1.0, air_c)
            for _ in range(30):
                run(battery, 0.0, 0.0, 24.0)
            lost.append(100.0 * (1.0 - battery.soc))
        assert 0.95 * least < lost[0] <= most
        assert lost[1] == pytest.approx(0.5 * lost[0], rel=0.03)

    def test_cold_locks_up_a_part_of_the_charge_and_gives_it_back_when_warm(self) -> None:
        battery = bank(soc=0.12, air_c=-10.0)
        assert battery.usable_capacity_ah < 0.9 * battery.capacity_ah
        run(battery, 0.0, 2.0, 10.0)
        assert battery.is_empty
        assert battery.soc > 0.05
        assert battery.terminal_v() <= 9.0
        for _ in range(48):
            battery.pass_hour(25.0)
        assert not battery.is_empty
        assert battery.terminal_v() > 10.0

    def test_a_battery_follows_the_air_with_hours_of_lag(self) -> None:
        battery = bank(air_c=20.0)
        battery.pass_hour(0.0)
        assert 16.0 < battery.battery_c < 19.0
        for _ in range(48):
            battery.pass_hour(0.0)
        assert battery.battery_c < 0.5

    def test_a_fade_takes_capacity_and_leaves_the_voltage_and_the_share_that_is_charged(self) -> None:
        battery = bank()
        volts, capacity_ah = battery.terminal_v(), battery.capacity_ah
        battery.set_fade(0.25)
        assert battery.capacity_ah == pytest.approx(0.75 * capacity_ah)
        assert battery.soc == pytest.approx(0.6)
        assert battery.terminal_v() == pytest.approx(volts)


class TestInThePlant:
    def test_knobs_reach_the_battery(self) -> None:
        subject = quiet_plant(sun_w_m2=500.0)
        faults, capacity_ah = subject.faults, subject.truth.battery_capacity_ah
        subject.bank.charge_ah = 0.5 * capacity_ah
        subject.refresh()
        subject.advance(4 * HOUR_MS)
        assert subject.bank.net_a > 0.5
        faults.charger_dead, faults.battery_fade = True, 0.3
        subject.refresh()
        assert subject.bank.net_a < 0.0
        assert subject.truth.battery_capacity_ah == pytest.approx(0.7 * capacity_ah)
        faults.charger_dead, faults.charger_low_v = False, 12.0
        subject.refresh()
        assert subject.bank.net_a == 0.0
        faults.charger_low_v, faults.charger_high_v = None, 15.5
        subject.refresh()
        assert subject.bank.net_a > 0.5
        assert subject.bank.charger_stop_v == 15.5

    def test_truth_tells_the_charge_what_can_be_drawn_and_where_the_voltage_would_rest(self) -> None:
        subject = quiet_plant(temperature_c=5.0)
        truth = subject.truth
        assert truth.battery_c == pytest.approx(5.0)
        assert truth.battery_usable_ah < truth.battery_soc * truth.battery_capacity_ah
        assert truth.battery_open_v == subject.bank.rested_v(truth.battery_soc)
        assert truth.battery_open_v > truth.battery_v - 0.1

    def test_the_electronics_take_one_and_a_half_to_three_watts_another_each_hour(self) -> None:
        means = []
        for seed in range(20):
            subject = quiet_plant(seed)
            taken_w = []
            for hour in range(1, 48):
                subject.advance(hour * HOUR_MS + MINUTE_MS)
                taken_w.append(-subject.bank.net_a * subject.truth.battery_v)
            assert len({round(watts, 3) for watts in taken_w}) > 10
            assert 1.45 < min(taken_w) < max(taken_w) < 3.05
            means.append(fmean(taken_w))
        assert max(means) - min(means) > 0.5

    def test_a_week_without_charging_empties_what_a_week_with_it_keeps(self) -> None:
        kept, dead = quiet_plant(sun_w_m2=120.0), quiet_plant(sun_w_m2=120.0)
        dead.faults.charger_dead = True
        for subject in (kept, dead):
            subject.refresh()
            subject.advance(7 * DAY_MS)
        assert dead.truth.battery_soc < kept.truth.battery_soc - 0.3
