"""Tank volumes against published tables and against the library `fluids`.

Sources of the files in tests/reference/data:
- tank_volume_depth.csv: seven tanks at fifteen depths, computed with fluids 1.3.1 (`geometry.TANK`) and, side by side,
  with closed forms; the two agree to 8 decimals.
- tank_reference_examples_inches_gallons.csv: the examples of the text "Calculating Tank Volume" (tanks of 108 x 156 in
  and 132 in), as the tests of fluids 1.3.1 carry them.
- horizontal_cylinder_fraction.csv: the part of a lying cylinder's volume below h/D, computed from the circular segment.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import fluids.geometry as fluids_geometry
import pytest

from controller.site.geometry import LevelTable, height_mm, level_mm, volume_l
from controller.site.heads import (
    lying_ellipsoid_volume,
    lying_profile_volume,
    lying_torisphere_volume,
    torisphere,
    upright_ellipsoid_volume,
    upright_torisphere_volume,
)
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
from controller.site.units import INCH_MM, LENGTH, US_GALLON_L, VOLUME, parse_quantity

DATA = Path(__file__).parent / "data"

TABLED: dict[str, TankShape] = {
    "vert_cyl_flat_D1.2_L1.7": VerticalCylinder(1200, 1700),
    "horiz_cyl_flat_D1.0_L2.4": HorizontalCylinder(1000, 2400),
    "horiz_cyl_hemi_D1.0_L2.4": HorizontalCylinder(1000, 2400, "hemispherical"),
    "horiz_cyl_2to1ellip_D1.0_L2.4": HorizontalCylinder(1000, 2400, "elliptical"),
    "horiz_cyl_torisph_f1_k0.06_D1.0_L2.4": HorizontalCylinder(1000, 2400, "torispherical"),
    "vert_cyl_cone_bottom_D1.2_L1.5_a0.4": ConeBottom(1200, 1500, 400),
    "vert_cyl_2to1ellip_bottom_D1.2_L1.5": VerticalCylinder(1200, 1500, "elliptical"),
}


def rows(file_name: str) -> list[dict[str, str]]:
    with (DATA / file_name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_tabled_tank_is_compared() -> None:
    assert {row["case"] for row in rows("tank_volume_depth.csv")} == set(TABLED)


@pytest.mark.parametrize("row", rows("tank_volume_depth.csv"), ids=lambda row: f"{row['case']} at {row['depth_m']}")
def test_seven_tanks_at_fifteen_depths(row: dict[str, str]) -> None:
    depth_mm = float(row["depth_m"]) * 1000.0
    shape = TABLED[row["case"]]
    assert volume_l(shape, depth_mm) / 1000.0 == pytest.approx(float(row["volume_m3_library"]), abs=1e-6)
    assert volume_l(shape, depth_mm) / US_GALLON_L == pytest.approx(float(row["volume_us_gal"]), abs=1e-3)


# --- the examples in inches and gallons ------------------------------------------------------------------------------
#
# Their heads are shallower or deeper than those a site may declare, so the head formulas are compared, which take any
# depth: a spherical dish is a torispherical one without knuckle, a cone is a profile of its own. Lengths in inches.

GALLON_IN3 = 231.0


def spherical_dish_f(diameter: float, depth: float) -> float:
    radius = diameter / 2.0
    return (depth * depth + radius * radius) / (2.0 * depth) / diameter


def lying_head(case: str, diameter: float, level: float) -> float:
    if "conical" in case:
        return lying_profile_volume(
            lambda rho: 42.0 * (1.0 - 2.0 * rho / diameter), 0.0, diameter / 2.0, diameter / 2.0, level
        )
    if "ellipsoidal" in case:
        return lying_ellipsoid_volume(diameter, 42.0, level)
    if "spherical heads a=42" in case:
        return lying_torisphere_volume(torisphere(diameter, spherical_dish_f(diameter, 42.0), 0.0), level)
    return lying_torisphere_volume(torisphere(diameter, 1.0, 0.06), level)


def upright_tank(case: str, diameter: float, level: float) -> float:
    if "conical" in case:
        return volume_l(ConeBottom(diameter, 200.0, 33.0), level) * 1e6
    if "torispherical" in case:
        head, below = torisphere(diameter, 1.0, 0.06), upright_torisphere_volume
    elif "ellipsoidal" in case:
        shell = math.pi * diameter * diameter / 4.0 * max(0.0, level - 33.0)
        return upright_ellipsoid_volume(diameter, 33.0, min(level, 33.0)) + shell
    else:
        head, below = torisphere(diameter, spherical_dish_f(diameter, 33.0), 0.0), upright_torisphere_volume
    return below(head, min(level, head.depth)) + math.pi * diameter * diameter / 4.0 * max(0.0, level - head.depth)


@pytest.mark.parametrize(
    "row", rows("tank_reference_examples_inches_gallons.csv"), ids=lambda row: f"{row['case']} at {row['depth_in']}"
)
def test_the_worked_examples_in_inches_and_gallons(row: dict[str, str]) -> None:
    diameter, level, case = float(row["D_in"]), float(row["depth_in"]), row["case"]
    if case.startswith("horizontal"):
        shell = volume_l(HorizontalCylinder(diameter, float(row["L_in"])), level) * 1e6
        volume = shell + 2.0 * lying_head(case, diameter, level)
    else:
        volume = upright_tank(case, diameter, level)
    assert volume / GALLON_IN3 == pytest.approx(float(row["volume_us_gal"]), abs=2e-4)


# --- other tabled values ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("horizontal_cylinder_fraction.csv"), ids=lambda row: row["h_over_D"])
def test_the_filled_fraction_of_a_lying_cylinder(row: dict[str, str]) -> None:
    shape = HorizontalCylinder(1000, 1000)
    fraction = volume_l(shape, float(row["h_over_D"]) * 1000.0) / volume_l(shape, 1000.0)
    assert fraction == pytest.approx(float(row["V_over_Vtotal"]), abs=1e-6)


@pytest.mark.parametrize(("depth_mm", "volume"), [(300, 247.597), (600, 519.934), (900, 818.189), (1200, 1143.540)])
def test_a_frustum_agrees_with_the_numerical_integral(depth_mm: float, volume: float) -> None:
    """Radii 0.5 and 0.6 m, height 1.2 m: scipy 1.17.1 `integrate.quad` over circular slices."""
    assert volume_l(Frustum(1000, 1200, 1200), depth_mm) == pytest.approx(volume, abs=1e-3)


def test_a_48_inch_tank_holds_500_gallons_at_63_8_inches() -> None:
    """pi/924 x D^2 gallons per inch, D in inches: 7.83358 for 48 in; the trade's rule of thumb is 0.0034 D^2."""
    shape = VerticalCylinder(48 * INCH_MM, 70 * INCH_MM)
    assert volume_l(shape, INCH_MM) / US_GALLON_L == pytest.approx(7.83358, abs=1e-5)
    assert level_mm(shape, 500 * US_GALLON_L) / INCH_MM == pytest.approx(63.828, abs=1e-3)


