"""Generated weather keeps its place's normals; recorded weather keeps its record."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from datetime import date, timedelta
from itertools import pairwise
from math import sqrt
from random import Random
from statistics import fmean

import pytest

from controller.site.model import Place
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.evaporation import evaporation_mm_h
from simulator.plant.weather import DAY_MS, HOUR_MS, Hour, Weather, local_date, local_midnight_wall_ms, storm_hours_mm
from simulator.plant.weather_generator import RAIN_SHAPE, WET_PERSISTENCE, generate_days, generate_weather, month_value
from tests.unit.plant_site import NORMALS, PLACE, START

YEARS = 30
DAYS = [day for seed in range(YEARS) for day in generate_days(PLACE, START, 365, Random(seed))]
BY_MONTH = defaultdict(list)
for _day in DAYS:
    BY_MONTH[_day.date.month].append(_day)


@pytest.mark.parametrize("month", range(1, 13))
def test_thirty_years_of_a_month_have_its_normal_number_of_wet_days(month: int) -> None:
    days = BY_MONTH[month]
    share = NORMALS.wet_days[month - 1] / monthrange(2023, month)[1]
    # A chain with memory r holds as much information as (1 - r) / (1 + r) times as many independent days.
    independent = len(days) * (1.0 - WET_PERSISTENCE) / (1.0 + WET_PERSISTENCE)
    tolerance = 4.0 * sqrt(share * (1.0 - share) / independent)
    assert fmean(day.rain_mm > 0.0 for day in days) == pytest.approx(share, abs=tolerance)


@pytest.mark.parametrize("month", range(1, 13))
def test_thirty_years_of_a_month_have_its_normal_rain(month: int) -> None:
    normal = NORMALS.rain_mm[month - 1]
    wet_days = NORMALS.wet_days[month - 1] * YEARS
    # Spread of a sum of gamma amounts over a clumped number of days.
    spread = sqrt((1.0 / RAIN_SHAPE + (1.0 + WET_PERSISTENCE) / (1.0 - WET_PERSISTENCE)) / wet_days)
    assert sum(day.rain_mm for day in BY_MONTH[month]) / YEARS == pytest.approx(normal, rel=4.0 * spread)


def test_thirty_years_have_the_normal_yearly_rain() -> None:
    assert sum(day.rain_mm for day in DAYS) / YEARS == pytest.approx(sum(NORMALS.rain_mm), rel=0.08)


@pytest.mark.parametrize("month", range(1, 13))
def test_thirty_years_of_a_month_are_as_warm_as_normal(month: int) -> None:
    # Days remember the day before (0.72), so a month holds few independent ones: 0.25 K is one standard error. Straight
    # lines between mid-months add up to 0.4 K at the turning months.
    days = BY_MONTH[month]
    assert fmean(day.tmin_c for day in days) == pytest.approx(NORMALS.tmin_c[month - 1], abs=1.0)
    assert fmean(day.tmax_c for day in days) == pytest.approx(NORMALS.tmax_c[month - 1], abs=1.2)


def test_every_day_is_warmest_above_its_coldest() -> None:
    assert min(day.tmax_c - day.tmin_c for day in DAYS) >= 1.0 - 1e-9


def test_a_wet_day_follows_a_wet_day_more_often_than_chance() -> None:
    wet = [day.rain_mm > 0.0 for day in DAYS]
    after_wet = fmean(today for before, today in pairwise(wet) if before)
    after_dry = fmean(today for before, today in pairwise(wet) if not before)
    assert after_wet - after_dry == pytest.approx(WET_PERSISTENCE, abs=0.05)


def test_wet_days_are_darker_than_dry_ones() -> None:
    wet = fmean(day.clearness for day in DAYS if day.rain_mm > 0.0)
    dry = fmean(day.clearness for day in DAYS if day.rain_mm == 0.0)
    assert 0.3 < wet < 0.5 < 0.65 < dry < 0.8


def test_the_same_seed_gives_the_same_weather_and_another_seed_another() -> None:
    first, again, other = (generate_weather(PLACE, START, 40, seed) for seed in (5, 5, 6))
    assert first.rain_mm == again.rain_mm
    assert first.temperature_c == again.temperature_c
    assert first.radiation_w_m2 == again.radiation_w_m2
    assert first.temperature_c != other.temperature_c


def test_a_longer_request_begins_with_the_same_days() -> None:
    short = generate_days(PLACE, START, 20, Random(3))
    assert generate_days(PLACE, START, 60, Random(3))[:20] == short


def test_a_year_of_sunshine_is_what_a_temperate_place_gets() -> None:
    # Belgium has about 1000 to 1100 kWh/m2 a year: from memory, unverified; hence the wide range.
    total = sum(generate_weather(PLACE, START, 365, 1).radiation_w_m2) / 1000.0
    assert 900.0 < total < 1250.0


def test_a_year_evaporates_what_a_temperate_place_evaporates() -> None:
    # Uccle has about 600 to 700 mm of reference evapotranspiration a year: from memory, unverified; hence the range.
    weather = generate_weather(PLACE, START, 365, 2)
    hours = [weather.hour(weather.start_wall_ms + i * HOUR_MS) for i in range(len(weather))]
    total = sum(evaporation_mm_h(*hour[:5]) for hour in hours)
    assert 500.0 < total < 800.0


def test_hours_reach_the_days_extremes_and_its_rain() -> None:
    rows = [DailyRecord(START + timedelta(days=i), 2.0 + i, 12.0 + 2 * i, 3.0 * (i % 2)) for i in range(6)]
    weather = weather_from_daily(rows, PLACE, 1)
    for i, row in enumerate(rows):
        hours = slice(24 * i, 24 * i + 24)
        assert sum(weather.rain_mm[hours]) == pytest.approx(row.rain_mm)
        assert max(weather.temperature_c[hours]) == pytest.approx(row.tmax_c)
        assert weather.temperature_c[24 * i + 5] == pytest.approx(row.tmin_c)


def test_rain_of_a_day_falls_in_storms_not_all_day() -> None:
    rng = Random(1)
    for _ in range(200):
        hours = storm_hours_mm(10.0, rng)
        assert sum(hours) == pytest.approx(10.0)
        assert 1 <= sum(amount > 0.0 for amount in hours) <= 18


def test_a_record_with_evapotranspiration_gets_the_sunshine_that_makes_it() -> None:
    rows = [DailyRecord(date(2026, 7, 1) + timedelta(days=i), 12.0, 23.0, 0.0, et0) for i, et0 in enumerate((2.0, 4.0))]
    weather = weather_from_daily(rows, PLACE, 1)
    for i, row in enumerate(rows):
        start = weather.start_wall_ms + i * DAY_MS
        total = sum(evaporation_mm_h(*weather.hour(start + h * HOUR_MS)[:5]) for h in range(24))
        assert row.et0_mm is not None
        assert total == pytest.approx(row.et0_mm, rel=0.08)


def test_no_night_has_sunshine() -> None:
    weather = generate_weather(PLACE, date(2026, 6, 1), 3, 1)
    assert weather.radiation_w_m2[0] == 0.0
    assert weather.radiation_w_m2[12] > 100.0


def test_humidity_never_passes_saturation() -> None:
    assert max(generate_weather(PLACE, START, 365, 4).humidity_percent) <= 100.0


def test_after_its_last_hour_weather_goes_on_from_a_year_before() -> None:
    weather = generate_weather(PLACE, START, 400, 1)
    last = weather.start_wall_ms + (len(weather) - 1) * HOUR_MS
    assert weather.index(last) == len(weather) - 1
    assert weather.index(last + HOUR_MS) == len(weather) - 365 * 24
    assert weather.index(last + 3 * 365 * DAY_MS) == weather.index(last)


def test_a_short_record_starts_again() -> None:
    weather = Weather(0, [Hour(float(i), 50.0, 1.0, 0.0, 0.0, 0.0) for i in range(5)])
    assert [weather.index(i * HOUR_MS) for i in range(12)] == [0, 1, 2, 3, 4, 0, 1, 2, 3, 4, 0, 1]


def test_weather_before_its_first_hour_is_refused() -> None:
    weather = generate_weather(PLACE, START, 1, 1)
    with pytest.raises(ValueError, match="starts at"):
        weather.hour(weather.start_wall_ms - 1)


def test_the_day_turns_at_midnight_of_the_longitude() -> None:
    far_west = Place("far west", 40.0, -105.0, 1600.0, "America/Denver")
    midnight = local_midnight_wall_ms(date(2026, 5, 2), far_west)
    assert local_date(midnight, far_west) == date(2026, 5, 2)
    assert local_date(midnight - 1, far_west) == date(2026, 5, 1)


def test_month_values_are_exact_in_the_middle_of_the_month_and_meet_at_its_end() -> None:
    values = tuple(float(month) for month in range(12))
    assert month_value(values, date(2026, 4, 15)) == pytest.approx(3.0, abs=0.02)
    assert month_value(values, date(2026, 4, 30)) == pytest.approx(3.5, abs=0.02)
    assert month_value(values, date(2026, 5, 1)) == pytest.approx(3.5, abs=0.02)
    assert month_value(values, date(2026, 1, 1)) == pytest.approx(5.5, abs=0.2)
