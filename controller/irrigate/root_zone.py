"""The soil water balance of a root zone, FAO-56 chapter 8. Depletion is what is missing from field capacity, in mm."""

from __future__ import annotations

from typing import Literal, NamedTuple

LOWEST_FRACTION = 0.1
HIGHEST_FRACTION = 0.8
NEGLIGIBLE_RAIN_FRACTION = 0.2

StepOrder = Literal["water-first", "end-of-day"]
"""When a day's rain and irrigation count: before its evapotranspiration, or together with it.

"water-first" is what the table of Example 38 does: water arrives at the start of the day, what does not fit drains, and
only then the crop drinks. "end-of-day" is equations 85 and 88 as the text writes them: the day's evapotranspiration
makes room for the day's water. They differ only on days with a surplus.
"""


def total_available_mm(field_capacity: float, wilting_point: float, root_depth_m: float) -> float:
    """TAW, equation 82; water contents in m3/m3."""
    return 1000.0 * (field_capacity - wilting_point) * root_depth_m


def readily_available_mm(total_mm: float, fraction: float) -> float:
    """RAW, equation 83."""
    return fraction * total_mm


def adjusted_fraction(table_fraction: float, etc_mm: float) -> float:
    """p for the day's crop evapotranspiration, page 162: p + 0.04 (5 - ETc), held between 0.1 and 0.8."""
    return min(HIGHEST_FRACTION, max(LOWEST_FRACTION, table_fraction + 0.04 * (5.0 - etc_mm)))


def stress_coefficient(depletion_mm: float, total_mm: float, fraction: float) -> float:
    """Ks, equation 84: 1 while water is readily available, falling to 0 at the wilting point."""
    readily_mm = fraction * total_mm
    if depletion_mm <= readily_mm:
        return 1.0
    if depletion_mm >= total_mm:
        return 0.0
    return (total_mm - depletion_mm) / (total_mm - readily_mm)


def effective_rain_mm(rain_mm: float, et0_mm: float, rain_fed: bool) -> float:
    """Rain that counts for a zone: none under cover, and none below 0.2 ET0, which only wets the leaves (page 170)."""
    if not rain_fed or rain_mm < NEGLIGIBLE_RAIN_FRACTION * et0_mm:
        return 0.0
    return max(0.0, rain_mm)


class DepletionStep(NamedTuple):
    """Result of one step: the depletion after it and what drained below the roots, mm."""

    depletion_mm: float
    deep_percolation_mm: float


def advance_depletion(
    depletion_mm: float,
    total_mm: float,
    rain_mm: float,
    irrigation_mm: float,
    etc_mm: float,
    order: StepOrder = "water-first",
) -> DepletionStep:
    """One step of the root-zone balance, equations 85 and 88, with `etc_mm` already reduced by stress.

    The depletion stays between 0 and the total available water: a plant cannot drink what is not there.
    """
    water_mm = rain_mm + irrigation_mm
    if order == "water-first":
        percolation_mm = max(0.0, water_mm - depletion_mm)
        after_mm = max(0.0, depletion_mm - water_mm) + etc_mm
    else:
        percolation_mm = max(0.0, water_mm - etc_mm - depletion_mm)
        after_mm = depletion_mm - water_mm + etc_mm + percolation_mm
    return DepletionStep(min(total_mm, max(0.0, after_mm)), percolation_mm)
