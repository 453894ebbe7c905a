"""What tank and roof would do in years of weather: the storage part of the advice.

Every size from a tenth of the declared tank to nine times it, with five roofs, under both spillage rules, through all
years. Blocks of years are run in parallel, each after two years of running in (the years before it; before the first
the last ones), so that the answer does not depend on how many processes there are.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from controller.irrigate.likely_weather import DAYS_PER_YEAR, MONTH_DAYS, LikelyYear, month_of_day
from controller.irrigate.outlook import basis
from controller.site.geometry import volume_l
from controller.site.model import MonthlyNormals, Site, Tank
from simulator.advise.climate import Climate
from simulator.advise.demand import Array, Demand, demand_of
from simulator.advise.prices import PriceTables, levels_by_thirst_mm, price_tables
from simulator.advise.storage import PRICE_GRID, Columns, StorageRun, Sums, daily_catch_l

SIZE_FACTORS = tuple(2.0 ** (step / 6.0) for step in range(-20, 20))
"""40 sizes; the declared one and twice it among them."""
DECLARED_SIZE, DOUBLE_SIZE = 20, 26
ROOF_FACTORS = (0.5, 0.75, 1.0, 1.5, 2.0)
DECLARED_ROOF, LARGER_ROOF = 2, 3
LEVEL_DOUBT_PART = 0.001
"""Part of a tank that the controller keeps back because no level is known exactly: one standard deviation of its own
estimate. At midnights of four seasons of the example site it was 0.5 to 0.7 thousandths on the mean, 1.1 at most."""
_PRICE_SIZES = 10
"""How many sizes prices are worked out for; between them straight lines over the logarithm of the size."""
_BLOCK_YEARS, _RUN_IN_YEARS = 5, 2
AFTER, BEFORE = 0, 1
"""Yield after and before spillage: the last axis of the study's arrays."""

Progress = Callable[[int, int], None]
_Task = TypeVar("_Task")
_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True)
class StorageStudy:
    """Of one tank. Arrays are `[year, roof, size, rule]`, those by zone `[year, zone, roof, size, rule]`.

    capacity_l    up to the overflow, each size; usable_l: above the reserve and what is kept for the level's doubt
    potential_l   what well-watered plants would drink, `[year, zone]`
    needed_l      what they would miss of it with rain alone, `[year, zone]`: the need
    missing_l     what they miss with the tank
    supplied_l    through the emitters
    short_days    on which not all that was asked for could be given; empty_days: in the season, with nothing to draw
    """

    tank: Tank
    demand: Demand
    climate: Climate
    capacity_l: Array
    usable_l: Array
    roof_m2: Array
    potential_l: Array
    needed_l: Array
    missing_l: Array
    supplied_l: Array
    caught_l: Array
    overflow_l: Array
    short_days: Array
    empty_days: Array

    def share_met(self) -> Array:
        """Part of the need met, `[year, roof, size, rule]`; 1 in years that need nothing."""
        return _share(self.missing_l.sum(axis=1), self.needed_l.sum(axis=1))

    def zone_share_met(self) -> Array:
        """The same by zone, `[year, zone, roof, size, rule]`."""
        return _share(self.missing_l, self.needed_l)


def _share(missing: Array, needed: Array) -> Array:
    whole = needed.reshape(*needed.shape, *(1,) * (missing.ndim - needed.ndim))
    share: Array = np.where(whole > 1.0, 1.0 - missing / np.maximum(whole, 1.0), 1.0)
    return share


def usable_of(tank: Tank, capacity_l: Array) -> Array:
    """Litres that watering can use of tanks of this kind: the suction takes the same part of each, the reserve stays
    what it is, and a part is kept back for the level's doubt. At least one litre."""
    declared_l = volume_l(tank.shape, tank.overflow_mm)
    suction_part = volume_l(tank.shape, tank.suction_mm) / declared_l
    kept_l = np.maximum(tank.reserve_l, suction_part * capacity_l) + LEVEL_DOUBT_PART * capacity_l
    usable: Array = np.maximum(1.0, capacity_l - kept_l)
    return usable


@dataclass(frozen=True, slots=True)
class Prices:
    """What the controller would price a tank's water by: likely years with the catch of the declared roofs, its usable
    litres, and means of each day of the year."""

    years: tuple[LikelyYear, ...]
    caught_l: Array
    capacity_l: float
    mean_et0_mm: Array
    wet_part: Array
    wet_mm: Array


