"""The flow of each zone of one pump against what it was: which changed, since when, and which part is to blame.

Fed once a run. Each run's flow is compared with what the zone's baseline expects at that voltage and level; a
cumulative sum of what lies beyond half of 15 per cent raises the alarm, `controller.estimate.flow_cause` says whom to
blame, and `controller.estimate.no_flow` takes the tries in which the meter counted nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from controller.contract import Quality
from controller.estimate import flow_cause
from controller.estimate.cusum import Cusum
from controller.estimate.flow_baseline import FlowBaseline, drive, lift_part, speed2
from controller.estimate.flow_excess import burst_limit_l_min, valves_suspected
from controller.estimate.flow_run import FlowRun
from controller.estimate.meter_correction import AS_COUNTED, Correction, correction
from controller.estimate.no_flow import NO_FLOW_KINDS, NoFlow, NoFlowKind, NoFlowVerdict, SilentRun
from controller.site.model import Pump, Tank, Zone

FlowKind = (
    Literal[
        "emitters-clogged",
        "emitters-open",
        "flow-down",
        "flow-up",
        "filter-clogged",
        "pump-worn",
        "filter-or-pump",
        "supply-up",
        "meter-wrong",
        "zones-crossed",
        "valve-open",
    ]
    | NoFlowKind
)
"""emitters-clogged  one zone gives less: its emitters, or its valve is half shut
emitters-open     one zone gives more: emitters came off, or its line burst
flow-down, -up    a zone gives less or more, and not enough others have run since to say whether it is the zone's fault
filter-clogged, pump-worn, filter-or-pump    all give less; the last when the two cannot be told apart
supply-up         all give more: another pump, or a filter cleaned that was dirty when the baseline was learned
meter-wrong       all seem to give less or more, but the tank falls as it always did
zones-crossed     two zones flow as the other used to
valve-open        all zones but this one give more: it is open while they run
ran-dry, meter-dead, line-blocked, pump-still, no-flow    nothing was counted, see `NoFlow`; a line that seems blocked
                  may be a pump that does not turn where no current is measured
"""

ALLOWANCE = 0.07
"""Half of a change by 15 per cent, the least that matters: ln 1.15 / 2."""
THRESHOLD, THRESHOLD_SDS = 0.10, 3.0
"""The sum that raises an alarm, and its least in standard deviations of a run: with half the shift at one and a half of
them a false alarm comes once in more than ten thousand runs (tests/reference/test_cusum.py)."""
MOST_A_RUN = 0.09
"""A run adds no more, so that no single one raises an alarm: a tap left open must not."""
GOOD_RUNS = 3
"""So many good runs on end take a finding back."""
AS_HARD = 0.02
"""A run with a drive not this much above that of the bad ones is as hard; with more of it a regulator hides a loss."""
KEPT_RUNS, RECENT_RUNS = 8, 3
LEAST_KNOWN = 100.0
"""The tank's falls tell something of the meter when their ratio is known to a tenth: one over its variance."""
MOST_FALL_PART = 2.0
"""A tank that fell by more than this part of what was counted was drawn from by others."""
METER_CHI2 = 6.0
CURRENT_GAIN = 0.1
"""By which part of the difference each run moves what is the pump's usual current."""
SURELY_UP = 2.0 * ALLOWANCE
"""A single run with so much more than usual is no chance."""
LEAST_OF_RATED = 0.85
"""A sound zone gives this part of its rated flow at least, whatever was learned (own choice)."""
LEAST_ZONE_SD = 0.015
"""The law of squares is no better than this (own choice)."""
_POOL_MEMORY = 0.99
_PUMP_KINDS: frozenset[str] = frozenset({"ran-dry", "meter-dead", "pump-still"})


@dataclass(frozen=True, slots=True)
class FlowFinding:
    """What is wrong with zone, zones ("a+b") or pump `about`, with the numbers it rests on, since when."""

    kind: FlowKind
    about: str
    evidence: dict[str, float]
    since_mono_ms: int


class FlowReading(NamedTuple):
    """A zone's usual flow at the reference voltage and a full tank, its relative sd, and how the last runs differ.

    quality is "unknown" while the baseline is being learned from `runs_learned` runs, "suspect" while something is
    wrong. `change` is the mean of the last three runs, as a part; None before there was one.
    """

    usual_l_min: float | None
    sd_part: float | None
    change: float | None
    runs_learned: int
    quality: Quality
    measured_mono_ms: int | None


