"""Reference evapotranspiration by FAO Irrigation and Drainage Paper 56 (Rome, 1998); equation numbers are that book's.

Radiation in MJ/m2/day, vapour pressure in kPa, temperature in degrees Celsius, wind in m/s, evapotranspiration in
mm/day. Polar day and night, a leap day and absurd weather give a bounded evapotranspiration, never an exception.
"""

from __future__ import annotations

import math

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
STEFAN_BOLTZMANN_MJ_K4_M2_DAY = 4.903e-9
ALBEDO = 0.23
MM_PER_MJ_M2 = 0.408
"""Inverse of the latent heat of vaporisation, equation 20."""
KRS_INTERIOR = 0.16
KRS_COASTAL = 0.19
DEFAULT_WIND_2M_M_S = 2.0
"""World-wide mean where no wind is measured, page 63."""
LOWEST_WIND_2M_M_S = 0.5
"""Air is never quite still over grass, page 63."""
EXPECTATION_WEIGHT = 0.5
"""How much a day counts in what is expected of the next (own choice)."""
HIGHEST_ET_MM = 20.0
"""Bound on any result: above what any desert day reaches (own choice)."""
NIGHT_CLEARNESS = 0.5
"""Rs/Rso where the sun does not rise and the ratio is undefined (own choice, middle of the range)."""
_COLDEST_C = -60.0
_HOTTEST_C = 60.0
_KELVIN_RADIATION = 273.16
_KELVIN_AERODYNAMIC = 273.0


# --- sun --------------------------------------------------------------------------------------------------------------


def inverse_relative_distance(day_of_year: int) -> float:
    """d_r of the earth from the sun, equation 23."""
    return 1.0 + 0.033 * math.cos(2.0 * math.pi / 365.0 * day_of_year)


def solar_declination_rad(day_of_year: int) -> float:
    """Equation 24."""
    return 0.409 * math.sin(2.0 * math.pi / 365.0 * day_of_year - 1.39)


def sunset_hour_angle_rad(latitude_deg: float, day_of_year: int) -> float:
    """Equation 25, clamped: 0 in the polar night, pi in the polar day."""
    cosine = -math.tan(math.radians(latitude_deg)) * math.tan(solar_declination_rad(day_of_year))
    return math.acos(min(1.0, max(-1.0, cosine)))


def extraterrestrial_radiation_mj(latitude_deg: float, day_of_year: int) -> float:
    """Ra for a day, MJ/m2, equation 21."""
    latitude = math.radians(latitude_deg)
    declination = solar_declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude_deg, day_of_year)
    geometry = sunset * math.sin(latitude) * math.sin(declination)
    geometry += math.cos(latitude) * math.cos(declination) * math.sin(sunset)
    per_day = 24.0 * 60.0 / math.pi * SOLAR_CONSTANT_MJ_M2_MIN
    return max(0.0, per_day * inverse_relative_distance(day_of_year) * geometry)


def daylight_hours(latitude_deg: float, day_of_year: int) -> float:
    """N, equation 34."""
    return 24.0 / math.pi * sunset_hour_angle_rad(latitude_deg, day_of_year)


def clear_sky_radiation_mj(ra_mj: float, elevation_m: float) -> float:
    """Rso, equation 37."""
    return (0.75 + 2e-5 * elevation_m) * ra_mj


def solar_radiation_from_sunshine_mj(
    ra_mj: float, sunshine_h: float, daylight_h: float, a_s: float = 0.25, b_s: float = 0.50
) -> float:
    """Rs from hours of bright sunshine, equation 35; more sunshine than daylight counts as all of it."""
    bright = min(1.0, max(0.0, sunshine_h / daylight_h)) if daylight_h > 0.0 else 0.0
    return (a_s + b_s * bright) * ra_mj


def solar_radiation_from_temperature_mj(
    ra_mj: float, tmin_c: float, tmax_c: float, elevation_m: float, coastal: bool = False
) -> float:
    """Rs from the day's temperature range, equation 50, at most Rso."""
    krs = KRS_COASTAL if coastal else KRS_INTERIOR
    estimate_mj = krs * math.sqrt(max(0.0, tmax_c - tmin_c)) * ra_mj
    return min(estimate_mj, clear_sky_radiation_mj(ra_mj, elevation_m))