def prices_of(site: Site, tank: Tank, climate: Climate) -> Prices:
    """By the site's normals, as in the controller; where none are declared, those of the given years stand in."""
    normals = site.place.normals or _normals_of(climate)
    known = basis(replace(site, place=replace(site.place, normals=normals)), tank.id)
    assert known is not None, "a tank with a roof, and normals"
    months, month_days, wet_days = np.array(month_of_day()), np.array(MONTH_DAYS), np.array(normals.wet_days)
    wet_mm = np.where(wet_days > 0.0, np.array(normals.rain_mm) / np.maximum(wet_days, 1e-9), 0.0)
    return Prices(
        years=tuple(known.years),
        caught_l=np.array(known.caught_l),
        capacity_l=known.capacity_l,
        mean_et0_mm=np.array(known.mean_et0_mm),
        wet_part=(wet_days / month_days)[months],
        wet_mm=wet_mm[months],
    )


def _normals_of(climate: Climate) -> MonthlyNormals:
    """Of measured years. Temperatures are not asked for where evapotranspiration is given."""
    et0_mm = climate.month_means(climate.et0_mm)
    rain_mm = climate.month_means(climate.rain_mm)
    wet_part = climate.month_means([float(mm > 0.0) for mm in climate.rain_mm])
    return MonthlyNormals(
        tmin_c=(10.0,) * 12,
        tmax_c=(20.0,) * 12,
        rain_mm=tuple(mm * days for mm, days in zip(rain_mm, MONTH_DAYS, strict=True)),
        wet_days=tuple(part * days for part, days in zip(wet_part, MONTH_DAYS, strict=True)),
        et0_mm=tuple(et0_mm),
    )


def study_storage(
    site: Site, tank: Tank, climate: Climate, progress: Progress | None = None, jobs: int | None = None
) -> StorageStudy | None:
    """Run the grid for one tank; None when no roof or no zone belongs to it.

    `progress` is told pieces done and pieces in all; `jobs` is how many processes (None: one a core).
    """
    roofs = [roof for roof in site.roofs if roof.tank_id == tank.id]
    zones = [zone for zone in site.zones if zone.tank_id == tank.id]
    if not roofs or not zones:
        return None
    demand, prices = demand_of(zones), prices_of(site, tank, climate)
    capacity_l = volume_l(tank.shape, tank.overflow_mm) * np.array(SIZE_FACTORS)
    usable_l = usable_of(tank, capacity_l)
    priced_l = np.maximum(1.0, usable_l + LEVEL_DOUBT_PART * capacity_l)
    nodes_l = np.geomspace(priced_l[0], priced_l[-1], _PRICE_SIZES)
    table_tasks = [_TableTask(demand, prices, prices.caught_l * factor, nodes_l) for factor in ROOF_FACTORS]
    blocks = _blocks(climate.years)
    told = _Told(progress, len(table_tasks) + len(blocks))
    workers = jobs or os.cpu_count() or 1
    tables = _all(_table, table_tasks, workers, told)
    columns = _columns(usable_l, priced_l, tables, nodes_l, demand, prices)
    daily = _Daily(
        np.array(climate.rain_mm),
        np.array(climate.et0_mm),
        np.array([sum(daily_catch_l(roof, mm) for roof in roofs) for mm in climate.rain_mm]),
    )
    block_tasks = [_BlockTask(demand, columns, daily, climate.first_day, block) for block in blocks]
    sums = [year for found in _all(_block, block_tasks, workers, told) for year in found]
    roof_m2 = sum(roof.area_m2 for roof in roofs) * np.array(ROOF_FACTORS)
    return _study(tank, demand, climate, capacity_l, usable_l, roof_m2, sums)


class _Told:
    """Counts finished pieces."""

    def __init__(self, progress: Progress | None, pieces: int) -> None:
        self._progress, self._pieces, self._done = progress, pieces, 0

    def one_more(self) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._pieces)


def _all(work: Callable[[_Task], _Found], tasks: Sequence[_Task], workers: int, told: _Told) -> list[_Found]:
    """The answers in the order of the tasks."""
    found: list[_Found] = []
    for answer in _answers(work, tasks, workers):
        found.append(answer)
        told.one_more()
    return found


def _answers(work: Callable[[_Task], _Found], tasks: Sequence[_Task], workers: int) -> Iterator[_Found]:
    if workers == 1 or len(tasks) == 1:
        yield from map(work, tasks)
        return
    with ProcessPoolExecutor(max_workers=min(workers, len(tasks))) as pool:
        yield from pool.map(work, tasks)


