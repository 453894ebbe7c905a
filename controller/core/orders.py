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
    HoldAll,
    Now,
    Order,
    OrderAnswer,
    ResumeAll,
    RunZone,
    SetSchedule,
    StopAll,
)
from controller.core import day, delivery
from controller.core.context import Context
from controller.core.order_checks import LONGEST_HOLD_MS, schedule_problem, weather_problem, writable
from controller.core.state import NEVER_MS, ManualRun
from firmware_host.board.faults import FLOW_AT_REST, NO_FLOW

ORDER_PATIENCE_MS = 10 * 60_000
"""A run by order that could not begin is dropped this long after it was accepted."""
MANUAL_QUEUE = 8
KEPT_WEATHER_DAYS = 8


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
    return _clear_fault(ctx, command)


def _set_schedule(ctx: Context, now: Now, command: SetSchedule) -> str:
    zone_state = ctx.state.zones.get(command.zone_id)
    if zone_state is None:
        return _no_such_zone(ctx, command.zone_id)
    if command.base_version != zone_state.schedule_version:
        return (
            f"the schedule of {command.zone_id} is at version {zone_state.schedule_version}, the order was made for "
            f"version {command.base_version}; read it again and repeat the change"
        )
    problem = schedule_problem(command.schedule)
    if problem:
        return problem
    zone_state.schedule = command.schedule
    zone_state.schedule_version += 1
    zone_state.tries = 0
    zone_state.retry_mono_ms = NEVER_MS
    data = {"version": zone_state.schedule_version, "schedule": asdict(command.schedule)}
    ctx.record("schedule", command.zone_id, data)
    present = ctx.state.delivery
    if present is not None and present.zone_id == command.zone_id and command.schedule.mode == "off":
        delivery.stop(ctx, now, "stopped")
    ctx.state.choice_due_mono_ms = now.mono_ms
    return ""


def _run_zone(ctx: Context, now: Now, order: Order, command: RunZone) -> str:
    zone = ctx.zones.get(command.zone_id)
    if zone is None:
        return _no_such_zone(ctx, command.zone_id)
    if not 0.0 < command.volume_l < math.inf:
        return f"volume_l is {command.volume_l}, allowed is more than 0"
    if len(ctx.state.manual) >= MANUAL_QUEUE:
        return f"{MANUAL_QUEUE} runs are waiting already; wait until they are done"
    zone_state = ctx.state.zones[zone.id]
    left_l = zone_state.schedule.daily_cap_l - zone_state.applied_today_ml / 1000.0
    if left_l <= 0.0:
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


def _hold(ctx: Context, now: Now, until_wall_ms: int | None) -> str:
    if until_wall_ms is not None and until_wall_ms <= now.wall_ms:
        return "the hold's end is already past; give a later time"
    if until_wall_ms is not None and until_wall_ms > now.wall_ms + LONGEST_HOLD_MS:
        return "the hold's end is more than 400 days ahead; leave it out to hold until somebody resumes"
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


def _clear_fault(ctx: Context, command: ClearFault) -> str:
    fault_id = command.fault_id
    if fault_id in ctx.state.board_faults:
        ctx.board_clears.append(fault_id)
        return ""
    latch = ctx.state.latches.pop(fault_id, None)
    if latch is None:
        standing = ", ".join([*ctx.state.latches, *ctx.state.board_faults]) or "none"
        return f"no latched fault {fault_id!r}; latched are: {standing}"
    # One act of a person is enough: what the board latched for the same reason goes too.
    ctx.board_clears.extend(fault for fault in ctx.state.board_faults if fault in (NO_FLOW, FLOW_AT_REST))
    if latch.zone_id in ctx.state.zones:
        zone_state = ctx.state.zones[latch.zone_id]
        zone_state.tries = 0
        zone_state.retry_mono_ms = NEVER_MS
    ctx.record("fault", fault_id, {"raised": False, "zone": latch.zone_id, "text": latch.text, "cure": latch.cure})
    ctx.state.rest_flow_ml = 0
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


def _no_such_zone(ctx: Context, zone_id: str) -> str:
    return f"no zone {zone_id!r}; zones are: {', '.join(ctx.zones)}"
