"""FAO Irrigation and Drainage Paper 56 (Rome, 1998), chapters 6 to 8: crop coefficients, surface and root-zone water.

Data files and their sources: `data/fao56.sources.md`.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from controller.irrigate.crop import climate_adjusted_kc, climate_adjusted_kc_end, season_kc
from controller.irrigate.dual_coefficient import (
    dried_surface_mm,
    drying_coefficient,
    evaporation_coefficient,
    wetted_surface_mm,
)
from controller.irrigate.root_zone import (
    StepOrder,
    adjusted_fraction,
    advance_depletion,
    effective_rain_mm,
    readily_available_mm,
    stress_coefficient,
    total_available_mm,
)

DATA = Path(__file__).parent / "data"

SOILS = {"loamy sand": (0.15, 0.06), "silt": (0.32, 0.15), "silty clay": (0.35, 0.23)}
CROPS = {"onion": (0.4, 0.30), "tomato": (0.8, 0.40), "maize": (1.2, 0.55)}


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    ("crop", "soil", "printed_taw_mm", "printed_raw_mm"),
    [
        ("onion", "loamy sand", 36, 11),
        ("onion", "silt", 68, 20),
        ("onion", "silty clay", 48, 14),
        ("tomato", "loamy sand", 72, 29),
        ("tomato", "silt", 136, 54),
        ("tomato", "silty clay", 96, 38),
        ("maize", "loamy sand", 108, 59),
        ("maize", "silt", 204, 112),
        ("maize", "silty clay", 144, 79),
    ],
)
def test_total_and_readily_available_water_of_example_36(
    crop: str, soil: str, printed_taw_mm: float, printed_raw_mm: float
) -> None:
    """Example 36, equations 82 and 83; the soils' water contents follow from the printed totals."""
    field_capacity, wilting_point = SOILS[soil]
    depth_m, fraction = CROPS[crop]
    total_mm = total_available_mm(field_capacity, wilting_point, depth_m)
    assert total_mm == pytest.approx(printed_taw_mm, abs=0.5)
    assert readily_available_mm(total_mm, fraction) == pytest.approx(printed_raw_mm, abs=0.5)


@pytest.mark.parametrize("order", ["water-first", "end-of-day"])
def test_the_stress_series_of_example_37(order: StepOrder) -> None:
    """Example 37: TAW 160, RAW 64 mm, ETc 6 mm/day, no water for ten days; without water the order cannot matter."""
    depletion_mm = 55.0
    for row in _rows("fao56_ex37_stress.csv"):
        assert depletion_mm == pytest.approx(float(row["Dr_start_mm"]), abs=0.1)
        stress = stress_coefficient(depletion_mm, 160.0, 0.4)
        assert stress == pytest.approx(float(row["Ks"]), abs=0.006)
        etc_mm = stress * 6.0
        assert etc_mm == pytest.approx(float(row["ETc_adj_mm"]), abs=0.06)
        depletion_mm = advance_depletion(depletion_mm, 160.0, 0.0, 0.0, etc_mm, order).depletion_mm
        assert depletion_mm == pytest.approx(float(row["Dr_end_mm"]), abs=0.1)
    assert depletion_mm == pytest.approx(104.5051, abs=1e-3)


def _run_example_38(order: StepOrder) -> tuple[list[float], list[float]]:
    """Depletion at each day's end and percolation, with the table's water and crop evapotranspiration, from 23 mm."""
    depletion_mm, ends, drained = 23.0, [], []
    for row in _rows("fao56_ex38_schedule.csv"):
        step = advance_depletion(
            depletion_mm, 100.0, float(row["P_minus_RO_mm"]), float(row["I_mm"]), float(row["ETc_mm"]), order
        )
        depletion_mm = step.depletion_mm
        ends.append(depletion_mm)
        drained.append(step.deep_percolation_mm)
    return ends, drained


