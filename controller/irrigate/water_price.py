"""What a litre in the tank is worth, by day of the year and by how much is left: stochastic dynamic programming.

Two stories. Below, each zone alone: at a given price of water there is one depletion up to which it pays to water, and
so, over likely years of weather, one demand and one cost of stress for every week. Above, the tank: its water is worth
what the coming weeks' stress would cost without it, found backwards through the year over the same likely years, storms
and dry spells going into both stories together. At run time the price is looked up and every zone is watered down to
its own depletion for that price. Priorities, room for rain, filling up before an overflow and going dry last are not
rules here: they follow.

The cost of stress is `weight x stress^2` for a zone-day, stress being the part of its evapotranspiration that a plant
goes without (1 - Ks, FAO-56 equation 84). Prices are in that cost per litre.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from controller.irrigate.likely_weather import DAYS_PER_YEAR, LikelyYear

PERIOD_DAYS = 7
PERIODS = 52
PRICES = (0.0, 0.004, 0.01, 0.02, 0.035, 0.055, 0.08, 0.115, 0.165, 0.24, 0.36, 0.6, 1.2, 1e9)
"""The prices that are looked at, cost per litre; at the last nothing is watered."""
LEVELS = 25
YEARS_ROUND = 2
DEPLETION_SD = 0.05
"""How unsure a zone's depletion is, as part of its total available water (own choice)."""
_CANDIDATES = 26
_SPREAD = ((-1.2247, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.2247, 1.0 / 6.0))
"""Three points and weights that stand for a normal spread up to the fifth moment, times sqrt 2 (Gauss-Hermite)."""


class ZoneDay(NamedTuple):
    """What a zone's level depends on, on one day.

    weight       of its stress; by priority
    total_mm     total available water (TAW)
    fraction     readily available part of it (p, adjusted)
    etc_mm       the day's crop evapotranspiration without stress
    l_per_mm     litres through the emitters for 1 mm in the root zone
    wet_part     chance of a day with rain, 0 under cover
    wet_mm       mean rain of such a day
    swing        part of a day between two chances to water
    """

    weight: float
    total_mm: float
    fraction: float
    etc_mm: float
    l_per_mm: float
    wet_part: float
    wet_mm: float
    swing: float


def level_mm(zone: ZoneDay, price: float) -> float:
    """The depletion up to which it pays to water at a price: the cheapest of evenly spaced depletions, per day kept
    there. Water, stress and the rain that a wet root zone would let drain are counted."""
    total_mm, etc_mm, fraction = zone.total_mm, zone.etc_mm, zone.fraction
    if price >= PRICES[-1]:
        return total_mm
    readily_mm = fraction * total_mm
    scale_mm = total_mm - readily_mm
    mean_later_mm = 0.5 * zone.swing * etc_mm
    sd_mm = DEPLETION_SD * total_mm
    best_mm, best_cost = 0.0, math.inf
    for step in range(_CANDIDATES):
        depletion_mm = total_mm * step / (_CANDIDATES - 1)
        cost = 0.0
        for away, part in _SPREAD:
            stress = (depletion_mm + mean_later_mm + away * sd_mm * 1.41421356 - readily_mm) / scale_mm
            stress = 0.0 if stress < 0.0 else 1.0 if stress > 1.0 else stress
            cost += part * (zone.weight * stress * stress + price * zone.l_per_mm * etc_mm * (1.0 - stress))
        if zone.wet_part > 0.0 and zone.wet_mm > 0.0:
            cost += price * zone.l_per_mm * zone.wet_part * zone.wet_mm * math.exp(-depletion_mm / zone.wet_mm)
        if cost < best_cost - 1e-12:
            best_mm, best_cost = depletion_mm, cost
    return best_mm


class ZoneYear(NamedTuple):
    """A zone through the year: `day(n, et0_mm)` for day n (0 to 364) with a reference evapotranspiration; None out of
    season. `cap_l` is its daily cap."""

    day: Callable[[int, float], ZoneDay | None]
    mean_et0_mm: Sequence[float]
    rain_fed: bool
    cap_l: float


class PriceTable(NamedTuple):
    """`price[period][level]`, cost per litre; levels are evenly spaced from 0 to `capacity_l` usable litres."""

    capacity_l: float
    price: tuple[tuple[float, ...], ...]

    def at(self, day: float, stored_l: float) -> float:
        """The price on a day of the year (0 to 364) with so much usable water, between the table's points linear."""
        place = min(1.0, max(0.0, stored_l / self.capacity_l)) * (LEVELS - 1)
        low = min(LEVELS - 2, int(place))
        part = place - low
        week = day / PERIOD_DAYS - 0.5
        before = math.floor(week)
        later = week - before
        first, second = self.price[before % PERIODS], self.price[(before + 1) % PERIODS]
        return (1.0 - later) * (first[low] + part * (first[low + 1] - first[low])) + later * (
            second[low] + part * (second[low + 1] - second[low])
        )


class _Week(NamedTuple):
    """One week of one likely year: litres caught, and demand and cost of stress at each price."""

    caught_l: float
    demand_l: list[float]
    cost: list[float]


