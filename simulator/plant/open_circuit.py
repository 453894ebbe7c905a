"""Voltage of a rested battery against its charge, drawn for each battery from what charts say.

Published charts for 12 V lead-acid batteries differ by up to 0.24 V at half charge, so no chart is the battery. Each
battery here is a mixture of the charts, every mixture being equally likely: it lies between them and is none of them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from random import Random

from controller.site.model import Battery

Curve = tuple[tuple[float, float], ...]
"""(part of full charge, rested volts), both rising, from 0 to 1."""

_PARTS = (0.0, 0.1, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9, 1.0)
# Rested 12 V flooded lead-acid, as five sources print it; where one has no value at 0 % its lowest slope goes on.
_FLOODED: tuple[Curve, ...] = (
    # A radio-equipment mailing list's rule.
    ((0.0, 11.6), (0.25, 12.0), (0.5, 12.2), (0.75, 12.4), (1.0, 12.6)),
    # A personal technical page on vehicle batteries, table "Charge State": lower and upper values.
    ((0.0, 11.8), (0.25, 12.0), (0.5, 12.2), (0.75, 12.4), (1.0, 12.6)),
    ((0.0, 11.88), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.68)),
    # A motor-home magazine's answer to a reader.
    ((0.0, 12.0), (0.25, 12.15), (0.5, 12.3), (0.75, 12.45), (1.0, 12.66)),
    # A charge controller's manual; really taken at a light load, hence the lowest.
    (
        *((0.0, 10.5), (0.1, 11.31), (0.2, 11.58), (0.3, 11.75), (0.4, 11.9), (0.5, 12.06), (0.6, 12.2)),
        *((0.7, 12.32), (0.8, 12.42), (0.9, 12.5), (1.0, 12.7)),
    ),
    # A web chart, straight from 11.7 to 12.7 V.
    ((0.0, 11.7), (1.0, 12.7)),
)
# Absorbed-glass-mat cells hold stronger acid: 12.8 to 13.0 V when full (from memory), and little more when empty.
_AGM_ABOVE_FULL_V, _AGM_ABOVE_EMPTY_PART = (0.12, 0.30), 0.2
# Two web charts for four LiFePO4 cells disagree: 13.2 V is 40 % or 70 %, 13.0 V is 30 % or 50 %. Both print the
# charging voltage as that of 100 %; a full one rests at 13.3 to 13.4 V (from memory).
_LIFEPO4: tuple[Curve, ...] = (
    (
        *((0.0, 10.0), (0.1, 12.0), (0.2, 12.8), (0.3, 13.0), (0.4, 13.2), (0.5, 13.23), (0.6, 13.27), (0.7, 13.3)),
        *((0.9, 13.34), (1.0, 13.4)),
    ),
    ((0.0, 10.0), (0.1, 12.0), (0.2, 12.7), (0.3, 12.85), (0.5, 13.0), (0.7, 13.2), (0.9, 13.28), (1.0, 13.33)),
)
_LIFEPO4_PARTS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
_OWN_SHIFT_V, _OWN_STRETCH = 0.015, 0.02


def interpolate(curve: Curve, part: float) -> float:
    """Straight between a curve's points, flat beyond its ends."""
    above = bisect_right(curve, (part, float("inf")))
    if above == 0:
        return curve[0][1]
    if above == len(curve):
        return curve[-1][1]
    (low, low_v), (high, high_v) = curve[above - 1], curve[above]
    return low_v + (high_v - low_v) * ((part - low) / (high - low))


def draw_curve(battery: Battery, rng: Random) -> Curve:
    """One battery's true rested curve: near the owner's table when there is one, else between the charts."""
    if battery.rest_table is not None:
        return _near_owners(battery.rest_table, rng)
    if battery.chemistry == "lifepo4":
        return _mixture(_LIFEPO4, _LIFEPO4_PARTS, rng)
    curve = _mixture(_FLOODED, _PARTS, rng)
    if battery.chemistry == "flooded":
        return curve
    above_v, empty_part = rng.uniform(*_AGM_ABOVE_FULL_V), _AGM_ABOVE_EMPTY_PART
    return tuple((part, volts + above_v * (empty_part + (1.0 - empty_part) * part)) for part, volts in curve)


def _mixture(charts: Sequence[Curve], parts: Sequence[float], rng: Random) -> Curve:
    # Exponential weights, normed, are uniform over all mixtures.
    weights = [rng.expovariate(1.0) for _ in charts]
    total = sum(weights)

    def volts(part: float) -> float:
        return sum(w * interpolate(chart, part) for w, chart in zip(weights, charts, strict=True)) / total

    return tuple((part, volts(part)) for part in parts)


def _near_owners(table: Sequence[tuple[float, float]], rng: Random) -> Curve:
    """An owner measured with a meter and patience: a little off, and the battery has changed a little since."""
    shift_v, stretch = rng.gauss(0.0, _OWN_SHIFT_V), 1.0 + rng.gauss(0.0, _OWN_STRETCH)
    middle_v = table[len(table) // 2][0]
    return tuple((percent / 100.0, middle_v + (volts - middle_v) * stretch + shift_v) for volts, percent in table)
