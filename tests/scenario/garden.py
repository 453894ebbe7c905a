"""A simulated garden for scenario tests: the example site, changed as a test wants, in weather made for the purpose."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from controller.contract import Command, Now, Order, OrderAnswer, Record, Snapshot, StepResult
from controller.site.load import parse_site
from controller.site.model import Schedule, Site, Window, Zone
from firmware_host.board.logic import Board
from simulator.board import MakeBoard
from simulator.example import example_site_text
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.season import SeasonRun

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

EXAMPLE = parse_site(example_site_text(), "example site")
POTS = ("bench-north", "bench-south")
ROOMY_CAP_L = 60.0


def with_zones(site: Site, zones: Iterable[Zone]) -> Site:
    return replace(site, zones=tuple(zones))


def with_schedule(site: Site, zone_id: str, **changes: Any) -> Site:
    """The site with some fields of one zone's schedule changed."""
    return with_zones(
        site,
        [
            replace(zone, schedule=replace(zone.schedule, **changes)) if zone.id == zone_id else zone
            for zone in site.zones
        ],
    )


def only(site: Site, *zone_ids: str) -> Site:
    """The site with these zones alone."""
    return with_zones(site, [zone for zone in site.zones if zone.id in zone_ids])


def fixed(volume_l: float, *times_min: int, cap_l: float = ROOMY_CAP_L) -> Schedule:
    return Schedule("fixed", (Window(0, 1440),), cap_l, 1, volume_l, times_min)


def at_fixed_times(site: Site, zone_id: str, volume_l: float, *times_min: int) -> Site:
    """Only one zone, watered at fixed times."""
    zone = replace(site.zone(zone_id), schedule=fixed(volume_l, *times_min))
    return with_zones(site, [zone])


class Garden:
    """A `SeasonRun` that remembers every record, with the questions tests ask."""

    def __init__(
        self,
        site: Site = EXAMPLE,
        start: date = date(2026, 7, 1),
        days: int = 10,
        *,
        rain_mm: float = 0.0,
        tmin_c: float = 13.0,
        tmax_c: float = 27.0,
        fill: float = 0.7,
        seed: int = 1,
        make_board: MakeBoard = Board,
    ) -> None:
        first = start - timedelta(days=1)
        rows = [DailyRecord(first + timedelta(days=n), tmin_c, tmax_c, rain_mm) for n in range(days + 3)]
        weather = weather_from_daily(rows, site.place, seed)
        self.site = site
        midnight = datetime.combine(start, time(), ZoneInfo(site.place.time_zone))
        self.start_wall_ms = int(midnight.timestamp() * 1000)
        self.season = SeasonRun(site, weather, seed, self.start_wall_ms, fill=fill, make_board=make_board)
        self.season.watch = self._take
        self.records: list[tuple[Now, Record]] = []
        self.answers: list[OrderAnswer] = []
        self._orders = 0

    def _take(self, now: Now, result: StepResult) -> None:
        self.records += [(now, record) for record in result.records]
        self.answers += result.answers

    # --- letting time pass ------------------------------------------------------------------------------

    def run_hours(self, hours: float) -> None:
        self.season.run_until(self.season.plant.now_ms + round(hours * HOUR_MS))

    def run_seconds(self, seconds: float) -> None:
        self.season.run_until(self.season.plant.now_ms + round(seconds * 1000))

    def run_until_watering(self, limit_hours: float = 24.0) -> str:
        """Until some zone's pump really runs; its id."""
        end_ms = self.season.plant.now_ms + round(limit_hours * HOUR_MS)
        while self.season.plant.now_ms < end_ms:
            self.run_seconds(5)
            if self.flow_l_min > 0.0:
                return next(zone.id for zone in self.snapshot.zones if zone.watering)
        raise AssertionError(f"nothing was watered within {limit_hours} h; findings: {self.findings}")

    def order(self, command: Command) -> OrderAnswer:
        """Give an order now; the answer, which comes in the same step."""
        self._orders += 1
        order_id = f"test-{self._orders}"
        self.season.order(Order(order_id, "test", None, command))
        self.run_seconds(0)
        return next(answer for answer in self.answers if answer.order_id == order_id)

    # --- asking -----------------------------------------------------------------------------------------

    @property
    def snapshot(self) -> Snapshot:
        return self.season.core.snapshot(self.season.now())

    @property
    def findings(self) -> list[str]:
        return [finding.id for finding in self.snapshot.findings]

    @property
    def flow_l_min(self) -> float:
        """What truly flows through all pumps."""
        truth = self.season.plant.truth
        return sum(truth.pump(pump.output).flow_l_min for pump in self.site.pumps)

    def volume_l(self) -> float:
        """What is truly in the first tank."""
        return self.season.plant.truth.volume_l(self.site.tanks[0].id)

    def given_l(self, zone_id: str) -> float:
        """What truly came out of a zone's emitters so far."""
        return self.season.plant.truth.zone(zone_id).applied_l

    def of_kind(self, kind: str, key: str | None = None) -> list[Record]:
        return [record for _, record in self.records if record.kind == kind and key in (None, record.key)]

    def times_of(self, kind: str, key: str | None = None) -> list[Now]:
        return [now for now, record in self.records if record.kind == kind and key in (None, record.key)]
