"""Clocks that go wrong in every way we could think of, and what is promised whatever they show.

`due_problems` asks the due times about every change of a place's clock; `change_problem` lives through one with the
whole garden; `history_problem` lets a machine's clock, which is read as the daemon reads it, jump, stop being trusted
and begin in 1970; `counter_problem` lets the board's counters pass 32 bits. Each returns what was wrong, if anything.
"""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

from controller.contract import Now, Restarted, StepResult
from controller.core import Core
from controller.guard.board_limits import board_limits
from controller.irrigate.due import WindowSpan, starts_between, window_at
from controller.service.clock import Resumed, SystemClock
from controller.site.model import Window
from firmware_host.board.hardware import Hardware
from firmware_host.board.logic import Board
from firmware_host.link import Link
from simulator.board import PlantHardware
from simulator.season import SeasonRun
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS, MINUTE_MS, Garden, at_fixed_times

FIRST_YEAR, LAST_YEAR = 2011, 2041
GRID_MS = 5 * MINUTE_MS
BED = "salad-bed-east"
DOSE_L = 3.0
NEAR_MIN = (-90, -60, -45, -15, 0, 15, 45, 60, 90)
ODD_YEARS, DAILY_MIN = (2028, 2038, 2100), (0, 90, 720, 1439)
WINDOWS = (Window(0, 60), Window(90, 180), Window(300, 420), Window(1380, 1440))


