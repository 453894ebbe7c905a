"""What a zone may get in a local day, as the corrected meter counts it.

A meter that was found to count too much lets more pulses through for a litre. Should what was found be wrong, the cap
must hold all the same: what the meter itself counts never goes above it either.
"""

from __future__ import annotations

from controller.core.context import Context
from controller.site.model import Zone


def cap_l(ctx: Context, zone: Zone) -> float:
    """The zone's daily cap in litres as they are booked now."""
    counted_part = 1.0 + min(0.0, ctx.sensing.meter_correction(zone.tank_id)[0])
    return ctx.state.zones[zone.id].schedule.daily_cap_l * counted_part


def cap_left_l(ctx: Context, zone: Zone) -> float:
    """What is left of it today."""
    return max(0.0, cap_l(ctx, zone) - ctx.state.zones[zone.id].applied_today_ml / 1000.0)
