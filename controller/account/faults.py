"""Findings with how long they stood, and what watering was missed because of what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from controller.account.events import HOUR_MS, Event, Period, condition_of
from controller.account.zones import ZoneDay
from controller.core.localclock import LocalClock
from controller.guard.catalogue import CATALOGUE

_WORST_FIRST = {"fault": 0, "warning": 1, "info": 2}


@dataclass(slots=True)
class Stretch:
    """From when to when a finding stood; `ended` False when it still stood at the end of the account."""

    began_wall_ms: int
    ended_wall_ms: int
    ended: bool = True

    @property
    def hours(self) -> float:
        return (self.ended_wall_ms - self.began_wall_ms) / HOUR_MS


@dataclass(slots=True)
class FaultAccount:
    """One finding by its stable id, all its stretches within the account, and its newest words."""

    fault_id: str
    severity: str
    text: str
    stretches: list[Stretch] = field(default_factory=list)

    @property
    def hours(self) -> float:
        return sum(stretch.hours for stretch in self.stretches)

    @property
    def stands(self) -> bool:
        return any(not stretch.ended for stretch in self.stretches)


@dataclass(slots=True)
class Missed:
    """What was not watered because one condition objected. Where several did, each is charged with all of it.

    zone_days     days that ended with a zone's watering wanted and refused
    waiting_l     what the plan still wanted: of days that follow one another the most, not the sum
    strained_days those of them on which plants had to strain for water
    """

    condition: str
    zone_days: int = 0
    waiting_l: float = 0.0
    strained_days: int = 0
    zones: set[str] = field(default_factory=set)


def fault_accounts(events: Iterable[Event], began_wall_ms: int, ended_wall_ms: int) -> list[FaultAccount]:
    """Findings that stood between two instants, the worst and longest first.

    `events` must reach back to the beginning of the journal: a finding may have been raised long before.
    """
    known: dict[str, FaultAccount] = {}
    standing: dict[str, int] = {}
    for event in events:
        if event.kind != "fault" or event.wall_ms > ended_wall_ms:
            continue
        account = known.get(event.key)
        if account is None:
            row = CATALOGUE.get(condition_of(event.key))
            account = known[event.key] = FaultAccount(event.key, "fault" if row is None else row.severity, "")
        account.text = event.data.get("text") or account.text
        if event.data["raised"]:
            standing.setdefault(event.key, event.wall_ms)
        elif event.key in standing:
            _stood(account, standing.pop(event.key), event.wall_ms, began_wall_ms, True)
    for fault_id, raised_wall_ms in standing.items():
        _stood(known[fault_id], raised_wall_ms, ended_wall_ms, began_wall_ms, False)
    found = [account for account in known.values() if account.stretches]
    return sorted(found, key=lambda account: (_WORST_FIRST[account.severity], -account.hours, account.fault_id))


def _stood(account: FaultAccount, from_ms: int, to_ms: int, began_wall_ms: int, ended: bool) -> None:
    if to_ms >= began_wall_ms:
        account.stretches.append(Stretch(max(from_ms, began_wall_ms), max(from_ms, to_ms), ended))


def missed_waterings(
    events: Iterable[Event], days: Sequence[ZoneDay], period: Period, clock: LocalClock
) -> list[Missed]:
    """What refusals cost, by condition, the dearest first."""
    objections: dict[tuple[str, str], set[str]] = {}
    for event in events:
        if event.kind == "refusal" and event.key:
            day = date.fromordinal(clock.ordinal(event.wall_ms)).isoformat()
            if period.holds(day):
                objections.setdefault((event.key, day), set()).update(map(condition_of, event.data["blockers"]))
    found: dict[str, Missed] = {}
    by_zone: dict[str, list[ZoneDay]] = {}
    for zone_day in days:
        if zone_day.refusal:
            by_zone.setdefault(zone_day.zone_id, []).append(zone_day)
    for zone_id, refused in by_zone.items():
        for episode in _episodes(refused):
            _charge(found, zone_id, episode, objections)
    return sorted(found.values(), key=lambda missed: (-missed.strained_days, -missed.zone_days, missed.condition))


def _episodes(days: Sequence[ZoneDay]) -> list[list[ZoneDay]]:
    """Days that follow one another belong together: what waits on the second waited on the first."""
    episodes: list[list[ZoneDay]] = []
    for day in days:
        follows = episodes and date.fromisoformat(day.date) - date.fromisoformat(episodes[-1][-1].date)
        if follows and follows <= timedelta(days=1):
            episodes[-1].append(day)
        else:
            episodes.append([day])
    return episodes


def _charge(
    found: dict[str, Missed], zone_id: str, episode: list[ZoneDay], objections: Mapping[tuple[str, str], set[str]]
) -> None:
    waiting_l: dict[str, float] = {}
    for day in episode:
        for condition in objections.get((zone_id, day.date), set()):
            missed = found.setdefault(condition, Missed(condition))
            missed.zone_days += 1
            missed.strained_days += day.strained
            missed.zones.add(zone_id)
            waiting_l[condition] = max(waiting_l.get(condition, 0.0), day.waiting_l)
    for condition, most_l in waiting_l.items():
        found[condition].waiting_l += most_l