def test_the_schedule_of_example_38_by_the_order_of_its_own_table() -> None:
    """Example 38 prints whole millimetres: 5 12 16 18 21 18 22 25 27 6, with 17 mm drained on day 1.

    The table lets the water in at the start of the day, drops what does not fit, and only then subtracts ETc.
    """
    ends, drained = _run_example_38("water-first")
    printed = [float(row["Dr_end_mm"]) for row in _rows("fao56_ex38_schedule.csv")]
    assert ends == pytest.approx(printed, abs=1.0)
    assert ends == pytest.approx([5.5, 11.6, 15.6, 18.5, 21.0, 17.7, 22.4, 25.2, 27.4, 6.7], abs=0.05)
    assert drained[0] == pytest.approx(17.0)


def test_the_schedule_of_example_38_by_the_order_of_the_text_is_another_one() -> None:
    """Equations 85 and 88 as written: the first day's ETc makes room for water: 11.5 mm drain, nothing is missing.

    The two orders differ only by the ETc of the day with a surplus, which every later day then carries.
    """
    ends, drained = _run_example_38("end-of-day")
    by_table, _ = _run_example_38("water-first")
    assert drained[0] == pytest.approx(11.5)
    assert ends[0] == pytest.approx(0.0)
    assert [late - early for late, early in zip(by_table, ends, strict=True)] == pytest.approx([5.5] * 10, abs=1e-9)


def test_the_table_of_example_38_waters_when_the_readily_available_water_is_used_up() -> None:
    """Day 10: the depletion of 27 mm at its start has reached the RAW of 27 mm, on no day before."""
    ends, _ = _run_example_38("water-first")
    readily = [float(row["RAW_mm"]) for row in _rows("fao56_ex38_schedule.csv")]
    used_up = [end >= raw for end, raw in zip(ends[:9], readily[1:10], strict=True)]
    assert used_up == [False] * 8 + [True]


@pytest.mark.parametrize(
    ("table_fraction", "etc_mm", "expected"),
    [(0.40, 3.0, 0.48), (0.40, 8.0, 0.28), (0.40, 10.0, 0.20), (0.20, 8.0, 0.10), (0.70, 1.0, 0.80)],
)
def test_the_depletion_fraction_follows_the_demand_of_the_day(
    table_fraction: float, etc_mm: float, expected: float
) -> None:
    """The rule on page 162, p + 0.04 (5 - ETc), held between 0.1 and 0.8; the values are own arithmetic."""
    assert adjusted_fraction(table_fraction, etc_mm) == pytest.approx(expected)


def test_rain_below_a_fifth_of_the_reference_evapotranspiration_does_not_count() -> None:
    """Page 170."""
    assert effective_rain_mm(0.9, 5.0, rain_fed=True) == 0.0
    assert effective_rain_mm(1.0, 5.0, rain_fed=True) == 1.0


def test_a_low_end_of_season_coefficient_is_not_adjusted() -> None:
    """Box 15, equation 65: dry beans, 0.4 m high, wind 2.2 m/s, humidity 30 %; Kc end 0.35 stays, being below 0.45."""
    assert climate_adjusted_kc_end(0.35, 2.2, 30.0, 0.4) == 0.35
    assert climate_adjusted_kc_end(1.15, 2.2, 30.0, 0.4) == climate_adjusted_kc(1.15, 2.2, 30.0, 0.4)


def test_the_curve_of_figure_36_by_ten_day_means() -> None:
    """Figure 36, the same dry beans as Example 28: means over ten days, the last stage two periods."""
    stages = (25, 25, 30, 20)
    days = [season_kc(day, stages, 0.15, 1.19, 0.35) for day in range(1, 101)]
    means = [sum(days[start : start + 10]) / 10.0 for start in range(0, 100, 10)]
    printed = [0.15, 0.15, 0.20, 0.57, 0.98, 1.19, 1.19, 1.19, 0.98, 0.56]
    assert means == pytest.approx(printed, abs=0.03)


