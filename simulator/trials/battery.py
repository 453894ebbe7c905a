"""How well the battery is known: the filter against tables and coulomb counting, over weeks of weather and watering.

Plant and sensors are driven directly, a report a minute and one every ten seconds while the pump runs. Each run feeds
the same battery to two estimators: one sees its voltage alone, the other a shunt and the panel's voltage as well. All
are scored for 60 days, against the part of its true capacity that the battery truly holds. Batteries start
anywhere above half full, and trees take up to a third of the panel's light, which nobody declares.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from math import fsum, sqrt
from random import Random
from statistics import median
from typing import NamedTuple

from controller.estimate.battery import BatteryEstimator, BatteryReading
from controller.estimate.battery_charts import rest_charge_percent, rest_table
from controller.site.load import parse_site
from controller.site.model import Battery, Chemistry, Site
from simulator.example import example_site_text
from simulator.plant.faults import PlantFaults
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from simulator.plant.weather import local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather
from simulator.trials.table import TrialRow

MINUTE_MS = 60_000
DAY_MS = 1440 * MINUTE_MS
WINTER, SUMMER = date(2025, 10, 21), date(2026, 6, 1)
SETTLING_DAYS = {WINTER: 30, SUMMER: 7}
"""Before the errors count: autumn fills a battery now and then, midwinter may not."""
DAYS = 60
MOST_SEEDS, MOST_FAULT_SEEDS = 6, 3
SCORE_EVERY_MS = 10 * MINUTE_MS
PUMP_REPORT_MS = 10_000
ELECTRONICS_A = 2.0 / 12.6
CHEMISTRIES: tuple[Chemistry, ...] = ("flooded", "agm", "lifepo4")
FITTINGS = ("voltage", "shunt")
SUMMER_RUNS_MIN = ((6 * 60, 12), (7 * 60, 12), (20 * 60, 10))
WINTER_RUNS_MIN = ((11 * 60, 4),)
"""Waterings: minute of the day and how many minutes."""


def battery_site(chemistry: Chemistry) -> Site:
    """The example site with another battery."""
    site = parse_site(example_site_text(), "example site")
    flat = chemistry == "lifepo4"
    battery = Battery(
        chemistry=chemistry,
        capacity_ah=50.0 if flat else 80.0,
        disconnect_v=11.6,
        floor_v=11.0,
        resume_v=13.0 if flat else 12.4,
        maximum_v=15.0,
        minimum_charge_percent=20.0 if flat else 50.0,
    )
    return replace(site, battery=battery)


@dataclass(slots=True)
class Errors:
    """Squared errors, and how often the truth lay within two standard deviations."""

    squares: list[float] = field(default_factory=list)
    inside: int = 0

    def add(self, error: float, sd: float = 0.0) -> None:
        self.squares.append(error * error)
        self.inside += abs(error) <= 2.0 * sd

    @property
    def rms(self) -> float:
        return sqrt(fsum(self.squares) / len(self.squares))


@dataclass(slots=True)
class Rivals:
    """What is usually done: a table on the last voltage, a table on the night's lowest, counting from full."""

    battery: Battery
    day: int = -1
    lowest_v: float = 99.0
    nightly: float = 100.0
    counted: float = 100.0

    def take(self, now_ms: int, battery_v: float, current_a: float, elapsed_h: float) -> None:
        if now_ms // DAY_MS != self.day:
            self.day = now_ms // DAY_MS
            self.nightly = rest_charge_percent(rest_table(self.battery), self.lowest_v)
            self.lowest_v = 99.0
        self.lowest_v = min(self.lowest_v, battery_v)
        self.counted += 100.0 * current_a * elapsed_h / self.battery.capacity_ah
        self.counted = min(100.0, max(0.0, self.counted))


class Finding(NamedTuple):
    """Who found what, and when."""

    fitting: str
    found: str
    now_ms: int


def findings_of(reading: BatteryReading) -> list[str]:
    """What a reading says is broken."""
    found = [f"charger {reading.charger_fault}"] if reading.charger_fault else []
    return found + ["frozen"] * reading.frozen + ["faded"] * reading.faded


