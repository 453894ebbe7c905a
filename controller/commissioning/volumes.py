"""The tank's shape against known volumes: buckets or a meter, in or out, at two levels or more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.talk import Part, Script, ask, look, quantity, say
from controller.site.geometry import LevelTable, height_mm
from controller.site.model import (
    ConeBottom,
    Frustum,
    HorizontalCylinder,
    Rectangle,
    StrappingTable,
    Tank,
    TankShape,
    VerticalCylinder,
)
from controller.site.units import VOLUME

LOOK_S = 30.0
LEVEL_SD_MM = 1.0
KNOWN_PART = 0.01
"""How well a bucket on a scale or a domestic meter is known (own choice)."""
AGREES_PART = 0.02
REFUSE_PART = 0.3
SURE_SDS = 2.0
UNEVEN_PART = 0.03
LEAST_POINTS_FOR_TABLE = 4
MOST_L = 20_000.0
MOVED_MM = 5.0

Point = tuple[float, float]
"""Level above the lowest point inside, mm, and litres put in since the first point (taken out: negative)."""


def judge_volumes(index: int, tank: Tank, points: Sequence[Point]) -> Outcome:
    """Compare the declared shape with known volumes; proposes a measure, or a strapping table where one is not enough.

    The proposal for a single measure scales what is least well known of that shape: the area.
    """
    points = sorted(points)
    table = LevelTable(tank.shape)
    measured = tuple(f"{tank.name}: {litres:+.1f} L at {level:.0f} mm" for level, litres in points)
    if len(points) < 2:
        return Outcome(measured, waiting="two levels with a known volume between them are needed")
    known_l = points[-1][1] - points[0][1]
    by_shape_l = table.volume_l(points[-1][0]) - table.volume_l(points[0][0])
    if known_l <= 0.0 or by_shape_l <= 0.0:
        text = f"{tank.name}: the level rose although water was taken out, or fell although it was put in"
        cure = "was something else running in or out? Begin this step afresh"
        return Outcome(measured, (Fault("volume-sense", text, cure),))
    ratio = known_l / by_shape_l
    level_sd_l = math.sqrt(2.0) * LEVEL_SD_MM * table.area_m2((points[0][0] + points[-1][0]) / 2.0)
    sd = math.hypot(KNOWN_PART, level_sd_l / by_shape_l)
    measured += (f"{tank.name}: {known_l:.1f} L put in, {by_shape_l:.1f} L by its shape, ± {100 * sd:.1f} %",)
    if sd > AGREES_PART:
        return Outcome(measured, waiting="the levels are too near to each other; more water is needed to tell")
    uneven = len(points) >= LEAST_POINTS_FOR_TABLE and _unevenness(table, points, ratio) > UNEVEN_PART
    if abs(ratio - 1.0) <= max(AGREES_PART, SURE_SDS * sd) and not uneven:
        return Outcome(measured)
    text = f"{tank.name} holds {100.0 * (ratio - 1.0):+.1f} % of what its shape says between these levels"
    if abs(ratio - 1.0) > REFUSE_PART:
        cure = f"more than {100 * REFUSE_PART:.0f} % off is another shape or another tank: measure it anew inside"
        return Outcome(measured, (Fault("shape-refused", text, cure),))
    if uneven:
        text += ", unevenly"
    changes = _table_change(index, tank, points, ratio) if uneven else _scaled(index, tank, points, ratio)
    fault = Fault("shape-off", text, "measure it with the tape; if that agrees take the file below", by_change=True)
    return Outcome(measured, (fault,), changes)


def _unevenness(table: LevelTable, points: Sequence[Point], ratio: float) -> float:
    """The largest misfit of a scaled shape at any point, as part of the whole known volume."""
    whole_l = points[-1][1] - points[0][1]
    first_l = table.volume_l(points[0][0])
    return max(
        abs(litres - points[0][1] - ratio * (table.volume_l(level) - first_l)) / whole_l for level, litres in points
    )


def _scaled(index: int, tank: Tank, points: Sequence[Point], ratio: float) -> tuple[SiteChange, ...]:
    """The measure whose change makes the area right; for a shape of many measures a strapping table."""
    shape, root = tank.shape, math.sqrt(ratio)
    measures: dict[str, tuple[float, float]]
    if isinstance(shape, VerticalCylinder | ConeBottom):
        measures = {"diameter": (shape.diameter_mm, root)}
    elif isinstance(shape, HorizontalCylinder):
        measures = {"length": (shape.length_mm, _length_factor(tank, shape, ratio))}
    elif isinstance(shape, Rectangle):
        measures = {"length": (shape.length_mm, root), "width": (shape.width_mm, root)}
    elif isinstance(shape, Frustum):
        measures = {"bottom_diameter": (shape.bottom_diameter_mm, root), "top_diameter": (shape.top_diameter_mm, root)}
    else:
        return _table_change(index, tank, points, ratio)
    return tuple(
        SiteChange(("tank", index, "shape", key), f"{mm:g} mm", f"{mm * factor:.0f} mm")
        for key, (mm, factor) in measures.items()
    )


def _length_factor(tank: Tank, shape: HorizontalCylinder, ratio: float) -> float:
    """How much longer the straight part must be, so that it and the heads together hold `ratio` times as much."""
    level = tank.overflow_mm
    whole = LevelTable(shape).volume_l(level)
    straight = whole - LevelTable(replace(shape, length_mm=1.0)).volume_l(level)
    return 1.0 + (ratio - 1.0) * whole / straight


def _table_change(index: int, tank: Tank, points: Sequence[Point], ratio: float) -> tuple[SiteChange, ...]:
    """A strapping table: what was measured, and below and above it the declared shape, scaled."""
    table = LevelTable(tank.shape)
    first_level, first_l = points[0]
    base_l = ratio * table.volume_l(first_level)
    top_mm, top_l = _top(tank.shape), base_l + points[-1][1] - first_l
    rows: list[Point] = [(0.0, 0.0)]
    rows += [(first_level * part, ratio * table.volume_l(first_level * part)) for part in (0.25, 0.5, 0.75)]
    rows += [(level, base_l + litres - first_l) for level, litres in points]
    last_level = points[-1][0]
    for part in (0.25, 0.5, 0.75, 1.0):
        level = last_level + part * (top_mm - last_level)
        rows.append((level, top_l + ratio * (table.volume_l(level) - table.volume_l(last_level))))
    rising = [rows[0]]
    for level, litres in rows[1:]:
        if level > rising[-1][0] + 1.0 and litres > rising[-1][1] + 0.1:
            rising.append((level, litres))
    written: dict[str, Any] = {
        "kind": "strapping table",
        "points": [{"level": f"{level:.0f} mm", "volume": f"{litres:.1f} L"} for level, litres in rising],
    }
    return (SiteChange(("tank", index, "shape"), {"kind": "the declared shape"}, written),)


def _top(shape: TankShape) -> float:
    return shape.levels_mm[-1] if isinstance(shape, StrappingTable) else height_mm(shape)


def volumes_script(index: int, tank: Tank, kept: Sequence[Point]) -> Script:
    """Measure a level, have a known volume put in or taken out, measure again; as often as the person likes."""
    yield from say("Known volumes: from a bucket on a scale, or by a meter. Nothing else may run in or out meanwhile.")
    level = yield from _level(tank)
    points = list(kept)
    if points and abs(level - points[-1][0]) > MOVED_MM:
        yield from say(f"  The water moved by {level - points[-1][0]:+.0f} mm since the last point: it begins afresh.")
        points = []
    if not points:
        points.append((level, 0.0))
    while True:
        word = (yield from ask("  in, out, or done: ")).lower()
        if word == "done":
            keep = {"points": [list(point) for point in points]}
            return replace(judge_volumes(index, tank, points), keep=keep)
        if word not in ("in", "out"):
            yield from say(f"  {word!r}: in, out or done is needed")
            continue
        litres = yield from quantity(f"  How much went {word}", VOLUME, 0.5, MOST_L, "200 L")
        level = yield from _level(tank)
        points.append((level, points[-1][1] + (litres if word == "in" else -litres)))
        yield from say(f"  Level {level:.0f} mm.")


def _level(tank: Tank) -> Part[float]:
    while True:
        yield from ask("  Enter when the water is calm: ")
        found = reading.echo_distance_mm((yield from look(LOOK_S)), tank.sensor_channel)
        if found is not None:
            return tank.sensor_height_mm - found.value
        yield from say("  The sensor hears no water. Look at it, then try again.")
