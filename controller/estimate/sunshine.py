"""The most that a solar panel can give now: the current under a cloudless sky."""

from __future__ import annotations

from math import asin, atan2, cos, exp, pi, radians, sin, tau

from controller.site.model import Panel, Place

_DAY_MS = 86_400_000
_J2000_WALL_MS = 946_728_000_000
_CHAIN_EFFICIENCY = 0.9
"""From the panel's rated power to the battery: warm cells, dirt, wires and charger. Common practice, no source."""
_DIFFUSE_PART = 0.15
"""Part of a cloudless sky's radiation that does not come from the sun's own direction (common practice, no source)."""
_CHARGING_V = 13.0


def clear_sky_a(panel: Panel, place: Place, wall_ms: int) -> float:
    """Charging current in A that a cloudless sky would give at UTC `wall_ms`; 0 at night.

    Sun from the low-precision formulas of the Astronomical Almanac with the equation of centre's two terms, cloudless
    global radiation by Haurwitz (1945), turned onto the panel's plane with an even diffuse sky.
    """
    days = (wall_ms - _J2000_WALL_MS) / _DAY_MS
    anomaly = radians((357.528 + 0.9856003 * days) % 360.0)
    longitude = radians((280.460 + 0.9856474 * days + 1.915 * sin(anomaly) + 0.020 * sin(2.0 * anomaly)) % 360.0)
    obliquity = radians(23.439)
    declination = asin(sin(obliquity) * sin(longitude))
    right_ascension = atan2(cos(obliquity) * sin(longitude), cos(longitude))
    sidereal = radians((280.46062 + 360.98564737 * days + place.longitude_deg) % 360.0)
    hour_angle = (sidereal - right_ascension + pi) % tau - pi
    latitude = radians(place.latitude_deg)
    up = sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)
    if up <= 0.01:
        return 0.0
    east = -cos(declination) * sin(hour_angle)
    north = cos(latitude) * sin(declination) - sin(latitude) * cos(declination) * cos(hour_angle)
    tilt, azimuth = radians(panel.tilt_deg), radians(panel.azimuth_deg)
    facing = sin(tilt) * (sin(azimuth) * east + cos(azimuth) * north) + cos(tilt) * up
    horizontal_w_m2 = 1098.0 * up * exp(-0.059 / up)
    # A sun near the horizon would make the beam of a rough model endless.
    beam_w_m2 = min(1000.0, (1.0 - _DIFFUSE_PART) * horizontal_w_m2 / up)
    plane_w_m2 = beam_w_m2 * max(0.0, facing) + _DIFFUSE_PART * horizontal_w_m2 * 0.5 * (1.0 + cos(tilt))
    return panel.peak_w * plane_w_m2 / 1000.0 * _CHAIN_EFFICIENCY / _CHARGING_V