def test_the_drying_of_bare_soil_in_example_31() -> None:
    """Example 31: loam without plants, TEW 20, REW 9 mm, ETo 4.5 mm/day, Kc max 1.20, Kcb 0.15, all of it exposed."""
    surface_mm = 0.0
    for row in _rows("fao56_ex31_bare_soil.csv"):
        assert surface_mm == pytest.approx(float(row["De_start_mm"]), abs=0.02)
        drying = drying_coefficient(surface_mm, 20.0, 9.0)
        assert drying == pytest.approx(float(row["Kr"]), abs=0.006)
        coefficient = evaporation_coefficient(drying, 0.15, 1.20, 1.0)
        assert coefficient == pytest.approx(float(row["Ke"]), abs=0.006)
        assert (0.15 + coefficient) * 4.5 == pytest.approx(float(row["ETc_mm"]), abs=0.06)
        surface_mm = dried_surface_mm(surface_mm, 20.0, coefficient * 4.5, 1.0)
        assert surface_mm == pytest.approx(float(row["De_end_mm"]), abs=0.02)


def _example_35(row: dict[str, str], surface_mm: float) -> tuple[float, float, float]:
    """Kr, Kc and the surface depletion at the end of a day: sandy loam, TEW 18, REW 8 mm, Kc max 1.212.

    Kcb goes from 0.30 to 0.40 and 1 - fc from 0.92 to 0.86 over the ten days; the table prints both to two digits.
    """
    passed = (int(row["day"]) - 1) / 9.0
    kcb, in_the_sun = 0.30 + 0.10 * passed, 0.92 - 0.06 * passed
    exposed = min(in_the_sun, float(row["fw"]))
    drying = drying_coefficient(surface_mm, 18.0, 8.0)
    coefficient = evaporation_coefficient(drying, kcb, 1.212, exposed)
    after_mm = dried_surface_mm(surface_mm, 18.0, coefficient * float(row["ETo_mm"]), exposed)
    return drying, kcb + coefficient, after_mm


EX_35_WATER_MM = {1: 40.0 / 0.8, 6: 6.0}
"""Water on the wetted part: 40 mm through sprinklers that wet 0.8 of the ground, and rain on all of it on day 6."""


def test_the_dual_coefficient_of_example_35() -> None:
    """Example 35. Day 3 is misprinted: its Kc of 1.04 is not the sum of its 0.32 and 0.62; Example 38 has 0.72 for Ke.

    The book carries De in whole millimetres, hence Kr of 0.75 on day 6 where 0.706 comes of the equation.
    """
    surface_mm = 18.0
    for row in _rows("fao56_ex35_dual_kc.csv"):
        surface_mm = wetted_surface_mm(surface_mm, EX_35_WATER_MM.get(int(row["day"]), 0.0))
        assert surface_mm == pytest.approx(float(row["De_start_unrounded"]), abs=0.01)
        drying, kc, surface_mm = _example_35(row, surface_mm)
        assert drying == pytest.approx(float(row["Kr_unrounded"]), abs=5e-4)
        assert kc == pytest.approx(float(row["Kc_unrounded"]), abs=5e-4)
        assert kc == pytest.approx(float(row["Kc_printed"]), abs=0.1)
        assert surface_mm == pytest.approx(float(row["De_end_unrounded"]), abs=0.01)
        assert surface_mm == pytest.approx(float(row["De_end_printed"]), abs=0.7)


def test_example_38_follows_from_the_dual_coefficient_of_example_35() -> None:
    """Example 38 waters the crop of Example 35: its depletions without taking a coefficient from its table."""
    surface_mm, depletion_mm = 18.0, 23.0
    basal = _rows("fao56_ex35_dual_kc.csv")
    for row, climate in zip(_rows("fao56_ex38_schedule.csv"), basal, strict=True):
        rain_mm, irrigation_mm = float(row["P_minus_RO_mm"]), float(row["I_mm"])
        surface_mm = wetted_surface_mm(surface_mm, rain_mm + irrigation_mm / 0.8)
        _, kc, surface_mm = _example_35(climate, surface_mm)
        etc_mm = kc * float(row["ETo_mm"])
        depletion_mm = advance_depletion(depletion_mm, 100.0, rain_mm, irrigation_mm, etc_mm).depletion_mm
        assert depletion_mm == pytest.approx(float(row["Dr_end_mm"]), abs=1.0)
