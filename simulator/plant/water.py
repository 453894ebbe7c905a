"""Density and heat of water by temperature."""

from __future__ import annotations

HEAT_J_L_K = 4186.0
"""Heat that warms a litre by a degree (from memory: the old calorie, within 0.5 % from 0 to 40 degrees)."""


def density_kg_m3(temperature_c: float) -> float:
    """Density of air-free water at one atmosphere, 0 to 40 Celsius: the equation of Tanaka and others (2001)."""
    warmer = temperature_c - 3.983035
    return 999.974950 * (1.0 - warmer * warmer * (temperature_c + 301.797) / (522528.9 * (temperature_c + 69.34881)))
