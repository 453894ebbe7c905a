"""What an order does: accepted and in force at once, or refused with the reason and nothing changed.

Shape and ranges were checked at the edge; here is what only the present state can tell.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from datetime import date
from typing import Any

from controller.contract import (
    ClearFault,
    Command,
    DayWeather,
    DrainZone,
    Forecast,
    ForgetLooks,
    HoldAll,
    HoldZone,
    Note,
    Now,
    Order,
    OrderAnswer,
    ResumeAll,
    ResumeZone,
    RunZone,
    SetSchedule,
    StopAll,
    UndoSchedule,
    VoidRain,
    ZoneLooks,
)
from controller.core import balance, day, delivery, drain, rain_credit
from controller.core.caps import cap_left_l
from controller.core.context import Context
from controller.core.order_checks import LONGEST_HOLD_MS, forecast_problem, schedule_problem, weather_problem, writable
from controller.core.standing import update_standing
from controller.core.state import KEPT_SCHEDULES, NEVER_MS, ManualRun, ZoneState
from controller.irrigate.feedback import Trim, looked
from controller.irrigate.forecast import fresh
from controller.site.model import Schedule
from firmware_host.board.faults import FLOW_AT_REST, NO_FLOW

ORDER_PATIENCE_MS = 10 * 60_000
"""A run by order that could not begin is dropped this long after it was accepted."""
MANUAL_QUEUE = 8
KEPT_WEATHER_DAYS = 8
LOOK_REST_MS = 20 * 3_600_000
"""One word a day counts: a second one within it says nothing new, and would be learned from twice."""


def obey(ctx: Context, now: Now, order: Order) -> None:
    """Carry out one order, answer it and record both."""
    reason = _expired(now, order) or _apply(ctx, now, order)
    ctx.state.plan_due_mono_ms = NEVER_MS
    accepted = reason == ""
    ctx.answers.append(OrderAnswer(order.id, accepted, reason))
    data: dict[str, Any] = {"sender": order.sender, "command": type(order.command).__name__}
    data["details"] = writable(asdict(order.command))
    ctx.record("order", order.id, {**data, "accepted": accepted, "reason": reason})


def _expired(now: Now, order: Order) -> str:
    if order.not_after_wall_ms is None or now.wall_ms <= order.not_after_wall_ms or now.trust == "unknown":
        return ""
    late_s = (now.wall_ms - order.not_after_wall_ms) / 1000.0
    return f"arrived {late_s:.0f} s after it should have been carried out; send it again"


def _apply(ctx: Context, now: Now, order: Order) -> str:
    command: Command = order.command
    zone_id = getattr(command, "zone_id", None)
    if zone_id is not None and zone_id not in ctx.zones:
        return _no_such_zone(ctx, zone_id)
    if isinstance(command, SetSchedule):
        return _set_schedule(ctx, now, command)
    if isinstance(command, RunZone):
        return _run_zone(ctx, now, order, command)
    if isinstance(command, HoldAll):
        return _hold(ctx, now, command.until_wall_ms)
    if isinstance(command, StopAll):
        return _hold(ctx, now, None)
    if isinstance(command, ResumeAll):
        return _resume(ctx, now)
    if isinstance(command, DayWeather):
        return _day_weather(ctx, now, command)
    if isinstance(command, VoidRain):
        return _void_rain(ctx, now, command)
    if isinstance(command, ZoneLooks):
        return _zone_looks(ctx, now, command)
    if isinstance(command, ForgetLooks):
        return _forget_looks(ctx, command)
    if isinstance(command, HoldZone):
        return _hold_zone(ctx, now, command)
    if isinstance(command, ResumeZone):
        return _resume_zone(ctx, now, command)
    if isinstance(command, UndoSchedule):
        return _undo_schedule(ctx, now, command)
    if isinstance(command, DrainZone):
        return drain.begin(ctx, now, order.id, command)
    if isinstance(command, Note):
        return ""
    if isinstance(command, Forecast):
        return _take_forecast(ctx, now, command)
    return _clear_fault(ctx, now, command)


def _set_schedule(ctx: Context, now: Now, command: SetSchedule) -> str:
    zone_state = ctx.state.zones[command.zone_id]
    problem = _version_problem(command, zone_state) or schedule_problem(command.schedule)
    if problem:
        return problem
    zone_state.earlier_schedules = [*zone_state.earlier_schedules, zone_state.schedule][-KEPT_SCHEDULES:]
    _put_in_force(ctx, now, command.zone_id, command.schedule)
    return ""


def _version_problem(command: SetSchedule | UndoSchedule, zone_state: ZoneState) -> str:
    """Two people who change the same schedule must not overwrite each other unseen."""
    if command.base_version == zone_state.schedule_version:
        return ""
    return (
        f"the schedule of {command.zone_id} is at version {zone_state.schedule_version}, the order was made for "
        f"version {command.base_version}; read it again and repeat the change"
    )


def _undo_schedule(ctx: Context, now: Now, command: UndoSchedule) -> str:
    """Each undo goes one schedule further back; what is undone is gone from here, but stays in the journal."""
    zone_state = ctx.state.zones[command.zone_id]
    problem = _version_problem(command, zone_state)
    if problem:
        return problem
    if not zone_state.earlier_schedules:
        return f"no earlier schedule of {command.zone_id} is kept, so there is nothing to go back to"
    _put_in_force(ctx, now, command.zone_id, zone_state.earlier_schedules.pop())
    return ""


def _put_in_force(ctx: Context, now: Now, zone_id: str, schedule: Schedule) -> None:
    zone_state = ctx.state.zones[zone_id]
    zone_state.schedule = schedule
    zone_state.schedule_version += 1
    zone_state.tries = 0
    zone_state.retry_mono_ms = NEVER_MS
    ctx.record("schedule", zone_id, {"version": zone_state.schedule_version, "schedule": asdict(schedule)})
    if schedule.mode == "off":
        _stop_zone(ctx, now, zone_id)
    ctx.state.choice_due_mono_ms = now.mono_ms


def _stop_zone(ctx: Context, now: Now, zone_id: str) -> None:
    present = ctx.state.delivery
    if present is not None and present.zone_id == zone_id:
        delivery.stop(ctx, now, "stopped")


def _run_zone(ctx: Context, now: Now, order: Order, command: RunZone) -> str:
    zone = ctx.zones[command.zone_id]
    if not 0.0 < command.volume_l < math.inf:
        return f"volume_l is {command.volume_l}, allowed is more than 0"
    if len(ctx.state.manual) >= MANUAL_QUEUE:
        return f"{MANUAL_QUEUE} runs are waiting already; wait until they are done"
    zone_state = ctx.state.zones[zone.id]
    if cap_left_l(ctx, zone) <= 0.0:
        return f"{zone.name} has had its daily cap of {zone_state.schedule.daily_cap_l:.0f} L"
    blockers = delivery.start_blockers(ctx, now, zone)
    if blockers:
        return "; ".join(found.text for found in blockers)
    until_wall_ms = now.wall_ms + ORDER_PATIENCE_MS
    until_mono_ms = now.mono_ms + ORDER_PATIENCE_MS
    ctx.state.manual.append(ManualRun(order.id, zone.id, command.volume_l, until_wall_ms, until_mono_ms))
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _until_problem(now: Now, until_wall_ms: int | None) -> str:
    if until_wall_ms is not None and until_wall_ms <= now.wall_ms:
        return "the hold's end is already past; give a later time"
    if until_wall_ms is not None and until_wall_ms > now.wall_ms + LONGEST_HOLD_MS:
        return "the hold's end is more than 400 days ahead; leave it out to hold until somebody resumes"
    return ""


def _hold_zone(ctx: Context, now: Now, command: HoldZone) -> str:
    zone_state = ctx.state.zones[command.zone_id]
    problem = _until_problem(now, command.until_wall_ms)
    if problem:
        return problem
    zone_state.held, zone_state.hold_until_wall_ms = True, command.until_wall_ms
    ctx.state.manual = [run for run in ctx.state.manual if run.zone_id != command.zone_id]
    _stop_zone(ctx, now, command.zone_id)
    return ""


def _resume_zone(ctx: Context, now: Now, command: ResumeZone) -> str:
    zone_state = ctx.state.zones[command.zone_id]
    zone_state.held, zone_state.hold_until_wall_ms = False, None
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _hold(ctx: Context, now: Now, until_wall_ms: int | None) -> str:
    problem = _until_problem(now, until_wall_ms)
    if problem:
        return problem
    ctx.state.held = True
    ctx.state.hold_until_wall_ms = until_wall_ms
    ctx.state.manual.clear()
    delivery.stop(ctx, now, "stopped")
    return ""


def _resume(ctx: Context, now: Now) -> str:
    ctx.state.held = False
    ctx.state.hold_until_wall_ms = None
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _clear_fault(ctx: Context, now: Now, command: ClearFault) -> str:
    fault_id = command.fault_id
    if fault_id in ctx.state.board_faults:
        ctx.board_clears.append(fault_id)
        return ""
    latch = ctx.state.latches.pop(fault_id, None)
    if latch is None and ctx.sensing.forget_flow_finding(fault_id):
        update_standing(ctx, now)
        return ""
    if latch is None:
        standing = ", ".join([*ctx.state.latches, *ctx.state.board_faults]) or "none"
        return f"no latched fault {fault_id!r}; latched are: {standing}"
    if latch.condition == "pump-runs-on":
        ctx.state.runs_on = None
        if ctx.state.delivery is not None and ctx.state.delivery.trigger == "relief":
            delivery.stop(ctx, now, "stopped")
    # One act of a person is enough: what the board latched for the same reason goes too.
    ctx.board_clears.extend(fault for fault in ctx.state.board_faults if fault in (NO_FLOW, FLOW_AT_REST))
    if latch.condition == "burst-flow":
        # Whoever mended the line may have changed its flow: what is usual is learned anew.
        ctx.sensing.relearn_flow(latch.zone_id)
    if latch.zone_id in ctx.state.zones:
        zone_state = ctx.state.zones[latch.zone_id]
        zone_state.tries = 0
        zone_state.retry_mono_ms = NEVER_MS
    ctx.record("fault", fault_id, {"raised": False, "zone": latch.zone_id, "text": latch.text, "cure": latch.cure})
    ctx.state.rest_flow_ml = 0
    delivery.choose_when_rested(ctx, now)
    return ""


def _day_weather(ctx: Context, now: Now, command: DayWeather) -> str:
    problem = weather_problem(command)
    if problem:
        return problem
    if now.trust != "unknown":
        age_days = ctx.clock.ordinal(now.wall_ms) - date.fromisoformat(command.date).toordinal()
        if not 0 <= age_days < KEPT_WEATHER_DAYS:
            return f"date {command.date} is not today or one of the last {KEPT_WEATHER_DAYS - 1} days"
    reported = ctx.state.weather.reported
    values = asdict(command)
    reported[str(values.pop("date"))] = values
    while len(reported) > KEPT_WEATHER_DAYS:
        del reported[min(reported)]
    day.settle_reported_day(ctx, now, date.fromisoformat(command.date))
    return ""


def _void_rain(ctx: Context, now: Now, command: VoidRain) -> str:
    problem = rain_credit.void_problem(ctx, now, command)
    if problem:
        return problem
    balance.accrue(ctx, now)
    rain_credit.void(ctx, date.fromisoformat(command.date))
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _take_forecast(ctx: Context, now: Now, command: Forecast) -> str:
    problem = forecast_problem(command)
    if problem:
        return problem
    if not ctx.calendar_known(now):
        return "the date is not known, so nothing can be done with a forecast; repeat it when the clock is right"
    if fresh(command, now.wall_ms) is None:
        return "the forecast was issued more than 24 hours ago, or in the future; send a newer one"
    known = ctx.state.forecast
    if known is not None and command.issued_wall_ms < known.issued_wall_ms:
        return f"a forecast issued later, at {ctx.clock.text(known.issued_wall_ms)}, is known already"
    ctx.state.forecast = command
    return ""


def _zone_looks(ctx: Context, now: Now, command: ZoneLooks) -> str:
    zone = ctx.zones[command.zone_id]
    if command.look not in ("dry", "wet"):
        return f"look is {command.look!r}, allowed are dry and wet"
    if not ctx.calendar_known(now):
        return "the date is not known, so nothing is known of the zone's plants; repeat it when the clock is right"
    zone_state = ctx.state.zones[zone.id]
    rest_ms = zone_state.looked_mono_ms + LOOK_REST_MS - now.mono_ms
    if rest_ms > 0:
        hours = rest_ms / 3_600_000.0
        return f"a word about {zone.name} counts once in 20 hours; the next one counts in {hours:.1f} h"
    balance.accrue(ctx, now)
    kc = balance.crop_coefficient(ctx, zone, now.wall_ms)
    if kc == 0.0:
        return f"nothing is planted in {zone.name} at this time of year"
    before, depletion_mm = zone_state.trim, zone_state.depletion_mm
    zone_state.trim, zone_state.depletion_mm = looked(
        before, command.look, depletion_mm, balance.readily_mm(ctx, zone, kc), zone.total_available_mm
    )
    zone_state.last_look, zone_state.looked_mono_ms = command.look, now.mono_ms
    numbers = {"depletion_before_mm": depletion_mm, "depletion_mm": zone_state.depletion_mm}
    _record_look(ctx, zone.id, command.look, before, numbers)
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _forget_looks(ctx: Context, command: ForgetLooks) -> str:
    """The factor goes back to 1; when the next word counts does not change, nor the depletion."""
    zone_state = ctx.state.zones[command.zone_id]
    before = zone_state.trim
    zone_state.trim, zone_state.last_look = Trim(), None
    _record_look(ctx, command.zone_id, "forgotten", before, {})
    return ""


def _record_look(ctx: Context, zone_id: str, look: str, before: Trim, numbers: dict[str, float]) -> None:
    factor = ctx.state.zones[zone_id].trim.factor
    ctx.record("look", zone_id, {"look": look, "factor_before": before.factor, "factor": factor, **numbers})


def _no_such_zone(ctx: Context, zone_id: str) -> str:
    return f"no zone {zone_id!r}; zones are: {', '.join(ctx.zones)}"
