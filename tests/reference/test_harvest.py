"""Rain caught from a roof, against published worked examples; quantities go through the site file's own units."""

from __future__ import annotations

import pytest

from controller.estimate.catch import roof_catch
from controller.site.model import Roof
from controller.site.units import AREA, LENGTH, parse_quantity

US_GALLON_L = 3.785411784
"""231 cubic inches exactly."""


def area_m2(text: str) -> float:
    return parse_quantity(text, AREA)


def depth_mm(text: str) -> float:
    return parse_quantity(text, LENGTH)


def caught_l(area: str, rain: str, coefficient: float, first_flush_mm: float = 0.0) -> float:
    roof = Roof("shed", "main", area_m2(area), coefficient, first_flush_mm)
    return roof_catch(roof, depth_mm(rain), first_flush_mm).caught_l


def test_one_inch_on_900_square_feet_at_90_per_cent() -> None:
    # Rain and gray-water worksheet (school material): 900 ft2 x 0.623 x 0.90 x 1 in = 504.63 gal, a rounded factor.
    gallons = caught_l("900 ft2", "1 in", 0.90) / US_GALLON_L
    assert gallons == pytest.approx(504.63, rel=1e-3)
    assert gallons == pytest.approx(900 * 144 / 231 * 0.90, rel=1e-9)


def test_a_year_of_36_inches_on_2500_square_feet() -> None:
    # Rain-barrel worksheet: 2500 ft2, 36 in/yr, 90 % = 50 490 gal (7.48 gal/ft3, rounded).
    assert caught_l("2500 ft2", "36 in", 0.90) / US_GALLON_L == pytest.approx(50_490, rel=1e-4)


def test_a_storm_of_60_mm_on_80_square_metres() -> None:
    # Water-management text, chapter "Catching the Sky": 80 m2, 60 mm, C 0.90 = 4320 L.
    assert caught_l("80 m2", "60 mm", 0.90) == pytest.approx(4320.0)


def test_a_flat_roof_of_1500_square_feet_nets_a_little_over_half() -> None:
    # Cistern contractor's page: 2 in gives 1680 gal and 6 in 5040 gal, 0.56 gal per ft2 and inch net.
    net = 0.56 / (144 / 231)
    assert caught_l("1500 ft2", "2 in", net) / US_GALLON_L == pytest.approx(1680, rel=1e-6)
    assert caught_l("1500 ft2", "6 in", net) / US_GALLON_L == pytest.approx(5040, rel=1e-6)


def test_a_gallon_of_first_flush_per_100_square_feet_is_0_4075_mm() -> None:
    # Texas Water Development Board rule (quoted in Water 2024, 16(10) 1421): 1 gal per 100 ft2.
    flush_mm = US_GALLON_L / area_m2("100 ft2")
    assert flush_mm == pytest.approx(0.4075, abs=5e-5)
    roof = Roof("shed", "main", area_m2("100 ft2"), 1.0, flush_mm)
    assert roof_catch(roof, 10.0, flush_mm).caught_l == pytest.approx(area_m2("100 ft2") * 10.0 - US_GALLON_L)


def test_drizzle_that_only_washes_the_roof_gives_nothing_and_leaves_less_to_wash() -> None:
    roof = Roof("shed", "main", 24.0, 0.85, 0.5)
    first = roof_catch(roof, 0.2, 0.5)
    assert first.caught_l == 0.0
    assert first.flush_left_mm == pytest.approx(0.3)
    second = roof_catch(roof, 1.0, first.flush_left_mm)
    assert second.caught_l == pytest.approx(0.7 * 24.0 * 0.85)
    assert second.flush_left_mm == 0.0
