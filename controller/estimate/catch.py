"""What a roof gives: plan area times rain times coefficient, less the first flush of each spell of rain.

1 mm of rain on 1 m2 is 1 L; the coefficient is what the roof's surface, gutter and filter let through (BS EN 16941-1,
table 2, gives yield coefficients by surface; quoted second-hand, so the site file asks the owner).
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.site.model import Roof


@dataclass(frozen=True, slots=True)
class Catch:
    """Litres into the tank, and how much first flush is still to be thrown away."""

    caught_l: float
    flush_left_mm: float


def roof_catch(roof: Roof, rain_mm: float, flush_left_mm: float) -> Catch:
    """The catch of `rain_mm` on a roof with `flush_left_mm` of first flush still to go."""
    flushed_mm = min(flush_left_mm, rain_mm)
    caught_l = (rain_mm - flushed_mm) * roof.area_m2 * roof.runoff_coefficient
    return Catch(caught_l, flush_left_mm - flushed_mm)
