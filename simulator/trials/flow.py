"""How soon a changed flow is found and the right part blamed: emitters, burst, filter, pump, crossed wires, no flow.

A season's runs without its idle days: each zone is watered once or twice a day from a tank at any level, on a battery
under the weather. The meter repeats within 1 per cent (1 sd; common practice, the plant's own counts every drop).
Changes by 15 per cent are set so at a usual voltage and level; what a regulator hides of them at others stays hidden.
Rivals see the same runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from random import Random
from statistics import fmean, median, stdev
from typing import NamedTuple

from controller.estimate.flow import FlowFinding, FlowWatch
from controller.estimate.flow_run import Averages, FlowRun, RunSampler
from controller.estimate.no_flow import SilentRun
from controller.estimate.sound import headspace_speed_m_s, level_from_echo_mm
from controller.site.geometry import LevelTable
from controller.site.model import Site
from simulator.plant.hydraulics import Branch, operating_flows
from simulator.plant.plant import Plant, PumpState, ValveState
from simulator.plant.sensors import Sensors
from simulator.plant.weather import local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather
from simulator.trials.sites import example_site
from simulator.trials.table import TrialRow

START = date(2026, 5, 20)
DAY_MS = 86_400_000
HOUR_MS = 3_600_000
REPORT_MS, FIRST_REPORT_MS = 5_000, 1_000
SILENT_S = 15
LEARNING_DAYS, SOUND_DAYS = 12, 75
MOST_RUNS = 12
HIDDEN_PART = 1.0 - 0.12
"""With more than this part of its flow a run does not count as one with a change by 15 per cent."""
REPEATS_PART = 0.01
CHANGE, CROSSED_APART = 0.15, 0.08
USUAL_V, USUAL_LIFT_M, RATED_V = 12.3, 0.9, 12.6
BURSTS, BURST_GAP_MS, PINGS, NEAR_US = 20, 2_000, 5, 18.0
LEAST_LEVEL_SD_MM = 0.15
RAINED_MS = 1_800_000
RIVAL_PART, RIVAL_RUNS, RIVAL_MEAN_PART = 0.15, 3, 0.10
NEVER = math.inf


def unlike_site() -> Site:
    """The example site with zones of different size, so that wires that are crossed show."""
    site = example_site()
    counts = (96, 82, 70, 100, 76, 88)
    zones = tuple(replace(z, emitter_count=n, emitter_l_h=4.0) for z, n in zip(site.zones, counts, strict=True))
    return replace(site, zones=zones)


@dataclass(slots=True)
class Rivals:
    """The last run against the declared flow; the mean of three runs against that of the first six."""

    rated_l_min: float
    flows: list[float] = field(default_factory=list)

    def take(self, flow_l_min: float) -> tuple[bool, bool]:
        """Whether each finds something."""
        self.flows.append(flow_l_min)
        by_rated = abs(flow_l_min / self.rated_l_min - 1.0) > RIVAL_PART
        if len(self.flows) < 6 + RIVAL_RUNS:
            return by_rated, False
        return by_rated, abs(fmean(self.flows[-RIVAL_RUNS:]) / fmean(self.flows[:6]) - 1.0) > RIVAL_MEAN_PART


class Level(NamedTuple):
    """A level and its standard deviation."""

    level_mm: float
    sd_mm: float


class FlowGarden:
    """One seed's garden with its watch. `day` waters all zones; `plant.faults` may be changed between days."""

    def __init__(self, seed: int, days: int, site: Site | None = None) -> None:
        self.site = site = example_site() if site is None else site
        self.rng = Random(f"{seed} flow trial")
        weather = generate_weather(site.place, START, days + 1, seed)
        self.plant = Plant(site, weather, seed, local_midnight_wall_ms(START, site.place))
        self.plant.faults.panel_shaded = self.rng.uniform(0.0, 0.4)
        self.sensors = Sensors(self.plant, seed, 0.5)
        self.tank, self.pump = site.tanks[0], site.pumps[0]
        assert self.pump.flow_meter is not None
        self.meter = self.pump.flow_meter
        self.pump_state: PumpState = self.plant.pumps[self.pump.output]
        self.water = self.plant.tanks[self.tank.id]
        self.table = LevelTable(self.tank.shape)
        self.watch = FlowWatch(self.pump, self.tank, site.zones)
        self.rivals = {zone.id: Rivals(zone.rated_flow_l_min) for zone in site.zones}
        self.rival_found = {zone.id: (False, False) for zone in site.zones}
        self.rival_false = [0, 0]
        self.today = 0
        self.last_v = USUAL_V
        self.tips, self.rained_ms = 0, -RAINED_MS

    # --- watering -----------------------------------------------------------------------------------------------------

    def day(self) -> Iterator[str]:
        """Water every zone once, in any order at dawn or in the evening; yields each zone after its run."""
        begins_ms = self.today * DAY_MS
        self.today += 1
        zones = [zone.id for zone in self.site.zones]
        self.rng.shuffle(zones)
        self.plant.set_volume(self.tank.id, self.rng.uniform(0.35, 0.95) * self.water.overflow_volume_l)
        at_dawn = self.rng.randint(3, 6)
        self.plant.advance(max(self.plant.now_ms, begins_ms + self.rng.randint(10, 14) * HOUR_MS // 2))
        for number, zone_id in enumerate(zones):
            if number == at_dawn:
                self.plant.advance(begins_ms + self.rng.randint(24, 40) * HOUR_MS // 2)
            self.water_zone(zone_id, self.rng.randint(90, 240))
            yield zone_id

    def water_zone(self, zone_id: str, seconds: int) -> None:
        """One run of some seconds, or a try that ends when nothing is counted."""
        self.rains()
        before = self._level()
        sampler = RunSampler()
        self._drive(zone_id, sampler, seconds)
        after = self._level()
        averages = sampler.averages()
        assert averages is not None
        drop_l, drop_sd_l = self._drop_l(before, after)
        if averages.silent_s >= SILENT_S:
            fell_l = None if drop_l is None else drop_l - averages.pulses / self.meter.pulses_per_l
            self.watch.take_silent(self._silent_run(zone_id, averages, after, fell_l, drop_sd_l))
            return
        level_mm = self.tank.overflow_mm / 2.0 if after is None else after.level_mm
        run = self._flow_run(zone_id, averages, level_mm, drop_l, drop_sd_l)
        self.watch.take(run)
        found = self.rivals[zone_id].take(run.flow_l_min)
        for rival, (now, earlier) in enumerate(zip(found, self.rival_found[zone_id], strict=True)):
            self.rival_false[rival] += now and not earlier
        self.rival_found[zone_id] = found

    def _flow_run(
        self, zone_id: str, averages: Averages, level_mm: float, drop_l: float | None, drop_sd_l: float
    ) -> FlowRun:
        assert averages.battery_v is not None
        self.last_v = averages.battery_v
        repeats = 1.0 + self.rng.gauss(0.0, REPEATS_PART)
        return FlowRun(
            zone_id=zone_id,
            mono_ms=self.plant.now_ms,
            steady_l=repeats * averages.steady_pulses / self.meter.pulses_per_l,
            steady_s=averages.steady_s,
            battery_v=averages.battery_v,
            level_mm=level_mm,
            metered_l=averages.pulses / self.meter.pulses_per_l,
            drop_l=drop_l,
            drop_sd_l=drop_sd_l,
            current_a=averages.current_a,
        )

    def _silent_run(
        self, zone_id: str, averages: Averages, after: Level | None, fell_l: float | None, fell_sd_l: float
    ) -> SilentRun:
        channel = self.tank.float_switch_channel
        return SilentRun(
            zone_id=zone_id,
            mono_ms=self.plant.now_ms,
            silent_s=averages.silent_s,
            level_mm=None if after is None else after.level_mm,
            level_sd_mm=0.0 if after is None else after.sd_mm,
            drop_l=fell_l,
            drop_sd_l=fell_sd_l,
            float_dry=None if channel is None else not self.sensors.float_wet(channel),
            current_a=averages.current_a,
        )

    def rains(self) -> bool:
        """Whether the gauge tipped since it was asked, or not long before."""
        tips = self.sensors.rain_tips()
        if tips != self.tips:
            self.tips, self.rained_ms = tips, self.plant.now_ms
        return self.plant.now_ms - self.rained_ms < RAINED_MS

    def _drop_l(self, before: Level | None, after: Level | None) -> tuple[float | None, float]:
        if before is None or after is None or self.rains():
            return None, 0.0
        surface_l_mm = self.table.volume_l(after.level_mm + 0.5) - self.table.volume_l(after.level_mm - 0.5)
        sd_l = surface_l_mm * math.hypot(before.sd_mm, after.sd_mm)
        return self.table.volume_l(before.level_mm) - self.table.volume_l(after.level_mm), sd_l

    def _drive(self, zone_id: str, sampler: RunSampler, seconds: int) -> None:
        plant, output = self.plant, self.site.zone(zone_id).valve.output
        seen = self.sensors.flow_pulses(self.meter.channel)
        plant.set_valve(output, True)
        plant.advance(plant.now_ms + 2_000)
        sampler.observe(plant.now_ms, False, 0, None, None, self.sensors.current_ma() / 1000.0)
        plant.set_pump(self.pump.output, True)
        began_ms = flowed_ms = plant.now_ms
        while plant.now_ms - began_ms <= 1000 * seconds:
            plant.advance(plant.now_ms + (FIRST_REPORT_MS if flowed_ms == began_ms else REPORT_MS))
            pulses = self.sensors.flow_pulses(self.meter.channel)
            millivolts, amps = self.sensors.battery_mv(), self.sensors.current_ma() / 1000.0
            battery_v = None if millivolts is None else millivolts / 1000.0
            sampler.observe(plant.now_ms, True, pulses - seen, battery_v, None, amps)
            flowed_ms = plant.now_ms if pulses > seen else flowed_ms
            if plant.now_ms - flowed_ms > 1000 * SILENT_S:
                break
            seen = pulses
        plant.set_pump(self.pump.output, False)
        plant.set_valve(output, False)
        plant.advance(plant.now_ms + 20_000)

    def _level(self) -> Level | None:
        """Level by the ranger over 40 seconds, and its standard deviation by the scatter of its bursts."""
        levels = []
        for _ in range(BURSTS):
            self.plant.advance(self.plant.now_ms + BURST_GAP_MS)
            heard = [us for us in self.sensors.echo_burst_us(self.tank.sensor_channel, PINGS) if us > 0]
            centi_c = self.sensors.temperature_centi_c(0)
            if len(heard) >= 3 and centi_c is not None:
                speed_m_s = headspace_speed_m_s(centi_c / 100.0)
                middle_us = median(heard)
                near = [us for us in heard if abs(us - middle_us) < NEAR_US]
                if near:
                    levels.append(level_from_echo_mm(fmean(near), speed_m_s, self.tank.sensor_height_mm))
        if len(levels) < BURSTS / 2:
            return None
        kept = sorted(levels)[1:-1]
        return Level(fmean(kept), max(LEAST_LEVEL_SD_MM, stdev(levels) / math.sqrt(len(levels))))

    def learn(self) -> None:
        """Days in which all is well and the flows are learned."""
        for _ in range(LEARNING_DAYS):
            for _ in self.day():
                pass

    # --- faults -------------------------------------------------------------------------------------------------------

    def valve(self, zone_id: str) -> ValveState:
        return self.plant.valves[self.site.zone(zone_id).valve.output]

    def flow_l_min(
        self,
        zone_id: str,
        capacity: float = 1.0,
        clogged: float = 0.0,
        worn: float = 0.0,
        battery_v: float = USUAL_V,
        lift_m: float = USUAL_LIFT_M,
    ) -> float:
        """A zone's flow, at a usual voltage and level unless told, with emitters, filter and pump so."""
        sound, state = self.valve(zone_id).branch, self.pump_state
        branch = Branch(sound.pipe, sound.coefficient * capacity, sound.exponent, sound.regulated_head_m)
        curve, speed = state.curve.worn(worn), battery_v / RATED_V
        return operating_flows(curve, speed, lift_m, state.trunk, [branch], state.mesh, clogged)[0]

    def hidden(self, zone_id: str) -> bool:
        """Whether the regulator truly hid most of what filter or pump lack in the zone's last run."""
        clogged = self.plant.faults.filter_clogged.get(self.pump.id, 0.0)
        worn = self.plant.faults.pump_worn.get(self.pump.id, 0.0)
        lift_m = (self.pump_state.lift_datum_mm - self.water.level_mm) / 1000.0
        v = self.last_v
        as_it_is = self.flow_l_min(zone_id, clogged=clogged, worn=worn, battery_v=v, lift_m=lift_m)
        lacks = bool(clogged or worn)
        return lacks and as_it_is > HIDDEN_PART * self.flow_l_min(zone_id, battery_v=v, lift_m=lift_m)

    def changed_by(self, part: float, flow_of: Callable[[float], float], low: float, high: float) -> float:
        """The knob's value, flow rising with it, at which the flow is `part` of what it is when all is sound."""
        for _ in range(30):
            middle = (low + high) / 2.0
            low, high = (middle, high) if flow_of(middle) < part else (low, middle)
        return (low + high) / 2.0


class Found(NamedTuple):
    """Runs until something was found and until the right part was named, and until the rivals found something, however
    long they had cried before. Counted are runs that showed it, of the faulty zone or of that which ran most."""

    any_runs: float
    right_runs: float
    rated_runs: float
    mean_runs: float


Break = Callable[[FlowGarden], tuple[str, str]]
"""Breaks something; returns the kind of finding and what it must be about ("" for any of them)."""

RIGHT: dict[str, frozenset[str]] = {
    "emitters-clogged": frozenset({"emitters-clogged"}),
    "emitters-open": frozenset({"emitters-open"}),
    "supply": frozenset({"filter-clogged", "pump-worn", "filter-or-pump"}),
    "meter-wrong": frozenset({"meter-wrong"}),
    "zones-crossed": frozenset({"zones-crossed"}),
}


def emitters_clogged(garden: FlowGarden) -> tuple[str, str]:
    zone_id = garden.rng.choice(garden.site.zones).id
    sound_l_min = garden.flow_l_min(zone_id)
    left = garden.changed_by(1.0 - CHANGE, lambda c: garden.flow_l_min(zone_id, c) / sound_l_min, 0.2, 1.0)
    garden.plant.faults.emitters_clogged[zone_id] = 1.0 - left
    return "emitters-clogged", zone_id


def line_burst(garden: FlowGarden) -> tuple[str, str]:
    zone_id = garden.rng.choice(garden.site.zones).id
    sound_l_min = garden.flow_l_min(zone_id)
    more = garden.changed_by(1.0 + CHANGE, lambda c: garden.flow_l_min(zone_id, c) / sound_l_min, 1.0, 4.0)
    garden.plant.faults.pipe_burst[zone_id] = more
    return "emitters-open", zone_id


def emitters_popped(garden: FlowGarden) -> tuple[str, str]:
    zone_id = garden.rng.choice(garden.site.zones).id
    garden.plant.faults.emitters_popped[zone_id] = 2
    return "emitters-open", zone_id


def filter_clogged(garden: FlowGarden) -> tuple[str, str]:
    part = garden.changed_by(1.0 - CHANGE, lambda c: _together(garden, clogged=1.0 - c), 0.0, 1.0)
    garden.plant.faults.filter_clogged[garden.pump.id] = 1.0 - part
    return "supply", garden.pump.id


def pump_worn(garden: FlowGarden) -> tuple[str, str]:
    part = garden.changed_by(1.0 - CHANGE, lambda c: _together(garden, worn=1.0 - c), 0.0, 1.0)
    garden.plant.faults.pump_worn[garden.pump.id] = 1.0 - part
    return "supply", garden.pump.id


def _together(garden: FlowGarden, clogged: float = 0.0, worn: float = 0.0) -> float:
    return fmean(
        garden.flow_l_min(zone.id, clogged=clogged, worn=worn) / garden.flow_l_min(zone.id)
        for zone in garden.site.zones
    )


def meter_slow(garden: FlowGarden) -> tuple[str, str]:
    garden.plant.faults.flow_meter_slow[garden.meter.channel] = 1.0 - CHANGE
    return "meter-wrong", garden.pump.id


def zones_crossed(garden: FlowGarden) -> tuple[str, str]:
    a, b = garden.rng.sample(garden.site.zones, 2)
    while abs(math.log(garden.flow_l_min(a.id) / garden.flow_l_min(b.id))) < CROSSED_APART:
        a, b = garden.rng.sample(garden.site.zones, 2)
    garden.plant.faults.zones_crossed.add((a.valve.output, b.valve.output))
    return "zones-crossed", "+".join(sorted((a.id, b.id)))


def runs_to_find(seed: int, breaks: Break, site: Site | None = None) -> Found:
    """Break something after all flows were learned, and water on until it is found."""
    garden = FlowGarden(seed, LEARNING_DAYS + MOST_RUNS, site)
    garden.learn()
    kind, about = breaks(garden)
    garden.plant.refresh()
    concerned = set(about.split("+")) & set(garden.rivals) or set(garden.rivals)
    any_runs = right_runs = NEVER
    rival_runs = [NEVER, NEVER]
    counts = dict.fromkeys(garden.rivals, 0)
    for _ in range(MOST_RUNS):
        for zone_id in garden.day():
            counts[zone_id] += not garden.hidden(zone_id)
            runs = max(1, *(counts[concerned_id] for concerned_id in concerned))
            found = garden.watch.findings()
            if any(_concerns(finding, concerned | {about}) for finding in found):
                any_runs = min(any_runs, runs)
            if any(finding.kind in RIGHT[kind] and finding.about == about for finding in found):
                right_runs = min(right_runs, runs)
            for rival in (0, 1):
                if any(garden.rival_found[concerned_id][rival] for concerned_id in concerned):
                    rival_runs[rival] = min(rival_runs[rival], runs)
        if max(right_runs, *rival_runs) < NEVER:
            break
    return Found(any_runs, right_runs, *rival_runs)


def _concerns(finding: FlowFinding, ids: set[str]) -> bool:
    return finding.about in ids or bool(ids & set(finding.about.split("+")))


class Sound(NamedTuple):
    """Findings about a garden in order, and those of the rivals, in so many years of one run a day and zone."""

    years: float
    ours: int
    by_rated: int
    by_mean: int


def sound_garden(seed: int, days: int = SOUND_DAYS, site: Site | None = None) -> Sound:
    """Nothing is broken: every finding is false."""
    garden = FlowGarden(seed, days, site)
    ours = 0
    standing: set[tuple[str, str]] = set()
    for _ in range(days):
        for _ in garden.day():
            found: set[tuple[str, str]] = {(finding.kind, finding.about) for finding in garden.watch.findings()}
            ours += len(found - standing)
            standing = found
    return Sound(days / 365.0, ours, *garden.rival_false)


def meter_dead(garden: FlowGarden) -> tuple[str, str]:
    garden.plant.faults.flow_meter_dead.add(garden.meter.channel)
    return "meter-dead", garden.pump.id


def ran_dry(garden: FlowGarden) -> tuple[str, str]:
    garden.plant.set_volume(garden.tank.id, garden.water.suction_volume_l)
    return "ran-dry", garden.pump.id


def line_blocked(garden: FlowGarden) -> tuple[str, str]:
    zone = garden.site.zones[0]
    garden.plant.faults.valve_stuck[zone.valve.output] = False
    return "line-blocked", zone.id


def pump_dead(garden: FlowGarden) -> tuple[str, str]:
    garden.plant.faults.pump_dead.add(garden.pump.output)
    return "pump-still", garden.pump.id


NO_FLOW_CAUSES: tuple[Break, ...] = (meter_dead, ran_dry, line_blocked, pump_dead)


class Named(NamedTuple):
    """Tries until the right cause of no flow was named (infinite: not within three), and whether a wrong one was."""

    tries: float
    wrong: bool


def tries_to_name(seed: int, breaks: Break, *, with_float: bool = False, tries: int = 3) -> Named:
    """Tries of one zone after something stopped the pulses, in dry weather; three is what a day allows."""
    site = example_site()
    if not with_float:
        site = replace(site, tanks=(replace(site.tanks[0], float_switch_channel=None),))
    garden = FlowGarden(seed, 4, site)
    for _ in range(2):
        for _ in garden.day():
            pass
    while garden.rains():
        garden.plant.advance(garden.plant.now_ms + HOUR_MS)
    right = breaks(garden)
    garden.plant.refresh()
    named, wrong = NEVER, False
    for number in range(1, tries + 1):
        garden.water_zone(site.zones[0].id, 120)
        garden.plant.advance(garden.plant.now_ms + 600_000)
        for finding in garden.watch.findings():
            if (finding.kind, finding.about) == right:
                named = min(named, number)
            elif finding.kind != "no-flow":
                wrong = True
    return Named(named, wrong)


def rows(seeds: Sequence[int]) -> list[TrialRow]:
    """The table's rows."""
    changes: list[tuple[str, Break, Site | None]] = [
        ("emitters clogged, zone down 15 %", emitters_clogged, None),
        ("line burst, zone up 15 %", line_burst, None),
        ("filter clogged, all down 15 %", filter_clogged, None),
        ("pump worn, all down 15 %", pump_worn, None),
        ("meter drags by 15 %", meter_slow, None),
        ("two zones crossed, 8 % apart or more", zones_crossed, unlike_site()),
    ]
    made = []
    right: list[bool] = []
    for name, breaks, site in changes:
        found = [runs_to_find(seed, breaks, site) for seed in seeds]
        right += [each.right_runs < NEVER for each in found]
        naive = {
            "declared": median(each.rated_runs for each in found),
            "moving mean": median(each.mean_runs for each in found),
        }
        made.append(TrialRow(f"{name}: median", naive, median(each.any_runs for each in found), 4, 2, "runs"))
        made.append(TrialRow(f"{name}: most", {}, max(each.any_runs for each in found), 4, 3, "runs"))
    made.append(TrialRow("changed flow: right part named", {}, 100.0 * fmean(right), 90, 98, "%", "more"))
    sound = [sound_garden(seed) for seed in seeds]
    years = math.fsum(each.years for each in sound)
    rivals = {"declared": sum(s.by_rated for s in sound) / years, "moving mean": sum(s.by_mean for s in sound) / years}
    made.append(TrialRow("flows: false findings", rivals, sum(s.ours for s in sound) / years, 1.0, 0.3, "a year"))
    named = [tries_to_name(seed, breaks) for seed in seeds for breaks in NO_FLOW_CAUSES]
    within = 100.0 * fmean(each.tries <= 3 for each in named)
    wrong = 100.0 * fmean(each.wrong for each in named)
    made.append(TrialRow("no flow: cause named within three tries", {}, within, 90, 98, "%", "more"))
    made.append(TrialRow("no flow: a wrong cause named", {}, wrong, 5, 1, "%"))
    return made
