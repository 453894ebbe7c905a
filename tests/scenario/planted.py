"""Mistakes that somebody might make in the program, planted one at a time, with the script that must show each.

A judge that has never caught anything proves nothing. Each row names the group of the fault that brings the mistake to
light (S cable, M board, N sensors, A pump and pipes, P supply, C time, D what is kept, B orders and broker, H people),
what is broken, where the script leads it on, and the promise that the judge must find broken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from controller import core
from controller.contract import Now
from controller.core import choose, day, delivery, facts, intake, orders, relief, run_down, sensing, standing
from controller.core import state as memory
from controller.core.context import Context
from controller.core.localclock import LocalClock, Slot
from controller.core.sensing import Sensing
from controller.estimate import battery_limits, counters, daily, ledger
from controller.estimate.battery import BatteryEstimator
from controller.estimate.flow import FlowWatch
from controller.estimate.flow_excess import PulseCeiling
from controller.estimate.frozen_echo import FrozenEcho
from controller.estimate.level import LevelEstimator
from controller.guard import interlocks
from controller.service import orders as edge
from controller.service import strict_json
from controller.service.journal import Journal
from controller.service.outbox import Outbox
from firmware_host import link, wire
from firmware_host.board import conversation, guards, limits, logic, outputs, reboots
from simulator.board import PlantHardware
from tests.scenario import broken_season
from tests.scenario import scripts_of_faults as scripts
from tests.scenario.directed import broken_promise

Plant = Callable[[pytest.MonkeyPatch], None]

FAR = 10**9


@dataclass(frozen=True, slots=True)
class Mistake:
    """`promise`: the one that must be found broken."""

    id: str
    what: str
    plant: Plant
    script: Callable[[], object]
    promise: str


def found(mistake: Mistake) -> str:
    """What the judge says with this mistake planted; empty when it notices nothing."""
    with pytest.MonkeyPatch.context() as patch:
        mistake.plant(patch)
        return broken_promise(mistake.script)


# --- how they are planted -------------------------------------------------------------------------------------


def value(owner: Any, name: str, new: Any) -> Plant:
    """A number, or a function, is another one."""
    return lambda patch: patch.setattr(owner, name, new)


def both(*plants: Plant) -> Plant:
    def plant(patch: pytest.MonkeyPatch) -> None:
        for each in plants:
            each(patch)

    return plant


def nothing(*_args: object, **_named: object) -> None:
    """In place of something that should be done."""


def unasked(*checks: interlocks.Check) -> Plant:
    """Interlocks are missing from both lists."""

    def plant(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(delivery, "START_CHECKS", [c for c in interlocks.START_CHECKS if c not in checks])
        patch.setattr(delivery, "RUN_CHECKS", [c for c in interlocks.RUN_CHECKS if c not in checks])

    return plant


def wrapped(owner: Any, name: str, around: Callable[..., Any]) -> Plant:
    """`around(original, *args)` in place of a function or method."""

    def plant(patch: pytest.MonkeyPatch) -> None:
        original = getattr(owner, name)
        patch.setattr(owner, name, lambda *args, **named: around(original, *args, **named))

    return plant


class _Careless(wire.Decoder):
    """Takes lines whatever their checksum."""

    def lines(self, data: bytes) -> list[str]:
        *whole, self._partial = (self._partial + data).split(b"\n")
        return [line.rpartition(b"*")[0].decode("ascii", "replace") for line in whole if b"*" in line]


class _Lost(wire.Decoder):
    """Never finds its way back after a line that was too long."""

    def lines(self, data: bytes) -> list[str]:
        return [] if self._skipping else super().lines(data)


class _Forgetful(wire.Sequence):
    """Takes every number as new."""

    def judge(self, seq: int) -> int:
        self.highest = seq
        return wire.NEW


class _Endless(wire.Sequence):
    """Does not know that numbers begin anew."""

    def judge(self, seq: int) -> int:
        if seq <= self.highest:
            return wire.DUPLICATE
        self.highest = seq
        return wire.NEW


def _ageless(original: Callable[..., int], *args: Any) -> int:
    return min(original(*args), 0)


def _introduced_blindly(original: Callable[..., None], self: link.Link, *args: Any) -> None:
    self._expected_board_id = None
    original(self, *args)


def _guessed(original: Callable[..., Any], text: str) -> Any:
    return original(text.replace("protocol=2", "protocol=1"))


def _counted_on(_original: Callable[..., int], self: counters.Counter, boot_id: str, count: int) -> int:
    """A new boot's count is added to what the old boot had counted."""
    delta = count - self.value if boot_id == self.boot_id else count + self.value
    self.boot_id, self.value = boot_id, count
    return max(delta, 0)