@dataclass(frozen=True, slots=True)
class _TableTask:
    demand: Demand
    prices: Prices
    catch_l: Array
    capacities_l: Array


def _table(task: _TableTask) -> PriceTables:
    rain = (task.prices.wet_part, task.prices.wet_mm)
    years, et0_mm = task.prices.years, task.prices.mean_et0_mm
    return price_tables(task.demand, years, et0_mm, rain, task.catch_l[None], task.capacities_l)


def _columns(
    usable_l: Array,
    priced_l: Array,
    tables: Sequence[PriceTables],
    nodes_l: Array,
    demand: Demand,
    known: Prices,
) -> Columns:
    """All roofs x sizes x rules side by side, and last no tank at all."""
    roofs, sizes = len(ROOF_FACTORS), len(usable_l)
    of_all = np.concatenate([_between(table.prices[0], np.log(nodes_l), np.log(priced_l)) for table in tables])
    prices = np.repeat(of_all, 2, axis=0)
    return Columns(
        usable_l=np.append(np.repeat(np.tile(usable_l, roofs), 2), 0.0),
        priced_l=np.append(np.repeat(np.tile(priced_l, roofs), 2), 1.0),
        roof=np.append(np.repeat(np.array(ROOF_FACTORS), 2 * sizes), 0.0),
        before=np.append(np.tile(np.array([False, True]), roofs * sizes), False),
        prices=np.concatenate([prices, prices[:1]]),
        wet_from_mm=tables[0].wet_from_mm,
        levels=levels_by_thirst_mm(demand, known.mean_et0_mm, known.wet_part, known.wet_mm, PRICE_GRID),
        mean_et0_mm=known.mean_et0_mm,
    )


def _between(values: Array, nodes: Array, wanted: Array) -> Array:
    """Straight lines along the first axis, whose entries are at `nodes`, read at `wanted`."""
    place = np.interp(wanted, nodes, np.arange(len(nodes)))
    low = np.minimum(len(nodes) - 2, place.astype(np.intp))
    part = (place - low).reshape(-1, *(1,) * (values.ndim - 1))
    found: Array = values[low] + part * (values[low + 1] - values[low])
    return found


@dataclass(frozen=True, slots=True)
class _Daily:
    rain_mm: Array
    et0_mm: Array
    catch_l: Array


@dataclass(frozen=True, slots=True)
class _BlockTask:
    demand: Demand
    columns: Columns
    daily: _Daily
    first_day: int
    years: range


def _blocks(years: int) -> list[range]:
    return [range(first, min(years, first + _BLOCK_YEARS)) for first in range(0, years, _BLOCK_YEARS)]


def _block(task: _BlockTask) -> list[Sums]:
    run = StorageRun(task.demand, task.columns)
    years = len(task.daily.rain_mm) // DAYS_PER_YEAR
    before = [(task.years[0] - back) % years for back in range(_RUN_IN_YEARS, 0, -1)]
    found = []
    for n in [*before, *task.years]:
        days = slice(n * DAYS_PER_YEAR, (n + 1) * DAYS_PER_YEAR)
        daily = task.daily
        found.append(run.days(task.first_day, daily.rain_mm[days], daily.et0_mm[days], daily.catch_l[days]))
    return found[len(before) :]


def _study(
    tank: Tank,
    demand: Demand,
    climate: Climate,
    capacity_l: Array,
    usable_l: Array,
    roof_m2: Array,
    sums: Sequence[Sums],
) -> StorageStudy:
    shape = (len(roof_m2), len(capacity_l), 2)

    def stacked(arrays: Sequence[NDArray[np.float64]]) -> Array:
        return np.stack([array[..., :-1].reshape(*array.shape[:-1], *shape) for array in arrays])

    return StorageStudy(
        tank=tank,
        demand=demand,
        climate=climate,
        capacity_l=capacity_l,
        usable_l=usable_l,
        roof_m2=roof_m2,
        potential_l=np.stack([year.potential[:, -1] for year in sums]),
        needed_l=np.stack([year.missing[:, -1] for year in sums]),
        missing_l=stacked([year.missing for year in sums]),
        supplied_l=stacked([year.supplied for year in sums]),
        caught_l=stacked([year.caught for year in sums]),
        overflow_l=stacked([year.overflow for year in sums]),
        short_days=stacked([year.short_days for year in sums]),
        empty_days=stacked([year.empty_days for year in sums]),
    )
