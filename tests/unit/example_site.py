"""A small made-up allotment for tests of the service: one tank, a bench under cover and a salad bed."""

from __future__ import annotations

from controller.site.model import (
    Battery,
    Crop,
    Place,
    Pump,
    Roof,
    Schedule,
    Site,
    Tank,
    Valve,
    VerticalCylinder,
    Window,
    Zone,
)


def _zone(zone_id: str, name: str, output: int, cap_l: float) -> Zone:
    return Zone(
        id=zone_id,
        name=name,
        kind="container" if zone_id == "bench" else "bed",
        tank_id="butts",
        valve=Valve("held", output, 1.0),
        area_m2=4.0,
        crops=(Crop("leaves", 0.7, 1.0, 0.95, (20, 30, 60, 20), 4, 1, 0.3),),
        root_depth_mm=300.0,
        available_water_mm_per_m=170.0,
        emitter_count=20,
        emitter_l_h=2.0,
        drip_efficiency=0.9,
        rain_fed=zone_id != "bench",
        priority=1,
        schedule=Schedule("need", (Window(300, 480),), cap_l),
    )


SITE = Site(
    id="hillfoot",
    name="Hillfoot allotment",
    units="metric",
    place=Place("Hillfoot", 52.0, 0.1, 20.0, "Europe/London"),
    roofs=(Roof("shed", "butts", 12.0, 0.85, 0.5),),
    tanks=(Tank("butts", "Rain butts", VerticalCylinder(1100.0, 1300.0), None, 0, 1500.0, 200.0, 1250.0, 60.0, 100.0),),
    pumps=(Pump("pump", "butts", 0, 8.0, 12.0, 4.0),),
    battery=Battery("agm", 40.0, 11.8, 11.3, 12.4, 15.0, 40.0),
    panel=None,
    rain_gauge=None,
    zones=(_zone("bench", "Polytunnel bench", 0, 12.0), _zone("salad", "Salad beds", 1, 40.0)),
)
