"""Whether the figures given for one tank can be true together. Each complaint is a key below the tank and a text."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from controller.site.geometry import height_mm, volume_l
from controller.site.model import Tank
from controller.site.problems import Path
from controller.site.schema import (
    ConeBottomTable,
    HorizontalCylinderTable,
    Shape,
    StackTable,
    StrappingTableTable,
    VerticalCylinderTable,
)
from controller.site.show import Show

Complaint = tuple[Path, str]
CAPACITY_TOLERANCE = 0.20
"""Stated capacity against geometry: makers round, and count to the brim or to the overflow."""
LONGEST_RISER_MM = 1000.0
"""Common practice, no source: a ranger sits on a short riser, a longer one echoes from its own wall."""


def shape_complaints(table: Shape) -> Iterator[Complaint]:
    """What makes a shape impossible; volumes are worked out only for shapes without complaints."""
    match table:
        case StrappingTableTable():
            yield from _strapping_complaints(table)
        case StackTable():
            yield from _stack_complaints(table)
        case HorizontalCylinderTable() if table.head != "torispherical":
            for key in sorted({"dish_f", "knuckle_k"} & table.model_fields_set):
                yield ("shape", key), f'belongs to head = "torispherical"; this head is "{table.head}"'


def _stack_complaints(stack: StackTable) -> Iterator[Complaint]:
    """A stack is hollow throughout: heads and cones only where it ends."""
    last = len(stack.parts) - 1
    for i, part in enumerate(stack.parts):
        if isinstance(part, VerticalCylinderTable) and part.bottom_head != "flat" and i > 0:
            yield ("shape", "parts", i, "bottom_head"), "only the lowest part of a stack has a bottom head"
        if isinstance(part, VerticalCylinderTable) and part.top_head != "flat" and i < last:
            yield ("shape", "parts", i, "top_head"), "only the highest part of a stack has a top head"
        if isinstance(part, ConeBottomTable) and i > 0:
            yield ("shape", "parts", i, "kind"), "only the lowest part of a stack stands on a cone"


def _strapping_complaints(table: StrappingTableTable) -> Iterator[Complaint]:
    points = [(point.level, point.volume) for point in table.points]
    if points[0] != (0.0, 0.0):
        yield ("shape", "points", 0), 'the first point must be the empty tank: level = "0 mm", volume = "0 L"'
    for i, (below, above) in enumerate(pairwise(points), start=1):
        if above[0] <= below[0]:
            yield ("shape", "points", i, "level"), "levels must rise from point to point"
        if above[1] <= below[1]:
            yield ("shape", "points", i, "volume"), "volumes must rise from point to point"


def tank_complaints(tank: Tank, show: Show) -> Iterator[Complaint]:
    """Heights and volumes that contradict each other."""
    top = height_mm(tank.shape)
    if tank.overflow_mm > top + 0.5:
        yield ("overflow",), f"above the top of the tank, which the shape puts at {show.depth(top)}"
        return
    yield from _height_complaints(tank, top, show)
    to_overflow = volume_l(tank.shape, tank.overflow_mm)
    if tank.reserve_l >= to_overflow:
        yield (
            ("reserve",),
            f"nothing would be left to water with: the tank holds {show.volume(to_overflow)} up to its overflow",
        )
    yield from _capacity_complaints(tank, to_overflow, volume_l(tank.shape, top), show)


def _height_complaints(tank: Tank, top: float, show: Show) -> Iterator[Complaint]:
    if tank.suction_mm >= tank.overflow_mm:
        yield ("suction",), f"the pump would draw from above the overflow at {show.depth(tank.overflow_mm)}"
    if tank.sensor_height_mm <= tank.overflow_mm:
        yield (
            ("sensor_height",),
            f"the level sensor would be under water: its face must be above the overflow at "
            f"{show.depth(tank.overflow_mm)}, better by more than the blind zone of {show.depth(tank.blind_zone_mm)}",
        )
        return
    if tank.sensor_height_mm > top + LONGEST_RISER_MM:
        yield (
            ("sensor_height",),
            f"more than {show.depth(LONGEST_RISER_MM)} above the top of the tank at {show.depth(top)}; it is measured "
            "from the lowest point inside the tank",
        )
    highest = tank.sensor_height_mm - tank.blind_zone_mm
    if highest <= tank.suction_mm or highest < tank.overflow_mm / 2.0:
        yield (
            ("blind_zone",),
            f"the blind zone swallows the tank: levels above {show.depth(max(0.0, highest))} could not be measured; "
            "mount the sensor higher (on a riser) or check the blind zone",
        )


def _capacity_complaints(tank: Tank, to_overflow: float, full: float, show: Show) -> Iterator[Complaint]:
    stated = tank.stated_capacity_l
    if stated is None:
        return
    lowest, highest = to_overflow * (1.0 - CAPACITY_TOLERANCE), full * (1.0 + CAPACITY_TOLERANCE)
    if not lowest <= stated <= highest:
        yield (
            ("stated_capacity",),
            f"does not fit the shape, which holds {show.volume(to_overflow)} up to the overflow and "
            f"{show.volume(full)} when full; they may differ by 20 %. Measure the tank again inside, check the units, "
            'or enter its own figures as kind = "strapping table"',
        )