@dataclass(slots=True)
class Trial:
    """A plant with its sensors, an estimator for each fitting, and who is scored."""

    plant: Plant
    sensors: Sensors
    estimators: dict[str, BatteryEstimator]
    rivals: Rivals
    errors: dict[str, Errors]
    scored_from_ms: int
    findings: list[Finding] = field(default_factory=list)
    standing: set[tuple[str, str]] = field(default_factory=set)
    last_ms: int = 0

    @classmethod
    def of(cls, chemistry: Chemistry, seed: int, start: date, days: int) -> Trial:
        site = battery_site(chemistry)
        weather = generate_weather(site.place, start, days, seed)
        plant = Plant(site, weather, seed, local_midnight_wall_ms(start, site.place))
        # Whoever counts from full does not know that it was not full.
        luck = Random(f"{seed} battery trial")
        plant.bank.charge_ah = luck.uniform(0.5, 1.0) * plant.bank.capacity_ah
        plant.faults.panel_shaded = luck.uniform(0.0, 0.3)
        plant.refresh()
        estimators = {name: BatteryEstimator(site.battery, site.panel, site.place) for name in FITTINGS}
        names = (*FITTINGS, "table, last reading", "table, nightly lowest", "counted")
        return cls(
            plant,
            Sensors(plant, seed),
            estimators,
            Rivals(site.battery),
            {name: Errors() for name in names},
            SETTLING_DAYS.get(start, 0) * DAY_MS,
        )

    def report(self) -> None:
        """One report to all."""
        plant, now_ms = self.plant, self.plant.now_ms
        millivolts = self.sensors.battery_mv()
        battery_v = None if millivolts is None else millivolts / 1000.0
        panel_v, current_a = self.sensors.panel_mv() / 1000.0, self.sensors.current_ma() / 1000.0
        load_a = sum(pump.pump.current_a for pump in plant.pumps.values() if pump.switched_on)
        for name, estimator in self.estimators.items():
            if now_ms >= estimator.sun_due_mono_ms:
                estimator.note_sun(now_ms, plant.wall_ms)
            shunt_a = current_a if name == "shunt" else None
            estimator.observe(battery_v, load_a, now_ms, None if name == "voltage" else panel_v, shunt_a)
        if battery_v is not None:
            self.rivals.take(now_ms, battery_v, current_a, (now_ms - self.last_ms) / (60.0 * MINUTE_MS))
        self.last_ms = now_ms
        if now_ms % SCORE_EVERY_MS == 0 and now_ms >= self.scored_from_ms:
            self.score(now_ms, battery_v)

    def score(self, now_ms: int, battery_v: float | None) -> None:
        truth = 100.0 * self.plant.truth.battery_soc
        readings = {name: estimator.reading(now_ms) for name, estimator in self.estimators.items()}
        for name, reading in readings.items():
            if reading.charge_percent is not None and reading.charge_sd_percent is not None:
                self.errors[name].add(reading.charge_percent - truth, reading.charge_sd_percent)
        rivals = self.rivals
        if battery_v is not None:
            self.errors["table, last reading"].add(rest_charge_percent(rest_table(rivals.battery), battery_v) - truth)
        self.errors["table, nightly lowest"].add(rivals.nightly - truth)
        self.errors["counted"].add(rivals.counted - truth)
        standing = {(name, found) for name, reading in readings.items() for found in findings_of(reading)}
        self.findings += [Finding(*new, now_ms) for new in sorted(standing - self.standing)]
        self.standing = standing

    def run_day(self, runs: Sequence[tuple[int, int]]) -> None:
        """A day from midnight, with its waterings: one valve and the first pump."""
        plant = self.plant
        midnight_ms = plant.now_ms
        output = next(iter(plant.pumps))
        valve = next(iter(plant.valves))
        for start_min, minutes in runs:
            self._reports_until(midnight_ms + start_min * MINUTE_MS, MINUTE_MS)
            plant.set_valve(valve, True)
            self._reports_until(plant.now_ms + PUMP_REPORT_MS, PUMP_REPORT_MS)
            plant.set_pump(output, True)
            self._reports_until(plant.now_ms + minutes * MINUTE_MS, PUMP_REPORT_MS)
            plant.set_pump(output, False)
            plant.set_valve(valve, False)
            self._reports_until(plant.now_ms + MINUTE_MS - PUMP_REPORT_MS, PUMP_REPORT_MS)
        self._reports_until(midnight_ms + DAY_MS, MINUTE_MS)

    def _reports_until(self, until_ms: int, every_ms: int) -> None:
        while self.plant.now_ms + every_ms <= until_ms:
            self.plant.advance(self.plant.now_ms + every_ms)
            self.report()


def runs_of(start: date) -> tuple[tuple[int, int], ...]:
    return SUMMER_RUNS_MIN if start == SUMMER else WINTER_RUNS_MIN


def run(chemistry: Chemistry, seed: int, start: date, days: int = DAYS) -> Trial:
    """One healthy battery over a season's weeks."""
    days += SETTLING_DAYS[start]
    trial = Trial.of(chemistry, seed, start, days)
    run_days(trial, days, runs_of(start))
    return trial


def run_days(trial: Trial, days: int, runs: Sequence[tuple[int, int]]) -> None:
    """Days with waterings from a tank that never runs dry."""
    tank = next(iter(trial.plant.tanks.values()))
    for _ in range(days):
        trial.plant.set_volume(tank.tank.id, 0.8 * tank.overflow_volume_l)
        trial.run_day(runs)


