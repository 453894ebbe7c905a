"""Where the sun is and what a cloudless sky lets through.

Low-precision solar coordinates in the form the Astronomical Almanac prints them (good to about 0.01 degree between 1950
and 2050), without refraction. Directions are unit vectors (east, north, up), so that the angle on a tilted panel is one
scalar product.
"""

from __future__ import annotations

from math import asin, atan2, cos, degrees, exp, pi, radians, sin

_J2000_WALL_MS = 946_728_000_000
_DAY_MS = 86_400_000
_FULL_TURN = 2.0 * pi
SOLAR_CONSTANT_W_M2 = 1361.0

Direction = tuple[float, float, float]


def sun_direction(wall_ms: float, latitude_deg: float, longitude_deg: float) -> Direction:
    """Unit vector (east, north, up) to the sun's centre at UTC `wall_ms`; `up` is below zero at night."""
    days = (wall_ms - _J2000_WALL_MS) / _DAY_MS
    mean_longitude = radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = radians((357.528 + 0.9856003 * days) % 360.0)
    ecliptic = mean_longitude + radians(1.915 * sin(anomaly) + 0.020 * sin(2.0 * anomaly))
    obliquity = radians(23.439 - 4.0e-7 * days)
    right_ascension = atan2(cos(obliquity) * sin(ecliptic), cos(ecliptic))
    sin_declination = sin(obliquity) * sin(ecliptic)
    cos_declination = cos(asin(sin_declination))
    sidereal = radians((280.46062 + 360.98564737 * days + longitude_deg) % 360.0)
    hour_angle = sidereal - right_ascension
    latitude = radians(latitude_deg)
    toward_equator = cos_declination * cos(hour_angle)
    return (
        -cos_declination * sin(hour_angle),
        cos(latitude) * sin_declination - sin(latitude) * toward_equator,
        sin(latitude) * sin_declination + cos(latitude) * toward_equator,
    )


def zenith_azimuth_deg(direction: Direction) -> tuple[float, float]:
    """Angle from the vertical, and bearing clockwise from north, in degrees."""
    east, north, up = direction
    return 90.0 - degrees(asin(up)), degrees(atan2(east, north) % _FULL_TURN)


def clear_sky_w_m2(up: float) -> float:
    """Global horizontal irradiance of a cloudless sky (Haurwitz 1945) for the sine of the sun's elevation."""
    if up <= 0.0:
        return 0.0
    return 1098.0 * up * exp(-0.059 / up) if up > 1e-3 else 0.0


def extraterrestrial_w_m2(wall_ms: float) -> float:
    """Irradiance outside the atmosphere on a plane facing the sun; the orbit changes it by 3.3 % either way."""
    days = (wall_ms - _J2000_WALL_MS) / _DAY_MS
    return SOLAR_CONSTANT_W_M2 * (1.0 + 0.0334 * cos(_FULL_TURN * (days - 2.5) / 365.25))


def panel_normal(tilt_deg: float, azimuth_deg: float) -> Direction:
    """Unit vector (east, north, up) at right angles to a panel; azimuth is clockwise from north."""
    tilt, azimuth = radians(tilt_deg), radians(azimuth_deg)
    return (sin(tilt) * sin(azimuth), sin(tilt) * cos(azimuth), cos(tilt))


def diffuse_fraction(clearness_index: float) -> float:
    """Part of the global irradiance that comes from the whole sky (Erbs, Klein and Duffie 1982)."""
    kt = clearness_index
    if kt <= 0.22:
        return 1.0 - 0.09 * kt
    if kt <= 0.80:
        return 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return 0.165


def irradiance_on_plane_w_m2(global_w_m2: float, sun: Direction, normal: Direction, beyond_air_w_m2: float) -> float:
    """Irradiance on a tilted plane: beam, even diffuse sky, and ground reflecting a fifth."""
    up = sun[2]
    if global_w_m2 <= 0.0:
        return 0.0
    sky_view = 0.5 * (1.0 + normal[2])
    ground = global_w_m2 * 0.2 * (1.0 - sky_view)
    if up < 0.05:
        return global_w_m2 * sky_view + ground
    diffuse = global_w_m2 * diffuse_fraction(min(1.0, global_w_m2 / (beyond_air_w_m2 * up)))
    facing = sun[0] * normal[0] + sun[1] * normal[1] + sun[2] * normal[2]
    beam = (global_w_m2 - diffuse) / up * max(0.0, facing)
    return beam + diffuse * sky_view + ground
