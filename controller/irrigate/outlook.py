"""The price of water for a declared site: its zones, roofs and normals turned into one table for each tank.

Nothing measured goes in, only what is declared and what the schedules let each zone take: a table is worked out once
for each set of those, see `controller.core.takers`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import NamedTuple

from controller.estimate.catch import roof_catch
from controller.irrigate.crop import usual_numbers, zone_depletion_fraction, zone_kc
from controller.irrigate.likely_weather import (
    DAYS_PER_YEAR,
    MONTH_DAYS,
    ClimateNormals,
    LikelyYear,
    likely_years,
    month_of_day,
)
from controller.irrigate.normal_et import mean_et0_mm
from controller.irrigate.root_zone import adjusted_fraction
from controller.irrigate.water_price import PriceTable, ZoneDay, ZoneYear, price_table, priority_weight
from controller.site.geometry import LevelTable
from controller.site.model import MonthlyNormals, Roof, Schedule, Site, Tank, Zone

YEARS = 36
"""Likely years that a table is made of: enough that other years would price nearly the same."""
_USUAL_YEAR = 2001
_MONTHS = month_of_day()
CONTAINER_SWING, OPEN_SWING = 0.4, 1.0
"""Part of a day between two chances: containers are looked at several times a day."""
LEAST_ET0_MM = 0.1
NEED_STEP = 0.1
"""In such steps of its coefficient a zone counts as thirstier or less: every other is another table (own choice)."""


class MonthRain(NamedTuple):
    """What a day's rain is like in a month: the chance of some, and how much then."""

    wet_part: float
    wet_mm: float


class Outlook(NamedTuple):
    """What is known beforehand of a site's water: price tables by tank id, and rain by month (0 to 11).

    A tank that no roof feeds has no table: nothing says when it is filled again.
    """

    tables: dict[str, PriceTable]
    month_rain: tuple[MonthRain, ...]


class Use(NamedTuple):
    """What a zone may take of a day: its need up to `cap_l`, or `fixed_l` whatever it needs.

    `need_part` is what its owner's words have made of its crops' coefficient, as a part of the declared one.
    """

    cap_l: float
    fixed_l: float | None = None
    need_part: float = 1.0


NOTHING_TAKEN = Use(0.0, 0.0)
Uses = tuple[tuple[str, Use], ...]
"""By zone id, all zones of a site in the order of its file."""


def use_of(schedule: Schedule, need_factor: float = 1.0) -> Use:
    """What a schedule takes of a day at most, or whatever the need is; `need_factor` is on the declared coefficient."""
    if schedule.mode == "off":
        return NOTHING_TAKEN
    if schedule.mode == "fixed":
        fixed_l = schedule.fixed_volume_l * len(schedule.fixed_times_min)
        return Use(schedule.daily_cap_l, min(schedule.daily_cap_l, fixed_l))
    return Use(schedule.daily_cap_l, None, round(NEED_STEP * round(need_factor / NEED_STEP), 3))


def declared_uses(site: Site) -> Uses:
    """By the schedules of the site file."""
    return tuple((zone.id, use_of(zone.schedule)) for zone in site.zones)


class Basis(NamedTuple):
    """What a tank's price table is worked out from, whatever the schedules say.

    zones        through a usual year, by id, with their declared daily caps
    years        likely weather; `caught_l` is what the tank's roofs give on each day of each
    mean_et0_mm  of each day of a usual year
    capacity_l   usable litres when full
    """

    zones: dict[str, ZoneYear]
    years: list[LikelyYear]
    mean_et0_mm: list[float]
    caught_l: list[list[float]]
    capacity_l: float


def day_of_year(day: date) -> int:
    """0 to 364; 29 February counts as the 28th."""
    number = day.timetuple().tm_yday - 1
    leap = day.year % 4 == 0 and (day.year % 100 != 0 or day.year % 400 == 0)
    return number - 1 if leap and number >= 59 else number


@lru_cache(maxsize=8)
def outlook(site: Site, uses: Uses | None = None, et0_mm: tuple[float, ...] | None = None) -> Outlook | None:
    """The outlook of a site, None when it declares no normals. Remembered, for it takes long: a third of a second
    for each tank on a desk computer.

    uses    what each zone may take; None: what the site file declares
    et0_mm  replaces what the normals say
    """
    normals = site.place.normals
    if normals is None:
        return None
    takes = dict(declared_uses(site) if uses is None else uses)
    tables = {}
    for tank in site.tanks:
        known = basis(site, tank.id, et0_mm)
        if known is not None:
            zones = [taking(zone, takes[zone_id]) for zone_id, zone in known.zones.items()]
            takers = [zone for zone in zones if zone.cap_l > 0.0 and zone.fixed_l != 0.0]
            tables[tank.id] = price_table(takers, known.years, known.mean_et0_mm, known.caught_l, known.capacity_l)
    return Outlook(tables, _month_rain(normals))


