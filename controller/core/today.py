"""What depends on the local date alone, computed once a day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from controller.irrigate.crop import usual_numbers, zone_depletion_fraction, zone_kc
from controller.irrigate.daily_share import SunShare
from controller.irrigate.dual_coefficient import zone_canopy
from controller.irrigate.heat_stages import Warmth, numbers_on
from controller.site.model import Site

DEFAULT_FRACTION = 0.4
"""Depletion fraction of a zone without crops in season; nothing is watered by it."""


class Today:
    """Declared crop coefficients and depletion fractions by zone id, and the sun's course."""

    def __init__(self, site: Site, ordinal: int, warmth: Mapping[str, Warmth]) -> None:
        day = date.fromordinal(ordinal)
        self.ordinal = ordinal
        self.date = day
        self.day_of_year = day.timetuple().tm_yday
        self.sun = SunShare(site.place.latitude_deg, self.day_of_year)
        by_warmth = numbers_on(site, day, warmth)
        numbers = {zone.id: by_warmth.get(zone.id) or usual_numbers(zone, day) for zone in site.zones}
        self.kc = {zone.id: zone_kc(zone, numbers[zone.id]) for zone in site.zones}
        self.fraction = {
            zone.id: zone_depletion_fraction(zone, numbers[zone.id]) or DEFAULT_FRACTION for zone in site.zones
        }
        self.canopy = {zone.id: zone_canopy(zone, numbers[zone.id]) for zone in site.zones if zone.surface is not None}
