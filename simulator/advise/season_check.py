"""One stretch of known days through the daily model at the declared tank: for holding it beside a season in virtual
time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.outlook import day_of_year
from controller.site.geometry import volume_l
from controller.site.model import Site, Tank
from simulator.advise.climate import climate_from_normals
from simulator.advise.demand import demand_of
from simulator.advise.prices import levels_mm, price_tables
from simulator.advise.storage import PRICE_GRID, Columns, StorageRun, daily_catch_l
from simulator.advise.storage_study import prices_of, usable_of


def daily_supply_l(
    site: Site, tank: Tank, start: date, days: Sequence[tuple[float, float]], fill: float
) -> dict[str, float]:
    """Litres given to each zone of a tank, yield after spillage, over days of (rain, reference evapotranspiration) mm.

    `fill` is the part of the overflow volume that is there at the start, as the season in virtual time counts it.
    """
    roofs = [roof for roof in site.roofs if roof.tank_id == tank.id]
    demand = demand_of([zone for zone in site.zones if zone.tank_id == tank.id])
    prices = prices_of(site, tank, climate_from_normals(site.place, 1))
    rain = (prices.wet_part, prices.wet_mm)
    capacity_l = volume_l(tank.shape, tank.overflow_mm)
    usable_l, priced_l = usable_of(tank, np.array([capacity_l])), np.array([prices.capacity_l])
    table = price_tables(demand, prices.years, prices.mean_et0_mm, rain, prices.caught_l[None], priced_l)
    columns = Columns(
        usable_l=usable_l,
        priced_l=priced_l,
        roof=np.ones(1),
        before=np.array([False]),
        prices=table.prices[0],
        wet_from_mm=table.wet_from_mm,
        levels=levels_mm(demand, prices.mean_et0_mm, *rain, PRICE_GRID),
    )
    run = StorageRun(demand, columns)
    run.stored_l[:] = np.maximum(0.0, usable_l - (1.0 - fill) * capacity_l)
    caught = [sum(daily_catch_l(roof, rain_mm) for roof in roofs) for rain_mm, _ in days]
    sums = run.days(
        day_of_year(start) % DAYS_PER_YEAR,
        np.array([rain_mm for rain_mm, _ in days]),
        np.array([et0_mm for _, et0_mm in days]),
        np.array(caught),
    )
    return {zone.id: float(litres) for zone, litres in zip(demand.zones, sums.supplied[:, 0], strict=True)}
