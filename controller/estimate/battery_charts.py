"""Rested voltage against charge, and how far published charts disagree about it.

A chart here is a drop below the rested voltage of a full battery, because that end is seen again and again on a charger
while the rest of the curve is hearsay. Charts of lead-acid differ by up to 0.24 V at half charge; of LiFePO4 two web
charts give 13.2 V at 40 % and at 70 %. Two shapes with unknown weights, each volts of departure from the chart, let a
filter find the battery's own curve: one for the depth of the whole curve, one for its bend.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from typing import NamedTuple

from controller.site.model import Battery, Chemistry

RestTable = tuple[tuple[float, float], ...]
"""(rested volts, state of charge %) pairs, both strictly rising."""

REST_TABLES: dict[Chemistry, RestTable] = {
    # 25 to 75 %: means of six published lead-acid charts, as drops below full (two vehicle-battery tables, a
    # magazine's, a mailing list's rule, a charge-controller manual's, a web chart's); the ends from memory.
    "flooded": (
        (11.35, 0.0),
        (11.68, 10.0),
        (11.89, 20.0),
        (11.97, 25.0),
        (12.20, 50.0),
        (12.42, 75.0),
        (12.66, 100.0),
    ),
    # The flooded table raised to a full rest of 12.85 V: from memory, makers' own tables differ.
    "agm": ((11.54, 0.0), (11.87, 10.0), (12.08, 20.0), (12.16, 25.0), (12.39, 50.0), (12.61, 75.0), (12.85, 100.0)),
    # Two web charts that contradict one another outright, the middle between them; full rest 13.35 V from memory.
    "lifepo4": (
        (10.0, 0.0),
        (12.0, 10.0),
        (12.65, 20.0),
        (12.9, 30.0),
        (13.05, 40.0),
        (13.1, 50.0),
        (13.15, 60.0),
        (13.22, 70.0),
        (13.28, 85.0),
        (13.38, 100.0),
    ),
}

_STEPS = 40


class Chart(NamedTuple):
    """A curve on an even grid of 41 charges from empty to full, and what is unknown about it.

    drop_v        rested voltage less that of a full battery
    depth_v       first shape: how a unit of the first weight shifts the curve
    bend_v        second shape, nothing at both ends
    full_v        rested voltage of a full battery
    full_sd_v     its spread between makes and the meter's own error (0.3 % of a divider of 1 % parts)
    depth_sd, bend_sd   spread of the two weights among published charts
    """

    drop_v: tuple[float, ...]
    depth_v: tuple[float, ...]
    bend_v: tuple[float, ...]
    full_v: float
    full_sd_v: float
    depth_sd: float
    bend_sd: float


def rest_table(battery: Battery) -> RestTable:
    """The owner's own table, or the one for the chemistry."""
    return battery.rest_table or REST_TABLES[battery.chemistry]


def rest_charge_percent(table: RestTable, rested_v: float) -> float:
    """State of charge, %, for a rested voltage: straight lines between the table's points, its ends beyond them."""
    at = bisect_right(table, (rested_v, 101.0))
    if at == 0:
        return table[0][1]
    if at == len(table):
        return table[-1][1]
    low_v, low_percent = table[at - 1]
    high_v, high_percent = table[at]
    return low_percent + (high_percent - low_percent) * (rested_v - low_v) / (high_v - low_v)


def rest_voltage(table: RestTable, charge_percent: float) -> float:
    """Rested voltage for a state of charge, the other way round."""
    for (low_v, low_percent), (high_v, high_percent) in pairwise(table):
        if charge_percent <= high_percent:
            share = max(0.0, charge_percent - low_percent) / (high_percent - low_percent)
            return low_v + share * (high_v - low_v)
    return table[-1][0]


def chart_of(battery: Battery) -> Chart:
    """The battery's chart. An owner's own table is doubted little, a general one as much as published charts differ."""
    table = rest_table(battery)
    flat = battery.chemistry == "lifepo4"
    charges = [step / _STEPS for step in range(_STEPS + 1)]
    full_v = rest_voltage(table, 100.0)
    drop_v = tuple(rest_voltage(table, 100.0 * charge) - full_v for charge in charges)
    depth_v = tuple(_flat_depth(charge) if flat else 1.0 - charge for charge in charges)
    bend_v = tuple(_hump(charge, 0.75, 0.25) if flat else 4.0 * charge * (1.0 - charge) for charge in charges)
    if battery.rest_table is not None:
        return Chart(drop_v, depth_v, bend_v, full_v, 0.04, 0.03, 0.01)
    if flat:
        return Chart(drop_v, depth_v, bend_v, full_v, 0.045, 0.10, 0.03)
    return Chart(drop_v, depth_v, bend_v, full_v, 0.07, 0.20, 0.03)


def _flat_depth(charge: float) -> float:
    """LiFePO4's charts part between full and 40 %, and meet again where the voltage falls steeply."""
    return _hump(charge, 0.4, 0.6) if charge >= 0.4 else _hump(charge, 0.4, 0.35)


def _hump(charge: float, top: float, reach: float) -> float:
    """One at the top, falling to nothing within the reach on either side, on straight lines."""
    return max(0.0, 1.0 - abs(charge - top) / reach)
