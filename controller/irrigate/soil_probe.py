"""A soil probe's word on a zone's depletion: listened to a little each day, and not at all when it cannot be true.

A capacitive probe tells how wet one handful of soil is, by a calibration of two points: good enough to notice that a
balance has run away, not good enough to replace one. The depletion is nudged toward it by a Kalman filter of one state,
whose gain follows from how wrong either may be.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.site.model import SoilProbe

READING_SD_PART = 0.15
"""How wrong a probe is, as a part of TAW: its place, its two points, its temperature (common practice, no source)."""
FIRST_SD_PART = 0.3
"""How wrong a depletion is of which nothing is known yet, as a part of TAW (own choice)."""
DAILY_SD_PART = 0.03
"""What a day of reckoning adds to that (own choice)."""
BEYOND_PART = 0.15
"""Readings may lie this much outside the two points, as a part of the way between them; further is a broken wire."""
STILL_PART = 0.015
"""A probe that moves less than this, as a part of the way between its points, stands still."""
STILL_DAYS = 7
STILL_WATER_PART = 0.15
"""Water given meanwhile, as a part of TAW, that a living probe must have noticed (own choice)."""


class ProbeMemory(NamedTuple):
    """What is remembered of one zone's probe.

    variance         of the depletion, as a part of TAW, squared
    low_v, high_v    range of its readings since it last moved; None after it moved
    days, water_mm   since then
    """

    variance: float = FIRST_SD_PART * FIRST_SD_PART
    low_v: float | None = None
    high_v: float | None = None
    days: int = 0
    water_mm: float = 0.0


def seen_depletion_mm(probe: SoilProbe, volts: float, total_mm: float) -> float | None:
    """The depletion a reading stands for, 0 to `total_mm`; None when no soil can read like that."""
    full_part = (volts - probe.dry_v) / (probe.full_v - probe.dry_v)
    if not -BEYOND_PART <= full_part <= 1.0 + BEYOND_PART:
        return None
    return total_mm * (1.0 - min(1.0, max(0.0, full_part)))


def followed(memory: ProbeMemory, probe: SoilProbe, low_v: float, high_v: float, water_mm: float) -> ProbeMemory:
    """The memory after a day whose readings lay between `low_v` and `high_v`, and which brought `water_mm`."""
    low_v = low_v if memory.low_v is None else min(low_v, memory.low_v)
    high_v = high_v if memory.high_v is None else max(high_v, memory.high_v)
    if high_v - low_v >= STILL_PART * abs(probe.full_v - probe.dry_v):
        return memory._replace(low_v=None, high_v=None, days=0, water_mm=0.0)
    return memory._replace(low_v=low_v, high_v=high_v, days=memory.days + 1, water_mm=memory.water_mm + water_mm)


def stands_still(memory: ProbeMemory, total_mm: float) -> bool:
    """Has it shown nothing of water that it must have noticed?"""
    return memory.days >= STILL_DAYS and memory.water_mm >= STILL_WATER_PART * total_mm


def day_older(memory: ProbeMemory) -> ProbeMemory:
    """The memory after a day of reckoning, however the probe was."""
    variance = memory.variance + DAILY_SD_PART * DAILY_SD_PART
    return memory._replace(variance=min(FIRST_SD_PART * FIRST_SD_PART, variance))


def nudged(memory: ProbeMemory, depletion_mm: float, seen_mm: float) -> tuple[ProbeMemory, float]:
    """The memory and the depletion after a reading."""
    gain = memory.variance / (memory.variance + READING_SD_PART * READING_SD_PART)
    return memory._replace(variance=(1.0 - gain) * memory.variance), depletion_mm + gain * (seen_mm - depletion_mm)