# --- air --------------------------------------------------------------------------------------------------------------


def atmospheric_pressure_kpa(elevation_m: float) -> float:
    """Equation 7."""
    return 101.3 * math.pow((293.0 - 0.0065 * elevation_m) / 293.0, 5.26)


def psychrometric_constant_kpa_c(pressure_kpa: float) -> float:
    """Gamma, equation 8."""
    return 0.665e-3 * pressure_kpa


def saturation_vapour_pressure_kpa(temperature_c: float) -> float:
    """e0(T), equation 11."""
    return 0.6108 * math.exp(17.27 * temperature_c / (temperature_c + 237.3))


def mean_saturation_vapour_pressure_kpa(tmin_c: float, tmax_c: float) -> float:
    """es, equation 12: the mean of both ends, not the value at the mean temperature."""
    return (saturation_vapour_pressure_kpa(tmin_c) + saturation_vapour_pressure_kpa(tmax_c)) / 2.0


def vapour_pressure_slope_kpa_c(temperature_c: float) -> float:
    """Delta, equation 13."""
    return 4098.0 * saturation_vapour_pressure_kpa(temperature_c) / (temperature_c + 237.3) ** 2


def vapour_pressure_from_humidity_kpa(
    tmin_c: float, tmax_c: float, rh_max_percent: float, rh_min_percent: float
) -> float:
    """ea from the day's highest and lowest relative humidity, equation 17."""
    moist = saturation_vapour_pressure_kpa(tmin_c) * rh_max_percent / 100.0
    dry = saturation_vapour_pressure_kpa(tmax_c) * rh_min_percent / 100.0
    return (moist + dry) / 2.0


def vapour_pressure_from_wet_bulb_kpa(dry_c: float, wet_c: float, pressure_kpa: float, a_psy: float) -> float:
    """ea from a psychrometer, equations 15 and 16; `a_psy` 0.000662 ventilated, 0.0008 natural, 0.0012 indoors."""
    return saturation_vapour_pressure_kpa(wet_c) - a_psy * pressure_kpa * (dry_c - wet_c)


def vapour_pressure_from_minimum_kpa(tmin_c: float) -> float:
    """ea when no humidity is measured: the dew point is taken as Tmin, equation 48."""
    return saturation_vapour_pressure_kpa(tmin_c)


def wind_at_2m_m_s(wind_m_s: float, height_m: float) -> float:
    """Wind at 2 m from wind at another height over grass, equation 47."""
    return wind_m_s * 4.87 / math.log(67.8 * height_m - 5.42)


# --- energy -----------------------------------------------------------------------------------------------------------


def net_longwave_radiation_mj(tmin_c: float, tmax_c: float, ea_kpa: float, rs_mj: float, rso_mj: float) -> float:
    """Rnl, equation 39; Rs/Rso is at most 1."""
    clearness = min(1.0, max(0.0, rs_mj / rso_mj)) if rso_mj > 0.0 else NIGHT_CLEARNESS
    fourth_powers = ((tmax_c + _KELVIN_RADIATION) ** 4 + (tmin_c + _KELVIN_RADIATION) ** 4) / 2.0
    moisture = 0.34 - 0.14 * math.sqrt(max(0.0, ea_kpa))
    return STEFAN_BOLTZMANN_MJ_K4_M2_DAY * fourth_powers * moisture * (1.35 * clearness - 0.35)


def net_radiation_mj(tmin_c: float, tmax_c: float, ea_kpa: float, rs_mj: float, rso_mj: float) -> float:
    """Rn, equations 38 and 40."""
    return (1.0 - ALBEDO) * rs_mj - net_longwave_radiation_mj(tmin_c, tmax_c, ea_kpa, rs_mj, rso_mj)