def _wrapped_on_any_fall(_original: Callable[..., int], self: counters.Counter, boot_id: str, count: int) -> int:
    delta = (count - self.value) % (1 << 32) if boot_id == self.boot_id else count
    self.boot_id, self.value = boot_id, count
    return delta


def _met_at_once(
    _original: Callable[..., None], self: Any, seen_mm: float, variance_mm2: float, mono_ms: int, _b: bool
) -> None:
    self._meet(seen_mm, variance_mm2, mono_ms)


def _rated_at_most(original: Callable[..., None], ctx: Context, now: Now, present: Any, *counted: Any) -> None:
    original(ctx, now, present, *counted)
    rated_l_min = ctx.zones[present.zone_id].rated_flow_l_min
    most_ml = round(rated_l_min * (now.mono_ms - present.started_mono_ms) / 60.0)
    delivery._book(ctx, present, min(present.delivered_ml, most_ml))


def _two_valves(original: Callable[..., Any], ctx: Context) -> Any:
    wanted = original(ctx)
    return replace(wanted, valves=wanted.valves | 0b10001) if wanted.valves else wanted


def _resumed(ctx: Context, now: Now, restart: Any) -> None:
    shift_ms = now.mono_ms - ctx.state.mono_ms - restart.away_ms
    memory.shift_mono(ctx.state, shift_ms)
    ctx.sensing.restarted(shift_ms)


def _by_the_wall(original: Callable[..., None], ctx: Context, now: Now, present: Any, zone: Any) -> None:
    wall_now = now._replace(mono_ms=present.phase_mono_ms + now.wall_ms - present.began_wall_ms)
    original(ctx, wall_now, present, zone)


def _each_half_past(
    _original: Callable[..., Any], self: LocalClock, times: tuple[int, ...], wall_ms: int, late_ms: int
) -> list[Slot]:
    """A time of the day counts each time that a clock on the wall shows it."""
    slots = []
    for at_ms in range(wall_ms - late_ms - wall_ms % 60_000, wall_ms + 1, 60_000):
        if self.minute(at_ms) in times:
            slots.append(Slot(f"{self.text(at_ms)[:10]}/{self.text(at_ms)[11:]}+{at_ms // 3_600_000}", at_ms))
    return slots


def _without(*names: str) -> Callable[..., Any]:
    """A dump that forgets some fields of the state, or of each zone."""

    def around(original: Callable[..., Any], state: memory.State) -> Any:
        data = original(state)
        for part in (data, *data["zones"].values()):
            for name in names:
                if name in part:
                    part[name] = type(part[name])()
        return data

    return around


def _forgets_the_ledgers(original: Callable[..., None], self: Sensing, data: dict[str, Any]) -> None:
    original(self, {**data, "ledgers": {}})


def _commits_and_forgets(original: Callable[..., None], self: Journal, **named: Any) -> None:
    try:
        original(self, **named)
    finally:
        for rows in (self._inputs, self._records, self._outputs, self._answers):
            rows.clear()


def _numbers_twice(original: Callable[..., None], self: Journal, *args: Any) -> None:
    self._last_seq += self._last_seq % 7 == 3
    original(self, *args)


def _keeps_one_entry(original: Callable[..., None], self: Journal, now: Now, entries: Any, result: Any) -> None:
    original(self, now, tuple(entries)[:1], result)


def _moves_on(original: Callable[..., bool], self: Outbox, message_id: int) -> bool:
    pack = self._unacked.get(message_id)
    moved = original(self, message_id)
    if pack is not None:
        self.cursor = max(self.cursor, pack.last_seq)
    return moved


