"""A way out for the water of a pump that runs although it is told not to: beds that have room under their caps.

Against shut valves it would overheat and might burst a line, and nobody may come for days. So one zone after another
is opened, each for what its daily cap still has room for, and only above the reserve; what flows is booked like any
watering. A hold or a stop by a person ends it. When no zone has room left, all is shut: the pump is worth less than the
beds and the tank. It begins again with the next day's caps, until the fault is cleared or nothing flows any more.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core import delivery, run_down
from controller.core.context import Context
from controller.core.facts import facts_for
from controller.core.state import NEVER_MS, Delivery
from controller.guard.interlocks import RELIEF_CHECKS, objections
from controller.site.model import Zone

LEAST_ML = 1_000
"""For less no valve is stroked."""
LOOK_AGAIN_MS = 60_000
LEAST_FRESH_MS = 3_000
NEVER_FLOWED_MS = 20_000
FLOW_ENDED_MS = 5_000
"""Reports come, and nothing flows through the open valve: the pump stands still."""


def consider(ctx: Context, now: Now) -> None:
    """Nothing is open: is there a zone that may take the water?"""
    state = ctx.state
    running = state.runs_on
    if running is None or now.mono_ms < running.due_mono_ms:
        return
    running.due_mono_ms = now.mono_ms + LOOK_AGAIN_MS
    zones = [zone for zone in ctx.site.zones if _may_take(ctx, now, zone, running.pump_id)]
    if not zones:
        return
    zone = max(zones, key=lambda each: (delivery.room_ml(ctx, each), each.id))
    meter_part, meter_sd = ctx.sensing.meter_correction(zone.tank_id)
    state.delivery = Delivery(
        zone_id=zone.id,
        trigger="relief",
        key=f"relief/{now.wall_ms}",
        target_ml=delivery.room_ml(ctx, zone),
        why="the pump runs although it is off, and its water must go somewhere",
        phase="relieving",
        phase_mono_ms=now.mono_ms,
        began_wall_ms=now.wall_ms,
        started_mono_ms=now.mono_ms,
        rest_a=running.rest_a,
        pumping_a=running.pumping_a,
        meter_part=meter_part,
        meter_sd=meter_sd,
    )


def _may_take(ctx: Context, now: Now, zone: Zone, pump_id: str) -> bool:
    if ctx.pump_of_zone[zone.id].id != pump_id or ctx.state.zones[zone.id].schedule.mode == "off":
        return False
    if delivery.room_ml(ctx, zone) < LEAST_ML or any(latch.zone_id == zone.id for latch in ctx.state.latches.values()):
        return False
    return not _is_barred(ctx, now, zone)


def _is_barred(ctx: Context, now: Now, zone: Zone) -> bool:
    """By the same ages at the start and later on: the pump runs anyway, and a valve is not stroked for a lost ping."""
    return bool(objections(facts_for(ctx, now, zone, asleep=True), RELIEF_CHECKS))


def advance(ctx: Context, now: Now, present: Delivery) -> None:
    """Carry the relief one step on."""
    zone = ctx.zones[present.zone_id]
    if _stands_still(ctx, now, present):
        ctx.state.runs_on = None
        delivery.stop(ctx, now, "relief")
    elif _is_barred(ctx, now, zone):
        delivery.stop(ctx, now, "relief")
    elif now.mono_ms - present.started_mono_ms > delivery.RUN_LIMIT_MS:
        # The board shuts a valve that is open for too long: it is shut for a moment before that.
        delivery.stop(ctx, now, "relief")
    elif present.delivered_ml >= present.target_ml:
        # The next zone is opened in the same step, so that nothing is shut in between.
        present.ended = "relief"
        delivery.finish(ctx, now, present, zone)
        if ctx.state.runs_on is not None:
            ctx.state.runs_on.due_mono_ms = now.mono_ms


def _stands_still(ctx: Context, now: Now, present: Delivery) -> bool:
    pump = ctx.pump_of_zone[present.zone_id]
    if now.mono_ms - present.reported_mono_ms > LEAST_FRESH_MS:
        return False
    if pump.flow_meter is None:
        return present.pumping_a is not None and not run_down.draws_on(present, 0.5 * pump.current_a)
    if present.flow_seen_mono_ms == NEVER_MS:
        return now.mono_ms - present.started_mono_ms > NEVER_FLOWED_MS
    return now.mono_ms - present.flow_seen_mono_ms > FLOW_ENDED_MS