class _Judged(NamedTuple):
    """A run beside what was expected; logarithms, `change` their difference and `sd` that of the change."""

    mono_ms: int
    log_drive: float
    log_flow: float
    change: float
    sd: float
    speed2: float
    lift: float
    metered_l: float
    drop_l: float | None
    drop_sd_l: float


@dataclass(slots=True)
class _Alarm:
    """A change of one zone. `blame` is kept once it is known."""

    sign: int
    since_ms: int
    log_drive: float
    blame: flow_cause.Blame = "unknown"
    good: int = 0

    def is_good(self, run: _Judged) -> bool | None:
        """Whether a run is as usual again; None when it came too easily to say."""
        if self.sign * run.change > ALLOWANCE:
            return False
        return True if self.counts(run) else None

    def counts(self, run: _Judged) -> bool:
        """Whether a run would have shown the change."""
        return self.sign > 0 or run.log_drive <= self.log_drive + AS_HARD


@dataclass(slots=True)
class _ZoneFlow:
    zone: Zone
    no_flow: NoFlow
    baseline: FlowBaseline = field(default_factory=FlowBaseline)
    cusum: Cusum = field(default_factory=Cusum)
    recent: list[_Judged] = field(default_factory=list)
    alarm: _Alarm | None = None
    burst_ms: int | None = None
    """When a run was stopped because it flowed far too much."""

    def up_since_ms(self) -> int | None:
        """Since when it flows too much; None when it does not, as far as is known."""
        if self.burst_ms is not None:
            return self.burst_ms
        if self.alarm is not None and self.alarm.sign > 0:
            return self.alarm.since_ms
        last = self.recent[-1] if self.recent else None
        return last.mono_ms if last is not None and last.change > SURELY_UP else None

    def since(self, mono_ms: int) -> list[_Judged]:
        return [run for run in self.recent if run.mono_ms >= mono_ms]

    def quiet(self) -> None:
        self.alarm = None
        self.cusum.reset()

    def relearn(self) -> None:
        self.quiet()
        self.baseline.forget()
        self.recent = []
        self.burst_ms = None


class _Pool(NamedTuple):
    """What the tank fell by for each litre counted: a line through nothing by weighted least squares."""

    product: float = 0.0
    square: float = 0.0

    def plus(self, run: _Judged, memory: float = 1.0) -> _Pool:
        if run.drop_l is None:
            return self
        fell_l, weight = max(0.0, min(MOST_FALL_PART * run.metered_l, run.drop_l)), run.drop_sd_l**-2
        return _Pool(
            memory * self.product + weight * run.metered_l * fell_l, memory * self.square + weight * run.metered_l**2
        )

    @property
    def ratio(self) -> float:
        return self.product / self.square


@dataclass(slots=True)
class _Crossing:
    since_ms: int
    log_odds: float
    good: dict[str, int]


