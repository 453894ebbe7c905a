"""A day's light on a tilted panel, from the day's light on level ground.

The day's global radiation is spread over its hours like that of a cloudless sky (Haurwitz 1945), parted into beam and
diffuse (Erbs, Klein and Duffie 1982) and turned onto the panel under an even sky (isotropic, Liu and Jordan 1963) or
one that is brighter around the sun (Hay and Davies 1980). Sun positions: Astronomical Almanac, low precision.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import sqrt

import numpy as np

from controller.irrigate.reference_et import extraterrestrial_radiation_mj
from controller.site.model import Panel, Place
from simulator.advise.demand import Array
from simulator.plant.sun import clear_sky_w_m2, extraterrestrial_w_m2, panel_normal, sun_direction
from simulator.plant.weather import local_midnight_wall_ms

STEPS = 96
"""A quarter of an hour each."""
STEP_H = 24.0 / STEPS
GROUND_ALBEDO = 0.2
LOWEST_UP = 0.05
"""Sine of the sun's height below which its beam is taken as diffuse."""
J_PER_WH = 3600.0
INLAND_K, COASTAL_K = 0.16, 0.19
"""Of FAO-56 equation 50, radiation from the span of temperature."""


@dataclass(frozen=True, slots=True)
class DayLight:
    """Geometry of one day, `STEPS` values each: sine of the sun's height, cosine of its angle to the panel (not below
    0), and irradiance outside the air, W/m2. `clear_wh` is the cloudless day's light on level ground, Wh/m2."""

    up: Array
    facing: Array
    beyond: float
    shape: Array
    clear_wh: float


def day_light(day: date, place: Place, panel: Panel) -> DayLight:
    """The sun's way over a panel on one day."""
    start_ms = local_midnight_wall_ms(day, place)
    normal = panel_normal(panel.tilt_deg, panel.azimuth_deg)
    step_ms = STEP_H * 3_600_000.0
    suns = [
        sun_direction(start_ms + (n + 0.5) * step_ms, place.latitude_deg, place.longitude_deg) for n in range(STEPS)
    ]
    up = np.array([sun[2] for sun in suns])
    facing = np.array([max(0.0, sum(a * b for a, b in zip(sun, normal, strict=True))) for sun in suns])
    clear = np.array([clear_sky_w_m2(sun[2]) for sun in suns])
    total = float(clear.sum())
    shape = clear / total if total > 0.0 else clear
    return DayLight(up, facing, extraterrestrial_w_m2(start_ms + 43_200_000.0), shape, total * STEP_H)


def erbs_diffuse(kt: Array) -> Array:
    """Diffuse part of global light for a clearness index (Erbs, Klein and Duffie 1982)."""
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    part: Array = np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.80, middle, 0.165))
    return part


def on_panel_w_m2(global_w_m2: Array, light: DayLight, tilt_up: float, hay: bool) -> Array:
    """Irradiance of the panel for global irradiance at each step; `tilt_up` is the cosine of the tilt.

    `hay` takes the sky of Hay and Davies, else it is even.
    """
    level = np.maximum(light.up, LOWEST_UP)
    kt = np.clip(global_w_m2 / (light.beyond * level), 0.0, 1.0)
    high = light.up >= LOWEST_UP
    diffuse = np.where(high, global_w_m2 * erbs_diffuse(kt), global_w_m2)
    beam_normal = np.where(high, (global_w_m2 - diffuse) / level, 0.0)
    around_sun = beam_normal / light.beyond if hay else np.zeros_like(kt)
    sky = diffuse * ((1.0 - around_sun) * 0.5 * (1.0 + tilt_up) + around_sun * light.facing / level)
    ground = global_w_m2 * GROUND_ALBEDO * 0.5 * (1.0 - tilt_up)
    found: Array = beam_normal * light.facing + sky + ground
    return found


def day_on_panel_wh(global_wh: float, light: DayLight, tilt_up: float, hay: bool) -> float:
    """Light on the panel over a day whose light on level ground is given, Wh/m2."""
    if global_wh <= 0.0 or light.clear_wh <= 0.0:
        return 0.0
    return float(on_panel_w_m2(global_wh / STEP_H * light.shape, light, tilt_up, hay).sum()) * STEP_H


def global_from_span_wh(tmin_c: float, tmax_c: float, place: Place, day_of_year: int) -> float:
    """A day's light on level ground from the span of its temperatures, FAO-56 equation 50, Wh/m2."""
    k = COASTAL_K if place.coastal else INLAND_K
    span = sqrt(max(0.0, tmax_c - tmin_c))
    beyond_mj = extraterrestrial_radiation_mj(place.latitude_deg, day_of_year)
    return min(0.75, k * span) * beyond_mj * 1e6 / J_PER_WH
