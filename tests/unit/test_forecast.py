"""A forecast may leave room for rain and lower the price of water; it may never dry out what it does not rain on."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.contract import Forecast, ForecastDay
from controller.irrigate.forecast import (
    FRESH_MS,
    RainToCome,
    expected_catch_l,
    expected_et0_mm,
    fresh,
    rain_to_come,
)
from controller.irrigate.outlook import outlook
from controller.irrigate.plan import SMALLEST_DOSE_L, Supply, ZoneNeed, allocate, level_with_rain_mm
from controller.irrigate.priced_plan import Market, allocate_at_price
from controller.irrigate.reference_et import hargreaves_mm
from tests.scenario.garden import EXAMPLE

TODAY = date(2026, 7, 10)
ISSUED_MS = 1_783_666_800_000
TANK = EXAMPLE.tanks[0]
OUTLOOK = outlook(EXAMPLE)
assert OUTLOOK is not None
TABLE, JULY_RAIN = OUTLOOK.tables[TANK.id], OUTLOOK.month_rain[6]
RAIN_MM = st.floats(0.0, 60.0)


def forecast(*rain_mm: float) -> Forecast:
    days = [ForecastDay((TODAY + timedelta(days=n)).isoformat(), mm, 12.0, 24.0) for n, mm in enumerate(rain_mm)]
    return Forecast(ISSUED_MS, tuple(days))


def needs(depletion_part: float, coming: Forecast | None) -> list[ZoneNeed]:
    rain = rain_to_come(coming, TODAY, 0.0)
    found = []
    for zone in EXAMPLE.zones:
        total_mm = zone.total_available_mm
        found.append(
            ZoneNeed(zone, zone.schedule, depletion_part * total_mm, 0.45 * total_mm, 3.0, 4.0, True, 0.0, rain)
        )
    return found


def given_l(zones: list[ZoneNeed], available_l: float, coming_l: float) -> dict[str, float]:
    market = Market(TABLE, JULY_RAIN, 190, 10.0, coming_l=coming_l)
    supplies = {TANK.id: Supply(available_l, 1e9, 0.1)}
    return {line.zone_id: line.volume_l for line in allocate_at_price(zones, supplies, {TANK.id: market})}


@given(st.integers(-10 * FRESH_MS, 10 * FRESH_MS))
def test_a_forecast_counts_for_a_day_and_not_before_it_was_issued(age_ms: int) -> None:
    coming = forecast(20.0, 20.0, 20.0)
    known = fresh(coming, ISSUED_MS + age_ms)
    assert known is (coming if -3_600_000 <= age_ms <= FRESH_MS else None)


@given(RAIN_MM, RAIN_MM, RAIN_MM)
def test_a_stale_forecast_is_no_forecast(first: float, second: float, third: float) -> None:
    stale = fresh(forecast(first, second, third), ISSUED_MS + FRESH_MS + 1)
    assert rain_to_come(stale, TODAY, 0.0) == rain_to_come(None, TODAY, 0.0) == (0.0, 0.0)
    assert expected_catch_l(stale, TODAY, 0.0, EXAMPLE.roofs) == 0.0
    assert expected_et0_mm(stale, TODAY, 51.7) is None
    assert given_l(needs(0.5, stale), 800.0, 0.0) == given_l(needs(0.5, None), 800.0, 0.0)


def test_rain_of_two_days_counts_where_it_is_worth_it_and_without_what_fell_already() -> None:
    assert rain_to_come(forecast(1.9, 10.0, 30.0), TODAY, 0.0) == RainToCome(10.0, 0.7 * 10.0)
    assert rain_to_come(forecast(8.0, 0.0), TODAY, 3.0) == RainToCome(5.0, 0.7 * 5.0)
    assert rain_to_come(forecast(8.0, 0.0), TODAY, 30.0) == (0.0, 0.0)
    assert rain_to_come(forecast(8.0), TODAY + timedelta(days=1), 0.0) == (0.0, 0.0)


def test_half_of_three_days_catch_counts_after_each_day_s_first_flush() -> None:
    (roof,) = (replace(EXAMPLE.roofs[0], area_m2=10.0, runoff_coefficient=0.8, first_flush_mm=1.0),)
    assert expected_catch_l(forecast(5.0, 0.0, 11.0, 50.0), TODAY, 0.0, [roof]) == pytest.approx(
        0.5 * 10.0 * 0.8 * (4.0 + 10.0)
    )


def test_evapotranspiration_comes_from_the_extremes_of_the_date() -> None:
    """FAO-56 equation 52, the formula that `tests/reference` checks against the book."""
    coming = forecast(0.0, 0.0)
    tomorrow = TODAY + timedelta(days=1)
    assert expected_et0_mm(coming, tomorrow, 51.7) == hargreaves_mm(12.0, 24.0, 51.7, 192)
    assert expected_et0_mm(coming, TODAY + timedelta(days=2), 51.7) is None


@given(st.floats(0.0, 1.0), RAIN_MM, RAIN_MM, st.floats(0.0, 80.0))
def test_room_for_rain_never_passes_what_plants_draw_with_ease(
    part: float, first: float, second: float, level_mm: float
) -> None:
    for need in needs(part, forecast(first, second)):
        raised_mm = level_with_rain_mm(need, level_mm)
        assert level_mm <= raised_mm <= level_mm + first + second
        if raised_mm > level_mm:
            assert need.zone.rain_fed
            assert raised_mm + need.until_next_mm <= need.readily_mm + 1e-9


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 0.9), RAIN_MM, RAIN_MM, st.floats(0.0, 1500.0), st.floats(0.0, 800.0))
def test_what_stands_under_cover_gets_no_less_than_at_the_same_price_without_the_rain(
    part: float, first: float, second: float, available_l: float, coming_l: float
) -> None:
    without = given_l(needs(part, None), available_l, coming_l)
    with_rain = given_l(needs(part, forecast(first, second)), available_l, coming_l)
    # Of what is left over in the last step another zone may take up to a smallest dose more.
    slack_l = SMALLEST_DOSE_L * sum(zone.rain_fed for zone in EXAMPLE.zones)
    for zone in EXAMPLE.zones:
        if not zone.rain_fed:
            assert with_rain[zone.id] >= without[zone.id] - slack_l
    plenty_without, plenty_with = (given_l(n, 1e6, coming_l) for n in (needs(part, None), needs(part, forecast(first))))
    for zone in EXAMPLE.zones:
        if not zone.rain_fed:
            assert plenty_with[zone.id] == plenty_without[zone.id]


@given(st.floats(0.0, 3000.0), st.floats(0.0, 5000.0))
def test_coming_water_lowers_the_price_and_never_below_that_of_a_full_tank(stored_l: float, coming_l: float) -> None:
    without = Market(TABLE, JULY_RAIN, 190, 10.0)
    price = Market(TABLE, JULY_RAIN, 190, 10.0, coming_l=coming_l).price(stored_l)
    assert without.price(TABLE.capacity_l) <= price <= without.price(stored_l)


@pytest.mark.parametrize("priced", [True, False])
def test_the_plan_says_how_much_rain_is_forecast(priced: bool) -> None:
    assert OUTLOOK is not None
    roomy = replace(EXAMPLE.zones[0].schedule, daily_cap_l=1000.0)
    beds = [need._replace(schedule=roomy) for need in needs(0.44, forecast(0.0, 9.0)) if need.zone.rain_fed]
    supplies = {TANK.id: Supply(1e5, 1e9, 0.1)}
    # In October water is plentiful, so that every bed would be refilled.
    market = {TANK.id: Market(TABLE, OUTLOOK.month_rain[9], 280, 10.0)}
    lines = allocate_at_price(beds, supplies, market) if priced else allocate(beds, supplies)
    assert all("rain of 9 mm is forecast" in line.why for line in lines)
    dry = [need._replace(rain=rain_to_come(None, TODAY, 0.0)) for need in beds]
    lines_dry = allocate_at_price(dry, supplies, market) if priced else allocate(dry, supplies)
    assert sum(line.volume_l for line in lines) < sum(line.volume_l for line in lines_dry)
