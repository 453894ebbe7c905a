"""The plant's physics against published values, so that the simulator is a fair judge of the controller."""

from __future__ import annotations

from array import array
from datetime import UTC, date, datetime
from math import pi, radians

import pandas
import pyet
import pytest

from controller.site.model import (
    ConeBottom,
    Frustum,
    HorizontalCylinder,
    Place,
    TankShape,
    VerticalCylinder,
)
from simulator.plant.evaporation import evaporation_mm_h
from simulator.plant.hydraulics import Branch, Pipe, friction_m
from simulator.plant.sound import speed_of_sound_m_s
from simulator.plant.sun import (
    clear_sky_w_m2,
    extraterrestrial_w_m2,
    irradiance_on_plane_w_m2,
    panel_normal,
    sun_direction,
    zenith_azimuth_deg,
)
from simulator.plant.tank_shape import head_profile, volume_table
from simulator.plant.weather import HOUR_MS, Day, clear_radiation_w_m2, day_evaporation_mm
from simulator.plant.weather_generator import generate_weather
from tests.unit.plant_site import PLACE


def test_the_sun_stands_where_the_nrel_spa_example_puts_it() -> None:
    # NREL/TP-560-34302 (rev. January 2008), worked example of the Solar Position Algorithm: 17 October 2003, 12:30:30
    # UTC-7, 39.742476 N, 105.1786 W: zenith 50.11162 (50.127954 without refraction), azimuth 194.34024 degrees.
    wall_ms = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp() * 1000
    zenith, azimuth = zenith_azimuth_deg(sun_direction(wall_ms, 39.742476, -105.1786))
    assert zenith == pytest.approx(50.127954, abs=0.02)
    assert azimuth == pytest.approx(194.34024, abs=0.02)


@pytest.mark.parametrize(
    "instant",
    [datetime(2003, 10, 17, 13, 12, 43, tzinfo=UTC), datetime(2003, 10, 17, 0, 20, 19, tzinfo=UTC)],
    ids=["sunrise", "sunset"],
)
def test_the_sun_rises_and_sets_when_the_nrel_spa_example_says(instant: datetime) -> None:
    # The same example: sunrise 06:12:43, sunset 17:20:19 UTC-7, for a sun whose centre is 0.8333 degrees below the
    # horizon (0.5667 refraction, 0.2667 half its disc). The algorithm works on the UTC day: its sunset of 17 October is
    # the one at 00:20:19 UTC, which in Colorado is the evening before.
    zenith, _ = zenith_azimuth_deg(sun_direction(instant.timestamp() * 1000, 39.742476, -105.1786))
    assert zenith == pytest.approx(90.8333, abs=0.02)


@pytest.mark.parametrize(
    ("zenith_cosine", "expected_w_m2"),
    [(1.0, 1035.092), (0.8660254, 888.271), (0.5, 487.894), (0.2588190, 226.255), (0.0871557, 48.630), (0.0, 0.0)],
)
def test_the_cloudless_sky_follows_haurwitz(zenith_cosine: float, expected_w_m2: float) -> None:
    # pvlib 0.16.1 clearsky.haurwitz at zeniths 0, 30, 60, 75, 85 and 90 degrees.
    assert clear_sky_w_m2(zenith_cosine) == pytest.approx(expected_w_m2, abs=0.01)


@pytest.mark.parametrize(
    ("month", "day", "expected_kwh_m2"),
    [(1, 15, 3.966), (4, 15, 7.565), (6, 21, 8.687), (7, 15, 8.546), (10, 15, 5.542), (12, 21, 3.657)],
)
def test_a_cloudless_day_adds_up_to_the_published_sum(month: int, day: int, expected_kwh_m2: float) -> None:
    # pvlib 0.16.1 Location.get_clearsky(model="haurwitz"), 30.27 N, 97.74 W, 2023, UTC-6, one-minute steps.
    place = Place("check", 30.27, -97.74, 150.0, "America/Chicago")
    total = sum(clear_radiation_w_m2(date(2023, month, day), place)) / 1000.0
    assert total == pytest.approx(expected_kwh_m2, rel=0.01)


