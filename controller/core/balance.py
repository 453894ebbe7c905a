"""The root zones' water balance through the day: evapotranspiration as the sun moves, rain as it falls.

Within the day the expected reference evapotranspiration is spread over it in the shape of the sun's radiation; at
midnight the difference to what the day's weather really asked for is settled (see `controller.core.day`). Water counts
before the evapotranspiration of its interval, the order of the table in FAO-56 Example 38.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core import expected, rain_credit, surface
from controller.core.context import Context
from controller.core.state import NEVER_MS
from controller.irrigate.daily_share import solar_hour
from controller.irrigate.feedback import grown
from controller.irrigate.root_zone import (
    adjusted_fraction,
    advance_depletion,
    effective_rain_mm,
    readily_available_mm,
    stress_coefficient,
)
from controller.site.model import Zone

MS_PER_DAY = 86_400_000
MS_PER_MINUTE = 60_000
MINUTES_PER_DAY = 1440


def crop_coefficient(ctx: Context, zone: Zone, wall_ms: int) -> float:
    """The zone's coefficient today, trimmed by the owner's words; 0 outside its crops' seasons."""
    return ctx.day_facts(wall_ms).kc[zone.id] * ctx.state.zones[zone.id].trim.factor


def readily_mm(ctx: Context, zone: Zone, kc: float) -> float:
    """Readily available water of a zone at today's expected evapotranspiration."""
    fraction = ctx.day_facts(ctx.state.weather.accrued_wall_ms or ctx.state.wall_ms).fraction[zone.id]
    etc_mm = kc * expected.et0_mm(ctx, ctx.state.weather.accrued_wall_ms or ctx.state.wall_ms)
    return readily_available_mm(zone.total_available_mm, adjusted_fraction(fraction, etc_mm))


def et0_between_mm(ctx: Context, from_wall_ms: int, to_wall_ms: int) -> float:
    """Reference evapotranspiration expected between two instants, as if every day were like today.

    With a forecast tomorrow is like its own forecast, and the days after it like those before.
    """
    if ctx.state.forecast is not None and expected.forecast(ctx, from_wall_ms) is not None:
        return _forecast_et0_mm(ctx, from_wall_ms, to_wall_ms)
    whole_days, rest_ms = divmod(max(0, to_wall_ms - from_wall_ms), MS_PER_DAY)
    share = _share(ctx, from_wall_ms, from_wall_ms + rest_ms) if rest_ms else 0.0
    return ctx.state.weather.et0_expected_mm * (whole_days + share)


def _forecast_et0_mm(ctx: Context, from_wall_ms: int, to_wall_ms: int) -> float:
    """The same day by day; a local day ends a little beside the sun's, in the dark, where it does not matter."""
    total_mm, ahead_days, start_ms = 0.0, 0, from_wall_ms
    while start_ms < to_wall_ms:
        left_ms = (MINUTES_PER_DAY - ctx.clock.minute(start_ms)) * MS_PER_MINUTE - start_ms % MS_PER_MINUTE
        end_ms = min(to_wall_ms, start_ms + left_ms)
        whole = end_ms - start_ms >= MS_PER_DAY - MS_PER_MINUTE
        share = 1.0 if whole else _share(ctx, start_ms, end_ms)
        total_mm += share * expected.et0_mm(ctx, from_wall_ms, ahead_days)
        start_ms, ahead_days = end_ms, ahead_days + 1
    return total_mm


def _share(ctx: Context, from_wall_ms: int, to_wall_ms: int) -> float:
    """Part of a day's evapotranspiration between two instants less than a day apart."""
    place, day = ctx.site.place, ctx.day_facts(from_wall_ms)
    hours = [
        solar_hour((wall_ms % MS_PER_DAY) / MS_PER_MINUTE, place.longitude_deg, day.day_of_year)
        for wall_ms in (from_wall_ms, to_wall_ms)
    ]
    return day.sun.between(hours[0], hours[1])


def accrue(ctx: Context, now: Now) -> None:
    """Bring every zone's depletion up to now. Clock steps backwards accrue nothing."""
    weather = ctx.state.weather
    if weather.accrued_wall_ms == 0 or now.wall_ms < weather.accrued_wall_ms:
        weather.accrued_wall_ms = now.wall_ms
        return
    elapsed_ms = min(now.wall_ms - weather.accrued_wall_ms, MS_PER_DAY)
    if elapsed_ms < MS_PER_MINUTE:
        return
    et0_mm = et0_between_mm(ctx, now.wall_ms - elapsed_ms, now.wall_ms)
    weather.accrued_wall_ms = now.wall_ms
    weather.et0_accrued_mm += et0_mm
    for zone in ctx.site.zones:
        _advance_zone(ctx, zone, et0_mm, now.wall_ms)


def _advance_zone(ctx: Context, zone: Zone, et0_mm: float, wall_ms: int) -> None:
    zone_state = ctx.state.zones[zone.id]
    rain_today_mm = ctx.sensing.rain_today_mm
    if rain_today_mm == 0.0 and (et0_mm == 0.0 or ctx.day_facts(wall_ms).kc[zone.id] == 0.0):
        # Dry, and dark or out of season: nothing comes and nothing goes.
        return
    counted_mm = effective_rain_mm(rain_today_mm, expected.et0_mm(ctx, wall_ms), zone.rain_fed)
    rain_mm = max(0.0, counted_mm - zone_state.rain_credited_mm)
    zone_state.rain_credited_mm += rain_mm
    if rain_mm > 0.0:
        # What was planned before it rained is a plan no more.
        ctx.state.plan_due_mono_ms = NEVER_MS
        if zone.surface is not None:
            surface.rained(zone_state, rain_mm)
    etc_mm = stressed_etc_mm(ctx, zone, et0_mm, wall_ms)
    zone_state.etc_today_mm += etc_mm
    step = advance_depletion(zone_state.depletion_mm, zone.total_available_mm, rain_mm, 0.0, etc_mm)
    zone_state.depletion_mm = step.depletion_mm
    if rain_mm > 0.0:
        rain_credit.note(ctx, zone.id, rain_mm, step.deep_percolation_mm)
    if etc_mm > 0.0 or step.deep_percolation_mm > 0.0:
        # Only rain that drains says that the root zone is full: a dose is measured out by the depletion in question.
        zone_state.trim = grown(zone_state.trim, etc_mm, step.depletion_mm if step.deep_percolation_mm <= 0.0 else 0.0)


def stressed_etc_mm(ctx: Context, zone: Zone, et0_mm: float, wall_ms: int) -> float:
    """Crop evapotranspiration under the zone's present water stress, FAO-56 equation 81; equation 80 with a surface,
    which is dried by it.
    """
    kc = crop_coefficient(ctx, zone, wall_ms)
    if kc == 0.0:
        return 0.0
    fraction = adjusted_fraction(ctx.day_facts(wall_ms).fraction[zone.id], kc * expected.et0_mm(ctx, wall_ms))
    zone_state = ctx.state.zones[zone.id]
    stress = stress_coefficient(zone_state.depletion_mm, zone.total_available_mm, fraction)
    canopy = ctx.day_facts(wall_ms).canopy.get(zone.id)
    if zone.surface is None or canopy is None:
        return stress * kc * et0_mm
    kcb = canopy.kcb * zone_state.trim.factor
    return stress * kcb * et0_mm + surface.evaporated_mm(zone_state, zone.surface, canopy, et0_mm)
