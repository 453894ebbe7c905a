"""Site files: text in, a checked `Site` out, or every problem found at once."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Any, TypeVar, cast

from controller.site import build, schema
from controller.site.document import Document
from controller.site.forecast_checks import forecast_complaints
from controller.site.model import History, Mqtt, Place, Site, Tank, UnitSystem, Zone
from controller.site.place_checks import normals_gaps, place_complaints
from controller.site.power_checks import battery_complaints
from controller.site.problems import Path, Problem, SiteFileError
from controller.site.reference_checks import check_flows, check_references
from controller.site.show import Show
from controller.site.tank_checks import shape_complaints, tank_complaints
from controller.site.zone_checks import (
    coefficient_complaints,
    crop_complaints,
    ground_complaints,
    heat_complaints,
    zone_complaints,
)

__all__ = ["Problem", "SiteFileError", "parse_site"]

T = TypeVar("T")
Complaints = Iterable[tuple[Path, str]]


def parse_site(text: str, name: str, known_time_zones: Collection[str] | None = None) -> Site:
    """Read a site file's text; `name` is what problems call the file.

    `known_time_zones` are the names a time zone may have; None leaves that to the caller. Raises SiteFileError, which
    lists everything wrong with the file, and nothing else.
    """
    document = Document(text, name)
    document.check_top_level()
    site = _Reader(document, known_time_zones).read()
    if document.problems or site is None:
        raise SiteFileError(document.problems)
    return site


class _Reader:
    """Reads each table by itself, so that a mistake in one hides no mistake in another."""

    def __init__(self, document: Document, known_time_zones: Collection[str] | None) -> None:
        self._document = document
        self._zones_known = known_time_zones
        units = document.text_at(("site", "units"))
        self._show = Show(cast(UnitSystem, units) if units in ("metric", "us") else "metric")

    def read(self) -> Site | None:
        document = self._document
        head = cast("schema.SiteTable | None", self._single("site"))
        place = self._built("place", build.build_place)
        battery = self._built("battery", build.build_battery)
        panel = self._built("panel", build.build_panel)
        gauge = self._built("rain_gauge", build.build_rain_gauge)
        mqtt = self._built("mqtt", build.build_mqtt)
        history = self._built("history", build.build_history)
        forecast = self._built("forecast", build.build_forecast)
        if place is not None:
            self._complain(("place",), place_complaints(place, self._zones_known))
            self._complain(("place", "normals"), normals_gaps(document.values["place"].get("normals", {})))
        if forecast is not None:
            self._complain(("forecast",), forecast_complaints(forecast))
        if battery is not None:
            self._complain(("battery",), battery_complaints(battery))
        roofs = self._each("roof", build.build_roof)
        tanks = self._tanks()
        pumps = self._each("pump", build.build_pump)
        zones = self._zones(place)
        check_references(document)
        check_flows(document, tanks, pumps, zones, self._show)
        if document.problems or head is None or place is None or battery is None:
            return None
        return Site(
            id=head.id,
            name=head.name,
            units=head.units,
            place=place,
            roofs=tuple(roofs.values()),
            tanks=tuple(tanks.values()),
            pumps=tuple(pumps.values()),
            battery=battery,
            panel=panel,
            rain_gauge=gauge,
            zones=tuple(zones.values()),
            mqtt=mqtt if mqtt is not None else Mqtt(),
            history=history if history is not None else History(),
            idle_report_s=round(head.report_every),
            frost_c=head.frost,
            forecast=forecast,
        )

    def _single(self, name: str) -> schema.Declared | None:
        if name not in self._document.values or isinstance(self._document.values[name], list):
            return None
        return self._document.read_table((name,), schema.SINGLE_TABLES[name])

    def _built(self, name: str, builder: Callable[[Any], T]) -> T | None:
        table = self._single(name)
        return None if table is None else builder(table)

    def _each(self, name: str, builder: Callable[[Any], T]) -> dict[Path, T]:
        built = {}
        for path in self._document.entries(name):
            table = self._document.read_table(path, schema.REPEATED_TABLES[name])
            if table is not None:
                built[path] = builder(table)
        return built

    def _tanks(self) -> dict[Path, Tank]:
        """Tanks whose shape can exist; further checks need its volumes."""
        sound = {}
        for path in self._document.entries("tank"):
            table = cast("schema.TankTable | None", self._document.read_table(path, schema.TankTable))
            if table is not None and self._complain(path, shape_complaints(table.shape)) == 0:
                tank = build.build_tank(table)
                sound[path] = tank
                self._complain(path, tank_complaints(tank, self._show))
        return sound

    def _zones(self, place: Place | None) -> dict[Path, Zone]:
        complete = {}
        for path in self._document.entries("zone"):
            table = cast("schema.ZoneTable | None", self._document.read_table(path, schema.ZoneTable))
            if table is None:
                continue
            soil_name = self._document.text_at((*path, "soil"))
            incomplete = self._complain(path, ground_complaints(table, soil_name))
            incomplete += self._complain(path, coefficient_complaints(table, soil_name))
            incomplete += self._complain(path, crop_complaints(table))
            if place is not None:
                incomplete += self._complain(path, heat_complaints(table, place.normals))
            elif any(crop.stage_heat is not None for crop in table.crop):
                continue  # How long its stages last is not known until the place is.
            if incomplete == 0:
                zone = build.build_zone(table, soil_name, None if place is None else place.normals)
                complete[path] = zone
                self._complain(path, zone_complaints(zone, self._show))
        return complete

    def _complain(self, base: Path, complaints: Complaints) -> int:
        count = 0
        for path, text in complaints:
            self._document.complain((*base, *path), text)
            count += 1
        return count