def taking(zone: ZoneYear, use: Use) -> ZoneYear:
    """A zone through a usual year as far as it may take water, and as thirsty as it has proved to be."""
    days = zone.days
    if use.need_part != 1.0:
        days = [None if day is None else day._replace(etc_mm=use.need_part * day.etc_mm) for day in days]
    return zone._replace(days=days, cap_l=use.cap_l, fixed_l=use.fixed_l)


@lru_cache(maxsize=8)
def basis(site: Site, tank_id: str, et0_mm: tuple[float, ...] | None = None) -> Basis | None:
    """What a tank's tables rest on; None without normals or a roof. Remembered."""
    normals = site.place.normals
    roofs = [roof for roof in site.roofs if roof.tank_id == tank_id]
    if normals is None or not roofs:
        return None
    climate = ClimateNormals(et0_mm or mean_et0_mm(site.place, normals), normals.rain_mm, normals.wet_days)
    rain = _month_rain(normals)
    daily_et0_mm = [max(LEAST_ET0_MM, climate.et0_mm[month]) for month in _MONTHS]
    zones = {zone.id: _zone_year(zone, daily_et0_mm, rain) for zone in site.zones if zone.tank_id == tank_id}
    years = likely_years(climate, YEARS)
    caught_l = [_daily_catch_l(roofs, year.rain_mm) for year in years]
    return Basis(zones, years, daily_et0_mm, caught_l, usable_l(site.tank(tank_id)))


def usable_l(tank: Tank) -> float:
    """Litres between the reserve (or the suction, if that is higher) and the overflow."""
    table = LevelTable(tank.shape)
    kept_l = max(tank.reserve_l, table.volume_l(tank.suction_mm))
    return max(1.0, table.volume_l(tank.overflow_mm) - kept_l)


def _month_rain(normals: MonthlyNormals) -> tuple[MonthRain, ...]:
    return tuple(
        MonthRain(
            normals.wet_days[m] / MONTH_DAYS[m],
            normals.rain_mm[m] / normals.wet_days[m] if normals.wet_days[m] > 0.0 else 0.0,
        )
        for m in range(12)
    )


def _daily_catch_l(roofs: Sequence[Roof], rain_mm: Sequence[float]) -> list[float]:
    """What the roofs give each day; every day after a dry one begins with a first flush."""
    caught = [0.0] * len(rain_mm)
    for roof in roofs:
        flush_left_mm = roof.first_flush_mm
        for n, fallen_mm in enumerate(rain_mm):
            if fallen_mm <= 0.0:
                flush_left_mm = roof.first_flush_mm
                continue
            catch = roof_catch(roof, fallen_mm, flush_left_mm)
            flush_left_mm = catch.flush_left_mm
            caught[n] += catch.caught_l
    return caught


def _zone_year(zone: Zone, daily_et0_mm: Sequence[float], rain: Sequence[MonthRain]) -> ZoneYear:
    days: list[ZoneDay | None] = []
    for n in range(DAYS_PER_YEAR):
        day = date(_USUAL_YEAR, 1, 1) + timedelta(days=n)
        numbers = usual_numbers(zone, day)
        fraction = zone_depletion_fraction(zone, numbers)
        if fraction is None:
            days.append(None)
            continue
        etc_mm = zone_kc(zone, numbers) * daily_et0_mm[n]
        days.append(zone_day(zone, etc_mm, adjusted_fraction(fraction, etc_mm), rain[_MONTHS[n]]))
    return ZoneYear(days, zone.rain_fed, zone.schedule.daily_cap_l)


def zone_day(zone: Zone, etc_mm: float, fraction: float, rain: MonthRain) -> ZoneDay:
    """A zone on one day, as the price of water looks at it."""
    wet_part, wet_mm = rain if zone.rain_fed else (0.0, 0.0)
    return ZoneDay(
        weight=priority_weight(zone.priority),
        total_mm=zone.total_available_mm,
        fraction=fraction,
        etc_mm=etc_mm,
        l_per_mm=zone.area_m2 / zone.drip_efficiency,
        wet_part=wet_part,
        wet_mm=wet_mm,
        swing=CONTAINER_SWING if zone.kind == "container" else OPEN_SWING,
    )