class FlowWatch:
    """All zones of one pump. `dump` and `load` round-trip exactly."""

    def __init__(self, pump: Pump, tank: Tank, zones: Sequence[Zone]) -> None:
        self._pump, self._tank = pump, tank
        self._zones = {zone.id: _ZoneFlow(zone, NoFlow(tank.suction_mm)) for zone in zones}
        self._pool = _Pool()
        self._usual_a: float | None = None
        self._supply_good = 0
        self._crossed: dict[tuple[str, str], _Crossing] = {}
        self.correction = AS_COUNTED
        """What is to be added to what the meter counts."""

    # --- feeding ------------------------------------------------------------------------------------------------------

    def take(self, run: FlowRun) -> None:
        """A run with flow, at its end. KeyError when the zone is not one of this pump's."""
        flow = self._zones[run.zone_id]
        flow.no_flow.forget()
        for other in self._zones.values():
            verdict = other.no_flow.verdict
            if verdict is not None and verdict.kind != "line-blocked":
                # Water was counted, so meter and pump are well and the suction is under water.
                other.no_flow.forget()
        if not run.tells:
            return
        if run.current_a is not None:
            known_a = run.current_a if self._usual_a is None else self._usual_a
            self._usual_a = known_a + CURRENT_GAIN * (run.current_a - known_a)
        speed_2 = speed2(run.battery_v)
        lift = lift_part(self._pump.max_head_m, self._tank.overflow_mm, run.level_mm)
        log_drive, log_flow = math.log(drive(speed_2, lift)), math.log(run.flow_l_min)
        if not flow.baseline.learned:
            flow.baseline.learn(log_drive, log_flow)
            return
        expected = flow.baseline.expected(log_drive)
        judged = _Judged(
            mono_ms=run.mono_ms,
            log_drive=log_drive,
            log_flow=log_flow,
            change=log_flow - expected.log_flow,
            sd=math.hypot(expected.sd, flow.baseline.scatter),
            speed2=speed_2,
            lift=lift,
            metered_l=run.metered_l,
            drop_l=run.drop_l,
            drop_sd_l=run.drop_sd_l,
        )
        self._judge(flow, judged, ALLOWANCE + expected.sd)

    def take_silent(self, run: SilentRun) -> None:
        """A try in which the meter counted nothing. KeyError when the zone is not one of this pump's."""
        flow = self._zones[run.zone_id]
        flow.no_flow.take(run, self.usual_l_min(run.zone_id), self._usual_a)

    def usual_l_min(self, zone_id: str) -> float:
        """A zone's usual flow at the reference voltage and a full tank; the declared one before it was learned."""
        flow = self._zones[zone_id]
        if not flow.baseline.learned:
            return flow.zone.rated_flow_l_min
        return math.exp(flow.baseline.usual_log_flow(self._reference_drive()))

    def _reference_drive(self) -> float:
        lift = lift_part(self._pump.max_head_m, self._tank.overflow_mm, self._tank.overflow_mm)
        return math.log(drive(1.0, lift))

    def _judge(self, flow: _ZoneFlow, run: _Judged, allowance: float) -> None:
        most = allowance + MOST_A_RUN
        flow.recent = [*flow.recent[1 - KEPT_RUNS :], run]
        flow.cusum.add(max(-most, min(most, run.change)), allowance, run.mono_ms)
        if flow.alarm is not None:
            self._follow_alarm(flow, flow.alarm, run)
        else:
            self._look_for_alarm(flow)
        if flow.alarm is None and flow.cusum.quiet:
            flow.baseline.follow(run.log_drive, run.log_flow)
            self._pool = self._pool.plus(run, _POOL_MEMORY)
        self._look_for_crossing(flow, run)
        for other in self._zones.values():
            if other.alarm is not None and other.alarm.blame == "unknown":
                other.alarm.blame = self._blame(other, other.alarm)
        self._correct_meter()

    def _correct_meter(self) -> None:
        """Follow the tank's falls; while the meter counts otherwise than it used to, those since then."""
        if self._pool.square < LEAST_KNOWN:
            return
        ratio, variance = self._pool.ratio, 1.0 / self._pool.square
        for finding in self._supply_findings():
            if finding.kind == "meter-wrong":
                ratio *= finding.evidence["tank_over_meter"]
                variance += finding.evidence["tank_over_meter_sd"] ** 2
        self.correction = correction(ratio, math.sqrt(variance), self.correction)

    # --- one zone -----------------------------------------------------------------------------------------------------

    def _look_for_alarm(self, flow: _ZoneFlow) -> None:
        cusum, threshold = flow.cusum, max(THRESHOLD, THRESHOLD_SDS * flow.baseline.scatter)
        if max(cusum.up, cusum.down) < threshold:
            return
        sign, since_ms = (1, cusum.up_since_ms) if cusum.up >= threshold else (-1, cusum.down_since_ms)
        changed = flow.since(since_ms)
        log_drive = math.fsum(run.log_drive for run in changed) / len(changed)
        flow.alarm = _Alarm(sign, since_ms, log_drive)

    def _follow_alarm(self, flow: _ZoneFlow, alarm: _Alarm, run: _Judged) -> None:
        good = alarm.is_good(run)
        if good is None:
            return
        alarm.good = alarm.good + 1 if good else 0
        if alarm.blame == "supply":
            self._supply_good = self._supply_good + 1 if good else 0
            if self._supply_good >= GOOD_RUNS:
                for other in self._blaming_supply():
                    other.quiet()
                self._supply_good = 0
        elif alarm.good >= GOOD_RUNS:
            flow.quiet()

    def _blaming_supply(self) -> list[_ZoneFlow]:
        return [flow for flow in self._zones.values() if flow.alarm is not None and flow.alarm.blame == "supply"]

    # --- all zones ----------------------------------------------------------------------------------------------------

    def _blame(self, flow: _ZoneFlow, alarm: _Alarm) -> flow_cause.Blame:
        changed = flow.since(alarm.since_ms)[-RECENT_RUNS:]
        usual_l_min = self.usual_l_min(flow.zone.id)
        witnesses, others = [], 0
        for other in self._zones.values():
            at_fault = other.alarm is not None and other.alarm.blame == "zone"
            if other is flow or at_fault or not other.baseline.learned:
                continue
            others += 1
            seen = [run for run in other.since(alarm.since_ms)[-RECENT_RUNS:] if alarm.counts(run)]
            if seen:
                flow_part = self.usual_l_min(other.zone.id) / usual_l_min
                witnesses.append(flow_cause.Witness(flow_part, _mean_change(seen)))
        return flow_cause.whom_to_blame(_mean_change(changed), witnesses, others)

    def _look_for_crossing(self, flow: _ZoneFlow, run: _Judged) -> None:
        for pair, crossing in list(self._crossed.items()):
            if flow.zone.id in pair:
                usual = abs(run.change) < abs(_against(run, self._zones[_other(pair, flow.zone.id)]).other)
                crossing.good[flow.zone.id] = crossing.good[flow.zone.id] + 1 if usual else 0
                if min(crossing.good.values()) >= GOOD_RUNS:
                    del self._crossed[pair]
                    for zone_id in pair:
                        self._zones[zone_id].quiet()
        for other in self._zones.values():
            pair = (min(flow.zone.id, other.zone.id), max(flow.zone.id, other.zone.id))
            if other is flow or pair in self._crossed or not other.baseline.learned:
                continue
            log_odds = self._crossed_log_odds(flow, other)
            if log_odds is not None:
                since_ms = min(each.recent[-flow_cause.CROSSED_RUNS].mono_ms for each in (flow, other))
                self._crossed[pair] = _Crossing(since_ms, log_odds, dict.fromkeys(pair, 0))

    def _crossed_log_odds(self, a: _ZoneFlow, b: _ZoneFlow) -> float | None:
        drive_ = self._reference_drive()
        apart = a.baseline.expected(drive_).log_flow - b.baseline.expected(drive_).log_flow
        runs_a = [_against(run, b) for run in a.recent[-flow_cause.CROSSED_RUNS :]]
        runs_b = [_against(run, a) for run in b.recent[-flow_cause.CROSSED_RUNS :]]
        return flow_cause.crossed_log_odds(runs_a, runs_b, apart)

    # --- asking -------------------------------------------------------------------------------------------------------

    def findings(self) -> tuple[FlowFinding, ...]:
        """All that stands, in the order of the zones; those about what zones share come first."""
        valve = self._valve_open()
        if valve is not None:
            return (*self._no_flow_findings(), valve)
        found = [*self._no_flow_findings(), *self._supply_findings(), *self._crossings()]
        crossed = {zone_id for pair in self._crossed for zone_id in pair}
        for zone_id, flow in self._zones.items():
            if flow.alarm is not None and flow.alarm.blame != "supply" and zone_id not in crossed:
                found.append(_zone_finding(flow, flow.alarm))
        return tuple(found)

    def reading(self, zone_id: str) -> FlowReading:
        """What is known of one zone's flow."""
        flow = self._zones[zone_id]
        baseline, last = flow.baseline, flow.recent[-1] if flow.recent else None
        measured_ms = None if last is None else last.mono_ms
        change = _mean_change(flow.recent[-RECENT_RUNS:]) if flow.recent else None
        if not baseline.learned:
            return FlowReading(None, None, change, baseline.runs_learned, "unknown", measured_ms)
        expected = baseline.expected(self._reference_drive())
        quality: Quality = "good" if flow.alarm is None else "suspect"
        usual_l_min = math.exp(expected.log_flow)
        return FlowReading(usual_l_min, expected.sd, change, baseline.runs_learned, quality, measured_ms)

    def _no_flow_findings(self) -> list[FlowFinding]:
        found: dict[tuple[str, str], FlowFinding] = {}
        for zone_id, flow in self._zones.items():
            verdict = flow.no_flow.verdict
            if verdict is not None:
                about = self._pump.id if verdict.kind in _PUMP_KINDS else zone_id
                finding = FlowFinding(verdict.kind, about, _no_flow_evidence(verdict), flow.no_flow.since_ms)
                found.setdefault((verdict.kind, about), finding)
        return list(found.values())

    def _supply_findings(self) -> list[FlowFinding]:
        weak = self._blaming_supply()
        if not weak:
            return []
        since_ms = min(flow.alarm.since_ms for flow in weak if flow.alarm is not None)
        runs = [run for flow in weak for run in flow.since(since_ms)]
        change = _mean_change(runs)
        evidence = {"change_percent": _percent(change), "zones": float(len(weak)), "runs": float(len(runs))}
        kind: FlowKind = "supply-up"
        if change < 0.0:
            verdict = self._filter_or_pump(weak, since_ms)
            evidence.update(filter_chi2=verdict.filter_chi2, pump_chi2=verdict.pump_chi2)
            kind = verdict.kind
        meter_chi2 = self._meter_chi2(runs, change, evidence)
        if meter_chi2 >= METER_CHI2:
            kind = "meter-wrong"
        return [FlowFinding(kind, self._pump.id, evidence, since_ms)]

    def _filter_or_pump(self, weak: Sequence[_ZoneFlow], since_ms: int) -> flow_cause.SupplyVerdict:
        # One point a zone: what is not known of its C is the same in all of its runs.
        zones = []
        for flow in weak:
            runs, c = flow.since(since_ms), flow.baseline.unregulated()
            log_flow = math.fsum(run.log_flow for run in runs) / len(runs)
            speed_2 = math.fsum(run.speed2 for run in runs) / len(runs)
            lift = math.fsum(run.lift for run in runs) / len(runs)
            sd = max(LEAST_ZONE_SD, math.hypot(c.sd, flow.baseline.scatter / math.sqrt(len(runs))))
            zones.append(flow_cause.WeakZone(math.exp(log_flow), math.exp(c.log_flow), speed_2, lift, sd))
        return flow_cause.filter_or_pump(zones, self._pump.max_flow_l_min)

    def _meter_chi2(self, runs: Sequence[_Judged], change: float, evidence: dict[str, float]) -> float:
        """How much better a meter that is off explains the tank's falls than flows that truly changed."""
        pool, usual = _Pool(), self._pool
        for run in runs:
            pool = pool.plus(run)
        if min(pool.square, usual.square) < LEAST_KNOWN:
            return 0.0
        ratio, variance = pool.ratio / usual.ratio, 1.0 / pool.square + 1.0 / usual.square
        evidence.update(tank_over_meter=ratio, tank_over_meter_sd=math.sqrt(variance))
        return ((ratio - 1.0) ** 2 - (ratio - math.exp(-change)) ** 2) / variance

    def _crossings(self) -> list[FlowFinding]:
        found = []
        for pair, crossing in self._crossed.items():
            usual = {f"usual_l_min_{zone_id}": self.usual_l_min(zone_id) for zone_id in pair}
            last = {f"last_l_min_{zone_id}": math.exp(self._zones[zone_id].recent[-1].log_flow) for zone_id in pair}
            evidence = {"log_odds": crossing.log_odds, **usual, **last}
            found.append(FlowFinding("zones-crossed", "+".join(pair), evidence, crossing.since_ms))
        return found

    # --- too much flow ------------------------------------------------------------------------------------------------

    def burst_limit(self, zone_id: str, battery_v: float | None, level_mm: float | None) -> tuple[float, float] | None:
        """Above which flow the zone's line has burst, and its usual flow now; None before that is known."""
        flow = self._zones[zone_id]
        if not flow.baseline.learned or battery_v is None or level_mm is None:
            return None
        speed_2 = speed2(battery_v)
        driven = drive(speed_2, lift_part(self._pump.max_head_m, self._tank.overflow_mm, level_mm))
        usual_l_min = math.exp(flow.baseline.usual_log_flow(math.log(driven)))
        # A line that was learned while it was clogged has not burst when it is cleaned.
        sound_l_min = max(usual_l_min, LEAST_OF_RATED * flow.zone.rated_flow_l_min)
        return burst_limit_l_min(sound_l_min, self._pump.max_flow_l_min * driven), usual_l_min

    def note_burst(self, zone_id: str, mono_ms: int) -> None:
        """A run of a zone was stopped because it flowed far too much."""
        self._zones[zone_id].burst_ms = mono_ms

    def relearn(self, zone_id: str) -> None:
        """What is usual in a zone is learned anew."""
        self._zones[zone_id].relearn()

    def explained_by_a_valve(self, zone_id: str) -> bool:
        """Would a valve of a third zone that does not close explain that this one flows too much?

        Two bursts at a time are not likely. To bar zone after zone for one valve would leave them all dry; what it
        takes counts for the cap of the zone that runs.
        """
        return bool(valves_suspected({**self._looks(), zone_id: True}))

    def _looks(self) -> dict[str, bool | None]:
        """Whether each zone flows too much; None for one that has not run since the first that does began to."""
        ups = {zone_id: flow.up_since_ms() for zone_id, flow in self._zones.items() if flow.baseline.learned}
        began_ms = min((since_ms for since_ms in ups.values() if since_ms is not None), default=None)
        looks: dict[str, bool | None] = {}
        for zone_id, since_ms in ups.items():
            ran = began_ms is not None and bool(self._zones[zone_id].since(began_ms))
            looks[zone_id] = True if since_ms is not None else (False if ran else None)
        return looks

    def _valve_open(self) -> FlowFinding | None:
        """The one zone that flows as usual while all others flow too much."""
        looks = self._looks()
        suspected = valves_suspected(looks)
        if len(suspected) != 1 or looks[suspected[0]] is None:
            return None
        others = [self._zones[zone_id] for zone_id in looks if zone_id not in suspected]
        if self.usual_l_min(suspected[0]) < flow_cause.WITNESS_FLOW_PART * min(
            self.usual_l_min(flow.zone.id) for flow in others
        ):
            # A regulator may hide from it what a better supply gives the others.
            return None
        since_ms = min(since for flow in others if (since := flow.up_since_ms()) is not None)
        runs = [run for flow in others for run in flow.since(since_ms) if run.change > 0.0]
        if not runs:
            return None
        evidence = {"change_percent": _percent(_mean_change(runs)), "zones": float(len(others))}
        return FlowFinding("valve-open", suspected[0], evidence, since_ms)

    # --- orders -------------------------------------------------------------------------------------------------------

    def set_reference(self, zone_id: str, flow_l_min: float, battery_v: float, level_mm: float) -> None:
        """Take a flow measured on purpose for a zone's baseline."""
        flow = self._zones[zone_id]
        flow.relearn()
        self._uncross((zone_id,))
        lift = lift_part(self._pump.max_head_m, self._tank.overflow_mm, level_mm)
        flow.baseline.set_reference(math.log(drive(speed2(battery_v), lift)), math.log(flow_l_min))

    def clear(self, kind: FlowKind, about: str, *, relearn: bool) -> None:
        """The owner has seen to a finding. `relearn`: its zones' flows are right as they now are; else the baseline
        stays, and what is still wrong is found again."""
        concerned = self._concerned(kind, about)
        if kind in NO_FLOW_KINDS:
            for flow in concerned:
                flow.no_flow.forget()
            return
        self._supply_good = 0
        if kind == "meter-wrong":
            self._pool, self.correction = _Pool(), AS_COUNTED
        self._uncross(flow.zone.id for flow in concerned)
        for flow in concerned:
            flow.quiet()
            if kind == "valve-open":
                flow.burst_ms = None
                flow.recent = [run for run in flow.recent if run.change <= SURELY_UP]
            if relearn:
                flow.relearn()

    def _concerned(self, kind: FlowKind, about: str) -> list[_ZoneFlow]:
        if kind == "valve-open":
            return [flow for flow in self._zones.values() if flow.up_since_ms() is not None]
        if about != self._pump.id:
            return [self._zones[zone_id] for zone_id in about.split("+")]
        return list(self._zones.values()) if kind in NO_FLOW_KINDS else self._blaming_supply()

    def _uncross(self, zone_ids: Iterable[str]) -> None:
        gone = set(zone_ids)
        self._crossed = {pair: crossing for pair, crossing in self._crossed.items() if gone.isdisjoint(pair)}

    # --- memory -------------------------------------------------------------------------------------------------------

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock began anew, `shift_ms` away from where it was."""
        for flow in self._zones.values():
            flow.cusum.restarted(shift_ms)
            flow.no_flow.restarted(shift_ms)
            flow.recent = [run._replace(mono_ms=run.mono_ms + shift_ms) for run in flow.recent]
            if flow.alarm is not None:
                flow.alarm.since_ms += shift_ms
            if flow.burst_ms is not None:
                flow.burst_ms += shift_ms
        for crossing in self._crossed.values():
            crossing.since_ms += shift_ms

    def dump(self) -> dict[str, Any]:
        """The memory as JSON-able data."""
        return {
            "zones": {zone_id: _zone_data(flow) for zone_id, flow in self._zones.items()},
            "pool": list(self._pool),
            "correction": list(self.correction),
            "usual_a": self._usual_a,
            "supply_good": self._supply_good,
            "crossed": [[list(p), c.since_ms, c.log_odds, dict(c.good)] for p, c in self._crossed.items()],
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back a dump; parts of zones that the site no longer has are left out."""
        for zone_id, flow in self._zones.items():
            if zone_id in data["zones"]:
                _load_zone(flow, data["zones"][zone_id])
        self._pool = _Pool(*data["pool"])
        self.correction = Correction(*data["correction"]) if "correction" in data else AS_COUNTED
        self._usual_a, self._supply_good = data["usual_a"], data["supply_good"]
        self._crossed = {
            (a, b): _Crossing(since_ms, log_odds, dict(good))
            for (a, b), since_ms, log_odds, good in data["crossed"]
            if a in self._zones and b in self._zones
        }


