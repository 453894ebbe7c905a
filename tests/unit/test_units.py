"""Quantities are read with their unit, and refused with a sentence that shows how to write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.site import units
from controller.site.units import DIMENSIONS, Dimension, QuantityError, parse_quantity


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("2.5 m3", units.VOLUME, 2500.0),
        ("660 gal", units.VOLUME, 2498.37177744),
        ("100 imp gal", units.VOLUME, 454.609),
        ("1.9m³", units.VOLUME, 1900.0),
        ("750 mL", units.VOLUME, 0.75),
        ("48 in", units.LENGTH, 1219.2),
        ("4 ft", units.LENGTH, 1219.2),
        ("3 mm", units.LENGTH, 3.0),
        (".5 m", units.LENGTH, 500.0),
        ("-12 m", units.LENGTH, -12000.0),
        ("258 ft2", units.AREA, 23.96898432),
        ("258 sq ft", units.AREA, 23.96898432),
        ("24 m²", units.AREA, 24.0),
        ("0.5 gal/h", units.FLOW, 0.0315450982),
        ("2 L/h", units.FLOW, 2.0 / 60.0),
        ("1.2 L/min", units.FLOW, 1.2),
        ("3 gpm", units.FLOW, 11.356235352),
        ("0.6 m3/h", units.FLOW, 10.0),
        ("12.1 V", units.VOLTAGE, 12.1),
        ("12100 mV", units.VOLTAGE, 12.1),
        ("80 Ah", units.CHARGE, 80.0),
        ("4 A", units.CURRENT, 4.0),
        ("60 W", units.POWER, 60.0),
        ("180 mm/m", units.WATER_CONTENT, 180.0),
        ("2.4 in/ft", units.WATER_CONTENT, 200.0),
        ("15 %", units.WATER_CONTENT, 150.0),
        ("45 %", units.PERCENT, 45.0),
        ("45%", units.PERCENT, 45.0),
        ("2 s", units.DURATION, 2.0),
        ("10 min", units.DURATION, 600.0),
        ("30 days", units.DURATION, 2592000.0),
        ("20 °C", units.TEMPERATURE, 20.0),
        ("32 °F", units.TEMPERATURE, 0.0),
        ("50 F", units.TEMPERATURE, 10.0),
        ("450 pulses/L", units.PULSES, 450.0),
        ("450 /L", units.PULSES, 450.0),
        ("378.5411784 pulses/gal", units.PULSES, 100.0),
        ("51.72 °N", units.LATITUDE, 51.72),
        ("33.5 °S", units.LATITUDE, -33.5),
        ("2.14 °W", units.LONGITUDE, -2.14),
        ("-2.14 °", units.LONGITUDE, -2.14),
        ("40 deg", units.ANGLE, 40.0),
        ("  7   L ", units.VOLUME, 7.0),
    ],
)
def test_a_quantity_reads_in_the_base_unit_of_its_dimension(text: str, dimension: Dimension, expected: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "dimension", "said"),
    [
        (1900, units.VOLUME, 'a bare number has no unit; write it in quotation marks with one, for example "1900 L"'),
        (0.5, units.LENGTH, "a bare number has no unit"),
        (float("nan"), units.LENGTH, "a bare number has no unit"),
        (True, units.VOLUME, "expected a volume"),
        ([], units.VOLUME, "expected a volume in quotation marks"),
        ("1900", units.VOLUME, "the unit is missing"),
        ("", units.VOLUME, "plain decimal number and a unit"),
        ("L 1900", units.VOLUME, "plain decimal number and a unit"),
        ("nan L", units.VOLUME, "plain decimal number"),
        ("inf L", units.VOLUME, "plain decimal number"),
        ("1e3 L", units.VOLUME, "plain decimal number"),
        ("1E9 L", units.VOLUME, "plain decimal number"),
        ("0x10 L", units.VOLUME, "unknown unit"),
        ("1_000 L", units.VOLUME, "plain decimal number"),
        ("2,5 m3", units.VOLUME, "decimals are written with a point"),
        ("1,900 L", units.VOLUME, "thousands without a comma"),
        ("1.900.000 L", units.VOLUME, "plain decimal number"),
        ("12345678901 L", units.VOLUME, "plain decimal number"),
        ("--5 L", units.VOLUME, "plain decimal number"),
        ("١٢ L", units.VOLUME, "plain decimal number"),
        ("1900 litres", units.VOLUME, 'unknown unit "litres"; did you mean "L"?'),
        ("500 gallons", units.VOLUME, 'did you mean "gal"?'),
        ("500 GAL", units.VOLUME, 'did you mean "gal"?'),
        ("48 inches", units.LENGTH, 'did you mean "in"?'),
        ('48 "', units.LENGTH, 'did you mean "in"?'),
        ("4 feet", units.LENGTH, 'did you mean "ft"?'),
        ("2 lph", units.FLOW, 'did you mean "L/h"?'),
        ("12 volts", units.VOLTAGE, 'did you mean "V"?'),
        ("80 ah", units.CHARGE, 'did you mean "Ah"?'),
        ("450 pulse/L", units.PULSES, 'did you mean "pulses/L"?'),
        ("4 ft 6 in", units.LENGTH, "unknown unit"),
        ("2 L", units.FLOW, '"L" is a unit of volume, and this must be a flow'),
        ("24 m", units.AREA, '"m" is a unit of length, and this must be an area'),
        ("80 A", units.CHARGE, '"A" is a unit of current'),
        ("51.7 °N", units.LONGITUDE, '"°N" is a unit of latitude'),
    ],
)
def test_what_is_not_a_quantity_is_refused_with_the_cure(value: object, dimension: Dimension, said: str) -> None:
    with pytest.raises(QuantityError) as refusal:
        parse_quantity(value, dimension)
    assert said in str(refusal.value)
    assert dimension.example in str(refusal.value) or dimension.unit_names in str(refusal.value)


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda dimension: dimension.name)
def test_every_dimension_reads_its_own_example_and_base_unit(dimension: Dimension) -> None:
    parse_quantity(dimension.example, dimension)
    assert parse_quantity(f"7.25 {dimension.base}", dimension) == 7.25


@given(st.text(max_size=30), st.sampled_from(DIMENSIONS))
def test_any_text_is_either_a_quantity_or_refused(text: str, dimension: Dimension) -> None:
    try:
        value: object = parse_quantity(text, dimension)
    except QuantityError as refusal:
        value = str(refusal)
    assert len(value) < 600 if isinstance(value, str) else -1e14 < value < 1e14


@given(st.decimals(-999999, 999999, places=3), st.sampled_from(DIMENSIONS), st.data())
def test_every_unit_of_a_dimension_is_read(number: object, dimension: Dimension, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(list(dimension.units)))
    unit = dimension.units[name]
    assert parse_quantity(f"{number} {name}", dimension) == pytest.approx(
        float(str(number)) * unit.factor + unit.offset
    )
