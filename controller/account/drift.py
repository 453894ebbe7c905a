"""How the site's own measures moved: flow meter, flow of each zone, roof, level.

Each is a figure that should stay the same from year to year. One that moves asks for a look at the thing itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from controller.account.days import DayReadings
from controller.account.water import Books
from controller.account.zones import Watering
from controller.estimate.ledger import RAIN, DayLedger
from controller.site.model import Site

COMPARED_RUNS = 10
"""Of the first and of the last runs of a zone the middle one is compared (own choice: one odd run must not count)."""
SURE_SDS, GAUGE_PART, LEAST_BEYOND_L = 3.0, 0.15, 20.0
"""A tipping bucket counts too little in hard rain, by up to so much (common practice, no source)."""
SHORTEST_RUN_S = 30.0
"""In a shorter run the filling of the line is most of it."""


@dataclass(frozen=True, slots=True)
class FlowDrift:
    """A zone's litres a minute over its whole runs, at the beginning and at the end; the declared flow beside them."""

    zone_id: str
    runs: int
    rated_l_min: float
    first_l_min: float
    last_l_min: float

    @property
    def change_part(self) -> float:
        return self.last_l_min / self.first_l_min - 1.0


@dataclass(frozen=True, slots=True)
class MeterDrift:
    """By which part a pump's meter was believed to count too little: at first, at last, and its extremes."""

    pump_id: str
    first_part: float
    last_part: float
    lowest_part: float
    highest_part: float


@dataclass(frozen=True, slots=True)
class CatchDrift:
    """What a tank's roofs brought of the rain that fell on them, and what they are declared to bring at most."""

    tank_id: str
    fallen_l: float
    caught_l: float
    caught_sd_l: float | None
    declared_part: float

    @property
    def part(self) -> float | None:
        return self.caught_l / self.fallen_l if self.fallen_l > 0.0 else None


def flow_drifts(site: Site, runs: Sequence[Watering]) -> list[FlowDrift]:
    """Zones with at least twice `COMPARED_RUNS` metered runs that ended as wanted."""
    found = []
    for zone in site.zones:
        flows = [
            60.0 * run.volume_l / run.duration_s
            for run in runs
            if run.zone_id == zone.id and run.metered and run.ended == "done" and run.duration_s >= SHORTEST_RUN_S
        ]
        if len(flows) >= 2 * COMPARED_RUNS:
            first, last = median(flows[:COMPARED_RUNS]), median(flows[-COMPARED_RUNS:])
            if first > 0.0:
                found.append(FlowDrift(zone.id, len(flows), zone.rated_flow_l_min, first, last))
    return found


def meter_drifts(site: Site, runs: Sequence[Watering]) -> list[MeterDrift]:
    """Of each pump that has a meter and ran."""
    pump_of = {zone.id: site.pump_for_tank(zone.tank_id).id for zone in site.zones}
    parts: dict[str, list[float]] = {}
    for run in runs:
        if run.metered and run.zone_id in pump_of:
            parts.setdefault(pump_of[run.zone_id], []).append(run.meter_part)
    return [MeterDrift(pump, each[0], each[-1], min(each), max(each)) for pump, each in parts.items()]


def catch_drift(site: Site, books: Books, rain_mm: float) -> CatchDrift | None:
    """Of one tank; None without a roof."""
    roofs = [roof for roof in site.roofs if roof.tank_id == books.tank_id]
    area_m2 = sum(roof.area_m2 for roof in roofs)
    if area_m2 <= 0.0:
        return None
    declared = sum(roof.area_m2 * roof.runoff_coefficient for roof in roofs) / area_m2
    caught = books.of(RAIN)
    return CatchDrift(books.tank_id, rain_mm * area_m2, caught.into_tank_l, caught.sd_l, declared)


def more_than_fell(
    site: Site, tank_id: str, days: Iterable[DayLedger], rain_mm: Mapping[str, float]
) -> list[tuple[str, float]]:
    """Days on which more was booked as rain than can have come off the roof, with the litres beyond it.

    Water that somebody puts in while it rains looks like rain. A storm over midnight is booked on either day, so the
    day before counts, too; beyond that `SURE_SDS` of the entry and a part of the gauge's count must be exceeded.
    """
    area_m2 = sum(roof.area_m2 for roof in site.roofs if roof.tank_id == tank_id)
    found = []
    for day in days:
        before = (date.fromisoformat(day.local_date) - timedelta(days=1)).isoformat()
        fallen_l = area_m2 * (rain_mm.get(day.local_date, 0.0) + rain_mm.get(before, 0.0))
        sd_ml = day.evidence[RAIN].sd_ml if RAIN in day.evidence else 0.0
        beyond_l = day.entries_ml.get(RAIN, 0) / 1000.0 - fallen_l
        if beyond_l > SURE_SDS * sd_ml / 1000.0 + GAUGE_PART * fallen_l + LEAST_BEYOND_L:
            found.append((day.local_date, beyond_l))
    return found


def level_known_part(tank_id: str, readings: Mapping[date, DayReadings]) -> float | None:
    """In which part of all readings the tank's volume was known; None without readings."""
    name = f"tank.{tank_id}.volume_l"
    taken = sum(day.readings for day in readings.values())
    known = sum(day.spreads[name].count for day in readings.values() if name in day.spreads)
    return known / taken if taken else None


def monthly_flows(zone_id: str, runs: Iterable[Watering]) -> dict[str, float]:
    """The middle flow (L/min) of a zone's runs in each month."""
    flows: dict[str, list[float]] = {}
    for run in runs:
        if run.zone_id == zone_id and run.metered and run.ended == "done" and run.duration_s >= SHORTEST_RUN_S:
            flows.setdefault(run.date[:7], []).append(60.0 * run.volume_l / run.duration_s)
    return {month: median(each) for month, each in flows.items()}
