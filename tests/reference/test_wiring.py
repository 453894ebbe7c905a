"""Wire tables, voltage drops and fuses against NEC and IEC 60228; sources of the data in `data/wire.sources.md`."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from simulator.wiring import (
    AWG,
    FUSE_RATINGS_A,
    M_PER_KFT,
    METRIC,
    Conductor,
    conductor,
    fuse_for,
    largest_fuse_a,
    smallest_conductor,
    voltage_drop_v,
)

DATA = Path(__file__).parent / "data"
M_PER_FT = 0.3048


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((DATA / name).read_text().splitlines()))


AWG_ROWS = rows("wire_awg_dc_resistance.csv")
IEC_ROWS = rows("wire_iec60228_max_resistance_20C.csv")
DROP_ROWS = rows("voltage_drop_examples.csv")


@pytest.mark.parametrize("row", AWG_ROWS, ids=lambda row: f"AWG {row['awg']}")
def test_awg_resistance_is_nec_chapter_9_table_8(row: dict[str, str]) -> None:
    """Stranded, uncoated copper at 75 degrees Celsius, ohms per 1000 ft, as printed."""
    wire = conductor(f"AWG {row['awg']}")
    printed = float(row["NEC_T8_75C_stranded_uncoated_ohm_per_kft"])
    assert wire.ohm_per_km(75.0) * M_PER_KFT / 1000.0 == pytest.approx(printed, abs=1e-9)
    assert wire.area_mm2 == pytest.approx(float(row["area_mm2_from_diameter_formula"]))


@pytest.mark.parametrize("row", IEC_ROWS, ids=lambda row: f"{row['mm2']} mm2")
def test_metric_resistance_is_iec_60228_class_5(row: dict[str, str]) -> None:
    """IEC 60228 table 3, plain copper at 20 degrees Celsius, ohms per kilometre."""
    assert conductor(f"{row['mm2']} mm2").ohm_per_km(20.0) == float(row["class5_6_plain_ohm_per_km"])


def test_the_tables_hold_every_size_of_the_data_from_thin_to_thick() -> None:
    assert [wire.name for wire in AWG] == [f"AWG {row['awg']}" for row in AWG_ROWS]
    assert [wire.name for wire in METRIC] == [f"{row['mm2']} mm2" for row in IEC_ROWS]
    for table in (AWG, METRIC):
        assert [wire.area_mm2 for wire in table] == sorted(wire.area_mm2 for wire in table)


@pytest.mark.parametrize("row", AWG_ROWS, ids=lambda row: f"AWG {row['awg']}")
def test_awg_resistance_agrees_with_the_physics_of_copper(row: dict[str, str]) -> None:
    """1.7241e-8 ohm metre at 20 degrees; strands lie in a spiral and are about 2 % longer than a solid wire."""
    solid_ohm_per_kft = float(row["computed_solid_20C_ohm_per_kft"])
    stranded = conductor(f"AWG {row['awg']}").ohm_per_km(20.0) * M_PER_KFT / 1000.0
    assert stranded == pytest.approx(1.02 * solid_ohm_per_kft, rel=0.006)


@pytest.mark.parametrize(("copper_c", "factor"), [(5.0, 1.064), (40.0, 0.926), (50.0, 0.893), (75.0, 0.820)])
def test_metric_temperature_correction_is_that_of_iec_60228(copper_c: float, factor: float) -> None:
    """Temperature correction factors of IEC 60228: resistance at 20 degrees is the measured one times the factor."""
    wire = conductor("2.5 mm2")
    assert wire.ohm_per_km(20.0) / wire.ohm_per_km(copper_c) == pytest.approx(factor, abs=5e-4)


def test_awg_temperature_correction_is_that_of_nec_table_8_note_2() -> None:
    """R2 = R1 (1 + 0.00323 (T2 - 75)): 0.82235 from 75 to 20 degrees Celsius."""
    wire = conductor("AWG 12")
    assert wire.ohm_per_km(20.0) / wire.ohm_per_km(75.0) == pytest.approx(0.82235, abs=1e-5)


@pytest.mark.parametrize("row", DROP_ROWS, ids=lambda row: f"{row['conductor']}, {row['current_A']} A, {row['length']}")
def test_voltage_drop_of_worked_examples(row: dict[str, str]) -> None:
    """2 I R L with the values of NEC chapter 9 table 8 and IEC 60228; own arithmetic."""
    words = row["conductor"].split()
    name, copper_c = " ".join(words[:2]), float(words[-1].rstrip("C"))
    one_way_m = float(row["length"]) * (M_PER_FT if row["length_unit"].startswith("ft") else 1.0)
    current_a = float(row["current_A"])
    drop_v = voltage_drop_v(conductor(name), current_a, one_way_m, copper_c)
    assert drop_v == pytest.approx(float(row["drop_V"]), abs=1e-6)
    assert 100.0 * drop_v / 12.0 == pytest.approx(float(row["drop_percent_of_12V"]), abs=1e-4)
    assert drop_v * current_a == pytest.approx(float(row["loss_W"]), abs=1e-5)


def test_a_warm_wire_loses_more() -> None:
    """6 A, 8 m, 2.5 mm2: 0.8564 V at 50 degrees by own arithmetic with 0.00393 per kelvin instead of IEC's 0.004."""
    assert voltage_drop_v(conductor("2.5 mm2"), 6.0, 8.0, 50.0) == pytest.approx(0.8564, rel=0.002)


