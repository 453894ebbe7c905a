"""A zone's line runs empty through its open valve, the pump off: by order, on a site on hold, for some minutes.

What flows through the meter meanwhile, by its own weight, is booked to the zone like any water, and ends it at the
daily cap. A stop by a person ends it, as does the end of the hold.
"""

from __future__ import annotations

from controller.contract import DrainZone, Now
from controller.core import delivery
from controller.core.context import Context
from controller.core.facts import facts_for
from controller.core.state import Delivery
from controller.guard.interlocks import DRAIN_CHECKS, objections

LONGEST_DRAIN_MIN = 15
"""A drip line on a slope runs empty in a few minutes (common practice, no source); a valve coil is spared the rest."""


def begin(ctx: Context, now: Now, order_id: str, command: DrainZone) -> str:
    """Open the valve; the reason why not, or nothing."""
    state, zone = ctx.state, ctx.zones[command.zone_id]
    if not 0.0 < command.duration_min <= LONGEST_DRAIN_MIN:
        return f"duration_min is {command.duration_min}, allowed is up to {LONGEST_DRAIN_MIN}"
    if not state.held:
        return "lines are emptied with the site on hold only: order hold first"
    if state.delivery is not None or state.pump_on or state.runs_on is not None:
        return "water is still being given or a pump is running; wait until all is still"
    facts = facts_for(ctx, now, zone, asleep=True)
    blockers = objections(facts, DRAIN_CHECKS) + ctx.latched_blockers(zone.id)
    if blockers:
        return "; ".join(found.text for found in blockers)
    meter_part, meter_sd = ctx.sensing.meter_correction(zone.tank_id)
    why = f"its line is emptied for {command.duration_min:g} min, the pump off"
    state.delivery = Delivery(
        zone_id=zone.id,
        trigger="drain",
        key=order_id,
        target_ml=max(0, delivery.room_ml(ctx, zone)),
        why=why,
        phase="draining",
        phase_mono_ms=now.mono_ms,
        began_wall_ms=now.wall_ms,
        started_mono_ms=now.mono_ms,
        drain_ms=round(command.duration_min * 60_000.0),
        meter_part=meter_part,
        meter_sd=meter_sd,
    )
    ctx.record("start", zone.id, {"volume_l": 0.0, "trigger": "drain", "why": why, "run": order_id})
    return ""


def advance(ctx: Context, now: Now, present: Delivery) -> None:
    """Carry it one step on."""
    zone = ctx.zones[present.zone_id]
    if not ctx.state.held:
        delivery.stop(ctx, now, "stopped")
    elif ctx.state.pump_on or objections(facts_for(ctx, now, zone), DRAIN_CHECKS):
        delivery.stop(ctx, now, "blocked")
    elif present.delivered_ml >= present.target_ml or now.mono_ms - present.phase_mono_ms >= present.drain_ms:
        delivery.stop(ctx, now, "drained")
