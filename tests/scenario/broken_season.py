"""A season that can be broken: a bad cable, a board that resets or hangs, and a second core beside the first."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any, Literal

from controller.contract import Input, Now, Snapshot, StepResult
from controller.core import Core
from controller.core.sensing import Sensing
from controller.core.state import State
from controller.site.model import Site
from firmware_host.board.logic import Board
from simulator.board import WATCHDOG_MS, board_settings
from simulator.plant.plant import Plant
from simulator.plant.weather import Weather
from simulator.season import SeasonRun

MINUTE_MS = 60_000
TWIN_MS = 30 * MINUTE_MS
TWIN_CHANCE = 0.001
"""How likely a second core begins at a step."""


# --- the cable ------------------------------------------------------------------------------------------------


Way = Literal["to_board", "to_host"]


@dataclass
class LineTrouble:
    """How bad the cable is now: chances for each line, and how late it comes at most."""

    damage: float = 0.0
    drop: float = 0.0
    repeat: float = 0.0
    late_ms: int = 0
    only: Way | None = None
    """The one direction that is troubled; None: both."""

    @property
    def is_none(self) -> bool:
        """Whether every line arrives as it was sent."""
        return not (self.damage or self.drop or self.repeat or self.late_ms)


class Cable:
    """Both directions between host and board; lines may be damaged, lost, said twice or come late."""

    def __init__(self, season: SeasonRun, rng: Random) -> None:
        self.weather = LineTrouble()
        self.tamper: dict[Way, Callable[[bytes], bytes]] = {}
        """What else becomes of whole lines on their way, by direction."""
        self._held: dict[Way, list[bytes]] = {}
        self._season, self._rng = season, rng
        self._read, self._write = season.hardware.host_read, season.hardware.host_write
        self._to_board: list[tuple[int, bytes]] = []
        self._to_host: list[tuple[int, bytes]] = []
        season.hardware.host_write = self._host_writes  # type: ignore[method-assign]
        season.hardware.host_read = self._host_reads  # type: ignore[method-assign]

    def _host_writes(self, data: bytes) -> None:
        self._send("to_board", self._to_board, data)
        self._arrive_at_board()

    def _host_reads(self) -> bytes:
        data = self._read()
        if data:
            self._send("to_host", self._to_host, data)
        return self._take(self._to_host)

    def carry(self) -> None:
        """Let late lines arrive that are due by now."""
        if self._to_board:
            self._arrive_at_board()
        if self._to_host and min(due for due, _ in self._to_host) <= self._season.plant.now_ms:
            wake(self._season)

    def _arrive_at_board(self) -> None:
        data = self._take(self._to_board)
        if data:
            self._write(data)
            wake(self._season)

    def _take(self, queue: list[tuple[int, bytes]]) -> bytes:
        now_ms = self._season.plant.now_ms
        due = [data for due_ms, data in queue if due_ms <= now_ms]
        queue[:] = [entry for entry in queue if entry[0] > now_ms]
        return b"".join(due)

    def hold_up(self, way: Way) -> None:
        """Lines stay somewhere on their way until they are let go."""
        self._held[way] = []

    def let_go(self, way: Way) -> None:
        """All that was held up arrives now, in its order."""
        self.noise(way, b"".join(self._held.pop(way)))

    def noise(self, way: Way, data: bytes) -> None:
        """Bytes arrive that were not sent now."""
        queue = self._to_board if way == "to_board" else self._to_host
        queue.append((self._season.plant.now_ms, data))
        self.carry()

    def _send(self, way: Way, queue: list[tuple[int, bytes]], data: bytes) -> None:
        now_ms, rng, bad = self._season.plant.now_ms, self._rng, self.weather
        if way in self._held:
            self._held[way].append(data)
            return
        if way in self.tamper:
            data = b"".join(self.tamper[way](line) for line in data.splitlines(keepends=True))
        if bad.is_none or bad.only not in (None, way):
            queue.append((now_ms, data))
            return
        for line in data.splitlines(keepends=True):
            if rng.random() < bad.drop:
                continue
            for _ in range(2 if rng.random() < bad.repeat else 1):
                due_ms = now_ms + (rng.randrange(bad.late_ms) if bad.late_ms else 0)
                queue.append((due_ms, _damaged(line, rng) if rng.random() < bad.damage else line))


def _damaged(line: bytes, rng: Random) -> bytes:
    """A line with a byte changed, cut out or put in, or with its tail torn off."""
    at = rng.randrange(len(line))
    kind = rng.randrange(4)
    if kind == 0:
        return line[:at] + bytes((line[at] ^ 1 << rng.randrange(8),)) + line[at + 1 :]
    if kind == 1:
        return line[:at] + line[at + 1 :]
    if kind == 2:
        return line[:at] + bytes((rng.randrange(256),)) + line[at:]
    return line[:at]


# --- the board ------------------------------------------------------------------------------------------------


class HungBoard:
    """A board whose program has stopped: nothing happens until its watchdog bites."""

    def __init__(self, reset: Callable[[], None], hardware_uptime_ms: Callable[[], int]) -> None:
        self._reset = reset
        self._uptime_ms = hardware_uptime_ms
        self._until_ms = hardware_uptime_ms() + WATCHDOG_MS

    def tick(self) -> int:
        if self._uptime_ms() >= self._until_ms:
            self._reset()
            return self._uptime_ms()
        return self._until_ms


# --- the core and its twin ------------------------------------------------------------------------------------


class TwinCore(Core):
    """A core that goes on where another one is, and at times has a second one beside it that is made from its dump:
    both must say the same, step for step."""

    def __init__(
        self, site: Site, core: Core, rng: Random, forked: Callable[[], None], chance: float = TWIN_CHANCE
    ) -> None:
        super().__init__(site)
        self._ctx = core._ctx
        self._site, self._rng, self._forked, self._chance = site, rng, forked, chance
        self._twin: Core | None = None
        self._until_ms = 0

    def step(self, now: Now, inputs: Sequence[Input]) -> StepResult:
        twin = self._twin
        if twin is None and self._rng.random() < self._chance:
            text = json.dumps(self.dump(), allow_nan=False)
            twin = self._twin = Core(self._site, json.loads(text))
            self._until_ms = now.mono_ms + TWIN_MS
            self._forked()
        result = super().step(now, inputs)
        if twin is not None:
            again = twin.step(now, inputs)
            assert again == result, "Q4: a core made from the dump decided differently"
            if now.mono_ms >= self._until_ms:
                assert _text(twin.dump()) == _text(self.dump()), "Q4: a core made from the dump remembers otherwise"
                self._twin = None
        return result

    @property
    def state(self) -> State:
        """The memory itself, for the judge to read."""
        return self._ctx.state

    @property
    def sensing(self) -> Sensing:
        """What is measured, for the judge to read."""
        return self._ctx.sensing

    def snapshot(self, now: Now) -> Snapshot:
        before = _text(self.dump())
        picture = super().snapshot(now)
        assert _text(self.dump()) == before, "Q4: asking for a picture changed the core"
        return picture


def _text(data: dict[str, Any]) -> str:
    return json.dumps(data, sort_keys=True, allow_nan=False)


class WatchedPlant(Plant):
    """A plant whose time somebody lets pass in steps of his own, to look at it in between."""

    watcher: Callable[[int], None] | None = None
    """Called with the time up to which to go, in place of going; it calls `go_on`."""

    def advance(self, to_ms: int) -> None:
        if self.watcher is None:
            self.go_on(to_ms)
        else:
            self.watcher(to_ms)

    def go_on(self, to_ms: int) -> None:
        super().advance(to_ms)


def wake(season: SeasonRun) -> None:
    """Board and core look at once, as they do when bytes arrive."""
    season._board_due_ms = season._core_due_ms = season.plant.now_ms


class HardSeason(SeasonRun):
    """A season whose board can be reset, can hang, and can have wrong settings or a clock that is off."""

    pace = 0.0
    """By how much the board's clock is fast, as a part; see `drift`."""
    wrong_settings: dict[str, int | list[int]] | None = None
    """What stands in the board's settings file in place of what the site needs."""

    def _make_plant(self, weather: Weather, seed: int, start_wall_ms: int, fill: float) -> WatchedPlant:
        return WatchedPlant(self.site, weather, seed, start_wall_ms, fill)

    @property
    def watched_plant(self) -> WatchedPlant:
        assert isinstance(self.plant, WatchedPlant)
        return self.plant

    @property
    def is_dewy(self) -> bool:
        """Who cannot see the water does not pump it, faults or none."""
        return any(ranger.has_dew for ranger in self.hardware.sensors.rangers.values())

    def reset_board(self, cause: str) -> None:
        self.hardware.reboot(cause)
        self.board = Board(self.hardware, self.wrong_settings or board_settings(self.site))
        self._board_due_ms = self.plant.now_ms

    def hang_board(self) -> None:
        reset = lambda: self.reset_board("watchdog")  # noqa: E731
        self.board = HungBoard(reset, self.hardware.uptime_ms)
        self._board_due_ms = self.plant.now_ms

    def drift(self, elapsed_ms: int) -> None:
        """Time has passed: a board whose clock is fast believes that it booted a little earlier."""
        if self.pace:
            self.hardware.boot_plant_ms -= round(self.pace * elapsed_ms)
            wake(self)