def _forgets_the_unacked(_original: Callable[..., None], self: Outbox) -> None:
    self._unacked.clear()


def _takes_retained(original: Callable[..., Any], payload: bytes, _retained: bool, limit_bytes: int) -> Any:
    return original(payload, False, limit_bytes)


def _clears_all(original: Callable[..., str], ctx: Context, now: Now, command: Any) -> str:
    answer = original(ctx, now, command)
    ctx.state.latches.clear()
    return answer


def _untold(original: Callable[..., None], ctx: Context, now: Now, condition: str, *more: Any) -> None:
    if condition != "no-flow":
        original(ctx, now, condition, *more)


def _unwatched_uptime(self: link.Link, _uptime_ms: int, mono_ms: int) -> None:
    self._heard_ms = mono_ms
    self._watch_due_ms = mono_ms + self._silence_ms


def _kept_once(original: Callable[..., None], board: outputs.Outputs, now: int) -> None:
    board._lease_end_inverse = ~board.lease_end_ms
    original(board, now)


def _not_blind(original: Callable[..., None], self: Any, seen_mm: float, noise: float, now: int, _blind: bool) -> None:
    original(self, seen_mm, noise, now, False)


def _no_air(original: Callable[..., None], self: Any) -> None:
    original(self)
    if self.headspace.told_c is None:
        self._mm_per_us = self._half_mm_per_us = math.nan


def _never_stale(original: Callable[..., None], *args: Any, **named: Any) -> None:
    original(*args, **{**named, "stale_after_ms": FAR})


def _two_seconds(original: Callable[..., bool], self: limits.Limits, name: str, number: int) -> bool:
    return name == "opening_ms" or original(self, name, number)


def _no_fall(original: Callable[..., Any], ctx: Context) -> Any:
    return [each for each in original(ctx) if each.condition != "battery-falls"]


def _no_leap_year(original: Callable[..., Any], ctx: Context, date: Any) -> Any:
    return original(ctx, date.replace(year=2027))


def _opens_where_none_closed(closed: ledger.DayLedger, today: str) -> ledger.DayLedger:
    return ledger.DayLedger(closed.tank_id, today, closed.opening_ml)


def _booked_twice(original: Callable[..., None], ctx: Context, present: Any, delivered_ml: int) -> None:
    original(ctx, present, 2 * delivered_ml)


def _unheld(original: Callable[..., interlocks.Facts], *args: Any, **named: Any) -> interlocks.Facts:
    known = original(*args, **named)
    known.held = False
    return known


def _all_latches(
    original: Callable[..., list[interlocks.Blocker]], ctx: Context, _zone_id: str
) -> list[interlocks.Blocker]:
    return [each for zone in ctx.site.zones for each in original(ctx, zone.id)]


def _crossed_unseen(original: Callable[..., Any], self: FlowWatch) -> Any:
    return [finding for finding in original(self) if finding.kind != "zones-crossed"]


def _uncapped() -> Plant:
    return both(
        value(delivery, "room_ml", lambda _ctx, _zone: 10**6),
        unasked(interlocks.cap_left),
        value(choose, "cap_left_l", lambda _ctx, _zone: 1000.0),
        value(orders, "cap_left_l", lambda _ctx, _zone: 1000.0),
    )


def _no_flow_watch() -> Plant:
    """Neither the board nor the controller misses the flow."""
    return both(
        value(guards.Guards, "_flow", nothing),
        value(delivery, "NO_FLOW_START_MS", FAR),
        value(delivery, "NO_FLOW_RUNNING_MS", FAR),
    )


def _no_burst_watch() -> Plant:
    return value(delivery, "_has_burst", lambda *_: False)


