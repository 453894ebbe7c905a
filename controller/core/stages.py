"""The warmth that crops with stages by degree-days had so far: counted at the end of each day, kept in the memory."""

from __future__ import annotations

from datetime import date

from controller.core.context import Context
from controller.irrigate.heat_stages import after_day, warmth_key


def close_day(ctx: Context, closing: date) -> None:
    """Count a day that is over, by a station's report, by the board's thermometer, or as it usually is."""
    state, normals = ctx.state, ctx.site.place.normals
    if normals is None:
        return
    reported = state.weather.reported.get(closing.isoformat())
    extremes_c = ctx.sensing.temperatures.extremes_c()
    if reported is not None:
        extremes_c = (reported["tmin_c"], reported["tmax_c"])
    counted = {}
    for zone in ctx.site.zones:
        for crop in zone.crops:
            if crop.heat is not None:
                key = warmth_key(zone, crop, crop.heat)
                counted[key] = after_day(crop, crop.heat, closing, extremes_c, state.warmth.get(key), normals)
    if counted != state.warmth:
        state.warmth = counted
        ctx.forget_today()
