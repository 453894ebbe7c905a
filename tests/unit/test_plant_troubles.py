"""The seven ways in which each sensor of a plant goes wrong: level, flow, battery, temperature and rain."""

from __future__ import annotations

from collections.abc import Callable
from statistics import median
from typing import get_args

import pytest

from simulator.plant.faults import Quantity, SensorTrouble, TroubleKind
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from tests.unit.plant_site import quiet_plant

SECOND_MS = 1000
MINUTE_MS = 60 * SECOND_MS
COUNTERS: tuple[Quantity, ...] = ("flow", "rain")


class Bench:
    """A plant in steady rain with water running through its meter, read every ten seconds."""

    def __init__(self, rain_mm_h: float = 20.0) -> None:
        self.plant: Plant = quiet_plant(rain_mm_h=rain_mm_h)
        self.sensors = Sensors(self.plant, 1)
        self.plant.set_valve(0, True)
        self.plant.advance(5 * SECOND_MS)
        self.plant.set_pump(0, True)
        self.read: dict[Quantity, Callable[[], float | None]] = {
            "echo": lambda: median(self.sensors.echo_burst_us(0, 7)),
            "flow": lambda: self.sensors.flow_pulses(0),
            "battery": self.sensors.battery_mv,
            "temperature": lambda: self.sensors.temperature_centi_c(0),
            "rain": self.sensors.rain_tips,
        }

    def trouble(self, quantity: Quantity, kind: TroubleKind, amount: float = 1.0) -> None:
        self.plant.faults.sensor[quantity, 0] = SensorTrouble(kind, amount)

    def heal(self) -> None:
        self.plant.faults.sensor.clear()

    def readings(self, quantity: Quantity, minutes: float) -> list[float | None]:
        found = []
        for _ in range(round(6 * minutes)):
            self.plant.advance(self.plant.now_ms + 10 * SECOND_MS)
            found.append(self.read[quantity]())
        return found

    def numbers(self, quantity: Quantity, minutes: float) -> list[float]:
        return [reading for reading in self.readings(quantity, minutes) if reading is not None]

    def grown(self, quantity: Quantity, minutes: float) -> float:
        """How far a counter comes in some minutes."""
        before = self.numbers(quantity, 1 / 6)[-1]
        return self.numbers(quantity, minutes)[-1] - before


def healthy_growth(quantity: Quantity, minutes: float) -> float:
    return Bench().grown(quantity, minutes)


class TestOff:
    def test_a_ranger_hears_nothing_and_a_probe_and_the_divider_give_nothing(self) -> None:
        bench = Bench()
        for quantity in ("echo", "battery", "temperature"):
            bench.trouble(quantity, "off")
        assert bench.sensors.echo_burst_us(0, 5) == [0] * 5
        assert bench.readings("battery", 1.0) == [None] * 6
        assert bench.readings("temperature", 1.0) == [None] * 6

    @pytest.mark.parametrize("kind", ["off", "stuck"])
    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_stands_still(self, quantity: Quantity, kind: TroubleKind) -> None:
        bench = Bench()
        bench.readings(quantity, 20.0)
        bench.trouble(quantity, kind)
        assert bench.grown(quantity, 20.0) == 0.0

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_what_a_counter_missed_stays_missed_when_it_counts_again(self, quantity: Quantity) -> None:
        bench, sound = Bench(), Bench()
        total = sound.grown(quantity, 60.0)
        before = bench.grown(quantity, 20.0)
        bench.trouble(quantity, "off")
        bench.readings(quantity, 20.0)
        bench.heal()
        after = bench.grown(quantity, 20.0)
        assert before == pytest.approx(total / 3.0, rel=0.1, abs=2.0)
        assert after == pytest.approx(total / 3.0, rel=0.1, abs=2.0)
        assert bench.numbers(quantity, 1 / 6)[-1] < 0.75 * sound.numbers(quantity, 1 / 6)[-1]


