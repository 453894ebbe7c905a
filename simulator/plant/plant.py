"""The site as it truly is, moved along in time.

Everything flows at standing rates between events: the turn of an hour, a quarter of an hour of sun, a valve that
finishes its travel, a tank that reaches its suction. `advance` therefore costs next to nothing until an event comes or
somebody looks. True parameters differ from the declared ones by a few per cent, by the seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from controller.site.model import FlowMeter, Pump, Site, Zone
from simulator.plant.ageing import Ageing
from simulator.plant.evaporation import evaporation_mm_h
from simulator.plant.faults import PlantFaults
from simulator.plant.headspace import Headspace
from simulator.plant.hydraulics import Branch, Filter, Pipe, PumpCurve, operating_flows
from simulator.plant.power import MS_PER_H, Bank, SolarPanel, inrush_a
from simulator.plant.roof import RoofWater
from simulator.plant.root_zone import RootZone
from simulator.plant.tank import TankWater
from simulator.plant.truth import Truth
from simulator.plant.weather import HOUR_MS, Hour, Weather, local_date

_ELECTRONICS_W, _ELECTRONICS_SPREAD_W = (1.5, 3.0), 0.25
_QUARTER_MS = HOUR_MS // 4
_RESOLVE_MS = 30_000
_NEVER_MS = 1 << 62
_LOAD_V, _LEAST_V = 12.6, 10.0
_HELD_VALVE_A, _HELD_VALVE_SPREAD = 0.3, 0.08
_DRY_CURRENT, _DEAD_HEAD_CURRENT = 0.55, 0.9
_RATED_CURRENT_PART = 0.3
"""Part of a pump's greatest flow at which it takes its rated current; own choice."""
_CURRENT_SPREAD = 0.04
_CLEAN_FILTER_M = 1.0
"""Loss of a clean mesh filter at the pump's greatest flow; common practice, no source."""
_POPPED_L_MIN = 1.2
"""What the hole of an emitter that came off lets through at the nominal head; common practice, no source."""
_FILL_S, _AIR_FLOW_PART, _DRAIN_MS = (2.0, 5.0), 0.3, 1_800_000
"""While the line fills after a rest, little flows; a line that rested for half an hour has drained; own choice."""
_EMITTERS_ABOVE_OVERFLOW_MM = 300.0
_EMITTER_EXPONENT, _NOMINAL_HEAD_M = 0.5, 10.0
_TUBE_BORES_MM = (13.6, 15.8, 20.9, 26.6, 35.1, 52.5)
_TANK_EVAPORATION = 0.04


@dataclass(slots=True)
class ValveState:
    """A valve: what its pin says, where it truly is, and when it gets where it is driven."""

    zone: Zone
    roots: RootZone
    branch: Branch
    hold_a: float
    """Current while it is held open; none for a latching one."""
    driven_open: bool = False
    truly_open: bool = False
    due_ms: int = _NEVER_MS


@dataclass(slots=True)
class PumpState:
    """A pump with its suction tank; flows in litres per millisecond."""

    pump: Pump
    tank: TankWater
    curve: PumpCurve
    trunk: Pipe
    lift_datum_mm: float
    mesh: Filter
    running_a: float
    """Current at the rated point and voltage."""
    fill_ms: float
    """How long a drained line takes to fill."""
    filled_ms: int = -_NEVER_MS
    stopped_ms: int = -_NEVER_MS
    pulses_per_l: float = 0.0
    switched_on: bool = False
    running: bool = False
    dry: bool = False
    dead_headed: bool = False
    flow_l_ms: float = 0.0
    current_a: float = 0.0
    flows: list[tuple[RootZone, float]] = field(default_factory=list)
    pulses: float = 0.0
    delivered_l: float = 0.0
    started_ms: int = -_NEVER_MS
    starts: int = 0
    running_ms: int = 0
    dry_ms: int = 0
    dead_head_ms: int = 0


