"""How well the volume of a tank is known: the filter against what is usually done with an echo, over weeks of weather.

Plant and sensors are driven directly, a report a minute and one a second while the pump runs. Every trial waters by the
clock in the warm months, is filled with a hose now and then, and is scored after a week, against the true volume.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random
from statistics import median

from controller.estimate.level import CLOUDBURST_MM_MIN, HAND_FILLING_L_MIN, LevelEstimator
from controller.estimate.sound import headspace_speed_m_s
from controller.site.geometry import LevelTable
from controller.site.model import Site
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from simulator.plant.weather import local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather
from simulator.trials.sites import example_site, upright_site
from simulator.trials.table import TrialRow

FACE_SD_MM = 0.5
"""How well the ranger's face is known from commissioning."""
SETTLING_DAYS = 7
DAYS = 28
PINGS = 5
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
RAIN_LASTS_MS = 30 * MINUTE_MS
FULL_PART, NEARLY_FULL, NEARLY_EMPTY = 0.99, 0.8, 0.15
HOSE_L_MIN = 10.0
AFTER_HOSE_MS = 15 * MINUTE_MS
SEASONS = (date(2026, 1, 10), date(2026, 4, 10), date(2026, 7, 10), date(2026, 10, 10))
SMOOTHING = 0.1
SEED_TIMES = 4
RIVALS = ("last reading", "median of 15", "smoothed")


@dataclass
class Errors:
    """Errors of one kind of time, in litres, by who made them."""

    ours: list[float] = field(default_factory=list)
    rivals: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in RIVALS})

    def add(self, ours_l: float, rivals_l: Sequence[float]) -> None:
        self.ours.append(ours_l)
        for name, error_l in zip(RIVALS, rivals_l, strict=True):
            self.rivals[name].append(error_l)

    def extend(self, other: Errors) -> None:
        self.ours += other.ours
        for name in RIVALS:
            self.rivals[name] += other.rivals[name]


@dataclass
class Score:
    """What a trial showed. `inside` and `known` count scored minutes, `hose` the errors while and after it filled."""

    still: Errors = field(default_factory=Errors)
    rain: Errors = field(default_factory=Errors)
    hose: Errors = field(default_factory=Errors)
    known: int = 0
    inside: int = 0
    doubted: int = 0

    def extend(self, other: Score) -> None:
        self.still.extend(other.still)
        self.rain.extend(other.rain)
        self.hose.extend(other.hose)
        self.known += other.known
        self.inside += other.inside
        self.doubted += other.doubted