def test_extraterrestrial_irradiance_is_least_in_july() -> None:
    # pvlib 0.16.1 irradiance.get_extra_radiation on day 187: 1320.468 W/m2 (its solar constant 1366.1, ours 1361).
    wall_ms = datetime(2023, 7, 6, 12, tzinfo=UTC).timestamp() * 1000
    assert extraterrestrial_w_m2(wall_ms) == pytest.approx(1320.468 * 1361.0 / 1366.1, rel=0.002)


@pytest.mark.parametrize(
    ("month", "day", "expected"), [(1, 15, 6.146), (6, 21, 6.974), (10, 15, 6.884), (12, 21, 5.823)]
)
def test_a_panel_facing_south_gets_what_a_reference_model_gives_it(month: int, day: int, expected: float) -> None:
    # pvlib 0.16.1 irradiance.get_total_irradiance, isotropic, 30 degrees south, Ineichen clear sky, kWh/m2 and day.
    # Both the clear sky and the split into beam and diffuse are other models here, hence 12 %.
    normal = panel_normal(30.0, 180.0)
    midnight_ms = datetime(2023, month, day, 6, tzinfo=UTC).timestamp() * 1000
    total = 0.0
    for minute in range(0, 1440, 5):
        wall_ms = midnight_ms + minute * 60_000
        sun = sun_direction(wall_ms, 30.27, -97.74)
        total += (
            irradiance_on_plane_w_m2(clear_sky_w_m2(sun[2]), sun, normal, extraterrestrial_w_m2(wall_ms)) / 12_000.0
        )
    assert total == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize(
    ("flow_l_min", "bore_mm", "length_m", "c140_m", "c150_m"),
    [(10.0, 15.8, 30.0, 2.02666, 1.78357), (5.0, 13.6, 30.0, 1.16527, 1.02549), (20.0, 20.9, 50.0, 3.12202, 2.74754)],
)
def test_pipe_friction_is_that_of_hazen_williams(
    flow_l_min: float, bore_mm: float, length_m: float, c140_m: float, c150_m: float
) -> None:
    # Hazen-Williams in SI units worked out by hand, agreeing within 0.3 % with the EPANET engine (wntr 1.5.0: 1.78748 m
    # for the first row with C 150).
    assert friction_m(flow_l_min, bore_mm, length_m, 140.0) == pytest.approx(c140_m, rel=1e-4)
    assert friction_m(flow_l_min, bore_mm, length_m, 150.0) == pytest.approx(c150_m, rel=1e-4)


@pytest.mark.parametrize(("head_m", "flow_l_h"), [(5.0, 1.4142), (7.0, 1.6733), (10.0, 2.0), (15.0, 2.4495)])
def test_an_emitter_of_exponent_one_half_follows_the_root_of_the_head(head_m: float, flow_l_h: float) -> None:
    # q = k h^x, 2 L/h at 10 m, x = 0.5: by hand.
    unregulated = Branch(Pipe(50.0, 1e-6), 2.0 / 60.0 / 10.0**0.5, 0.5, 40.0)
    assert 60.0 * unregulated.flow_l_min(head_m) == pytest.approx(flow_l_h, abs=1e-3)


@pytest.mark.parametrize(
    ("temperature_c", "humidity", "expected_m_s"),
    [
        (20.0, 0.0, 343.359),
        (20.0, 50.0, 343.987),
        (20.0, 100.0, 344.614),
        (30.0, 0.0, 349.148),
        (30.0, 50.0, 350.310),
        (30.0, 100.0, 351.470),
        (0.0, 0.0, 331.448),
        (0.0, 100.0, 331.759),
    ],
)
def test_sound_travels_as_fast_as_the_1993_equation_says(
    temperature_c: float, humidity: float, expected_m_s: float
) -> None:
    # Cramer's 1993 equation for moist air at 101 325 Pa, 400 ppm of CO2; coefficients from an open sonar-documentation
    # page. Ours is an ideal gas mixture: 0.05 % apart at most.
    assert speed_of_sound_m_s(temperature_c, humidity) == pytest.approx(expected_m_s, rel=5e-4)