class Plant:
    """The physics of one site. Times are milliseconds since the plant's start at `start_wall_ms` (UTC)."""

    def __init__(self, site: Site, weather: Weather, seed: int, start_wall_ms: int, fill: float = 0.6) -> None:
        """`fill` is the part of each tank's overflow volume that is in it at the start."""
        self.site, self.weather, self.seed, self.start_wall_ms = site, weather, seed, start_wall_ms
        self.faults = PlantFaults()
        self.ageing: Ageing | None = None
        """What turns the fault knobs a little each day; nothing ages without it."""
        self.now_ms = 0
        self.settled_ms = 0
        """Up to when all contents are brought; whoever reads often compares before calling `settle`."""
        self._today = local_date(start_wall_ms, site.place)
        self.tanks = {t.id: TankWater(t, 0.0) for t in site.tanks}
        for tank in self.tanks.values():
            tank.volume_l = fill * tank.overflow_volume_l
        self.roofs = [RoofWater(r, self._rng("roof", r.id)) for r in site.roofs]
        self.roots = {z.id: RootZone(z, self._rng("zone", z.id), self._today) for z in site.zones}
        self.valves = {z.valve.output: self._valve_state(z) for z in site.zones}
        self.pumps = {p.output: self._pump_state(p) for p in site.pumps}
        self._feeds = {p.output: self._valves_of(p) for p in site.pumps}
        place = site.place
        self.panel: SolarPanel | None = None
        if site.panel is not None:
            self.panel = SolarPanel(site.panel, place.latitude_deg, place.longitude_deg, self._rng("panel", ""))
        self._panel_a = 0.0
        self._supply_v = 0.0
        self._supply_seen_ms = -1
        """The voltage at the terminals while pumps run, and when it was that: it is asked for often in one instant."""
        self._electronics = self._rng("electronics", "")
        self._usual_w = self._electronics.uniform(*_ELECTRONICS_W)
        self.electronics_w = self._usual_w
        """What the computer and all that hangs on it take, another value each hour."""
        self.rain_mm = 0.0
        self.splashed_mm = 0.0
        """What fell into the gauge beside the rain."""
        self._rain_mm_ms = 0.0
        self.hour: Hour = weather.hour(start_wall_ms)
        day_c = sum((weather.hour(start_wall_ms + k * HOUR_MS).temperature_c for k in range(24)), 0.0) / 24.0
        self.bank = Bank(site.battery, self._rng("battery", ""), day_c)
        self.headspaces = {t: Headspace(w, self._rng("headspace", t), day_c) for t, w in self.tanks.items()}
        self._hose_ends_ms: dict[str, int] = {}
        self._hour_began_ms = 0
        self._next_hour_ms = HOUR_MS - start_wall_ms % HOUR_MS
        self._next_quarter_ms = 0
        self.next_event_ms = 0
        self._water_moves = False
        self.pumps_run = False
        self._opening_l = self.stored_l()
        self._begin_hour()
        self._event()
        self.truth = Truth(self)

    def _rng(self, part: str, name: str) -> Random:
        # A generator per part: adding a zone changes nothing for the others.
        return Random(f"{self.seed} {part} {name}")

    def _branch(self, zone: Zone) -> Branch:
        rng = self._rng("emitters", zone.id)
        flow = zone.rated_flow_l_min * (1.0 + rng.gauss(0.0, 0.03))
        pipe = Pipe(_bore_for(zone.rated_flow_l_min), rng.uniform(5.0, 25.0))
        return Branch(pipe, flow / _NOMINAL_HEAD_M**_EMITTER_EXPONENT, _EMITTER_EXPONENT, _NOMINAL_HEAD_M)

    def _valve_state(self, zone: Zone) -> ValveState:
        hold_a = _HELD_VALVE_A * (1.0 + self._rng("valve", zone.id).gauss(0.0, _HELD_VALVE_SPREAD))
        return ValveState(zone, self.roots[zone.id], self._branch(zone), hold_a if zone.valve.kind == "held" else 0.0)

    def _pump_state(self, pump: Pump) -> PumpState:
        rng = self._rng("pump", pump.id)
        wear = 1.0 - abs(rng.gauss(0.0, 0.03))
        curve = PumpCurve(pump.max_flow_l_min * wear, pump.max_head_m * wear)
        trunk = Pipe(_bore_for(pump.max_flow_l_min), 10.0)
        tank = self.tanks[pump.tank_id]
        pulses = 0.0 if pump.flow_meter is None else pump.flow_meter.pulses_per_l * (1.0 + rng.gauss(0.0, 0.012))
        return PumpState(
            pump=pump,
            tank=tank,
            curve=curve,
            trunk=trunk,
            lift_datum_mm=tank.tank.overflow_mm + _EMITTERS_ABOVE_OVERFLOW_MM,
            mesh=Filter(_CLEAN_FILTER_M, pump.max_flow_l_min),
            running_a=pump.current_a * (1.0 + rng.gauss(0.0, _CURRENT_SPREAD)),
            fill_ms=1000.0 * rng.uniform(*_FILL_S),
            pulses_per_l=pulses,
        )

    def _valves_of(self, pump: Pump) -> list[ValveState]:
        """The valves a pump feeds: those of its tank's zones, when it is the pump of that tank."""
        if self.site.pump_for_tank(pump.tank_id) is not pump:
            return []
        return [valve for valve in self.valves.values() if valve.zone.tank_id == pump.tank_id]

    # --- time ---------------------------------------------------------------------------------------------------------

    def advance(self, to_ms: int) -> None:
        """Let time pass until `to_ms`; ValueError when that is in the past."""
        if to_ms < self.now_ms:
            raise ValueError(f"plant time cannot go back from {self.now_ms} to {to_ms} ms")
        while to_ms >= self.next_event_ms:
            self.now_ms = self.next_event_ms
            self.settle()
            self._event()
        self.now_ms = to_ms

    @property
    def wall_ms(self) -> int:
        return self.start_wall_ms + self.now_ms

    def refresh(self) -> None:
        """Work the standing rates out again after `faults` or anything else was changed from outside."""
        self.settle()
        self._next_quarter_ms = min(self._next_quarter_ms, self.now_ms)
        self._event()

    def settle(self) -> None:
        """Bring all contents up to now by the standing rates."""
        now_ms = self.now_ms
        elapsed = now_ms - self.settled_ms
        if elapsed <= 0:
            return
        self.settled_ms = now_ms
        self.bank.pass_time(elapsed)
        if self._rain_mm_ms > 0.0:
            self.rain_mm += self._rain_mm_ms * elapsed
        if self.faults.gauge_splash_mm_h:
            self.splashed_mm += self.faults.gauge_splash_mm_h * elapsed / MS_PER_H
        if self._water_moves:
            self._move_water(elapsed)
        if self.faults.flow_phantom_l_h:
            self._count_phantoms(elapsed)

    def _move_water(self, elapsed: int) -> None:
        for tank in self.tanks.values():
            if tank.moves:
                draw_l_ms, drawn = tank.draw_l_ms, tank.pass_time(elapsed)
                if drawn > 0.0:
                    self._deliver(tank, drawn / draw_l_ms)
        for state in self.pumps.values():
            if state.running:
                _count_running(state, elapsed)

    def _deliver(self, tank: TankWater, drawn_ms: float) -> None:
        """Hand the water of `drawn_ms` milliseconds of full flow to meters and zones."""
        for state in self.pumps.values():
            if state.tank is tank and state.flow_l_ms > 0.0:
                state.delivered_l += state.flow_l_ms * drawn_ms
                meter = state.pump.flow_meter
                if meter is not None and meter.channel not in self.faults.flow_meter_dead:
                    counted = self.faults.flow_meter_slow.get(meter.channel, 1.0) * state.pulses_per_l
                    state.pulses += state.flow_l_ms * drawn_ms * counted
                for roots, flow_l_ms in state.flows:
                    roots.irrigate(flow_l_ms * drawn_ms)

    def _count_phantoms(self, elapsed_ms: int) -> None:
        for state in self.pumps.values():
            meter: FlowMeter | None = state.pump.flow_meter
            if meter is not None:
                phantom_l_h = self.faults.flow_phantom_l_h.get(meter.channel, 0.0)
                state.pulses += phantom_l_h * elapsed_ms / MS_PER_H * state.pulses_per_l

    # --- events -------------------------------------------------------------------------------------------------------

    def _event(self) -> None:
        now = self.now_ms
        self._supply_seen_ms = -1
        if now >= self._next_hour_ms:
            self._end_hour()
            self._next_hour_ms += HOUR_MS
            self._begin_hour()
        for output, valve in self.valves.items():
            self._settle_valve(output, valve)
        if self._hose_ends_ms:
            self._end_hoses()
        load_a = self._solve_pumps()
        if now >= self._next_quarter_ms:
            self._next_quarter_ms = now - now % _QUARTER_MS + _QUARTER_MS
            self._quarter()
        self.bank.set_currents(self._panel_a, load_a)
        self.next_event_ms = self._find_next_event()
        self.pumps_run = any(state.running for state in self.pumps.values())
        self._water_moves = self.pumps_run or any(tank.moves for tank in self.tanks.values())

    def _find_next_event(self) -> int:
        soonest = min(self._next_hour_ms, self._next_quarter_ms, *self._hose_ends_ms.values())
        for valve in self.valves.values():
            soonest = min(soonest, valve.due_ms)
        for state in self.pumps.values():
            if state.running:
                until_dry = state.tank.ms_until_suction()
                soonest = min(soonest, self.now_ms + max(1, int(min(_RESOLVE_MS, until_dry + 1.0))))
                if state.filled_ms > self.now_ms:
                    soonest = min(soonest, state.filled_ms)
        return soonest

    def _begin_hour(self) -> None:
        """Take up the weather of the hour that starts now (or of what is left of it, at the very start)."""
        self.hour = self.weather.hour(self.wall_ms)
        self._hour_began_ms = self.now_ms
        least_w, most_w = _ELECTRONICS_W
        hourly_w = self._usual_w + self._electronics.gauss(0.0, _ELECTRONICS_SPREAD_W)
        self.electronics_w = min(most_w, max(least_w, hourly_w))
        span_ms = self._next_hour_ms - self.now_ms
        rain_mm = self.hour.rain_mm * span_ms / HOUR_MS
        self._rain_mm_ms = rain_mm / span_ms
        for tank in self.tanks.values():
            tank.inflow_l_ms = 0.0
        for roof in self.roofs:
            caught_l = roof.rain_hour(rain_mm, self.faults.gutter_blocked.get(roof.roof.id, 0.0))
            self.tanks[roof.roof.tank_id].inflow_l_ms += caught_l / span_ms

    def _end_hour(self) -> None:
        """Let roots drink and tanks dry by the hour that is over, and turn the day."""
        hour, part = self.hour, (self.now_ms - self._hour_began_ms) / HOUR_MS
        evaporation = part * evaporation_mm_h(
            hour.temperature_c, hour.humidity_percent, hour.wind_m_s, hour.radiation_w_m2, hour.cloud
        )
        self.bank.pass_hour(hour.temperature_c)
        for roots in self.roots.values():
            roots.pass_hour(hour.rain_mm * part, evaporation)
        if evaporation > 0.0:
            for tank in self.tanks.values():
                tank.evaporate(_TANK_EVAPORATION * evaporation)
        today = local_date(self.wall_ms, self.site.place)
        if today != self._today:
            self._today = today
            for roots in self.roots.values():
                roots.start_day(today)
            if self.ageing is not None:
                self.ageing.pass_day(self.faults, today, {s.pump.id: s.delivered_l for s in self.pumps.values()})

    def _quarter(self) -> None:
        """Follow sun and air: battery and panel current, headspace, leaks."""
        hour = self.hour
        self._set_charger()
        for headspace in self.headspaces.values():
            headspace.turn(hour, self.now_ms, self._next_quarter_ms)
        if self.panel is not None:
            amps = self.panel.current_a(self.wall_ms, hour.radiation_w_m2, hour.temperature_c, self.bank.terminal_v())
            self._panel_a = amps * (1.0 - self.faults.panel_shaded)
        for tank_id, tank in self.tanks.items():
            tank.leak_l_ms = self.faults.leak_l_h.get(tank_id, 0.0) / MS_PER_H

    def _set_charger(self) -> None:
        bank, faults = self.bank, self.faults
        bank.set_fade(faults.battery_fade)
        bank.charger_dead = faults.charger_dead
        bank.charger_stop_v = faults.charger_low_v or faults.charger_high_v or bank.absorb_v

    def _end_hoses(self) -> None:
        for tank_id, end_ms in list(self._hose_ends_ms.items()):
            if self.now_ms >= end_ms:
                self.tanks[tank_id].hose_l_ms = 0.0
                del self._hose_ends_ms[tank_id]

    def _settle_valve(self, output: int, valve: ValveState) -> None:
        if valve.due_ms <= self.now_ms:
            valve.due_ms = _NEVER_MS
        position = valve.driven_open if valve.due_ms == _NEVER_MS else valve.truly_open
        valve.truly_open = self.faults.valve_stuck.get(output, position)

    def _solve_pumps(self) -> float:
        """Find each pump's flow against what is truly open; returns the load on the battery."""
        for tank in self.tanks.values():
            tank.draw_l_ms = 0.0
        load = self.electronics_w / max(_LEAST_V, self.bank.terminal_v())
        for output, state in self.pumps.items():
            driven = state.switched_on or output in self.faults.pump_welded
            state.running = driven and output not in self.faults.pump_dead
            if state.running:
                self._solve_running(output, state)
                load += state.current_a
            else:
                _stand_still(state, self.now_ms)
        for valve in self.valves.values():
            if valve.driven_open:
                load += valve.hold_a
        return load

    def _solve_running(self, output: int, state: PumpState) -> None:
        pump_id = state.pump.id
        open_valves = [self._watered(valve) for valve in self._feeds[output] if valve.truly_open]
        state.dead_headed = not open_valves
        state.dry = state.tank.volume_l <= state.tank.suction_volume_l + 1e-9
        # The bank does not yet know of the current that this pump will take.
        speed = self.bank.terminal_v(state.running_a - state.current_a) / _LOAD_V
        flows: tuple[float, ...] = (0.0,) * len(open_valves)
        if open_valves and not state.dry:
            lift_m = (state.lift_datum_mm - state.tank.level_mm) / 1000.0
            branches = [self._branch_today(valve) for valve in open_valves]
            worn, clogged = self.faults.pump_worn.get(pump_id, 0.0), self.faults.filter_clogged.get(pump_id, 0.0)
            curve = state.curve.worn(worn) if worn else state.curve
            flows = operating_flows(curve, speed, lift_m, state.trunk, branches, state.mesh, clogged)
            if self.now_ms < state.filled_ms:
                flows = tuple(_AIR_FLOW_PART * flow for flow in flows)
        state.flows = [(valve.roots, flow / 60_000.0) for valve, flow in zip(open_valves, flows, strict=True)]
        state.flow_l_ms = sum(flows, 0.0) / 60_000.0
        state.tank.draw_l_ms += state.flow_l_ms
        state.current_a = state.running_a * speed * _work(state)

    def _watered(self, valve: ValveState) -> ValveState:
        """The valve whose zone gets the water of this one: itself, unless they are crossed."""
        output = valve.zone.valve.output
        for pair in self.faults.zones_crossed:
            if output in pair:
                return self.valves[pair[1] if output == pair[0] else pair[0]]
        return valve

    def _branch_today(self, valve: ValveState) -> Branch:
        zone = valve.zone
        clogged = self.faults.emitters_clogged.get(zone.id, 0.0)
        popped = min(self.faults.emitters_popped.get(zone.id, 0), zone.emitter_count)
        burst = self.faults.pipe_burst.get(zone.id, 1.0)
        if not clogged and not popped and burst == 1.0:
            return valve.branch
        sound = valve.branch
        emitters = sound.coefficient * (1.0 - clogged) * (1.0 - popped / zone.emitter_count)
        holes = popped * _POPPED_L_MIN / _NOMINAL_HEAD_M**sound.exponent
        coefficient = max(1e-9, (emitters + holes) * burst)
        return Branch(sound.pipe, coefficient, sound.exponent, sound.regulated_head_m)

    # --- what the hardware and people do ------------------------------------------------------------------------------

    def set_pump(self, output: int, on: bool) -> None:
        """Drive a pump's relay."""
        state = self.pumps[output]
        if state.switched_on == on:
            return
        self.settle()
        state.switched_on = on
        if on:
            state.started_ms = self.now_ms
            drained = min(1.0, (self.now_ms - state.stopped_ms) / _DRAIN_MS)
            state.filled_ms = self.now_ms + int(drained * state.fill_ms)
            state.starts += 1
        self._event()

    def set_valve(self, output: int, is_open: bool) -> None:
        """Drive a valve; it gets there within four fifths of its declared opening time, or as its fault has it."""
        valve = self.valves[output]
        if valve.driven_open == is_open:
            return
        self.settle()
        valve.driven_open = is_open
        slow_s = self.faults.valve_slow_s.get(output)
        valve.due_ms = self.now_ms + int(800.0 * valve.zone.valve.opening_s if slow_s is None else 1000.0 * slow_s)
        self._event()

    def lose_power(self) -> None:
        """Supply gone: relays drop out, held valves fall shut, latching valves stay as they are."""
        for output in self.pumps:
            self.set_pump(output, False)
        for output, valve in self.valves.items():
            if valve.zone.valve.kind == "held":
                self.set_valve(output, False)

    def set_volume(self, tank_id: str, volume_l: float) -> None:
        """Fill or empty a tank by hand, up to its overflow."""
        self.settle()
        self.tanks[tank_id].set_volume(volume_l)
        self._event()

    def hand_fill(self, tank_id: str, l_min: float, minutes: float) -> None:
        """Run a hose into a tank for some minutes from now on; it replaces one that runs there."""
        self.settle()
        self.tanks[tank_id].hose_l_ms = l_min / 60_000.0
        self._hose_ends_ms[tank_id] = self.now_ms + round(60_000.0 * minutes)
        self._event()

    def supply_v(self) -> float:
        """Voltage at the battery's terminals now, with the inrush of a motor just started."""
        if self._supply_seen_ms == self.now_ms:
            return self._supply_v
        if self.settled_ms != self.now_ms:
            self.settle()
        if not self.pumps_run:
            return self.bank.terminal_v()
        inrush = 0.0
        for state in self.pumps.values():
            if state.running:
                inrush += inrush_a(state.current_a, self.now_ms - state.started_ms)
        self._supply_v = self.bank.terminal_v(inrush)
        self._supply_seen_ms = self.now_ms
        return self._supply_v

    # --- books --------------------------------------------------------------------------------------------------------

    def stored_l(self) -> float:
        """Water in all tanks and root zones."""
        tanks = sum((tank.volume_l for tank in self.tanks.values()), 0.0)
        return tanks + sum((roots.content_l for roots in self.roots.values()), 0.0)

    def water_balance_error_l(self) -> float:
        """Opening + what came in - what went out - what is there; nothing but rounding when the books are right."""
        self.settle()
        balance = self._opening_l - self.stored_l()
        for tank in self.tanks.values():
            balance += (
                tank.inflow_l + tank.external_l + tank.swollen_l - tank.overflow_l - tank.leaked_l - tank.evaporated_l
            )
        for roots in self.roots.values():
            balance += roots.rain_l - roots.missed_l - roots.drained_l - roots.transpired_l
        return balance


def _bore_for(flow_l_min: float) -> float:
    """Smallest usual tube that keeps the water below 1 m/s."""
    for bore_mm in _TUBE_BORES_MM:
        if flow_l_min / 60_000.0 <= 0.785 * (bore_mm / 1000.0) ** 2:
            return bore_mm
    return _TUBE_BORES_MM[-1]


def _work(state: PumpState) -> float:
    """Part of its rated current that a pump takes: it rises with the flow from that against shut valves."""
    if state.dry:
        return _DRY_CURRENT
    part = min(1.3, state.flow_l_ms * 60_000.0 / (_RATED_CURRENT_PART * state.pump.max_flow_l_min))
    return _DEAD_HEAD_CURRENT + (1.0 - _DEAD_HEAD_CURRENT) * part


def _stand_still(state: PumpState, now_ms: int) -> None:
    if state.current_a:
        state.stopped_ms = now_ms
    state.dry = state.dead_headed = False
    state.flow_l_ms = state.current_a = 0.0
    state.flows = []


def _count_running(state: PumpState, elapsed_ms: int) -> None:
    state.running_ms += elapsed_ms
    if state.dead_headed:
        state.dead_head_ms += elapsed_ms
    elif state.dry:
        state.dry_ms += elapsed_ms