def test_the_depth_of_a_torispherical_head() -> None:
    """fluids 1.3.1, f = 1, k = 0.06, diameter 1 m: 0.169338 m."""
    assert torisphere(1000, 1.0, 0.06).depth == pytest.approx(169.338, abs=1e-3)


def test_gallons_cubic_metres_and_rain_on_a_roof() -> None:
    """NIST SP 811: 231 cubic inches to the US gallon; 4.54609 L to the imperial one."""
    gallon_l = parse_quantity("1 gal", VOLUME)
    ratio = parse_quantity("1 imp gal", VOLUME) / gallon_l
    inch_on_square_foot_l = parse_quantity("1 ft", LENGTH) ** 2 * parse_quantity("1 in", LENGTH) / 1e6
    assert gallon_l == pytest.approx(231 * 25.4**3 / 1e6, rel=1e-12)
    assert ratio == pytest.approx(1.200949926, abs=1e-9)
    assert parse_quantity("1 m3", VOLUME) / gallon_l == pytest.approx(264.172052, abs=1e-6)
    assert parse_quantity("1 ft3", VOLUME) / gallon_l == pytest.approx(7.480519, abs=1e-6)
    assert parse_quantity("500 gal", VOLUME) / 1000 == pytest.approx(1.892706, abs=1e-6)
    assert inch_on_square_foot_l / gallon_l == pytest.approx(0.623377, abs=1e-6)


