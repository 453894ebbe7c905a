"""Quantities written with their unit ("2.5 m3", "660 gal", "48 in"), read into one base unit per dimension.

Conversion factors: NIST Special Publication 811 (2008), appendix B.8; the US gallon is 231 cubic inches exactly, the
imperial gallon 4.54609 L exactly. `gal` means the US gallon; the imperial one is `imp gal`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

US_GALLON_L = 3.785411784
IMPERIAL_GALLON_L = 4.54609
INCH_MM = 25.4
FOOT_MM = 304.8

_NUMBER = re.compile(r"([+-]?(?:\d{1,9}(?:\.\d{1,9})?|\.\d{1,9}))(?![\d.,eE_])", re.ASCII)
_NUMBER_LIKE = re.compile(r"[+-]?[\d.,_]+(?:[eE][+-]?\d+)?", re.ASCII)
_SPACES = re.compile(r"\s+")


class QuantityError(ValueError):
    """A text is not a quantity of the wanted dimension; the message says what is wrong and how to write it."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Base value = written value x factor + offset."""

    factor: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Dimension:
    """What can be measured in one base unit. `example` shows people how to write it."""

    name: str
    base: str
    example: str
    units: Mapping[str, Unit]

    @property
    def unit_names(self) -> str:
        """The accepted spellings, for messages and the reference page."""
        return ", ".join(self.units)


def _table(factors: Mapping[str, float]) -> dict[str, Unit]:
    return {name: Unit(factor) for name, factor in factors.items()}


