"""What a weather forecast may change: a little room for rain, what evaporates today and tomorrow, the price of water.

A forecast is a guess of somebody else. It is discounted, it is left aside when it is old, and nothing under cover is
ever watered less because of it at the same price of water. All figures here are own choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from controller.contract import Forecast, ForecastDay
from controller.estimate.catch import roof_catch
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.model import Roof

FRESH_MS = 24 * 3_600_000
EARLY_MS = 3_600_000
"""How far the issuer's clock may be ahead of ours."""
LEAST_RAIN_MM = 2.0
"""A day's forecast rain below this counts as none."""
ROOM_DAYS, ROOM_PART = 2, 0.7
CATCH_DAYS, CATCH_PART = 3, 0.5


class RainToCome(NamedTuple):
    """Rain forecast for today and tomorrow, and the discounted part that room may be left for, mm."""

    expected_mm: float = 0.0
    room_mm: float = 0.0


NO_RAIN = RainToCome()


def fresh(forecast: Forecast | None, wall_ms: int) -> Forecast | None:
    """The forecast while it may be believed: not older than a day and not of the future; else None."""
    if forecast is None or not -EARLY_MS <= wall_ms - forecast.issued_wall_ms <= FRESH_MS:
        return None
    return forecast


def day_of(forecast: Forecast | None, day: date) -> ForecastDay | None:
    """What is forecast for a local date."""
    if forecast is None:
        return None
    written = day.isoformat()
    return next((entry for entry in forecast.days if entry.date == written), None)


def rain_ahead_mm(forecast: Forecast | None, today: date, fallen_mm: float, days: int) -> list[float]:
    """Rain still to come on today and the days after it, as forecast; what fell today is taken off."""
    ahead = []
    for n in range(days):
        entry = day_of(forecast, today + timedelta(days=n))
        rain_mm = entry.rain_mm if entry is not None and entry.rain_mm >= LEAST_RAIN_MM else 0.0
        ahead.append(max(0.0, rain_mm - fallen_mm) if n == 0 else rain_mm)
    return ahead


def rain_to_come(forecast: Forecast | None, today: date, fallen_mm: float) -> RainToCome:
    """Rain of two days for the room in the beds."""
    expected_mm = sum(rain_ahead_mm(forecast, today, fallen_mm, ROOM_DAYS))
    return RainToCome(expected_mm, ROOM_PART * expected_mm)


def expected_et0_mm(forecast: Forecast | None, day: date, latitude_deg: float) -> float | None:
    """Reference evapotranspiration of a date from its forecast extremes, FAO-56 equation 52; None without them."""
    entry = day_of(forecast, day)
    if entry is None:
        return None
    return hargreaves_mm(entry.tmin_c, entry.tmax_c, latitude_deg, day.timetuple().tm_yday)


def expected_catch_l(forecast: Forecast | None, today: date, fallen_mm: float, roofs: Sequence[Roof]) -> float:
    """Litres that roofs may be counted on to give within three days: half of what the forecast rain would bring.

    The first flush is due anew before each of the days.
    """
    total_l = 0.0
    for rain_mm in rain_ahead_mm(forecast, today, fallen_mm, CATCH_DAYS):
        total_l += sum(roof_catch(roof, rain_mm, roof.first_flush_mm).caught_l for roof in roofs)
    return CATCH_PART * total_l