@pytest.mark.parametrize(("step_mm", "worst_l"), [(5, 0.17), (10, 0.47), (20, 1.32), (50, 5.1), (100, 14.0)])
def test_straight_lines_between_table_points_are_off_by_what_was_computed(step_mm: int, worst_l: float) -> None:
    """Lying cylinder 1.0 x 2.4 m: numpy 2.4.6 `interp` against the closed form; worst near empty and full."""
    shape = HorizontalCylinder(1000, 2400)
    levels = tuple(float(level) for level in range(0, 1001, step_mm))
    strapping = StrappingTable(levels, tuple(volume_l(shape, level) for level in levels))
    table = LevelTable(shape, step_mm)
    errors = [(volume_l(strapping, x / 4) - volume_l(shape, x / 4), table.volume_l(x / 4)) for x in range(4001)]
    assert max(abs(error) for error, _ in errors) == pytest.approx(worst_l, rel=0.02)
    assert all(volume == pytest.approx(volume_l(strapping, x / 4), abs=1e-9) for x, (_, volume) in enumerate(errors))


def test_one_reading_between_two_points_of_a_strapping_table() -> None:
    """0.125 m between points at 0.10 and 0.15 m: 137.700 L by the table, 135.994 L in truth."""
    shape = HorizontalCylinder(1000, 2400)
    levels = (0.0, 100.0, 150.0, 1000.0)
    strapping = StrappingTable(levels, tuple(volume_l(shape, level) for level in levels))
    assert volume_l(strapping, 125.0) == pytest.approx(137.700, abs=5e-4)
    assert volume_l(shape, 125.0) == pytest.approx(135.994, abs=5e-4)


# --- directly against the library ------------------------------------------------------------------------------------

LIBRARY_TANKS = [
    (VerticalCylinder(1150, 1400), {"D": 1.15, "L": 1.4, "horizontal": False}),
    (
        VerticalCylinder(900, 1600, "torispherical", "torispherical"),
        {"D": 0.9, "L": 1.6, "horizontal": False, "sideA": "torispherical", "sideB": "torispherical"},
    ),
    (
        VerticalCylinder(1100, 1000, "hemispherical", "elliptical"),
        {
            "D": 1.1,
            "L": 1.0,
            "horizontal": False,
            "sideA": "spherical",
            "sideB": "ellipsoidal",
            "sideA_a": 0.55,
            "sideB_a": 0.275,
        },
    ),
    (
        HorizontalCylinder(1300, 2100, "torispherical", 0.8, 0.1),
        {
            "D": 1.3,
            "L": 2.1,
            "horizontal": True,
            "sideA": "torispherical",
            "sideB": "torispherical",
            "sideA_f": 0.8,
            "sideA_k": 0.1,
            "sideB_f": 0.8,
            "sideB_k": 0.1,
        },
    ),
    (
        HorizontalCylinder(1150, 1480, "elliptical"),
        {
            "D": 1.15,
            "L": 1.48,
            "horizontal": True,
            "sideA": "ellipsoidal",
            "sideB": "ellipsoidal",
            "sideA_a": 0.2875,
            "sideB_a": 0.2875,
        },
    ),
    (
        ConeBottom(1000, 1200, 500),
        {"D": 1.0, "L": 1.2, "horizontal": False, "sideA": "conical", "sideA_a": 0.5},
    ),
]


@pytest.mark.parametrize(("shape", "arguments"), LIBRARY_TANKS, ids=lambda value: type(value).__name__)
def test_volumes_agree_with_the_library_from_empty_to_full(shape: TankShape, arguments: dict[str, object]) -> None:
    tank = fluids_geometry.TANK(**arguments)
    height = height_mm(shape)
    assert height == pytest.approx(tank.h_max * 1000.0, abs=1e-6)
    for step in range(41):
        level = height * step / 40
        expected_l = tank.V_from_h(level / 1000.0) * 1000.0
        assert volume_l(shape, level) == pytest.approx(expected_l, abs=2e-5), level


def test_a_stack_holds_what_its_parts_hold() -> None:
    """Arithmetic, no source: a box on a box."""
    stack = Stack((Rectangle(1000, 1000, 500), Rectangle(2000, 1000, 500)))
    assert [volume_l(stack, level) for level in (250, 500, 750, 1000)] == pytest.approx([250, 500, 1000, 1500])
