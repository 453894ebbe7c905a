"""Reference evapotranspiration of a usual year, and what it says of the temperature formula at this place.

The temperature formula knows neither wind nor humidity. Where somebody has worked out a place's monthly means with them
(a weather service, or a climate table), the formula fed with the month's mean temperatures can be compared with those
means, and its days corrected by what it lacks. FAO-56, chapter 3, asks for such a local calibration (from memory).
"""

from __future__ import annotations

from controller.irrigate.likely_weather import MONTH_DAYS
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.model import MonthlyNormals, Place

LEAST_CORRECTION, MOST_CORRECTION = 0.7, 1.3
"""More than this is rather a slip in the normals than a climate (own choice)."""
LEAST_FORMULA_MM = 0.3
"""In months with less than this by the formula a ratio says nothing (own choice)."""


def formula_et0_mm(place: Place, normals: MonthlyNormals) -> tuple[float, ...]:
    """Monthly means of the daily value by FAO-56 equation 52, from each month's mean extremes at its middle."""
    return tuple(
        hargreaves_mm(normals.tmin_c[m], normals.tmax_c[m], place.latitude_deg, 15 + sum(MONTH_DAYS[:m]))
        for m in range(12)
    )


def mean_et0_mm(place: Place, normals: MonthlyNormals) -> tuple[float, ...]:
    """Monthly means of the daily value, mm: those declared, else the temperature formula's."""
    return normals.et0_mm or formula_et0_mm(place, normals)


def local_correction(place: Place, normals: MonthlyNormals) -> tuple[float, ...]:
    """By month: what the temperature formula's days are multiplied with; all 1 when the normals declare no values."""
    if normals.et0_mm is None:
        return (1.0,) * 12
    return tuple(
        min(MOST_CORRECTION, max(LEAST_CORRECTION, declared / formula)) if formula >= LEAST_FORMULA_MM else 1.0
        for declared, formula in zip(normals.et0_mm, formula_et0_mm(place, normals), strict=True)
    )
