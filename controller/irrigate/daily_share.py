"""How much of a day's evapotranspiration falls between two times of that day: it follows the sun."""

from __future__ import annotations

import math
from functools import lru_cache

from controller.irrigate.reference_et import solar_declination_rad, sunset_hour_angle_rad

HOURS_PER_DAY = 24.0


class SunShare:
    """One day at one latitude. The share has the shape of radiation outside the atmosphere, FAO-56 equation 28."""

    __slots__ = ("_constant", "_sunset_rad", "_swing", "_total")

    def __init__(self, latitude_deg: float, day_of_year: int) -> None:
        latitude = math.radians(latitude_deg)
        declination = solar_declination_rad(day_of_year)
        self._constant = math.sin(latitude) * math.sin(declination)
        self._swing = math.cos(latitude) * math.cos(declination)
        self._sunset_rad = sunset_hour_angle_rad(latitude_deg, day_of_year)
        self._total = 2.0 * (self._sunset_rad * self._constant + self._swing * math.sin(self._sunset_rad))

    def up_to(self, solar_hour: float) -> float:
        """Share of the day's total from solar midnight to an hour of solar time, 0 to 1."""
        if self._total <= 1e-9:
            return min(1.0, max(0.0, solar_hour / HOURS_PER_DAY))
        angle = math.pi * (solar_hour - 12.0) / 12.0
        if angle <= -self._sunset_rad:
            return 0.0
        if angle >= self._sunset_rad:
            return 1.0
        risen = (angle + self._sunset_rad) * self._constant
        risen += self._swing * (math.sin(angle) + math.sin(self._sunset_rad))
        return risen / self._total

    def between(self, solar_hour_from: float, solar_hour_to: float) -> float:
        """Share between two hours of solar time; when `to` is before `from` the interval runs over solar midnight."""
        share = self.up_to(solar_hour_to) - self.up_to(solar_hour_from)
        return share if solar_hour_to >= solar_hour_from else share + 1.0


def et_share(latitude_deg: float, day_of_year: int, solar_hour_from: float, solar_hour_to: float) -> float:
    """Share of a day's reference evapotranspiration between two hours of solar time; 0 to 24 is the whole, 1.

    In the polar night, when there is no sun to follow, it is spread evenly.
    """
    return SunShare(latitude_deg, day_of_year).between(solar_hour_from, solar_hour_to)


@lru_cache(maxsize=366)
def seasonal_correction_h(day_of_year: int) -> float:
    """Sc, FAO-56 equations 32 and 33: how far the sun is ahead of a clock that keeps mean solar time."""
    b = 2.0 * math.pi * (day_of_year - 81) / 364.0
    return 0.1645 * math.sin(2.0 * b) - 0.1255 * math.cos(b) - 0.025 * math.sin(b)


def solar_hour(utc_minute_of_day: float, longitude_deg: float, day_of_year: int) -> float:
    """Solar time, 0 to 24 h with the sun highest at 12, after FAO-56 equation 31; longitude is positive to the east."""
    hour = utc_minute_of_day / 60.0 + longitude_deg / 15.0 + seasonal_correction_h(day_of_year)
    return hour % HOURS_PER_DAY
