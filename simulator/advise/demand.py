"""What a site's zones ask of a tank, day by day of a usual year, as arrays over zones.

The same values as the controller plans by: FAO-56 crop coefficients by the declared stages, its depletion fractions and
the root zones of the site file. A zone on fixed times takes its volume every day, a zone that is off nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from controller.irrigate.crop import usual_numbers, zone_depletion_fraction, zone_kc
from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.outlook import CONTAINER_SWING, OPEN_SWING, use_of
from controller.irrigate.water_price import priority_weight
from controller.site.model import Zone

Array = NDArray[np.float64]
_USUAL_YEAR = 2001


@dataclass(frozen=True, slots=True)
class Demand:
    """Zones in order of priority. Arrays are [zone], or [day of the year, zone].

    kc, fraction   crop coefficient (0 out of season), and depletion fraction p of the tables
    growing        whether anything is in season
    total_mm       total available water of the root zone
    l_per_mm       litres through the emitters for 1 mm in the root zone
    cap_l          most litres of a day
    fixed_l        litres given every day whatever the need; NaN for zones watered by need
    swing          part of a day between two chances to water
    """

    zones: tuple[Zone, ...]
    kc: Array
    fraction: Array
    growing: NDArray[np.bool_]
    total_mm: Array
    l_per_mm: Array
    cap_l: Array
    fixed_l: Array
    swing: Array
    weight: Array
    rain_fed: NDArray[np.bool_]


def demand_of(zones: Sequence[Zone]) -> Demand:
    """The demand of some zones."""
    ordered = tuple(sorted(zones, key=lambda zone: (zone.priority, zone.id)))
    kc, fraction, growing = [], [], []
    for n in range(DAYS_PER_YEAR):
        day = date(_USUAL_YEAR, 1, 1) + timedelta(days=n)
        numbers = [usual_numbers(zone, day) for zone in ordered]
        p = [zone_depletion_fraction(zone, of_zone) for zone, of_zone in zip(ordered, numbers, strict=True)]
        kc.append([zone_kc(zone, of_zone) for zone, of_zone in zip(ordered, numbers, strict=True)])
        fraction.append([0.5 if value is None else value for value in p])
        growing.append([value is not None for value in p])
    uses = [use_of(zone.schedule) for zone in ordered]
    return Demand(
        zones=ordered,
        kc=np.array(kc),
        fraction=np.array(fraction),
        growing=np.array(growing),
        total_mm=np.array([zone.total_available_mm for zone in ordered]),
        l_per_mm=np.array([zone.area_m2 / zone.drip_efficiency for zone in ordered]),
        cap_l=np.array([use.cap_l for use in uses]),
        fixed_l=np.array([np.nan if use.fixed_l is None else use.fixed_l for use in uses]),
        swing=np.array([CONTAINER_SWING if zone.kind == "container" else OPEN_SWING for zone in ordered]),
        weight=np.array([priority_weight(zone.priority) for zone in ordered]),
        rain_fed=np.array([zone.rain_fed for zone in ordered]),
    )


def adjusted_fractions(fraction: Array, etc_mm: Array) -> Array:
    """p for the day's crop evapotranspiration, FAO-56 page 162."""
    adjusted: Array = np.clip(fraction + 0.04 * (5.0 - etc_mm), 0.1, 0.8)
    return adjusted
