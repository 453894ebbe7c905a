"""What depends on the local date alone, computed once a day."""

from __future__ import annotations

from datetime import date

from controller.irrigate.crop import zone_depletion_fraction, zone_kc
from controller.irrigate.daily_share import SunShare
from controller.irrigate.dual_coefficient import zone_canopy
from controller.site.model import Site

DEFAULT_FRACTION = 0.4
"""Depletion fraction of a zone without crops in season; nothing is watered by it."""


class Today:
    """Declared crop coefficients and depletion fractions by zone id, and the sun's course."""

    def __init__(self, site: Site, ordinal: int) -> None:
        day = date.fromordinal(ordinal)
        self.ordinal = ordinal
        self.date = day
        self.day_of_year = day.timetuple().tm_yday
        self.sun = SunShare(site.place.latitude_deg, self.day_of_year)
        self.kc = {zone.id: zone_kc(zone, day) for zone in site.zones}
        self.fraction = {zone.id: zone_depletion_fraction(zone, day) or DEFAULT_FRACTION for zone in site.zones}
        self.canopy = {zone.id: zone_canopy(zone, day) for zone in site.zones if zone.surface is not None}