UPRIGHT = VerticalCylinder(1200.0, 1700.0)
LYING = HorizontalCylinder(1000.0, 2400.0)
DOMED = HorizontalCylinder(1000.0, 2400.0, "hemispherical")
ELLIPTICAL = HorizontalCylinder(1000.0, 2400.0, "elliptical")
TORISPHERICAL = HorizontalCylinder(1000.0, 2400.0, "torispherical", 1.0, 0.06)
CONE = ConeBottom(1200.0, 1500.0, 400.0)
DISHED = VerticalCylinder(1200.0, 1500.0, "elliptical")
BUCKET = Frustum(1000.0, 1200.0, 1200.0)


def volume_l(shape: TankShape, level_mm: float) -> float:
    """Between the slices, straight lines."""
    step, volumes = volume_table(shape)
    index = min(int(level_mm / step), len(volumes) - 2)
    return volumes[index] + (volumes[index + 1] - volumes[index]) * (level_mm / step - index)


@pytest.mark.parametrize(
    ("shape", "level_mm", "expected_l"),
    [
        (UPRIGHT, 850.0, 961.32735),
        (UPRIGHT, 1700.0, 1922.6547),
        (LYING, 100.0, 98.10067),
        (LYING, 250.0, 368.51091),
        (LYING, 500.0, 942.4778),
        (LYING, 1000.0, 1884.956),
        (DOMED, 250.0, 450.323),
        (DOMED, 500.0, 1204.277),
        (DOMED, 1000.0, 2408.554),
        (ELLIPTICAL, 250.0, 409.417),
        (ELLIPTICAL, 1000.0, 2146.755),
        (TORISPHERICAL, 250.0, 392.798),
        (TORISPHERICAL, 500.0, 1023.477),
        (TORISPHERICAL, 1000.0, 2046.954),
        (CONE, 190.0, 16.161),
        (CONE, 380.0, 129.289),
        (CONE, 950.0, 772.832),
        (CONE, 1900.0, 1847.256),
        (DISHED, 90.0, 27.483),
        (DISHED, 180.0, 97.716),
        (BUCKET, 300.0, 247.597),
        (BUCKET, 900.0, 818.189),
        (BUCKET, 1200.0, 1143.540),
    ],
)
def test_adding_up_slices_gives_the_published_volume(shape: TankShape, level_mm: float, expected_l: float) -> None:
    # fluids 1.3.1 geometry.TANK, equal to closed formulas; frustum by scipy 1.17.1 integrate.quad. Straight lines
    # between slices of 2 mm are off by at most a few hundredths of a litre.
    assert volume_l(shape, level_mm) == pytest.approx(expected_l, abs=0.05)


def test_a_torispherical_head_is_as_deep_as_published() -> None:
    # fluids 1.3.1: f = 1, k = 0.06, D = 1 m gives a head 0.169338 m deep.
    depth, profile = head_profile("torispherical", 1000.0, 1.0, 0.06)
    assert depth == pytest.approx(169.338, abs=0.001)
    assert profile(0.0) == pytest.approx(500.0)
    assert profile(depth) == pytest.approx(0.0, abs=1e-3)


INCH_MM = 25.4
LYING_TORISPHERICAL_IN = HorizontalCylinder(108.0 * INCH_MM, 156.0 * INCH_MM, "torispherical", 1.0, 0.06)


