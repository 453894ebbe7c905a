"""Watches a season's true state at every step and raises AssertionError when a promise is broken.

Each promise has its id in `tests.scenario.promises`.

What is truly so is compared, so bounds carry what no controller can know: the seconds between two looks of the board
(`LOOK_MS`), the meter's and the ranger's own errors, and faults that hide the truth from every sensor that is fitted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from controller.contract import ClearFault, Command, Now, Record, StepResult
from controller.core.sensing import Sensing
from controller.core.state import Delivery, State, ZoneState
from controller.site.model import Pump, Zone
from firmware_host.messages import SHUT, Outputs
from firmware_host.wire import SEQ_MODULUS
from simulator.plant.faults import PlantFaults
from simulator.plant.root_zone import RootZone
from tests.scenario.broken_season import HardSeason, TwinCore
from tests.scenario.promises import DIAGNOSES

LOOK_MS = 1_000
"""The board looks at flow, supply and float once a second in virtual time, every 20 ms in a pump house."""
DAY_MS = 86_400_000
NO_FLOW_START_MS, NO_FLOW_RUNNING_MS = 15_000, 5_000
RUN_MAX_MS = 3_600_000
COMMAND_AGE_MS = 2_500
LEASE_MAX_MS = 5_000
"""Numbers of its own: a limit that is changed in the board must not change the promise."""
OPENING_PART_MS, LEAST_SETTLE_MS = 950, 950
"""A board's own second, whose clock may be a twentieth fast."""
SAG_V = 0.3
BATTERY_LOW_MS, BATTERY_FLOOR_MS = 10_000, 200
METER_ERROR = 0.06
"""The plant's meters are wrong by 1.2 % (one standard deviation) and its emitters by 3 %."""
UNMETERED_ERROR = 0.25
NEVER_MS = -(1 << 60)


HANG_MS = 1_000
"""A board whose program hangs is reset, and shut, within a second."""
BOARD_REST_MS = 25_000
"""After a reset of the board in mid-run nothing is pumped again for half a minute, less what is asked meanwhile."""
BATTERY_REST_MS = 25 * 60_000
"""After a low battery stopped the pump it waits for half an hour above the resume voltage."""
SHORT_BOOT_MS, SHORT_BOOTS, LOCK_OUT_PART_MS = 600_000, 3, 1_710_000
"""Half an hour by a board's clock that may be a twentieth fast."""
IN_MEMORY = "a limit changed in its memory"
WELDED_HEAD_MS = 75_000
"""Whether some bed may take the water is looked at once a minute."""
UNFIT_MS = 2_500
"""A board that must not drive has a second to find out, another until its valves may close, and a turn."""
LATE_MS = 2 * 3_600_000 + 120_000
BUFFER_BYTES = 4_096
ORDER_LATE_MS = 11 * 60_000
READINGS_MS = 300_000
"""How often readings are compared with the truth: what they promise is said of ten minutes and more."""
TELL_MS = 3_600_000
"""How often it is looked for what is awaited, while nothing is journalled."""
RUN_MAX_S = 55 * 60
LEVEL_OFF_PART, LEVEL_OFF_MS = 0.02, 11 * 60_000
REASON_MS = 10 * 60_000
"""So long after board, cable or controller were not there, what was known before may still be what is told."""
BATTERY_TOLD_MS = 3 * 3_600_000
ABOVE_RESUME_MS = 3_600_000
"""Half an hour above the voltage at which pumping may go on, and as much again for looks that are minutes apart."""
MAY_WAIT_SOC = 0.65
SHOWN_V = 0.15
"""What is measured at the battery may be so much off: the divider's part in a hundred, and noise."""
SPIKE_MS, UNMETERED_SPIKE_MS = 45_000, 8_000
"""What a ranger shows for less time than this moves no estimate; the second while a pump without a meter may run, for
which nothing else tells that the tank is empty."""
RAIN_MOST_MM_H = 250.0
FROST_DOUBT_K = 2.5
"""The probe sits in the tank's air, which follows the air outside."""
WELL_AGAIN_MS = 45 * 60_000
LEVEL_LIES_MS = 6 * 3_600_000
"""After something that no ranger can tell from water was mended."""


class Awaited:
    """Something that must be told by a certain time: any one of some findings, by id or by its beginning."""

    def __init__(self, ids: tuple[str, ...], since_ms: int, due_ms: int) -> None:
        self.ids, self.since_ms, self.due_ms = ids, since_ms, due_ms
        self.told_ms: int | None = None

    def is_told_by(self, finding_id: str) -> bool:
        return any(finding_id == wanted or finding_id.startswith(f"{wanted}:") for wanted in self.ids)


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


@dataclass(slots=True)
class Way:
    """One bed, and what brings its water."""

    zone: Zone
    root: RootZone
    is_metered: bool
    most_l_min: float
    checked_l: float = -1.0
    """What had been given in all when the cap was last held against it."""
    burst_day: int = -1
    """The day on which its pipe last gave more than anybody without a meter can know."""


