"""The daily model beside a season in virtual time: the same days through both, at the declared tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from random import Random
from typing import NamedTuple

import numpy as np

from controller.contract import Now, StepResult
from controller.core.state import fresh_state
from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.outlook import day_of_year
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.geometry import volume_l
from controller.site.model import Site, Tank
from simulator.advise.climate import climate_from_normals
from simulator.advise.demand import demand_of
from simulator.advise.prices import levels_by_thirst_mm, price_tables
from simulator.advise.storage import PRICE_GRID, Columns, StorageRun, daily_catch_l
from simulator.advise.storage_study import prices_of, usable_of
from simulator.plant.weather import local_midnight_wall_ms, weather_from_days
from simulator.plant.weather_generator import generate_days
from simulator.season import SeasonRun
from simulator.season_command import MS_PER_DAY


class Supplied(NamedTuple):
    """Litres through all emitters: by the season in virtual time, and by the daily model.

    model_l    told each day's evapotranspiration as the garden's own thermometer had it
    weather_l  told the weather's true temperatures instead
    """

    season_l: float
    model_l: float
    weather_l: float

    @property
    def off_percent(self) -> float:
        """By how much the model gives more."""
        return 100.0 * (self.model_l / self.season_l - 1.0)

    @property
    def weather_off_percent(self) -> float:
        """The same with the weather's temperatures: the thermometer's error on top of the model's."""
        return 100.0 * (self.weather_l / self.season_l - 1.0)


def season_and_model(site: Site, start: date, days: int, seed: int, fill: float) -> Supplied:
    """One season of invented weather through both.

    The model is told what a planner cannot know: the roofs' true runoff coefficients, and the evapotranspiration that
    the controller closed each day with. Its thermometer hangs in the tank's headspace, where days are milder: by
    that it waters, a few per cent below what the weather asks. Gauge, meter, emitters and soil err as they do.
    """
    rng = Random(f"weather {seed}")
    made = generate_days(site.place, start - timedelta(days=1), days + 3, rng)
    weather = weather_from_days(made, site.place, rng)
    season = SeasonRun(site, weather, seed, local_midnight_wall_ms(start, site.place), fill=fill)
    closed_mm: dict[str, float] = {}

    def note(_now: Now, result: StepResult) -> None:
        for record in result.records:
            if record.kind == "day" and not record.key:
                closed_mm[str(record.data["date"])] = float(record.data["et0_mm"])

    season.watch = note
    season.run_until(days * MS_PER_DAY)
    true_mm = [
        hargreaves_mm(day.tmin_c, day.tmax_c, site.place.latitude_deg, day.date.timetuple().tm_yday)
        for day in made[1 : days + 1]
    ]
    seen_mm = [
        closed_mm.get(day.date.isoformat(), of_weather)
        for day, of_weather in zip(made[1 : days + 1], true_mm, strict=True)
    ]
    roofs = tuple(
        replace(roof, runoff_coefficient=water.coefficient)
        for roof, water in zip(site.roofs, season.plant.roofs, strict=True)
    )
    told = replace(site, roofs=roofs)
    rain_mm = [day.rain_mm for day in made[1 : days + 1]]
    by_model, by_weather = (
        sum(daily_supply_l(told, site.tanks[0], start, list(zip(rain_mm, et0_mm, strict=True)), fill).values())
        for et0_mm in (seen_mm, true_mm)
    )
    return Supplied(sum(roots.applied_l for roots in season.plant.roots.values()), by_model, by_weather)


def daily_supply_l(
    site: Site, tank: Tank, start: date, days: Sequence[tuple[float, float]], fill: float
) -> dict[str, float]:
    """Litres given to each zone of a tank, yield after spillage, over days of (rain, reference evapotranspiration) mm.

    `fill` is the part of the overflow volume that is there at the start, as the season in virtual time counts it; root
    zones begin as the controller takes them to be on its first day.
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
        levels=levels_by_thirst_mm(demand, prices.mean_et0_mm, *rain, PRICE_GRID),
        mean_et0_mm=prices.mean_et0_mm,
    )
    run = StorageRun(demand, columns)
    begun = fresh_state(site).zones
    run.depletion_mm[:, 0] = [begun[zone.id].depletion_mm for zone in demand.zones]
    run.stored_l[:] = np.maximum(0.0, usable_l - (1.0 - fill) * capacity_l)
    caught = [sum(daily_catch_l(roof, rain_mm) for roof in roofs) for rain_mm, _ in days]
    sums = run.days(
        day_of_year(start) % DAYS_PER_YEAR,
        np.array([rain_mm for rain_mm, _ in days]),
        np.array([et0_mm for _, et0_mm in days]),
        np.array(caught),
    )
    return {zone.id: float(litres) for zone, litres in zip(demand.zones, sums.supplied[:, 0], strict=True)}
