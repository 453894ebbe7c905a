"""Which pings of a burst came from the surface: sorted out with what is expected, or by themselves when nothing is.

A ping is a direct echo, one whose first wave was missed (a period of 40 kHz late), one from something nearer, or lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

MISSED_WAVE_US = 25.0
"""A period of 40 kHz: what a detector is late by when the first wave was too weak for it."""
MINIMUM_AGREEING = 3
FEWEST, FEWEST_BESET = 2, 1
"""Pings that must come from where the surface is expected; the second while a false echo is known to take others."""
MAD_TO_SD = 1.4826
OUTLIER_SDS = 3.0


class Echoes(NamedTuple):
    """Pings that agree: their mean time and spread (largest less smallest) in microseconds, and how many they are."""

    mean_us: float
    spread_us: float
    pings: int


def from_the_surface(
    pings_us: Sequence[int], expected_us: float, reach_us: float, close_us: float, known_us: float | None
) -> Echoes | None:
    """Echoes within reach of the expected time, those a wave late put right; None when they cannot be made out.

    More pings from one nearer thing than from the surface do not matter: they are not where the surface is expected.
    Pings from all over the place do, since then some come from anywhere. While a thing is known to echo at `known_us`,
    one ping from the surface beside pings from there is enough.
    """
    low, high = expected_us - reach_us, expected_us + reach_us
    late_high = high + MISSED_WAVE_US
    direct: list[float] = []
    strays: list[int] = []
    for us in pings_us:
        if low <= us <= high:
            direct.append(us)
        elif high < us <= late_high:
            direct.append(us - MISSED_WAVE_US)
        elif us > 0 and (known_us is None or abs(us - known_us) > close_us):
            strays.append(us)
    count = len(direct)
    fewest = FEWEST if known_us is None else FEWEST_BESET
    if count < fewest or (strays and count <= places(sorted(strays), close_us)):
        return None
    return Echoes(sum(direct) / count, max(direct) - min(direct), count)


def any_from(pings_us: Sequence[int], place_us: float, reach_us: float) -> bool:
    """Whether any ping came from within reach of a place."""
    return any(abs(us - place_us) <= reach_us for us in pings_us)


def places(ordered_us: Sequence[int], close_us: float) -> int:
    """How many different places ordered pings came from."""
    return 1 + sum(later - sooner > close_us for sooner, later in pairwise(ordered_us))


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
