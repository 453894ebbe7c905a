"""Water that soils and mixes hold for plants, so that a site file can say `soil = "sandy loam"`.

Source for soils: FAO Irrigation and Drainage Paper 56 (Rome, 1998), table 19, middle of the range given for the
difference between field capacity and wilting point. Container mixes differ far more than soils do; the one here is
common practice, no source: a peat-free or peat potting mix holds about a fifth of its volume for plants.
"""

from __future__ import annotations

SOILS_MM_PER_M = {
    "sand": 80.0,
    "loamy sand": 90.0,
    "sandy loam": 130.0,
    "loam": 155.0,
    "silt loam": 160.0,
    "silt": 180.0,
    "silty clay loam": 155.0,
    "silty clay": 160.0,
    "clay": 160.0,
}

SURFACE_MM = {
    "sand": (4.5, 9.0),
    "loamy sand": (6.0, 11.5),
    "sandy loam": (8.0, 17.5),
    "loam": (9.0, 19.0),
    "silt loam": (9.5, 21.5),
    "silt": (9.5, 24.0),
    "silty clay loam": (9.5, 24.5),
    "silty clay": (10.0, 25.0),
    "clay": (10.0, 25.5),
}
"""Readily and totally evaporable water of the uppermost 0.10 m (REW, TEW), the middle of the ranges in table 19."""

MIXES_MM_PER_M = {"potting mix": 200.0}

GROUNDS_MM_PER_M = {**SOILS_MM_PER_M, **MIXES_MM_PER_M}
