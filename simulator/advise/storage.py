"""A tank's water day by day over years, for many tank sizes and roofs at once: behavioural analysis of storage.

Two rules for what a day's catch may still do for the same day are run side by side (Jenkins and others 1978, in the
form of Fewkes and Butler 2000, Building Services Engineering Research and Technology 21: Simulating the performance of
rainwater collection systems using behavioural models; formulas seen in reviews, the originals not read):

- yield after spillage:  Y = min(D, V before), V = min(V before + Q - Y, S - Y)
- yield before spillage: Y = min(D, V before + Q), V = min(V before + Q - Y, S)

D is what the zones ask, Q the catch, S the usable capacity. D is not given beforehand: each zone's root zone is
followed by FAO-56 chapter 8, and a zone is watered up to the depletion that pays at the day's price of water, as the
controller does it; when the tank does not reach for all, zones are served by priority, equal ones alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.estimate.catch import WETTING_MM
from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.plan import SMALLEST_DOSE_L
from controller.irrigate.priced_plan import LEAST_SHORT_PART
from controller.irrigate.reference_et import EXPECTATION_WEIGHT
from controller.irrigate.root_zone import NEGLIGIBLE_RAIN_FRACTION
from controller.irrigate.water_price import PERIOD_DAYS, PERIODS, RECENT_DAYS
from controller.site.model import Roof
from simulator.advise.demand import Array, Demand, adjusted_fractions
from simulator.advise.prices import THIRSTS, week_of

PRICE_GRID = np.concatenate([[0.0], np.geomspace(0.0005, 5.0, 60)])
"""Prices that levels are looked up for; below the second, water is there to be used."""
FIRST_DEPLETED = 0.15
"""Part of the available water that is gone at the start; the years of running in make it of no account."""
_GRID_STEP = float(np.log(PRICE_GRID[2] / PRICE_GRID[1]))


def daily_catch_l(roof: Roof, rain_mm: float) -> float:
    """Litres that a day's rain brings: what wets the dry roof and the first flush go off every day with rain.

    What is diverted is water that has run off: the diverter's vessel is filled by what the coefficient has left.
    """
    runoff_mm = max(0.0, rain_mm - WETTING_MM) * roof.runoff_coefficient
    return max(0.0, runoff_mm - roof.first_flush_mm) * roof.area_m2


@dataclass(frozen=True, slots=True)
class Columns:
    """What differs between the tanks that are run side by side, each an array over them.

    usable_l    litres that can be drawn of a full tank
    priced_l    what the price tables take for a full tank
    roof        factor on the catch
    before      True: yield before spillage
    prices      `[tank, spell, week, level]`
    wet_from_mm  by week, for all
    levels      `[week, thirst, zone, price of PRICE_GRID]`, for all; see `levels_by_thirst_mm`
    mean_et0_mm  by day of the year, for all
    """

    usable_l: Array
    priced_l: Array
    roof: Array
    before: NDArray[np.bool_]
    prices: Array
    wet_from_mm: Array
    levels: Array
    mean_et0_mm: Array


@dataclass(frozen=True, slots=True)
class Sums:
    """A stretch of days of all tanks; arrays are `[zone, tank]` or `[tank]`, litres.

    supplied    through the emitters
    missing     what plants would have drunk and did not have
    potential   what well-watered plants would have drunk
    caught, overflow
    short_days  on which something was asked for and not all of it could be given
    empty_days  on which nothing could be drawn in the growing season
    """

    supplied: Array
    missing: Array
    potential: Array
    caught: Array
    overflow: Array
    short_days: Array
    empty_days: Array


def _nothing_yet(zones: int, tanks: int) -> Sums:
    by_zone, by_tank = np.zeros((zones, tanks)), np.zeros(tanks)
    return Sums(
        supplied=by_zone,
        missing=by_zone.copy(),
        potential=by_zone.copy(),
        caught=by_tank,
        overflow=by_tank.copy(),
        short_days=by_tank.copy(),
        empty_days=by_tank.copy(),
    )


class StorageRun:
    """Tanks side by side from a day on; `days` carries all of them on."""

    def __init__(self, demand: Demand, columns: Columns, fill: float = 0.5) -> None:
        """`fill` is the part of the usable litres that is there at the start."""
        self._demand, self._columns = demand, columns
        self.stored_l = fill * columns.usable_l
        self.depletion_mm = np.tile(FIRST_DEPLETED * demand.total_mm[:, None], (1, len(columns.usable_l)))
        self._recent_mm = [0.0] * RECENT_DAYS
        self._expected_et0_mm: float | None = None
        self._groups = list(_priority_groups(demand))
        self._all = np.arange(len(columns.usable_l))

    def days(self, first_day: int, rain_mm: Array, et0_mm: Array, catch_l: Array) -> Sums:
        """Sums over consecutive days from a day of the year (0 to 364) on. Rain and evapotranspiration in mm, catch in
        litres at the declared roof."""
        sums = _nothing_yet(len(self._demand.zones), len(self.stored_l))
        for n in range(len(rain_mm)):
            self._day((first_day + n) % DAYS_PER_YEAR, float(rain_mm[n]), float(et0_mm[n]), float(catch_l[n]), sums)
        return sums

    def _day(self, day: int, rain_mm: float, et0_mm: float, catch_l: float, sums: Sums) -> None:
        demand, columns = self._demand, self._columns
        catch = catch_l * columns.roof
        available = np.where(columns.before, self.stored_l + catch, self.stored_l)
        etc_mm = demand.kc[day] * et0_mm
        given, asked = self._give(day, available)
        drawn = given.sum(axis=0)
        after = self.stored_l + catch - drawn
        most = np.where(columns.before, columns.usable_l, columns.usable_l - drawn)
        sums.overflow[:] += np.maximum(0.0, after - most)
        self.stored_l = np.minimum(after, most)
        sums.caught[:] += catch
        if demand.growing[day].any():
            sums.short_days[:] += asked > drawn + SMALLEST_DOSE_L
            sums.empty_days[:] += available < SMALLEST_DOSE_L
        self._roots(day, rain_mm, et0_mm, etc_mm, given, sums)
        self._recent_mm = [*self._recent_mm[1:], rain_mm]
        self._expected_et0_mm = self._expected_mm(day) + EXPECTATION_WEIGHT * (et0_mm - self._expected_mm(day))

    def _give(self, day: int, available: Array) -> tuple[Array, Array]:
        """Litres for each zone and tank, and all that was asked in each tank."""
        demand = self._demand
        level = self._levels_mm(day)
        short_mm = self.depletion_mm - level
        wanted = np.where(
            short_mm >= LEAST_SHORT_PART * demand.total_mm[:, None], short_mm * demand.l_per_mm[:, None], 0.0
        )
        wanted *= demand.growing[day][:, None]
        fixed = ~np.isnan(demand.fixed_l)
        if fixed.any():
            wanted[fixed] = demand.fixed_l[fixed][:, None]
        wanted = np.minimum(wanted, demand.cap_l[:, None])
        wanted[wanted < SMALLEST_DOSE_L] = 0.0
        given = np.empty_like(wanted)
        left = np.maximum(0.0, available)
        for group in self._groups:
            asked = wanted[group].sum(axis=0)
            part = np.minimum(1.0, left / np.maximum(asked, 1e-9))
            given[group] = wanted[group] * part
            left = np.maximum(0.0, left - asked)
        return given, wanted.sum(axis=0)

    def _levels_mm(self, day: int) -> Array:
        """`[zone, tank]`: the depletion up to which it pays to water."""
        columns = self._columns
        week = week_of(day)
        spell = 1 if sum(self._recent_mm) >= columns.wet_from_mm[week] else 0
        table = between_weeks(columns.prices[:, spell], day)
        top = table.shape[1] - 1
        place = np.clip(self.stored_l / columns.priced_l, 0.0, 1.0) * top
        low = np.minimum(top - 1, place.astype(np.intp))
        below, above = table[self._all, low], table[self._all, low + 1]
        price = below + (place - low) * (above - below)
        step = np.log(np.maximum(price, 1e-12) / PRICE_GRID[1]) / _GRID_STEP
        index = np.clip(np.rint(step) + 1, 0, len(PRICE_GRID) - 1).astype(np.intp)
        thirst = self._expected_mm(day) / columns.mean_et0_mm[day]
        of_day = columns.levels[week, int(np.abs(THIRSTS - thirst).argmin())]
        found: Array = of_day[:, index]
        return found

    def _expected_mm(self, day: int) -> float:
        """Evapotranspiration that the controller expects of a day: as of the last days, at first the mean."""
        expected_mm = self._expected_et0_mm
        return float(self._columns.mean_et0_mm[day]) if expected_mm is None else expected_mm

    def _roots(self, day: int, rain_mm: float, et0_mm: float, etc_mm: Array, given: Array, sums: Sums) -> None:
        """The root zones take the day's water, then the plants drink (FAO-56 equations 84 and 85)."""
        demand = self._demand
        total_mm, per_mm = demand.total_mm[:, None], demand.l_per_mm[:, None]
        area = np.array([zone.area_m2 for zone in demand.zones])[:, None]
        rain = rain_mm if rain_mm >= NEGLIGIBLE_RAIN_FRACTION * et0_mm else 0.0
        wet = np.where(demand.rain_fed, rain, 0.0)[:, None]
        depletion = np.maximum(0.0, self.depletion_mm - given / per_mm - wet)
        readily = (adjusted_fractions(demand.fraction[day], etc_mm) * demand.total_mm)[:, None]
        # Stress by what is missing in the middle of the time until the next chance to water.
        middle = depletion + 0.5 * (demand.swing * etc_mm)[:, None]
        stress = np.clip((middle - readily) / (total_mm - readily), 0.0, 1.0)
        drunk = (1.0 - stress) * etc_mm[:, None]
        self.depletion_mm = np.minimum(total_mm, depletion + drunk)
        sums.supplied[:] += given
        sums.missing[:] += (etc_mm[:, None] - drunk) * area
        sums.potential[:] += etc_mm[:, None] * area


def between_weeks(prices: Array, day: int) -> Array:
    """`[tank, level]` of a day from `[tank, week, level]`: weekly prices are those of the middles of weeks."""
    place = day / PERIOD_DAYS - 0.5
    before = math.floor(place)
    later = place - before
    found: Array = (1.0 - later) * prices[:, before % PERIODS] + later * prices[:, (before + 1) % PERIODS]
    return found


def _priority_groups(demand: Demand) -> Iterator[NDArray[np.intp]]:
    priorities = np.array([zone.priority for zone in demand.zones])
    for priority in sorted(set(priorities.tolist())):
        yield np.flatnonzero(priorities == priority)
