"""Rain on a roof: what wets it, what the first-flush device takes, what is lost and what reaches the tank.

Depths are mm on the plan area. The first flush is taken once per event: after a dry spell the device is empty again.
Wind drives each event's rain a little more or less onto the roof (3 %, own choice). In a cloudburst the gutter runs
over: within an hour the intensity is taken as exponentially distributed about its mean (own choice), so that the part
above what the gutter carries is exp(-carried / mean).
"""

from __future__ import annotations

from math import exp
from random import Random

from controller.site.model import Roof

DRY_SPELL_HOURS = 12
WETTING_MM = 0.3
GUTTER_MM_H = 75.0
"""What a gutter carries: from memory, the intensity that British gutters are laid out for."""
_DRYING_MM_H = 0.1
_WIND_SD = 0.03


class RoofWater:
    """One roof. `rain_hour` takes an hour's rain; totals are in litres."""

    def __init__(self, roof: Roof, rng: Random) -> None:
        self.roof = roof
        self.coefficient = min(1.0, roof.runoff_coefficient * (1.0 + rng.gauss(0.0, 0.025)))
        self.wind_sd = _WIND_SD
        self.event_coefficient = self.coefficient
        """The coefficient with what the wind does to the present event."""
        self._rng = rng
        self.rain_l = 0.0
        self.lost_l = 0.0
        self.flushed_l = 0.0
        self.caught_l = 0.0
        self._wetting_left_mm = WETTING_MM
        self._flush_left_mm = roof.first_flush_mm
        self._dry_hours = DRY_SPELL_HOURS

    def rain_hour(self, rain_mm: float, blocked: float = 0.0) -> float:
        """Litres that reach the tank out of an hour's rain; `blocked` is the part the gutter spills."""
        if rain_mm <= 0.0:
            self._dry_hour()
            return 0.0
        if self._dry_hours >= DRY_SPELL_HOURS:
            self.event_coefficient = min(1.0, self.coefficient * (1.0 + self._rng.gauss(0.0, self.wind_sd)))
        self._dry_hours = 0
        area = self.roof.area_m2
        wetting = min(rain_mm, self._wetting_left_mm)
        self._wetting_left_mm -= wetting
        carried = 1.0 - exp(-GUTTER_MM_H / rain_mm)
        runoff = (rain_mm - wetting) * self.event_coefficient * carried * (1.0 - blocked)
        flush = min(runoff, self._flush_left_mm)
        self._flush_left_mm -= flush
        caught = runoff - flush
        self.rain_l += rain_mm * area
        self.lost_l += (rain_mm - runoff) * area
        self.flushed_l += flush * area
        self.caught_l += caught * area
        return caught * area

    def _dry_hour(self) -> None:
        self._dry_hours += 1
        self._wetting_left_mm = min(WETTING_MM, self._wetting_left_mm + _DRYING_MM_H)
        if self._dry_hours >= DRY_SPELL_HOURS:
            self._flush_left_mm = self.roof.first_flush_mm