@pytest.mark.parametrize("table", [AWG, METRIC], ids=["AWG", "metric"])
@pytest.mark.parametrize(
    ("current_a", "one_way_m", "allowed_v"), [(4.0, 10.0, 0.36), (0.5, 60.0, 1.2), (10.0, 3.0, 0.36)]
)
def test_the_smallest_conductor_keeps_the_drop_and_the_next_thinner_does_not(
    table: tuple[Conductor, ...], current_a: float, one_way_m: float, allowed_v: float
) -> None:
    chosen = smallest_conductor(table, current_a, one_way_m, allowed_v, 40.0)
    assert chosen is not None
    assert voltage_drop_v(chosen, current_a, one_way_m, 40.0) <= allowed_v
    place = table.index(chosen)
    assert place == 0 or voltage_drop_v(table[place - 1], current_a, one_way_m, 40.0) > allowed_v


def test_a_published_worked_example_of_wire_sizing() -> None:
    """10 A, 11 ft there and 10 ft back, 3 % of 12 V: AWG 12, a supplier's worked example of the ABYC E-11 formula."""
    chosen = smallest_conductor(AWG, 10.0, 10.5 * M_PER_FT, 0.36, 20.0)
    assert chosen is conductor("AWG 12")


def test_no_conductor_is_thick_enough_for_a_hopeless_run() -> None:
    assert smallest_conductor(METRIC, 100.0, 500.0, 0.36, 20.0) is None


def test_a_conductor_that_must_carry_a_fuse_is_thick_enough_for_it() -> None:
    assert smallest_conductor(METRIC, 0.5, 1.0, 1.2, 20.0) is conductor("0.5 mm2")
    assert smallest_conductor(METRIC, 0.5, 1.0, 1.2, 20.0, fuse_a=15.0) is conductor("2.5 mm2")
    assert smallest_conductor(METRIC, 0.5, 1.0, 1.2, 20.0, fuse_a=31.0) is None


@pytest.mark.parametrize(("size", "fuse_a"), [(18, 7.0), (16, 10.0), (14, 15.0), (12, 20.0), (10, 30.0)])
def test_the_largest_fuse_is_that_of_nec_240_4_d(size: int, fuse_a: float) -> None:
    """NEC 240.4(D), overcurrent protection of small copper conductors."""
    assert largest_fuse_a(conductor(f"AWG {size}")) == fuse_a


@pytest.mark.parametrize(
    ("name", "fuse_a"),
    [("0.5 mm2", None), ("0.75 mm2", None), ("1 mm2", 7.0), ("1.5 mm2", 10.0), ("2.5 mm2", 15.0), ("16 mm2", 30.0)],
)
def test_a_metric_conductor_counts_as_the_next_thinner_awg(name: str, fuse_a: float | None) -> None:
    assert largest_fuse_a(conductor(name)) == fuse_a


@pytest.mark.parametrize("wire", [*AWG, *METRIC], ids=lambda wire: wire.name)
@pytest.mark.parametrize("running_a", [0.0, 0.3, 2.0, 4.0, 8.0, 16.0, 50.0])
@pytest.mark.parametrize("ampacity_a", [None, 3.0, 12.5, 80.0])
def test_a_fuse_is_never_above_what_its_wire_carries(
    wire: Conductor, running_a: float, ampacity_a: float | None
) -> None:
    advice = fuse_for(wire, running_a, ampacity_a)
    rule_a = largest_fuse_a(wire)
    if advice.rating_a is None:
        assert advice.reason.startswith("ask") or "thicker wire" in advice.reason
    else:
        assert advice.rating_a in FUSE_RATINGS_A
        assert advice.rating_a >= 1.25 * running_a
        assert rule_a is None or advice.rating_a <= rule_a
        assert ampacity_a is None or advice.rating_a <= ampacity_a
        assert rule_a is not None or ampacity_a is not None
    assert any("licensed person decides" in caution for caution in advice.cautions)


def test_an_unlisted_thin_wire_is_a_question_to_its_maker() -> None:
    advice = fuse_for(conductor("0.75 mm2"), 1.0)
    assert advice.rating_a is None
    assert advice.reason.startswith("ask the maker of the 0.75 mm2 cable")
    assert fuse_for(conductor("0.75 mm2"), 1.0, ampacity_a=6.0).rating_a == 2.0


def test_a_wire_too_thin_for_its_load_says_so() -> None:
    advice = fuse_for(conductor("1.5 mm2"), 9.0)
    assert advice.rating_a is None
    assert advice.reason == "1.5 mm2 may carry 10 A, 11.25 A are needed: take a thicker wire"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: conductor("AWG 11"), "no conductor 'AWG 11'; known are AWG 18, "),
        (lambda: voltage_drop_v(AWG[0], -1.0, 5.0, 20.0), "current in A is -1.0; allowed is 0 to 10000"),
        (lambda: voltage_drop_v(AWG[0], float("nan"), 5.0, 20.0), "current in A is nan"),
        (lambda: voltage_drop_v(AWG[0], 1.0, -5.0, 20.0), "length in m is -5.0"),
        (lambda: voltage_drop_v(AWG[0], 1.0, 5.0, 900.0), "copper temperature in degrees Celsius is 900.0"),
        (lambda: smallest_conductor(AWG, 1.0, 5.0, -0.1, 20.0), "allowed drop in V is -0.1"),
        (lambda: smallest_conductor(AWG, 1.0, 5.0, 0.1, 20.0, -1.0), "fuse in A is -1.0"),
        (lambda: fuse_for(AWG[0], -1.0), "running current in A is -1.0"),
        (lambda: fuse_for(AWG[0], 1.0, -2.0), "ampacity in A is -2.0"),
    ],
)
def test_impossible_values_are_named(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError) as error:
        call()
    assert str(error.value).startswith(message)
