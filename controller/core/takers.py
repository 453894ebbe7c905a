"""Which zones the price of water counts on, and how much each may take.

It follows the schedules and holds in force, faults that stand for long, and what the owner says of a zone's thirst.

A table takes part of a second to work out, seconds on a small board. What is to be counted on is therefore noted at one
quarter of an hour and put in force at the next, if nobody has changed it again by then: the service works the table out
in between, in a thread of its own. Whether it does or not, when the table is due depends on nothing but times and
orders, and what is in it on nothing but the site and what zones take, so that a replay decides the same.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core.context import Context
from controller.core.state import NEVER_MS, ZoneState
from controller.irrigate.outlook import NOTHING_TAKEN, Use, Uses, use_of

LONG_HOLD_MS = 14 * 86_400_000
"""With so much of its hold left a zone counts as switched off (own choice: a table thinks in weeks)."""
LONG_LATCHED_MS = LONG_HOLD_MS
"""A fault that has barred a zone for so long is not cleared tomorrow either (own choice)."""
REST_MS = 4 * 3_600_000
"""The least time between two changes (own choice): after a restart each one of the day has to be worked out anew."""


def follow(ctx: Context, now: Now) -> None:
    """Note what zones take now, or put in force what was noted a quarter of an hour ago and still holds."""
    state = ctx.state
    taken = _changed_uses(ctx, now.wall_ms)
    if taken == state.priced_uses:
        state.coming_uses = None
    elif taken != state.coming_uses:
        state.coming_uses = taken
    elif state.delivery is None and abs(now.wall_ms - state.priced_wall_ms) >= REST_MS:
        state.priced_uses, state.coming_uses, state.priced_wall_ms = taken, None, now.wall_ms
        state.plan_due_mono_ms = NEVER_MS


def coming_uses(ctx: Context) -> Uses | None:
    """What is to be counted on soon; None when nothing changes."""
    return None if ctx.state.coming_uses is None else ctx.uses(ctx.state.coming_uses)


def _changed_uses(ctx: Context, wall_ms: int) -> dict[str, Use]:
    """What zones take now, where it is not what the site file declares."""
    found = {}
    for zone_id, declared in ctx.declared_uses:
        use = NOTHING_TAKEN if _long_barred(ctx, zone_id, wall_ms) else _use_now(ctx.state.zones[zone_id], wall_ms)
        if use != declared:
            found[zone_id] = use
    return found


def _use_now(zone_state: ZoneState, wall_ms: int) -> Use:
    until_wall_ms = zone_state.hold_until_wall_ms
    if zone_state.is_held(wall_ms) and (until_wall_ms is None or until_wall_ms - wall_ms >= LONG_HOLD_MS):
        return NOTHING_TAKEN
    return use_of(zone_state.schedule, zone_state.trim.factor)


def _long_barred(ctx: Context, zone_id: str, wall_ms: int) -> bool:
    """Whether a latched fault of the zone, its pump or the site has stood for long."""
    barred = ("", zone_id, ctx.pump_of_zone[zone_id].id)
    return any(
        latch.zone_id in barred and wall_ms - latch.since_wall_ms >= LONG_LATCHED_MS
        for latch in ctx.state.latches.values()
    )
