"""What a pipe takes from the head: Darcy-Weisbach, and Hazen-Williams beside it. Metres of water, litres per minute.

Friction factors as EPANET 2 reckons them (users manual, appendix D): 64/Re up to 2000, Swamee and Jain (1976) from
4000 on, Dunlop's cubic between (1991). Colebrook (1939), which Swamee and Jain stand in for, is there to compare.
"""

from __future__ import annotations

from math import log, log10, pi, sqrt

G_M_S2 = 9.80665
WATER_M2_S = 1.139e-6
"""Kinematic viscosity of water at 15 degrees Celsius; 1.306e-6 at 10, 1.003e-6 at 20 (CoolProp)."""
PLASTIC_ROUGHNESS_MM = 0.0015
"""Usual figure for drawn plastic tube."""
PLASTIC_C = (140.0, 150.0)
"""Hazen-Williams coefficients in circulation for it."""
LAMINAR_RE, TURBULENT_RE = 2000.0, 4000.0


def velocity_m_s(flow_l_min: float, bore_mm: float) -> float:
    """Mean velocity in a round pipe."""
    return flow_l_min / 60_000.0 / (pi / 4.0 * (bore_mm / 1000.0) ** 2)


def reynolds(flow_l_min: float, bore_mm: float) -> float:
    """Reynolds number of water at 15 degrees Celsius."""
    return velocity_m_s(flow_l_min, bore_mm) * bore_mm / 1000.0 / WATER_M2_S


def swamee_jain(re: float, relative_roughness: float) -> float:
    """Friction factor of turbulent flow, explicit."""
    factor: float = 0.25 / log10(relative_roughness / 3.7 + 5.74 / re**0.9) ** 2
    return factor


def colebrook(re: float, relative_roughness: float) -> float:
    """Friction factor of turbulent flow, by repeated insertion; right to all shown digits after ten."""
    root = 1.0 / sqrt(swamee_jain(re, relative_roughness))
    for _ in range(10):
        root = -2.0 * log10(relative_roughness / 3.7 + 2.51 * root / re)
    return 1.0 / (root * root)


def friction_factor(re: float, relative_roughness: float) -> float:
    """Darcy's factor of any flow; ValueError for none."""
    if re <= 0.0:
        raise ValueError(f"no friction factor at a Reynolds number of {re}")
    if re <= LAMINAR_RE:
        return 64.0 / re
    if re >= TURBULENT_RE:
        return swamee_jain(re, relative_roughness)
    y2 = relative_roughness / 3.7 + 5.74 / TURBULENT_RE**0.9
    y3 = -0.86859 * log(y2)
    fa: float = y3**-2
    fb = fa * (2.0 - 0.00514215 / (y2 * y3))
    r = re / 2000.0
    x4 = r * (0.032 - 3.0 * fa + 0.5 * fb)
    factor: float = 7.0 * fa - fb + r * (0.128 - 17.0 * fa + 2.5 * fb + r * (-0.128 + 13.0 * fa - 2.0 * fb + x4))
    return factor


def pipe_loss_m(
    flow_l_min: float,
    bore_mm: float,
    length_m: float,
    fittings: float = 0.0,
    roughness_mm: float = PLASTIC_ROUGHNESS_MM,
) -> float:
    """Darcy-Weisbach: (f L/D + sum of fitting coefficients) v^2 / 2g."""
    if flow_l_min <= 0.0:
        return 0.0
    factor = friction_factor(reynolds(flow_l_min, bore_mm), roughness_mm / bore_mm)
    return (factor * length_m * 1000.0 / bore_mm + fittings) * velocity_m_s(flow_l_min, bore_mm) ** 2 / (2.0 * G_M_S2)


def christiansen_factor(outlets: int, exponent: float = 1.852) -> float:
    """Part of a plain pipe's friction that a pipe with evenly spaced equal outlets has (Christiansen 1942), the first
    outlet one spacing from the inlet; never above 1."""
    m, n = exponent, outlets
    return min(1.0, 1.0 / (m + 1.0) + 1.0 / (2.0 * n) + sqrt(m - 1.0) / (6.0 * n * n))
