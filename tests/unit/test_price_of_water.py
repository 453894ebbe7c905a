"""The price of water: what it must do whatever the garden, and what a decision at a price may never do."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.irrigate.likely_weather import (
    DAYS_PER_YEAR,
    MONTH_DAYS,
    ClimateNormals,
    LikelyYear,
    likely_years,
    month_of_day,
)
from controller.irrigate.normal_et import mean_et0_mm
from controller.irrigate.outlook import day_of_year, outlook, usable_l
from controller.irrigate.plan import Supply, ZoneNeed
from controller.irrigate.priced_plan import Market, allocate_at_price
from controller.irrigate.ration import allocate_on_ration
from controller.irrigate.water_price import LEVELS, PRICES, ZoneDay, ZoneYear, level_mm, price_table, priority_weight
from controller.site.model import Zone
from tests.scenario.garden import EXAMPLE

TANK = EXAMPLE.tanks[0]
OUTLOOK = outlook(EXAMPLE)
assert OUTLOOK is not None
TABLE = OUTLOOK.tables[TANK.id]
JULY = day_of_year(date(2026, 7, 10))
JANUARY = day_of_year(date(2026, 1, 10))


def market(day: int = JULY, rain_mm: float = 10.0, least_price: float = 0.0) -> dict[str, Market]:
    assert OUTLOOK is not None
    return {TANK.id: Market(TABLE, OUTLOOK.month_rain[6], day, rain_mm, least_price)}


def need(zone: Zone, depletion_part: float = 0.4, etc_mm: float = 4.0, applied_l: float = 0.0) -> ZoneNeed:
    total = zone.total_available_mm
    return ZoneNeed(zone, zone.schedule, depletion_part * total, 0.4 * total, etc_mm, etc_mm, True, applied_l)


def supply(available_l: float, energy_wh: float = math.inf, wh_per_l: float = 0.0) -> dict[str, Supply]:
    return {TANK.id: Supply(available_l, energy_wh, wh_per_l)}


# --- likely weather ---------------------------------------------------------------------------------------------------


def test_likely_years_keep_the_normals_they_are_made_of() -> None:
    normals = EXAMPLE.place.normals
    assert normals is not None
    et0_mm = mean_et0_mm(EXAMPLE.place, normals)
    years = likely_years(ClimateNormals(et0_mm, normals.rain_mm, normals.wet_days), 36)
    months = month_of_day()
    for month in range(12):
        days = [n for n in range(DAYS_PER_YEAR) if months[n] == month]
        rain = sum(year.rain_mm[n] for year in years for n in days) / 36.0
        et0 = sum(year.et0_mm[n] for year in years for n in days) / 36.0 / MONTH_DAYS[month]
        wet = sum(year.rain_mm[n] > 0.0 for year in years for n in days) / 36.0
        assert rain == pytest.approx(normals.rain_mm[month], rel=1e-9)
        assert et0 == pytest.approx(et0_mm[month], rel=1e-9)
        # The share of wet days is kept by the chain, not by force.
        assert wet == pytest.approx(normals.wet_days[month], rel=0.3)


def test_rain_comes_in_spells_not_day_by_day() -> None:
    normals = EXAMPLE.place.normals
    assert normals is not None
    years = likely_years(ClimateNormals([2.0] * 12, normals.rain_mm, normals.wet_days), 36)
    wet = [rain > 0.0 for year in years for rain in year.rain_mm]
    part = sum(wet) / len(wet)
    after_wet = sum(a and b for a, b in pairwise(wet)) / sum(wet[:-1])
    assert after_wet > part + 0.15


# --- a zone at a price ------------------------------------------------------------------------------------------------

zone_days = st.builds(
    ZoneDay,
    weight=st.sampled_from([1.0, 2.0, 4.0, 8.0]),
    total_mm=st.floats(10.0, 120.0),
    fraction=st.floats(0.15, 0.7),
    etc_mm=st.floats(0.2, 9.0),
    l_per_mm=st.floats(1.0, 20.0),
    wet_part=st.floats(0.0, 0.6),
    wet_mm=st.floats(0.0, 12.0),
    swing=st.sampled_from([0.4, 1.0]),
)


@given(zone_days, st.lists(st.floats(0.0, 2.0), min_size=2, max_size=6))
def test_dearer_water_never_makes_a_zone_wetter(zone: ZoneDay, prices: list[float]) -> None:
    levels = [level_mm(zone, price) for price in sorted(prices)]
    assert levels == sorted(levels)


@given(zone_days)
def test_water_for_nothing_fills_a_zone_and_none_is_given_at_the_last_price(zone: ZoneDay) -> None:
    assert level_mm(zone, 0.0) == 0.0
    assert level_mm(zone, PRICES[-1]) == zone.total_mm


@given(zone_days, st.floats(0.0, 2.0))
def test_what_counts_more_is_never_kept_drier(zone: ZoneDay, price: float) -> None:
    assert level_mm(zone._replace(weight=2.0 * zone.weight), price) <= level_mm(zone, price)


def test_each_step_of_priority_counts_half_of_the_one_before() -> None:
    assert [priority_weight(priority) for priority in (1, 2, 3, 4)] == [8.0, 4.0, 2.0, 1.0]


# --- the table --------------------------------------------------------------------------------------------------------


def test_the_fuller_the_tank_the_cheaper_its_water_on_every_day() -> None:
    for day in range(0, DAYS_PER_YEAR, 5):
        for rain_mm in (0.0, 1000.0):
            prices = [TABLE.at(day, rain_mm, TABLE.capacity_l * part / 20.0) for part in range(21)]
            assert prices == sorted(prices, reverse=True)
            assert min(prices) >= 0.0


def test_water_is_dear_before_and_in_summer_and_worth_little_in_autumn() -> None:
    half_l = 0.5 * TABLE.capacity_l
    summer, autumn = TABLE.at(JULY, 0.0, half_l), TABLE.at(day_of_year(date(2026, 11, 1)), 0.0, half_l)
    assert summer > 10.0 * max(autumn, 1e-4)


def test_after_a_dry_fortnight_water_is_dearer_than_after_a_wet_one_over_the_summer() -> None:
    days = range(day_of_year(date(2026, 6, 1)), day_of_year(date(2026, 9, 1)))
    dry = sum(TABLE.at(day, 0.0, 0.4 * TABLE.capacity_l) for day in days)
    wet = sum(TABLE.at(day, 1000.0, 0.4 * TABLE.capacity_l) for day in days)
    assert dry > wet


def test_when_no_rain_is_to_come_every_litre_is_worth_the_thirst_it_spares() -> None:
    # 8 a day for a plant that goes without its 20 L, falling with the square of the thirst: 2 x 8 / 20 the first litre.
    day = ZoneDay(8.0, 40.0, 0.4, 4.0, 5.0, 0.0, 0.0, 1.0)
    rainless = LikelyYear((0.0,) * DAYS_PER_YEAR, (4.0,) * DAYS_PER_YEAR)
    table = price_table(
        [ZoneYear([day] * DAYS_PER_YEAR, True, 500.0)], [rainless], [4.0] * 365, [[0.0] * 365], capacity_l=500.0
    )
    for stored_l in (0.0, 20.0, 100.0, 500.0):
        assert 0.65 < table.at(JULY, 0.0, stored_l) <= 0.8


def test_the_table_reaches_from_the_reserve_to_the_overflow() -> None:
    assert TABLE.capacity_l == pytest.approx(usable_l(TANK))
    assert len(TABLE.prices[0][0]) == LEVELS


def test_a_site_without_normals_has_no_price_and_a_tank_without_a_roof_has_none() -> None:
    assert outlook(replace(EXAMPLE, place=replace(EXAMPLE.place, normals=None))) is None
    unfed = outlook(replace(EXAMPLE, roofs=()))
    assert unfed is not None
    assert unfed.tables == {}


def test_29_february_counts_as_the_28th() -> None:
    assert day_of_year(date(2028, 2, 29)) == day_of_year(date(2028, 2, 28)) == 58
    assert day_of_year(date(2028, 12, 31)) == day_of_year(date(2027, 12, 31)) == 364


# --- a plan at a price ------------------------------------------------------------------------------------------------

some_needs = st.lists(
    st.tuples(st.sampled_from(EXAMPLE.zones), st.floats(0.0, 1.0), st.floats(0.3, 8.0), st.floats(0.0, 30.0)),
    min_size=1,
    max_size=6,
    unique_by=lambda entry: entry[0].id,
)
Given = list[tuple[Zone, float, float, float]]


def volumes(entries: Given, available_l: float, energy_wh: float = math.inf) -> dict[str, float]:
    needs = [need(*entry) for entry in entries]
    lines = allocate_at_price(needs, supply(available_l, energy_wh, 0.15), market())
    return {line.zone_id: line.volume_l for line in lines}


@settings(max_examples=60)
@given(some_needs, st.floats(0.0, 1800.0), st.floats(0.0, 60.0))
def test_no_plan_breaks_a_cap_the_reserve_or_the_battery(entries: Given, available_l: float, energy_wh: float) -> None:
    given_l = volumes(entries, available_l, energy_wh)
    assert sum(given_l.values()) <= available_l + 1e-6
    assert 0.15 * sum(given_l.values()) <= energy_wh + 1e-6
    for zone, _, _, applied_l in entries:
        assert 0.0 <= given_l[zone.id] <= max(0.0, zone.schedule.daily_cap_l - applied_l) + 1e-9


@settings(max_examples=40)
@given(some_needs, st.floats(0.0, 900.0), st.floats(0.0, 900.0))
def test_more_water_never_makes_a_plan_worse(entries: Given, available_l: float, more_l: float) -> None:
    scarce, ample = volumes(entries, available_l), volumes(entries, available_l + more_l)
    # A zone may hand a dose too small to give on to nobody, never more.
    assert sum(ample.values()) >= sum(scarce.values()) - 0.5 * len(entries)


@settings(max_examples=40)
@given(st.floats(0.0, 1.0), st.floats(0.5, 8.0), st.floats(0.0, 400.0))
def test_of_two_zones_alike_the_higher_priority_never_fares_worse(
    part: float, etc_mm: float, available_l: float
) -> None:
    zone = EXAMPLE.zones[0]
    first, second = replace(zone, id="first", priority=1), replace(zone, id="second", priority=3)
    given_l = volumes([(second, part, etc_mm, 0.0), (first, part, etc_mm, 0.0)], available_l)
    assert given_l["first"] >= given_l["second"] - 1e-9


@settings(max_examples=20)
@given(some_needs, st.floats(0.0, 900.0))
def test_the_plan_is_a_pure_function_of_its_inputs_in_any_order(entries: Given, available_l: float) -> None:
    assert volumes(entries, available_l) == volumes(list(reversed(entries)), available_l)


def test_when_water_is_short_pots_drink_before_the_berry_row() -> None:
    pots, berries = EXAMPLE.zone("bench-south"), EXAMPLE.zone("berry-row")
    given_l = volumes([(berries, 0.7, 4.0, 0.0), (pots, 0.7, 5.0, 0.0)], 200.0)
    assert given_l[pots.id] > 5.0
    assert given_l[berries.id] == 0.0


def test_a_full_tank_before_autumn_rain_fills_the_beds_and_says_that_water_is_plentiful() -> None:
    bed = EXAMPLE.zone("salad-bed-east")
    assert OUTLOOK is not None
    october = {TANK.id: Market(TABLE, OUTLOOK.month_rain[9], day_of_year(date(2026, 10, 20)), 60.0)}
    (line,) = allocate_at_price([need(bed, 0.15, 1.0)], supply(1700.0), october)
    assert line.volume_l == pytest.approx(0.15 * bed.total_available_mm * bed.area_m2 / bed.drip_efficiency, rel=0.01)
    assert "plentiful" in line.why


def test_the_reason_names_the_price_the_level_and_the_limit_in_numbers() -> None:
    bed = EXAMPLE.zone("salad-bed-east")
    (line,) = allocate_at_price([need(bed, 0.9, applied_l=30.0)], supply(500.0), market(rain_mm=0.0))
    assert "100 L kept now spare" in line.why
    assert f"limited to {line.volume_l:.1f} L by what is left of its daily cap" in line.why
    (waiting,) = allocate_at_price([need(bed, 0.05)], supply(100.0), market(rain_mm=0.0))
    assert waiting.volume_l == 0.0
    assert "waits until" in waiting.why


def test_a_level_that_is_not_known_gives_nothing_and_says_why() -> None:
    bed = EXAMPLE.zone("salad-bed-east")
    unknown = {TANK.id: Supply(0.0, math.inf, 0.0, level_known=False)}
    (line,) = allocate_at_price([need(bed, 0.9)], unknown, market())
    assert line.volume_l == 0.0
    assert "not known now" in line.why


# --- on ration --------------------------------------------------------------------------------------------------------


def test_without_a_price_the_later_priorities_are_cut_off_first_and_told_so() -> None:
    needs = [need(zone, 0.6) for zone in EXAMPLE.zones]
    daily_l = sum(4.0 * zone.area_m2 / zone.drip_efficiency for zone in EXAMPLE.zones)
    by_days = {
        days: {line.zone_id for line in allocate_on_ration(needs, supply(days * daily_l)) if line.volume_l > 0.0}
        for days in (8, 20, 40)
    }
    priorities = {zone.id: zone.priority for zone in EXAMPLE.zones}
    assert {priorities[zone_id] for zone_id in by_days[8]} == {1}
    assert {priorities[zone_id] for zone_id in by_days[20]} == {1, 2}
    assert {priorities[zone_id] for zone_id in by_days[40]} == {1, 2, 3, 4}
    cut = next(line for line in allocate_on_ration(needs, supply(8 * daily_l)) if line.zone_id == "berry-row")
    assert "8 days" in cut.why
    assert "priorities up to 1" in cut.why
