"""Speed of sound in moist air, from the gas mixture itself: c = sqrt(gamma R T / M)."""

from __future__ import annotations

from math import sqrt

from simulator.plant.evaporation import saturation_kpa

_GAS_CONSTANT = 8.314462618
_DRY_KG_MOL, _WATER_KG_MOL = 0.0289647, 0.0180153
_DRY_CP, _WATER_CP = 3.4995, 4.032
PRESSURE_KPA = 101.325


def speed_of_sound_m_s(temperature_c: float, humidity_percent: float, pressure_kpa: float = PRESSURE_KPA) -> float:
    """Ideal mixture of dry air and water vapour; heat capacities in units of the gas constant."""
    water = humidity_percent / 100.0 * saturation_kpa(temperature_c) / pressure_kpa
    molar_kg = _DRY_KG_MOL + (_WATER_KG_MOL - _DRY_KG_MOL) * water
    heat = _DRY_CP + (_WATER_CP - _DRY_CP) * water
    return sqrt(heat / (heat - 1.0) * _GAS_CONSTANT * (temperature_c + 273.15) / molar_kg)
