"""Density of water and vapour pressure over it, as the simulated tank has them, against published values."""

from __future__ import annotations

import pytest

from simulator.plant.evaporation import saturation_kpa
from simulator.plant.water import density_kg_m3


@pytest.mark.parametrize(
    ("temperature_c", "printed_kg_m3"),
    [(4.0, 999.9749), (10.0, 999.7026), (15.0, 999.1026), (20.0, 998.2067), (25.0, 997.0470), (30.0, 995.6488)],
)
def test_water_weighs_what_the_recommended_table_says(temperature_c: float, printed_kg_m3: float) -> None:
    # Table that goes with Tanaka et al., Metrologia 38 (2001) 301, air-free water at 101 325 Pa; values from memory.
    assert density_kg_m3(temperature_c) == pytest.approx(printed_kg_m3, abs=2e-4)


@pytest.mark.parametrize(("temperature_c", "litres_per_k"), [(10.0, 0.166), (20.0, 0.391), (30.0, 0.574)])
def test_a_tank_of_500_gallons_swells_by_what_coolprop_says(temperature_c: float, litres_per_k: float) -> None:
    # 1893 L times CoolProp 8.0.0's isobaric expansion coefficient of water.
    density = density_kg_m3(temperature_c)
    per_k = (density_kg_m3(temperature_c - 0.5) - density_kg_m3(temperature_c + 0.5)) / density
    assert 1893.0 * per_k == pytest.approx(litres_per_k, abs=1e-3)


@pytest.mark.parametrize(
    ("temperature_c", "printed_kpa"), [(1.0, 0.657), (10.0, 1.228), (20.0, 2.338), (25.0, 3.168), (30.0, 4.243)]
)
def test_air_over_water_holds_the_vapour_of_the_table(temperature_c: float, printed_kpa: float) -> None:
    # FAO Irrigation and Drainage Paper 56, table 2.3. Bolton's equation is not theirs: 0.3 % apart at most.
    assert saturation_kpa(temperature_c) == pytest.approx(printed_kpa, rel=3e-3)
