"""A capacitive soil probe: how wet the root zone is where it happens to stand, as a voltage."""

from __future__ import annotations

from random import Random

from controller.site.model import SoilProbe
from simulator.plant.root_zone import RootZone

_SOAKED = 1.3
"""Wetter than this, as a part of field capacity, the probe shows no more."""


class StuckIn:
    """One probe in one root zone. Its place, its slope and its two voltages are each off a little, by the seed."""

    def __init__(self, probe: SoilProbe, roots: RootZone, rng: Random) -> None:
        self._probe, self._roots, self._rng = probe, roots, rng
        self._slope = 1.0 + rng.gauss(0.0, 0.08)
        self._offset = rng.gauss(0.0, 0.06)

    def mv(self) -> int:
        """Millivolts now, with the converter's noise; the supply bounds them."""
        wet = 1.0 - self._roots.depletion_mm / self._roots.capacity_mm
        shown = min(_SOAKED, wet * self._slope + self._offset)
        volts = self._probe.dry_v + (self._probe.full_v - self._probe.dry_v) * shown
        return min(3300, max(0, round(1000.0 * volts + self._rng.gauss(0.0, 4.0))))
