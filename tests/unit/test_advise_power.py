"""Panel and battery through the dark weeks: the balance, what waits, and what the report says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from controller.site.load import parse_site
from controller.site.model import Panel, Site
from simulator.advise.page import Chart, Table, Warnings
from simulator.advise.power_section import power_section
from simulator.advise.power_study import BATTERY_FACTORS, PANEL_FACTORS, PowerStudy, study_power
from simulator.advise.water_study import study_water
from simulator.example import example_site_text
from simulator.plant.daily_records import DailyRecord

SITE = parse_site(example_site_text(), "example")
WATER = study_water(SITE)


def studied(site: Site, years: int = 4) -> PowerStudy:
    return study_power(site, WATER, None, years)


@pytest.fixture(scope="module")
def study() -> PowerStudy:
    return studied(SITE)


def test_summer_brings_several_times_what_winter_does(study: PowerStudy) -> None:
    assert study.even_wh[5] > 3.0 * study.even_wh[11]
    assert study.worst_month == 11
    assert (study.dark_week_wh < study.even_wh).all()


def test_a_sky_that_is_brighter_around_the_sun_gives_a_tilted_panel_more_in_winter(study: PowerStudy) -> None:
    gain = study.hay_wh / study.even_wh
    assert gain[11] > gain[5]
    assert gain[11] > 1.02


def test_watering_takes_energy_in_its_season_only(study: PowerStudy) -> None:
    assert study.watering_wh[0] == 0.0
    # 226 L by all daily caps, 4.5 A at 12 V and some 6.7 L/min.
    assert study.watering_wh[6] == pytest.approx(226.0 * 4.5 * 12.0 / (6.75 * 60.0), rel=0.05)


def test_autonomy_is_what_is_above_the_minimum_by_what_is_used(study: PowerStudy) -> None:
    busy, idle = study.autonomy_days
    assert study.usable_wh == pytest.approx(80.0 * 12.0 * 0.85 * 0.5)
    assert idle == pytest.approx(study.usable_wh / study.electronics_wh)
    assert busy < idle


def test_a_larger_panel_or_battery_never_ends_lower(study: PowerStudy) -> None:
    assert study.lowest.shape == (4, len(PANEL_FACTORS), len(BATTERY_FACTORS))
    assert (np.diff(study.lowest, axis=1) >= -1e-12).all()
    assert (np.diff(study.lowest, axis=2) >= -1e-12).all()
    assert (study.flat_days[:, -1, -1] == 0.0).all()


def test_a_tiny_panel_lets_watering_wait_and_the_battery_go_flat() -> None:
    assert SITE.panel is not None
    weak = replace(SITE, panel=replace(SITE.panel, peak_w=12.0))
    found = studied(weak, years=2)
    assert found.flat_days[:, 0, 0].max() > 50.0
    assert found.waiting_days[:, 0, 0].max() > 20.0
    section = power_section(weak, found)
    words = next(block for block in section.blocks if isinstance(block, Warnings)).texts
    assert any("controller is off" in text for text in words)
    assert any("watering waits" in text for text in words)


def test_a_large_panel_leaves_nothing_to_warn_of() -> None:
    assert SITE.panel is not None
    strong = replace(SITE, panel=replace(SITE.panel, peak_w=400.0))
    section = power_section(strong, studied(strong, years=2))
    assert not any(isinstance(block, Warnings) for block in section.blocks)
    assert "never runs flat" in section.found[0]


def test_without_a_panel_there_is_only_the_battery() -> None:
    bare = replace(SITE, panel=None)
    section = power_section(bare, studied(bare, years=1))
    assert "No panel is declared" in section.found[0]
    assert not any(isinstance(block, Chart) for block in section.blocks)
    assert any(isinstance(block, Table) for block in section.blocks)


def test_south_of_the_equator_the_dark_month_is_june_and_the_panel_faces_north() -> None:
    place = replace(SITE.place, latitude_deg=-41.3, longitude_deg=174.8, normals=None)
    south = replace(SITE, place=place, panel=Panel(60.0, 40.0, 0.0))
    assert studied(south, years=2).worst_month in (4, 5, 6)


def test_where_the_sun_does_not_rise_no_panel_will_do() -> None:
    polar = replace(SITE, place=replace(SITE.place, latitude_deg=71.9))
    section = power_section(polar, studied(polar, years=1))
    rules = section.blocks[-1]
    assert isinstance(rules, Table)
    assert rules.rows[-1][1] == "no sun then"


def test_recorded_days_give_their_light_by_their_span_of_temperatures() -> None:
    first = date(2022, 1, 1)
    dull = [DailyRecord(first + timedelta(days=n), 8.0, 10.0, 1.0) for n in range(365)]
    bright = [row._replace(tmax_c=20.0) for row in dull]
    dark, light = (study_power(SITE, WATER, rows, 1) for rows in (dull, bright))
    assert "equation 50" in dark.source
    assert (light.even_wh > dark.even_wh).all()
