"""How much water a well-watered short green cover gives to the air, from one hour's weather.

The Priestley-Taylor relation (1972): evaporation takes a multiple of the part of the net radiation that goes with
equilibrium. Two things are ours and invented for this simulator: the multiple rises from about 1 in still, moist air
as the air dries and moves (their 1.26 is reached at 2.3 kPa and 2 m/s), and the night is set to nothing. Long-wave loss
uses Brutsaert's clear-sky emissivity (1975). Nothing is shared with the controller, which must find out by its own
formulas.
"""

from __future__ import annotations

from math import exp, sqrt

STEFAN_BOLTZMANN = 5.670e-8
ALBEDO = 0.23
_PSYCHROMETRIC_KPA_K = 0.066


def saturation_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure over water (Bolton 1980)."""
    return 0.6112 * exp(17.67 * temperature_c / (temperature_c + 243.5))


def net_radiation_w_m2(temperature_c: float, vapour_kpa: float, radiation_w_m2: float, cloud: float) -> float:
    """Short-wave gain less long-wave loss of a grass surface at air temperature; `cloud` from 0 to 1."""
    kelvin = temperature_c + 273.15
    clear_emissivity: float = 1.24 * (10.0 * vapour_kpa / kelvin) ** (1.0 / 7.0)
    emissivity = clear_emissivity + 0.84 * cloud * (1.0 - clear_emissivity)
    return (1.0 - ALBEDO) * radiation_w_m2 - (1.0 - emissivity) * STEFAN_BOLTZMANN * kelvin**4


def evaporation_mm_h(
    temperature_c: float, humidity_percent: float, wind_m_s: float, radiation_w_m2: float, cloud: float
) -> float:
    """Evaporation of a short, well-watered green cover in mm per hour; wind is at 2 m."""
    if radiation_w_m2 <= 0.0:
        return 0.0
    saturation = saturation_kpa(temperature_c)
    vapour = saturation * humidity_percent / 100.0
    net = net_radiation_w_m2(temperature_c, vapour, radiation_w_m2, cloud)
    if net <= 0.0:
        return 0.0
    slope = saturation * 17.67 * 243.5 / (temperature_c + 243.5) ** 2
    multiple = 0.98 + 0.12 * (saturation - vapour) * sqrt(wind_m_s / 2.0)
    latent_w_h_kg = (2.501e6 - 2361.0 * temperature_c) / 3600.0
    return min(1.6, multiple) * slope / (slope + _PSYCHROMETRIC_KPA_K) * net / latent_w_h_kg
