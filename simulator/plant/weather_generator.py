"""Invented weather with a seed: a wet/dry chain of days about the place's monthly normals.

Wet days follow a first-order Markov chain that keeps each month's number of wet days; amounts are gamma distributed
about the month's mean wet-day rain; temperatures wander about their normals with a memory of days; wet days are
cloudier, damper and less spread between night and noon. All spreads are invented, typical of a temperate climate.
"""

from __future__ import annotations

from calendar import monthrange
from datetime import date, timedelta
from math import cos, pi, sqrt
from random import Random

from controller.site.model import MonthlyNormals, Place
from simulator.plant.weather import Day, Weather, weather_from_days

WET_PERSISTENCE = 0.35
RAIN_SHAPE = 0.8
_MEMORY = 0.72
_TMAX_SPREAD_C, _TMIN_SPREAD_C = 3.0, 2.4
_WET_TMAX_C, _WET_TMIN_C = -1.6, 0.8
_COMMON_YEAR = 2023


def generate_weather(place: Place, start: date, days: int, seed: int) -> Weather:
    """Hourly weather of `days` days from `start`; the same seed gives the same weather."""
    rng = Random(f"weather {seed}")
    return weather_from_days(generate_days(place, start, days, rng), place, rng)


def generate_days(place: Place, start: date, days: int, rng: Random) -> list[Day]:
    """The days alone; statistics can be checked on these without spreading them over hours."""
    normals = place.normals or normals_by_latitude(place.latitude_deg)
    wet = rng.random() < normals.wet_days[start.month - 1] / 30.4
    warm, still_night = rng.gauss(0.0, 1.0), rng.gauss(0.0, 1.0)
    innovation = sqrt(1.0 - _MEMORY**2)
    made = []
    for number in range(days):
        today = start + timedelta(days=number)
        wet_share = wet_fraction(normals, today.month)
        wet = rng.random() < wet_share * (1.0 - WET_PERSISTENCE) + (WET_PERSISTENCE if wet else 0.0)
        warm = _MEMORY * warm + innovation * rng.gauss(0.0, 1.0)
        still_night = _MEMORY * still_night + innovation * rng.gauss(0.0, 1.0)
        made.append(_day(normals, today, wet, wet_share, warm, 0.6 * warm + 0.8 * still_night, rng))
    return made


def wet_fraction(normals: MonthlyNormals, month: int) -> float:
    """Long-term part of a month's days with rain."""
    return min(0.98, normals.wet_days[month - 1] / monthrange(_COMMON_YEAR, month)[1])


def _day(
    normals: MonthlyNormals, today: date, wet: bool, wet_share: float, warm: float, warm_nights: float, rng: Random
) -> Day:
    # Dry days are as much warmer as keeps the month's mean where it was.
    shift = 1.0 if wet else -wet_share / (1.0 - wet_share)
    tmax = month_value(normals.tmax_c, today) + _WET_TMAX_C * shift + _TMAX_SPREAD_C * warm
    tmin = month_value(normals.tmin_c, today) + _WET_TMIN_C * shift + _TMIN_SPREAD_C * warm_nights
    if tmax < tmin + 1.0:
        tmin = tmax = (tmax + tmin) / 2.0
        tmin, tmax = tmin - 0.5, tmax + 0.5
    rain = 0.0
    if wet:
        mean_mm = normals.rain_mm[today.month - 1] / (wet_share * monthrange(_COMMON_YEAR, today.month)[1])
        rain = rng.gammavariate(RAIN_SHAPE, mean_mm / RAIN_SHAPE)
    clearness, wind, dew_point = sky_and_air(tmin, wet, rng)
    return Day(today, tmin, tmax, rain, clearness, wind, dew_point)


def sky_and_air(tmin_c: float, wet: bool, rng: Random) -> tuple[float, float, float]:
    """Clearness, wind at 2 m and dew point of a wet or a dry day; a day's coldest air is near its dew point."""
    clearness = 0.12 + 0.90 * (rng.betavariate(2.0, 3.6) if wet else rng.betavariate(4.0, 2.0))
    wind = rng.gammavariate(4.0, 0.5)
    dew_point = tmin_c + (0.6 if wet else -1.2) + rng.gauss(0.0, 0.8)
    return clearness, wind, dew_point


def month_value(monthly: tuple[float, ...], today: date) -> float:
    """Straight line between the middles of months."""
    position = (today.day - 0.5) / monthrange(today.year, today.month)[1] - 0.5
    here = monthly[today.month - 1]
    other = monthly[today.month % 12] if position > 0.0 else monthly[today.month - 2]
    return here + (other - here) * abs(position)


def normals_by_latitude(latitude_deg: float) -> MonthlyNormals:
    """Rough invented normals for a place that declares none: milder or harsher with latitude, rain all year."""
    distance = abs(latitude_deg)
    mean_c, swing_c = 27.0 - 0.33 * distance, 0.20 * distance
    warmest = 6.5 if latitude_deg >= 0.0 else 0.5
    means = [mean_c + swing_c * cos(2.0 * pi * (month - warmest) / 12.0) for month in range(12)]
    return MonthlyNormals(
        tmin_c=tuple(mean - 4.0 for mean in means),
        tmax_c=tuple(mean + 5.0 for mean in means),
        rain_mm=(65.0,) * 12,
        wet_days=(11.0,) * 12,
    )
