"""Days in which everything may break, by a seed: faults of the plant, the board, the cable, the clock and the owner.

`HardWeek(seed).run()` first lets faults loose for a day or two while a `Judge` watches the true state of the plant at
every step; then it repairs everything, lets the owner clear what is latched once, and sees the garden watered again.
`HardMonth` is the same for weeks, with fewer faults a day, as `scripts/campaign` runs it for years on end.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any, get_args
from zoneinfo import ZoneInfo

from controller.contract import (
    ClearFault,
    Command,
    DrainZone,
    HoldAll,
    Now,
    Order,
    OrderAnswer,
    Record,
    ResumeAll,
    RunZone,
    SetSchedule,
    StepResult,
    StopAll,
    VoidRain,
)
from controller.site.model import Schedule, Site, Tank, Window, Zone
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.faults import Quantity, SensorTrouble, TroubleKind
from simulator.plant.weather import Weather
from simulator.plant.weather_generator import generate_weather
from tests.scenario.broken_season import TWIN_CHANCE, Cable, HardSeason, LineTrouble, TwinCore
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS, MINUTE_MS, fixed
from tests.scenario.judge import Judge

SLICE_MS = 20_000
CALM_DOSE_L = 5.0
GONE_WHEN_MENDED = (
    "board-",
    "cable-noisy",
    "no-flow",
    "burst-flow",
    "meter-impossible",
    "pump-runs-on",
    "output-stuck",
    "flow-at-rest",
    "battery-unknown",
    "battery-low",
    "battery-high",
    "suction-dry",
    "clock-",
)
"""Beginnings of findings that have no reason to stand after the calm time. Estimators may need days to unlearn."""
FELT_MS = 5 * DAY_MS
"""So long after it was mended a diagnosis may still come of what was broken."""


# --- the sites ------------------------------------------------------------------------------------------------


def hard_site(rng: Random) -> Site:
    """The example site with parts missing, added or of another kind."""
    site = EXAMPLE
    zones = [_hard_zone(zone, rng) for zone in site.zones]
    tanks, pumps = list(site.tanks), list(site.pumps)
    if rng.random() < 0.25:
        tanks[0] = replace(tanks[0], float_switch_channel=None)
    if rng.random() < 0.2:
        pumps[0] = replace(pumps[0], flow_meter=None)
    if rng.random() < 0.3:
        meter = pumps[0].flow_meter
        second_float = None if tanks[0].float_switch_channel is None else 1
        tanks.append(replace(tanks[0], id="second", sensor_channel=1, float_switch_channel=second_float))
        second_meter = None if meter is None else replace(meter, channel=1)
        pumps.append(replace(pumps[0], id="second-pump", tank_id="second", output=1, flow_meter=second_meter))
        zones = [replace(zone, tank_id="second") if rng.random() < 0.4 else zone for zone in zones]
    if rng.random() < 0.4:
        zones = rng.sample(zones, rng.randint(1, 3))
    gauge = None if rng.random() < 0.25 else site.rain_gauge
    return replace(site, zones=tuple(zones), tanks=tuple(tanks), pumps=tuple(pumps), rain_gauge=gauge)


def _hard_zone(zone: Zone, rng: Random) -> Zone:
    if rng.random() < 0.4:
        times = tuple(sorted(rng.sample(range(0, 1440, 5), rng.randint(1, 3))))
        zone = replace(zone, schedule=fixed(rng.uniform(2.0, 45.0), *times, cap_l=rng.uniform(5.0, 60.0)))
    if rng.random() < 0.3:
        zone = replace(zone, valve=replace(zone.valve, kind="latching"))
    if rng.random() < 0.2:
        zone = replace(zone, valve=replace(zone.valve, opening_s=rng.choice((4.0, 8.0, 15.0))))
    return zone


# --- a week ---------------------------------------------------------------------------------------------------


class HardWeek:
    """One seed's week. `run` raises AssertionError with the seed and the time of whatever goes wrong."""

    def __init__(self, seed: int, hard_hours: float = 44.0, muted: frozenset[int] = frozenset()) -> None:
        """`muted`: numbers of strikes that are left out, to find the few that a failure needs."""
        self.seed = seed
        self._muted = muted
        self.struck: list[str] = []
        """The kind of each strike so far."""
        self.rng = rng = Random(f"hard week {seed}")
        self.site = self._some_site()
        start, weather = self._some_weather(math.ceil(hard_hours / 24.0) + 6)
        midnight = datetime.combine(start, time(), ZoneInfo(self.site.place.time_zone))
        self.start_wall_ms = int(midnight.timestamp() * 1000)
        fill = rng.choice((0.11, 0.2, 0.5, 0.8))
        self.season = HardSeason(self.site, weather, seed, self.start_wall_ms, fill=fill)
        bank = self.season.plant.bank
        bank.charge_ah = rng.choice((0.3, 0.6, 0.9, 0.9)) * bank.capacity_ah
        self.cable = Cable(self.season, Random(f"cable {seed}"))
        self._twins = Random(f"twins {seed}")
        self.forks = 0
        self._wrap_core()
        self.judge = Judge(self.season)
        self.judge.line_is_bad = lambda: not self.cable.weather.is_none
        self.season.watch = self._take
        self.records: list[tuple[Now, Record]] = []
        self.answers: list[OrderAnswer] = []
        self.told: list[str] = []
        self._dew_ms = -1
        """When a ranger's face was last wet in calm times."""
        self._calm = False
        self._digest = hashlib.sha256()
        self._orders = 0
        self._under_strikes: list[tuple[int, int]] = []
        """From when to when something was broken, or may still have been felt."""
        self._hard_ms = round(hard_hours * HOUR_MS)
        # Whatever breaks, somebody gives orders.
        self._kinds = [*rng.sample(FAULT_KINDS, rng.randint(2, 7)), "order"]

    def _some_site(self) -> Site:
        return hard_site(self.rng)

    def _some_weather(self, days: int) -> tuple[date, Weather]:
        """A first day in July, and warm days from then on."""
        start = date(2026, 7, 1) + timedelta(days=self.rng.randrange(30))
        rows = [
            DailyRecord(
                start + timedelta(days=day), 12.0, self.rng.uniform(20.0, 34.0), self.rng.choice((0.0, 0.0, 0.0, 12.0))
            )
            for day in range(-1, days)
        ]
        return start, weather_from_daily(rows, self.site.place, self.seed)

    @property
    def plant_ms(self) -> int:
        return self.season.plant.now_ms

    def _wrap_core(self) -> None:
        core = self.season.core
        self.season.core = TwinCore(self.site, core, self._twins, self._count_fork, self._twin_chance)

    _twin_chance = TWIN_CHANCE

    def _count_fork(self) -> None:
        self.forks += 1

    def _take(self, now: Now, result: StepResult) -> None:
        if self._calm and self.season.is_dewy:
            self._dew_ms = now.mono_ms
        for record in result.records:
            self.records.append((now, record))
            entry = [now.mono_ms, now.wall_ms, record.kind, record.key, record.data]
            self._digest.update(json.dumps(entry, allow_nan=False).encode())
        self.answers += result.answers
        self.judge.core_stepped(now, result)

    # --- hard times -------------------------------------------------------------------------------------------

    def run(self) -> None:
        """The whole week; AssertionError names seed, time and what had happened before."""
        try:
            self._hard_times()
            # What is still on its way over a slow line is booked when it is heard.
            self.cable.weather = LineTrouble()
            self._run_until(self.plant_ms + 5000)
            self.judge.check_books(self.records)
            self._calm_times()
            self.judge.check_books(self.records)
        except Exception as error:
            hour = self.plant_ms / HOUR_MS
            happened = "\n".join(self.told[-25:])
            raise AssertionError(f"seed {self.seed} at {hour:.4f} h: {error!r}; before that:\n{happened}") from error

    def _hard_times(self) -> None:
        rng = self.rng
        schedule: list[tuple[int, Callable[[], None]]] = []
        for _ in range(self._strike_count()):
            kind = rng.choice(self._kinds)
            self._plan(schedule, self._likely_ms(), kind)
        watched = rng.sample(self._kinds, min(2, len(self._kinds)))
        while self.plant_ms < self._hard_ms:
            schedule.sort(key=lambda entry: entry[0])
            next_ms = schedule[0][0] if schedule else self._hard_ms
            self._run_until(min(next_ms, self.plant_ms + self._slice_ms(), self._hard_ms))
            while schedule and schedule[0][0] <= self.plant_ms:
                schedule.pop(0)[1]()
            if watched and self.judge.flowing and rng.random() < self._while_flowing:
                # What breaks while water runs is what hurts.
                self._plan(schedule, self.plant_ms + rng.randrange(30_000), watched[rng.randrange(len(watched))])

    _while_flowing = 0.15
    """Chance of one more strike at each look while water flows."""

    def _strike_count(self) -> int:
        return self.rng.randint(6, 24)

    def _slice_ms(self) -> int:
        return SLICE_MS

    def _likely_ms(self) -> int:
        """Some time, more often than not one at which zones are watered."""
        rng = self.rng
        day = rng.randrange(max(2, self._hard_ms // DAY_MS)) * DAY_MS
        windows = ((5.5, 8.0), (11.5, 13.0), (18.0, 22.0), (0.0, 24.0))
        first, last = rng.choice(windows)
        return day + round(rng.uniform(first, last) * HOUR_MS)

    def _plan(self, schedule: list[tuple[int, Callable[[], None]]], at_ms: int, kind: str) -> None:
        rng = self.rng
        strike = getattr(self, f"_break_{kind}")
        lasting_ms = round(MINUTE_MS * math.exp(rng.uniform(math.log(0.2), math.log(400.0))))

        def begin() -> None:
            self.struck.append(kind)
            if len(self.struck) - 1 in self._muted:
                return
            began_ms = self.plant_ms
            mend = strike()
            self._under_strikes.append((began_ms, self.plant_ms + lasting_ms + FELT_MS))
            self._tell(f"{kind} for {lasting_ms / MINUTE_MS:.1f} min")
            self.season.plant.refresh()
            if mend is not None:
                schedule.append((self.plant_ms + lasting_ms, lambda: end(mend)))

        def end(mend: Callable[[], object]) -> None:
            mend()
            self._tell(f"{kind} mended")
            self.season.plant.refresh()

        schedule.append((at_ms, begin))

    @property
    def quiet_ms(self) -> int:
        """For how long nothing was broken, nor had been for days."""
        quiet_ms, seen_ms = 0, 0
        for began_ms, ended_ms in sorted(self._under_strikes):
            quiet_ms += max(0, min(began_ms, self._hard_ms) - seen_ms)
            seen_ms = max(seen_ms, ended_ms)
        return quiet_ms + max(0, min(self.plant_ms, self._hard_ms) - seen_ms)

    def digest(self) -> str:
        """The same for the same records, to the last byte."""
        return self._digest.hexdigest()[:12]

    def false_alerts(self) -> tuple[str, ...]:
        """Diagnoses that were told in such times."""
        return tuple(
            key
            for told_ms, key in self.judge.told
            if told_ms < self._hard_ms and not any(first <= told_ms <= last for first, last in self._under_strikes)
        )

    def _tell(self, what: str) -> None:
        self.told.append(f"{self.plant_ms / HOUR_MS:9.4f} h  {what}")

    def _run_until(self, to_ms: int) -> None:
        """On in steps short enough for late lines and, while anything is on, for the judge."""
        while self.plant_ms < to_ms:
            step_ms = 500 if self.cable.weather.late_ms else to_ms - self.plant_ms
            self.season.run_until(min(to_ms, self.plant_ms + step_ms))
            self.cable.carry()

    # --- what may break; each returns how it is mended ----------------------------------------------------------

    def _zone(self) -> Zone:
        """Any zone; while one is watered most often that one."""
        present = self.judge.watered_zone_id
        if present is not None and self.rng.random() < 0.7:
            return self.site.zone(present)
        return self.rng.choice(self.site.zones)

    def _tank(self) -> Tank:
        """Any tank; while a zone is watered most often its own."""
        return self.site.tank(self._zone().tank_id) if self.rng.random() < 0.7 else self.rng.choice(self.site.tanks)

    def _break_valve(self) -> Callable[[], object]:
        stuck, output = self.season.plant.faults.valve_stuck, self._zone().valve.output
        stuck[output] = self.rng.random() < 0.5
        return lambda: stuck.pop(output, None)

    def _break_pump(self) -> Callable[[], object]:
        faults, output = self.season.plant.faults, self.rng.choice(self.site.pumps).output
        chosen = faults.pump_dead if self.rng.random() < 0.6 else faults.pump_welded
        chosen.add(output)
        return lambda: chosen.discard(output)

    def _break_leak(self) -> Callable[[], object]:
        leaks, tank = self.season.plant.faults.leak_l_h, self._tank().id
        leaks[tank] = self.rng.uniform(1.0, 60.0)
        return lambda: leaks.pop(tank, None)

    def _break_emitters(self) -> Callable[[], object]:
        clogs, zone = self.season.plant.faults.emitters_clogged, self._zone().id
        clogs[zone] = self.rng.uniform(0.2, 1.0)
        return lambda: clogs.pop(zone, None)

    def _break_pipe(self) -> Callable[[], object]:
        bursts, zone = self.season.plant.faults.pipe_burst, self._zone().id
        bursts[zone] = self.rng.uniform(1.2, 4.0)
        return lambda: bursts.pop(zone, None)

    def _break_level(self) -> Callable[[], object]:
        faults, channel = self.season.plant.faults, self._tank().sensor_channel
        kind = self.rng.randrange(3)
        if kind == 2:
            faults.echo_jump_mm[channel] = self.rng.uniform(-1000.0, 1000.0)
            return lambda: faults.echo_jump_mm.pop(channel, None)
        chosen = (faults.echo_silent, faults.echo_frozen)[kind]
        chosen.add(channel)
        return lambda: chosen.discard(channel)

    def _break_temperature(self) -> Callable[[], object]:
        faults = self.season.plant.faults
        if self.rng.random() < 0.5:
            faults.temperature_bad.add(0)
            return lambda: faults.temperature_bad.discard(0)
        faults.temperature_frozen[0] = self.rng.choice((-30.0, -1.0, 15.0, 85.0))
        return lambda: faults.temperature_frozen.pop(0, None)

    def _break_battery(self) -> Callable[[], object]:
        faults, bank, kind = self.season.plant.faults, self.season.plant.bank, self.rng.randrange(4)
        if kind == 0:
            faults.battery_bad = True
            return lambda: setattr(faults, "battery_bad", False)
        if kind == 1:
            faults.battery_frozen_mv = self.rng.choice((0, 3000, 10_500, 11_900, 12_900, 15_500, 65_535))
            return lambda: setattr(faults, "battery_frozen_mv", None)
        if kind == 2:
            bank.charge_ah = self.rng.choice((0.01, 0.03, 0.1, 0.3)) * bank.capacity_ah
            return lambda: None
        faults.panel_shaded = 1.0
        return lambda: setattr(faults, "panel_shaded", 0.0)

    def _break_meter(self) -> Callable[[], object] | None:
        meters = [pump.flow_meter.channel for pump in self.site.pumps if pump.flow_meter]
        if not meters:
            return None
        faults, channel, kind = self.season.plant.faults, self.rng.choice(meters), self.rng.randrange(3)
        if kind == 0:
            faults.flow_meter_dead.add(channel)
            return lambda: faults.flow_meter_dead.discard(channel)
        if kind == 1:
            # A wheel that drags, or contacts that bounce.
            faults.flow_meter_slow[channel] = self.rng.uniform(0.5, 2.5)
            return lambda: faults.flow_meter_slow.pop(channel, None)
        faults.flow_phantom_l_h[channel] = self.rng.uniform(1.0, 900.0)
        return lambda: faults.flow_phantom_l_h.pop(channel, None)

    def _break_gauge(self) -> Callable[[], object]:
        faults = self.season.plant.faults
        if self.rng.random() < 0.5:
            faults.gauge_splash_mm_h = self.rng.uniform(2.0, 600.0)
            return lambda: setattr(faults, "gauge_splash_mm_h", 0.0)
        faults.rain_gauge_blocked = True
        return lambda: setattr(faults, "rain_gauge_blocked", False)

    def _break_valve_pace(self) -> Callable[[], object]:
        slow, output = self.season.plant.faults.valve_slow_s, self._zone().valve.output
        slow[output] = self.rng.uniform(3.0, 40.0)
        return lambda: slow.pop(output, None)

    def _break_supply(self) -> Callable[[], object]:
        faults, pump_id = self.season.plant.faults, self.rng.choice(self.site.pumps).id
        chosen = self.rng.choice((faults.pump_worn, faults.filter_clogged))
        chosen[pump_id] = self.rng.uniform(0.1, 0.9)
        return lambda: chosen.pop(pump_id, None)

    def _break_fittings(self) -> Callable[[], object]:
        popped, zone = self.season.plant.faults.emitters_popped, self._zone()
        popped[zone.id] = self.rng.randint(1, 8)
        return lambda: popped.pop(zone.id, None)

    def _break_wires(self) -> Callable[[], object] | None:
        """Two valves of one tank changed over."""
        zone = self._zone()
        others = [other for other in self.site.zones if other.tank_id == zone.tank_id and other is not zone]
        if not others:
            return None
        crossed = self.season.plant.faults.zones_crossed
        if crossed:
            return None
        pair = (zone.valve.output, self.rng.choice(others).valve.output)
        crossed.add(pair)
        return lambda: crossed.discard(pair)

    def _break_roof(self) -> Callable[[], object] | None:
        if not self.site.roofs:
            return None
        blocked, roof_id = self.season.plant.faults.gutter_blocked, self.rng.choice(self.site.roofs).id
        blocked[roof_id] = self.rng.uniform(0.3, 1.0)
        return lambda: blocked.pop(roof_id, None)

    def _break_charger(self) -> Callable[[], object]:
        faults, kind = self.season.plant.faults, self.rng.randrange(4)
        name, value, sound = (
            ("charger_dead", True, False),
            ("charger_low_v", 13.0, None),
            ("charger_high_v", 16.0, None),
            ("battery_fade", self.rng.uniform(0.1, 0.6), 0.0),
        )[kind]
        setattr(faults, name, value)
        return lambda: setattr(faults, name, sound)

    def _break_echoes(self) -> Callable[[], object]:
        faults, channel, kind = self.season.plant.faults, self._tank().sensor_channel, self.rng.randrange(3)
        chosen = (faults.echo_false_mm, faults.echo_lost_part, faults.echo_drift_mm_day)[kind]
        chosen[channel] = (self.rng.uniform(260.0, 900.0), self.rng.random(), self.rng.uniform(-200.0, 200.0))[kind]
        return lambda: chosen.pop(channel, None)

    def _break_sensor(self) -> Callable[[], object]:
        """Any sensor, in any of the ways in which sensors go wrong."""
        rng, troubles = self.rng, self.season.plant.faults.sensor
        quantity: Quantity = rng.choice(get_args(Quantity))
        channel = self._tank().sensor_channel if quantity == "echo" else 0
        kind: TroubleKind = rng.choice(get_args(TroubleKind))
        amounts: dict[str, float] = {
            "garbage": rng.uniform(1.0, 4000.0),
            "slow": rng.uniform(5.0, 3600.0),
            "delayed": rng.uniform(5.0, 3600.0),
            "intermittent": rng.random(),
        }
        wrong = {
            "echo": rng.uniform(-400.0, 400.0),
            "flow": rng.uniform(0.3, 3.0),
            "battery": rng.uniform(-2.0, 2.0),
            "temperature": rng.uniform(-30.0, 30.0),
            "rain": rng.uniform(0.0, 5.0),
        }
        troubles[(quantity, channel)] = SensorTrouble(kind, amounts.get(kind, wrong[quantity]))
        self._tell(f"{quantity} {channel}: {troubles[(quantity, channel)]}")
        return lambda: troubles.pop((quantity, channel), None)

    def _break_float(self) -> Callable[[], object] | None:
        channels = [tank.float_switch_channel for tank in self.site.tanks if tank.float_switch_channel is not None]
        if not channels:
            return None
        stuck, channel = self.season.plant.faults.float_stuck, self.rng.choice(channels)
        stuck[channel] = self.rng.random() < 0.5
        return lambda: stuck.pop(channel, None)

    def _break_tank(self) -> None:
        """Somebody takes water with a bucket, or fills up."""
        tank = self._tank()
        plant = self.season.plant
        volume_l = plant.truth.volume_l(tank.id)
        plant.set_volume(tank.id, self.rng.choice((0.0, 0.7 * tank.reserve_l, 0.5 * volume_l, 1.5 * volume_l)))

    def _break_board(self) -> None:
        if self.rng.random() < 0.5:
            cause = self.rng.choice(("brownout", "power", "soft"))
            self.judge.board_reset(cause)
            self.season.reset_board(cause)
        else:
            self.judge.board_hangs()
            self.season.hang_board()

    def _break_controller(self) -> None:
        away_ms = round(1000.0 * math.exp(self.rng.uniform(math.log(0.2), math.log(2000.0))))
        self._tell(f"controller away for {away_ms / 1000.0:.1f} s")
        self.judge.controller_restarts()
        self.season.restart(away_ms)
        self._wrap_core()
        self.judge.controller_is_back()

    def _break_cable(self) -> Callable[[], object]:
        rng, cable = self.rng, self.cable
        weather = LineTrouble()
        for trouble in rng.sample(("damage", "drop", "repeat", "late_ms", "cut"), rng.randint(1, 3)):
            if trouble == "late_ms":
                weather.late_ms = rng.choice((200, 2_000, 20_000, 60_000))
            elif trouble == "cut":
                weather.drop = 1.0
            else:
                setattr(weather, trouble, max(getattr(weather, trouble), rng.choice((0.02, 0.2, 0.6))))
        cable.weather = weather
        self._tell(str(weather))
        return lambda: setattr(cable, "weather", LineTrouble())

    def _break_clock(self) -> Callable[[], object]:
        season, rng = self.season, self.rng
        step_ms = rng.choice((1, 60, 3600, 8 * 3600, 24 * 3600, 48 * 3600, 20 * 365 * 86_400)) * 1000
        step_ms *= rng.choice((-1, 1))
        if rng.random() < 0.3:
            # A guess, from where the journal ended: behind the truth.
            season.trust = "unknown"
            step_ms = -min(abs(step_ms), DAY_MS)
        self.judge.clock_stepped(step_ms)
        self._tell(f"clock off by {step_ms / 1000:.0f} s, {season.trust}")
        season.clock_step_ms = step_ms
        return self._mend_clock

    def _mend_clock(self) -> None:
        self.season.clock_step_ms = 0
        self.season.trust = "synchronised"

    def _break_order(self) -> None:
        command = self._some_command()
        if isinstance(command, DrainZone) and self.rng.random() < 0.7:
            # Without a hold it is refused, and nothing is learned.
            self.order(HoldAll(self.season.now().wall_ms + 20 * MINUTE_MS))
            self._run_until(self.plant_ms + MINUTE_MS)
        self.order(command)

    def _some_command(self) -> Command:
        rng, zone = self.rng, self._zone().id
        season = self.season
        snapshot = season.core.snapshot(season.now())
        kind = rng.randrange(11)
        if kind <= 1:
            return RunZone(zone, rng.choice((0.3, 3.0, 20.0, 1e9, -1.0, 0.0, math.nan, math.inf)))
        if kind == 2:
            wall_ms = season.now().wall_ms
            return HoldAll(rng.choice((None, wall_ms + 600_000, wall_ms - 1, 10**17)))
        if kind == 3:
            return ResumeAll()
        if kind == 4:
            return StopAll()
        if kind == 5:
            version = next(view.schedule_version for view in snapshot.zones if view.id == zone)
            return SetSchedule(rng.choice((zone, "no-such-zone")), self._some_schedule(), rng.choice((version, 99)))
        if kind == 6:
            day = datetime.fromtimestamp(season.now().wall_ms / 1000.0, ZoneInfo(self.site.place.time_zone)).date()
            return VoidRain((day - timedelta(days=rng.randrange(4))).isoformat(), "a bird")
        if kind in (7, 8):
            return DrainZone(zone, rng.choice((0.5, 4.0, 4.0, 15.0, 15.0, -1.0, math.nan, math.inf)))
        latched = [finding.id for finding in snapshot.findings if finding.latched]
        return ClearFault(rng.choice([*latched, "no-such-fault"]))

    def _some_schedule(self) -> Schedule:
        rng = self.rng
        if rng.random() < 0.3:
            return rng.choice(
                (
                    Schedule("need", (Window(0, 1440),), math.nan),
                    Schedule("need", (Window(0, 1440),), 20.0, 0),
                    Schedule("need", (Window(600, 300),), 20.0),
                    Schedule("fixed", (), 20.0, 1, math.nan, (300,)),
                    Schedule("fixed", (), 20.0, 1, 5.0, (1500, -3)),
                    Schedule("fixed", (), -20.0, 1, math.inf, (300,)),
                )
            )
        if rng.random() < 0.5:
            return fixed(rng.uniform(1.0, 20.0), *sorted(rng.sample(range(1440), 4)), cap_l=rng.uniform(1.0, 40.0))
        mode: Any = rng.choice(("need", "need", "off"))
        return Schedule(mode, (Window(0, 1440),), rng.uniform(1.0, 40.0), rng.randint(1, 6))

    def order(self, command: Command) -> OrderAnswer:
        """Give an order now; the answer comes in the same step."""
        self._orders += 1
        order_id = f"order-{self._orders}"
        self.judge.ordered(command)
        self.season.order(Order(order_id, "somebody", None, command))
        self._run_until(self.plant_ms)
        self.season.run_until(self.plant_ms)
        answer = next(answer for answer in self.answers if answer.order_id == order_id)
        self._tell(f"{command} -> {'accepted' if answer.accepted else answer.reason}")
        self.judge.answered()
        return answer

    # --- calm times -------------------------------------------------------------------------------------------

    def _calm_times(self) -> None:
        """All faults mended, water and charge there: after clearing once, every zone is watered at its time."""
        self._calm = True
        self._mend_everything()
        # Half an hour above the resume voltage, and what the board waits for by itself.
        self._run_until(self.plant_ms + 2 * HOUR_MS)
        self._clear_once()
        # The caps of the hard days hold to the end of the day.
        day_end_ms = (self.plant_ms // DAY_MS + 1) * DAY_MS
        self._run_until(day_end_ms + 10 * MINUTE_MS)
        zones = list(self.site.zones)
        for number, zone in enumerate(zones):
            # A dose that was under way at midnight has its hour to soak in first.
            schedule = fixed(CALM_DOSE_L, 120 + 20 * number)
            version = self._view(zone.id).schedule_version
            answer = self.order(SetSchedule(zone.id, schedule, version))
            assert answer.accepted, answer.reason
        first_ms = day_end_ms + 2 * HOUR_MS
        self._run_until(first_ms + (20 * len(zones) + 30) * MINUTE_MS)
        for number, zone in enumerate(zones):
            self._check_watered(zone, first_ms + 20 * number * MINUTE_MS)
        shown = [finding.id for finding in self.season.core.snapshot(self.season.now()).findings]
        left = [finding_id for finding_id in shown if finding_id.startswith(GONE_WHEN_MENDED)]
        assert not left, f"L2: {left} are still told when all has been mended and cleared"

    def _mend_everything(self) -> None:
        season = self.season
        season.plant.faults.__init__()  # type: ignore[misc]
        self.cable.weather = LineTrouble()
        self._mend_clock()
        for tank in season.plant.tanks.values():
            season.plant.set_volume(tank.tank.id, 0.7 * tank.overflow_volume_l)
        self._put_in_a_charged_battery()
        season.plant.refresh()
        self._tell("everything mended")

    def _put_in_a_charged_battery(self) -> None:
        """Nothing has power while it is changed."""
        bank = self.season.plant.bank
        bank.charge_ah = 0.95 * bank.capacity_ah
        self.judge.board_reset("power")
        self.season.reset_board("power")
        self.judge.controller_restarts()
        self.season.restart(60_000)
        self._wrap_core()
        self.judge.controller_is_back()

    def _clear_once(self) -> None:
        """One act of a person for each fault that stands."""
        self.order(ResumeAll())
        for finding in self.season.core.snapshot(self.season.now()).findings:
            if finding.latched:
                self.order(ClearFault(finding.id))
        self._run_until(self.plant_ms + 5000)
        standing = [finding.id for finding in self.season.core.snapshot(self.season.now()).findings if finding.latched]
        assert not standing, f"L2: still latched after clearing: {standing}"

    def _view(self, zone_id: str) -> Any:
        snapshot = self.season.core.snapshot(self.season.now())
        return next(view for view in snapshot.zones if view.id == zone_id)

    def _check_watered(self, zone: Zone, due_ms: int) -> None:
        starts = [
            now.mono_ms
            for now, record in self.records
            if record.kind == "start" and record.key == zone.id and now.mono_ms >= due_ms
        ]
        findings = [finding.id for finding in self.season.core.snapshot(self.season.now()).findings]
        if not starts and ("frost" in (self._view(zone.id).last_refusal or "") or self._dew_ms >= due_ms):
            # So it should be: who does not see the water does not pump it.
            return
        assert starts, f"L1: {zone.id} was not watered in calm times; {self._view(zone.id).last_refusal!r}, {findings}"
        # 60 s after it is due, and a minute more: the core sleeps from one idle report to the next.
        # Dew on the ranger's face may hide the level for a while, faults or none.
        hidden = any(
            record.kind == "refusal" and "level-unknown" in record.data["blockers"] and now.mono_ms >= due_ms
            for now, record in self.records
        )
        assert starts[0] - due_ms <= (HOUR_MS if hidden else 120_000), (
            f"L1: {zone.id} was watered {starts[0] - due_ms} ms after it was due"
        )
        runs = [
            record.data
            for now, record in self.records
            if record.kind == "delivery" and record.key == zone.id and now.mono_ms >= due_ms
        ]
        volumes_l = [run["volume_l"] for run in runs]
        assert len(runs) == 1, f"L1: {zone.id} was watered {volumes_l} L instead of once"
        assert abs(volumes_l[0] - CALM_DOSE_L) < 0.6, f"L1: {zone.id} got {volumes_l[0]} L instead of {CALM_DOSE_L} L"


class HardMonth(HardWeek):
    """Three weeks of a garden as it is, in which now and then something breaks, at least fifty times a year."""

    _while_flowing = 0.002
    _twin_chance = TWIN_CHANCE / 4.0
    """Weeks have many more steps: there are dozens of twins all the same."""

    def __init__(self, seed: int, hard_days: float = 21, muted: frozenset[int] = frozenset()) -> None:
        super().__init__(seed, 24.0 * hard_days, muted)

    def _some_site(self) -> Site:
        return replace(super()._some_site(), idle_report_s=self.rng.choice((60, 120, 300)))

    def _some_weather(self, days: int) -> tuple[date, Weather]:
        """Any three weeks of a year in which the clocks are not put forward or back: the judge's days are even."""
        zone, even = ZoneInfo(self.site.place.time_zone), False
        while not even:
            start = date(2026, 1, 1) + timedelta(days=self.rng.randrange(365))
            ends = [datetime.combine(start + timedelta(days=day), time(), zone).utcoffset() for day in (0, days)]
            even = ends[0] == ends[1]
        return start, generate_weather(self.site.place, start - timedelta(days=1), days + 3, self.seed)

    def _strike_count(self) -> int:
        return max(1, round(self.rng.uniform(50.0, 150.0) * self._hard_ms / DAY_MS / 365.0))

    def _slice_ms(self) -> int:
        return SLICE_MS if self.judge.flowing else 15 * SLICE_MS


class SmallGarden(HardMonth):
    """Twenty weeks of one bed that gets a minute of water a day: years of it take not long. There are a dozen such
    gardens, so that the price of water is worked out a dozen times."""

    _twin_chance = TWIN_CHANCE / 16.0
    _gardens = 12

    def __init__(self, seed: int, hard_days: float = 140, muted: frozenset[int] = frozenset()) -> None:
        super().__init__(seed, hard_days, muted)

    def _some_site(self) -> Site:
        rng = Random(f"small garden {self.seed % self._gardens}")
        site = hard_site(rng)
        zone = replace(rng.choice(site.zones), tank_id=site.tanks[0].id)
        schedule = replace(zone.schedule, daily_cap_l=min(zone.schedule.daily_cap_l, zone.rated_flow_l_min))
        return replace(
            site,
            zones=(replace(zone, schedule=schedule),),
            tanks=site.tanks[:1],
            pumps=site.pumps[:1],
            idle_report_s=300,
        )


FAULT_KINDS = (
    "valve",
    "pump",
    "leak",
    "emitters",
    "pipe",
    "level",
    "temperature",
    "battery",
    "meter",
    "gauge",
    "valve_pace",
    "supply",
    "fittings",
    "wires",
    "roof",
    "charger",
    "echoes",
    "sensor",
    "float",
    "tank",
    "board",
    "controller",
    "cable",
    "clock",
    "order",
)
