"""How well a storm's catch is measured, and how many storms a blocked gutter or gauge stays unnoticed.

The tank is lived with and drawn down at dawn, so that most storms find room in it. Rivals see the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from statistics import median
from typing import NamedTuple

from controller.estimate.catch import RoofYield
from controller.estimate.storm import Storm, StormGauge
from simulator.trials.sites import upright_site
from simulator.trials.table import TrialRow
from simulator.trials.tank_year import DAY_MS, Sample, TankYear

SEASONS = tuple(date(2026, month, 10) for month in (1, 3, 5, 7, 9, 11))
LEARNING_DAYS, TRIAL_DAYS = 45, 105
SMALLEST_MM = 5.0
JUDGED_MM = 2.0
"""A storm of less rain is not counted as one in which a blocked gutter could have been noticed."""
LOST_PART = 0.30
RIVAL_PART = 0.2
"""The rival says that the gutter is blocked when a storm brings so much less than the declared figures promise."""
NEVER = math.inf


class Caught(NamedTuple):
    """One storm as measured, by us and by the last readings before the first tip and after the last, and as it was."""

    storm: Storm
    by_ends_l: float
    true_l: float
    true_overflow_l: float


def storms(year: TankYear, faulty_from_ms: int | None = None, gutter: float = 0.0) -> Iterator[Caught]:
    """The storms of a year; from a time on part of the catch is lost, or (a gutter of 0) the rain gauge is blocked."""
    gauge = StormGauge()
    inflow_l = overflow_l = before_l = last_l = 0.0
    faulty = False
    for sample in year.samples():
        was_under_way = gauge.under_way
        storm = gauge.observe(sample.mono_ms, sample.volume_l, sample.rain_mm, sample.drawn_l, sample.full)
        if gauge.under_way and not was_under_way:
            before_l = last_l
        last_l = _last_reading_l(sample, last_l)
        if storm is not None:
            spilled_l = sample.true_overflow_l - overflow_l
            yield Caught(storm, last_l - before_l, sample.true_inflow_l - inflow_l, spilled_l)
            inflow_l, overflow_l = sample.true_inflow_l, sample.true_overflow_l
        if faulty_from_ms is not None and not faulty and sample.mono_ms >= faulty_from_ms and not gauge.under_way:
            faulty = True
            if gutter:
                year.plant.faults.gutter_blocked[year.site.roofs[0].id] = gutter
            else:
                year.plant.faults.rain_gauge_blocked = True


def _last_reading_l(sample: Sample, before_l: float) -> float:
    return before_l if sample.seen is None else sample.seen.volume_l


def _year(seed: int, days: int) -> TankYear:
    return TankYear(upright_site(), seed, SEASONS[seed % len(SEASONS)], days, thirsty=True)


def _yield(year: TankYear) -> RoofYield:
    gauge = year.site.rain_gauge
    return RoofYield(year.site.roofs, gauge.mm_per_tip if gauge is not None else 0.0)


class Measured(NamedTuple):
    """Relative errors of storms of 5 mm and more that found room, ours and by ends; how many findings were false."""

    ours: list[float]
    by_ends: list[float]
    false: int
    rival_false: int


def sound_gutter(seed: int, days: int = TRIAL_DAYS) -> Measured:
    """A gutter and gauge in order: errors of the catch, and every finding is false."""
    year = _year(seed, days)
    roofs, declared = _yield(year), _yield(year)
    ours: list[float] = []
    by_ends: list[float] = []
    false = rival_false = 0
    for caught in storms(year):
        storm, healthy = caught.storm, not roofs.trouble
        roofs.take(storm)
        false += healthy and bool(roofs.trouble)
        if storm.caught_l is None or storm.spilled:
            continue
        rival_false += _rival_finds(declared, caught)
        if storm.rain_mm >= SMALLEST_MM:
            ours.append(storm.caught_l / caught.true_l - 1.0)
            by_ends.append(caught.by_ends_l / caught.true_l - 1.0)
    return Measured(ours, by_ends, false, rival_false)


def _rival_finds(declared: RoofYield, caught: Caught) -> bool:
    storm = caught.storm
    expected_l = declared.expected(storm.rain_mm, storm.dry_h).volume_l
    return storm.rain_mm >= JUDGED_MM and caught.by_ends_l < (1.0 - RIVAL_PART) * expected_l


def storms_to_find(seed: int, gutter: float = LOST_PART) -> tuple[float, float]:
    """Storms with room until a gutter that begins to lose a part after six weeks is found, by us and by the rival.

    With a `gutter` of 0 it is the gauge that is blocked, and what is counted are rises of the tank.
    """
    year = _year(seed, TRIAL_DAYS)
    roofs, declared = _yield(year), _yield(year)
    begins_ms = LEARNING_DAYS * DAY_MS
    counted, ours, rival = 0, NEVER, NEVER
    for caught in storms(year, begins_ms, gutter):
        storm = caught.storm
        roofs.take(storm)
        if storm.began_ms <= begins_ms or storm.caught_l is None or storm.spilled:
            continue
        if gutter and storm.rain_mm < JUDGED_MM:
            continue
        counted += 1
        if roofs.trouble == ("gutter" if gutter else "gauge"):
            ours = min(ours, counted)
        if gutter and _rival_finds(declared, caught):
            rival = min(rival, counted)
        if ours < NEVER and (rival < NEVER or not gutter):
            break
    return ours, rival


def overflow_errors(seed: int, days: int = TRIAL_DAYS) -> list[float]:
    """Errors of what storms of 5 mm and more spilled, each as part of what it brought, from a tank that stays full."""
    year = TankYear(upright_site(), seed, SEASONS[seed % len(SEASONS)], days)
    roofs = _yield(year)
    errors = []
    for caught in storms(year):
        storm = caught.storm
        roofs.take(storm)
        if storm.spilled and storm.rain_mm >= SMALLEST_MM:
            errors.append((roofs.spilled(storm).volume_l - caught.true_overflow_l) / caught.true_l)
    return errors


def rms(errors: Sequence[float]) -> float:
    return math.sqrt(sum(error * error for error in errors) / len(errors))


def rows(seeds: Sequence[int]) -> list[TrialRow]:
    """The table's rows."""
    sound = [sound_gutter(seed) for seed in seeds]
    ours = [error for measured in sound for error in measured.ours]
    by_ends = [error for measured in sound for error in measured.by_ends]
    years = len(sound) * TRIAL_DAYS / 365.0
    false = sum(measured.false for measured in sound) / years
    rival_false = sum(measured.rival_false for measured in sound) / years
    gutters = [storms_to_find(seed) for seed in seeds]
    gauges = [storms_to_find(seed, 0.0)[0] for seed in seeds]
    spilled = [error for seed in seeds for error in overflow_errors(seed)]
    ends, declared = "readings at its ends", "declared figures"
    return [
        TrialRow(
            "catch of storms of 5 mm and more: RMS error", {ends: 100 * rms(by_ends)}, 100 * rms(ours), 5, 1.5, "%"
        ),
        TrialRow("overflow of such storms, part of their catch: RMS error", {}, 100 * rms(spilled), 15, 8, "%"),
        TrialRow(
            "gutter that loses 30 %: median storms to find it",
            {declared: median(rival for _, rival in gutters)},
            median(our for our, _ in gutters),
            2,
            1,
            "storms",
        ),
        TrialRow("gutter that loses 30 %: most storms", {}, max(our for our, _ in gutters), 4, 2, "storms"),
        TrialRow("blocked rain gauge: median rises to find it", {}, median(gauges), 3, 2, "rises"),
        TrialRow("gutter and gauge: false findings", {declared: rival_false}, false, 1, 0.3, "a year"),
    ]
