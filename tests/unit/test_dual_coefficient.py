"""Dual crop coefficients: what they must do whatever the numbers, and a zone that lives by them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import surface
from controller.core.state import fresh_state, state_from_json, state_to_json
from controller.irrigate.crop import usual_numbers
from controller.irrigate.dual_coefficient import (
    canopy_cover,
    dried_surface_mm,
    drying_coefficient,
    evaporation_coefficient,
    exposed_wetted_fraction,
    largest_kc,
    zone_canopy,
)
from controller.site.model import Site, Surface
from tests.scenario.garden import EXAMPLE, Garden, only

BED = "salad-bed-east"
SANDY_LOAM = Surface(0.35, 8.0, 17.5)


def dual_site(wetted: float = 0.35) -> Site:
    site = only(EXAMPLE, BED)
    return replace(site, zones=(replace(site.zones[0], surface=replace(SANDY_LOAM, wetted_fraction=wetted)),))


@given(st.floats(0.1, 1.15), st.floats(0.05, 4.0), st.floats(0.05, 1.0), st.floats(0.0, 20.0), st.floats(0.0, 15.0))
def test_plants_and_soil_never_evaporate_more_than_the_air_takes_up(
    kcb: float, height_m: float, wetted: float, surface_mm: float, et0_mm: float
) -> None:
    kc_max = largest_kc(kcb, height_m)
    cover = canopy_cover(kcb, kc_max, height_m)
    exposed = exposed_wetted_fraction(cover, wetted, under_canopy=True)
    coefficient = evaporation_coefficient(drying_coefficient(surface_mm, 17.5, 8.0), kcb, kc_max, exposed)
    assert 0.0 <= cover < 1.0
    assert 0.0 < exposed <= wetted
    assert 0.0 <= coefficient <= kc_max - kcb + 1e-12
    assert 0.0 <= dried_surface_mm(surface_mm, 17.5, coefficient * et0_mm, exposed) <= 17.5


def test_the_canopy_closes_from_planting_to_mid_season() -> None:
    zone = dual_site().zones[0]
    canopies = [zone_canopy(zone, usual_numbers(zone, date(2026, month, 25))) for month in (4, 5, 6)]
    covers = [canopy.cover for canopy in canopies if canopy is not None]
    assert len(covers) == 3
    assert covers[0] == pytest.approx(0.0, abs=0.05)
    assert covers == sorted(covers)
    assert covers[2] > 0.5
    assert zone_canopy(zone, usual_numbers(zone, date(2026, 12, 25))) is None


def etc_of_a_day(garden: Garden) -> list[float]:
    return [record.data["etc_mm"] for record in garden.of_kind("day", BED)]


def test_after_rain_a_young_bed_loses_more_than_by_the_single_coefficient_and_dry_it_loses_less() -> None:
    """Without any water for a week the surface has dried out, and Kcb alone, 0.15, is left of the 0.7."""
    wet = Garden(dual_site(), date(2026, 4, 20), rain_mm=8.0, tmin_c=5.0, tmax_c=16.0)
    wet_single = Garden(only(EXAMPLE, BED), date(2026, 4, 20), rain_mm=8.0, tmin_c=5.0, tmax_c=16.0)
    dry = Garden(_never_watered(dual_site()), date(2026, 4, 20), tmin_c=5.0, tmax_c=16.0)
    dry_single = Garden(_never_watered(only(EXAMPLE, BED)), date(2026, 4, 20), tmin_c=5.0, tmax_c=16.0)
    for garden in (wet, wet_single, dry, dry_single):
        garden.run_hours(24 * 9 + 1)
    assert etc_of_a_day(wet)[1] > 1.3 * etc_of_a_day(wet_single)[1]
    assert etc_of_a_day(dry)[8] < 0.5 * etc_of_a_day(dry_single)[8]


def _never_watered(site: Site) -> Site:
    zone = site.zones[0]
    return replace(site, zones=(replace(zone, schedule=replace(zone.schedule, mode="off")),))


def test_emitters_wet_the_surface_that_the_sun_had_dried() -> None:
    zone = dual_site().zones[0]
    assert zone.surface is not None
    state = fresh_state(dual_site()).zones[BED]
    state.surface_mm, state.surface_rained = 17.5, True
    surface.watered(state, zone.surface, 3.5)
    assert state.surface_mm == pytest.approx(17.5 - 3.5 / 0.35)
    assert not state.surface_rained


def test_days_booked_in_one_go_evaporate_no_more_than_the_surface_holds() -> None:
    zone = dual_site().zones[0]
    canopy = zone_canopy(zone, usual_numbers(zone, date(2026, 4, 25)))
    assert zone.surface is not None
    assert canopy is not None
    state = fresh_state(dual_site()).zones[BED]
    evaporated = surface.evaporated_mm(state, zone.surface, canopy, 70.0)
    assert state.surface_mm == pytest.approx(17.5)
    assert evaporated == pytest.approx(17.5 * exposed_wetted_fraction(canopy.cover, 0.35, under_canopy=True))


def test_waterings_keep_a_surface_moist_that_dries_out_without_them() -> None:
    moist, dry = Garden(dual_site(), date(2026, 6, 20)), Garden(_never_watered(dual_site()), date(2026, 6, 20))
    for garden in (moist, dry):
        garden.run_hours(24 * 9)
    assert moist.given_l(BED) > 0.0
    depths = [garden.season.core.dump()["state"]["zones"][BED]["surface_mm"] for garden in (moist, dry)]
    assert depths[0] < 8.0
    assert depths[1] > 15.0


def test_a_memory_from_before_there_were_surfaces_still_loads() -> None:
    site = dual_site()
    old = state_to_json(fresh_state(site))
    del old["zones"][BED]["surface_mm"], old["zones"][BED]["surface_rained"]
    assert state_from_json(old, site).zones[BED] == fresh_state(site).zones[BED]
