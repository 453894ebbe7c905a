"""Declared monthly evapotranspiration, and what it corrects."""

from __future__ import annotations

import zoneinfo
from dataclasses import replace
from datetime import date

import pytest

from controller.core.day import LOCAL_HARGREAVES
from controller.irrigate.normal_et import (
    LEAST_CORRECTION,
    MOST_CORRECTION,
    formula_et0_mm,
    local_correction,
    mean_et0_mm,
)
from controller.irrigate.outlook import outlook
from controller.site.load import parse_site
from simulator.example import example_site_text
from tests.scenario.garden import EXAMPLE, Garden, only

PLACE = EXAMPLE.place
assert PLACE.normals is not None
NORMALS = PLACE.normals
FORMULA = formula_et0_mm(PLACE, NORMALS)


def declared(part: float) -> tuple[float, ...]:
    return tuple(part * formula for formula in FORMULA)


def test_without_declared_values_the_formula_stands_uncorrected() -> None:
    assert mean_et0_mm(PLACE, NORMALS) == FORMULA
    assert local_correction(PLACE, NORMALS) == (1.0,) * 12


def test_declared_values_are_the_means_and_correct_the_formula() -> None:
    windy = replace(NORMALS, et0_mm=declared(1.2))
    assert mean_et0_mm(PLACE, windy) == declared(1.2)
    assert local_correction(PLACE, windy)[6] == pytest.approx(1.2)


@pytest.mark.parametrize(("part", "factor"), [(0.2, LEAST_CORRECTION), (3.0, MOST_CORRECTION)])
def test_a_slip_in_the_normals_moves_a_day_by_no_more_than_the_bound(part: float, factor: float) -> None:
    assert local_correction(PLACE, replace(NORMALS, et0_mm=declared(part)))[6] == factor


def test_a_month_without_evapotranspiration_is_not_corrected() -> None:
    polar = replace(PLACE, latitude_deg=71.0)
    assert formula_et0_mm(polar, NORMALS)[11] < 0.3
    assert local_correction(polar, replace(NORMALS, et0_mm=(0.5,) * 12))[11] == 1.0


def test_a_thermometer_s_day_says_that_it_was_corrected_and_is() -> None:
    plain = Garden(only(EXAMPLE, "bench-south"), date(2026, 7, 1))
    site = only(EXAMPLE, "bench-south")
    corrected = Garden(
        replace(site, place=replace(PLACE, normals=replace(NORMALS, et0_mm=declared(0.8)))), date(2026, 7, 1)
    )
    for garden in (plain, corrected):
        garden.run_hours(25)
    (usual,) = [day.data for day in plain.of_kind("day", "")]
    (local,) = [day.data for day in corrected.of_kind("day", "")]
    assert usual["et0_source"] == "Hargreaves"
    assert local["et0_source"] == LOCAL_HARGREAVES
    assert local["et0_mm"] == pytest.approx(0.8 * usual["et0_mm"], rel=1e-9)
    assert not any(finding.id == "weather-assumed" for finding in corrected.snapshot.findings)


def test_the_price_of_water_rests_on_the_declared_values() -> None:
    thirsty = replace(EXAMPLE, place=replace(PLACE, normals=replace(NORMALS, et0_mm=declared(1.25))))
    usual, dearer = outlook(EXAMPLE), outlook(thirsty)
    assert usual is not None
    assert dearer is not None
    assert usual.tables != dearer.tables


def test_a_site_file_may_give_the_values_in_millimetres_or_inches_a_day() -> None:
    text = example_site_text()
    for n, month in enumerate(("january", "february", "march", "april", "may", "june", "july", "august"), 1):
        text = _with(text, month, f"{n}.0 mm/day")
    for month in ("september", "october", "november", "december"):
        text = _with(text, month, "0.1 in/day")
    normals = parse_site(text, "site.toml", zoneinfo.available_timezones()).place.normals
    assert normals is not None
    assert normals.et0_mm == pytest.approx((1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, *[2.54] * 4))


def _with(text: str, month: str, value: str) -> str:
    start = text.index(f"\n{month} ")
    end = text.index(" }", start)
    return f'{text[:end]}, evapotranspiration = "{value}"{text[end:]}'
