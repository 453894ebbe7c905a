"""Speed of sound against published forms; sources of the data in `data/speed_of_sound.sources.md`."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from controller.estimate.sound import distance_mm, headspace_speed_m_s, level_from_echo_mm, speed_of_sound_m_s

ROWS = list(csv.DictReader((Path(__file__).parent / "data" / "speed_of_sound.csv").read_text().splitlines()))
IN_RANGE = [row for row in ROWS if row["cramer_stated_range_0_30C"] == "yes"]


def _temperature(row: dict[str, str]) -> str:
    return f"{row['t_C']} C"


@pytest.mark.parametrize("row", ROWS, ids=_temperature)
def test_dry_air_follows_iso_9613(row: dict[str, str]) -> None:
    """ISO 9613-1: 343.2 sqrt(T / 293.15 K)."""
    assert speed_of_sound_m_s(float(row["t_C"])) == pytest.approx(float(row["iso9613_343.2"]), abs=0.01)


@pytest.mark.parametrize("row", ROWS, ids=_temperature)
def test_dry_air_agrees_with_a_real_gas_library(row: dict[str, str]) -> None:
    """CoolProp 8.0.0, dry air at 101 325 Pa, to 0.05 %."""
    assert speed_of_sound_m_s(float(row["t_C"])) == pytest.approx(float(row["coolprop_dry_air"]), rel=5e-4)


@pytest.mark.parametrize("row", IN_RANGE, ids=_temperature)
def test_air_over_water_agrees_with_the_humid_air_equation(row: dict[str, str]) -> None:
    """The 1993 humid-air equation (Cramer) at 100 % relative humidity, in its stated range of 0 to 30 C, to 0.05 %."""
    assert headspace_speed_m_s(float(row["t_C"])) == pytest.approx(float(row["cramer_RH100"]), rel=5e-4)


@pytest.mark.parametrize("row", IN_RANGE, ids=_temperature)
def test_the_humidity_correction_is_worth_having(row: dict[str, str]) -> None:
    """Without it the error in saturated air is larger at every temperature of the range."""
    truth = float(row["cramer_RH100"])
    corrected = abs(headspace_speed_m_s(float(row["t_C"])) - truth)
    assert corrected < abs(speed_of_sound_m_s(float(row["t_C"])) - truth)


def test_the_rule_of_thumb_of_data_sheets() -> None:
    """58 us per centimetre there and back: 58.275 at 343.2 m/s."""
    assert distance_mm(58.275, 343.2) == pytest.approx(10.0, abs=1e-3)


@pytest.mark.parametrize(("temperature_c", "error_mm"), [(0.0, 35.0), (10.0, 16.0), (20.0, -2.3), (30.0, -20.3)])
def test_ranging_without_temperature_is_centimetres_off_per_metre(temperature_c: float, error_mm: float) -> None:
    """A fixed 343.2 m/s over one metre of air at 50 % humidity; own arithmetic on the 1993 equation's values."""
    true_speed = next(float(row["cramer_RH50"]) for row in ROWS if float(row["t_C"]) == temperature_c)
    echo_us = 2.0 * 1000.0 / true_speed * 1000.0
    assert distance_mm(echo_us, 343.2) - 1000.0 == pytest.approx(error_mm, abs=0.5)


def test_a_level_is_what_is_left_below_the_ranger() -> None:
    assert level_from_echo_mm(58.275 * 50.0, 343.2, sensor_height_mm=1200.0) == pytest.approx(700.0, abs=0.01)