class TestStuck:
    @pytest.mark.parametrize("quantity", ["echo", "battery", "temperature"])
    def test_a_sensor_repeats_its_first_reading_and_lets_go_when_healed(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "stuck")
        stuck = bench.numbers(quantity, 5.0)
        bench.plant.set_volume("main", 400.0)
        bench.plant.headspaces["main"].probed_c += 8.0
        bench.plant.bank.charge_ah *= 0.5
        assert set(bench.numbers(quantity, 5.0)) == set(stuck)
        assert len(set(stuck)) == 1
        bench.heal()
        bench.plant.refresh()
        assert bench.numbers(quantity, 1.0)[-1] != stuck[0]

    def test_a_burst_of_another_length_still_has_as_many_pings_as_were_asked_for(self) -> None:
        bench = Bench()
        bench.trouble("echo", "stuck")
        bench.sensors.echo_burst_us(0, 3)
        assert len(bench.sensors.echo_burst_us(0, 7)) == 7


class TestGarbage:
    @pytest.mark.parametrize(("quantity", "least_spread"), [("echo", 3000), ("battery", 10_000), ("temperature", 9000)])
    def test_a_sensor_says_anything(self, quantity: Quantity, least_spread: float) -> None:
        bench = Bench()
        bench.trouble(quantity, "garbage")
        found = bench.numbers(quantity, 20.0)
        assert max(found) - min(found) > least_spread

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_counts_what_is_not_there_but_never_goes_back(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "garbage", 20.0)
        found = bench.numbers(quantity, 20.0)
        assert found == sorted(found)
        # 120 reads, each with ten more on average.
        assert found[-1] - found[0] - healthy_growth(quantity, 20.0) == pytest.approx(1200.0, rel=0.15)


class TestWrong:
    def test_a_ranger_is_off_by_so_many_millimetres(self) -> None:
        bench = Bench()
        sound = median(bench.numbers("echo", 1.0))
        bench.trouble("echo", "wrong", -50.0)
        shift_us = median(bench.numbers("echo", 1.0)) - sound
        assert shift_us / bench.sensors.rangers[0].us_per_mm(bench.plant.now_ms) == pytest.approx(-50.0, abs=4.0)

    def test_a_lost_ping_stays_lost(self) -> None:
        bench = Bench()
        bench.plant.faults.echo_silent.add(0)
        bench.trouble("echo", "wrong", 100.0)
        assert bench.sensors.echo_burst_us(0, 5) == [0] * 5

    @pytest.mark.parametrize(("quantity", "amount", "steps"), [("battery", 0.6, 600), ("temperature", 7.0, 700)])
    def test_a_probe_and_the_divider_are_off_by_kelvins_and_volts(
        self, quantity: Quantity, amount: float, steps: float
    ) -> None:
        bench, sound = Bench(), Bench()
        bench.trouble(quantity, "wrong", amount)
        pairs = zip(bench.numbers(quantity, 2.0), sound.numbers(quantity, 2.0), strict=True)
        assert median(wrong - right for wrong, right in pairs) == pytest.approx(steps, abs=20)

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_is_off_by_a_factor(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "wrong", 0.5)
        assert bench.grown(quantity, 60.0) == pytest.approx(0.5 * healthy_growth(quantity, 60.0), rel=0.03, abs=1.5)