def _mean_change(runs: Sequence[_Judged]) -> float:
    return math.fsum(run.change for run in runs) / len(runs)


def _percent(change: float) -> float:
    return 100.0 * math.expm1(change)


def _other(pair: tuple[str, str], zone_id: str) -> str:
    return pair[1] if pair[0] == zone_id else pair[0]


def _against(run: _Judged, other: _ZoneFlow) -> flow_cause.Against:
    expected = other.baseline.expected(run.log_drive)
    sd = math.hypot(expected.sd, other.baseline.scatter)
    return flow_cause.Against(run.change, run.log_flow - expected.log_flow, math.hypot(sd, run.sd))


def _zone_finding(flow: _ZoneFlow, alarm: _Alarm) -> FlowFinding:
    kinds: dict[tuple[flow_cause.Blame, int], FlowKind] = {
        ("zone", -1): "emitters-clogged",
        ("zone", 1): "emitters-open",
        ("unknown", -1): "flow-down",
        ("unknown", 1): "flow-up",
    }
    runs = flow.since(alarm.since_ms)
    last = runs[-1]
    evidence = {
        "change_percent": _percent(_mean_change(runs)),
        "sd_percent": 100.0 * math.sqrt(math.fsum(run.sd**2 for run in runs)) / len(runs),
        "runs": float(len(runs)),
        "last_l_min": math.exp(last.log_flow),
        "expected_l_min": math.exp(last.log_flow - last.change),
    }
    return FlowFinding(kinds[alarm.blame, alarm.sign], flow.zone.id, evidence, alarm.since_ms)


