"""A tank lived with, in virtual time: rain, watering, cans and hoses, sampled every few minutes for months.

Plant and sensors are driven directly, and the level estimator with them. Whoever wants to judge something that works
on volumes takes the samples; what is true stands beside what is estimated.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from random import Random
from typing import NamedTuple

from controller.estimate.apparent import Apparent, apparent_volume
from controller.estimate.level import LevelEstimator, LevelReading
from controller.site.geometry import LevelTable
from controller.site.model import Site
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from simulator.plant.weather import local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather

PINGS = 5
SAMPLE_MS = 480_000
PUMPING_STEP_MS = 15_000
LONGEST_RUN_REPORTS = 60
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
RAIN_LASTS_MS = 30 * 60_000
FACE_SD_MM = 0.5
CLOUDBURST_MM_MIN, HAND_FILLING_L_MIN = 2.0, 30.0
FULL_WITHIN_L, FULL_WITHIN_SDS = 4.0, 3.0
"""A tank that is so near its overflow may be spilling."""
CAN_L = 10.0
HOSE_L_MIN = 10.0


class Sample(NamedTuple):
    """What is known every few minutes, and what is so.

    volume_l is None unless it is good, and `seen` is what the last burst seemed to show; `drawn_l` and `rain_mm` are
    since the sample before.
    """

    mono_ms: int
    volume_l: float | None
    sd_l: float
    seen: Apparent | None
    probe_c: float | None
    drawn_l: float
    rain_mm: float
    flowing: bool
    full: bool
    true_l: float
    true_inflow_l: float
    true_overflow_l: float


class TankYear:
    """One seed's time at one tank. `samples` plays it; between samples `plant.faults` may be changed.

    people      whether somebody takes a can of water now and then, or fills the tank with a hose
    watering    whether zones are watered in the warm months
    thirsty     whether a tank more than half full is drawn down at dawn, so that it seldom spills
    """

    def __init__(
        self,
        site: Site,
        seed: int,
        start: date,
        days: int,
        *,
        people: bool = True,
        watering: bool = True,
        thirsty: bool = False,
    ) -> None:
        self.site, self.days = site, days
        self._rng = Random(f"{seed} tank year")
        weather = generate_weather(site.place, start - timedelta(days=1), days + 3, seed)
        self.plant = Plant(
            site, weather, seed, local_midnight_wall_ms(start, site.place), 0.4 + 0.4 * self._rng.random()
        )
        self.sensors = Sensors(self.plant, seed, FACE_SD_MM)
        self._start = start
        self._people, self._watering, self._thirsty = people, watering, thirsty
        self._tank = tank = site.tanks[0]
        self.table = LevelTable(tank.shape)
        self.capacity_l = self.table.volume_l(tank.overflow_mm)
        self.water = self.plant.tanks[tank.id]
        self._pump = site.pumps[0]
        roofs_m2 = sum(roof.area_m2 for roof in site.roofs)
        self._level = LevelEstimator(
            tank,
            self.table,
            max_inflow_l_min=HAND_FILLING_L_MIN + CLOUDBURST_MM_MIN * roofs_m2,
            max_draw_l_min=self._pump.max_flow_l_min,
            stale_after_ms=3 * SAMPLE_MS,
        )
        self._pulses = self._tips = 0
        self._rained_ms = -DAY_MS
        self.burst_us: list[int] = []
        self.reading = self._level.reading(0)
        self._mm_per_tip = site.rain_gauge.mm_per_tip if site.rain_gauge else 0.0
        self._drawn_l = self._rain_mm = 0.0

    def samples(self) -> Iterator[Sample]:
        """Play all days."""
        for day in range(self.days):
            midnight_ms = day * DAY_MS
            if self._thirsty:
                yield from self._until(midnight_ms + 4 * HOUR_MS)
                if self.water.volume_l > 0.5 * self.capacity_l:
                    self._irrigate(self.site.zones[0].valve.output, HOUR_MS)
            warm = 4 <= date.fromordinal(self._start.toordinal() + day).month <= 9
            if warm and self._watering:
                yield from self._until(midnight_ms + 6 * HOUR_MS)
                for zone in self._rng.sample(self.site.zones, 3):
                    self._irrigate(zone.valve.output, self._rng.randint(60, 240) * 1000)
            if self._people and self._rng.random() < 0.05:
                yield from self._until(midnight_ms + self._rng.randint(9 * 60, 20 * 60) * 60_000)
                self.plant.set_volume(self._tank.id, self.plant.truth.volume_l(self._tank.id) - CAN_L)
            if warm and self._people and self._rng.random() < 0.02:
                yield from self._until(midnight_ms + 21 * HOUR_MS)
                for _ in range(self._rng.randint(15, 45)):
                    self.plant.set_volume(self._tank.id, self.plant.truth.volume_l(self._tank.id) + HOSE_L_MIN)
                    self._report(self.plant.now_ms + 60_000)
            yield from self._until(midnight_ms + DAY_MS)

    def _until(self, end_ms: int) -> Iterator[Sample]:
        while self.plant.now_ms < end_ms:
            self._report(min(end_ms, (self.plant.now_ms // SAMPLE_MS + 1) * SAMPLE_MS))
            yield self._sample()

    def _irrigate(self, output: int, running_ms: int) -> None:
        plant = self.plant
        plant.set_valve(output, True)
        plant.advance(plant.now_ms + 3000)
        plant.set_pump(self._pump.output, True)
        step_ms = max(PUMPING_STEP_MS, running_ms // LONGEST_RUN_REPORTS)
        for _ in range(running_ms // step_ms):
            self._report(plant.now_ms + step_ms)
        plant.set_pump(self._pump.output, False)
        plant.set_valve(output, False)

    def _report(self, now_ms: int) -> None:
        """Let time pass and take one burst."""
        self.plant.advance(now_ms)
        sensors, tank, meter = self.sensors, self._tank, self._pump.flow_meter
        drawn_l = 0.0
        if meter is not None:
            pulses = sensors.flow_pulses(meter.channel)
            drawn_l = (pulses - self._pulses) / meter.pulses_per_l
            self._pulses = pulses
            self._drawn_l += drawn_l
        tips = sensors.rain_tips()
        if tips != self._tips:
            self._rain_mm += (tips - self._tips) * self._mm_per_tip
            self._tips, self._rained_ms = tips, now_ms
        self.burst_us = sensors.echo_burst_us(tank.sensor_channel, PINGS)
        self._level.observe(self.burst_us, self._probe_c(), now_ms, drawn_l, self._raining)

    @property
    def _raining(self) -> bool:
        return self.plant.now_ms - self._rained_ms < RAIN_LASTS_MS

    def _probe_c(self) -> float | None:
        centi_c = self.sensors.temperature_centi_c(0)
        return None if centi_c is None else centi_c / 100.0

    def _seen(self, reading: LevelReading) -> Apparent | None:
        probe_c = self._probe_c()
        if probe_c is None or reading.level_mm is None:
            return None
        return apparent_volume(self._tank, self.table, self.burst_us, probe_c, reading.level_mm)

    def _sample(self) -> Sample:
        now_ms = self.plant.now_ms
        self.reading = reading = self._level.reading(now_ms)
        good = reading.quality == "good" and reading.volume_l is not None and not reading.at_or_above
        drawn_l, rain_mm = self._drawn_l, self._rain_mm
        self._drawn_l = self._rain_mm = 0.0
        self.plant.settle()
        return Sample(
            now_ms,
            reading.volume_l if good else None,
            reading.sd_l or 0.0,
            self._seen(reading) if good else None,
            self._probe_c(),
            drawn_l,
            rain_mm,
            self._raining,
            (reading.volume_l or 0.0) > self.capacity_l - max(FULL_WITHIN_L, FULL_WITHIN_SDS * (reading.sd_l or 0.0)),
            self.water.volume_l,
            self.water.inflow_l,
            self.water.overflow_l,
        )