@pytest.mark.parametrize(
    ("shape", "level_in", "expected_gal"),
    [
        (LYING_TORISPHERICAL_IN, 36.0, 2028.63),
        (LYING_TORISPHERICAL_IN, 84.0, 5939.90),
        (ConeBottom(132.0 * INCH_MM, 100.0 * INCH_MM, 33.0 * INCH_MM), 24.0, 250.67),
        (VerticalCylinder(132.0 * INCH_MM, 100.0 * INCH_MM, "elliptical"), 24.0, 783.36),
        (VerticalCylinder(132.0 * INCH_MM, 100.0 * INCH_MM, "torispherical"), 24.0, 904.07),
    ],
)
def test_the_published_worked_examples_come_out(shape: TankShape, level_in: float, expected_gal: float) -> None:
    # "Calculating Tank Volume" (webcalc.com.br/blog/Tank_Volume.PDF), as quoted in the tests of fluids 1.3.1.
    assert volume_l(shape, level_in * INCH_MM) / 3.785411784 == pytest.approx(expected_gal, rel=1e-4)


def test_the_uccle_day_evaporates_about_what_fao_56_makes_of_it() -> None:
    # FAO-56 Example 18: Uccle, 6 July, Tmax 21.5, Tmin 12.3, RH 84 to 63 % (dew point about 12.6), u2 2.078 m/s,
    # Rs 22.07 MJ/m2: reference evapotranspiration 3.88 mm. The plant's own formula may differ as nature does: 15 %.
    place = Place("Uccle", 50.8, 4.35, 100.0, "Europe/Brussels")
    clear = clear_radiation_w_m2(date(2015, 7, 6), place)
    clearness = 22.07e6 / 3600.0 / sum(clear)
    day = Day(date(2015, 7, 6), 12.3, 21.5, 0.0, clearness, 2.078, 11.9)
    assert day_evaporation_mm(day, clear) == pytest.approx(3.88, rel=0.15)


def test_evaporation_by_priestley_taylor_of_a_hand_worked_hour() -> None:
    # Still air takes the multiple 0.98. At 20 C and 100 %: slope 0.1447 kPa/K, latent heat 2.454 MJ/kg; 500 W/m2 under
    # a closed sky keep 385 - 0.16 (1 - 0.8415) 418.7 = 374.1 W/m2 (by hand).
    expected = 0.98 * 0.1447 / (0.1447 + 0.066) * 374.1 * 3600.0 / 2.4538e6
    assert evaporation_mm_h(20.0, 100.0, 0.0, 500.0, 1.0) == pytest.approx(expected, rel=0.01)


def test_a_sphere_made_of_slices_is_a_sphere() -> None:
    # Two hemispheres without a shell: 4/3 pi r^3.
    step, volumes = volume_table(HorizontalCylinder(1000.0, 1e-9, "hemispherical"))
    assert volumes[-1] == pytest.approx(4.0 / 3.0 * pi * 125.0, rel=1e-5)
    assert step == pytest.approx(2.0)


def test_a_growing_season_evaporates_what_penman_monteith_makes_of_the_same_weather() -> None:
    # FAO-56 Penman-Monteith by an independent library (pyet), April to September of an invented year: the plant's own
    # formula stays close over the season and follows the days, and yet is another formula.
    weather = generate_weather(PLACE, date(2026, 4, 1), 183, 1)
    days = pandas.date_range("2026-04-01", periods=183)
    hours = range(len(weather))

    def by_day(values: array[float], method: str) -> pandas.Series:
        table = pandas.Series(values).groupby([hour // 24 for hour in hours]).agg(method)
        return pandas.Series(table.to_numpy(), index=days)

    ours = array("d", (evaporation_mm_h(*weather.hour(weather.start_wall_ms + h * HOUR_MS)[:5]) for h in hours))
    library = pyet.pm_fao56(
        by_day(weather.temperature_c, "mean"),
        by_day(weather.wind_m_s, "mean"),
        rs=by_day(weather.radiation_w_m2, "sum") * 3600.0 / 1e6,
        elevation=PLACE.elevation_m,
        lat=radians(PLACE.latitude_deg),
        tmax=by_day(weather.temperature_c, "max"),
        tmin=by_day(weather.temperature_c, "min"),
        rhmax=by_day(weather.humidity_percent, "max"),
        rhmin=by_day(weather.humidity_percent, "min"),
    )
    daily = by_day(ours, "sum")
    assert daily.sum() == pytest.approx(library.sum(), rel=0.10)
    assert 0.90 < daily.corr(library) < 0.999
