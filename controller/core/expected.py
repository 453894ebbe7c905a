"""The forecast that counts now, and what is expected of the weather by it."""

from __future__ import annotations

from datetime import date

from controller.contract import Forecast
from controller.core.context import Context
from controller.irrigate.forecast import NO_RAIN, RainToCome, expected_et0_mm, fresh, rain_to_come
from controller.irrigate.normal_et import local_correction


def forecast(ctx: Context, wall_ms: int) -> Forecast | None:
    """The stored forecast while it is fresh."""
    return fresh(ctx.state.forecast, wall_ms)


def et0_mm(ctx: Context, wall_ms: int, ahead_days: int = 0) -> float:
    """Reference evapotranspiration expected of the local day, or of one ahead: by the forecast, else the days before.

    The forecast speaks for today and tomorrow alone.
    """
    usual_mm = ctx.state.weather.et0_expected_mm
    known = forecast(ctx, wall_ms)
    if known is None or ahead_days > 1:
        return usual_mm
    day = date.fromordinal(ctx.day_facts(wall_ms).ordinal + ahead_days)
    forecast_mm = expected_et0_mm(known, day, ctx.site.place.latitude_deg)
    if forecast_mm is None:
        return usual_mm
    normals = ctx.site.place.normals
    return forecast_mm if normals is None else forecast_mm * local_correction(ctx.site.place, normals)[day.month - 1]


def rain(ctx: Context, wall_ms: int) -> RainToCome:
    """Rain forecast for the rest of today and for tomorrow."""
    known = forecast(ctx, wall_ms)
    if known is None:
        return NO_RAIN
    return rain_to_come(known, ctx.day_facts(wall_ms).date, ctx.sensing.rain_today_mm)
