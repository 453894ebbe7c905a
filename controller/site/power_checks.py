"""Whether the figures given for the battery can be true together."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from controller.site.model import Battery
from controller.site.problems import Path

Complaint = tuple[Path, str]


def battery_complaints(battery: Battery) -> Iterator[Complaint]:
    """Voltages out of order (floor < disconnect < resume < maximum) or a rest table that does not rise."""
    order = (
        ("floor", battery.floor_v),
        ("disconnect", battery.disconnect_v),
        ("resume", battery.resume_v),
        ("maximum", battery.maximum_v),
    )
    for (lower_key, lower), (key, voltage) in pairwise(order):
        if voltage <= lower:
            yield (
                (key,),
                f"must be above {lower_key} ({lower:g} V), or the pump would chatter: "
                "floor < disconnect < resume < maximum",
            )
    table = battery.rest_table or ()
    for i, (below, above) in enumerate(pairwise(table), start=1):
        if above[0] <= below[0]:
            yield ("rest_table", i, "voltage"), "voltages must rise from point to point"
        if above[1] <= below[1]:
            yield ("rest_table", i, "charge"), "charges must rise from point to point"