def monthly_soil_heat_flux_mj(previous_mean_c: float, next_mean_c: float) -> float:
    """G of a month from the means of the months around it, equation 43."""
    return 0.07 * (next_mean_c - previous_mean_c)


def monthly_soil_heat_flux_without_next_mj(previous_mean_c: float, this_mean_c: float) -> float:
    """G of a month whose next one is not known, equation 44."""
    return 0.14 * (this_mean_c - previous_mean_c)


def combination_mm(
    tmean_c: float, rn_mj: float, g_mj: float, wind_2m_m_s: float, es_kpa: float, ea_kpa: float, pressure_kpa: float
) -> float:
    """The Penman-Monteith equation for grass, equation 6, not below 0 nor above `HIGHEST_ET_MM`."""
    wind = max(LOWEST_WIND_2M_M_S, wind_2m_m_s)
    slope = vapour_pressure_slope_kpa_c(tmean_c)
    gamma = psychrometric_constant_kpa_c(pressure_kpa)
    radiation = MM_PER_MJ_M2 * slope * (rn_mj - g_mj)
    aerodynamic = gamma * 900.0 / (tmean_c + _KELVIN_AERODYNAMIC) * wind * (es_kpa - ea_kpa)
    return _bounded_mm((radiation + aerodynamic) / (slope + gamma * (1.0 + 0.34 * wind)))


def penman_monteith_mm(
    tmin_c: float,
    tmax_c: float,
    latitude_deg: float,
    day_of_year: int,
    elevation_m: float,
    *,
    wind_2m_m_s: float | None = None,
    ea_kpa: float | None = None,
    rs_mj: float | None = None,
    g_mj: float = 0.0,
    coastal: bool = False,
) -> float:
    """Reference evapotranspiration of a day (or the mean day of a month, with its G), mm.

    What is None is estimated as chapter 3 of the book says: wind 2 m/s, dew point at Tmin (equation 48), radiation from
    the temperature range (equation 50).
    """
    low_c, high_c = _ordered_c(tmin_c, tmax_c)
    ra_mj = extraterrestrial_radiation_mj(latitude_deg, day_of_year)
    if rs_mj is None:
        rs_mj = solar_radiation_from_temperature_mj(ra_mj, low_c, high_c, elevation_m, coastal)
    es_kpa = mean_saturation_vapour_pressure_kpa(low_c, high_c)
    if ea_kpa is None:
        ea_kpa = vapour_pressure_from_minimum_kpa(low_c)
    ea_kpa = min(max(0.0, ea_kpa), es_kpa)
    rn_mj = net_radiation_mj(low_c, high_c, ea_kpa, rs_mj, clear_sky_radiation_mj(ra_mj, elevation_m))
    wind = DEFAULT_WIND_2M_M_S if wind_2m_m_s is None else wind_2m_m_s
    mean_c = (low_c + high_c) / 2.0
    return combination_mm(mean_c, rn_mj, g_mj, wind, es_kpa, ea_kpa, atmospheric_pressure_kpa(elevation_m))


def hargreaves_mm(tmin_c: float, tmax_c: float, latitude_deg: float, day_of_year: int) -> float:
    """Reference evapotranspiration from temperature alone, mm/day, equation 52.

    The book warns: too low above 3 m/s of wind, too high in humid air, meant for means over several days.
    """
    low_c, high_c = _ordered_c(tmin_c, tmax_c)
    ra_mm = MM_PER_MJ_M2 * extraterrestrial_radiation_mj(latitude_deg, day_of_year)
    return _bounded_mm(0.0023 * ((low_c + high_c) / 2.0 + 17.8) * math.sqrt(high_c - low_c) * ra_mm)


def _ordered_c(one_c: float, other_c: float) -> tuple[float, float]:
    """The lower and the higher of two temperatures, held to what air on earth can have."""
    low, high = min(one_c, other_c), max(one_c, other_c)
    return min(_HOTTEST_C, max(_COLDEST_C, low)), min(_HOTTEST_C, max(_COLDEST_C, high))


def _bounded_mm(et_mm: float) -> float:
    return min(HIGHEST_ET_MM, max(0.0, et_mm))
