"""What the owner's eye says of a zone trims its crop coefficient: "looks dry", "looks wet".

A wrong coefficient costs as much as a wrong rule, and nothing that is fitted measures it. An eye does, roughly: a zone
that looks dry is somewhere past its readily available water, one that looks wet is near full. Each word is taken as a
measurement of depletion with a wide error, and shared between the depletion now and the coefficient by how much the
one would have gone wrong had the other been wrong: a Kalman filter of two states. A word that agrees with what was
believed changes nothing, so a zone that is kept thirsty on purpose may look dry without being given more.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.contract import Look

FIRST_SD = 0.15
"""How wrong a tabled coefficient is at first, as a part of it (common practice, no source)."""
DEPLETION_SD_PART = 0.06
"""What else makes a depletion wrong: rain that fell unevenly, soil that holds more or less; part of TAW."""
LOOK_SD_PART = 0.12
"""How far off an eye is, part of TAW (own choice)."""
DRY_PAST_READILY = 0.35
"""A zone looks dry when so much of what is not readily available is gone (own choice: leaves have begun to hang)."""
WET_PART = 0.04
FORGETTING = 1.02
"""Growth of the coefficient's variance with each word, so that a new season's plants can be learned again."""
LEAST_TRIM, MOST_TRIM = 0.5, 1.6


class Trim(NamedTuple):
    """A zone's learned factor on its crop coefficient.

    factor       multiplies the declared coefficient
    variance     of the factor
    reach_mm     how much the depletion would be off for a factor off by 1: evapotranspiration since it was last full
    """

    factor: float = 1.0
    variance: float = FIRST_SD * FIRST_SD
    reach_mm: float = 0.0


def grown(trim: Trim, etc_mm: float, depletion_after_mm: float) -> Trim:
    """The trim after a stretch of evapotranspiration: the reach grows, and is gone once the root zone is full.

    `etc_mm` below zero takes back what was booked too much.
    """
    if depletion_after_mm <= 0.0:
        return trim._replace(reach_mm=0.0) if trim.reach_mm else trim
    return trim._replace(reach_mm=max(0.0, trim.reach_mm + etc_mm / trim.factor))


def looked(trim: Trim, look: Look, depletion_mm: float, readily_mm: float, total_mm: float) -> tuple[Trim, float]:
    """The trim and the depletion after a word of the owner, from the depletion that was believed."""
    seen_mm = readily_mm + DRY_PAST_READILY * (total_mm - readily_mm) if look == "dry" else WET_PART * total_mm
    # A zone drier than "dry", or wetter than "wet", looks just the same.
    if (look == "dry" and depletion_mm >= seen_mm) or (look == "wet" and depletion_mm <= seen_mm):
        return trim, depletion_mm
    variance = trim.variance * FORGETTING
    together = variance * trim.reach_mm
    depletion_variance = together * trim.reach_mm + (DEPLETION_SD_PART * total_mm) ** 2
    surprise_mm = seen_mm - depletion_mm
    total_variance = depletion_variance + (LOOK_SD_PART * total_mm) ** 2
    factor = trim.factor + together / total_variance * surprise_mm
    return (
        Trim(
            factor=min(MOST_TRIM, max(LEAST_TRIM, factor)),
            variance=min(FIRST_SD * FIRST_SD, variance - together * together / total_variance),
            reach_mm=trim.reach_mm * (1.0 - depletion_variance / total_variance),
        ),
        min(total_mm, max(0.0, depletion_mm + depletion_variance / total_variance * surprise_mm)),
    )
