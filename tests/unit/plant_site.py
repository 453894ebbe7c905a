"""An allotment for tests of the plant: one tank in litres, a bench under cover, a berry row and a salad bed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from controller.site.model import (
    Battery,
    Crop,
    FlowMeter,
    MonthlyNormals,
    Panel,
    Place,
    Pump,
    RainGauge,
    Roof,
    Schedule,
    Site,
    Tank,
    Valve,
    VerticalCylinder,
    Window,
    Zone,
)
from simulator.plant.plant import Plant
from simulator.plant.weather import Hour, Weather, local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather

NORMALS = MonthlyNormals(
    tmin_c=(1.0, 1.0, 3.0, 5.0, 8.0, 11.0, 13.0, 13.0, 10.5, 7.5, 4.0, 2.0),
    tmax_c=(6.0, 7.0, 11.0, 14.5, 18.5, 21.0, 23.5, 23.5, 19.5, 14.5, 9.5, 6.5),
    rain_mm=(68.0, 58.0, 60.0, 48.0, 62.0, 70.0, 72.0, 78.0, 66.0, 70.0, 72.0, 76.0),
    wet_days=(12.5, 11.0, 12.0, 10.0, 10.5, 10.5, 10.0, 10.0, 10.0, 11.5, 12.5, 13.0),
)
PLACE = Place("Allotment above the river", 50.8, 4.4, 100.0, "Europe/Brussels", NORMALS)
SCHEDULE = Schedule("need", (Window(300, 480),), 60.0)
SALAD = Crop("lettuce", 0.7, 1.0, 0.95, (20, 30, 100, 30), 4, 1, 0.30)
BERRIES = Crop("raspberry", 0.3, 1.05, 0.5, (20, 50, 75, 60), 4, 1, 0.50)
TOMATO = Crop("tomato", 0.6, 1.15, 0.8, (30, 40, 45, 30), 5, 1, 0.40)
START = date(2026, 1, 1)
START_WALL_MS = local_midnight_wall_ms(START, PLACE)


def zone(zone_id: str, kind: str, output: int, area_m2: float, crop: Crop, rain_fed: bool, emitters: int) -> Zone:
    return Zone(
        id=zone_id,
        name=zone_id,
        kind=kind,  # type: ignore[arg-type]
        tank_id="main",
        valve=Valve("held", output, 5.0),
        area_m2=area_m2,
        crops=(crop,),
        root_depth_mm=300.0,
        available_water_mm_per_m=170.0,
        emitter_count=emitters,
        emitter_l_h=2.0,
        drip_efficiency=0.9,
        rain_fed=rain_fed,
        priority=1 + output,
        schedule=SCHEDULE,
    )


SITE = Site(
    id="allotment",
    name="Allotment",
    units="metric",
    place=PLACE,
    roofs=(Roof("shed", "main", 18.0, 0.85, 0.5),),
    tanks=(Tank("main", "Main", VerticalCylinder(1200.0, 1700.0), 1900.0, 0, 1900.0, 250.0, 1600.0, 100.0, 150.0, 0),),
    pumps=(Pump("pump", "main", 0, 10.0, 25.0, 4.0, FlowMeter(0, 450.0)),),
    battery=Battery("agm", 50.0, 11.8, 11.2, 12.5, 14.8, 40.0),
    panel=Panel(60.0, 45.0, 180.0),
    rain_gauge=RainGauge(0.2794),
    zones=(
        zone("bench", "container", 0, 3.0, TOMATO, False, 60),
        zone("row", "row", 1, 6.0, BERRIES, True, 90),
        zone("salad", "bed", 2, 4.0, SALAD, True, 80),
    ),
)


def plant(days: int = 30, seed: int = 1, site: Site = SITE, start: date = START) -> Plant:
    """The allotment under generated weather."""
    return Plant(site, generate_weather(site.place, start, days, seed), seed, local_midnight_wall_ms(start, site.place))


def steady_weather(
    rain_mm_h: float = 0.0, temperature_c: float = 15.0, hours: int = 240, sun_w_m2: float = 0.0
) -> Weather:
    """The same hour over and over: what happens is then the plant's doing alone."""
    return Weather(START_WALL_MS, [Hour(temperature_c, 70.0, 1.0, sun_w_m2, 0.5, rain_mm_h)] * hours)


def quiet_plant(seed: int = 1, site: Site = SITE, fill: float = 0.6, **weather: float) -> Plant:
    """The allotment under steady weather, dry unless told otherwise."""
    return Plant(site, steady_weather(**weather), seed, START_WALL_MS, fill)  # type: ignore[arg-type]


def with_tank(**changes: object) -> Site:
    """The allotment with its tank changed."""
    return replace(SITE, tanks=(replace(SITE.tanks[0], **changes),))  # type: ignore[arg-type]
