"""Crops through the calendar, the day's sun, and the water balance: everything stays within its bounds."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.irrigate.crop import (
    OUT_OF_SEASON_KC,
    crop_kc,
    day_of_season,
    usual_numbers,
    zone_depletion_fraction,
    zone_kc,
)
from controller.irrigate.daily_share import SunShare, et_share, solar_hour
from controller.irrigate.reference_et import (
    HIGHEST_ET_MM,
    clear_sky_radiation_mj,
    daylight_hours,
    extraterrestrial_radiation_mj,
    hargreaves_mm,
    net_longwave_radiation_mj,
    penman_monteith_mm,
    solar_radiation_from_temperature_mj,
)
from controller.irrigate.root_zone import (
    StepOrder,
    advance_depletion,
    effective_rain_mm,
    stress_coefficient,
)
from controller.site.model import Crop, Schedule, Valve, Window, Zone

LATITUDES = st.floats(-90.0, 90.0)
DAYS = st.integers(1, 366)
TEMPERATURES = st.floats(-1e4, 1e4)
ORDERS: tuple[StepOrder, ...] = ("water-first", "end-of-day")


def make_crop(
    name: str = "lettuce",
    planted: tuple[int, int] = (4, 15),
    stages: tuple[int, int, int, int] = (20, 30, 15, 10),
    share: float = 1.0,
    p: float = 0.3,
) -> Crop:
    return Crop(name, 0.7, 1.0, 0.95, stages, planted[0], planted[1], depletion_fraction=p, share=share)


def make_zone(*crops: Crop) -> Zone:
    return Zone(
        id="salad",
        name="Salad bed",
        kind="bed",
        tank_id="shed",
        valve=Valve("held", 0, 2.0),
        area_m2=6.0,
        crops=crops,
        root_depth_mm=300.0,
        available_water_mm_per_m=150.0,
        emitter_count=40,
        emitter_l_h=2.0,
        drip_efficiency=0.9,
        rain_fed=True,
        priority=1,
        schedule=Schedule("need", (Window(300, 480),), daily_cap_l=60.0),
    )


def test_planting_day_is_the_first_day_of_the_season() -> None:
    crop = make_crop(planted=(4, 15))
    assert day_of_season(crop, date(2026, 4, 14)) is None
    assert day_of_season(crop, date(2026, 4, 15)) == 1
    assert day_of_season(crop, date(2026, 6, 28)) == 75
    assert day_of_season(crop, date(2026, 6, 29)) is None


def test_a_season_runs_over_new_year() -> None:
    garlic = make_crop("garlic", planted=(10, 20), stages=(40, 80, 60, 40))
    assert day_of_season(garlic, date(2026, 12, 31)) == 73
    assert day_of_season(garlic, date(2027, 1, 1)) == 74


def test_a_perennial_starts_again_each_year() -> None:
    mint = make_crop("mint", planted=(3, 1), stages=(60, 60, 200, 45))
    assert day_of_season(mint, date(2026, 2, 28)) == 365
    assert day_of_season(mint, date(2026, 3, 1)) == 1


def test_a_crop_planted_on_leap_day_is_planted_on_the_28th_in_other_years() -> None:
    crop = make_crop(planted=(2, 29))
    assert day_of_season(crop, date(2028, 2, 29)) == 1
    assert day_of_season(crop, date(2027, 2, 28)) == 1


def test_the_coefficient_rises_and_falls_through_the_stages() -> None:
    crop = make_crop(planted=(4, 1), stages=(20, 30, 15, 10))
    assert crop_kc(crop, day_of_season(crop, date(2026, 4, 20))) == pytest.approx(0.7)
    assert crop_kc(crop, day_of_season(crop, date(2026, 5, 5))) == pytest.approx(0.85)
    assert crop_kc(crop, day_of_season(crop, date(2026, 5, 20))) == pytest.approx(1.0)
    assert crop_kc(crop, day_of_season(crop, date(2026, 6, 4))) == pytest.approx(1.0)
    assert crop_kc(crop, day_of_season(crop, date(2026, 6, 14))) == pytest.approx(0.95)


def test_stages_of_no_length_are_passed_over() -> None:
    crop = make_crop(planted=(4, 1), stages=(0, 0, 10, 0))
    assert [crop_kc(crop, day_of_season(crop, date(2026, 4, day))) for day in (1, 10)] == [1.0, 1.0]


@settings(deadline=None)
@given(st.tuples(*[st.integers(0, 120)] * 4), st.dates(date(2000, 1, 1), date(2060, 12, 31)))
def test_a_coefficient_is_always_between_those_declared(stages: tuple[int, int, int, int], day: date) -> None:
    crop = make_crop(stages=stages)
    kc = crop_kc(crop, day_of_season(crop, day))
    assert kc == OUT_OF_SEASON_KC or 0.7 <= kc <= 1.0


def kc_on(zone: Zone, day: date) -> float:
    return zone_kc(zone, usual_numbers(zone, day))


def fraction_on(zone: Zone, day: date) -> float | None:
    return zone_depletion_fraction(zone, usual_numbers(zone, day))


def test_a_zone_has_the_mean_of_its_crops_by_their_area() -> None:
    lettuce = make_crop("lettuce", planted=(4, 1), share=0.75)
    radish = make_crop("radish", planted=(1, 1), share=0.25)
    assert kc_on(make_zone(lettuce, radish), date(2026, 4, 10)) == pytest.approx(0.75 * 0.7)
    assert kc_on(make_zone(lettuce, radish), date(2026, 1, 10)) == pytest.approx(0.25 * 0.7)


def test_nothing_in_season_takes_no_water() -> None:
    zone = make_zone(make_crop(planted=(4, 15)))
    assert kc_on(zone, date(2026, 1, 15)) == 0.0
    assert usual_numbers(zone, date(2026, 1, 15)) == (None,)
    assert fraction_on(zone, date(2026, 1, 15)) is None
    assert kc_on(make_zone(), date(2026, 6, 1)) == 0.0


def test_the_most_sensitive_crop_in_season_decides_how_dry_a_zone_may_get() -> None:
    zone = make_zone(
        make_crop("tomato", planted=(5, 1), share=0.5, p=0.4),
        make_crop("lettuce", planted=(5, 20), share=0.5, p=0.3),
    )
    assert fraction_on(zone, date(2026, 5, 10)) == 0.4
    assert fraction_on(zone, date(2026, 5, 25)) == 0.3


@settings(deadline=None)
@given(LATITUDES, DAYS)
def test_radiation_and_day_length_are_bounded_from_pole_to_pole(latitude: float, day: int) -> None:
    assert 0.0 <= extraterrestrial_radiation_mj(latitude, day) < 50.0
    assert 0.0 <= daylight_hours(latitude, day) <= 24.0


@settings(deadline=None)
@given(TEMPERATURES, TEMPERATURES, LATITUDES, DAYS, st.floats(-100.0, 6000.0), st.floats(0.0, 60.0))
def test_evapotranspiration_is_bounded_for_any_weather_anywhere(
    one_c: float, other_c: float, latitude: float, day: int, elevation_m: float, wind: float
) -> None:
    assert 0.0 <= hargreaves_mm(one_c, other_c, latitude, day) <= HIGHEST_ET_MM
    assert 0.0 <= penman_monteith_mm(one_c, other_c, latitude, day, elevation_m, wind_2m_m_s=wind) <= HIGHEST_ET_MM


def test_the_midnight_sun_and_the_polar_night_have_a_day_length() -> None:
    assert daylight_hours(80.0, 172) == 24.0
    assert daylight_hours(80.0, 355) == 0.0
    assert extraterrestrial_radiation_mj(80.0, 355) == 0.0
    assert hargreaves_mm(-30.0, -20.0, 80.0, 355) == 0.0


def test_swapped_extremes_are_put_right() -> None:
    assert hargreaves_mm(26.6, 14.8, 45.7, 196) == hargreaves_mm(14.8, 26.6, 45.7, 196)


def test_hot_dry_wind_takes_more_than_still_humid_air() -> None:
    still = penman_monteith_mm(15.0, 28.0, 45.0, 190, 100.0, wind_2m_m_s=0.5, ea_kpa=2.2)
    windy = penman_monteith_mm(15.0, 28.0, 45.0, 190, 100.0, wind_2m_m_s=5.0, ea_kpa=1.0)
    assert windy > still + 2.0


@settings(deadline=None)
@given(LATITUDES, DAYS, st.lists(st.floats(0.0, 24.0), max_size=10))
def test_the_shares_of_a_day_sum_to_one(latitude: float, day: int, cuts: list[float]) -> None:
    hours = [0.0, *sorted(cuts), 24.0]
    sun = SunShare(latitude, day)
    shares = [sun.between(start, end) for start, end in pairwise(hours)]
    assert sum(shares) == pytest.approx(1.0)
    assert all(-1e-12 <= share <= 1.0 + 1e-12 for share in shares)


def test_half_of_the_days_evapotranspiration_falls_before_solar_noon() -> None:
    assert et_share(45.0, 196, 0.0, 12.0) == pytest.approx(0.5)
    assert et_share(-33.0, 20, 9.0, 15.0) > 0.6


def test_nothing_evaporates_at_night() -> None:
    assert et_share(45.0, 80, 0.0, 5.5) == 0.0
    assert et_share(45.0, 80, 19.0, 24.0) == pytest.approx(0.0, abs=1e-12)


def test_an_interval_over_solar_midnight_takes_both_ends() -> None:
    over = et_share(68.0, 172, 22.0, 2.0)
    assert over == pytest.approx(et_share(68.0, 172, 22.0, 24.0) + et_share(68.0, 172, 0.0, 2.0))
    assert over > 0.0


def test_in_the_polar_night_the_share_is_spread_evenly() -> None:
    assert et_share(80.0, 355, 6.0, 12.0) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("utc_minute", "longitude_deg", "day", "expected_h"),
    [(720.0, 0.0, 105, 12.0), (720.0, 90.0, 105, 18.0), (720.0, -180.0, 105, 0.0), (60.0, -30.0, 105, 23.0)],
)
def test_solar_time_follows_longitude(utc_minute: float, longitude_deg: float, day: int, expected_h: float) -> None:
    """Mid-April the sun keeps mean time within a minute or so."""
    difference_h = (solar_hour(utc_minute, longitude_deg, day) - expected_h + 12.0) % 24.0 - 12.0
    assert difference_h == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize(("day", "printed_h"), [(307, 0.27), (42, -0.24)])
def test_the_sun_is_a_quarter_of_an_hour_off_in_november_and_february(day: int, printed_h: float) -> None:
    """The equation of time: +16 min early in November, -14 min in mid February (from memory)."""
    assert solar_hour(720.0, 0.0, day) - 12.0 == pytest.approx(printed_h, abs=0.02)


@pytest.mark.parametrize("order", ORDERS)
@settings(deadline=None)
@given(
    depletion=st.floats(0.0, 1.0),
    total=st.floats(1.0, 300.0),
    rain=st.floats(0.0, 200.0),
    irrigation=st.floats(0.0, 200.0),
    etc=st.floats(0.0, 20.0),
)
def test_water_is_neither_made_nor_lost_in_a_step(
    order: StepOrder, depletion: float, total: float, rain: float, irrigation: float, etc: float
) -> None:
    before = depletion * total
    step = advance_depletion(before, total, rain, irrigation, etc, order)
    assert 0.0 <= step.depletion_mm <= total
    assert step.deep_percolation_mm >= 0.0
    unbounded = before - rain - irrigation + etc + step.deep_percolation_mm
    assert step.depletion_mm == pytest.approx(min(total, max(0.0, unbounded)), abs=1e-9)


@settings(deadline=None)
@given(st.floats(0.0, 300.0), st.floats(1.0, 300.0), st.floats(0.1, 0.8))
def test_stress_lies_between_none_and_full(depletion: float, total: float, fraction: float) -> None:
    assert 0.0 <= stress_coefficient(depletion, total, fraction) <= 1.0


def test_stress_is_full_at_the_wilting_point_and_none_while_water_is_readily_available() -> None:
    assert stress_coefficient(100.0, 100.0, 0.4) == 0.0
    assert stress_coefficient(40.0, 100.0, 0.4) == 1.0
    assert stress_coefficient(70.0, 100.0, 0.4) == pytest.approx(0.5)


def test_no_rain_reaches_what_grows_under_cover() -> None:
    assert effective_rain_mm(25.0, 3.0, rain_fed=False) == 0.0
    assert effective_rain_mm(25.0, 3.0, rain_fed=True) == 25.0


def test_a_year_of_days_has_a_coefficient_each() -> None:
    zone = make_zone(make_crop("beet", planted=(4, 1), share=0.5), make_crop("kale", planted=(8, 1), share=0.5))
    days = [date(2027, 7, 1) + timedelta(days=n) for n in range(732)]
    in_season = [kc_on(zone, day) > 0.0 for day in days]
    assert in_season == [any(number is not None for number in usual_numbers(zone, day)) for day in days]
    assert sum(in_season) == 4 * 75


def test_more_sun_than_a_clear_sky_gives_no_more_loss_to_it() -> None:
    """FAO-56 limits Rs/Rso to 1."""
    clear = net_longwave_radiation_mj(10.0, 25.0, 1.2, rs_mj=30.0, rso_mj=30.0)
    assert net_longwave_radiation_mj(10.0, 25.0, 1.2, rs_mj=36.0, rso_mj=30.0) == clear


def test_a_desert_range_of_temperature_gives_no_more_than_a_clear_sky() -> None:
    assert solar_radiation_from_temperature_mj(40.0, 0.0, 45.0, 0.0) == clear_sky_radiation_mj(40.0, 0.0)


def test_still_air_counts_as_half_a_metre_per_second() -> None:
    """FAO-56 page 63."""
    still = penman_monteith_mm(15.0, 28.0, 45.0, 190, 100.0, wind_2m_m_s=0.0)
    assert still == penman_monteith_mm(15.0, 28.0, 45.0, 190, 100.0, wind_2m_m_s=0.5)
    assert still < penman_monteith_mm(15.0, 28.0, 45.0, 190, 100.0, wind_2m_m_s=2.0)