def _no_flow_evidence(verdict: NoFlowVerdict) -> dict[str, float]:
    evidence = {
        "tries": float(verdict.tries),
        "log_odds": verdict.log_odds,
        "expected_l": verdict.expected_l,
        "fell_l": verdict.fell_l,
    }
    if verdict.above_suction_mm is not None:
        evidence["above_suction_mm"] = verdict.above_suction_mm
    if verdict.current_part is not None:
        evidence["current_part"] = verdict.current_part
    return evidence


def _zone_data(flow: _ZoneFlow) -> dict[str, Any]:
    alarm = flow.alarm
    return {
        "baseline": flow.baseline.dump(),
        "cusum": flow.cusum.dump(),
        "no_flow": flow.no_flow.dump(),
        "recent": [list(run) for run in flow.recent],
        "alarm": None if alarm is None else [alarm.sign, alarm.since_ms, alarm.log_drive, alarm.blame, alarm.good],
        "burst_ms": flow.burst_ms,
    }


def _load_zone(flow: _ZoneFlow, data: dict[str, Any]) -> None:
    flow.baseline.load(data["baseline"])
    flow.cusum.load(data["cusum"])
    flow.no_flow.load(data["no_flow"])
    flow.recent = [_Judged(*run) for run in data["recent"]]
    flow.alarm = None if data["alarm"] is None else _Alarm(*data["alarm"])
    flow.burst_ms = data.get("burst_ms")
