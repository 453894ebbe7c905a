"""Which pings of a burst came from the surface: sorted out with what is expected, or by themselves when nothing is.

A ping is a direct echo, one whose first wave was missed (a period of 40 kHz late), one from something nearer, or lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

MISSED_WAVE_US = 25.0
"""A period of 40 kHz: what a detector is late by when the first wave was too weak for it."""
MINIMUM_AGREEING = 3
MINIMUM_EXPECTED = 2
"""Pings that must come from where the surface is expected; those from elsewhere do not count."""
MAD_TO_SD = 1.4826
OUTLIER_SDS = 3.0


class Echoes(NamedTuple):
    """Pings that agree: their mean time and spread (largest less smallest) in microseconds, and how many they are."""

    mean_us: float
    spread_us: float
    pings: int


def from_the_surface(heard: Sequence[int], expected_us: float, reach_us: float) -> Echoes | None:
    """Echoes within reach of the expected time, those a wave late put right; None when they are too few.

    More pings from one nearer thing than from the surface do not matter: they are not where the surface is expected.
    """
    low, high = expected_us - reach_us, expected_us + reach_us
    late_high = high + MISSED_WAVE_US
    direct: list[float] = []
    for us in heard:
        if low <= us <= high:
            direct.append(us)
        elif high < us <= late_high:
            direct.append(us - MISSED_WAVE_US)
    count = len(direct)
    if count < MINIMUM_EXPECTED:
        return None
    return Echoes(sum(direct) / count, max(direct) - min(direct), count)


def that_agree(heard: Sequence[int], close_us: float, widest_us: float) -> Echoes | None:
    """Echoes around the median of an ordered burst; None when too few agree or they are all over the place.

    `close_us` from the median always agree, `widest_us` is the most that agreeing ones may be apart.
    """
    count = len(heard)
    if count < MINIMUM_AGREEING:
        return None
    median_us = middle(heard)
    spread_us = heard[-1] - heard[0]
    agreeing = heard
    if spread_us > close_us:
        mad_us = middle(sorted([abs(us - median_us) for us in heard]))
        reach_us = max(OUTLIER_SDS * MAD_TO_SD * mad_us, close_us)
        agreeing = [us for us in heard if abs(us - median_us) <= reach_us]
        if len(agreeing) < MINIMUM_AGREEING or agreeing[-1] - agreeing[0] > widest_us:
            return None
    return Echoes(sum(agreeing) / len(agreeing), agreeing[-1] - agreeing[0], len(agreeing))


def middle(ordered: Sequence[float]) -> float:
    """Median of an ordered, non-empty sequence."""
    half, odd = divmod(len(ordered), 2)
    return ordered[half] if odd else (ordered[half - 1] + ordered[half]) / 2.0
