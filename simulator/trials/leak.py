"""How soon the leak test finds a leak, how often it cries wolf, and how it fares by the rules of tank gauging.

The tank is lived with: rain, watering by a meter that is off, cans taken and hoses left in it. Rivals see the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from random import Random
from statistics import median
from typing import NamedTuple

from controller.estimate.leak import LeakWatch, paired_loss
from simulator.trials.leak_statistics import LeakTestQuality, quality
from simulator.trials.sites import upright_site
from simulator.trials.table import TrialRow
from simulator.trials.tank_year import DAY_MS, HOUR_MS, Sample, TankYear

SEASONS = tuple(date(2026, month, 10) for month in (1, 3, 5, 7, 9, 11))
SETTLING_DAYS, TRIAL_DAYS = 8, 16
FIFTH_OF_A_GALLON_L_H = 0.757
THRESHOLD_L_H = FIFTH_OF_A_GALLON_L_H / 2.0
PAIRED_HOURS = 6
"""A day's test ends with as many pairs of hours a day apart."""
STRETCH_H = 24 + PAIRED_HOURS
GAUGING_DAYS = 40
NIGHT_FROM_H, NIGHT_H = 22, 7
NIGHT_FALL_L = 3.0
NEVER_H = math.inf
OURS, DIFFERENCE, SLOPE = "ours", "night's difference", "night's slope"


class NightRival:
    """One quiet night's readings: first less last against a fixed fall, or a straight line against a fixed rate."""

    def __init__(self) -> None:
        self._night: list[tuple[float, float]] = []

    def take(self, sample: Sample, midnight_ms: int) -> float | None:
        """A sample; at the end of a quiet night the readings' fall in litres an hour, by `slope` or by ends."""
        hour = (sample.mono_ms - midnight_ms) / HOUR_MS % 24.0
        since_h = (hour - NIGHT_FROM_H) % 24.0
        if since_h >= NIGHT_H:
            night, self._night = self._night, []
            return self._judge(night) if len(night) > NIGHT_H else None
        if sample.flowing or sample.drawn_l > 0.0:
            self._night = [(math.nan, math.nan)]
        elif sample.seen is not None:
            self._night.append((since_h, sample.seen.volume_l))
        return None

    def _judge(self, night: list[tuple[float, float]]) -> float | None:
        raise NotImplementedError


class EndsRival(NightRival):
    """First less last reading."""

    def _judge(self, night: list[tuple[float, float]]) -> float | None:
        fall_l = night[0][1] - night[-1][1]
        return None if math.isnan(fall_l) else fall_l / NIGHT_H


class LineRival(NightRival):
    """Least squares through all readings."""

    def _judge(self, night: list[tuple[float, float]]) -> float | None:
        rate_l_h = -_slope(night)
        return None if math.isnan(rate_l_h) else rate_l_h


def _slope(points: Sequence[tuple[float, float]]) -> float:
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    return sum((x - mean_x) * (y - mean_y) for x, y in points) / sum((x - mean_x) ** 2 for x, _ in points)


def feed(watch: LeakWatch, sample: Sample) -> None:
    """Give the leak test one sample."""
    seen = sample.seen
    volume_l, litres_per_k = (None, 0.0) if seen is None else seen
    watch.observe(sample.mono_ms, volume_l, litres_per_k, sample.probe_c, sample.drawn_l, sample.flowing)


class Alarms(NamedTuple):
    """When each declared a leak, in ms; a second time only after it had not for a day."""

    times_ms: dict[str, list[int]]

    def first_after_h(self, who: str, since_ms: int) -> float:
        """Hours from `since_ms` to the first alarm after it."""
        return next(((t - since_ms) / HOUR_MS for t in self.times_ms[who] if t > since_ms), NEVER_H)


class _Watchers:
    """Ours and the rivals, side by side."""

    def __init__(self) -> None:
        self.watch = LeakWatch()
        self._rivals = {DIFFERENCE: (EndsRival(), NIGHT_FALL_L / NIGHT_H), SLOPE: (LineRival(), THRESHOLD_L_H)}
        self.alarms = Alarms({OURS: [], DIFFERENCE: [], SLOPE: []})

    def take(self, sample: Sample) -> None:
        quiet = self.watch.state == "none"
        feed(self.watch, sample)
        if quiet and self.watch.state == "leaking":
            self.alarms.times_ms[OURS].append(sample.mono_ms)
        for name, (rival, limit_l_h) in self._rivals.items():
            rate_l_h = rival.take(sample, 0)
            if rate_l_h is not None and rate_l_h > limit_l_h:
                self.alarms.times_ms[name].append(sample.mono_ms)


def tight_year(seed: int, days: int = 365, start: date = date(2026, 1, 1)) -> Alarms:
    """A year without a leak: every alarm is false."""
    watchers = _Watchers()
    for sample in TankYear(upright_site(), seed, start, days).samples():
        watchers.take(sample)
    return watchers.alarms


