"""Should a start wait for the sun? Only where it costs the plants nothing, and never past the day's last window.

A battery that is far from full is better drawn on while its panel gives something. All figures are own choices.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from controller.irrigate.daily_share import solar_hour
from controller.irrigate.reference_et import sunset_hour_angle_rad

WELL_CHARGED_PERCENT = 80.0
LOW_SUN_H = 1.0
"""After sunrise and before sunset, how long the sun gives next to nothing."""
_MS_PER_DAY = 86_400_000


class PowerNow(NamedTuple):
    """What is known of battery and panel; None where nothing is known."""

    charge_percent: float | None
    battery_v: float | None
    panel_v: float | None


class LaterWindow(NamedTuple):
    """A later window of the same day, and the depletion expected at its opening."""

    start_wall_ms: int
    end_wall_ms: int
    depletion_mm: float


def sun_is_high(latitude_deg: float, longitude_deg: float, day_of_year: int, wall_ms: int) -> bool:
    """Is the instant at least `LOW_SUN_H` after sunrise and before sunset?"""
    half_day_h = sunset_hour_angle_rad(latitude_deg, day_of_year) * 12.0 / math.pi
    hour = solar_hour(wall_ms % _MS_PER_DAY / 60_000.0, longitude_deg, day_of_year)
    return abs(hour - 12.0) <= half_day_h - LOW_SUN_H


def lacks_sun(power: PowerNow, sun_high: bool) -> bool:
    """Is the battery not well charged, or unknown, with nothing coming in: by the panel's voltage, else by the sun?"""
    if power.charge_percent is not None and power.charge_percent >= WELL_CHARGED_PERCENT:
        return False
    if power.panel_v is not None and power.battery_v is not None:
        return power.panel_v < power.battery_v
    return not sun_high


def window_to_wait_for(
    later: list[LaterWindow], readily_mm: float, needed_ms: int, latitude_deg: float, longitude_deg: float, day: int
) -> LaterWindow | None:
    """The first later window of the day that has the sun over all that is to be pumped and finds the plants at ease.

    needed_ms  time that all planned waterings together take: every zone that waits must find its turn in that window
    day        of the year, 1 to 366
    """
    for window in later:
        end_ms = window.start_wall_ms + needed_ms
        in_sun = sun_is_high(latitude_deg, longitude_deg, day, window.start_wall_ms) and sun_is_high(
            latitude_deg, longitude_deg, day, end_ms
        )
        if in_sun and end_ms <= window.end_wall_ms and window.depletion_mm <= readily_mm:
            return window
    return None
