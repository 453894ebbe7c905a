"""Watches a season's true state at every step and raises AssertionError when a promise is broken.

The promises are numbered: S1 water at the suction, S2 a valve open for the pump, S3 leases, S4 longest opening, S5
battery, S6 reserve, S7 daily cap, S8 latches stay, S9 nothing moves unasked, S10 what must be known for a start; B1 the
ledger closes, B2 what was booked is what the meter counted.

What is truly so is compared, so bounds carry what no controller can know: the seconds between two looks of the board
(`LOOK_MS`), the meter's and the ranger's own errors, and faults that hide the truth from every sensor that is fitted.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from controller.contract import ClearFault, Command, Now, Record, StepResult
from controller.core.state import State
from controller.site.model import Pump
from firmware_host.messages import SHUT, Outputs
from simulator.season import SeasonRun

LOOK_MS = 1_000
"""The board looks at flow, supply and float once a second in virtual time, every 20 ms in a pump house."""
DAY_MS = 86_400_000
NO_FLOW_START_MS, NO_FLOW_RUNNING_MS = 15_000, 5_000
RUN_MAX_MS = 3_600_000
COMMAND_AGE_MS = 2_500
LEASE_MAX_MS, SETTLE_MS = 5_000, 1_000
"""Numbers of its own: a limit that is changed in the board must not change the promise."""
SAG_V = 0.3
BATTERY_LOW_MS, BATTERY_FLOOR_MS = 10_000, 200
METER_ERROR = 0.06
"""The plant's meters are wrong by 1.2 % (one standard deviation) and its emitters by 3 %."""
UNMETERED_ERROR = 0.25
NEVER_MS = -(1 << 60)


class Spell:
    """How long something has been true without a break."""

    def __init__(self) -> None:
        self.since_ms: int | None = None

    def lasting_ms(self, present: bool, now_ms: int) -> int:
        if not present:
            self.since_ms = None
            return 0
        if self.since_ms is None:
            self.since_ms = now_ms
        return now_ms - self.since_ms


