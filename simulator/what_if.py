"""A season that was, lived again in the virtual garden: with the site as it is, and with one thing changed.

The recorded weather is all that is taken from the journal, beside the water the tank opened with and the schedules in
force at the end: each day's rain in the hours in which the gauge counted it, its coldest and warmest reading, and its
reference evapotranspiration. Wind, humidity and the garden's hidden parameters are invented by a seed. The real
controller then waters both gardens over the whole simulated cable, so that a change is judged by what it would have
decided. Faults, holds, orders and top-ups of the real season do not happen again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from controller.account.events import DAY_MS, HOUR_MS, Event
from controller.account.made import KINDS, Account, account_of
from controller.contract import Now, StepResult
from controller.core.localclock import LocalClock
from controller.core.state import schedule_from_json
from controller.errors import ConfigurationError, OperatingError
from controller.site.geometry import height_mm, volume_l
from controller.site.model import Schedule, Site, StrappingTable, Tank
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.weather import Weather
from simulator.season import SeasonRun

TABLE_POINTS = 60
"""How finely a tank of another size is described."""
PADDING_DAYS = 2


@dataclass(frozen=True, slots=True)
class Change:
    """What is to be different; None leaves it. Volumes and areas are by tank id."""

    tank_l: Mapping[str, float]
    roof_m2: Mapping[str, float]
    panel_w: float | None = None
    battery_ah: float | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """A season as the journal has it: its account, and the weather to live it again by."""

    account: Account
    weather: Weather
    filled_days: int
    """Days without readings, which got the temperatures of the day before."""


def hourly_rain_mm(measures: Iterable[Event], clock: LocalClock) -> dict[int, float]:
    """Rain by hours since 1970, UTC, from readings of the rain since local midnight."""
    found: dict[int, float] = {}
    before_day, before_mm = 0, 0.0
    for event in measures:
        rain_mm = event.data.get("rain_today_mm")
        if rain_mm is None:
            continue
        day = clock.ordinal(event.wall_ms)
        fallen_mm = rain_mm - before_mm if day == before_day else rain_mm
        before_day, before_mm = day, rain_mm
        if fallen_mm > 0.0:
            # A reading at the full hour tells of the hour before it.
            hour = (event.wall_ms - 1) // HOUR_MS
            found[hour] = found.get(hour, 0.0) + fallen_mm
    return found


def recorded(account: Account, measures: Iterable[Event], seed: int) -> Recorded:
    """The weather of an account. Raises OperatingError when there was no rain gauge or no thermometer."""
    site = account.site
    if site.rain_gauge is None:
        raise OperatingError("the site has no rain gauge: what fell on the roof is not in the journal")
    rows, filled_days = _rows(account)
    weather = weather_from_daily(rows, site.place, seed)
    clock = LocalClock(site.place.time_zone)
    rain_mm = hourly_rain_mm(measures, clock)
    _make_days_agree(rain_mm, account, clock)
    first_hour = weather.start_wall_ms // HOUR_MS
    for index in range(len(weather)):
        weather.rain_mm[index] = rain_mm.get(first_hour + index, 0.0)
    return Recorded(account, weather, filled_days)


def _rows(account: Account) -> tuple[list[DailyRecord], int]:
    """Each day's record, a day before the first and some after the last being like their neighbours."""
    closed = {day.date: day for day in account.weather}
    rows: list[DailyRecord] = []
    filled_days = 0
    for day in account.period.dates():
        readings, known = account.readings.get(day), closed.get(day.isoformat())
        low_c = None if readings is None else readings.low("temperature_c")
        high_c = None if readings is None else readings.high("temperature_c")
        if low_c is None or high_c is None:
            filled_days += 1
            low_c, high_c = (rows[-1].tmin_c, rows[-1].tmax_c) if rows else (None, None)
        if low_c is None or high_c is None:
            raise OperatingError(f"no temperature was read on {day}; begin later with --from")
        # A day that was not closed has no evapotranspiration of its own: it follows from its temperatures.
        rows.append(DailyRecord(day, low_c, high_c, 0.0, None if known is None else known.et0_mm))
    before = rows[0]._replace(date=rows[0].date - timedelta(days=1))
    after = [rows[-1]._replace(date=rows[-1].date + timedelta(days=n + 1)) for n in range(PADDING_DAYS)]
    return [before, *rows, *after], filled_days


