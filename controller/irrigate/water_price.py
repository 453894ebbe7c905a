"""What a litre in the tank is worth, by day, recent rain and how much is left: stochastic dynamic programming.

Two stories. Below, each zone alone: at a given price of water there is one depletion up to which it pays to water, and
so, over likely years of weather, one demand and one cost of stress for every week. Above, the tank: its water is worth
what the coming weeks' stress would cost without it, found backwards through the year over the same likely years, storms
and dry spells going into both stories together. At run time the price is looked up and every zone is watered up to its
own depletion for that price. Priorities, room for rain, filling up before an overflow and going dry last are not rules
here: they follow.

The cost of stress is `weight x stress^2` for a zone-day, stress being the part of its evapotranspiration that a plant
goes without (1 - Ks, FAO-56 equation 84). Prices are in that cost per litre.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from controller.irrigate.likely_weather import DAYS_PER_YEAR, LikelyYear

PERIOD_DAYS = 7
PERIODS = 52
PRICES = (0.0, 0.004, 0.01, 0.02, 0.035, 0.055, 0.08, 0.115, 0.165, 0.24, 0.36, 0.6, 1.2, math.inf)
"""The prices that are looked at, cost per litre; at the last nothing is watered."""
NOTHING = len(PRICES) - 1
LEVELS = 25
SPELLS = 2
"""After a dry fortnight and after a wet one: rain comes in spells, so the last weeks say something of the next."""
RECENT_DAYS = 14
YEARS_ROUND = 2
"""How often the year is gone through backwards, so that its end knows what the next one will ask."""
DEPLETION_SD = 0.05
"""How unsure a zone's depletion is, as part of its total available water (own choice)."""
_CANDIDATES = 26
_SPREAD = ((-math.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (math.sqrt(3.0), 1.0 / 6.0))
"""Three points in standard deviations, and weights, that stand for a normal spread (Gauss-Hermite, three points)."""


def priority_weight(priority: int) -> float:
    """What a zone's stress counts for: 8 for priority 1, each further step half (own choice)."""
    return 16.0 * 0.5**priority


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
    total_mm = zone.total_mm
    if price == math.inf:
        return total_mm
    readily_mm = zone.fraction * total_mm
    scale_mm = total_mm - readily_mm
    away_mm = 0.5 * zone.swing * zone.etc_mm - readily_mm
    sd_mm = DEPLETION_SD * total_mm
    water_cost = price * zone.l_per_mm * zone.etc_mm
    lost_cost = price * zone.l_per_mm * zone.wet_part * zone.wet_mm
    best_mm, best_cost = 0.0, math.inf
    for step in range(_CANDIDATES):
        depletion_mm = total_mm * step / (_CANDIDATES - 1)
        cost = lost_cost * math.exp(-depletion_mm / zone.wet_mm) if lost_cost > 0.0 else 0.0
        for sds, part in _SPREAD:
            stress = (depletion_mm + away_mm + sds * sd_mm) / scale_mm
            stress = 0.0 if stress < 0.0 else 1.0 if stress > 1.0 else stress
            cost += part * (zone.weight * stress * stress + water_cost * (1.0 - stress))
        if cost < best_cost - 1e-12:
            best_mm, best_cost = depletion_mm, cost
    return best_mm


@lru_cache(maxsize=4096)
def remembered_level_mm(zone: ZoneDay, price: float) -> float:
    """`level_mm`, remembered: for callers that round what they ask, so that the same is asked again and again."""
    return level_mm(zone, price)


class ZoneYear(NamedTuple):
    """A zone through a usual year: one `ZoneDay` for each of 365 days, None out of season; its most litres a day.

    `fixed_l` is given every day instead, whatever the price, the season and the need.
    """

    days: Sequence[ZoneDay | None]
    rain_fed: bool
    cap_l: float
    fixed_l: float | None = None


class PriceTable(NamedTuple):
    """Cost per litre by spell (0 dry, 1 wet), week and level; levels are evenly spaced from 0 to `capacity_l`.

    `wet_from_mm[week]` is the rain of the last `RECENT_DAYS` days from which on a spell counts as wet.
    """

    capacity_l: float
    wet_from_mm: tuple[float, ...]
    prices: tuple[tuple[tuple[float, ...], ...], ...]

    def at(self, day: int, recent_rain_mm: float, stored_l: float) -> float:
        """The price on a day of the year (0 to 364) with so much usable water; straight lines between points."""
        wet = recent_rain_mm >= self.wet_from_mm[min(PERIODS - 1, day // PERIOD_DAYS)]
        weeks = self.prices[1 if wet else 0]
        place = min(1.0, max(0.0, stored_l / self.capacity_l)) * (LEVELS - 1)
        low = min(LEVELS - 2, int(place))
        part = place - low
        week = day / PERIOD_DAYS - 0.5
        before = math.floor(week)
        later = week - before
        first, second = weeks[before % PERIODS], weeks[(before + 1) % PERIODS]
        return (1.0 - later) * (first[low] + part * (first[low + 1] - first[low])) + later * (
            second[low] + part * (second[low + 1] - second[low])
        )


class _Week(NamedTuple):
    """One week of one likely year: litres caught, rain of the fortnight before, and demand and cost at each price."""

    caught_l: float
    recent_mm: float
    demand_l: list[float]
    cost: list[float]


def price_table(
    zones: Sequence[ZoneYear],
    years: Sequence[LikelyYear],
    mean_et0_mm: Sequence[float],
    caught_l: Sequence[Sequence[float]],
    capacity_l: float,
) -> PriceTable:
    """The table of one tank.

    zones        all that drink from it
    years        likely weather that runs on from year to year, see `controller.irrigate.likely_weather`
    mean_et0_mm  the reference evapotranspiration that the zones' days were made with, 365 values
    caught_l     what the tank's roofs give on each day of each year
    capacity_l   usable litres when full
    """
    weeks = _weeks(zones, years, mean_et0_mm, caught_l)
    wet_from_mm = tuple(_median([week.recent_mm for week in of_years]) for of_years in weeks)
    step_l = capacity_l / (LEVELS - 1)
    values = [[0.0] * LEVELS for _ in range(SPELLS)]
    table: list[list[tuple[float, ...]]] = [[()] * PERIODS for _ in range(SPELLS)]
    for _ in range(YEARS_ROUND):
        for period in range(PERIODS - 1, -1, -1):
            values = _values_before(period, weeks, wet_from_mm, values, step_l)
            for spell in range(SPELLS):
                table[spell][period] = _slopes(values[spell], step_l)
    return PriceTable(capacity_l, wet_from_mm, tuple(tuple(of_spell) for of_spell in table))


def _median(values: Sequence[float]) -> float:
    return sorted(values)[len(values) // 2]


def _slopes(value: list[float], step_l: float) -> tuple[float, ...]:
    """Price at each level: how much less the coming stress costs with a litre more; never negative, never rising."""
    between = [max(0.0, (value[i] - value[i + 1]) / step_l) for i in range(LEVELS - 1)]
    slopes = [between[0], *(0.5 * (between[i - 1] + between[i]) for i in range(1, LEVELS - 1)), between[-1]]
    for i in range(1, LEVELS):
        slopes[i] = min(slopes[i], slopes[i - 1])
    return tuple(slopes)


def _values_before(
    period: int,
    weeks: Sequence[Sequence[_Week]],
    wet_from_mm: Sequence[float],
    after: Sequence[list[float]],
    step_l: float,
) -> list[list[float]]:
    """Cost to come at the start of a week, by spell and level, from that of the week after."""
    following = (period + 1) % PERIODS
    count = len(weeks[period])
    # A full tank stays full, whatever runs in: with that above it, every level is moved by the same steps in a week.
    padded = [of_level + [of_level[-1]] * (LEVELS + 1) for of_level in after]
    of_spell: list[list[tuple[_Week, list[float]]]] = [[] for _ in range(SPELLS)]
    for number, week in enumerate(weeks[period]):
        next_week = weeks[following][(number + 1) % count if following == 0 else number]
        spell_after = 1 if next_week.recent_mm >= wet_from_mm[following] else 0
        of_spell[1 if week.recent_mm >= wet_from_mm[period] else 0].append((week, padded[spell_after]))
    everything = of_spell[0] + of_spell[1]
    return [_value_before(some or everything, step_l) for some in of_spell]


def _value_before(weeks: Sequence[tuple[_Week, list[float]]], step_l: float) -> list[float]:
    """Mean cost to come at each level when the week's price is chosen best, without knowing the week's weather."""
    best = [math.inf] * LEVELS
    for choice in range(len(PRICES)):
        totals = [0.0] * LEVELS
        for week, after in weeks:
            _add_cost(totals, week, choice, after, step_l)
        for level in range(LEVELS):
            if totals[level] < best[level]:
                best[level] = totals[level]
    return [total / len(weeks) for total in best]


def _add_cost(totals: list[float], week: _Week, choice: int, after: list[float], step_l: float) -> None:
    """What a week costs at one price, with what is to come after it, from each level that it may begin with."""
    caught_l, demand_l, costs = week.caught_l, week.demand_l, week.cost
    cost = costs[choice]
    moved = min(float(LEVELS), (caught_l - demand_l[choice]) / step_l)
    shift = math.floor(moved)
    part = moved - shift
    level = 0
    while level < LEVELS and level + shift < 0:
        totals[level] += _rationed_cost(demand_l, costs, choice, level * step_l + caught_l) + after[0]
        level += 1
    while level < LEVELS:
        below = after[level + shift]
        totals[level] += cost + below + part * (after[level + shift + 1] - below)
        level += 1


def _rationed_cost(demand_l: list[float], cost: list[float], choice: int, room_l: float) -> float:
    """Cost of a week in which more is asked than there is: all is given, as between the two dearer prices at which a
    little too much and a little too little would have been asked."""
    if demand_l[choice] <= room_l:
        # It is just enough: rounding says less.
        return cost[choice]
    while demand_l[choice] > room_l:
        choice += 1
    too_much_l, enough_l = demand_l[choice - 1], demand_l[choice]
    part = (room_l - enough_l) / (too_much_l - enough_l)
    return cost[choice] + part * (cost[choice - 1] - cost[choice])


def _weeks(
    zones: Sequence[ZoneYear],
    years: Sequence[LikelyYear],
    mean_et0_mm: Sequence[float],
    caught_l: Sequence[Sequence[float]],
) -> list[list[_Week]]:
    """`[period][year]`: every zone run through every year at every price."""
    by_year = []
    rain_before = list(years[-1].rain_mm[-RECENT_DAYS:])
    for year, caught_in_year_l in zip(years, caught_l, strict=True):
        rain_mm = rain_before + list(year.rain_mm)
        by_year.append([_empty_week(period, caught_in_year_l, rain_mm) for period in range(PERIODS)])
        rain_before = list(year.rain_mm[-RECENT_DAYS:])
    of_day = [min(PERIODS - 1, n // PERIOD_DAYS) for n in range(DAYS_PER_YEAR)]
    sinks = [[(weeks[period].demand_l, weeks[period].cost) for period in of_day] for weeks in by_year]
    for zone in zones:
        courses = [_course(zone, year, mean_et0_mm) for year in years]
        for choice, price in enumerate(PRICES):
            levels_mm = _levels_mm(zone.days, price)
            for course, of_year in zip(courses, sinks, strict=True):
                _run_zone(zone, levels_mm, course, of_year, choice)
    return [[weeks[period] for weeks in by_year] for period in range(PERIODS)]


class _Growing(NamedTuple):
    """What a day's balance needs of a zone that grows, worked out before the many runs."""

    etc_mm: float
    l_per_mm: float
    total_mm: float
    readily_mm: float
    half_swing_mm: float
    weight: float


def _course(zone: ZoneYear, year: LikelyYear, mean_et0_mm: Sequence[float]) -> list[tuple[float, _Growing | None]]:
    """A zone's rain, and what it needs, day by day through one year's weather."""
    found: list[tuple[float, _Growing | None]] = []
    for n, day in enumerate(zone.days):
        growing = None
        if day is not None:
            etc_mm = day.etc_mm * year.et0_mm[n] / mean_et0_mm[n]
            readily_mm, half_swing_mm = day.fraction * day.total_mm, 0.5 * day.swing * etc_mm
            growing = _Growing(etc_mm, day.l_per_mm, day.total_mm, readily_mm, half_swing_mm, day.weight)
        found.append((year.rain_mm[n] if zone.rain_fed else 0.0, growing))
    return found


def _empty_week(period: int, caught_l: Sequence[float], rain_mm: Sequence[float]) -> _Week:
    """A week with its catch; `rain_mm` begins `RECENT_DAYS` days before the year."""
    first = period * PERIOD_DAYS
    end = DAYS_PER_YEAR if period == PERIODS - 1 else first + PERIOD_DAYS
    return _Week(
        sum(caught_l[first:end]), sum(rain_mm[first : first + RECENT_DAYS]), [0.0] * len(PRICES), [0.0] * len(PRICES)
    )


def _levels_mm(days: Sequence[ZoneDay | None], price: float) -> list[float]:
    """The zone's level on each day, worked out once a week."""
    levels_mm = [0.0] * DAYS_PER_YEAR
    for first in range(0, DAYS_PER_YEAR, PERIOD_DAYS):
        end = min(first + PERIOD_DAYS, DAYS_PER_YEAR)
        growing = next((day for day in days[first:end] if day is not None), None)
        if growing is not None:
            levels_mm[first:end] = [level_mm(growing, price)] * (end - first)
    return levels_mm


def _run_zone(
    zone: ZoneYear,
    levels_mm: Sequence[float],
    course: Sequence[tuple[float, _Growing | None]],
    sinks: Sequence[tuple[list[float], list[float]]],
    choice: int,
) -> None:
    """Water a zone up to its level every day of a year, or by its fixed volume; demand and cost of stress go into the
    week of each day."""
    depletion_mm = 0.0
    cap_l, fixed_l = zone.cap_l, 0.0 if zone.fixed_l is None or choice == NOTHING else zone.fixed_l
    by_level = zone.fixed_l is None and choice != NOTHING
    for (rain_mm, growing), to_mm, (demand_l, cost) in zip(course, levels_mm, sinks, strict=True):
        if growing is None:
            demand_l[choice] += fixed_l
            depletion_mm -= rain_mm
            if depletion_mm < 0.0:
                depletion_mm = 0.0
            continue
        etc_mm, l_per_mm, total_mm, readily_mm, half_swing_mm, weight = growing
        litres = fixed_l
        if by_level and depletion_mm > to_mm:
            litres = (depletion_mm - to_mm) * l_per_mm
            if litres > cap_l:
                litres = cap_l
        if litres > 0.0:
            demand_l[choice] += litres
            depletion_mm -= litres / l_per_mm
            if depletion_mm < 0.0:
                depletion_mm = 0.0
        if depletion_mm + half_swing_mm > readily_mm:
            stress = (depletion_mm + half_swing_mm - readily_mm) / (total_mm - readily_mm)
            if stress > 1.0:
                stress = 1.0
            cost[choice] += weight * stress * stress
            etc_mm *= 1.0 - stress
        depletion_mm = depletion_mm + etc_mm - rain_mm
        if depletion_mm < 0.0:
            depletion_mm = 0.0
        elif depletion_mm > total_mm:
            depletion_mm = total_mm
