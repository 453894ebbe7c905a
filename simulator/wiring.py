"""Copper for a low-voltage circuit: voltage drop, the smallest conductor for an allowed drop, the largest fuse for it.

Resistances are those of two standards, each corrected for temperature with that standard's own coefficient:

- AWG: NEC chapter 9 table 8, uncoated stranded copper at 75 degrees Celsius; 0.00323 per kelvin, its note 2.
- mm2: IEC 60228 table 3, class 5 plain copper at 20 degrees Celsius, the largest resistance the class allows; its
  temperature factors are those of 0.004 per kelvin.

A conductor is named as its table names it: "AWG 12", "2.5 mm2". Lengths are one way; the current flows there and back.
Numbers are for planning. Which cable and which fuse is right where you live, a licensed person decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

M_PER_KFT = 304.8
CONDUCTORS_IN_CIRCUIT = 2

AWG_SOURCE = "NEC chapter 9 table 8, uncoated stranded copper"
METRIC_SOURCE = "IEC 60228 table 3, class 5 plain copper"


@dataclass(frozen=True, slots=True)
class Conductor:
    """One size of copper wire. `base_ohm_per_km` holds at `base_c` and grows by `per_kelvin` of itself per kelvin."""

    name: str
    area_mm2: float
    base_ohm_per_km: float
    base_c: float
    per_kelvin: float
    source: str

    def ohm_per_km(self, copper_c: float) -> float:
        """Resistance of one kilometre of one conductor whose copper is this warm."""
        _checked(copper_c, "copper temperature in degrees Celsius", -60.0, 250.0)
        return self.base_ohm_per_km * (1.0 + self.per_kelvin * (copper_c - self.base_c))


# size, area in mm2 (own: pi/4 of 0.127 mm * 92^((36 - size)/39), squared), ohms per 1000 ft at 75 degrees Celsius
_AWG_ROWS = (
    (18, 0.823, 7.95),
    (16, 1.3087, 4.99),
    (14, 2.0809, 3.14),
    (12, 3.3088, 1.98),
    (10, 5.2612, 1.24),
    (8, 8.3656, 0.778),
    (6, 13.3018, 0.491),
    (4, 21.1506, 0.308),
    (3, 26.6705, 0.245),
    (2, 33.6308, 0.194),
    (1, 42.4077, 0.154),
)

# area in mm2, largest ohms per kilometre at 20 degrees Celsius
_METRIC_ROWS = (
    (0.5, 39.0),
    (0.75, 26.0),
    (1.0, 19.5),
    (1.5, 13.3),
    (2.5, 7.98),
    (4.0, 4.95),
    (6.0, 3.30),
    (10.0, 1.91),
    (16.0, 1.21),
    (25.0, 0.780),
    (35.0, 0.554),
    (50.0, 0.386),
)

AWG = tuple(
    Conductor(f"AWG {size}", area, ohm_per_kft / M_PER_KFT * 1000.0, 75.0, 0.00323, AWG_SOURCE)
    for size, area, ohm_per_kft in _AWG_ROWS
)
METRIC = tuple(Conductor(f"{area:g} mm2", area, ohm, 20.0, 0.004, METRIC_SOURCE) for area, ohm in _METRIC_ROWS)
_BY_NAME = {conductor.name: conductor for conductor in (*AWG, *METRIC)}

# Largest fuse by AWG size: NEC 240.4(D), small conductors, copper.
_LARGEST_FUSE_ROWS = ((18, 7.0), (16, 10.0), (14, 15.0), (12, 20.0), (10, 30.0))

FUSE_RATINGS_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
"""Ratings blade fuses are commonly sold in (common practice, no source)."""

FUSE_MARGIN = 1.25
"""A fuse carries a steady current of at most its rating divided by this (common practice, no source)."""

FUSE_CAUTIONS = (
    "A fuse protects the wire, not the device: it sits where the wire begins, within 18 cm (7 in) of the battery's "
    "terminal.",
    "Its voltage rating must be at least 32 V DC, and it must be able to break the battery's short-circuit current; a "
    "lithium battery's is very large.",
    "Bundled, buried or hot wires carry less than their table says: ask the cable's maker, then use the lower figure.",
    "These are planning figures: a licensed person decides.",
)


def conductor(name: str) -> Conductor:
    """The conductor with that name. Raises ValueError, which lists the names there are, for any other."""
    if name not in _BY_NAME:
        raise ValueError(f"no conductor {name!r}; known are {', '.join(_BY_NAME)}")
    return _BY_NAME[name]


def voltage_drop_v(wire: Conductor, current_a: float, one_way_m: float, copper_c: float) -> float:
    """What is lost on the way there and back: 2 I R L (Ohm's law).

    Raises ValueError for a current or length that is negative or not a number.
    """
    _checked(current_a, "current in A", 0.0, 10_000.0)
    _checked(one_way_m, "length in m", 0.0, 100_000.0)
    return CONDUCTORS_IN_CIRCUIT * current_a * wire.ohm_per_km(copper_c) * one_way_m / 1000.0


def smallest_conductor(
    table: tuple[Conductor, ...],
    current_a: float,
    one_way_m: float,
    allowed_drop_v: float,
    copper_c: float,
    fuse_a: float = 0.0,
) -> Conductor | None:
    """The thinnest conductor of a table (`AWG` or `METRIC`) that loses no more than allowed and may carry that fuse.

    None when even the thickest loses more, or none may carry the fuse. Raises ValueError for values out of range.
    """
    _checked(allowed_drop_v, "allowed drop in V", 0.0, 1000.0)
    _checked(fuse_a, "fuse in A", 0.0, 10_000.0)
    for wire in table:
        ceiling_a = largest_fuse_a(wire)
        carries_fuse = fuse_a == 0.0 or (ceiling_a is not None and fuse_a <= ceiling_a)
        if carries_fuse and voltage_drop_v(wire, current_a, one_way_m, copper_c) <= allowed_drop_v:
            return wire
    return None


def largest_fuse_a(wire: Conductor) -> float | None:
    """Largest fuse for a copper conductor by NEC 240.4(D); None below AWG 18, which the rule does not cover.

    A size between or above the listed ones (10, 12, 14, 16, 18) counts as the next thinner listed one.
    """
    ceiling_a = None
    for size, fuse_a in _LARGEST_FUSE_ROWS:
        if wire.area_mm2 >= _BY_NAME[f"AWG {size}"].area_mm2:
            ceiling_a = fuse_a
    return ceiling_a


@dataclass(frozen=True, slots=True)
class FuseAdvice:
    """`rating_a` None: no fuse fits, and `reason` says why and whom to ask. `ceiling_a`: what the wire may carry."""

    rating_a: float | None
    ceiling_a: float | None
    reason: str
    cautions: tuple[str, ...] = FUSE_CAUTIONS


def fuse_for(wire: Conductor, running_a: float, ampacity_a: float | None = None) -> FuseAdvice:
    """The smallest common fuse that carries the running current with margin and does not exceed what the wire carries.

    `ampacity_a` is what the cable's maker allows it to carry as installed; the lower of that and NEC 240.4(D) counts.
    Raises ValueError for a current out of range.
    """
    _checked(running_a, "running current in A", 0.0, 10_000.0)
    rule_a = largest_fuse_a(wire)
    if ampacity_a is not None:
        _checked(ampacity_a, "ampacity in A", 0.0, 10_000.0)
    known = [limit_a for limit_a in (rule_a, ampacity_a) if limit_a is not None]
    if not known:
        return FuseAdvice(None, None, f"ask the maker of the {wire.name} cable how much it may carry as you lay it")
    ceiling_a = min(known)
    needed_a = FUSE_MARGIN * running_a
    for rating_a in FUSE_RATINGS_A:
        if needed_a <= rating_a <= ceiling_a:
            return FuseAdvice(
                rating_a, ceiling_a, f"carries {running_a:g} A, {wire.name} carries up to {ceiling_a:g} A"
            )
    return FuseAdvice(
        None, ceiling_a, f"{wire.name} may carry {ceiling_a:g} A, {needed_a:g} A are needed: take a thicker wire"
    )


def _checked(value: float, what: str, least: float, most: float) -> None:
    if math.isnan(value) or not least <= value <= most:
        raise ValueError(f"{what} is {value}; allowed is {least:g} to {most:g}")