def _make_days_agree(rain_mm: dict[int, float], account: Account, clock: LocalClock) -> None:
    """What the closed days say holds: rain that was voided, or fell after the last reading of a day."""
    closed_mm = {date.fromisoformat(day.date).toordinal(): day.rain_mm for day in account.weather}
    read_mm: dict[int, float] = {}
    for hour, mm in rain_mm.items():
        day = clock.ordinal(hour * HOUR_MS)
        read_mm[day] = read_mm.get(day, 0.0) + mm
    for hour in list(rain_mm):
        day = clock.ordinal(hour * HOUR_MS)
        if day in closed_mm:
            rain_mm[hour] *= closed_mm[day] / read_mm[day]


def in_force(site: Site, events: Iterable[Event], end_wall_ms: int) -> Site:
    """The site with the schedules that were in force at an instant. `events` are `schedule` records."""
    schedules: dict[str, Schedule] = {}
    for event in events:
        if event.kind == "schedule" and event.wall_ms < end_wall_ms:
            schedules[event.key] = schedule_from_json(event.data["schedule"])
    return replace(
        site, zones=tuple(replace(zone, schedule=schedules.get(zone.id, zone.schedule)) for zone in site.zones)
    )


def changed(site: Site, change: Change) -> Site:
    """The site with what is to be different. Raises ConfigurationError for a tank or a roof that is not there."""
    tanks = {tank.id: tank for tank in site.tanks}
    for tank_id, wanted_l in change.tank_l.items():
        tanks[tank_id] = _of_another_size(_known(tanks, tank_id), wanted_l)
    roofs = list(site.roofs)
    for tank_id, wanted_m2 in change.roof_m2.items():
        _known(tanks, tank_id)
        area_m2 = sum(roof.area_m2 for roof in roofs if roof.tank_id == tank_id)
        if area_m2 <= 0.0:
            raise ConfigurationError(f'tank "{tank_id}" has no roof to change; give a site file with --site')
        part = wanted_m2 / area_m2
        roofs = [replace(r, area_m2=r.area_m2 * part) if r.tank_id == tank_id else r for r in roofs]
    panel, battery = site.panel, site.battery
    if change.panel_w is not None:
        if panel is None:
            raise ConfigurationError("the site has no panel to change; give a site file with --site")
        panel = replace(panel, peak_w=change.panel_w)
    if change.battery_ah is not None:
        battery = replace(battery, capacity_ah=change.battery_ah)
    return replace(site, tanks=tuple(tanks.values()), roofs=tuple(roofs), panel=panel, battery=battery)


def _known(tanks: Mapping[str, Tank], tank_id: str) -> Tank:
    if tank_id not in tanks:
        raise ConfigurationError(f'there is no tank "{tank_id}"; tanks: {", ".join(tanks)}')
    return tanks[tank_id]


def _of_another_size(tank: Tank, wanted_l: float) -> Tank:
    """As high as before, wider or narrower: sensor, overflow and suction keep their heights, the reserve its litres."""
    least_l = max(tank.reserve_l, 20.0)
    if wanted_l <= least_l:
        raise ConfigurationError(f'tank "{tank.id}": {wanted_l:g} L is too small; it must hold more than {least_l:g} L')
    part = wanted_l / volume_l(tank.shape, tank.overflow_mm)
    top = height_mm(tank.shape)
    levels = tuple(top * n / TABLE_POINTS for n in range(TABLE_POINTS + 1))
    table = StrappingTable(levels, tuple(part * volume_l(tank.shape, level) for level in levels))
    return replace(tank, shape=table, stated_capacity_l=None)


def lived_again(
    season: Recorded, site: Site, seed: int, told: Callable[[int, int], None] = lambda _done, _of: None
) -> Account:
    """The account of the same days in the virtual garden of `site`; `told` hears of each day that is over."""
    account = season.account
    run = SeasonRun(site, season.weather, seed, account.began_wall_ms)
    for tank in account.tanks:
        if tank.tank_id in run.plant.tanks:
            run.plant.tanks[tank.tank_id].set_volume(tank.books.opening_ml / 1000.0)
    events: list[Event] = []
    measures: list[Event] = []

    def take(now: Now, result: StepResult) -> None:
        for record in result.records:
            if record.kind == "measure":
                measures.append(Event(now.wall_ms, record.kind, "", record.data))
            elif record.kind in KINDS:
                events.append(Event(now.wall_ms, record.kind, record.key, record.data))

    run.watch = take
    days = account.period.days
    for day in range(days):
        run.run_until((day + 1) * DAY_MS)
        told(day + 1, days)
    # The last day is closed at the quarter of an hour after its midnight; on the day clocks change it lasts longer.
    run.run_until(account.ended_wall_ms - account.began_wall_ms + HOUR_MS)
    return account_of(site, events, measures, account.period.first, account.period.last)
