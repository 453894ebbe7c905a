"""The whole account of a stretch of days, gathered from the events of the journal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from controller.account.days import DayReadings, fold
from controller.account.drift import (
    CatchDrift,
    FlowDrift,
    MeterDrift,
    catch_drift,
    flow_drifts,
    level_known_part,
    meter_drifts,
    more_than_fell,
)
from controller.account.energy import EnergyAccount, energy_account
from controller.account.events import DAY_MS, Event, Period
from controller.account.faults import FaultAccount, Missed, fault_accounts, missed_waterings
from controller.account.supply import SupplyDay, supply_days
from controller.account.water import Books, Entry, books_of, day_ledgers, months_of, together
from controller.account.zones import Watering, ZoneAccount, ZoneDay, waterings, zone_accounts, zone_days
from controller.core.localclock import LocalClock
from controller.errors import OperatingError
from controller.estimate.ledger import TOP_UP, DayLedger
from controller.guard.interlocks import START_MARGIN
from controller.site.geometry import volume_l
from controller.site.model import Site


@dataclass(frozen=True, slots=True)
class DayWeather:
    """What a closed day of the whole site says."""

    date: str
    rain_mm: float
    et0_mm: float
    et0_source: str


@dataclass(frozen=True, slots=True)
class TankAccount:
    """One tank: the books of the whole stretch and of each month, its days, and how its level was known."""

    tank_id: str
    name: str
    capacity_l: float
    reserve_l: float
    limit_l: float
    """With less no watering begins: the reserve and the margin of the interlock."""
    books: Books
    months: dict[str, Books]
    days: list[DayLedger]
    supply: list[SupplyDay]
    catch: CatchDrift | None
    level_known_part: float | None
    more_than_fell: list[tuple[str, float]]
    """Days on which more was booked as rain than fell on the roof, and by how many litres."""
    spared: Entry
    """Water to zones that no mains had to bring: what they got, less what was topped up."""
    unbooked_ml: dict[str, int]
    """By zone: what its waterings say beyond what the closed days say; empty when both agree to the millilitre."""


@dataclass(frozen=True, slots=True)
class Account:
    """All of it. `period` is what was asked for, cut to what the journal holds."""

    site: Site
    period: Period
    began_wall_ms: int
    ended_wall_ms: int
    weather: list[DayWeather]
    readings: Mapping[date, DayReadings]
    tanks: list[TankAccount]
    zones: list[ZoneAccount]
    zone_days: list[ZoneDay]
    runs: list[Watering]
    faults: list[FaultAccount]
    missed: list[Missed]
    energy: EnergyAccount
    flows: list[FlowDrift]
    meters: list[MeterDrift]

    @property
    def rain_mm(self) -> float:
        return sum(day.rain_mm for day in self.weather)

    @property
    def closed_days(self) -> int:
        """Days whose books were closed."""
        return len({day.date for day in self.weather})


KINDS = ("day", "ledger", "start", "delivery", "refusal", "fault")
"""What an account is made from, beside the readings."""


def account_of(
    site: Site,
    events: Sequence[Event],
    measures: Iterable[Event],
    first: date | None = None,
    last: date | None = None,
    learned_a: Mapping[str, float] | None = None,
) -> Account:
    """The account of the local days from `first` to `last`, both included; None: as far as there are closed days.

    `events` of `KINDS` and `measures` are in the order of the journal and reach back to its beginning; the many
    readings are looked at once, one after the other. `learned_a` are the pumps' currents where a shunt taught them.
    Raises OperatingError when no day was closed in the period.
    """
    clock = LocalClock(site.place.time_zone)
    period = _period(events, first, last)
    readings = fold(measures, period, clock)
    days, runs = zone_days(events, period, readings), waterings(events, period, clock)
    weather = [
        DayWeather(event.data["date"], event.data["rain_mm"], event.data["et0_mm"], event.data["et0_source"])
        for event in events
        if event.kind == "day" and not event.key and period.holds(event.data["date"])
    ]
    began_ms, ended_ms = _instants(period, clock)
    rain_mm = {day.date: day.rain_mm for day in weather}
    tanks = [
        _tank(site, tank_id, ledgers, rain_mm, readings, runs)
        for tank_id, ledgers in day_ledgers(events, period).items()
    ]
    return Account(
        site,
        period,
        began_ms,
        ended_ms,
        weather,
        readings,
        tanks,
        zone_accounts(site, days, runs),
        days,
        runs,
        fault_accounts(events, began_ms, ended_ms),
        missed_waterings(events, days, period, clock),
        energy_account(site, runs, readings, learned_a or {}),
        flow_drifts(site, runs),
        meter_drifts(site, runs),
    )


def _period(events: Sequence[Event], first: date | None, last: date | None) -> Period:
    closed = [date.fromisoformat(event.data["date"]) for event in events if event.kind == "day" and not event.key]
    within = [day for day in closed if (first is None or day >= first) and (last is None or day <= last)]
    if not within:
        wanted = f" from {first or 'its beginning'} to {last or 'its end'}" if first or last else ""
        have = f"; it has {min(closed)} to {max(closed)}" if closed else "; the first is closed at midnight"
        raise OperatingError(f"the journal holds no closed day{wanted}{have}")
    return Period(min(within), max(within))


def _instants(period: Period, clock: LocalClock) -> tuple[int, int]:
    """First and last instant of the period, to the minute."""
    return _midnight_ms(period.first, clock), _midnight_ms(period.last + timedelta(days=1), clock)


def _midnight_ms(day: date, clock: LocalClock) -> int:
    """The instant at which a local date begins: no zone is further than 14 hours from UTC."""
    low_ms = (day - date(1970, 1, 1)).days * DAY_MS - DAY_MS
    high_ms = low_ms + 2 * DAY_MS
    while high_ms - low_ms > 1000:
        middle_ms = (low_ms + high_ms) // 2
        if clock.ordinal(middle_ms) >= day.toordinal():
            high_ms = middle_ms
        else:
            low_ms = middle_ms
    return high_ms - high_ms % 1000


def _tank(
    site: Site,
    tank_id: str,
    ledgers: list[DayLedger],
    rain_mm: Mapping[str, float],
    readings: Mapping[date, DayReadings],
    runs: Sequence[Watering],
) -> TankAccount:
    books = books_of(tank_id, ledgers)
    declared = next((tank for tank in site.tanks if tank.id == tank_id), None)
    topped_up = books.of(TOP_UP)
    fallen_mm = sum(mm for day, mm in rain_mm.items() if books.first_day <= day <= books.last_day)
    capacity_l = 0.0 if declared is None else volume_l(declared.shape, declared.overflow_mm)
    reserve_l = 0.0 if declared is None else declared.reserve_l
    limit_l = reserve_l + START_MARGIN * capacity_l
    return TankAccount(
        tank_id,
        tank_id if declared is None else declared.name,
        capacity_l,
        reserve_l,
        limit_l,
        books,
        months_of(ledgers),
        ledgers,
        supply_days(tank_id, reserve_l, limit_l, ledgers, readings),
        catch_drift(site, books, fallen_mm),
        level_known_part(tank_id, readings),
        more_than_fell(site, tank_id, ledgers, rain_mm),
        together(
            [books.to_zones, Entry(-topped_up.into_tank_ml, topped_up.sd_ml)],
            same_error=False,
        ),
        _unbooked(site, books, runs),
    )


def _unbooked(site: Site, books: Books, runs: Sequence[Watering]) -> dict[str, int]:
    found = {}
    drawing = {zone.id for zone in site.zones if zone.tank_id == books.tank_id} | set(books.zone_ids)
    for zone_id in sorted(drawing):
        delivered_ml = sum(
            round(1000.0 * run.volume_l)
            for run in runs
            if run.zone_id == zone_id and books.first_day <= run.date <= books.last_day
        )
        booked_ml = -books.of(f"zone:{zone_id}").into_tank_ml
        if delivered_ml != booked_ml:
            found[zone_id] = delivered_ml - booked_ml
    return found