def hours_to_find(seed: int, leak_l_h: float) -> dict[str, float]:
    """Hours until a leak that begins at some time of the ninth day is found, by who found it."""
    year = TankYear(upright_site(), seed, SEASONS[seed % len(SEASONS)], TRIAL_DAYS)
    begins_ms = SETTLING_DAYS * DAY_MS + Random(f"{seed} {leak_l_h} leak").randrange(DAY_MS)
    watchers, begun_ms = _Watchers(), 0
    tank_id = year.site.tanks[0].id
    for sample in year.samples():
        watchers.take(sample)
        if not begun_ms and sample.mono_ms >= begins_ms:
            begun_ms = sample.mono_ms
            year.plant.faults.leak_l_h[tank_id] = leak_l_h
            year.plant.refresh()
    return {name: watchers.alarms.first_after_h(name, begun_ms) for name in watchers.alarms.times_ms}


class GaugingErrors(NamedTuple):
    """Measured less induced rates of one-day tests, L/h: ours from pairs a day apart, the rival's from one night."""

    paired: list[float]
    night: list[float]


def gauging_errors(seed: int, leak_l_h: float) -> GaugingErrors:
    """All quiet stretches of two months with nobody about and one induced leak, each a test of its own."""
    year = TankYear(upright_site(), seed, SEASONS[seed % len(SEASONS)], GAUGING_DAYS, people=False, watering=False)
    year.plant.faults.leak_l_h[year.site.tanks[0].id] = leak_l_h
    year.plant.refresh()
    errors = GaugingErrors([], [])
    line, hourly, hour_l, settled_ms = LineRival(), list[float | None](), list[float](), 2 * DAY_MS
    hour = settled_ms // HOUR_MS
    for sample in year.samples():
        night_l_h = line.take(sample, 0)
        if night_l_h is not None and sample.mono_ms > 2 * DAY_MS:
            errors.night.append(night_l_h - leak_l_h)
        if sample.flowing or sample.true_l < 100.0:
            settled_ms = sample.mono_ms + 2 * HOUR_MS
        if sample.mono_ms < settled_ms:
            hourly, hour_l, hour = [], [], sample.mono_ms // HOUR_MS
            continue
        if sample.mono_ms // HOUR_MS != hour:
            hour = sample.mono_ms // HOUR_MS
            hourly.append(median(hour_l) if hour_l else None)
            hour_l = []
        if sample.seen is not None:
            hour_l.append(sample.seen.volume_l)
        if len(hourly) == STRETCH_H:
            loss = paired_loss(hourly)
            if loss is not None:
                errors.paired.append(loss.rate_l_h - leak_l_h)
            hourly = []
    return errors


def gauging(seeds: Sequence[int]) -> tuple[LeakTestQuality, LeakTestQuality]:
    """Quality of a one-day test with pairs and of a one-night test, from tight tanks and ones with the leak."""
    paired: list[float] = []
    night: list[float] = []
    for seed in seeds:
        for leak_l_h in (0.0, FIFTH_OF_A_GALLON_L_H):
            errors = gauging_errors(seed, leak_l_h)
            paired += errors.paired
            night += errors.night
    return quality(paired, THRESHOLD_L_H, FIFTH_OF_A_GALLON_L_H), quality(night, THRESHOLD_L_H, FIFTH_OF_A_GALLON_L_H)


def false_alarms_a_year(seeds: Sequence[int], days: int = 365) -> dict[str, float]:
    """False alarms for each year of a tight tank, by who cried."""
    years = [tight_year(seed, days) for seed in seeds]
    return {
        name: sum(len(alarms.times_ms[name]) for alarms in years) / len(years) * 365.0 / days
        for name in (OURS, DIFFERENCE, SLOPE)
    }


def rows(seeds: Sequence[int], years: Sequence[int] | None = None) -> list[TrialRow]:
    """The table's rows. `years` are the seeds of the tight years, a third of the others when left out."""
    alarms = false_alarms_a_year(years if years is not None else seeds[: max(1, len(seeds) // 3)])
    table = [_row("leak test: false alarms", alarms, 1.0, 0.3, "a year")]
    all_found = 1.0
    for leak_l_h, must_h, aim_h in ((0.2, 72.0, 24.0), (0.5, 18.0, 10.0), (1.0, 10.0, 6.0), (5.0, 5.0, 3.0)):
        found = [hours_to_find(seed, leak_l_h) for seed in seeds]
        medians = {name: median([hours[name] for hours in found]) for name in found[0]}
        table.append(_row(f"leak of {leak_l_h} L/h: median time to find", medians, must_h, aim_h, "h"))
        all_found = min(all_found, sum(hours[OURS] < NEVER_H for hours in found) / len(found))
    table.append(
        TrialRow("leaks of 0.2 to 5 L/h found within 7 days", {}, 100.0 * all_found, 100.0, 100.0, "%", "more")
    )
    paired, night = gauging(seeds)
    get: tuple[tuple[str, Callable[[LeakTestQuality], float], float, float], ...] = (
        ("0.757 L/h from one day: detection", lambda found: found.detection, 0.95, 0.99),
        ("0.757 L/h from one day: false alarm", lambda found: found.false_alarm, 0.05, 0.01),
    )
    for name, value, must, aim in get:
        better = "more" if must > 0.5 else "less"
        table.append(TrialRow(name, {"one night": value(night)}, value(paired), must, aim, "", better))  # type: ignore[arg-type]
    return table


def _row(quantity: str, figures: dict[str, float], must: float, aim: float, unit: str) -> TrialRow:
    naive = {name: figure for name, figure in figures.items() if name != OURS}
    return TrialRow(quantity, naive, figures[OURS], must, aim, unit)
