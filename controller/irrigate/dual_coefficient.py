"""The dual crop coefficient, FAO-56 chapter 7: what plants transpire (Kcb) and what bare wet soil evaporates (Ke).

Under drip only a part of the ground is wetted, and the canopy shades most of that: the soil's share, which the single
coefficient takes at its mean, is small between rains and large after them.

The surface layer is the top 0.10 to 0.15 m that evaporation can dry. Its depletion is that of the part which is wetted
and in the sun: 0 just after a wetting, `tew_mm` (total evaporable water) when it gives no more; up to `rew_mm` (readily
evaporable water) it gives all that the air asks for.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from controller.irrigate.crop import Numbers, climate_adjusted_kc, season_kc
from controller.site.model import Zone

LARGEST_KC = 1.2
"""Kc max over grass in the standard climate, page 143."""
KC_OF_BARE_DRY_SOIL = 0.15
"""Kc min, page 149."""
MOST_COVER = 0.99


def largest_kc(kcb: float, height_m: float, wind_2m_m_s: float = 2.0, rh_min_percent: float = 45.0) -> float:
    """Kc max, the most that plants and soil can evaporate together, equation 72; by default in the tables' climate."""
    return max(climate_adjusted_kc(LARGEST_KC, wind_2m_m_s, rh_min_percent, height_m), kcb + 0.05)


def canopy_cover(kcb: float, kc_max: float, height_m: float) -> float:
    """fc, the part of the ground that the plants cover, equation 76; 0 to 0.99."""
    relative = (kcb - KC_OF_BARE_DRY_SOIL) / (kc_max - KC_OF_BARE_DRY_SOIL)
    if relative <= 0.0:
        return 0.0
    return min(MOST_COVER, math.pow(relative, 1.0 + 0.5 * height_m))


def exposed_wetted_fraction(cover: float, wetted: float, under_canopy: bool) -> float:
    """few, the part of the ground that is wet and in the sun, equation 75.

    Emitters under the plants wet what the plants shade: `wetted` then counts 1 - 2/3 fc times (page 149).
    """
    reached = wetted * (1.0 - 2.0 / 3.0 * cover) if under_canopy else wetted
    return min(1.0 - cover, reached)


def drying_coefficient(surface_mm: float, tew_mm: float, rew_mm: float) -> float:
    """Kr: 1 while the surface layer gives readily, falling to 0 as it dries, equation 74."""
    if surface_mm <= rew_mm:
        return 1.0
    return max(0.0, (tew_mm - surface_mm) / (tew_mm - rew_mm))


def evaporation_coefficient(drying: float, kcb: float, kc_max: float, exposed: float) -> float:
    """Ke, equation 71: what energy is left over, and no more than the exposed wet part can take up."""
    return min(drying * (kc_max - kcb), exposed * kc_max)


def wetted_surface_mm(surface_mm: float, water_mm: float) -> float:
    """Depletion of the surface layer after water on the wetted part, at the start of a day; what is too much drains."""
    return max(0.0, surface_mm - water_mm)


def dried_surface_mm(surface_mm: float, tew_mm: float, evaporated_mm: float, exposed: float) -> float:
    """Depletion after evaporation of `evaporated_mm` over all the ground, from its exposed part; equation 77.

    `evaporated_mm` below zero takes back what was booked too much.
    """
    return min(tew_mm, max(0.0, surface_mm + evaporated_mm / exposed))


class Canopy(NamedTuple):
    """A zone's plants on one day: what they transpire (Kcb), the most with the soil (Kc max), and their cover (fc)."""

    kcb: float
    kc_max: float
    cover: float


def zone_canopy(zone: Zone, numbers: Numbers) -> Canopy | None:
    """Of the crops in season, by their shares of the area; None when none is, or one has no basal values."""
    kcb = cover = kc_max = 0.0
    for crop, number in zip(zone.crops, numbers, strict=True):
        if number is None:
            continue
        if crop.basal is None:
            return None
        values = crop.basal
        own = season_kc(number, crop.stage_days, values.kcb_initial, values.kcb_mid, values.kcb_end)
        most = largest_kc(own, values.height_m)
        kcb += crop.share * own
        cover += crop.share * canopy_cover(own, most, values.height_m)
        kc_max = max(kc_max, most)
    return Canopy(kcb, kc_max, cover) if kc_max else None