class Judge:
    """Hooks into plant and hardware of one season; ask `check_books` at the end."""

    def __init__(self, season: SeasonRun) -> None:
        self._season = season
        self._plant, self._site = season.plant, season.site
        self.calm = False
        self._wanted: list[tuple[int, Outputs]] = [(0, SHUT)]
        self._accepted = (None, -1)
        self._accepted_ms = NEVER_MS
        self._dry = {pump.output: Spell() for pump in self._site.pumps}
        self._dead_head = {pump.output: Spell() for pump in self._site.pumps}
        self._low, self._floor = Spell(), Spell()
        self._open = {zone.valve.output: Spell() for zone in self._site.zones}
        self._pump_off_ms = {pump.output: NEVER_MS for pump in self._site.pumps}
        self._lies_until_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._silent_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._hidden_flow_ms = {pump.output: NEVER_MS for pump in self._site.pumps}
        self._battery_lied_ms = NEVER_MS
        self._welded_ms = NEVER_MS
        self._valve_stuck_ms = NEVER_MS
        self._below_reserve_l = {tank.id: 0.0 for tank in self._site.tanks}
        self._volume_l = {tank.id: self._plant.truth.volume_l(tank.id) for tank in self._site.tanks}
        self._drawn_l = {tank.id: 0.0 for tank in self._site.tanks}
        self._day = 0
        self._applied_l: dict[str, float] = {}
        self._cap_l: dict[str, float] = {}
        self._caps_spoilt = False
        self._losses = 0
        self._clock_steps = 0
        self._resets = 0
        self._flowed_at_rest = False
        self._miscounted = False
        """Has the board ever been told other pulses than the meter made?"""
        self._latched: set[str] = set()
        self._may_clear: set[str] = set()
        self._advance = self._plant.advance
        self._set_pump, self._set_valve = season.hardware.set_pump, season.hardware.set_valve
        self._plant.advance = self._watched_advance  # type: ignore[method-assign]
        season.hardware.set_pump = self._watched_set_pump  # type: ignore[method-assign]
        season.hardware.set_valve = self._watched_set_valve  # type: ignore[method-assign]
        self._start_day()

    # --- hooks ------------------------------------------------------------------------------------------------

    @property
    def flowing(self) -> bool:
        """Does any pump truly move water?"""
        return any(state.flow_l_ms > 0.0 for state in self._plant.pumps.values())

    @property
    def watered_zone_id(self) -> str | None:
        """The zone whose watering is under way, if any."""
        present = self._state().delivery
        return None if present is None else present.zone_id

    def _anything_on(self) -> bool:
        pumps, valves = self._season.hardware.output_masks()
        return bool(pumps or valves) or any(state.running for state in self._plant.pumps.values())

    def _watched_advance(self, to_ms: int) -> None:
        plant = self._plant
        while to_ms - plant.now_ms > LOOK_MS and self._anything_on():
            self._advance(plant.now_ms + LOOK_MS)
            self.look()
        self._advance(to_ms)
        self.look()

    def _watched_set_pump(self, output: int, on: bool) -> None:
        pumps, valves = self._season.hardware.output_masks()
        if on and not pumps >> output & 1:
            # S2 by command: a valve of this pump has been open for its opening time.
            ready = [
                zone.id
                for zone in self._zones_of(output)
                if valves >> zone.valve.output & 1
                and self._now_ms - (self._open[zone.valve.output].since_ms or 0) >= 1000 * zone.valve.opening_s
            ]
            assert ready, f"S2: pump {output} started before a valve was open for its opening time"
        if not on and pumps >> output & 1:
            self._pump_off_ms[output] = self._now_ms
        self._set_pump(output, on)

    def _watched_set_valve(self, output: int, is_open: bool) -> None:
        pumps, valves = self._season.hardware.output_masks()
        if not is_open and valves >> output & 1 and "board-output-mismatch" not in self._board_faults():
            for pump in self._site.pumps:
                fed = sum(1 << zone.valve.output for zone in self._zones_of(pump.output))
                if not fed >> output & 1:
                    continue
                last = not valves & fed & ~(1 << output)
                assert not (last and pumps >> pump.output & 1), f"S2: valve {output} closed against a running pump"
                rested_ms = self._now_ms - self._pump_off_ms[pump.output]
                assert rested_ms >= SETTLE_MS, f"S2: valve {output} closed {rested_ms} ms after its pump stopped"
        self._set_valve(output, is_open)
        if output in self._open:
            self._open[output].lasting_ms(is_open, self._now_ms)

    def _board_faults(self) -> list[str]:
        faults = getattr(self._season.board, "faults", None)
        return list(faults.standing) if faults is not None else []

    def _zones_of(self, output: int) -> list[Any]:
        tank_id = next(pump.tank_id for pump in self._site.pumps if pump.output == output)
        return [zone for zone in self._site.zones if zone.tank_id == tank_id]

    @property
    def _now_ms(self) -> int:
        return self._plant.now_ms

    # --- what the week tells ----------------------------------------------------------------------------------

    def board_reset(self) -> None:
        """The board is about to lose its counters: a second's worth of pulses may go with them."""
        self._losses += 1
        self._resets += 1

    def controller_restarts(self) -> None:
        """The controller is about to be away: what runs goes on for a lease at most."""
        self._losses += 1

    def clock_stepped(self, step_ms: int) -> None:
        """The controller's wall clock is about to be wrong: its days are not the true ones."""
        self._clock_steps += abs(step_ms) > 1_000

    def ordered(self, command: Command) -> None:
        """An order is about to be given."""
        if isinstance(command, ClearFault):
            self._may_clear.add(command.fault_id)

    def answered(self) -> None:
        """The order was answered: its permission is used up."""
        self._may_clear.clear()
        self._raise_caps()

    # --- after each step of the core --------------------------------------------------------------------------

    def core_stepped(self, now: Now, result: StepResult) -> None:
        """S8, S10 and what the core wants from now on."""
        if result.outputs != self._wanted[-1][1]:
            self._wanted.append((self._now_ms, result.outputs))
            del self._wanted[:-6]
        state = self._state()
        latched = set(state.latches)
        lost = self._latched - latched - self._may_clear
        assert not lost, f"S8: {sorted(lost)} went without anybody clearing"
        new = latched - self._latched
        self._latched = latched
        if new:
            shown = {finding.id for finding in self._season.core.snapshot(now).findings}
            assert new <= shown, f"S8: {sorted(new - shown)} is latched but not shown"
        for record in result.records:
            if record.kind == "start":
                check = self._check_drain if record.data["trigger"] == "drain" else self._check_start
                check(now, record, state)

    def _state(self) -> State:
        """The core's own memory; taking a dump at every step would cost more than the step."""
        core: Any = self._season.core
        state: State = core.state
        return state

    def _check_drain(self, _now: Now, record: Record, state: State) -> None:
        """A line that is emptied asks for no battery, level or warmth, but for a hold, a board and a sound zone."""
        assert state.held, "S10: a line was opened without a hold"
        assert state.link_up, "S10: a line was opened without a board"
        barred = [latch.id for latch in state.latches.values() if latch.zone_id in ("", record.key)]
        assert not barred, f"S8: a line was opened although {barred} is latched"

    def _check_start(self, now: Now, record: Record, state: State) -> None:
        zone = self._site.zone(record.key)
        assert now.trust != "unknown" or state.weather.day, "S10: started without ever having known the time"
        assert not state.held, "S10: started while on hold"
        assert state.link_up, "S10: started without a board"
        barred = [latch.id for latch in state.latches.values() if latch.zone_id in ("", zone.id)]
        assert not barred, f"S8: started although {barred} is latched"
        faults = self._plant.faults
        tank = self._site.tank(zone.tank_id)
        assert not state.float_dry.get(tank.id, False), "S10: started on a dry suction"
        cold = faults.temperature_frozen.get(0, 20.0) <= 0.0 and 0 not in faults.temperature_bad
        sensing = self._season.core.dump()["sensing"]
        seen_c = sensing["temperature_c"]
        assert seen_c is None or not (cold and seen_c <= 0.0), "S10: started in frost"
        level_ms = sensing["levels"][tank.id]["measured_mono_ms"]
        assert now.mono_ms - (level_ms or NEVER_MS) <= 15_000, "S10: started on an old level"
        battery_ms = sensing["battery"]["voltage_mono_ms"]
        assert now.mono_ms - (battery_ms or NEVER_MS) <= 60_000, "S10: started on an old voltage"
        assert sensing["battery"]["voltage_v"] <= self._site.battery.maximum_v, "S10: started on over-voltage"

    # --- after each step of the plant -------------------------------------------------------------------------

    def look(self) -> None:
        """All promises about what is truly so now."""
        self._note_faults()
        if self._now_ms // DAY_MS != self._day:
            self._start_day()
        if not self._anything_on():
            self._all_still()
            return
        self._check_leases()
        for pump in self._site.pumps:
            self._check_pump(pump)
        self._check_battery()
        self._check_reserves()
        self._check_caps()

    def _all_still(self) -> None:
        for spell in (*self._dry.values(), *self._dead_head.values(), *self._open.values(), self._low, self._floor):
            spell.since_ms = None

    def _note_faults(self) -> None:
        faults, now_ms = self._plant.faults, self._now_ms
        for tank in self._site.tanks:
            channel = tank.sensor_channel
            trouble = faults.sensor.get(("echo", channel))
            lies = (faults.echo_frozen, faults.echo_jump_mm, faults.echo_false_mm, faults.echo_drift_mm_day)
            hot = ("temperature", 0) in faults.sensor or 0 in faults.temperature_frozen
            if trouble is not None or hot or any(channel in lying for lying in lies):
                # A level that jumped is believed after a minute, and again when it jumps back.
                self._lies_until_ms[tank.id] = now_ms + 30 * 60_000
            if channel in faults.echo_silent or channel in faults.echo_lost_part or trouble is not None:
                self._silent_ms[tank.id] = now_ms
        for pump in self._site.pumps:
            meter = pump.flow_meter
            if meter is None or faults.flow_phantom_l_h.get(meter.channel) or ("flow", meter.channel) in faults.sensor:
                self._hidden_flow_ms[pump.output] = now_ms
        if faults.battery_bad or faults.battery_frozen_mv is not None or ("battery", 0) in faults.sensor:
            self._battery_lied_ms = now_ms
        if faults.pump_welded or faults.flow_phantom_l_h or faults.flow_meter_slow:
            self._flowed_at_rest = True
        if any(quantity == "flow" for quantity, _ in faults.sensor):
            self._miscounted = True
        if faults.pump_welded:
            self._welded_ms = now_ms
        if faults.valve_stuck:
            self._valve_stuck_ms = now_ms

    def _recently(self, when_ms: int) -> bool:
        return self._now_ms - when_ms <= 60_000

    def _check_leases(self) -> None:
        """S3 and S4, on the pins; S9: what is on was wanted within the life of a command and its lease."""
        hardware, now_ms = self._season.hardware, self._now_ms
        pumps, valves = hardware.output_masks()
        talk = getattr(self._season.board, "talk", None)
        if talk is not None and (talk.boot_id, talk.accepted_seq) != self._accepted:
            self._accepted = (talk.boot_id, talk.accepted_seq)
            self._accepted_ms = now_ms
        if pumps or valves:
            silent_ms = now_ms - self._accepted_ms
            assert silent_ms <= LEASE_MAX_MS, f"S3: outputs on {silent_ms} ms after the last accepted command"
        life_ms = COMMAND_AGE_MS + LEASE_MAX_MS
        ended = [at for (at, _) in self._wanted[1:]] + [now_ms]
        for (_, wanted), end_ms in zip(self._wanted, ended, strict=True):
            if now_ms - end_ms <= life_ms:
                pumps &= ~wanted.pumps
                valves &= ~wanted.valves
        assert pumps | valves == 0, f"S9: pumps {pumps:b}, valves {valves:b} are on although nobody wants them"
        for output, spell in self._open.items():
            open_ms = spell.lasting_ms(bool(hardware.output_masks()[1] >> output & 1), now_ms)
            assert open_ms <= RUN_MAX_MS, f"S4: valve {output} open for {open_ms} ms"

    def _check_pump(self, pump: Pump) -> None:
        """S1 and S2 as they truly are."""
        state, now_ms = self._plant.pumps[pump.output], self._now_ms
        bound_ms = NO_FLOW_START_MS + LOOK_MS
        # The pump runs at once, but flow begins to be missed only when the last pulse is some time ago.
        dry_ms = self._dry[pump.output].lasting_ms(state.running and state.dry, now_ms)
        head_ms = self._dead_head[pump.output].lasting_ms(state.running and state.dead_headed, now_ms)
        if self._recently(self._welded_ms) or self._recently(self._hidden_flow_ms[pump.output]):
            return
        assert dry_ms <= bound_ms, f"S1: pump {pump.id} ran dry for {dry_ms} ms"
        assert head_ms <= bound_ms, f"S2: pump {pump.id} ran against shut valves for {head_ms} ms"

    def _check_battery(self) -> None:
        """S5, on the true voltage; the controller adds the sag back, and the board allows it."""
        battery, now_ms = self._site.battery, self._now_ms
        running = bool(self._season.hardware.output_masks()[0])
        volts = self._plant.bank.terminal_v()
        slack_v = SAG_V + 0.1
        low_ms = self._low.lasting_ms(running and volts < battery.disconnect_v - slack_v, now_ms)
        floor_ms = self._floor.lasting_ms(running and volts < battery.floor_v - slack_v, now_ms)
        if self._recently(self._battery_lied_ms):
            return
        assert low_ms <= BATTERY_LOW_MS + 2 * LOOK_MS, f"S5: pump on at {volts:.2f} V for {low_ms} ms"
        assert floor_ms <= BATTERY_FLOOR_MS + 2 * LOOK_MS, f"S5: pump on at {volts:.2f} V for {floor_ms} ms"

    def _check_reserves(self) -> None:
        """S6: what irrigation takes from below the reserve, beyond the ranger's error and what flows unseen."""
        for tank in self._site.tanks:
            truth = self._plant.tanks[tank.id]
            drawn_l = truth.drawn_l - self._drawn_l[tank.id]
            self._drawn_l[tank.id] = truth.drawn_l
            if drawn_l <= 0.0 or truth.volume_l >= tank.reserve_l:
                if truth.volume_l >= tank.reserve_l:
                    self._below_reserve_l[tank.id] = 0.0
                continue
            if self._now_ms < self._lies_until_ms[tank.id] or self._recently(self._welded_ms):
                continue
            self._below_reserve_l[tank.id] += drawn_l
            pump = self._site.pump_for_tank(tank.id)
            # A silent ranger stops a run within two minutes, a lost board within eight seconds. The ranger's face is
            # a few millimetres off, the air a few degrees.
            unseen_min = 2.2 if self._now_ms - self._silent_ms[tank.id] <= 180_000 else 0.2
            slack_l = pump.max_flow_l_min * unseen_min + 10.0 * truth.table.surface_m2(truth.volume_l)
            taken_l = self._below_reserve_l[tank.id]
            assert taken_l <= slack_l, f"S6: {taken_l:.1f} L below the reserve of {tank.reserve_l:.0f} L"

    def _start_day(self) -> None:
        self._day = self._now_ms // DAY_MS
        self._applied_l = {zone.id: self._plant.roots[zone.id].applied_l for zone in self._site.zones}
        self._cap_l = {}
        self._caps_spoilt = False
        self._losses = 0
        self._clock_steps = 0
        self._raise_caps()

    def _raise_caps(self) -> None:
        """The cap of a day is the largest that was in force on it."""
        for zone_id, zone_state in self._state().zones.items():
            cap_l = zone_state.schedule.daily_cap_l
            self._cap_l[zone_id] = max(self._cap_l.get(zone_id, 0.0), cap_l)

    def _check_caps(self) -> None:
        """S7. A meter that is dead, phantom or shared with a stuck valve cannot tell whose water it was."""
        if self._valve_stuck_ms == self._now_ms or self._plant.faults.pump_welded:
            self._caps_spoilt = True
        faults = self._plant.faults
        miscounts = faults.flow_meter_dead or faults.flow_meter_slow or any(what == "flow" for what, _ in faults.sensor)
        if miscounts or faults.zones_crossed or faults.emitters_popped:
            self._caps_spoilt = True
        if self._caps_spoilt:
            return
        for zone in self._site.zones:
            applied_l = self._plant.roots[zone.id].applied_l - self._applied_l[zone.id]
            pump = self._site.pump_for_tank(zone.tank_id)
            error = METER_ERROR if pump.flow_meter is not None else UNMETERED_ERROR
            burst = self._plant.faults.pipe_burst.get(zone.id, 1.0)
            flow_l_min = min(pump.max_flow_l_min, zone.rated_flow_l_min * burst)
            if pump.flow_meter is None and burst > 1.0:
                continue
            days = 1 + self._clock_steps
            bound_l = days * self._cap_l[zone.id] * (1.0 + error) + (self._losses + 1) * 1.2 * flow_l_min / 60.0
            assert applied_l <= bound_l, (
                f"S7: {zone.id} got {applied_l:.2f} L on day {self._day}, its cap is {self._cap_l[zone.id]:.2f} L"
            )

    # --- the books --------------------------------------------------------------------------------------------

    def check_books(self, records: list[tuple[Now, Record]]) -> None:
        """B1: every ledger closes to the millilitre and opens where the last one closed."""
        for tank in self._site.tanks:
            ledgers = [record.data for _, record in records if record.kind == "ledger" and record.key == tank.id]
            for ledger in ledgers:
                total_ml = ledger["opening_ml"] + sum(ledger["entries_ml"].values())
                assert total_ml == ledger["closing_ml"], f"B1: {ledger} does not close"
            for before, after in pairwise(ledgers):
                assert after["opening_ml"] == before["closing_ml"], "B1: a ledger opens where none closed"
        for pump in self._site.pumps:
            self._check_bookings(pump, records)
        assert abs(self._plant.water_balance_error_l()) < 1e-3, "the plant's own balance is off"

    def _check_bookings(self, pump: Pump, records: list[tuple[Now, Record]]) -> None:
        """B2: no more was booked than the meter counted, and no less but for a second's flow at each board reset."""
        meter = pump.flow_meter
        if meter is None or self._miscounted:
            return
        zones = {zone.id for zone in self._zones_of(pump.output)}
        booked_l = sum(
            record.data["volume_l"] / (1.0 + record.data["meter_part"])
            for _, record in records
            if record.kind == "delivery" and record.key in zones
        )
        present = self._state().delivery
        if present is not None and present.zone_id in zones:
            booked_l += present.delivered_ml / 1000.0 / (1.0 + present.meter_part)
        counted_l = self._plant.pumps[pump.output].pulses / meter.pulses_per_l
        rounding_l = 0.001 * (len(records) + 1)
        assert booked_l <= counted_l + rounding_l, f"B2: {booked_l:.3f} L booked, {counted_l:.3f} L metered"
        if not self._flowed_at_rest:
            lost_l = self._resets * 1.5 * pump.max_flow_l_min / 60.0 + 1.5 * pump.max_flow_l_min / 60.0
            assert counted_l - booked_l <= lost_l + rounding_l, (
                f"B2: {booked_l:.3f} L booked, {counted_l:.3f} L metered, {self._resets} resets of the board"
            )
