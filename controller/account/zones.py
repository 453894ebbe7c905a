"""What became of each zone: litres given, what its plants took, rain on it, and days they had to strain for water."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from controller.account.days import DayReadings
from controller.account.events import Event, Period
from controller.core.localclock import LocalClock
from controller.irrigate.plan import net_mm
from controller.site.model import Site

NO_WATERINGS = frozenset({"drain", "drained", "relief"})
"""What opens a valve without a dose that was wanted: what flows is booked, and nothing is owed."""
LEAST_MET = 0.05
"""On a day with less the need is not known from so little taken (own choice)."""


@dataclass(frozen=True, slots=True)
class ZoneDay:
    """One zone on one closed day. `deepest_mm` is the driest reading of the day, `readily_mm` None out of season."""

    date: str
    zone_id: str
    given_l: float
    waiting_l: float
    """Still planned when the day ended."""
    etc_mm: float
    rain_mm: float
    depletion_mm: float
    deepest_mm: float
    readily_mm: float | None
    judged: bool
    """Whether the day says what plants draw with ease at all; days closed by older programs do not."""
    refusal: str

    @property
    def strained(self) -> bool:
        """Whether plants had less than they draw with ease (FAO-56, depletion beyond RAW) at some time of the day."""
        return self.readily_mm is not None and self.deepest_mm > self.readily_mm


@dataclass(frozen=True, slots=True)
class Watering:
    """One run of a zone that is over."""

    ended_wall_ms: int
    date: str
    zone_id: str
    volume_l: float
    wanted_l: float
    duration_s: float
    ended: str
    trigger: str
    metered: bool
    meter_part: float


@dataclass(slots=True)
class ZoneAccount:
    """A zone over the whole stretch. Depths are of the zone's own area; litres are at its emitters."""

    zone_id: str
    name: str
    area_m2: float | None
    runs: int = 0
    given_l: float = 0.0
    etc_mm: float = 0.0
    rain_mm: float = 0.0
    net_mm: float = 0.0
    """What of the water given reached the roots, by the declared efficiency of the drip."""
    judged_etc_mm: float = 0.0
    """`etc_mm` of the days judged, and `full_need_mm` the need of the same."""
    full_need_mm: float = 0.0
    """What its plants would have taken had they never been short, by FAO-56 equation 84 at each day's end."""
    drier_mm: float | None = None
    """By how much more the root zone lacked at the end than at the beginning."""
    judged_days: int = 0
    season_days: int = 0
    """Of those judged, days with plants; `strained_days` are some of these."""
    strained_days: int = 0
    refused_days: int = 0
    ended: Counter[str] = field(default_factory=Counter)
    short_l: float = 0.0
    """What runs that did not end as wanted still owed."""

    @property
    def need_met_part(self) -> float | None:
        """What plants took of what they would have taken; None when nothing grew, or nobody judged it."""
        return self.judged_etc_mm / self.full_need_mm if self.full_need_mm > 0.0 else None

    @property
    def drained_mm(self) -> float | None:
        """What neither plants took nor the root zone holds: drained below the roots, or put right by the owner."""
        if self.drier_mm is None:
            return None
        return self.rain_mm + self.net_mm + self.drier_mm - self.etc_mm


def zone_days(events: Iterable[Event], period: Period, readings: Mapping[date, DayReadings]) -> list[ZoneDay]:
    """Closed days of all zones, in the order they were closed."""
    found = []
    for event in events:
        if event.kind != "day" or not event.key or not period.holds(event.data["date"]):
            continue
        data, day = event.data, readings.get(date.fromisoformat(event.data["date"]))
        deepest_mm = None if day is None else day.high(f"zone.{event.key}.depletion_mm")
        found.append(
            ZoneDay(
                data["date"],
                event.key,
                data["applied_l"],
                data["planned_l"],
                data["etc_mm"],
                data["rain_mm"],
                data["depletion_mm"],
                max(data["depletion_mm"], deepest_mm or 0.0),
                data.get("readily_mm"),
                "readily_mm" in data,
                data["refusal"],
            )
        )
    return found


def waterings(events: Iterable[Event], period: Period, clock: LocalClock) -> list[Watering]:
    """Runs that ended in the period, with what started them."""
    triggers: dict[tuple[str, str], str] = {}
    found = []
    for event in events:
        if event.kind == "start":
            triggers[event.key, event.data["run"]] = event.data["trigger"]
        elif event.kind == "delivery":
            day = date.fromordinal(clock.ordinal(event.wall_ms)).isoformat()
            if period.holds(day):
                data = event.data
                trigger = triggers.pop((event.key, data["run"]), "not recorded")
                found.append(
                    Watering(
                        event.wall_ms,
                        day,
                        event.key,
                        data["volume_l"],
                        data["wanted_l"],
                        data["duration_s"],
                        data["ended"],
                        trigger,
                        data["metered"],
                        data.get("meter_part", 0.0),
                    )
                )
    return found


def zone_accounts(site: Site, days: Iterable[ZoneDay], runs: Iterable[Watering]) -> list[ZoneAccount]:
    """One account for each zone of the site, and for each that the site had before."""
    known = {zone.id: ZoneAccount(zone.id, zone.name, zone.area_m2) for zone in site.zones}
    declared = {zone.id: zone for zone in site.zones}
    first_mm: dict[str, float] = {}
    for day in days:
        account = known.setdefault(day.zone_id, ZoneAccount(day.zone_id, day.zone_id, None))
        account.etc_mm += day.etc_mm
        account.rain_mm += day.rain_mm
        account.judged_days += day.judged
        account.season_days += day.readily_mm is not None
        account.strained_days += day.strained
        account.refused_days += bool(day.refusal)
        if day.zone_id in declared:
            zone = declared[day.zone_id]
            given_mm = net_mm(zone, day.given_l)
            account.net_mm += given_mm
            if day.judged:
                account.judged_etc_mm += day.etc_mm
                account.full_need_mm += day.etc_mm / _met(day, zone.total_available_mm)
            # Nobody wrote down how the first day began; it is where its own entries lead back to.
            began_mm = day.depletion_mm - day.etc_mm + day.rain_mm + given_mm
            first = first_mm.setdefault(day.zone_id, max(0.0, began_mm))
            account.drier_mm = day.depletion_mm - first
    for run in runs:
        account = known.setdefault(run.zone_id, ZoneAccount(run.zone_id, run.zone_id, None))
        account.given_l += run.volume_l
        if run.trigger in NO_WATERINGS or run.ended in NO_WATERINGS:
            continue
        account.runs += 1
        account.ended[run.ended] += 1
        if run.ended != "done":
            account.short_l += max(0.0, run.wanted_l - run.volume_l)
    return list(known.values())


def _met(day: ZoneDay, total_mm: float) -> float:
    """Stress coefficient at the end of a day, FAO-56 equation 84 with the day's own readily available water."""
    if day.readily_mm is None or day.depletion_mm <= day.readily_mm:
        return 1.0
    return max(LEAST_MET, (total_mm - day.depletion_mm) / (total_mm - day.readily_mm))
