"""The real core over the real link, the real board logic and the plant, in virtual time.

Time jumps from one thing that is due to the next: a board report, the core's wake-up, a lease to renew. Nothing here
decides anything; it only carries bytes and time.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Protocol

from controller.contract import (
    ClockTrust,
    Input,
    LinesDamaged,
    LinkChanged,
    Now,
    Order,
    Restarted,
    ShellInput,
    StepResult,
)
from controller.core import Core
from controller.guard.board_limits import board_limits
from controller.site.model import Site
from firmware_host.board.logic import Board
from firmware_host.link import Damaged, Event, Link, LinkDown, LinkUp, Received
from firmware_host.messages import SHUT
from simulator.board import MakeBoard, PlantHardware, TickedBoard, board_settings
from simulator.plant.plant import Plant
from simulator.plant.weather import Weather

Entry = tuple[str, str]
_new_now = tuple.__new__


class StepLog(Protocol):
    """Where each step of the core is written, see `controller.service.journal.Journal`."""

    def add_step(self, now: Now, entries: list[Entry], result: StepResult) -> None: ...


class SeasonRun:
    """One site in virtual time; `run_until` carries it on.

    `log` gets every step with its inputs as text, as the daemon's journal does. `watch` is called with each step's time
    and result (the plant can be read then).
    """

    def __init__(
        self,
        site: Site,
        weather: Weather,
        seed: int,
        start_wall_ms: int,
        *,
        log: StepLog | None = None,
        encode: Callable[[ShellInput], Entry] | None = None,
        fill: float = 0.6,
        make_board: MakeBoard = Board,
    ) -> None:
        self.site = site
        self.plant = self._make_plant(weather, seed, start_wall_ms, fill)
        self.hardware = PlantHardware(self.plant, seed)
        self.board: TickedBoard = make_board(self.hardware, board_settings(site))
        self.link = Link(board_limits(site))
        self.core = Core(site)
        self.steps = 0
        self.trust: ClockTrust = "synchronised"
        self.clock_step_ms = 0
        """How far the controller's wall clock is off; monotonic time is always right."""
        self.watch: Callable[[Now, StepResult], None] | None = None
        self._log = log
        self._encode = encode
        self._start_wall_ms = start_wall_ms
        self._board_due_ms = 0
        self._core_due_ms = 0
        self._inputs: list[Input] = []
        self._entries: list[Entry] = []
        self._told: StepResult | None = None
        """The result that the link was told last, while it only says to rest: there is no lease to renew."""
        for event in self.link.connected(0):
            self._take_change(event)

    def _make_plant(self, weather: Weather, seed: int, start_wall_ms: int, fill: float) -> Plant:
        """For a season whose plant is of another kind."""
        return Plant(self.site, weather, seed, start_wall_ms, fill)

    def order(self, order: Order) -> None:
        """Hand an order to the core at its next step, which comes at once."""
        self._add(order)
        self._core_due_ms = self.plant.now_ms

    def now(self) -> Now:
        """The two clocks as the controller reads them."""
        now_ms = self.plant.now_ms
        return Now(now_ms, self._start_wall_ms + now_ms + self.clock_step_ms, self.trust)

    def restart(self, away_ms: int) -> None:
        """The controller dies, is away, and comes back with what its journal holds; the board is alone meanwhile."""
        memory = json.loads(json.dumps(self.core.dump()))
        back_ms = self.plant.now_ms + away_ms
        while self._board_due_ms <= back_ms:
            self.plant.advance(self._board_due_ms)
            self._tick_board(self.plant.now_ms)
        self.plant.advance(back_ms)
        self.hardware.host_read()
        self.core = Core(self.site, memory)
        self.link = Link(board_limits(self.site), session=self.plant.now_ms)
        self._told = None
        self._inputs, self._entries = [], []
        self._core_due_ms = back_ms
        self._add(Restarted(away_ms))
        for event in self.link.connected(back_ms):
            self._take_change(event)

    def run_until(self, end_ms: int) -> None:
        """Carry everything on until plant time `end_ms`."""
        plant, hardware, link, tick_board = self.plant, self.hardware, self.link, self.board.tick
        keep_text = self._log is not None
        link_due_ms = link.due_ms()
        while True:
            now_ms = self._board_due_ms
            if self._core_due_ms < now_ms:
                now_ms = self._core_due_ms
            if link_due_ms < now_ms:
                now_ms = link_due_ms
            if now_ms > end_ms:
                plant.advance(end_ms)
                return
            if now_ms <= plant.now_ms:
                now_ms = plant.now_ms
            elif now_ms < plant.next_event_ms:
                # Mostly nothing happens on the way: then to advance is no more than this.
                plant.now_ms = now_ms
            else:
                plant.advance(now_ms)
            if now_ms >= self._board_due_ms:
                due_ms = tick_board() + hardware.boot_plant_ms
                self._board_due_ms = due_ms if due_ms > now_ms else now_ms + 1
                if hardware.inbox:
                    self._tick_board(now_ms)
            data = hardware.host_read()
            if data or now_ms >= link_due_ms:
                for event in link.receive(data, now_ms):
                    if isinstance(event, Received):
                        # Nearly all that happens is a report; taken here without a call.
                        message, text = event
                        self._inputs.append(message)
                        if keep_text:
                            self._entries.append(("line", text))
                    else:
                        self._take_change(event)
            if self._inputs or now_ms >= self._core_due_ms:
                self._step_core(now_ms)
            link_due_ms = link.due_ms()
            if now_ms >= link_due_ms:
                out = link.tick(now_ms)
                if out:
                    hardware.host_write(out)
                    self._board_due_ms = now_ms
                link_due_ms = link.due_ms()

    def _tick_board(self, now_ms: int) -> None:
        hardware = self.hardware
        due_ms = self.board.tick() + hardware.boot_plant_ms
        left = len(hardware.inbox)
        while left:
            due_ms = self.board.tick() + hardware.boot_plant_ms
            # A board whose program hangs reads nothing: its watchdog comes first.
            if len(hardware.inbox) >= left:
                break
            left = len(hardware.inbox)
        self._board_due_ms = due_ms if due_ms > now_ms else now_ms + 1

    def _step_core(self, now_ms: int) -> None:
        # A named tuple's own constructor is one more call.
        now = _new_now(Now, (now_ms, self._start_wall_ms + now_ms + self.clock_step_ms, self.trust))
        result = self.core.step(now, self._inputs)
        self.steps += 1
        if self._log is not None:
            self._log.add_step(now, self._entries, result)
        if self.watch is not None:
            self.watch(now, result)
        self._inputs, self._entries = [], []
        if result is self._told and now_ms < self._core_due_ms:
            # At rest the core gives one and the same result for as long as nothing happens: all this was done then.
            return
        outputs, report_every_ms, wake_mono_ms, _, _, clear_board = result
        self._told = result if outputs is SHUT and not clear_board else None
        self.link.want(outputs, report_every_ms, now_ms)
        if clear_board:
            for fault_id in clear_board:
                self.link.clear_fault(fault_id)
        self._core_due_ms = wake_mono_ms if wake_mono_ms > now_ms else now_ms + 1000

    def _take_change(self, event: Event) -> None:
        if isinstance(event, LinkUp):
            self._add(LinkChanged(True, f"board {event.board_id}"))
        elif isinstance(event, LinkDown):
            self._add(LinkChanged(False, event.reason))
        elif isinstance(event, Damaged):
            self._add(LinesDamaged(event.lines))

    def _add(self, item: ShellInput) -> None:
        self._inputs.append(item)
        if self._encode is not None:
            self._entries.append(self._encode(item))