def days_to_find(chemistry: Chemistry, seed: int, fault: Fault, most_days: int) -> dict[str, float]:
    """Days from a fault's beginning until each fitting's estimator names it; `most_days` when it never did."""
    trial = Trial.of(chemistry, seed, fault.start, fault.sound_days + most_days)
    runs = runs_of(SUMMER)
    run_days(trial, fault.sound_days, runs)
    fault.breaks(trial.plant.faults)
    trial.plant.refresh()
    began_ms = trial.plant.now_ms
    taken = dict.fromkeys(FITTINGS, float(most_days))
    for day in range(most_days):
        run_days(trial, 1, runs)
        for name in FITTINGS:
            if taken[name] == most_days and (name, fault.found) in trial.standing:
                taken[name] = (trial.plant.now_ms - began_ms) / DAY_MS
        if fault.told_by & set(taken) and all(taken[name] <= day + 1 for name in fault.told_by):
            break
    return taken


@dataclass(frozen=True, slots=True)
class Fault:
    """What breaks after how many sound days, the finding that names it, and who can."""

    found: str
    start: date
    sound_days: int
    breaks: Callable[[PlantFaults], None]
    told_by: frozenset[str]


def _dead(faults: PlantFaults) -> None:
    faults.charger_dead = True


def _low(faults: PlantFaults) -> None:
    faults.charger_low_v = 13.5


def _faded(faults: PlantFaults) -> None:
    faults.battery_fade = 0.25


DEAD_CHARGER = Fault("charger dead", date(2026, 5, 1), 10, _dead, frozenset(FITTINGS))
LOW_CHARGER = Fault("charger low", date(2026, 5, 1), 20, _low, frozenset(FITTINGS))
FADE = Fault("faded", date(2025, 9, 20), 20, _faded, frozenset({"shunt"}))


def charge_rows(chemistry: Chemistry, trials: Sequence[Trial]) -> list[TrialRow]:
    """Charge by voltage alone and with a shunt, root mean square over all trials."""
    rms = {name: _pooled(trial.errors[name] for trial in trials) for name in trials[0].errors}
    naive = {name: figure for name, figure in rms.items() if name not in FITTINGS}
    return [
        TrialRow(f"charge of {chemistry}, voltage alone", naive, rms["voltage"], 6.0, 4.0, "%"),
        TrialRow(f"charge of {chemistry}, with a shunt", naive, rms["shunt"], 4.0, 2.0, "%"),
    ]


def _pooled(errors: Iterable[Errors]) -> float:
    squares = [square for error in errors for square in error.squares]
    return sqrt(fsum(squares) / len(squares))


def honesty_row(trials: Sequence[Trial]) -> TrialRow:
    """How often the truth lies within two standard deviations."""
    kept = [trial.errors[name] for trial in trials for name in FITTINGS]
    inside = 100.0 * sum(error.inside for error in kept) / sum(len(error.squares) for error in kept)
    return TrialRow("charge inside two standard deviations", {}, inside, 85.0, 93.0, "%", "more")


def false_row(trials: Sequence[Trial]) -> TrialRow:
    """Findings about sound batteries, a year and estimator."""
    years = len(FITTINGS) * fsum(trial.plant.now_ms for trial in trials) / (365.0 * DAY_MS)
    found = sum(len(trial.findings) for trial in trials)
    return TrialRow("false findings about battery and charger", {}, found / years, 1.0, 0.3, "a year")


def fault_rows(seeds: Sequence[int]) -> list[TrialRow]:
    """How long faults take to be found."""
    dead = [days_to_find(chemistry, seed, DEAD_CHARGER, 21) for seed in seeds for chemistry in CHEMISTRIES]
    low = [days_to_find(chemistry, seed, LOW_CHARGER, 21) for seed in seeds for chemistry in ("flooded", "agm")]
    return [
        TrialRow("dead charger, voltage alone", {}, median(t["voltage"] for t in dead), 14.0, 10.0, "days"),
        TrialRow("dead charger, shunt and panel voltage", {}, median(t["shunt"] for t in dead), 4.0, 3.0, "days"),
        TrialRow(
            "charger that stops at 13.5 V, voltage alone", {}, median(t["voltage"] for t in low), 14.0, 7.0, "days"
        ),
    ]


def fade_row(seeds: Sequence[int], most_days: int = 150) -> TrialRow:
    """A quarter of the capacity gone in autumn, with a shunt: days, each about one cycle."""
    days = [days_to_find(chemistry, seed, FADE, most_days)["shunt"] for seed in seeds for chemistry in CHEMISTRIES]
    return TrialRow("a quarter of the capacity gone, with a shunt", {}, median(days), 120.0, 60.0, "days")


def rows(seeds: Sequence[int]) -> list[TrialRow]:
    """The whole table, on the first few of the seeds: a trial is three months, and there are three chemistries."""
    seeds, fault_seeds = seeds[:MOST_SEEDS], seeds[:MOST_FAULT_SEEDS]
    made: list[TrialRow] = []
    every: list[Trial] = []
    for chemistry in CHEMISTRIES:
        trials = [run(chemistry, seed, start) for seed in seeds for start in SETTLING_DAYS]
        made += charge_rows(chemistry, trials)
        every += trials
    return [*made, honesty_row(every), false_row(every), *fault_rows(fault_seeds), fade_row(fault_seeds)]
