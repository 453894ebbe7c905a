"""By how much a flow meter is believed to count too little, from what the tank fell by for each litre counted.

Cheap turbine meters are off by several per cent, and the pulses of a litre in the site file may be those of another
meter. The tank tells it in some weeks, but its falls are off by a per cent or two themselves (air of another
temperature on the echo's way, the declared shape), so a small difference is left alone.
"""

from __future__ import annotations

import math
from typing import NamedTuple

FALLS_SD = 0.012
"""What the tank's falls are off by together, however many they are (own choice, by trials of invented years)."""
KNOWN_SD = 0.012
"""Before the ratio is known as well as that it says too little to change doses by."""
TOLD_SDS, KEPT_SDS = 2.5, 1.5
"""A difference is put right when it is so many standard deviations, and no more when it has become smaller."""
MOST_PART = 0.10
"""Doses are changed by no more: a meter that is further off is to be calibrated."""
AS_COUNTED_SD = 0.012
"""How far off a flow meter is that nobody has calibrated (common practice, no source)."""


class Correction(NamedTuple):
    """What to add to a metered volume, as part of it.

    sd         standard deviation of the volume then booked, as part of it
    found      what was found, which may be beyond `MOST_PART`; 0 while nothing is put right
    """

    part: float
    sd: float
    found: float

    @property
    def beyond(self) -> bool:
        return abs(self.found) > MOST_PART


AS_COUNTED = Correction(0.0, AS_COUNTED_SD, 0.0)


def correction(ratio: float, ratio_sd: float, before: Correction) -> Correction:
    """From litres fallen for each litre counted, with its own standard deviation, and what is being put right."""
    found, sd = ratio - 1.0, math.hypot(ratio_sd, FALLS_SD)
    if ratio_sd > KNOWN_SD or abs(found) < (KEPT_SDS if before.found else TOLD_SDS) * sd:
        return AS_COUNTED
    return Correction(max(-MOST_PART, min(MOST_PART, found)), max(sd, abs(found) - MOST_PART), found)
