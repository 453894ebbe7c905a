"""Light on a tilted panel against the `pvlib` library: sun, cloudless sky, parting into beam and diffuse, two skies."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import cos, radians

import numpy as np
import pandas
import pvlib
import pytest

from controller.site.load import parse_site
from controller.site.model import Panel
from simulator.advise.sunlight import (
    STEP_H,
    STEPS,
    DayLight,
    day_light,
    day_on_panel_wh,
    erbs_diffuse,
    global_from_span_wh,
    on_panel_w_m2,
)
from simulator.example import example_site_text
from simulator.plant.weather import standard_offset_ms

PLACE = parse_site(example_site_text(), "example").place
PANEL = Panel(60.0, 40.0, 180.0)
DAYS = [date(2023, 1, 15), date(2023, 3, 21), date(2023, 6, 21), date(2023, 10, 5), date(2023, 12, 21)]
PLACES = {
    "the allotment": PLACE,
    "far south": replace(PLACE, latitude_deg=-41.3, longitude_deg=174.8),
    "low latitude": replace(PLACE, latitude_deg=30.27, longitude_deg=-97.74),
}


def their_sun(day: date, place_name: str) -> pandas.DataFrame:
    """Sun positions in the middle of our steps, by the NREL algorithm."""
    place = PLACES[place_name]
    start = pandas.Timestamp(day, tz="UTC") - pandas.Timedelta(milliseconds=standard_offset_ms(place))
    times = start + pandas.to_timedelta([(n + 0.5) * STEP_H * 60 for n in range(STEPS)], unit="min")
    return pvlib.solarposition.get_solarposition(times, place.latitude_deg, place.longitude_deg)


@pytest.mark.parametrize("place_name", PLACES)
@pytest.mark.parametrize("day", DAYS, ids=str)
def test_height_of_the_sun_and_the_cloudless_day(day: date, place_name: str) -> None:
    sun = their_sun(day, place_name)
    light = day_light(day, PLACES[place_name], PANEL)
    assert np.abs(light.up - np.cos(np.radians(sun["zenith"].to_numpy()))).max() < 0.001
    clear = pvlib.clearsky.haurwitz(sun["zenith"])["ghi"].to_numpy()
    assert light.clear_wh == pytest.approx(clear.sum() * STEP_H, rel=0.005)


@pytest.mark.parametrize("place_name", PLACES)
@pytest.mark.parametrize("part", [0.2, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("model", ["isotropic", "haydavies"])
def test_a_day_on_the_panel(model: str, part: float, place_name: str) -> None:
    """Days from dark to cloudless: parts of a cloudless day's light, on a panel toward the equator."""
    south = place_name == "far south"
    panel = Panel(60.0, 40.0, 0.0 if south else 180.0)
    for day in DAYS:
        sun = their_sun(day, place_name)
        light = day_light(day, PLACES[place_name], panel)
        mine = day_on_panel_wh(part * light.clear_wh, light, cos(radians(40.0)), model == "haydavies")
        ghi = part * pvlib.clearsky.haurwitz(sun["zenith"])["ghi"]
        beyond = pvlib.irradiance.get_extra_radiation(pandas.DatetimeIndex(sun.index))
        parted = pvlib.irradiance.erbs(ghi, sun["zenith"], pandas.DatetimeIndex(sun.index))
        theirs = pvlib.irradiance.get_total_irradiance(
            *(panel.tilt_deg, panel.azimuth_deg, sun["apparent_zenith"], sun["azimuth"]),
            *(parted["dni"], ghi, parted["dhi"]),
            dni_extra=beyond,
            albedo=0.2,
            model=model,
        )["poa_global"]
        assert mine == pytest.approx(theirs.fillna(0.0).sum() * STEP_H, rel=0.01), day


def test_parting_into_beam_and_diffuse_is_that_of_erbs() -> None:
    kt = np.linspace(0.01, 1.0, 100)
    zenith = np.zeros(100)
    theirs = pvlib.irradiance.erbs(kt * 1366.1, zenith, 100, min_cos_zenith=0.0)
    beyond = pvlib.irradiance.get_extra_radiation(100)
    mine = erbs_diffuse(kt * 1366.1 / beyond)
    assert np.allclose(mine, theirs["dhi"] / (kt * 1366.1), atol=1e-6)


def test_a_flat_panel_gets_what_level_ground_gets() -> None:
    flat = Panel(60.0, 0.0, 180.0)
    light = day_light(date(2023, 6, 21), PLACE, flat)
    for hay in (False, True):
        assert day_on_panel_wh(4000.0, light, 1.0, hay) == pytest.approx(4000.0, rel=0.005)


def test_no_light_gives_nothing() -> None:
    night = DayLight(np.full(STEPS, -0.3), np.zeros(STEPS), 1361.0, np.zeros(STEPS), 0.0)
    assert day_on_panel_wh(0.0, night, 0.7, hay=True) == 0.0
    assert on_panel_w_m2(np.zeros(STEPS), night, 0.7, hay=False).sum() == 0.0


def test_light_from_the_span_of_temperatures_is_that_of_fao_56() -> None:
    # FAO-56 example 15, Lyon in July: 26.6 and 14.8 degrees, Ra 40.6 MJ, k 0.16: Rs 22.3 MJ/m2.
    lyon = replace(PLACE, latitude_deg=45.72, coastal=False)
    assert global_from_span_wh(14.8, 26.6, lyon, 196) * 3600.0 / 1e6 == pytest.approx(22.3, abs=0.15)