class Judge:
    """Hooks into plant and hardware of one season; ask `check_books` at the end."""

    def __init__(self, season: HardSeason, since_midnight_ms: int = 0) -> None:
        """`since_midnight_ms`: how long before the season's first instant the local day began."""
        self._season = season
        self._since_midnight_ms = since_midnight_ms
        self._plant, self._site = season.watched_plant, season.site
        self.readings_every_ms = READINGS_MS
        self._wanted: list[tuple[int, Outputs]] = [(0, SHUT)]
        self._accepted: tuple[str | None, int] = (None, -1)
        self._accepted_ms = NEVER_MS
        self._dry = {pump.output: Spell() for pump in self._site.pumps}
        self._dead_head = {pump.output: Spell() for pump in self._site.pumps}
        self._shut_in = {pump.output: Spell() for pump in self._site.pumps}
        self._low, self._floor = Spell(), Spell()
        self._open = {zone.valve.output: Spell() for zone in self._site.zones}
        self._pump_off_ms = {pump.output: NEVER_MS for pump in self._site.pumps}
        self._lies_until_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._silent_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._hidden_flow_ms = {pump.output: NEVER_MS for pump in self._site.pumps}
        self._battery_lied_ms = NEVER_MS
        self._welded_ms = NEVER_MS
        self._welded_in_use: dict[int, bool] = {}
        self._ran_before_start: set[int] = set()
        """Pumps that ran by themselves when the last watering began: what they draw is not known apart then."""
        self._valve_stuck_ms = NEVER_MS
        self._float_stuck_ms = NEVER_MS
        self._below_reserve_l = {tank.id: 0.0 for tank in self._site.tanks}
        self._volume_l = {tank.id: self._plant.truth.volume_l(tank.id) for tank in self._site.tanks}
        self._drawn_l = {tank.id: 0.0 for tank in self._site.tanks}
        self._day = 0
        self._applied_l: dict[str, float] = {}
        self._cap_l: dict[str, float] = {}
        self._caps_spoilt = False
        self._losses = 0
        self._clock_steps = self._clock_steps_before = 0
        self._resets = 0
        self._flowed_at_rest = False
        self._miscounted = False
        """Has the board ever been told other pulses than the meter made?"""
        self._latched: set[str] = set()
        self._may_clear: set[str] = set()
        self.awaited: list[Awaited] = []
        self._tell_due_ms = 0
        self.explained: tuple[str, ...] | None = None
        """Beginnings of all diagnoses that may be told now; None: any."""
        self.told: list[tuple[int, str]] = []
        """When each diagnosis was told."""
        self.line_is_bad: Callable[[], bool] = lambda: False
        """Whether the cable damages or loses lines now."""
        self._hung_ms: int | None = None
        self._unfit_ms: int | None = None
        self._unfit_why = ""
        self._forbidden: set[str] = set()
        self._rest_until_ms = self._back_ms = NEVER_MS
        self._booted_ms, self._short_boots = self._now_ms, 1
        self._locked_until_ms = NEVER_MS
        self._battery_stop_ms = NEVER_MS
        self._time_known = False
        self._ordered_ms: dict[str, int] = {}
        self._changed_ms = NEVER_MS
        self._bank_changed_ms = NEVER_MS
        self._soc = self._plant.bank.soc
        self._resumable, self._above_resume_ms = Spell(), 0
        self._was_broken = True
        self._is_still = False
        """Have all spells been ended since anything was on?"""
        self._done: Counter[tuple[str, str]] = Counter()
        self._served: dict[tuple[str, str], set[str]] = {}
        self._times: dict[str, set[int]] = {zone.id: set() for zone in self._site.zones}
        self._jumped = {tank.id: Spell() for tank in self._site.tanks}
        self._level_off = {tank.id: Spell() for tank in self._site.tanks}
        self._level_due_ms = 0
        self._level_may_lie_until_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._froze_ms = dict.fromkeys((tank.id for tank in self._site.tanks), NEVER_MS)
        self._rained: list[tuple[int, int, float]] = []
        """When the gauge was read before, when it was read, and what it had counted meanwhile."""
        self._rain_mm, self._gauge_read_ms = 0.0, 0
        self._pump_states = tuple(self._plant.pumps.values())
        self._ways = [self._way(zone) for zone in self._site.zones]
        self._set_pump, self._set_valve = season.hardware.set_pump, season.hardware.set_valve
        self._plant.watcher = self._watched_advance
        season.hardware.set_pump = self._watched_set_pump  # type: ignore[method-assign]
        season.hardware.set_valve = self._watched_set_valve  # type: ignore[method-assign]
        self._fed = season.hardware.feed_watchdog
        season.hardware.feed_watchdog = self._watched_turn  # type: ignore[method-assign]
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

    @property
    def zones(self) -> Mapping[str, ZoneState]:
        """What the core remembers of each zone."""
        return self._state().zones

    def _anything_on(self) -> bool:
        if self._season.hardware.is_driving:
            return True
        # Asked several times a second of watering: a generator would take longer than the answer.
        return True in [state.running for state in self._pump_states]

    def _watched_advance(self, to_ms: int) -> None:
        plant = self._plant
        while to_ms - plant.now_ms > LOOK_MS and self._anything_on():
            plant.go_on(plant.now_ms + LOOK_MS)
            self.look()
        plant.go_on(to_ms)
        self.look()

    def _watched_turn(self) -> None:
        """The board has had a turn: it may be the only one that does anything, and time may jump to it."""
        self._fed()
        if self._anything_on():
            self.look()

    def _watched_set_pump(self, output: int, on: bool) -> None:
        pumps, valves = self._season.hardware.output_masks()
        if on and not pumps >> output & 1:
            # I2 by command: a valve of this pump has been open for its opening time.
            ready = [
                zone.id
                for zone in self._zones_of(output)
                if valves >> zone.valve.output & 1
                and self._now_ms - (self._open[zone.valve.output].since_ms or 0)
                >= OPENING_PART_MS * zone.valve.opening_s
            ]
            assert ready, f"I2: pump {output} started before a valve was open for its opening time"
            rested_ms = self._now_ms - self._battery_stop_ms
            assert rested_ms >= BATTERY_REST_MS, (
                f"I5: pump {output} starts {rested_ms} ms after a low battery stopped it"
            )
            self._check_rested()
        if not on and pumps >> output & 1:
            self._pump_off_ms[output] = self._now_ms
        self._set_pump(output, on)

    def _watched_set_valve(self, output: int, is_open: bool) -> None:
        pumps, valves = self._season.hardware.output_masks()
        if not is_open and valves >> output & 1 and self._unfit_ms is None:
            for pump in self._site.pumps:
                fed = sum(1 << zone.valve.output for zone in self._zones_of(pump.output))
                if not fed >> output & 1:
                    continue
                last = not valves & fed & ~(1 << output)
                assert not (last and pumps >> pump.output & 1), f"I2: valve {output} closed against a running pump"
                rested_ms = self._now_ms - self._pump_off_ms[pump.output]
                assert rested_ms >= LEAST_SETTLE_MS, f"I2: valve {output} closed {rested_ms} ms after its pump stopped"
        if is_open and not valves >> output & 1:
            self._check_rested()
        self._set_valve(output, is_open)
        self._is_still = False
        if output in self._open:
            self._open[output].lasting_ms(is_open, self._now_ms)

    def _check_rested(self) -> None:
        """I9: for a while after it was away the controller switches nothing on, whatever ran before."""
        back_ms = self._now_ms - self._back_ms
        if self._gives_way_out():
            return
        assert back_ms >= BOARD_REST_MS, (
            f"I9: the watering went on by itself {back_ms} ms after the controller was back"
        )

    def _gives_way_out(self) -> bool:
        """The water of a pump that runs on is given a way out at once; whether it still does shows afterwards."""
        return bool(self._welded_in_use) or "pump-runs-on" in self._state().latches

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

    def board_reset(self, cause: str = "brownout") -> None:
        """The board is about to lose its counters: a second's worth of pulses may go with them."""
        self._losses += 1
        self._resets += 1
        now_ms = self._changed_ms = self._now_ms
        if self._anything_on():
            self._rest_until_ms = now_ms + BOARD_REST_MS
        self._hung_ms = None
        if self._unfit_why == IN_MEMORY:
            # What a board has in its memory it reads anew.
            self.board_is_unfit("")
        if now_ms - self._booted_ms >= SHORT_BOOT_MS:
            self._short_boots = 0
        self._booted_ms = now_ms
        self._short_boots += cause != "soft"
        if self._short_boots > SHORT_BOOTS:
            self._locked_until_ms = now_ms + LOCK_OUT_PART_MS
            self._short_boots = 1
        elif self._locked_until_ms > now_ms:
            # A boot in a lock-out serves it from the start.
            self._locked_until_ms = now_ms + LOCK_OUT_PART_MS

    def board_hangs(self) -> None:
        """The board's program is about to stop; its watchdog resets it."""
        self.board_reset("watchdog")
        if self._anything_on():
            self._hung_ms = self._now_ms

    def board_is_unfit(self, why: str) -> None:
        """From now on nothing may be driven, or not for long: empty says that the board is fit again."""
        self._unfit_ms, self._unfit_why = (self._now_ms, why) if why else (None, "")

    def must_not_act(self, order_id: str) -> None:
        """An order that was sent in a way in which none may act."""
        self._forbidden.add(order_id)

    def expect(self, ids: tuple[str, ...], within_ms: int) -> Awaited:
        """From now on one of these findings must be told, in so much time at the latest."""
        awaited = Awaited(ids, self._now_ms, self._now_ms + within_ms)
        self.awaited.append(awaited)
        self._tell_due_ms = self._now_ms
        return awaited

    def controller_restarts(self) -> None:
        """The controller is about to be away: what runs goes on for a lease at most."""
        self._losses += 1

    def controller_is_back(self) -> None:
        """Its lease may last a little longer; nothing new begins at once."""
        self._back_ms = self._changed_ms = self._now_ms

    def clock_stepped(self, step_ms: int) -> None:
        """The controller's wall clock is about to be wrong: its days are not the true ones."""
        self._clock_steps += abs(step_ms) > 1_000

    def ordered(self, command: Command) -> None:
        """An order is about to be given."""
        if isinstance(command, ClearFault):
            self._may_clear.add(command.fault_id)
            if command.fault_id.startswith("board-"):
                self._locked_until_ms = self._battery_stop_ms = NEVER_MS
                self._short_boots = 0
        self._rest_until_ms = self._back_ms = NEVER_MS

    def answered(self) -> None:
        """The order was answered: its permission is used up."""
        self._may_clear.clear()
        self._raise_caps()

    # --- after each step of the core --------------------------------------------------------------------------

    def core_stepped(self, now: Now, result: StepResult) -> None:
        """I8, I10 to I13, L3, what was told, and what the core wants from now on."""
        if result.outputs != self._wanted[-1][1]:
            self._wanted.append((self._now_ms, result.outputs))
            del self._wanted[:-6]
        state = self._state()
        if (state.latches or self._latched) and state.latches.keys() != self._latched:
            self._check_latches(now, set(state.latches))
        self._time_known = self._time_known or now.trust != "unknown"
        if result.records:
            # What broke since the plant was looked at last may be what they tell of.
            self._note_faults()
        for record in result.records:
            self._take_record(now, record, state)
        if state.delivery is not None:
            self._check_run(now, state.delivery)
        if self.awaited and (result.records or self._now_ms >= self._tell_due_ms):
            self.check_told(now)
        if self._now_ms >= self._level_due_ms:
            self._level_due_ms = self._now_ms + self.readings_every_ms
            self._check_readings(now)
        if self._anything_on():
            self.look()

    def _check_latches(self, now: Now, latched: set[str]) -> None:
        """I8: a latch goes when somebody clears it, and is shown as long as it stands."""
        lost = self._latched - latched - self._may_clear
        assert not lost, f"I8: {sorted(lost)} went without anybody clearing"
        new = latched - self._latched
        self._latched = latched
        if new:
            shown = {finding.id for finding in self._season.core.snapshot(now).findings}
            assert new <= shown, f"I8: {sorted(new - shown)} is latched but not shown"

    def _take_record(self, now: Now, record: Record, state: State) -> None:
        data = record.data
        if record.kind == "start":
            assert data["run"] not in self._forbidden, f"I9: {data['run']} acted"
            self._ran_before_start = set(self._plant.faults.pump_welded)
            check = self._check_drain if data["trigger"] == "drain" else self._check_start
            check(now, record, state)
            if data["trigger"] == "fixed":
                self._check_due(now, record)
            waited_ms = self._now_ms - self._ordered_ms.get(data["run"], self._now_ms)
            assert waited_ms <= ORDER_LATE_MS, f"I9: {data['run']} acts {waited_ms / 60e3:.0f} min after it was given"
        elif record.kind == "order":
            self._ordered_ms[record.key] = self._now_ms
        elif record.kind == "delivery":
            self._check_dose(record)
            pump = self._site.pump_for_tank(self._site.zone(record.key).tank_id)
            most_l = 1.3 * pump.max_flow_l_min * (data["duration_s"] + 20.0) / 60.0
            assert data["volume_l"] <= most_l, f"Q2: {data['volume_l']:.1f} L booked, the pump can give {most_l:.1f} L"
        elif record.kind == "refusal":
            self._check_refusal(record, state)
        elif record.kind == "fault" and data["raised"]:
            self._check_told_so(record)

    def _check_told_so(self, record: Record) -> None:
        """T2: a diagnosis needs a cause."""
        condition = record.key.partition(":")[0]
        if condition not in DIAGNOSES:
            return
        self.told.append((self._now_ms, record.key))
        if self.explained is not None:
            known = any(record.key.startswith(beginning) for beginning in self.explained)
            assert known, f"T2: {record.key} was told without a cause: {record.data['text']}"

    @property
    def due_ms(self) -> int | None:
        """When something must have been told at the latest; None while nothing is awaited."""
        return min((awaited.due_ms for awaited in self.awaited if awaited.told_ms is None), default=None)

    def check_told(self, now: Now) -> None:
        """T1: whatever is awaited has been told, or there is still time for it."""
        waiting = [awaited for awaited in self.awaited if awaited.told_ms is None]
        if not waiting:
            return
        self._tell_due_ms = min([self._now_ms + TELL_MS, *(awaited.due_ms for awaited in waiting)])
        shown = {finding.id for finding in self._season.core.snapshot(now).findings}
        for awaited in waiting:
            if any(awaited.is_told_by(finding_id) for finding_id in shown):
                awaited.told_ms = self._now_ms
            seconds = (awaited.due_ms - awaited.since_ms) / 1000.0
            late = self._now_ms > awaited.due_ms or (awaited.told_ms is None and self._now_ms == awaited.due_ms)
            assert not late, f"T1: none of {', '.join(awaited.ids)} was told within {seconds:.0f} s"

    def _check_run(self, now: Now, delivery: Delivery) -> None:
        """I13: twice the time the rated flow needs and a minute, at most 55 minutes, and a few seconds to notice."""
        if delivery.phase != "running":
            return
        rated_s = 60.0 * delivery.target_ml / 1000.0 / self._site.zone(delivery.zone_id).rated_flow_l_min
        most_s = min(RUN_MAX_S, 2.0 * rated_s + 60.0) + 5.0
        ran_s = (now.mono_ms - delivery.started_mono_ms) / 1000.0
        assert ran_s <= most_s, f"I13: {delivery.zone_id} is watered for {ran_s:.0f} s, at most {most_s:.0f} s"

    def _check_dose(self, record: Record) -> None:
        """I12: by the dose's own key, and by how many times of the day there ever were."""
        data, zone_id = record.data, record.key
        if data["ended"] != "done":
            return
        run = data["run"]
        self._done[zone_id, run] += 1
        assert self._done[zone_id, run] == 1, f"I12: {zone_id} got {run} twice"
        if "/" in run and ":" in run:
            served = self._served.setdefault((zone_id, run[:10]), set())
            served.add(run)
            times = self._times[zone_id]
            assert len(served) <= len(times), f"I12: {zone_id} got {len(served)} doses of {run[:10]}, not {len(times)}"

    def _check_due(self, now: Now, record: Record) -> None:
        """I12: a fixed time is neither early nor hours late; days on which the clocks change are left out."""
        day, _, minute = record.data["run"].partition("/")
        zone = ZoneInfo(self._site.place.time_zone)
        due = datetime.fromisoformat(f"{day}T{minute[:5]}").replace(tzinfo=zone)
        if due.replace(hour=0).utcoffset() != due.replace(hour=23).utcoffset():
            return
        late_ms = now.wall_ms - due.timestamp() * 1000.0
        assert -1_000.0 <= late_ms <= LATE_MS, (
            f"I12: {record.key} begins {record.data['run']} {late_ms / 60e3:.0f} min late"
        )

    def _check_refusal(self, record: Record, state: State) -> None:
        """L3: only its own latches, its pump's and those of the whole site bar a bed. A refusal tells its reasons."""
        for blocker_id in record.data["blockers"]:
            for awaited in self.awaited:
                if awaited.told_ms is None and awaited.is_told_by(blocker_id):
                    awaited.told_ms = self._now_ms
            latch = state.latches.get(blocker_id)
            if latch is not None and record.key:
                pump = self._site.pump_for_tank(self._site.zone(record.key).tank_id)
                bars = latch.zone_id in ("", record.key, pump.id)
                assert bars, f"L3: {record.key} was refused because of {blocker_id}"
        self._check_reasons(record)
        present = state.delivery
        if "battery-low" in record.data["blockers"] and present is not None and present.ended == "blocked":
            self._battery_stop_ms = self._now_ms

    def _check_reasons(self, record: Record) -> None:
        """T2: what a refusal says of water, float and battery is so, or something lies."""
        reasons, now_ms = record.data["blockers"], self._now_ms
        tank = self._site.tank(self._site.zone(record.key).tank_id)
        truth, volume_l = self._plant.tanks[tank.id], self._plant.truth.volume_l(tank.id)
        much_l = tank.reserve_l + 0.1 * truth.overflow_volume_l
        may_lie_ms = max(self._lies_until_ms[tank.id], self._level_may_lie_until_ms[tank.id])
        if "tank-reserve" in reasons and now_ms >= may_lie_ms:
            assert volume_l < much_l, f"T2: {record.key} is refused for want of water, there are {volume_l:.0f} L"
        if "battery-low" in reasons and now_ms - max(self._battery_lied_ms, self._bank_changed_ms) > BATTERY_TOLD_MS:
            # Near half its charge a battery may rest, on dull days, below the voltage that pumping waits for.
            below = self._above_resume_ms < ABOVE_RESUME_MS
            soc, most_soc = self._plant.bank.soc, MAY_WAIT_SOC if below else 0.5
            assert soc < most_soc, f"T2: {record.key} is refused for a low battery, charged to {100.0 * soc:.0f} %"
        settled = now_ms - self._changed_ms > REASON_MS and abs(volume_l - self._volume_l[tank.id]) < 40.0
        if "suction-dry" in reasons and settled and now_ms - self._float_stuck_ms > REASON_MS:
            assert volume_l < much_l, f"T2: {record.key} is refused for a dry suction under {volume_l:.0f} L"

    def _check_readings(self, now: Now) -> None:
        """Q3: levels and rain as they are used; Q6: buffers."""
        self._note_faults()
        self._note_level_lies()
        is_above = self._plant.bank.terminal_v() >= self._site.battery.resume_v + SHOWN_V
        self._above_resume_ms = self._resumable.lasting_ms(is_above, self._now_ms)
        for tank in self._site.tanks:
            reading = self._sensing().level(tank.id, now.mono_ms)
            off_l = 0.0
            if reading.quality == "good" and now.mono_ms >= self._level_may_lie_until_ms[tank.id]:
                assert reading.volume_l is not None, "Q3: a good level without a volume"
                assert reading.sd_l is not None, "Q3: a good level without its doubt"
                off_l = abs(reading.volume_l - self._plant.truth.volume_l(tank.id)) - 3.0 * reading.sd_l
            is_off = off_l > max(10.0, LEVEL_OFF_PART * self._plant.tanks[tank.id].overflow_volume_l)
            lasting_ms = self._level_off[tank.id].lasting_ms(is_off, self._now_ms)
            assert lasting_ms <= LEVEL_OFF_MS, (
                f"Q3: the level of {tank.id} is called good and is {off_l:.0f} L further off than it owns up to"
            )
        self._check_rain()
        talk = getattr(self._season.board, "talk", None)
        decoders = [self._season.link._decoder, *([] if talk is None else [talk._decoder])]
        held = max(len(decoder._partial) for decoder in decoders)
        assert held <= BUFFER_BYTES, f"Q6: {held} bytes wait for the end of a line"

    def _check_rain(self) -> None:
        """Q3: no hour has more rain than has ever fallen in one."""
        sensing, hour_ago_ms = self._sensing(), self._now_ms - 3_600_000
        if sensing._rain is None:
            return
        rain_mm, read_ms = sensing.rain_today_mm, sensing._rain._last_mono_ms or 0
        if rain_mm > self._rain_mm:
            self._rained.append((min(self._gauge_read_ms, read_ms - 1), read_ms, rain_mm - self._rain_mm))
        self._rain_mm, self._gauge_read_ms = rain_mm, read_ms
        self._rained = [(since_ms, to_ms, mm) for since_ms, to_ms, mm in self._rained if to_ms > hour_ago_ms]
        # What is heard after a silence fell all through it.
        hour_mm = sum(
            mm * (to_ms - max(since_ms, hour_ago_ms)) / (to_ms - since_ms) for since_ms, to_ms, mm in self._rained
        )
        # Two lines that are a minute late move so much into the hour, besides the bucket's own burst.
        assert hour_mm <= RAIN_MOST_MM_H + 20.0, f"Q3: {hour_mm:.0f} mm of rain were counted within an hour"

    def _note_level_lies(self) -> None:
        """What no ranger can tell from water, or what the estimator may take some time to follow."""
        faults, now_ms = self._plant.faults, self._now_ms
        others = any(
            what != "echo" or trouble.kind != "stuck"
            for (what, _), trouble in faults.sensor.items()
            if what != "battery"
        )
        miscounts = faults.flow_meter_dead or faults.flow_meter_slow or faults.flow_phantom_l_h
        lies = bool(others or miscounts or faults.temperature_frozen or faults.temperature_bad)
        lies |= bool(faults.echo_jump_mm or faults.echo_false_mm or faults.echo_drift_mm_day or faults.echo_lost_part)
        for tank in self._site.tanks:
            volume_l = self._plant.truth.volume_l(tank.id)
            # In an empty tank a ranger hears nothing but the rungs of its ladder.
            empty = volume_l < self._plant.tanks[tank.id].suction_volume_l
            channel = self._plant.tanks[tank.id].tank.sensor_channel
            if channel in faults.echo_frozen or ("echo", channel) in faults.sensor:
                self._froze_ms[tank.id] = now_ms
            # A ranger that is well again shows a jump, which is believed after some reports.
            well_again = self._froze_ms[tank.id] < now_ms < self._froze_ms[tank.id] + WELL_AGAIN_MS
            if lies or empty or well_again or abs(volume_l - self._volume_l[tank.id]) > 40.0:
                self._level_may_lie_until_ms[tank.id] = now_ms + LEVEL_LIES_MS
            self._volume_l[tank.id] = volume_l

    def _core(self) -> TwinCore:
        core = self._season.core
        assert isinstance(core, TwinCore)
        return core

    def _state(self) -> State:
        """The core's own memory; taking a dump at every step would cost more than the step."""
        return self._core().state

    def _sensing(self) -> Sensing:
        return self._core().sensing

    def _check_drain(self, _now: Now, record: Record, state: State) -> None:
        """A line that is emptied asks for no battery, level or warmth, but for a hold, a board and a sound zone."""
        assert state.held, "I10: a line was opened without a hold"
        assert state.link_up, "I10: a line was opened without a board"
        barred = [latch.id for latch in state.latches.values() if latch.zone_id in ("", record.key)]
        assert not barred, f"I8: a line was opened although {barred} is latched"

    def _check_start(self, now: Now, record: Record, state: State) -> None:
        zone = self._site.zone(record.key)
        assert self._time_known, "I10: started without ever having known the time"
        assert not state.held, "I10: started while on hold"
        assert state.link_up, "I10: started without a board"
        barred = [latch.id for latch in state.latches.values() if latch.zone_id in ("", zone.id)]
        assert not barred, f"I8: started although {barred} is latched"
        faults = self._plant.faults
        tank = self._site.tank(zone.tank_id)
        assert not state.float_dry.get(tank.id, False), "I10: started on a dry suction"
        cold = faults.temperature_frozen.get(0, 20.0) <= 0.0 and 0 not in faults.temperature_bad
        sensing = self._sensing().dump()
        seen_c = sensing["temperature_c"]
        assert seen_c is None or not (cold and seen_c <= 0.0), "I10: started in frost"
        if 0 not in faults.temperature_frozen and ("temperature", 0) not in faults.sensor:
            true_c = self._plant.weather.hour(self._plant.wall_ms).temperature_c
            assert true_c > self._site.frost_c - FROST_DOUBT_K, f"I10: started at {true_c:.1f} °C"
        level_ms = sensing["levels"][tank.id]["measured_mono_ms"]
        assert now.mono_ms - (level_ms or NEVER_MS) <= 15_000, "I10: started on an old level"
        battery_ms = sensing["battery"]["voltage_mono_ms"]
        assert now.mono_ms - (battery_ms or NEVER_MS) <= 60_000, "I10: started on an old voltage"
        assert sensing["battery"]["voltage_v"] <= self._site.battery.maximum_v, "I10: started on over-voltage"

    # --- after each step of the plant -------------------------------------------------------------------------

    def look(self) -> None:
        """All promises about what is truly so now."""
        self._note_faults()
        if (self._now_ms + self._since_midnight_ms) // DAY_MS != self._day:
            self._start_day()
        if not self._anything_on():
            if not self._is_still:
                self._all_still()
            return
        self._is_still = False
        self._check_leases()
        for pump in self._site.pumps:
            self._check_pump(pump)
        self._check_battery()
        self._check_reserves()
        self._check_caps()

    def _all_still(self) -> None:
        for spell in (*self._dry.values(), *self._dead_head.values(), *self._open.values(), self._low, self._floor):
            spell.since_ms = None
        self._is_still = True

    def _note_faults(self) -> None:
        self._note_supply()
        is_broken = self._plant.faults.any_stands
        if is_broken or self._was_broken:
            self._note_broken()
        self._was_broken = is_broken

    def _note_supply(self) -> None:
        if not self._state().link_up:
            self._changed_ms = self._now_ms
        soc = self._plant.bank.soc
        if abs(soc - self._soc) > 0.05 or soc < 0.5:
            self._bank_changed_ms = self._now_ms
        self._soc = soc

    def _note_broken(self) -> None:
        faults, now_ms = self._plant.faults, self._now_ms
        for tank in self._site.tanks:
            channel = tank.sensor_channel
            trouble = faults.sensor.get(("echo", channel))
            jumped_ms = self._jumped[tank.id].lasting_ms(channel in faults.echo_jump_mm, now_ms)
            lies = (faults.echo_frozen, faults.echo_false_mm, faults.echo_drift_mm_day)
            hot = ("temperature", 0) in faults.sensor or 0 in faults.temperature_frozen
            spike_ms = SPIKE_MS if self._site.pump_for_tank(tank.id).flow_meter else UNMETERED_SPIKE_MS
            if trouble is not None or hot or jumped_ms > spike_ms or any(channel in lying for lying in lies):
                # A level that jumped is believed after a minute, and again when it jumps back.
                self._lies_until_ms[tank.id] = now_ms + 30 * 60_000
            if jumped_ms > spike_ms or (channel in faults.echo_jump_mm and now_ms - self._back_ms < spike_ms):
                # Between two looks at the readings, or just met by a controller that began anew.
                self._level_may_lie_until_ms[tank.id] = now_ms + LEVEL_LIES_MS
            if channel in faults.echo_silent or channel in faults.echo_lost_part or trouble is not None:
                self._silent_ms[tank.id] = now_ms
        for pump in self._site.pumps:
            meter = pump.flow_meter
            if meter is None or faults.flow_phantom_l_h.get(meter.channel) or ("flow", meter.channel) in faults.sensor:
                self._hidden_flow_ms[pump.output] = now_ms
        if faults.battery_fade:
            self._bank_changed_ms = now_ms
        if faults.battery_bad or faults.battery_frozen_mv is not None or ("battery", 0) in faults.sensor:
            self._battery_lied_ms = now_ms
        if faults.pump_welded or faults.flow_phantom_l_h or faults.flow_meter_slow:
            self._flowed_at_rest = True
        if any(quantity == "flow" for quantity, _ in faults.sensor):
            self._miscounted = True
        pins = self._season.hardware.output_masks()[0]
        for output in faults.pump_welded:
            self._welded_in_use.setdefault(output, bool(pins >> output & 1))
        if faults.pump_welded:
            self._welded_ms = now_ms
        elif self._welded_in_use:
            self._welded_in_use.clear()
        if faults.valve_stuck:
            self._valve_stuck_ms = now_ms
        if faults.float_stuck:
            # What it says now is heard with the next report.
            self._float_stuck_ms = now_ms

    def _recently(self, when_ms: int) -> bool:
        return self._now_ms - when_ms <= 60_000

    def _check_leases(self) -> None:
        """I3 and I4, on the pins; I9: what is on was wanted within the life of a command and its lease."""
        hardware, now_ms = self._season.hardware, self._now_ms
        pumps, valves = hardware.output_masks()
        self._note_accepted()
        self._check_unasked(pumps, valves)
        if pumps or valves:
            silent_ms = now_ms - self._accepted_ms
            assert silent_ms <= LEASE_MAX_MS, f"I3: outputs on {silent_ms} ms after the last accepted command"
        for output, spell in self._open.items():
            open_ms = spell.lasting_ms(bool(valves >> output & 1), now_ms)
            assert open_ms <= RUN_MAX_MS, f"I4: valve {output} open for {open_ms} ms"
        wanted_until_ms = now_ms
        for since_ms, wanted in reversed(self._wanted):
            # The newest first: mostly it explains all that is on.
            if now_ms - wanted_until_ms <= COMMAND_AGE_MS + LEASE_MAX_MS:
                pumps &= ~wanted.pumps
                valves &= ~wanted.valves
            if not pumps | valves:
                return
            wanted_until_ms = since_ms
        assert pumps | valves == 0, f"I9: pumps {pumps:b}, valves {valves:b} are on although nobody wants them"

    def _note_accepted(self) -> None:
        """I9: the numbers of the words that act only go up within a boot."""
        talk = getattr(self._season.board, "talk", None)
        if talk is None or (talk.boot_id, talk.accepted_seq) == self._accepted:
            return
        boot_id, before = self._accepted
        ahead = (talk.accepted_seq - before) % SEQ_MODULUS
        again = boot_id == talk.boot_id and before >= 0 and ahead > SEQ_MODULUS >> 1
        assert not again, f"I9: word {talk.accepted_seq} acted after word {before}"
        self._accepted = (talk.boot_id, talk.accepted_seq)
        self._accepted_ms = self._now_ms

    def _check_unasked(self, pumps: int, valves: int) -> None:
        """I3, I4, I9, I11: while the board must not drive, after resets, and one bed at a time."""
        now_ms, on = self._now_ms, bool(pumps or valves)
        if self._hung_ms is not None and HANG_MS < now_ms - self._hung_ms < LEASE_MAX_MS:
            assert not on, f"I3: outputs on {now_ms - self._hung_ms} ms after the board's program hung"
        if self._unfit_ms is not None and now_ms - self._unfit_ms > UNFIT_MS:
            assert not on, f"I9: outputs on {now_ms - self._unfit_ms} ms after {self._unfit_why}"
        if now_ms < self._locked_until_ms:
            assert not on, "I4: outputs on although the board booted again and again"
        if now_ms < self._rest_until_ms and now_ms - (self._rest_until_ms - BOARD_REST_MS) > HANG_MS:
            assert not on or self._gives_way_out(), "I9: the watering went on by itself after a reset"
        if not self._recently(self._welded_ms):
            assert valves.bit_count() <= 1, f"I11: valves {valves:b} are open together"

    def _check_pump(self, pump: Pump) -> None:
        """I1 and I2 as they truly are."""
        state, now_ms = self._plant.pumps[pump.output], self._now_ms
        bound_ms = NO_FLOW_START_MS + LOOK_MS
        # The pump runs at once, but flow begins to be missed only when the last pulse is some time ago.
        dry_ms = self._dry[pump.output].lasting_ms(state.running and state.dry, now_ms)
        head_ms = self._dead_head[pump.output].lasting_ms(state.running and state.dead_headed, now_ms)
        if head_ms > 0 or self._shut_in[pump.output].since_ms is not None:
            shut_in_ms = self._shut_in[pump.output].lasting_ms(head_ms > 0 and self._may_be_relieved(pump), now_ms)
            assert shut_in_ms <= WELDED_HEAD_MS, f"I2: welded pump {pump.id} is shut in, and beds have room"
        if self._recently(self._welded_ms) or self._recently(self._hidden_flow_ms[pump.output]):
            return
        assert dry_ms <= bound_ms, f"I1: pump {pump.id} ran dry for {dry_ms} ms"
        assert head_ms <= bound_ms, f"I2: pump {pump.id} ran against shut valves for {head_ms} ms"

    def _may_be_relieved(self, pump: Pump) -> bool:
        """Is a welded pump all that is wrong, and is there somewhere for its water to go?"""
        state, plant = self._state(), self._plant
        if not self._welded_in_use.get(pump.output, False):
            # A contact that closes by itself, with everything at rest, is no weld: nobody looks for that.
            return False
        alone = plant.faults == PlantFaults(pump_welded={pump.output}) and state.link_up and not state.held
        alone = alone and not self.line_is_bad() and pump.output not in self._ran_before_start
        if not alone or set(state.latches) - {"pump-runs-on"} or self._board_faults():
            return False
        if self._season.is_dewy:
            # Nobody sees whether there is water to spare.
            return False
        tank = plant.tanks[pump.tank_id]
        zones = [state.zones[zone.id] for zone in self._zones_of(pump.output)]
        room_l = max((zone.schedule.daily_cap_l - zone.applied_today_ml / 1000.0 for zone in zones), default=0.0)
        return room_l > 3.0 and tank.volume_l > tank.tank.reserve_l + 0.1 * tank.overflow_volume_l

    def _check_battery(self) -> None:
        """I5, on the true voltage; the controller adds the sag back, and the board allows it."""
        battery, now_ms = self._site.battery, self._now_ms
        running = bool(self._season.hardware.output_masks()[0])
        volts = self._plant.bank.terminal_v()
        slack_v = SAG_V + 0.1
        low_ms = self._low.lasting_ms(running and volts < battery.disconnect_v - slack_v, now_ms)
        floor_ms = self._floor.lasting_ms(running and volts < battery.floor_v - slack_v, now_ms)
        if self._recently(self._battery_lied_ms):
            return
        assert low_ms <= BATTERY_LOW_MS + 2 * LOOK_MS, f"I5: pump on at {volts:.2f} V for {low_ms} ms"
        assert floor_ms <= BATTERY_FLOOR_MS + 2 * LOOK_MS, f"I5: pump on at {volts:.2f} V for {floor_ms} ms"

    def _check_reserves(self) -> None:
        """I6: what irrigation takes from below the reserve, beyond the ranger's error and what flows unseen."""
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
            assert taken_l <= slack_l, f"I6: {taken_l:.1f} L below the reserve of {tank.reserve_l:.0f} L"

    def _start_day(self) -> None:
        self._day = (self._now_ms + self._since_midnight_ms) // DAY_MS
        self._applied_l = {zone.id: self._plant.roots[zone.id].applied_l for zone in self._site.zones}
        self._cap_l = {}
        self._caps_spoilt = False
        self._losses = 0
        self._clock_steps, self._clock_steps_before = 0, self._clock_steps
        self._raise_caps()

    def _raise_caps(self) -> None:
        """The cap of a day is the largest that was in force on it."""
        for zone_id, zone_state in self._state().zones.items():
            cap_l = zone_state.schedule.daily_cap_l
            self._times[zone_id].update(zone_state.schedule.fixed_times_min)
            self._cap_l[zone_id] = max(self._cap_l.get(zone_id, 0.0), cap_l)

    def _check_caps(self) -> None:
        """I7. A meter that is dead, phantom or shared with a stuck valve cannot tell whose water it was."""
        if self._valve_stuck_ms == self._now_ms or self._plant.faults.pump_welded:
            self._caps_spoilt = True
        faults = self._plant.faults
        miscounts = faults.flow_meter_dead or faults.flow_meter_slow or any(what == "flow" for what, _ in faults.sensor)
        if miscounts or faults.zones_crossed or faults.emitters_popped:
            self._caps_spoilt = True
        if self._caps_spoilt:
            return
        for way in self._ways:
            zone_id, applied_l = way.zone.id, way.root.applied_l
            if applied_l == way.checked_l:
                continue
            way.checked_l = applied_l
            applied_l -= self._applied_l[zone_id]
            burst = faults.pipe_burst.get(zone_id, 1.0)
            if not way.is_metered and burst > 1.0:
                way.burst_day = self._day
            if way.burst_day == self._day:
                continue
            flow_l_min = min(way.most_l_min, way.zone.rated_flow_l_min * burst)
            error = METER_ERROR if way.is_metered else UNMETERED_ERROR
            # A day that a wrong clock began too early or too late shares the true day with another.
            days = 1 + min(1, self._clock_steps + self._clock_steps_before)
            bound_l = days * self._cap_l[zone_id] * (1.0 + error) + (self._losses + 1) * 1.2 * flow_l_min / 60.0
            assert applied_l <= bound_l, (
                f"I7: {zone_id} got {applied_l:.2f} L on day {self._day}, its cap is {self._cap_l[zone_id]:.2f} L"
            )

    def _way(self, zone: Zone) -> Way:
        pump = self._site.pump_for_tank(zone.tank_id)
        return Way(zone, self._plant.roots[zone.id], pump.flow_meter is not None, pump.max_flow_l_min)

    # --- the books --------------------------------------------------------------------------------------------

    def check_books(self, records: list[tuple[Now, Record]]) -> None:
        """Q1: every ledger closes to the millilitre and opens where the last one closed."""
        for tank in self._site.tanks:
            ledgers = [record.data for _, record in records if record.kind == "ledger" and record.key == tank.id]
            for ledger in ledgers:
                total_ml = ledger["opening_ml"] + sum(ledger["entries_ml"].values())
                assert total_ml == ledger["closing_ml"], f"Q1: {ledger} does not close"
            for before, after in pairwise(ledgers):
                assert after["opening_ml"] == before["closing_ml"], "Q1: a ledger opens where none closed"
        for pump in self._site.pumps:
            self._check_bookings(pump, records)
        assert abs(self._plant.water_balance_error_l()) < 1e-3, "the plant's own balance is off"

    def _check_bookings(self, pump: Pump, records: list[tuple[Now, Record]]) -> None:
        """Q2: no more was booked than the meter counted, and no less but for a second's flow at each board reset."""
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
        assert booked_l <= counted_l + rounding_l, f"Q2: {booked_l:.3f} L booked, {counted_l:.3f} L metered"
        if not self._flowed_at_rest:
            lost_l = self._resets * 1.5 * pump.max_flow_l_min / 60.0 + 1.5 * pump.max_flow_l_min / 60.0
            assert counted_l - booked_l <= lost_l + rounding_l, (
                f"Q2: {booked_l:.3f} L booked, {counted_l:.3f} L metered, {self._resets} resets of the board"
            )
