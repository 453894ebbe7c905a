"""The weather of a stretch of time, hour by hour, and how hours are made from days.

All hours are counted in UTC milliseconds from `start_wall_ms`. Days are those of the place's standard time by longitude
(whole hours from Greenwich); summer time is the controller's affair.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import cos, exp, log, pi
from random import Random
from typing import NamedTuple

from controller.site.model import Place
from simulator.plant.evaporation import evaporation_mm_h, saturation_kpa
from simulator.plant.sun import clear_sky_w_m2, sun_direction

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
_YEAR_HOURS = 365 * 24
_COLDEST_HOUR, _WARMEST_HOUR = 5, 15


class Hour(NamedTuple):
    """One hour's weather. Rain falls evenly over it; radiation is its mean; wind is at 2 m."""

    temperature_c: float
    humidity_percent: float
    wind_m_s: float
    radiation_w_m2: float
    cloud: float
    rain_mm: float


class Weather:
    """Hourly weather from `start_wall_ms` on.

    After the last hour the record goes on from the same hour a year earlier; one shorter than a year starts again.
    """

    def __init__(self, start_wall_ms: int, hours: list[Hour]) -> None:
        if not hours:
            raise ValueError("weather needs at least one hour")
        self.start_wall_ms = start_wall_ms
        self.temperature_c = array("d", (h.temperature_c for h in hours))
        self.humidity_percent = array("d", (h.humidity_percent for h in hours))
        self.wind_m_s = array("d", (h.wind_m_s for h in hours))
        self.radiation_w_m2 = array("d", (h.radiation_w_m2 for h in hours))
        self.cloud = array("d", (h.cloud for h in hours))
        self.rain_mm = array("d", (h.rain_mm for h in hours))
        self._period = _YEAR_HOURS if len(hours) >= _YEAR_HOURS else len(hours)

    def __len__(self) -> int:
        return len(self.temperature_c)

    def index(self, wall_ms: int) -> int:
        """Index of the hour that holds `wall_ms`; ValueError before the first hour."""
        hour = (wall_ms - self.start_wall_ms) // HOUR_MS
        if hour < 0:
            raise ValueError(f"no weather at {wall_ms} ms: the record starts at {self.start_wall_ms} ms")
        beyond = hour - len(self) + 1
        return hour if beyond <= 0 else hour - self._period * -(-beyond // self._period)

    def hour(self, wall_ms: int) -> Hour:
        """The weather of the hour that holds `wall_ms`."""
        i = self.index(wall_ms)
        return Hour(
            self.temperature_c[i],
            self.humidity_percent[i],
            self.wind_m_s[i],
            self.radiation_w_m2[i],
            self.cloud[i],
            self.rain_mm[i],
        )


@dataclass(frozen=True, slots=True)
class Day:
    """One day before it is spread over its hours. `clearness` is radiation as a part of a cloudless day's."""

    date: date
    tmin_c: float
    tmax_c: float
    rain_mm: float
    clearness: float
    wind_m_s: float
    dew_point_c: float


def standard_offset_ms(place: Place) -> int:
    """Standard time by longitude, whole hours east of Greenwich."""
    return round(place.longitude_deg / 15.0) * HOUR_MS


def local_midnight_wall_ms(day: date, place: Place) -> int:
    """UTC milliseconds of the start of a day in the place's standard time."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return int(midnight.timestamp()) * 1000 - standard_offset_ms(place)


def local_date(wall_ms: int, place: Place) -> date:
    """The day in the place's standard time."""
    return date(1970, 1, 1) + timedelta(days=(wall_ms + standard_offset_ms(place)) // DAY_MS)


def weather_from_days(days: list[Day], place: Place, rng: Random) -> Weather:
    """Spread consecutive days over their hours; the same `rng` state gives the same hours."""
    hours: list[Hour] = []
    for index, day in enumerate(days):
        before = days[index - 1] if index else day
        after = days[index + 1] if index + 1 < len(days) else day
        hours.extend(_hours_of_day(before, day, after, place, rng))
    return Weather(local_midnight_wall_ms(days[0].date, place), hours)


def clear_radiation_w_m2(day: date, place: Place) -> list[float]:
    """Cloudless global radiation of each hour of a day: the mean of three instants."""
    start_ms = local_midnight_wall_ms(day, place)
    return [
        sum(
            clear_sky_w_m2(
                sun_direction(start_ms + h * HOUR_MS + m * 60_000, place.latitude_deg, place.longitude_deg)[2]
            )
            for m in (10, 30, 50)
        )
        / 3.0
        for h in range(24)
    ]


def hour_temperatures_c(before: Day, day: Day, after: Day) -> list[float]:
    """Temperatures on half waves from each day's warmest hour to the next day's coldest and up again."""
    span = _WARMEST_HOUR - _COLDEST_HOUR
    temperatures = []
    for hour in range(24):
        if hour < _COLDEST_HOUR:
            start, end, part = before.tmax_c, day.tmin_c, (hour + 24 - _WARMEST_HOUR) / (24 - span)
        elif hour <= _WARMEST_HOUR:
            start, end, part = day.tmin_c, day.tmax_c, (hour - _COLDEST_HOUR) / span
        else:
            start, end, part = day.tmax_c, after.tmin_c, (hour - _WARMEST_HOUR) / (24 - span)
        temperatures.append(start + (end - start) * 0.5 * (1.0 - cos(pi * part)))
    return temperatures


def _hours_of_day(before: Day, day: Day, after: Day, place: Place, rng: Random) -> list[Hour]:
    vapour_kpa = saturation_kpa(day.dew_point_c)
    cloud = cloud_from_clearness(day.clearness)
    clear = clear_radiation_w_m2(day.date, place)
    rain = storm_hours_mm(day.rain_mm, rng)
    hours = []
    for hour, temperature in enumerate(hour_temperatures_c(before, day, after)):
        wind = max(0.2, day.wind_m_s * (0.7 + 0.6 * exp(-(((hour - 14) / 5.0) ** 2))))
        humidity = min(100.0, 100.0 * vapour_kpa / saturation_kpa(temperature))
        hours.append(Hour(temperature, humidity, wind, clear[hour] * day.clearness, cloud, rain[hour]))
    return hours


def cloud_from_clearness(clearness: float) -> float:
    """Cloud cover from 0 to 1 that goes with a part of a cloudless day's radiation (straight line, invented)."""
    return min(1.0, max(0.0, (1.0 - clearness) / 0.75))


def day_evaporation_mm(day: Day, clear_w_m2: list[float]) -> float:
    """What `evaporation_mm_h` makes of the day's hours, taking the neighbouring days as alike."""
    vapour_kpa = saturation_kpa(day.dew_point_c)
    cloud = cloud_from_clearness(day.clearness)
    total = 0.0
    for radiation, temperature in zip(clear_w_m2, hour_temperatures_c(day, day, day), strict=True):
        if radiation > 0.0:
            humidity = min(100.0, 100.0 * vapour_kpa / saturation_kpa(temperature))
            total += evaporation_mm_h(temperature, humidity, day.wind_m_s, radiation * day.clearness, cloud)
    return total


def storm_hours_mm(rain_mm: float, rng: Random) -> list[float]:
    """Spread a day's rain over one to three storms of one to six hours that start hard and tail off."""
    hours = [0.0] * 24
    if rain_mm <= 0.0:
        return hours
    storms = 1 + (rng.random() < 0.45) + (rng.random() < 0.20)
    shares = [-log(1.0 - rng.random()) for _ in range(storms)]
    weights = [0.0] * 24
    for share in shares:
        length = rng.randint(1, 6)
        first = rng.randint(0, 24 - length)
        shape = [exp(-0.5 * hour) * (0.4 + rng.random()) for hour in range(length)]
        for hour, part in enumerate(shape):
            weights[first + hour] += share * part / sum(shape)
    total = sum(weights)
    return [rain_mm * weight / total for weight in weights]
