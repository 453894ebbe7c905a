"""The storage study: what a bigger tank and roof do, and how near the daily model is to the season in virtual time."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.outlook import MonthRain, basis, outlook, zone_day
from controller.irrigate.water_price import PRICES, level_mm
from controller.site.geometry import volume_l
from controller.site.load import parse_site
from simulator.advise import storage_study
from simulator.advise.climate import climate_from_normals
from simulator.advise.demand import demand_of
from simulator.advise.prices import THIRSTS, levels_by_thirst_mm, levels_mm, price_tables
from simulator.advise.season_check import season_and_model
from simulator.advise.storage import PRICE_GRID, between_weeks, daily_catch_l
from simulator.advise.storage_section import mean_catch_l, next_bit, smallest_for
from simulator.advise.storage_study import (
    AFTER,
    BEFORE,
    DECLARED_ROOF,
    DECLARED_SIZE,
    StorageStudy,
    prices_of,
    study_storage,
    usable_of,
)
from simulator.example import example_site_text

SITE = parse_site(example_site_text(), "example")
TANK = SITE.tanks[0]


@pytest.fixture(scope="module")
def small_study() -> StorageStudy:
    """Three years, in this process."""
    study = study_storage(SITE, TANK, climate_from_normals(SITE.place, 3), jobs=1)
    assert study is not None
    return study


def test_a_bigger_tank_or_roof_never_meets_much_less_of_the_need(small_study: StorageStudy) -> None:
    share = small_study.share_met().mean(axis=0)
    assert (np.diff(share, axis=1) > -0.02).all()
    assert (np.diff(share, axis=0) > -0.02).all()
    assert share[0, 0, AFTER] < 0.2
    assert share[-1, -1, AFTER] > 0.95


def test_what_is_caught_is_supplied_spilt_or_stored(small_study: StorageStudy) -> None:
    caught = small_study.caught_l.sum(axis=0)
    used = small_study.supplied_l.sum(axis=(0, 1)) + small_study.overflow_l.sum(axis=0)
    assert (np.abs(caught - used) <= small_study.usable_l[None, :, None] + 1e-6).all()


def test_yield_before_spillage_is_the_kinder_rule(small_study: StorageStudy) -> None:
    supplied = small_study.supplied_l.sum(axis=(0, 1))
    assert (supplied[:, :, BEFORE] >= 0.99 * supplied[:, :, AFTER]).all()
    small_tanks = supplied[:, :10]
    assert small_tanks[:, :, BEFORE].sum() > 1.02 * small_tanks[:, :, AFTER].sum()


def test_zones_of_higher_priority_come_off_better(small_study: StorageStudy) -> None:
    share = small_study.zone_share_met().mean(axis=0)[:, DECLARED_ROOF, DECLARED_SIZE, AFTER]
    by_zone = {zone.id: met for zone, met in zip(small_study.demand.zones, share, strict=True)}
    assert min(by_zone["bench-north"], by_zone["bench-south"]) > by_zone["berry-row"]
    assert min(by_zone["bench-north"], by_zone["bench-south"]) > by_zone["bean-row"]


def test_with_hardly_a_tank_hardly_any_need_is_met_and_no_zone_does_worse_than_with_rain_alone(
    small_study: StorageStudy,
) -> None:
    assert small_study.share_met()[:, 0, 0, AFTER].max() < 0.3
    assert small_study.zone_share_met().min() > -1e-9
    assert (small_study.needed_l <= small_study.potential_l).all()


def test_under_cover_all_that_plants_drink_is_needed_from_the_tank_or_what_was_there_at_the_start(
    small_study: StorageStudy,
) -> None:
    for z, zone in enumerate(small_study.demand.zones):
        part = small_study.needed_l[:, z].sum() / small_study.potential_l[:, z].sum()
        assert part > 0.9 if zone.kind == "container" else part < 0.7


def test_the_answer_does_not_depend_on_how_many_processes_work(small_study: StorageStudy) -> None:
    told: list[tuple[int, int]] = []
    again = study_storage(SITE, TANK, small_study.climate, progress=lambda done, of: told.append((done, of)), jobs=2)
    assert again is not None
    assert np.array_equal(again.missing_l, small_study.missing_l)
    assert told == [(n + 1, 6) for n in range(6)]


def test_a_tank_without_a_roof_is_left_out() -> None:
    assert study_storage(replace(SITE, roofs=()), TANK, climate_from_normals(SITE.place, 1), jobs=1) is None


def test_what_cannot_be_used_of_a_tank_grows_with_it_but_for_the_reserve() -> None:
    declared_l = volume_l(TANK.shape, TANK.overflow_mm)
    usable = usable_of(TANK, np.array([100.0, declared_l, 2.0 * declared_l]))
    assert usable[0] == 1.0
    assert usable[1] == pytest.approx(declared_l * 0.999 - TANK.reserve_l)
    assert usable[2] == pytest.approx(2.0 * declared_l * 0.999 - TANK.reserve_l)


def test_levels_and_prices_are_those_of_the_controller() -> None:
    """The same reckoning in arrays: held together here, at the declared tank."""
    known, table = basis(SITE, "main"), outlook(SITE)
    assert known is not None
    assert table is not None
    climate = climate_from_normals(SITE.place, 1)
    prices = prices_of(SITE, TANK, climate)
    demand = demand_of(SITE.zones)
    rain = (prices.wet_part, prices.wet_mm)
    found = price_tables(
        demand, known.years, prices.mean_et0_mm, rain, np.array([known.caught_l]), np.array([prices.capacity_l])
    )
    wanted = np.array(table.tables["main"].prices)
    assert np.allclose(found.wet_from_mm, table.tables["main"].wet_from_mm)
    assert np.abs(found.prices[0, 0] - wanted).max() < 0.01 * wanted.max()
    levels = levels_mm(demand, prices.mean_et0_mm, *rain, np.array(PRICES))
    assert (levels[:, :, -1] <= demand.total_mm).all()
    assert (np.diff(levels, axis=2) >= -1e-9).all()


def test_the_daily_model_supplies_what_the_season_in_virtual_time_supplies() -> None:
    supplied = season_and_model(SITE, date(2026, 6, 1), days=60, seed=4, fill=0.9)
    assert supplied.season_l > 1000.0
    assert supplied.model_l == pytest.approx(supplied.season_l, rel=0.03)


def test_the_study_covers_a_wide_range_of_sizes() -> None:
    assert len(storage_study.SIZE_FACTORS) == 40
    assert storage_study.SIZE_FACTORS[DECLARED_SIZE] == 1.0
    assert storage_study.SIZE_FACTORS[storage_study.DOUBLE_SIZE] == pytest.approx(2.0)
    assert len(storage_study.ROOF_FACTORS) == 5
    assert DAYS_PER_YEAR == 365


def test_the_next_bit_of_tank_and_roof_is_worth_something_and_no_more_than_it_can_hold_often(
    small_study: StorageStudy,
) -> None:
    bit = next_bit(small_study)
    assert 0.0 < bit.per_tank_l < 10.0
    assert 0.0 < bit.per_roof_m2 < small_study.climate.year_rain_mm()[0]


def test_a_larger_share_of_the_need_takes_a_larger_tank(
    small_study: StorageStudy,
) -> None:
    sizes = [smallest_for(small_study, share, 50) for share in (0.0, 0.4, 0.6, 0.8)]
    assert sizes[0] == small_study.capacity_l[0]
    known = [size for size in sizes if size is not None]
    assert len(known) == 4
    assert known == sorted(known)
    assert smallest_for(small_study, 1.01, 50) is None


def test_a_larger_first_flush_and_a_rougher_roof_catch_less(small_study: StorageStudy) -> None:
    declared = mean_catch_l(SITE, small_study, None, None)
    assert mean_catch_l(SITE, small_study, 1.2, None) < declared < mean_catch_l(SITE, small_study, 0.0, None)
    undiverted = mean_catch_l(SITE, small_study, 0.0, None)
    assert mean_catch_l(SITE, small_study, 0.0, 0.425) == pytest.approx(0.5 * undiverted)


def test_first_flush_is_taken_from_what_has_run_off() -> None:
    roof = replace(SITE.roofs[0], area_m2=10.0, runoff_coefficient=0.8, first_flush_mm=0.5)
    assert daily_catch_l(roof, 5.3) == pytest.approx((5.0 * 0.8 - 0.5) * 10.0)
    assert daily_catch_l(roof, 0.9) == 0.0
    assert daily_catch_l(roof, 0.2) == 0.0


def test_after_thirsty_days_a_zone_is_watered_to_the_level_of_such_days() -> None:
    """At a price, the more a day takes the sooner a zone is watered or left: as `level_mm` has it for that day."""
    prices = prices_of(SITE, TANK, climate_from_normals(SITE.place, 1))
    demand = demand_of(SITE.zones)
    rain = (prices.wet_part, prices.wet_mm)
    levels = levels_by_thirst_mm(demand, prices.mean_et0_mm, *rain, PRICE_GRID)
    week, price = 26, 40
    day = next(day for day in range(week * 7, week * 7 + 7) if demand.growing[day].all()) + 3
    for z, zone in enumerate(demand.zones):
        for thirst in (0, 7, 15):
            etc_mm = float(demand.kc[day, z] * THIRSTS[thirst] * prices.mean_et0_mm[day])
            fraction = float(np.clip(demand.fraction[day, z] + 0.04 * (5.0 - etc_mm), 0.1, 0.8))
            month_rain = MonthRain(float(prices.wet_part[day]), float(prices.wet_mm[day]))
            wanted = level_mm(zone_day(zone, etc_mm, fraction, month_rain), float(PRICE_GRID[price]))
            assert levels[week, thirst, z, price] == pytest.approx(wanted), (zone.id, thirst)


def test_prices_run_in_straight_lines_between_the_middles_of_weeks() -> None:
    """As `PriceTable.at` reads them."""
    table = outlook(SITE)
    assert table is not None
    prices = np.array(table.tables["main"].prices)[0][None]
    for day in (0, 3, 100, 200, 361, 364):
        assert between_weeks(prices, day)[0] == pytest.approx(
            [table.tables["main"].at(day, -1.0, level / 24.0 * table.tables["main"].capacity_l) for level in range(25)]
        )