LENGTH = Dimension(
    "length",
    "mm",
    "1200 mm",
    _table({"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": INCH_MM, "ft": FOOT_MM}),
)
AREA = Dimension(
    "area",
    "m2",
    "24 m2",
    _table({"m2": 1.0, "m²": 1.0, "cm2": 1e-4, "ft2": 0.09290304, "ft²": 0.09290304, "sq ft": 0.09290304}),
)
VOLUME = Dimension(
    "volume",
    "L",
    "1900 L",
    _table(
        {
            "L": 1.0,
            "l": 1.0,
            "mL": 0.001,
            "ml": 0.001,
            "m3": 1000.0,
            "m³": 1000.0,
            "gal": US_GALLON_L,
            "imp gal": IMPERIAL_GALLON_L,
            "ft3": 28.316846592,
            "ft³": 28.316846592,
        }
    ),
)
FLOW = Dimension(
    "flow",
    "L/min",
    "10 L/min",
    _table(
        {
            "L/min": 1.0,
            "l/min": 1.0,
            "L/h": 1.0 / 60.0,
            "l/h": 1.0 / 60.0,
            "L/s": 60.0,
            "l/s": 60.0,
            "m3/h": 1000.0 / 60.0,
            "m³/h": 1000.0 / 60.0,
            "gal/min": US_GALLON_L,
            "gpm": US_GALLON_L,
            "gal/h": US_GALLON_L / 60.0,
            "gph": US_GALLON_L / 60.0,
            "imp gal/h": IMPERIAL_GALLON_L / 60.0,
        }
    ),
)
VOLTAGE = Dimension("voltage", "V", "11.8 V", _table({"V": 1.0, "mV": 0.001}))
CURRENT = Dimension("current", "A", "4 A", _table({"A": 1.0, "mA": 0.001}))
CHARGE = Dimension("battery capacity", "Ah", "80 Ah", _table({"Ah": 1.0, "mAh": 0.001}))
POWER = Dimension("power", "W", "60 W", _table({"W": 1.0, "kW": 1000.0}))
DURATION = Dimension(
    "duration", "s", "60 s", _table({"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "day": 86400.0, "days": 86400.0})
)
TEMPERATURE = Dimension(
    "temperature",
    "°C",
    "2 °C",
    {
        "°C": Unit(1.0),
        "C": Unit(1.0),
        "°F": Unit(5.0 / 9.0, -160.0 / 9.0),
        "F": Unit(5.0 / 9.0, -160.0 / 9.0),
    },
)
HEAT_SUM = Dimension(
    "sum of warmth",
    "°C day",
    "350 °C day",
    _table(
        {
            "°C day": 1.0,
            "°C days": 1.0,
            "°C d": 1.0,
            "C day": 1.0,
            "°F day": 5.0 / 9.0,
            "°F days": 5.0 / 9.0,
            "°F d": 5.0 / 9.0,
            "F day": 5.0 / 9.0,
        }
    ),
)
ANGLE = Dimension("angle", "°", "40 °", _table({"°": 1.0, "deg": 1.0}))
LATITUDE = Dimension(
    "latitude", "°", "51.72 °N", _table({"°N": 1.0, "°S": -1.0, "°": 1.0, "N": 1.0, "S": -1.0, "deg": 1.0})
)
LONGITUDE = Dimension(
    "longitude", "°", "2.14 °W", _table({"°E": 1.0, "°W": -1.0, "°": 1.0, "E": 1.0, "W": -1.0, "deg": 1.0})
)
PERCENT = Dimension("percentage", "%", "90 %", _table({"%": 1.0}))
WATER_CONTENT = Dimension(
    "water held per depth of soil",
    "mm/m",
    "150 mm/m",
    _table({"mm/m": 1.0, "cm/m": 10.0, "in/ft": 1000.0 / 12.0, "%": 10.0}),
)
DEPTH_PER_DAY = Dimension(
    "depth of water per day",
    "mm/day",
    "3.1 mm/day",
    _table({"mm/day": 1.0, "mm/d": 1.0, "cm/day": 10.0, "in/day": INCH_MM, "in/d": INCH_MM}),
)
PULSES = Dimension(
    "pulses per volume",
    "pulses/L",
    "450 pulses/L",
    _table(
        {
            "pulses/L": 1.0,
            "pulses/l": 1.0,
            "/L": 1.0,
            "/l": 1.0,
            "pulses/gal": 1.0 / US_GALLON_L,
            "/gal": 1.0 / US_GALLON_L,
            "pulses/imp gal": 1.0 / IMPERIAL_GALLON_L,
        }
    ),
)

DIMENSIONS = (
    LENGTH,
    AREA,
    VOLUME,
    FLOW,
    VOLTAGE,
    CURRENT,
    CHARGE,
    POWER,
    DURATION,
    TEMPERATURE,
    HEAT_SUM,
    ANGLE,
    LATITUDE,
    LONGITUDE,
    PERCENT,
    WATER_CONTENT,
    DEPTH_PER_DAY,
    PULSES,
)


def parse_quantity(value: object, dimension: Dimension) -> float:
    """The quantity in the dimension's base unit. Raises QuantityError for anything but a number with a known unit."""
    if isinstance(value, bool):
        raise QuantityError(f'expected {_article(dimension.name)}; write it like "{dimension.example}"')
    if isinstance(value, int | float):
        raise QuantityError(
            f'a bare number has no unit; write it in quotation marks with one, for example "{dimension.example}" '
            f"(units: {dimension.unit_names})"
        )
    if not isinstance(value, str):
        raise QuantityError(
            f'expected {_article(dimension.name)} in quotation marks, for example "{dimension.example}"'
        )
    number, unit_name = _split(value.strip(), dimension)
    unit = dimension.units.get(unit_name)
    if unit is None:
        raise QuantityError(_unknown_unit(unit_name, dimension))
    return number * unit.factor + unit.offset


def quantity_pattern(dimension: Dimension) -> str:
    """A regular expression (ECMA-262, as JSON Schema has them) for what `parse_quantity` takes."""
    units = "|".join(name.replace(" ", r"\s+") for name in sorted(dimension.units, key=len, reverse=True))
    return rf"^\s*[+-]?([0-9]{{1,9}}(\.[0-9]{{1,9}})?|\.[0-9]{{1,9}})(?![0-9.,eE_])\s*({units})\s*$"


def _article(name: str) -> str:
    return f"an {name}" if name[0] in "aeiou" else f"a {name}"


def _split(text: str, dimension: Dimension) -> tuple[float, str]:
    match = _NUMBER.match(text)
    if match is None:
        raise QuantityError(_not_a_number(text, dimension))
    unit_name = _SPACES.sub(" ", text[match.end() :].strip())
    if not unit_name:
        raise QuantityError(
            f'the unit is missing; write for example "{dimension.example}" (units: {dimension.unit_names})'
        )
    return float(match.group(1)), unit_name


def _not_a_number(text: str, dimension: Dimension) -> str:
    like = _NUMBER_LIKE.match(text)
    if like is not None and "," in like.group():
        return f'decimals are written with a point and thousands without a comma, for example "{dimension.example}"'
    return f'expected a plain decimal number and a unit, for example "{dimension.example}"'


def _unknown_unit(unit_name: str, dimension: Dimension) -> str:
    elsewhere = next((d for d in DIMENSIONS if unit_name in d.units and d is not dimension), None)
    if elsewhere is not None:
        hint = f'"{unit_name}" is a unit of {elsewhere.name}, and this must be {_article(dimension.name)}'
    else:
        hint = f'unknown unit "{unit_name[:40]}"'
        near = nearest_unit(unit_name, dimension)
        if near is not None:
            hint += f'; did you mean "{near}"?'
    return f"{hint} (units of {dimension.name}: {dimension.unit_names})"


def nearest_unit(unit_name: str, dimension: Dimension) -> str | None:
    """The accepted unit that looks most like what was written, if any does."""
    by_lower = {name.lower(): name for name in reversed(list(dimension.units))}
    spelled = _SPELLED_OUT.get(unit_name.lower().rstrip("s"))
    if spelled in dimension.units:
        return spelled
    near = difflib.get_close_matches(unit_name.lower()[:40], by_lower, n=1, cutoff=0.4)
    return by_lower[near[0]] if near else None


_SPELLED_OUT = {
    "litre": "L",
    "liter": "L",
    "lt": "L",
    "ltr": "L",
    "gallon": "gal",
    "us gal": "gal",
    "us gallon": "gal",
    "usg": "gal",
    "uk gal": "imp gal",
    "imperial gallon": "imp gal",
    "millilitre": "mL",
    "cubic metre": "m3",
    "cubic meter": "m3",
    "cbm": "m3",
    "inch": "in",
    "inche": "in",
    '"': "in",
    "'": "ft",
    "foot": "ft",
    "feet": "ft",
    "metre": "m",
    "meter": "m",
    "millimetre": "mm",
    "millimeter": "mm",
    "centimetre": "cm",
    "centimeter": "cm",
    "square metre": "m2",
    "square meter": "m2",
    "square foot": "ft2",
    "square feet": "ft2",
    "sqm": "m2",
    "sqft": "ft2",
    "lpm": "L/min",
    "lph": "L/h",
    "volt": "V",
    "amp": "A",
    "ampere": "A",
    "watt": "W",
    "second": "s",
    "sec": "s",
    "minute": "min",
    "hour": "h",
    "hr": "h",
    "degree": "°",
    "celsius": "°C",
    "fahrenheit": "°F",
    "percent": "%",
    "per cent": "%",
}
