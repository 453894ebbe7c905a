"""The controller's price of water, worked out for many tank sizes and roofs at once.

The same reckoning as `controller.irrigate.water_price` (which explains it), in arrays: one run takes the time of a few
single tables. A test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.irrigate.likely_weather import DAYS_PER_YEAR, LikelyYear
from controller.irrigate.water_price import (
    DEPLETION_SD,
    LEVELS,
    NOTHING,
    PERIOD_DAYS,
    PERIODS,
    PRICES,
    RECENT_DAYS,
    SPELLS,
    YEARS_ROUND,
)
from simulator.advise.demand import Array, Demand, adjusted_fractions

THIRSTS = np.arange(0.3, 1.85, 0.1)
"""Expected evapotranspiration as parts of the day's mean that levels are looked up for."""
_CANDIDATES = 26
_SPREAD = ((-np.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (np.sqrt(3.0), 1.0 / 6.0))


@dataclass(frozen=True, slots=True)
class PriceTables:
    """Cost per litre: `prices[roof, capacity, spell, week, level]`, levels evenly from empty to full.

    `wet_from_mm[week]` is the rain of the last fortnight from which on a spell counts as wet.
    """

    capacities_l: Array
    wet_from_mm: Array
    prices: Array


def week_of(day: int) -> int:
    """Week (0 to 51) of a day of the year; the last has a day more."""
    return min(PERIODS - 1, day // PERIOD_DAYS)


def levels_by_thirst_mm(
    demand: Demand, mean_et0_mm: Array, wet_part: Array, wet_mm: Array, prices: Array
) -> NDArray[np.float64]:
    """The same `[week, thirst, zone, price]`, for evapotranspiration of `THIRSTS` times the mean: the controller plans
    by what the last days were like. For the middle of each week's growing days, where `levels_mm` takes the first."""
    found = np.zeros((PERIODS, len(THIRSTS), len(demand.zones), len(prices)))
    for week in range(PERIODS):
        for z in range(len(demand.zones)):
            growing = _growing_days(demand, z, week)
            if len(growing):
                day = int(growing[len(growing) // 2])
                for n, thirst in enumerate(THIRSTS):
                    et0_mm = float(thirst * mean_et0_mm[day])
                    found[week, n, z] = _levels_of_day(demand, z, day, et0_mm, wet_part, wet_mm, prices)
    return found


def _growing_days(demand: Demand, z: int, week: int) -> NDArray[np.intp]:
    """Days of the year in a week on which something of a zone is in season."""
    first = week * PERIOD_DAYS
    end = DAYS_PER_YEAR if week == PERIODS - 1 else first + PERIOD_DAYS
    days: NDArray[np.intp] = first + np.flatnonzero(demand.growing[first:end, z])
    return days


def levels_mm(demand: Demand, mean_et0_mm: Array, wet_part: Array, wet_mm: Array, prices: Array) -> Array:
    """Depletion up to which it pays to water, `[week, zone, price]`; total available water at an infinite price.

    `mean_et0_mm`, `wet_part` (chance of a day with rain) and `wet_mm` (its mean rain) are of each day of the year.
    """
    found = np.zeros((PERIODS, len(demand.zones), len(prices)))
    for week in range(PERIODS):
        for z in range(len(demand.zones)):
            growing = _growing_days(demand, z, week)
            if len(growing):
                day = int(growing[0])
                found[week, z] = _levels_of_day(demand, z, day, float(mean_et0_mm[day]), wet_part, wet_mm, prices)
    return found


def _levels_of_day(
    demand: Demand, z: int, day: int, et0_mm: float, wet_part: Array, wet_mm: Array, prices: Array
) -> Array:
    total_mm = float(demand.total_mm[z])
    etc_mm = float(demand.kc[day, z]) * et0_mm
    readily_mm = float(adjusted_fractions(demand.fraction[day, z], np.asarray(etc_mm))) * total_mm
    candidates_mm = total_mm * np.arange(_CANDIDATES) / (_CANDIDATES - 1)
    away_mm = 0.5 * float(demand.swing[z]) * etc_mm - readily_mm
    finite = np.where(np.isinf(prices), 0.0, prices)[:, None]
    cost = np.zeros((len(prices), _CANDIDATES))
    if demand.rain_fed[z] and wet_mm[day] > 0.0:
        lost = demand.l_per_mm[z] * wet_part[day] * wet_mm[day] * np.exp(-candidates_mm / wet_mm[day])
        cost = cost + finite * lost[None, :]
    for sds, part in _SPREAD:
        stress = np.clip((candidates_mm + away_mm + sds * DEPLETION_SD * total_mm) / (total_mm - readily_mm), 0.0, 1.0)[
            None, :
        ]
        water = finite * demand.l_per_mm[z] * etc_mm * (1.0 - stress)
        cost = cost + part * (demand.weight[z] * stress * stress + water)
    best: Array = np.where(np.isinf(prices), total_mm, candidates_mm[_first_least(cost)])
    return best


def _first_least(cost: Array) -> NDArray[np.intp]:
    """The first candidate that no later one beats by more than rounding."""
    least = cost.min(axis=1, keepdims=True)
    first: NDArray[np.intp] = np.argmax(cost <= least + 1e-12, axis=1)
    return first


def price_tables(
    demand: Demand,
    years: Sequence[LikelyYear],
    mean_et0_mm: Array,
    rain: tuple[Array, Array],
    caught_l: Array,
    capacities_l: Array,
) -> PriceTables:
    """Tables for every roof and capacity.

    rain      chance of a wet day and its mean rain, by day of the year
    caught_l  `[roof, year, day]`
    """
    weekly_rain_mm = _recent_rain_mm(years)
    asked_l, cost = _weekly_demand(demand, years, mean_et0_mm, rain)
    weekly_catch_l = np.stack([_weekly_sums(of_roof) for of_roof in caught_l])
    middle = np.sort(weekly_rain_mm, axis=1)[:, len(years) // 2]
    roofs, sizes = len(caught_l), len(capacities_l)
    value = np.zeros((SPELLS, LEVELS, roofs * sizes))
    step_l = np.tile(capacities_l, roofs) / (LEVELS - 1)
    found = np.zeros((roofs * sizes, SPELLS, PERIODS, LEVELS))
    for _ in range(YEARS_ROUND):
        for week in range(PERIODS - 1, -1, -1):
            catch_l = np.repeat(weekly_catch_l[:, :, week], sizes, axis=0)
            value = _value_before(week, value, weekly_rain_mm, middle, asked_l[week], cost[week], catch_l, step_l)
            for spell in range(SPELLS):
                found[:, spell, week, :] = _slopes(value[spell], step_l).T
    return PriceTables(capacities_l, middle, found.reshape(roofs, sizes, SPELLS, PERIODS, LEVELS))


def _recent_rain_mm(years: Sequence[LikelyYear]) -> Array:
    """Rain of the fortnight before each week, `[week, year]`."""
    found = np.zeros((PERIODS, len(years)))
    before = list(years[-1].rain_mm[-RECENT_DAYS:])
    for y, year in enumerate(years):
        row = before + list(year.rain_mm)
        for week in range(PERIODS):
            found[week, y] = sum(row[week * PERIOD_DAYS : week * PERIOD_DAYS + RECENT_DAYS])
        before = list(year.rain_mm[-RECENT_DAYS:])
    return found


def _weekly_sums(daily: Array) -> Array:
    """`[year, week]` from `[year, day]`."""
    starts = np.arange(PERIODS) * PERIOD_DAYS
    sums: Array = np.add.reduceat(daily, starts, axis=1)
    return sums


def _weekly_demand(
    demand: Demand, years: Sequence[LikelyYear], mean_et0_mm: Array, rain: tuple[Array, Array]
) -> tuple[Array, Array]:
    """Litres asked and cost of stress, `[week, price, year]`, when every zone is kept at its level for each price."""
    levels = levels_mm(demand, mean_et0_mm, *rain, np.array(PRICES))
    rain_mm = np.array([year.rain_mm for year in years]).T
    et0_mm = np.array([year.et0_mm for year in years]).T
    asked_l = np.zeros((PERIODS, len(PRICES), len(years)))
    cost = np.zeros_like(asked_l)
    for z in range(len(demand.zones)):
        if demand.cap_l[z] > 0.0 and demand.fixed_l[z] != 0.0:
            _add_zone(demand, z, levels[:, z, :], rain_mm, et0_mm, mean_et0_mm, asked_l, cost)
    return asked_l, cost


def _add_zone(
    demand: Demand,
    z: int,
    levels: Array,
    rain_mm: Array,
    et0_mm: Array,
    mean_et0_mm: Array,
    asked_l: Array,
    cost: Array,
) -> None:
    per_mm, total_mm, fixed_l = demand.l_per_mm[z], demand.total_mm[z], demand.fixed_l[z]
    depletion = np.zeros(asked_l.shape[1:])
    for day in range(DAYS_PER_YEAR):
        week = week_of(day)
        fallen = rain_mm[day] if demand.rain_fed[z] else 0.0
        if not np.isnan(fixed_l):
            given_l = np.full(depletion.shape, fixed_l)
        elif demand.growing[day, z]:
            given_l = np.clip((depletion - levels[week][:, None]) * per_mm, 0.0, demand.cap_l[z])
        else:
            given_l = np.zeros(depletion.shape)
        given_l[NOTHING] = 0.0
        asked_l[week] += given_l
        if not demand.growing[day, z]:
            depletion = np.maximum(0.0, depletion - fallen)
            continue
        depletion = np.maximum(0.0, depletion - given_l / per_mm)
        usual_mm = demand.kc[day, z] * mean_et0_mm[day]
        readily_mm = float(adjusted_fractions(demand.fraction[day, z], np.asarray(usual_mm))) * total_mm
        etc_mm = usual_mm * et0_mm[day] / mean_et0_mm[day]
        away_mm = 0.5 * demand.swing[z] * etc_mm - readily_mm
        stress = np.clip((depletion + away_mm) / (total_mm - readily_mm), 0.0, 1.0)
        cost[week] += demand.weight[z] * stress * stress
        depletion = np.clip(depletion + etc_mm * (1.0 - stress) - fallen, 0.0, total_mm)


def _value_before(
    week: int,
    after: Array,
    recent_mm: Array,
    middle_mm: Array,
    asked_l: Array,
    cost: Array,
    catch_l: Array,
    step_l: Array,
) -> Array:
    """Cost to come at the start of a week, `[spell, level, tank]`, from that of the week after."""
    following = (week + 1) % PERIODS
    years = recent_mm.shape[1]
    totals = np.zeros((SPELLS, len(PRICES), *after.shape[1:]))
    counts = [0, 0]
    for year in range(years):
        next_year = (year + 1) % years if following == 0 else year
        then = after[1 if recent_mm[following, next_year] >= middle_mm[following] else 0]
        spell = 1 if recent_mm[week, year] >= middle_mm[week] else 0
        counts[spell] += 1
        totals[spell] += _cost_to_come(asked_l[:, year], cost[:, year], catch_l[:, year], step_l, then)
    both = totals.sum(axis=0) / years
    of_spell = [totals[spell] / counts[spell] if counts[spell] else both for spell in range(SPELLS)]
    return np.stack([each.min(axis=0) for each in of_spell])


def _cost_to_come(asked_l: Array, cost: Array, catch_l: Array, step_l: Array, then: Array) -> Array:
    """`[price, level, tank]`: a week's cost at each price and what comes after it."""
    stored_l = np.arange(LEVELS)[:, None] * step_l[None, :]
    room_l = stored_l + catch_l[None, :]
    # Falling demand: np.interp wants it rising. With too little for what is asked, all is given.
    rationed = np.interp(room_l, asked_l[::-1], cost[::-1]) + then[0][None, :]
    rise = np.vstack([np.diff(then, axis=0), np.zeros((1, then.shape[1]))])
    place = (room_l[None] - asked_l[:, None, None]) / step_l
    held = np.clip(place, 0.0, LEVELS - 1)
    low = held.astype(np.intp)
    at = low * then.shape[1] + np.arange(then.shape[1])
    enough = cost[:, None, None] + np.take(then, at) + (held - low) * np.take(rise, at)
    found: Array = np.where(place < 0.0, rationed[None], enough)
    return found


def _slopes(value: Array, step_l: Array) -> Array:
    """Price at each level, `[level, tank]`: never negative, never rising."""
    between = np.maximum(0.0, -np.diff(value, axis=0) / step_l[None, :])
    slopes = np.vstack([between[:1], 0.5 * (between[:-1] + between[1:]), between[-1:]])
    falling: Array = np.minimum.accumulate(slopes, axis=0)
    return falling
