"""What the probe near the lid tells of the air on the echo's way, which reaches down to the water.

The probe follows the sun on the lid within minutes; the water keeps the temperature of days. The way between is
somewhere in between, so the means of the probe over an hour or two and over days say what a filter needs to know.
"""

from __future__ import annotations

import math
from typing import Any

from controller.estimate.sound import headspace_speed_m_s
from controller.estimate.volume import SPEED_SENSITIVITY_PER_K, Surroundings

DEFAULT_HEADSPACE_C = 10.0
"""Assumed while no temperature was ever known (own choice)."""
LOWEST_HEADSPACE_C = -40.0
HIGHEST_HEADSPACE_C = 80.0
NEAR_H = 1.0
"""Mean that shows whether the air is warming or cooling (own choice)."""
FIRST_H = 1.5
"""The least that the mean over days looks back on (own choice)."""
FAR_H = 48.0
"""Mean that follows the water: 1.9 m3 change by a few tenths of a kelvin in a day (own choice, tuned on trials)."""
GUESSED_SD_K = 8.0
"""Of a temperature that was never measured."""
OLD_SD_K = 4.0
"""Of the air when the probe has failed and only its mean over days is left."""
JUMP_K = 15.0
JUMP_WITHIN_MS = 30 * 60_000
"""Air under a lid warms or cools by less within half an hour: more is a probe that fails, or is well again (common
practice, no source)."""
DOUBTED_H = 12.0
"""After so long what it shows is taken for the truth all the same (own choice)."""


_STATE = ("believed_c", "far_age_h", "far_c", "near_c", "probe_c", "told_c", "unseen_h", "unsure_k")


class Headspace:
    """The probe's present value and its two means. Feed `measured` at every change, `pass_time` now and then."""

    __slots__ = _STATE

    probe_c: float
    near_c: float | None
    believed_c: float | None
    """What the probe showed last that could be so."""

    def __init__(self) -> None:
        self.told_c: float | None = None
        self.probe_c = DEFAULT_HEADSPACE_C
        self.near_c = None
        self.far_c = DEFAULT_HEADSPACE_C
        self.far_age_h = 0.0
        self.believed_c = None
        self.unseen_h = 0.0
        self.unsure_k = GUESSED_SD_K

    def measured(self, told_c: float | None, since_ms: int = JUMP_WITHIN_MS) -> None:
        """Take the probe's value, None for a dead one, `since_ms` after the one before.

        Without a believable value the mean over days stands in, or the default when there never was one.
        """
        self.told_c = told_c
        if told_c is not None and self._is_believable(told_c, since_ms):
            self.believed_c = self.probe_c = told_c
            self.unseen_h = 0.0
            self.unsure_k = 0.0
            if self.near_c is None:
                self.near_c = self.far_c = told_c
        elif self.near_c is None:
            self.probe_c, self.unsure_k = DEFAULT_HEADSPACE_C, GUESSED_SD_K
        else:
            self.probe_c, self.unsure_k = self.far_c, OLD_SD_K

    @property
    def speed_m_s(self) -> float:
        """The speed of sound to use."""
        return headspace_speed_m_s(self.probe_c)

    def _is_believable(self, told_c: float, since_ms: int) -> bool:
        """Whether the air can have this temperature. A value that jumped is doubted until it comes back, or for hours:
        else a probe with a loose wire would move the water by centimetres."""
        if not LOWEST_HEADSPACE_C <= told_c <= HIGHEST_HEADSPACE_C:
            return False
        if self.believed_c is None or abs(told_c - self.believed_c) <= JUMP_K:
            return True
        return self.unseen_h >= DOUBTED_H or (self.unsure_k == 0.0 and since_ms >= JUMP_WITHIN_MS)

    def pass_time(self, elapsed_h: float) -> None:
        """Let the means follow what the probe showed in the time gone by."""
        if self.unsure_k:
            self.unseen_h += elapsed_h
        if self.near_c is None or self.unsure_k:
            return
        probe_c = self.probe_c
        self.near_c += (probe_c - self.near_c) * (1.0 - math.exp(-elapsed_h / NEAR_H))
        # A plain mean until there are days to look back on.
        self.far_age_h = min(FAR_H, self.far_age_h + elapsed_h)
        self.far_c += (probe_c - self.far_c) * (1.0 - math.exp(-elapsed_h / max(self.far_age_h, FIRST_H)))

    def around(self, distance_mm: float) -> Surroundings:
        """What the error of an echo from this distance goes with."""
        gain = distance_mm * SPEED_SENSITIVITY_PER_K
        if self.near_c is None:
            return Surroundings(gain, 0.0, 0.0, 0.0)
        water_k = self.far_c - self.probe_c
        lead_k = self.near_c - self.probe_c
        return Surroundings(gain, water_k, 0.0, lead_k) if water_k < 0.0 else Surroundings(gain, 0.0, water_k, lead_k)

    def dump(self) -> dict[str, Any]:
        """The state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE}

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, data[name])
