"""What must hold for every tank, whatever its shape and size."""

from __future__ import annotations

import timeit

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.site.geometry import LevelTable, height_mm, level_mm, volume_l
from controller.site.model import (
    ConeBottom,
    Frustum,
    HorizontalCylinder,
    Rectangle,
    Stack,
    StrappingTable,
    TankShape,
    VerticalCylinder,
)

HEADS = st.sampled_from(["flat", "hemispherical", "elliptical", "torispherical"])
WIDTHS = st.floats(200, 4000)
HEIGHTS = st.floats(100, 5000)

vertical = st.builds(VerticalCylinder, WIDTHS, HEIGHTS, HEADS, HEADS)
horizontal = st.builds(HorizontalCylinder, WIDTHS, HEIGHTS, HEADS, st.floats(0.6, 2.0), st.floats(0.01, 0.3))
rectangle = st.builds(Rectangle, WIDTHS, WIDTHS, HEIGHTS)
cone_bottom = st.builds(ConeBottom, WIDTHS, HEIGHTS, st.floats(10, 2000))
frustum = st.builds(Frustum, WIDTHS, WIDTHS, HEIGHTS)
stack = st.builds(
    Stack, st.lists(st.one_of(vertical, rectangle, cone_bottom, frustum), min_size=1, max_size=3).map(tuple)
)


@st.composite
def strapping_tables(draw: st.DrawFn) -> StrappingTable:
    steps = draw(st.lists(st.tuples(st.floats(10, 300), st.floats(1, 500)), min_size=1, max_size=8))
    levels, volumes = [0.0], [0.0]
    for level_step, volume_step in steps:
        levels.append(levels[-1] + level_step)
        volumes.append(volumes[-1] + volume_step)
    return StrappingTable(tuple(levels), tuple(volumes))


shapes = st.one_of(vertical, horizontal, rectangle, cone_bottom, frustum, stack, strapping_tables())
fractions = st.floats(0.0, 1.0)


@given(shapes, fractions, fractions)
def test_more_depth_is_never_less_water(shape: TankShape, one: float, other: float) -> None:
    lower, higher = sorted((one * height_mm(shape), other * height_mm(shape)))
    assert volume_l(shape, lower) <= volume_l(shape, higher) * (1 + 1e-12) + 1e-9


@given(shapes, fractions)
def test_the_level_of_the_volume_at_a_level_is_that_level(shape: TankShape, fraction: float) -> None:
    level = fraction * height_mm(shape)
    assert level_mm(shape, volume_l(shape, level)) == pytest.approx(level, abs=1e-3)  # 1e-6 m


@given(horizontal, fractions)
def test_a_lying_cylinder_is_as_full_as_its_mirror_image_is_empty(shape: HorizontalCylinder, fraction: float) -> None:
    level, top = fraction * shape.diameter_mm, shape.diameter_mm
    both = volume_l(shape, level) + volume_l(shape, top - level)
    assert both == pytest.approx(volume_l(shape, top), rel=1e-9)


@given(horizontal, st.floats(0.0, 1e-9))
def test_a_film_of_water_in_a_lying_cylinder_is_never_less_than_nothing(
    shape: HorizontalCylinder, fraction: float
) -> None:
    assert volume_l(shape, fraction * shape.diameter_mm) >= 0.0


@given(shapes, st.floats(0.001, 1e6))
def test_outside_the_tank_there_is_nothing_and_no_more_than_full(shape: TankShape, beyond: float) -> None:
    top = height_mm(shape)
    full = volume_l(shape, top)
    assert volume_l(shape, -beyond) == 0.0
    assert volume_l(shape, top + beyond) == full
    assert level_mm(shape, -beyond) == 0.0
    assert level_mm(shape, full + beyond) == top


@settings(max_examples=40, deadline=None)
@given(shapes, fractions)
def test_the_table_follows_the_exact_volume(shape: TankShape, fraction: float) -> None:
    """Between two table points the exact volume lies between theirs, and so does the table's."""
    table = LevelTable(shape, 5.0)
    level = fraction * height_mm(shape)
    below, above = volume_l(shape, level - 5.0), volume_l(shape, level + 5.0)
    assert below - 1e-6 <= table.volume_l(level) <= above + 1e-6
    assert table.full_l == pytest.approx(volume_l(shape, height_mm(shape)), rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(shapes, fractions)
def test_the_table_and_its_inverse_agree(shape: TankShape, fraction: float) -> None:
    table = LevelTable(shape, 5.0)
    level = fraction * height_mm(shape)
    assert table.volume_l(table.level_mm(table.volume_l(level))) == pytest.approx(table.volume_l(level), abs=1e-6)


@given(st.floats(-1e6, 1e6))
def test_a_table_is_clamped_like_the_tank(level: float) -> None:
    table = LevelTable(HorizontalCylinder(1150, 1480, "elliptical"))
    assert 0.0 <= table.volume_l(level) <= table.full_l
    assert 0.0 <= table.level_mm(level) <= table.height_mm
    assert table.area_m2(level) > 0.0


def test_the_water_surface_of_an_upright_tank_is_its_cross_section() -> None:
    table = LevelTable(Rectangle(1000, 800, 1200))
    assert table.area_m2(0.0) == pytest.approx(0.8)
    assert table.area_m2(600.0) == pytest.approx(0.8)
    assert table.area_m2(5000.0) == pytest.approx(0.8)


def test_a_two_millimetre_table_of_a_garden_tank_is_within_a_twentieth_of_a_litre() -> None:
    shape = HorizontalCylinder(1150, 1480, "elliptical")
    table = LevelTable(shape)
    worst = max(abs(table.volume_l(x / 7) - volume_l(shape, x / 7)) for x in range(1150 * 7 + 1))
    assert 0.0 < worst < 0.05


def test_reading_the_table_takes_microseconds_even_on_a_busy_machine() -> None:
    table = LevelTable(HorizontalCylinder(1150, 1480, "elliptical"))
    for read, argument in ((table.volume_l, 533.3), (table.level_mm, 533.3), (table.area_m2, 533.3)):
        fastest = min(timeit.repeat(lambda r=read, a=argument: r(a), number=2000, repeat=5)) / 2000
        assert fastest < 10e-6
