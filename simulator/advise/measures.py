"""Lengths, heads and bores of the report in the owner's units; numbers for programs stay in the program's own.

Factors: NIST Special Publication 811 (2008), appendix B.8 and, for lengths, `controller.site.units`.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.site.model import UnitSystem
from controller.site.units import FOOT_MM, INCH_MM, US_GALLON_L

PSI_M = 6894.757 / 9806.65
"""Head of conventional water (1000 kg/m3) that presses with a pound-force on a square inch."""
PSF_KPA = 0.04788026
"""A pound-force on a square foot."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One kind of quantity: the unit's name, how many of the program's own units it has, decimals (None: as needed)."""

    unit: str
    size: float = 1.0
    decimals: int | None = 1

    def value(self, own: float) -> float:
        return own / self.size

    def number(self, own: float, decimals: int | None = None) -> str:
        """Without the unit, for tables that have it in their head."""
        value = self.value(own)
        wanted = self.decimals if decimals is None else decimals
        return f"{value:.3g}" if wanted is None else f"{value:.{wanted}f}"

    def round(self, own: float) -> str:
        """To three figures at most, for what is round in one of the systems."""
        return f"{self.value(own):.3g} {self.unit}"

    def text(self, own: float, decimals: int | None = None) -> str:
        return f"{self.number(own, decimals)} {self.unit}"


@dataclass(frozen=True, slots=True)
class Measures:
    """By kind, with the program's own unit.

    length    of pipes, wires and lines, m
    head      a pump lifts, friction takes, m
    pressure  at emitters, m of head
    bore      of pipes and openings, mm
    near      a short way, cm
    speed     m/s
    rain      of an hour, mm
    stream    of a roof, L/s
    trickle   out of a drain, L/min
    bearing   of ground, kPa
    """

    length: Measure
    head: Measure
    pressure: Measure
    bore: Measure
    near: Measure
    speed: Measure
    rain: Measure
    stream: Measure
    trickle: Measure
    bearing: Measure


METRIC = Measures(
    length=Measure("m"),
    head=Measure("m"),
    pressure=Measure("m"),
    bore=Measure("mm", 1.0, None),
    near=Measure("cm", 1.0, 0),
    speed=Measure("m/s"),
    rain=Measure("mm/h", 1.0, 0),
    stream=Measure("L/s"),
    trickle=Measure("L/min", 1.0, 0),
    bearing=Measure("kPa", 1.0, 0),
)
AMERICAN = Measures(
    length=Measure("ft", FOOT_MM / 1000.0),
    head=Measure("ft", FOOT_MM / 1000.0),
    pressure=Measure("psi", PSI_M),
    bore=Measure("in", INCH_MM, 2),
    near=Measure("in", INCH_MM / 10.0, 0),
    speed=Measure("ft/s", FOOT_MM / 1000.0),
    rain=Measure("in/h", INCH_MM, 1),
    stream=Measure("gal/min", US_GALLON_L / 60.0),
    trickle=Measure("gal/min", US_GALLON_L, 0),
    bearing=Measure("lb/ft2", PSF_KPA, 0),
)


def measures(units: UnitSystem) -> Measures:
    """The owner's."""
    return METRIC if units == "metric" else AMERICAN
