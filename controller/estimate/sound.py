"""Speed of sound in air and the level an echo stands for."""

from __future__ import annotations

import math

REFERENCE_SPEED_M_S = 343.2
"""At 20 °C, ISO 9613-1."""
REFERENCE_TEMPERATURE_K = 293.15
_CELSIUS_TO_KELVIN = 273.15
_SEA_LEVEL_KPA = 101.325


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air, m/s, by the root form of ISO 9613-1: 343.2 * sqrt(T / 293.15 K)."""
    return REFERENCE_SPEED_M_S * math.sqrt((temperature_c + _CELSIUS_TO_KELVIN) / REFERENCE_TEMPERATURE_K)


def saturated_air_factor(temperature_c: float) -> float:
    """How much faster sound is in air over water (100 % relative humidity) than in dry air of the same temperature.

    Ideal-gas mixture: c^2 = gamma R T / M with gamma = (7 + h) / (5 + h) and M falling by 0.378 h, h being the mole
    fraction of vapour at the saturation pressure of FAO-56 equation 11. Agrees with the 1993 humid-air equation
    (Cramer) to 0.05 % from 0 to 30 °C; see tests/reference/test_speed_of_sound.py.
    """
    saturation_kpa = 0.6108 * math.exp(17.27 * temperature_c / (temperature_c + 237.3))
    h = saturation_kpa / _SEA_LEVEL_KPA
    return math.sqrt((7.0 + h) / (5.0 + h) * (5.0 / 7.0) / (1.0 - 0.378 * h))


def headspace_speed_m_s(temperature_c: float) -> float:
    """Speed of sound, m/s, in the air of a closed tank, which is close to saturated."""
    return speed_of_sound_m_s(temperature_c) * saturated_air_factor(temperature_c)


def distance_mm(round_trip_us: float, speed_m_s: float) -> float:
    """One-way distance, mm, for a round-trip time in microseconds."""
    return round_trip_us * speed_m_s / 2000.0


def level_from_echo_mm(round_trip_us: float, speed_m_s: float, sensor_height_mm: float) -> float:
    """Level above the tank floor, mm, seen by a ranger whose face is `sensor_height_mm` above that floor."""
    return sensor_height_mm - distance_mm(round_trip_us, speed_m_s)