class TestSlow:
    def test_a_ranger_follows_a_change_over_minutes(self) -> None:
        bench = Bench(rain_mm_h=0.0)
        bench.plant.set_pump(0, False)
        bench.trouble("echo", "slow", 300.0)
        before = median(bench.numbers("echo", 1.0))
        bench.plant.set_volume("main", 500.0)
        after_one_constant = bench.numbers("echo", 5.0)[-1]
        settled = median(bench.numbers("echo", 60.0)[-20:])
        assert settled - before > 2000
        assert (after_one_constant - before) / (settled - before) == pytest.approx(0.632, abs=0.03)

    def test_a_voltage_follows_a_load_over_minutes(self) -> None:
        bench, sound = Bench(), Bench()
        bench.trouble("battery", "slow", 120.0)
        for each in (bench, sound):
            each.readings("battery", 2.0)
            each.plant.set_pump(0, False)
        at_once, late = sound.numbers("battery", 1 / 6)[0], bench.numbers("battery", 1 / 6)[0]
        assert late < at_once - 30

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_lags_by_its_time_constant_and_loses_nothing(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "slow", 600.0)
        shown = bench.grown(quantity, 60.0)
        whole = healthy_growth(quantity, 60.0)
        # A ramp is followed one time constant behind, less what is still to come of that at the start.
        assert shown == pytest.approx(whole * (1.0 - 10.0 / 60.0), rel=0.05, abs=2.0)


class TestDelayed:
    def test_a_ranger_shows_the_level_of_some_time_ago(self) -> None:
        bench = Bench(rain_mm_h=0.0)
        bench.plant.set_pump(0, False)
        bench.trouble("echo", "delayed", 120.0)
        before = median(bench.numbers("echo", 3.0))
        bench.plant.set_volume("main", 500.0)
        found = bench.numbers("echo", 5.0)
        assert max(abs(reading - before) for reading in found[:11]) < 100
        assert min(abs(reading - before) for reading in found[13:]) > 2000

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_shows_the_count_of_some_time_ago(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "delayed", 900.0)
        assert bench.grown(quantity, 14.0) == 0.0
        assert bench.grown(quantity, 46.0) == pytest.approx(healthy_growth(quantity, 45.0), rel=0.06, abs=2.0)


class TestIntermittent:
    @pytest.mark.parametrize("quantity", ["battery", "temperature"])
    def test_a_part_of_the_readings_is_missing(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "intermittent", 0.4)
        found = bench.readings(quantity, 60.0)
        assert found.count(None) / len(found) == pytest.approx(0.4, abs=0.08)

    def test_a_ranger_is_silent_in_a_part_of_its_bursts(self) -> None:
        bench = Bench()
        bench.trouble("echo", "intermittent", 0.4)
        silent = sum(bench.sensors.echo_burst_us(0, 5) == [0] * 5 for _ in range(500))
        assert silent / 500 == pytest.approx(0.4, abs=0.07)

    @pytest.mark.parametrize("quantity", COUNTERS)
    def test_a_counter_misses_a_part(self, quantity: Quantity) -> None:
        bench = Bench()
        bench.trouble(quantity, "intermittent", 0.4)
        assert bench.grown(quantity, 100.0) == pytest.approx(0.6 * healthy_growth(quantity, 100.0), rel=0.12, abs=2.0)


@pytest.mark.parametrize("kind", get_args(TroubleKind))
@pytest.mark.parametrize("quantity", get_args(Quantity))
def test_one_seed_goes_wrong_in_one_way(quantity: Quantity, kind: TroubleKind) -> None:
    def found() -> list[float | None]:
        bench = Bench()
        bench.trouble(quantity, kind, 0.5)
        return bench.readings(quantity, 10.0)

    assert found() == found()


@pytest.mark.parametrize("kind", get_args(TroubleKind))
@pytest.mark.parametrize("quantity", get_args(Quantity))
def test_a_trouble_is_to_be_seen_in_what_its_sensor_says(quantity: Quantity, kind: TroubleKind) -> None:
    bench, sound = Bench(), Bench()
    bench.trouble(quantity, kind, 300.0 if kind in ("slow", "delayed") else 0.5)
    for each in (bench, sound):
        each.plant.advance(MINUTE_MS)
        each.read[quantity]()
        each.plant.set_volume("main", 500.0)
        each.plant.headspaces["main"].probed_c += 5.0
    assert bench.readings(quantity, 10.0) != sound.readings(quantity, 10.0)
