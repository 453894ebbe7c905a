"""Volumes of tanks by adding up thin slices of their cross-section: no closed formula for any shape.

Heads are surfaces of revolution, described by their radius at a distance beyond the straight shell. Heights in mm above
the inside floor, areas in mm2, volumes in litres.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from itertools import pairwise
from math import ceil, pi, sqrt

from controller.site.model import (
    ConeBottom,
    Frustum,
    HeadKind,
    HorizontalCylinder,
    Rectangle,
    Stack,
    StrappingTable,
    TankShape,
    VerticalCylinder,
)

Area = Callable[[float], float]
Profile = Callable[[float], float]

# Five-point Gauss-Legendre nodes and weights on 0..1.
_GAUSS = (
    (0.04691007703066800, 0.11846344252809454),
    (0.23076534494715845, 0.23931433524968324),
    (0.5, 0.28444444444444444),
    (0.76923465505284155, 0.23931433524968324),
    (0.95308992296933200, 0.11846344252809454),
)
_MM3_PER_L = 1e6


def _square(value: float) -> float:
    return value * value


def head_profile(
    kind: HeadKind, diameter: float, dish_f: float = 1.0, knuckle_k: float = 0.06
) -> tuple[float, Profile]:
    """Depth of a head, and its radius at each distance beyond the shell, in mm."""
    radius = diameter / 2.0
    if kind == "flat":
        return 0.0, lambda _: 0.0
    if kind == "torispherical":
        return _torispherical_profile(diameter, dish_f, knuckle_k)
    depth = radius if kind == "hemispherical" else diameter / 4.0
    return depth, lambda x: radius * sqrt(max(0.0, 1.0 - _square(x / depth)))


def _torispherical_profile(diameter: float, dish_f: float, knuckle_k: float) -> tuple[float, Profile]:
    radius, dish, knuckle = diameter / 2.0, dish_f * diameter, knuckle_k * diameter
    # The dish's centre, the knuckle's centre and the point where the two arcs meet lie on one line.
    across = radius - knuckle
    along = sqrt(_square(dish - knuckle) - _square(across))
    meeting = knuckle * along / (dish - knuckle)

    def profile(x: float) -> float:
        if x <= meeting:
            return across + sqrt(max(0.0, _square(knuckle) - _square(x)))
        return sqrt(max(0.0, _square(dish) - _square(x + along)))

    return dish - along, profile


def section(shape: TankShape) -> tuple[float, Area]:
    """Inside height of a shape and its horizontal cross-section at each height."""
    match shape:
        case VerticalCylinder():
            return _vertical_section(shape)
        case HorizontalCylinder():
            return _horizontal_section(shape)
        case Rectangle():
            return shape.height_mm, lambda _: shape.length_mm * shape.width_mm
        case ConeBottom():
            cone, radius = shape.cone_height_mm, shape.diameter_mm / 2.0
            return shape.shell_height_mm + cone, lambda h: pi * _square(radius * min(1.0, h / cone))
        case Frustum():
            low, high = shape.bottom_diameter_mm / 2.0, shape.top_diameter_mm / 2.0
            return shape.height_mm, lambda h: pi * _square(low + (high - low) * h / shape.height_mm)
        case Stack():
            return _stack_section(shape)
        case StrappingTable():
            raise ValueError("a strapping table has no cross-section; take its volumes")


def _vertical_section(shape: VerticalCylinder) -> tuple[float, Area]:
    below, bottom = head_profile(shape.bottom_head, shape.diameter_mm)
    above, top = head_profile(shape.top_head, shape.diameter_mm)
    shell_end, full_area = below + shape.shell_height_mm, pi / 4.0 * _square(shape.diameter_mm)

    def area(h: float) -> float:
        if h < below:
            return pi * _square(bottom(below - h))
        return full_area if h <= shell_end else pi * _square(top(h - shell_end))

    return shell_end + above, area


def _horizontal_section(shape: HorizontalCylinder) -> tuple[float, Area]:
    radius = shape.diameter_mm / 2.0
    depth, profile = head_profile(shape.head, shape.diameter_mm, shape.dish_f, shape.knuckle_k)
    # Slices of the head along the axis, finer toward its tip where it closes fast: x = depth (1 - u^2).
    slices = []
    if depth > 0.0:
        for i in range(24):
            for node, weight in _GAUSS:
                u = (i + node) / 24
                slices.append((_square(profile(depth * (1.0 - u * u))), weight / 24 * depth * 2.0 * u))

    def area(h: float) -> float:
        off_axis = _square(h - radius)
        shell = shape.length_mm * 2.0 * sqrt(max(0.0, _square(radius) - off_axis))
        return shell + 4.0 * sum(width * sqrt(r2 - off_axis) for r2, width in slices if r2 > off_axis)

    return shape.diameter_mm, area


def _stack_section(shape: Stack) -> tuple[float, Area]:
    parts = [section(part) for part in shape.parts]
    bases = [0.0]
    for height, _ in parts:
        bases.append(bases[-1] + height)

    def area(h: float) -> float:
        index = min(len(parts) - 1, bisect_right(bases, h) - 1)
        return parts[index][1](h - bases[index])

    return bases[-1], area


def volume_table(shape: TankShape, step_mm: float = 2.0) -> tuple[float, list[float]]:
    """Step in mm (at most `step_mm`) and the volumes in litres at 0, 1, 2 ... steps up to the shape's height."""
    if isinstance(shape, StrappingTable):
        return _regular_strapping(shape, step_mm)
    height, area = section(shape)
    count = max(1, ceil(height / step_mm - 1e-9))
    step = height / count
    volumes = [0.0]
    for i in range(count):
        slice_mm3 = step * sum(weight * area((i + node) * step) for node, weight in _GAUSS)
        volumes.append(volumes[-1] + slice_mm3 / _MM3_PER_L)
    return step, volumes


def _regular_strapping(shape: StrappingTable, step_mm: float) -> tuple[float, list[float]]:
    levels, volumes = list(shape.levels_mm), list(shape.volumes_l)
    if levels[0] > 0.0:
        levels.insert(0, 0.0)
        volumes.insert(0, 0.0)
    height = levels[-1]
    count = max(1, ceil(height / step_mm - 1e-9))
    step = height / count
    return step, [_on_line(levels, volumes, i * step) for i in range(count + 1)]


def _on_line(levels: list[float], volumes: list[float], level: float) -> float:
    for (low, low_l), (high, high_l) in pairwise(zip(levels, volumes, strict=True)):
        if level <= high:
            return low_l + (high_l - low_l) * (level - low) / (high - low)
    return volumes[-1]