MISTAKES = (
    # --- S: the cable
    Mistake(
        "S-lease",
        "a lease never ends",
        value(outputs.Outputs, "_end_lease", nothing),
        scripts.the_cable_is_pulled,
        "I3",
    ),
    Mistake(
        "S-silence",
        "silence of the board is not noticed",
        both(value(link, "SILENCE_WHILE_ON_MS", FAR), value(link, "DEAF_MS", FAR)),
        scripts.the_cable_is_pulled,
        "T1",
    ),
    Mistake(
        "S-checksum-board",
        "the board takes damaged words",
        value(conversation, "Decoder", _Careless),
        scripts.words_to_the_board_are_damaged,
        "I11",
    ),
    Mistake(
        "S-checksum-host",
        "the host takes damaged words",
        value(link, "Decoder", _Careless),
        scripts.words_to_the_host_are_damaged,
        "Q2",
    ),
    Mistake(
        "S-repeated",
        "old words act again",
        value(conversation, "Sequence", _Forgetful),
        scripts.words_are_repeated_and_overtaken,
        "I9",
    ),
    Mistake(
        "S-age",
        "a word's age is not asked",
        both(value(conversation, "AGE_MAX_MS", FAR), wrapped(conversation.Conversation, "_age_if_current", _ageless)),
        scripts.words_are_held_up_and_come_all_together,
        "I9",
    ),
    Mistake(
        "S-late-reports",
        "reports that were overtaken count, and a count that falls has wrapped",
        both(value(link, "Sequence", _Forgetful), wrapped(counters.Counter, "follow", _wrapped_on_any_fall)),
        scripts.reports_come_late,
        "Q2",
    ),
    Mistake(
        "S-resync",
        "after noise nothing is understood any more",
        value(conversation, "Decoder", _Lost),
        scripts.noise_on_the_way_to_the_board,
        "L1",
    ),
    Mistake(
        "S-resync-host",
        "after noise the host hears nothing any more",
        value(link, "Decoder", _Lost),
        scripts.noise_on_the_way_to_the_host,
        "L1",
    ),
    Mistake(
        "S-buffer",
        "a line may be of any length",
        value(wire, "LINE_MAX", FAR),
        scripts.noise_on_the_way_to_the_board,
        "Q6",
    ),
    Mistake(
        "S-deaf",
        "a board that answers nothing is not missed",
        both(value(link, "DEAF_MS", FAR), value(link, "UNANSWERED_MS", FAR)),
        scripts.the_board_is_deaf,
        "T1",
    ),
    Mistake(
        "S-protocol",
        "fields of another protocol are guessed",
        wrapped(link, "parse_counting", _guessed),
        scripts.the_board_speaks_another_protocol,
        "T1",
    ),
    Mistake(
        "S-other-board",
        "any board will do",
        wrapped(link.Link, "_introduced", _introduced_blindly),
        scripts.another_board_is_plugged_in,
        "T1",
    ),
    # --- M: the board
    Mistake(
        "M-valve-first",
        "valves close at once after the pump",
        value(outputs, "SETTLE_MS", 0),
        scripts.a_pipe_bursts,
        "I2",
    ),
    Mistake(
        "M-pump-first",
        "the pump does not wait for its valve",
        value(outputs.Outputs, "_ready_valves", lambda board, _now: board.valves & board.want_valves),
        scripts.nothing_happens,
        "I2",
    ),
    Mistake(
        "M-resumes",
        "after a reset the run goes on at once",
        both(
            value(delivery, "REST_BETWEEN_RUNS_MS", 0),
            value(delivery, "RETRY_BLOCKED_MS", 0),
            value(delivery, "STOP_SETTLE_MS", 0),
        ),
        scripts.the_board_browns_out,
        "I9",
    ),
    Mistake(
        "M-held-open",
        "after a reset the valve is opened once more",
        value(intake, "_end_what_was_cut", lambda ctx, now: delivery.stop(ctx, now, "blocked")),
        scripts.the_board_hangs,
        "I3",
    ),
    Mistake(
        "M-count",
        "a reset of the counters is taken for more flow",
        wrapped(counters.Counter, "follow", _counted_on),
        scripts.the_board_browns_out,
        "Q2",
    ),
    Mistake(
        "M-watchdog",
        "the watchdog waits for a minute",
        value(broken_season, "WATCHDOG_MS", 60_000),
        scripts.the_board_hangs,
        "I3",
    ),
    Mistake(
        "M-memory",
        "the board does not look whether its limits are whole",
        value(limits.Limits, "intact", lambda _limits: True),
        scripts.a_limit_changes_in_memory,
        "I9",
    ),
    Mistake(
        "M-lease-memory",
        "the end of a lease is kept once only",
        wrapped(outputs.Outputs, "_end_lease", _kept_once),
        scripts.a_lease_changes_in_memory,
        "I9",
    ),
    Mistake(
        "M-clock",
        "the host trusts in the uptime of the hello for good",
        both(
            value(link.Link, "_note_uptime", _unwatched_uptime), value(link.Link, "_answer_to_stale", lambda *_: False)
        ),
        scripts.the_board_s_clock_is_fast,
        "T2",
    ),
    Mistake(
        "M-wrap",
        "numbers never begin anew",
        both(value(conversation, "Sequence", _Endless), value(link, "Sequence", _Endless)),
        scripts.the_numbers_wrap,
        "L1",
    ),
    Mistake(
        "M-lock-out",
        "a board that boots again and again is not locked out",
        value(reboots, "BOOTS_MAX", FAR),
        scripts.the_board_boots_again_and_again,
        "I4",
    ),
    Mistake(
        "M-lock-out-memory",
        "the board forgets that it was locked out",
        value(PlantHardware, "remember", nothing),
        scripts.the_board_boots_again_and_again,
        "I4",
    ),
    Mistake(
        "M-settings",
        "wrong settings are passed over",
        value(logic.Board, "_apply", lambda *_: []),
        scripts.the_settings_are_damaged,
        "T1",
    ),
    Mistake(
        "M-read-back", "pins are not read back", value(guards, "MISMATCH_MS", FAR), scripts.a_pin_does_not_follow, "I9"
    ),
    # --- N: sensors
    Mistake(
        "N-frozen",
        "a ranger that repeats itself is believed",
        value(FrozenEcho, "why", lambda *_: ""),
        scripts.the_level_freezes,
        "T1",
    ),
    Mistake(
        "N-blind",
        "the blind zone is a level like any other",
        wrapped(LevelEstimator, "_see_elsewhere", _not_blind),
        scripts.the_tank_is_fuller_than_the_ranger_sees,
        "Q3",
    ),
    Mistake(
        "N-spike",
        "the level follows every jump at once",
        wrapped(LevelEstimator, "_see_elsewhere", _met_at_once),
        scripts.the_level_jumps_for_a_moment,
        "T2",
    ),
    Mistake(
        "N-no-air",
        "without a thermometer nothing is known of the air",
        wrapped(LevelEstimator, "_use_air", _no_air),
        scripts.the_thermometer_is_dead_in_summer,
        "X1",
    ),
    Mistake(
        "N-silent",
        "an old level is as good as a new one",
        both(
            unasked(interlocks.level_fresh_to_go_on),
            value(interlocks, "LEVEL_RUN_AGE_S", FAR),
            wrapped(LevelEstimator, "__init__", _never_stale),
        ),
        scripts.the_ranger_falls_silent,
        "T1",
    ),
    Mistake("N-no-flow", "nobody misses the flow", _no_flow_watch(), scripts.the_meter_dies, "T1"),
    Mistake(
        "N-impossible",
        "pulses faster than any pump are believed",
        both(value(delivery, "IMPOSSIBLE_MS", FAR), _no_burst_watch()),
        scripts.the_meter_makes_up_pulses,
        "T1",
    ),
    Mistake(
        "N-ceiling",
        "whatever the meter counts is booked",
        value(PulseCeiling, "possible", lambda _self, pulses, _up: pulses),
        scripts.the_meter_makes_up_pulses,
        "Q2",
    ),
    Mistake(
        "N-battery-frozen",
        "a voltage that stands still is believed",
        value(BatteryEstimator, "is_frozen", lambda _self: False),
        scripts.the_voltage_stands_still,
        "T1",
    ),
    Mistake(
        "N-battery-gone",
        "a start asks for no voltage",
        unasked(interlocks.battery_known),
        scripts.the_voltage_is_gone,
        "I10",
    ),
    Mistake(
        "N-frost",
        "a start asks for no warmth",
        unasked(interlocks.no_frost_to_start, interlocks.no_frost_to_go_on),
        scripts.the_thermometer_says_frost,
        "I10",
    ),
    Mistake(
        "N-winter",
        "in winter a dead thermometer is warm enough",
        unasked(interlocks.temperature_known),
        scripts.the_thermometer_dies_before_a_frosty_morning,
        "I10",
    ),
    Mistake(
        "N-rain", "any rain is rain", value(daily, "MAXIMUM_RAIN_MM_H", 1e9), scripts.the_rain_gauge_is_cleaned, "Q3"
    ),
    Mistake(
        "N-numbers",
        "a schedule may hold no number",
        value(orders, "schedule_problem", lambda _schedule: ""),
        scripts.a_schedule_makes_no_sense,
        "X1",
    ),
    # --- A: pump, valves, pipes
    Mistake(
        "A-welded",
        "a pump that runs on is not told",
        both(
            value(run_down, "draws_on", lambda *_: False),
            value(run_down, "RUNS_ON_MS", FAR),
            value(run_down, "LONGEST_HOLD_MS", 0),
        ),
        scripts.the_pump_s_contact_welds,
        "T1",
    ),
    Mistake(
        "A-shut-in",
        "a welded pump is shut in",
        value(relief, "consider", nothing),
        scripts.the_pump_s_contact_welds,
        "I2",
    ),
    Mistake(
        "A-untold",
        "a missing flow is latched by nobody",
        wrapped(Context, "latch", _untold),
        scripts.the_pump_is_dead,
        "T1",
    ),
    Mistake(
        "A-tried-again",
        "a latched fault bars nothing",
        value(Context, "latched_blockers", lambda *_: []),
        scripts.the_pump_is_dead,
        "I8",
    ),
    Mistake(
        "A-dead-head", "the pump may turn against a shut valve", _no_flow_watch(), scripts.a_valve_does_not_open, "I2"
    ),
    Mistake(
        "A-all-barred",
        "a fault of one bed bars all",
        wrapped(Context, "latched_blockers", _all_latches),
        scripts.a_valve_does_not_open,
        "L3",
    ),
    Mistake(
        "A-weeps",
        "more than the rated flow is not booked",
        wrapped(delivery, "count_flow", _rated_at_most),
        scripts.a_pipe_weeps,
        "Q2",
    ),
    Mistake(
        "A-slow-valve",
        "the board opens for two seconds whatever is declared",
        wrapped(limits.Limits, "tighten", _two_seconds),
        scripts.valves_are_declared_slow,
        "I2",
    ),
    Mistake(
        "A-burst",
        "a burst is not looked for",
        value(delivery, "_present_flow_l_min", lambda *_: 0.0),
        scripts.a_pipe_bursts,
        "T1",
    ),
    Mistake(
        "A-burst-late",
        "a burst is looked for a minute long",
        value(delivery, "BURST_MS", 60_000),
        scripts.a_pipe_bursts,
        "T1",
    ),
    Mistake(
        "A-endless",
        "a slow watering has no end",
        value(delivery, "run_limit_ms", lambda *_: FAR),
        scripts.the_filter_clogs,
        "I13",
    ),
    Mistake("A-leak", "what leaks is not told", value(standing, "LEAST_LEAK_L_H", FAR), scripts.the_tank_leaks, "T1"),
    Mistake(
        "A-crossed",
        "crossed beds are not told",
        wrapped(FlowWatch, "findings", _crossed_unseen),
        scripts.two_beds_are_crossed,
        "T1",
    ),
    Mistake(
        "A-two-at-once",
        "two valves are opened for one bed",
        wrapped(delivery, "wanted_outputs", _two_valves),
        scripts.two_beds_are_due_together,
        "I11",
    ),
    # --- P: supply
    Mistake(
        "P-inrush",
        "the sag of a starting pump counts",
        both(value(battery_limits, "INRUSH_MS", 0), value(battery_limits, "DISCONNECT_AFTER_MS", 0)),
        scripts.the_battery_sags_under_the_pump,
        "T2",
    ),
    Mistake(
        "P-low",
        "no voltage stops the pump",
        both(
            value(guards.Guards, "_supply", nothing),
            unasked(interlocks.battery_above_disconnect, interlocks.battery_charged_to_go_on),
        ),
        scripts.the_battery_goes_flat,
        "I5",
    ),
    Mistake(
        "P-chatter",
        "a battery that was low is well at once",
        both(value(battery_limits, "RESUME_AFTER_MS", 0), value(guards, "SUPPLY_RECOVER_MS", 0)),
        scripts.the_battery_goes_flat,
        "I5",
    ),
    Mistake(
        "P-dark",
        "a charge that falls day by day is not told",
        wrapped(standing, "_battery", _no_fall),
        scripts.ten_dark_days,
        "T1",
    ),
    Mistake(
        "P-high",
        "a start asks for no over-voltage",
        unasked(interlocks.battery_not_overcharged),
        scripts.the_charger_drives_too_high,
        "I10",
    ),
    Mistake(
        "P-resumes",
        "a controller that was away goes on where it was and looks at nothing",
        both(
            value(intake, "take_restart", _resumed),
            value(intake, "_end_what_was_cut", nothing),
            value(delivery, "RUN_CHECKS", ()),
            value(delivery, "_judge_flow", nothing),
        ),
        scripts.the_controller_loses_power,
        "I9",
    ),
    Mistake(
        "P-cap-forgotten",
        "a restart forgets what the day has used up",
        wrapped(core, "state_to_json", _without("applied_today_ml")),
        scripts.the_controller_loses_power_between_orders,
        "I7",
    ),
    # --- C: time
    Mistake(
        "C-unknown",
        "any time is the right time",
        both(value(Context, "calendar_known", lambda *_: True), unasked(interlocks.clock_known)),
        scripts.the_time_is_not_known,
        "I10",
    ),
    Mistake(
        "C-missed",
        "missed times are made up for",
        value(choose, "LATE_LIMIT_MS", 20 * 3_600_000),
        scripts.the_clock_jumps_ahead,
        "I12",
    ),
    Mistake(
        "C-again",
        "a dose that was given is not crossed out",
        value(delivery, "_count_dose", nothing),
        scripts.nothing_happens,
        "I12",
    ),
    Mistake(
        "C-twice-in-autumn",
        "the hour that comes twice is two hours",
        wrapped(LocalClock, "due_times", _each_half_past),
        scripts.the_clocks_are_put_back_in_autumn,
        "I12",
    ),
    Mistake(
        "C-wall",
        "a run is timed by the clock on the wall",
        wrapped(delivery, "_judge_flow", _by_the_wall),
        scripts.the_clock_steps_in_a_run,
        "T2",
    ),
    Mistake(
        "C-new-day",
        "a clock put forward gives a new day's water",
        value(day, "_really_over", lambda *_: True),
        scripts.the_clock_is_put_on_and_back_again_and_again,
        "I7",
    ),
    Mistake(
        "C-leap",
        "a year has no 29 February",
        wrapped(day, "day_et0_mm", _no_leap_year),
        scripts.a_leap_day_begins,
        "X1",
    ),
    # --- D: what is kept
    Mistake(
        "D-latches",
        "a restart clears every fault",
        wrapped(core, "state_to_json", _without("latches")),
        scripts.the_controller_dies_while_a_fault_is_latched,
        "I8",
    ),
    Mistake(
        "D-doses",
        "a restart forgets the doses that were given",
        wrapped(core, "state_to_json", _without("doses")),
        scripts.the_controller_dies_between_two_doses,
        "I12",
    ),
    Mistake(
        "D-dump",
        "a dump is not all that is known",
        wrapped(Sensing, "load", _forgets_the_ledgers),
        scripts.a_dump_is_taken_in_mid_run,
        "Q4",
    ),
    Mistake(
        "D-full",
        "what could not be written is thrown away",
        wrapped(Journal, "commit", _commits_and_forgets),
        scripts.the_disk_is_full_for_a_while,
        "Q5",
    ),
    Mistake(
        "D-numbers",
        "records are numbered with holes",
        wrapped(Journal, "_add_record", _numbers_twice),
        scripts.nothing_happens_and_all_is_stored,
        "Q5",
    ),
    Mistake(
        "D-inputs",
        "only the first of what arrives together is kept",
        wrapped(Journal, "add_step", _keeps_one_entry),
        scripts.nothing_happens_and_all_is_stored,
        "Q4",
    ),
    Mistake(
        "D-ledger",
        "a day's ledger opens where none closed",
        value(sensing, "next_day", _opens_where_none_closed),
        scripts.over_midnight,
        "Q1",
    ),
    Mistake(
        "D-booked-twice",
        "flow is booked twice",
        wrapped(delivery, "_book", _booked_twice),
        scripts.nothing_happens_and_all_is_stored,
        "Q2",
    ),
    # --- B: orders and broker
    Mistake(
        "B-retained",
        "a retained order acts",
        wrapped(edge, "read_json_object", _takes_retained),
        scripts.an_order_is_retained,
        "I9",
    ),
    Mistake(
        "B-twice",
        "an order that comes twice acts twice",
        value(Journal, "claim_order", lambda *_: None),
        scripts.an_order_comes_twice,
        "I12",
    ),
    Mistake(
        "B-size", "an order may be of any length", value(edge, "ORDER_BYTES", FAR), scripts.an_order_is_too_long, "I9"
    ),
    Mistake(
        "B-late",
        "an order that comes too late acts",
        value(orders, "_expired", lambda *_: ""),
        scripts.an_order_arrives_too_late,
        "I9",
    ),
    Mistake(
        "B-patience",
        "an order waits for as long as it takes",
        value(choose, "_drop_expired_orders", nothing),
        scripts.an_order_waits_for_a_board_that_is_gone,
        "I9",
    ),
    Mistake(
        "B-numbers",
        "an order may hold no number",
        both(value(strict_json, "_finite_float", float), value(orders, "_run_zone", lambda *_: "")),
        scripts.an_order_names_numbers_that_are_none,
        "L1",
    ),
    Mistake(
        "B-cursor",
        "what the broker forgot counts as sent",
        wrapped(Outbox, "acknowledged", _moves_on),
        scripts.the_broker_forgets_what_it_has_not_acknowledged,
        "Q5",
    ),
    Mistake(
        "B-reconnect",
        "after a new connection nothing is sent again",
        wrapped(Outbox, "reconnected", _forgets_the_unacked),
        scripts.the_broker_forgets_what_it_has_not_acknowledged,
        "Q5",
    ),
    # --- H: people
    Mistake("H-cap", "nobody looks at the cap", _uncapped(), scripts.an_order_asks_for_more_than_the_cap, "I7"),
    Mistake(
        "H-hold",
        "a hold holds nothing",
        both(wrapped(facts, "facts_for", _unheld), wrapped(delivery, "facts_for", _unheld)),
        scripts.somebody_holds_the_site,
        "I10",
    ),
    Mistake(
        "H-clear",
        "clearing one fault clears all",
        wrapped(orders, "_clear_fault", _clears_all),
        scripts.one_of_two_faults_is_cleared,
        "I8",
    ),
    Mistake(
        "H-clear-nothing",
        "clearing a fault clears nothing",
        value(orders, "_clear_fault", lambda *_: ""),
        scripts.the_pump_is_dead,
        "L2",
    ),
    Mistake(
        "H-reserve",
        "the reserve is not kept",
        unasked(interlocks.reserve_kept_to_start, interlocks.reserve_kept_to_go_on),
        scripts.the_tank_is_near_its_reserve,
        "I6",
    ),
    Mistake(
        "H-dry",
        "a dry suction stops nothing",
        both(
            unasked(interlocks.suction_wet, interlocks.reserve_kept_to_start, interlocks.reserve_kept_to_go_on),
            value(guards.Guards, "_suction_wet", nothing),
            _no_flow_watch(),
        ),
        scripts.somebody_empties_the_tank_in_mid_run,
        "I1",
    ),
)