class Rivals:
    """What is usually done: the last burst's median, a median over 15 of them, exponential smoothing."""

    def __init__(self, height_mm: float, table: LevelTable) -> None:
        self._height_mm = height_mm
        self._table = table
        self._recent_l: deque[float] = deque(maxlen=15)
        self._smoothed_l: float | None = None

    def take(self, burst_us: Sequence[int], probe_c: float | None) -> None:
        heard = sorted(us for us in burst_us if us > 0)
        if not heard:
            return
        speed = headspace_speed_m_s(10.0 if probe_c is None else probe_c)
        seen_l = self._table.volume_l(self._height_mm - heard[len(heard) // 2] * speed / 2000.0)
        self._recent_l.append(seen_l)
        before = self._smoothed_l
        self._smoothed_l = seen_l if before is None else before + SMOOTHING * (seen_l - before)

    def volumes_l(self) -> tuple[float, float, float] | None:
        if self._smoothed_l is None:
            return None
        return self._recent_l[-1], median(self._recent_l), self._smoothed_l


class Trial:
    """One seed's weeks at one tank. `run` plays them; `score` is what came of it."""

    def __init__(self, site: Site, seed: int, start: date, days: int = DAYS) -> None:
        self.site, self.days = site, days
        self._rng = Random(f"{seed} volume trial")
        weather = generate_weather(site.place, start - timedelta(days=1), days + 3, seed)
        self.plant = Plant(
            site, weather, seed, local_midnight_wall_ms(start, site.place), 0.3 + 0.6 * self._rng.random()
        )
        tank = site.tanks[0]
        self.sensors = Sensors(self.plant, seed, FACE_SD_MM)
        table = LevelTable(tank.shape)
        roofs_m2 = sum(roof.area_m2 for roof in site.roofs if roof.tank_id == tank.id)
        self.estimator = LevelEstimator(
            tank,
            table,
            max_inflow_l_min=HAND_FILLING_L_MIN + CLOUDBURST_MM_MIN * roofs_m2,
            dry_inflow_l_min=HAND_FILLING_L_MIN,
            max_draw_l_min=site.pumps[0].max_flow_l_min,
            stale_after_ms=150_000,
        )
        self._rivals = Rivals(tank.sensor_height_mm, table)
        self.score = Score()
        self._tank, self._pump, self._water = tank, site.pumps[0], self.plant.tanks[tank.id]
        self._warm = 4 <= start.month <= 9
        self._pulses = self._tips = 0
        self._l_per_tip = roofs_m2 * (site.rain_gauge.mm_per_tip if site.rain_gauge else 0.0)
        self._rained_ms = -DAY_MS
        self._hosed_ms = -DAY_MS
        self._score_from_ms = min(SETTLING_DAYS, days // 2) * DAY_MS
        self._scored_ms = -MINUTE_MS

    def run(self) -> Score:
        """Play all days."""
        for day in range(self.days):
            self._play_day(day * DAY_MS)
        return self.score

    def _play_day(self, midnight_ms: int) -> None:
        rng = self._rng
        seconds = rng.randint(60, 240) if self._warm else 0
        if self._part() > NEARLY_FULL:
            # Somebody makes room for the next rain.
            seconds = rng.randint(300, 900)
        for hour in (6, 20):
            self.idle_until(midnight_ms + hour * HOUR_MS)
            if seconds and self._part() > NEARLY_EMPTY:
                for zone in rng.sample(self.site.zones, 3):
                    self.water_zone(zone.valve.output, seconds)
        if rng.random() < (0.15 if self._warm else 0.04) and self._part() < 0.5:
            self.idle_until(midnight_ms + 21 * HOUR_MS + 30 * MINUTE_MS)
            self._hose(rng.randint(15, 45))
        self.idle_until(midnight_ms + DAY_MS)

    def _part(self) -> float:
        """How full the tank is."""
        return self.plant.truth.volume_l(self._tank.id) / self._water.overflow_volume_l

    def idle_until(self, end_ms: int) -> None:
        """A report a minute."""
        now_ms = self.plant.now_ms
        while now_ms < end_ms:
            now_ms += MINUTE_MS
            self.report(now_ms)

    def water_zone(self, output: int, seconds: int) -> None:
        """Pump through a zone's valve, a report a second."""
        plant = self.plant
        plant.set_valve(output, True)
        self._report_seconds(3)
        plant.set_pump(self._pump.output, True)
        self._report_seconds(seconds)
        plant.set_pump(self._pump.output, False)
        self._report_seconds(3)
        plant.set_valve(output, False)

    def _report_seconds(self, seconds: int) -> None:
        for _ in range(seconds):
            self.report(self.plant.now_ms + 1000)

    def _hose(self, minutes: int) -> None:
        self.plant.hand_fill(self._tank.id, HOSE_L_MIN, minutes)
        self._hosed_ms = self.plant.now_ms + minutes * MINUTE_MS

    def report(self, now_ms: int) -> None:
        """Let time pass and feed everybody one report."""
        self.plant.advance(now_ms)
        sensors, channel = self.sensors, self._tank.sensor_channel
        burst_us = sensors.echo_burst_us(channel, PINGS)
        centi_c = sensors.temperature_centi_c(0)
        probe_c = None if centi_c is None else centi_c / 100.0
        drawn_l = 0.0
        meter = self._pump.flow_meter
        if meter is not None:
            pulses = sensors.flow_pulses(meter.channel)
            drawn_l = (pulses - self._pulses) / meter.pulses_per_l
            self._pulses = pulses
        tips = sensors.rain_tips()
        if tips != self._tips:
            self.estimator.rained((tips - self._tips) * self._l_per_tip)
            self._tips, self._rained_ms = tips, now_ms
        self.estimator.observe(burst_us, probe_c, now_ms, drawn_l, now_ms - self._rained_ms < RAIN_LASTS_MS)
        self._rivals.take(burst_us, probe_c)
        if now_ms >= self._score_from_ms and now_ms - self._scored_ms >= MINUTE_MS:
            self._scored_ms = now_ms
            self._take_score(now_ms)

    def _take_score(self, now_ms: int) -> None:
        reading = self.estimator.reading(now_ms)
        rivals_l = self._rivals.volumes_l()
        if reading.volume_l is None or reading.sd_l is None or rivals_l is None:
            return
        true_l = self.plant.truth.volume_l(self._tank.id)
        if true_l > FULL_PART * self._water.overflow_volume_l:
            # Brimful it cannot be wrong: no estimate goes beyond the overflow.
            return
        error_l = reading.volume_l - true_l
        kind = self.score.still
        if self._water.inflow_l_ms > 0.0:
            kind = self.score.rain
        elif now_ms < self._hosed_ms + AFTER_HOSE_MS:
            kind = self.score.hose
        kind.add(error_l, [volume_l - true_l for volume_l in rivals_l])
        self.score.known += 1
        self.score.inside += abs(error_l) <= 2.0 * reading.sd_l
        self.score.doubted += reading.quality != "good"


def rms(errors_l: Sequence[float]) -> float:
    """Root of the mean square; nan of nothing."""
    return math.sqrt(sum(e * e for e in errors_l) / len(errors_l)) if errors_l else math.nan


def worst_of_thousand(errors_l: Sequence[float]) -> float:
    """The size that 99.9 % of the errors do not exceed."""
    return sorted(map(abs, errors_l))[int(0.999 * (len(errors_l) - 1))]


def score(site: Site, seeds: Sequence[int], days: int = DAYS) -> Score:
    """All seeds, each in one of the seasons, in turn."""
    total = Score()
    for number, seed in enumerate(seeds):
        total.extend(Trial(site, seed, SEASONS[number % len(SEASONS)], days).run())
    return total


def rows(seeds: Sequence[int], days: int = DAYS) -> list[TrialRow]:
    """The table's rows for the upright tank, whose bounds are promised, and for the lying one beside it.

    Most of an error lasts as long as its seed's ranger and probe do, so that a share of truths inside the uncertainty
    takes many seeds: four times as many as asked for.
    """
    many = range(seeds[0], seeds[0] + SEED_TIMES * len(seeds))
    return [
        *_rows("1.9 m3 upright", score(upright_site(), many, days)),
        *_rows("lying", score(example_site(), many, days)),
    ]


def _rows(tank: str, total: Score) -> list[TrialRow]:
    def row(what: str, measure: object, errors: Errors, must: float, aim: float) -> TrialRow:
        naive = {name: measure(errors.rivals[name]) for name in RIVALS}  # type: ignore[operator]
        return TrialRow(f"{tank}: {what}", naive, measure(errors.ours), must, aim, "L")  # type: ignore[operator]

    inside = 100.0 * total.inside / total.known
    return [
        row("volume RMSE, idle and drawing", rms, total.still, 3.0, 1.9),
        row("volume, 99.9 % error", worst_of_thousand, total.still, 8.0, 5.0),
        row("volume RMSE, raining in", rms, total.rain, 7.0, 3.0),
        TrialRow(f"{tank}: truth off 95 % inside 2 sd", {}, abs(inside - 95.0), 2.0, 1.0, "%"),
    ]