# --- the changes of a place's clock -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """An instant at which a place's clock is put forward or back."""

    zone: str
    at_ms: int
    before_min: int
    after_min: int

    @property
    def wall_min(self) -> int:
        """The minute of the day that the old clock shows then."""
        return (self.at_ms // MINUTE_MS + self.before_min) % 1440

    @property
    def shape(self) -> tuple[int, int]:
        """What makes it differ from others: when in the day, and by how much."""
        return self.wall_min, self.after_min - self.before_min


@cache
def changes_of(zone: str) -> tuple[Change, ...]:
    """All changes of thirty years, found by walking through them."""
    info = ZoneInfo(zone)

    def offset_min(hour: int) -> int:
        offset = datetime.fromtimestamp(hour * 3600, info).utcoffset()
        assert offset is not None
        return round(offset / timedelta(minutes=1))

    first, last = (int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) // 3600 for year in (FIRST_YEAR, LAST_YEAR))
    found = []
    for early, late in pairwise(range(first, last, 6)):
        if offset_min(early) != offset_min(late):
            low_s, high_s = early * 3600, late * 3600
            while high_s - low_s > 1:
                middle_s = (low_s + high_s) // 2
                same = (
                    datetime.fromtimestamp(middle_s, info).utcoffset()
                    == datetime.fromtimestamp(early * 3600, info).utcoffset()
                )
                low_s, high_s = (middle_s, high_s) if same else (low_s, middle_s)
            found.append(Change(zone, high_s * 1000, offset_min(early), offset_min(late)))
    return tuple(found)


def _walls(change: Change) -> Iterator[tuple[int, int, int]]:
    """(instant, local date, minute of day) every five minutes around a change, by the zone database alone."""
    info = ZoneInfo(change.zone)
    begin_ms = (change.at_ms - 2 * DAY_MS) // GRID_MS * GRID_MS
    for instant_ms in range(begin_ms, change.at_ms + 2 * DAY_MS, GRID_MS):
        local = datetime.fromtimestamp(instant_ms // 1000, info)
        yield instant_ms, local.toordinal(), local.hour * 60 + local.minute


def due_problems(zone: str) -> list[str]:
    """What is wrong with fixed times and windows around the changes of one place."""
    return [
        problem
        for change in changes_of(zone)
        for problem in (_starts_problem(change), _spans_problem(change))
        if problem
    ]


def calendar_problems(zone: str) -> list[str]:
    """What is wrong with fixed times in years with a leap day, without one, and at the end of 32-bit seconds."""
    problems = []
    for year in ODD_YEARS:
        first, last = date(year - 1, 12, 30), date(year + 1, 1, 2)
        span_ms = [
            round(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).timestamp() * 1000)
            for day in (first - timedelta(days=1), last + timedelta(days=2))
        ]
        found = Counter((start.local_date, start.slot) for start in starts_between(DAILY_MIN, zone, *span_ms))
        days = range(first.toordinal(), last.toordinal() + 1)
        wrong = [(day, slot) for day in days for slot in range(len(DAILY_MIN)) if found[day, slot] != 1]
        if wrong:
            problems.append(f"{zone} in {year}: {[(date.fromordinal(day), DAILY_MIN[slot]) for day, slot in wrong]}")
    return problems


def _starts_problem(change: Change) -> str:
    """Each time of each date comes once: at its first wall time, or where the gap ends that swallowed it."""
    first: dict[tuple[int, int], int] = {}
    for instant_ms, day, minute in _walls(change):
        first.setdefault((day, minute), instant_ms)
    days = sorted({day for day, _ in first})[1:-1]
    times = sorted({(change.wall_min // 5 * 5 + shift) % 1440 for shift in (*NEAR_MIN, 720)})
    starts = starts_between(times, change.zone, change.at_ms - 3 * DAY_MS, change.at_ms + 3 * DAY_MS)
    found = [(start.local_date, times[start.slot], start.wall_ms) for start in starts if start.local_date in days]
    expected = sorted((day, minute, first.get((day, minute), change.at_ms)) for day in days for minute in times)
    return "" if sorted(found) == expected else f"{change}: starts {sorted(set(found) ^ set(expected))}"


def _spans_problem(change: Change) -> str:
    """Each window of each date opens once, for at least half its length, and never again."""
    spans: list[WindowSpan] = []
    days = set()
    for instant_ms, day, _ in _walls(change):
        days.add(day)
        span = window_at(WINDOWS, change.zone, instant_ms)
        if span is not None and (not spans or span != spans[-1]):
            spans.append(span)
    keys = [(span.local_date, span.index) for span in spans]
    if len(keys) != len(set(keys)):
        return f"{change}: a window opened twice: {keys}"
    # A gap may push a window onto the place of one of equal length: they are one then.
    shared = {(span.local_date + 1, 0) for span in spans if span.start_ms == change.at_ms}
    inner = sorted(days)[1:-1]
    missing = {(day, index) for day in inner for index in range(len(WINDOWS))} - set(keys) - shared
    if missing:
        return f"{change}: windows that never opened: {sorted(missing)}"
    lengths_ms = {key: (WINDOWS[key[1]].end_min - WINDOWS[key[1]].start_min) * MINUTE_MS for key in keys}
    short = [span for span, key in zip(spans, keys, strict=True) if 2 * (span.end_ms - span.start_ms) < lengths_ms[key]]
    return f"{change}: windows cut short: {short}" if short else ""


def shapes(zones: list[str]) -> list[Change]:
    """One change of each kind there is."""
    return list({change.shape: change for zone in zones for change in changes_of(zone)}.values())


def change_problem(change: Change) -> str:
    """A garden with fixed times around a change of the clock, through the days before, of and after it."""
    day = datetime.fromtimestamp(change.at_ms // 1000, ZoneInfo(change.zone)).date() - timedelta(days=1)
    times = sorted({(change.wall_min // 5 * 5 + shift) % 1440 for shift in NEAR_MIN})
    place = replace(EXAMPLE.place, time_zone=change.zone)
    site = replace(at_fixed_times(EXAMPLE, BED, DOSE_L, *times), frost_c=-30.0, place=place)
    garden = Garden(site, day, days=5, tmin_c=14.0, tmax_c=16.0, fill=0.9)
    # From noon to noon, so that nothing left over from before the start counts.
    noons_s = [_noon_s(change.zone, day), _noon_s(change.zone, day + timedelta(days=3))]
    garden.run_hours((noons_s[0] - garden.start_wall_ms / 1000.0) / 3600.0)
    runs_before, before_l = len(garden.of_kind("delivery", BED)), garden.given_l(BED)
    garden.run_hours((noons_s[1] - noons_s[0]) / 3600.0)
    # A place that changes sides of the date line leaves out a date.
    dates = {
        datetime.fromtimestamp(hour_s, ZoneInfo(change.zone)).date() for hour_s in range(noons_s[0], noons_s[1], 3600)
    }
    runs, wanted = len(garden.of_kind("delivery", BED)) - runs_before, (len(dates) - 1) * len(times)
    given_l = garden.given_l(BED) - before_l
    if runs != wanted or abs(given_l / (wanted * DOSE_L) - 1.0) > 0.1:
        return f"{change}: {runs} waterings, {given_l:.1f} L; {wanted} of {DOSE_L:.0f} L were due"
    return ""


def _noon_s(zone: str, day: date) -> int:
    return round(datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo(zone)).timestamp())


# --- a machine whose clock cannot be relied on --------------------------------------------------------------------

START_DATE = date(2026, 7, 1)
UNIX_START_MS = 0
DAILY_L = 12.0
HARD_DAYS = 10
CALM_DAYS = 3
HALF_DAY_MS = 12 * HOUR_MS


class ClockedSeason(SeasonRun):
    """A season whose core is told the time by the daemon's own clock, which reads a machine that may be wrong."""

    def boot_clock(self, wall_error_ms: int = 0, synchronised: bool = True) -> None:
        """The first start of the machine."""
        self.wall_error_ms, self.synchronised = wall_error_ms, synchronised
        self._boot_ms = self.plant.now_ms
        self._mono_lag_ms = 0
        self._last = Now(0, 0, "unknown")
        self._trusted_wall_ms = 0
        self._start_clock(kept=False)

    def _start_clock(self, *, kept: bool) -> None:
        resumed = Resumed(self._last.mono_ms, self._trusted_wall_ms, kept)
        self.clock = SystemClock(
            resumed,
            lambda: self.synchronised,
            lambda: (self.plant.now_ms - self._boot_ms) * 1_000_000,
            lambda: (self._start_wall_ms + self.plant.now_ms + self.wall_error_ms) * 1_000_000,
        )
        self._mono_lag_ms = self.plant.now_ms - self.clock.now().mono_ms

    def now(self) -> Now:
        return self.clock.now()

    def begin_again(self, away_ms: int, reboot: bool) -> None:
        """The controller dies and comes back, with its machine (whose error is then as set before) or alone."""
        memory = json.loads(json.dumps(self.core.dump()))
        self.run_board_until(self.plant.now_ms + away_ms)
        if reboot:
            self._boot_ms = self.plant.now_ms
        self._start_clock(kept=not reboot)
        self.core = Core(self.site, memory)
        self.link = Link(board_limits(self.site), session=self.plant.now_ms)
        self._told = None
        self._inputs, self._entries = [], []
        self._core_due_ms = self.plant.now_ms
        self._add(Restarted(self.clock.away_ms))
        for event in self.link.connected(self.plant.now_ms):
            self._take_change(event)

    def run_board_until(self, back_ms: int) -> None:
        """The board alone."""
        while self._board_due_ms <= back_ms:
            self.plant.advance(self._board_due_ms)
            self._tick_board(self.plant.now_ms)
        self.plant.advance(back_ms)
        self.hardware.host_read()

    def _step_core(self, now_ms: int) -> None:
        now = self._last = self.clock.now()
        if now.trust != "unknown":
            self._trusted_wall_ms = now.wall_ms
        result = self.core.step(now, self._inputs)
        self.steps += 1
        if self.watch is not None:
            self.watch(now, result)
        self._inputs, self._entries = [], []
        self.link.want(result.outputs, result.report_every_ms, now_ms)
        for fault_id in result.clear_board:
            self.link.clear_fault(fault_id)
        self._core_due_ms = max(result.wake_mono_ms + self._mono_lag_ms, now_ms + 1000)


class ClockHistory:
    """One seed: ten days of a clock gone wild, then three with the right time."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(f"clock history {seed}")
        self.told: list[str] = []
        self.lies: list[int] = []
        """Starts that could not tell, or claimed far too much, how much time had gone by."""
        self._given: deque[tuple[int, float]] = deque()
        self._most = ""
        # More is due than the day's cap lets through, so that a new day would be used at once.
        site = at_fixed_times(EXAMPLE, BED, 5.0, *range(self.rng.randrange(120), 1440, 120))
        zone = site.zones[0]
        site = replace(
            site, zones=(replace(zone, schedule=replace(zone.schedule, daily_cap_l=DAILY_L)),), frost_c=-30.0
        )
        garden = Garden(site, START_DATE, HARD_DAYS + CALM_DAYS + 3, tmin_c=14.0, tmax_c=20.0, fill=0.95, seed=seed)
        self.season = ClockedSeason(
            site, garden.season.plant.weather, seed, garden.start_wall_ms, fill=0.95, make_board=Board
        )
        self.season.watch = self._take
        begins_wrong = self.rng.random() < 0.5
        self.season.boot_clock(UNIX_START_MS - garden.start_wall_ms if begins_wrong else 0, not begins_wrong)

    def given_l(self) -> float:
        return self.season.plant.truth.zone(BED).applied_l

    def strike(self) -> None:
        """Something happens to the clock."""
        season, rng = self.season, self.rng
        match rng.randrange(7):
            case 0 | 1:
                far_ms = round(10 ** rng.uniform(3.0, 11.8))
                season.wall_error_ms += rng.choice((-1, 1)) * far_ms
                self._tell(f"the clock jumps, it is {season.wall_error_ms / HOUR_MS:+.2f} h off now")
            case 2:
                season.synchronised = False
                self._tell("the time source is lost")
            case 3:
                season.synchronised, season.wall_error_ms = True, 0
                self._tell("the right time arrives")
            case 4:
                away_ms = round(10 ** rng.uniform(2.0, 7.0))
                self._begin_again(away_ms, reboot=False)
                self._tell(f"the controller was away for {away_ms / 1000:.0f} s")
            case 5:
                away_ms = round(10 ** rng.uniform(4.0, 7.6))
                season.synchronised = False
                # What a machine without a clock chip shows: 1970, or what it last wrote down.
                true_ms = season._start_wall_ms + season.plant.now_ms + away_ms
                season.wall_error_ms = rng.choice((-true_ms, -away_ms - rng.randrange(HOUR_MS)))
                self._begin_again(away_ms, reboot=True)
                self._tell(f"the machine was without power for {away_ms / 1000:.0f} s")
            case _:
                season.synchronised = True
                self._tell("a time source, right or wrong, is trusted")

    def _begin_again(self, away_ms: int, *, reboot: bool) -> None:
        self.season.begin_again(away_ms, reboot)
        told_ms = self.season.clock.away_ms
        if told_ms == 0 or told_ms > away_ms + HOUR_MS:
            self.lies.append(self.season.plant.now_ms)

    def _tell(self, what: str) -> None:
        self.told.append(f"{self.season.plant.now_ms / HOUR_MS:8.2f} h {what}")

    def run(self) -> str:
        """What was wrong; empty when nothing was."""
        season, hard_ms = self.season, HARD_DAYS * DAY_MS
        while season.plant.now_ms < hard_ms:
            season.run_until(min(hard_ms, season.plant.now_ms + round(10 ** self.rng.uniform(4.0, 7.8))))
            if not season.plant.now_ms >= hard_ms:
                self.strike()
        problem = self._most
        season.synchronised, season.wall_error_ms = True, 0
        season.run_until(hard_ms + DAY_MS)
        before_l = self.given_l()
        season.run_until(hard_ms + CALM_DAYS * DAY_MS)
        last_days_l = self.given_l() - before_l
        wanted_l = (CALM_DAYS - 1) * DAILY_L
        if not problem and not 0.93 * wanted_l <= last_days_l <= 1.05 * wanted_l:
            problem = (
                f"with the right time again {last_days_l:.1f} L in {CALM_DAYS - 1} days, {wanted_l:.0f} L were due"
            )
        return problem and problem + "; before that:\n" + "\n".join(self.told)

    def _take(self, _now: Now, result: StepResult) -> None:
        """Half a day never has more than two days' water; but a start that was lied to may believe the date."""
        json.dumps([record.data for record in result.records], allow_nan=False)
        now_ms, given_l = self.season.plant.now_ms, self.given_l()
        if self._given and given_l == self._given[-1][1]:
            return
        self._given.append((now_ms, given_l))
        while self._given[0][0] < now_ms - HALF_DAY_MS:
            self._given.popleft()
        days = 2 + sum(lie_ms >= now_ms - HALF_DAY_MS for lie_ms in self.lies)
        within_l = given_l - self._given[0][1]
        if within_l > days * DAILY_L * 1.05 and not self._most:
            self._most = (
                f"{within_l:.1f} L within half a day, up to {now_ms / HOUR_MS:.2f} h, with a cap of {DAILY_L:g} L"
            )


def history_problem(seed: int) -> str:
    """A machine's clock gone wild, by a seed."""
    try:
        problem = ClockHistory(seed).run()
    except Exception as error:
        problem = repr(error)
    return f"seed {seed}: {problem}" if problem else ""


# --- counters of the board that grow out of 32 bits -----------------------------------------------------------------


class OldBoard(Board):
    """A board that has been up for nearly 50 days and has counted nearly 2^32 pulses and tips."""

    uptime_passes_at_ms = pulses_early = 0
    """When its uptime reaches 2^32 ms, and how many pulses are left before their count does."""

    def __init__(self, hardware: Hardware, settings: dict[str, int | list[int]]) -> None:
        assert isinstance(hardware, PlantHardware)
        hardware.boot_plant_ms -= (1 << 32) - self.uptime_passes_at_ms
        pulses, tips, early = hardware.flow_pulses, hardware.rain_tips, self.pulses_early
        hardware.flow_pulses = lambda channel: pulses(channel) + (1 << 32) - early  # type: ignore[method-assign]
        hardware.rain_tips = lambda: tips() + (1 << 32) - 2  # type: ignore[method-assign]
        super().__init__(hardware, settings)


def counter_problem(seed: int) -> str:
    """Two days, of which some are the last before the year 2038's end of 32-bit seconds."""
    rng, dose_l = Random(f"counters {seed}"), 40.0

    class SomeOldBoard(OldBoard):
        uptime_passes_at_ms, pulses_early = 6 * HOUR_MS + rng.randrange(20 * MINUTE_MS), rng.randrange(1, 4000)

    site = replace(at_fixed_times(EXAMPLE, BED, dose_l, 6 * 60), frost_c=-30.0)
    start = date(2038, 1, 18) if seed % 2 else START_DATE
    garden = Garden(site, start, days=4, fill=0.9, tmin_c=14.0, tmax_c=16.0, make_board=SomeOldBoard)
    garden.run_hours(48)
    runs, given_l = garden.of_kind("delivery", BED), garden.given_l(BED)
    booked_l = sum(float(run.data["volume_l"]) for run in runs)
    if len(runs) != 2 or abs(given_l / dose_l / 2 - 1) > 0.05 or abs(booked_l / given_l - 1) > 0.05:
        return f"counters {seed}: {len(runs)} waterings, {given_l:.1f} L, {booked_l:.1f} L booked"
    return ""