def price_table(
    zones: Sequence[ZoneYear],
    years: Sequence[LikelyYear],
    catch_l: Callable[[Sequence[float]], list[float]],
    capacity_l: float,
) -> PriceTable:
    """The table of one tank. `catch_l` turns a year's daily rain into what the tank's roofs give each day."""
    weeks = _weeks(zones, years, catch_l)
    value = [0.0] * LEVELS
    table: list[tuple[float, ...]] = [()] * PERIODS
    step_l = capacity_l / (LEVELS - 1)
    for round_ in range(YEARS_ROUND):
        for period in range(PERIODS - 1, -1, -1):
            value = _value_before(weeks[period], value, step_l)
            if round_ == YEARS_ROUND - 1:
                table[period] = _slopes(value, step_l)
    return PriceTable(capacity_l, tuple(table))


def _slopes(value: list[float], step_l: float) -> tuple[float, ...]:
    """Price at each level: how much less the coming stress costs with a litre more; never negative, never rising."""
    between = [max(0.0, (value[i] - value[i + 1]) / step_l) for i in range(LEVELS - 1)]
    slopes = [between[0], *(0.5 * (between[i - 1] + between[i]) for i in range(1, LEVELS - 1)), between[-1]]
    for i in range(1, LEVELS):
        slopes[i] = min(slopes[i], slopes[i - 1])
    return tuple(slopes)


def _value_before(weeks: Sequence[_Week], after: list[float], step_l: float) -> list[float]:
    """Cost of stress to come at each level at a week's start, when the price for the week is chosen best."""
    top = LEVELS - 1
    value = []
    for level in range(LEVELS):
        stored_l = level * step_l
        best = math.inf
        for choice in range(len(PRICES)):
            total = 0.0
            for week in weeks:
                room_l = stored_l + week.caught_l
                k = choice
                while week.demand_l[k] > room_l:
                    k += 1
                place = (room_l - week.demand_l[k]) / step_l
                if place >= top:
                    total += week.cost[k] + after[top]
                else:
                    low = int(place)
                    total += week.cost[k] + after[low] + (place - low) * (after[low + 1] - after[low])
            if total < best:
                best = total
        value.append(best / len(weeks))
    return value


def _weeks(
    zones: Sequence[ZoneYear],
    years: Sequence[LikelyYear],
    catch_l: Callable[[Sequence[float]], list[float]],
) -> list[list[_Week]]:
    """`[period][year]`: every zone run through every year at every price."""
    weeks = [
        [_Week(0.0, [0.0] * len(PRICES), [0.0] * len(PRICES)) for _ in years] for _ in range(PERIODS)
    ]
    for number, year in enumerate(years):
        caught = catch_l(year.rain_mm)
        for period in range(PERIODS):
            end = DAYS_PER_YEAR if period == PERIODS - 1 else (period + 1) * PERIOD_DAYS
            weeks[period][number] = weeks[period][number]._replace(caught_l=sum(caught[period * PERIOD_DAYS : end]))
    for zone in zones:
        usual = [zone.day(n, zone.mean_et0_mm[n]) for n in range(DAYS_PER_YEAR)]
        for choice, price in enumerate(PRICES):
            levels = _levels(usual, price)
            for number, year in enumerate(years):
                _run_zone(zone, usual, levels, year, [weeks[period][number] for period in range(PERIODS)], choice)
    return weeks


def _levels(usual: Sequence[ZoneDay | None], price: float) -> list[float]:
    """The zone's level on each day, worked out once a week."""
    levels = [0.0] * DAYS_PER_YEAR
    for first in range(0, DAYS_PER_YEAR, PERIOD_DAYS):
        for n in range(first, min(first + PERIOD_DAYS, DAYS_PER_YEAR)):
            zone_day = usual[n]
            if zone_day is not None:
                level = level_mm(zone_day, price)
                for m in range(first, min(first + PERIOD_DAYS, DAYS_PER_YEAR)):
                    levels[m] = level
                break
    return levels


def _run_zone(
    zone: ZoneYear,
    usual: Sequence[ZoneDay | None],
    levels: Sequence[float],
    year: LikelyYear,
    weeks: Sequence[_Week],
    choice: int,
) -> None:
    """Water a zone up to its level every day of a year; demand and cost of stress go into the weeks."""
    depletion_mm = 0.0
    mean_et0_mm = zone.mean_et0_mm
    for n, zone_day in enumerate(usual):
        rain_mm = year.rain_mm[n] if zone.rain_fed else 0.0
        if zone_day is None:
            depletion_mm = max(0.0, depletion_mm - rain_mm)
            continue
        week = weeks[min(PERIODS - 1, n // PERIOD_DAYS)]
        given_mm = depletion_mm - levels[n]
        if given_mm > 0.0 and choice < len(PRICES) - 1:
            litres = given_mm * zone_day.l_per_mm
            if litres > zone.cap_l:
                litres = zone.cap_l
                given_mm = litres / zone_day.l_per_mm
            week.demand_l[choice] += litres
            depletion_mm -= given_mm
        etc_mm = zone_day.etc_mm * year.et0_mm[n] / mean_et0_mm[n]
        total_mm = zone_day.total_mm
        readily_mm = zone_day.fraction * total_mm
        middle_mm = depletion_mm + 0.5 * zone_day.swing * etc_mm
        if middle_mm > readily_mm:
            stress = (middle_mm - readily_mm) / (total_mm - readily_mm)
            if stress > 1.0:
                stress = 1.0
            week.cost[choice] += zone_day.weight * stress * stress
            etc_mm *= 1.0 - stress
        depletion_mm += etc_mm - rain_mm
        depletion_mm = 0.0 if depletion_mm < 0.0 else total_mm if depletion_mm > total_mm else depletion_mm
