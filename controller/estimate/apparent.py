"""The volume that a burst seems to show, taking the probe's temperature for the air all the way down.

A level filter smooths, and takes hours to follow what it does not expect; whoever looks for loss wants to see the
echoes themselves. What the air on the way does to them is then for the looker to allow for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from controller.estimate.echoes import MINIMUM_AGREEING, middle
from controller.estimate.sound import headspace_speed_m_s
from controller.estimate.volume import SPEED_SENSITIVITY_PER_K
from controller.site.geometry import LevelTable
from controller.site.model import Tank

REACH_MM = 25.0
"""Echoes this close to the level believed are taken for the surface: air a few kelvins off, a can of water."""


class Apparent(NamedTuple):
    """What a burst seems to show, and how much a kelvin of air on the echo's way makes of it."""

    volume_l: float
    litres_per_k: float


def apparent_volume(
    tank: Tank, table: LevelTable, burst_us: Sequence[int], probe_c: float, believed_mm: float
) -> Apparent | None:
    """The volume below the echoes that come from near the level believed; None when too few do.

    `burst_us` are round-trip times in microseconds, 0 for none heard.
    """
    mm_per_us = headspace_speed_m_s(probe_c) / 2000.0
    expected_us, reach_us = (tank.sensor_height_mm - believed_mm) / mm_per_us, REACH_MM / mm_per_us
    heard = sorted([us for us in burst_us if abs(us - expected_us) <= reach_us])
    if len(heard) < MINIMUM_AGREEING:
        return None
    # The median: a missed first wave makes a ping late by less than the reach.
    distance_mm = middle(heard) * mm_per_us
    level_mm = tank.sensor_height_mm - distance_mm
    litres_per_k = table.area_m2(level_mm) * distance_mm * SPEED_SENSITIVITY_PER_K
    return Apparent(table.volume_l(level_mm), litres_per_k)
