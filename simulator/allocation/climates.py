"""The allotment in three climates, and what its owner would know of each: monthly normals.

The station records are not part of this package; whoever judges brings the rows. Normals are made of the years that
may be learned from only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import pi

from controller.site.model import MonthlyNormals, Place, Schedule, Site, VerticalCylinder
from simulator.plant.daily_records import DailyRecord

WET_DAY_MM = 1.0
"""A day counts as wet from 1 mm on (World Meteorological Organization's count of wet days)."""


@dataclass(frozen=True, slots=True)
class Climate:
    """One station's place and how the allotment is built there, so that water is short in most years but not in all.

    first_month    the tank is followed from the first of this month, half full
    months         for so long
    plant_shift    months by which all planting dates are moved
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    roof_m2: float
    tank_l: float
    first_month: int
    months: int
    plant_shift: int
    rain_fed_zones: bool = True


TUNIS = Climate("Tunis", 36.83, 10.23, 4.0, "Africa/Tunis", 75.0, 12_000.0, 1, 10, -1)
BRUSSELS = Climate("Brussels", 50.80, 4.35, 100.0, "Europe/Brussels", 24.0, 1900.0, 2, 9, 0)
HYDERABAD = Climate("Hyderabad", 17.45, 78.46, 545.0, "Asia/Kolkata", 26.0, 10_000.0, 8, 9, 6)
CLIMATES = (TUNIS, BRUSSELS, HYDERABAD)
_TANK_ASPECT = 1.2
_SUCTION_MM = 60.0


@dataclass(frozen=True, slots=True)
class Season:
    """One season's daily rows, from the first day that is followed to the last."""

    climate: Climate
    year: int
    rows: tuple[DailyRecord, ...]


def seasons(climate: Climate, rows: Sequence[DailyRecord]) -> list[Season]:
    """All seasons that the rows hold whole."""
    by_date = {row.date: row for row in rows}
    found = []
    for year in range(rows[0].date.year, rows[-1].date.year + 1):
        first = date(year, climate.first_month, 1)
        months = climate.first_month - 1 + climate.months
        last = date(year + months // 12, months % 12 + 1, 1) - timedelta(days=1)
        days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
        if all(day in by_date for day in days):
            found.append(Season(climate, year, tuple(by_date[day] for day in days)))
    return found


def normals(rows: Sequence[DailyRecord]) -> tuple[MonthlyNormals, tuple[float, ...]]:
    """Monthly normals of some rows, and the mean daily reference evapotranspiration of each month, mm."""
    months: list[list[DailyRecord]] = [[row for row in rows if row.date.month == month] for month in range(1, 13)]
    years = [len({row.date.year for row in month}) for month in months]
    mean_et0 = tuple(sum(row.et0_mm or 0.0 for row in month) / len(month) for month in months)
    return (
        MonthlyNormals(
            tmin_c=tuple(sum(row.tmin_c for row in month) / len(month) for month in months),
            tmax_c=tuple(sum(row.tmax_c for row in month) / len(month) for month in months),
            rain_mm=tuple(sum(row.rain_mm for row in month) / n for month, n in zip(months, years, strict=True)),
            wet_days=tuple(
                sum(row.rain_mm >= WET_DAY_MM for row in month) / n for month, n in zip(months, years, strict=True)
            ),
        ),
        mean_et0,
    )


def allotment_in(climate: Climate, example: Site, known: MonthlyNormals) -> Site:
    """The example allotment moved to a climate: roof and tank as the climate says, planted when it says."""
    place = Place(
        climate.name,
        climate.latitude_deg,
        climate.longitude_deg,
        climate.elevation_m,
        climate.time_zone,
        known,
    )
    height_mm = 100.0 * (climate.tank_l * 4.0 * _TANK_ASPECT**2 / pi) ** (1.0 / 3.0)
    tank = replace(
        example.tanks[0],
        shape=VerticalCylinder(height_mm / _TANK_ASPECT, height_mm + 150.0),
        stated_capacity_l=climate.tank_l,
        sensor_height_mm=height_mm + 400.0,
        overflow_mm=height_mm,
        suction_mm=_SUCTION_MM,
        reserve_l=0.0,
    )
    zones = []
    for zone in example.zones:
        crops = tuple(
            replace(crop, planted_month=(crop.planted_month - 1 + climate.plant_shift) % 12 + 1) for crop in zone.crops
        )
        schedule: Schedule = replace(zone.schedule, daily_cap_l=2.0 * zone.schedule.daily_cap_l)
        zones.append(replace(zone, crops=crops, schedule=schedule))
    roofs = (replace(example.roofs[0], area_m2=climate.roof_m2),)
    return replace(example, place=place, roofs=roofs, tanks=(tank,), zones=tuple(zones))
