"""A pump house on the simulated chip: the flashed firmware, and valves, pump and water that follow its pins alone.

What is true here is read from the levels of the pins and from pulses that really ended, never from what the board
believes: a latching valve stays where its last good pulse put it, through every reset.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

import pytest

from controller.service.firmware_files import firmware_files
from firmware_host.board import clock, main, pins, rp2_hardware
from firmware_host.program_list import LIST_PATH, program_list
from tests.fake_machine.chip import Chip
from tests.fake_machine.flashed import FLOAT, FLOW, PUMP, SECOND, Flashed

Kind = Literal["held", "latching"]
Move = tuple[int, str, int, bool]

VALVES = 3
PULSE_MS, SPACING_MS = 60, 250
TURN_MS = 10
"""Pause between two turns of the loop; the firmware's own is half as long."""

PULSE_MOVES_MS = 50
"""A shorter pulse leaves the valve where it stands (own choice)."""

DECLARED: dict[Kind, dict[str, Any]] = {
    "held": {"valve": tuple({"kind": "held", "pin": 6 + n, "active": 1} for n in range(VALVES))},
    "latching": {
        "valve": tuple({"kind": "latching", "open": 6 + 2 * n, "close": 7 + 2 * n, "active": 1} for n in range(VALVES)),
        "latch": {"pulse_ms": PULSE_MS, "spacing_ms": SPACING_MS},
    },
}
BUILT_IN_ONLY: dict[str, int | list[int]] = {}
"""Settings that tighten nothing: every limit is the laxest the board knows."""


class HeldCoil:
    """Open for as long as its pin is high."""

    def __init__(self, gpio: int) -> None:
        self.gpios = (gpio,)
        self.open = False

    def follow(self, chip: Chip, now_ms: int) -> None:  # noqa: ARG002
        self.open = carries(chip, self.gpios[0])


class LatchingCoils:
    """Stays where the last pulse of PULSE_MOVES_MS or more put it. pulses: begin, end and whether it was to open."""

    def __init__(self, opener: int, closer: int) -> None:
        self.gpios = (opener, closer)
        self.open = False
        self.pulses: list[tuple[int, int, bool]] = []
        self._since: dict[int, int] = {}

    def follow(self, chip: Chip, now_ms: int) -> None:
        for gpio, opens in zip(self.gpios, (True, False), strict=True):
            if carries(chip, gpio):
                self._since.setdefault(gpio, now_ms)
            elif gpio in self._since:
                began_ms = self._since.pop(gpio)
                self.pulses.append((began_ms, now_ms, opens))
                if now_ms - began_ms >= PULSE_MOVES_MS:
                    self.open = opens


def carries(chip: Chip, gpio: int) -> bool:
    """Whether there is current behind a pin: what it drives or, when it is shorted, what it cannot leave."""
    pin = chip.pins[gpio]
    return (pin.shorted if pin.shorted is not None else pin.driven) == 1


@dataclass(frozen=True, slots=True)
class Shut:
    """Milliseconds from the cause until the pump, and until the last valve, was off for good."""

    pump_ms: int
    valves_ms: int


class PumpHouse(Flashed):
    """`now_ms` runs on through resets. `moves`: when pump and valves truly changed.

    flowing: water passes the meter while the pump runs into an open valve. leaking: it passes although all is shut by
    the board's lights, through a held valve whose seat leaks or a latching valve that truly stands open.

    ticks_offset_ms, first_seq: where the board's ticks and the host's line numbers begin.
    boots_before: short boots before the one that matters.
    """

    def __init__(
        self,
        folder: Path,
        patch: pytest.MonkeyPatch,
        kind: Kind,
        settings: dict[str, int | list[int]] | None = None,
        **declared: Any,
    ) -> None:
        # No limit asks the ranger, and simulating its echoes would take most of the time.
        super().__init__(folder, patch, {"echo": (), **DECLARED[kind], **declared})
        # What tidies a heap of 200 KB on the chip would here go through everything the tests have loaded.
        patch.setattr(rp2_hardware, "gc", SimpleNamespace(collect=lambda: None))
        patch.setattr(pins, "SETTINGS", BUILT_IN_ONLY if settings is None else settings)
        self.kind = kind
        self.valves: list[HeldCoil | LatchingCoils] = [
            HeldCoil(6 + n) if kind == "held" else LatchingCoils(6 + 2 * n, 7 + 2 * n) for n in range(VALVES)
        ]
        self.leaking = False
        self.moves: list[Move] = []
        self.pump_runs = False
        self.last_pulse_ms = 0
        self.wanted = (0, 0)
        self.ticks_offset_ms = 0
        self.first_seq = 0
        self.boots_before = 0
        self.pulse_every_us = 13_333
        self.asked_ms = 0
        self._before_ms = 0

    # --- what is true -------------------------------------------------------------------------------------------------

    @property
    def now_ms(self) -> int:
        assert self.chip is not None
        return self._before_ms + self.chip.now_us // 1000

    @property
    def open_valves(self) -> set[int]:
        return {n for n, valve in enumerate(self.valves) if valve.open}

    @property
    def safe(self) -> bool:
        return not self.pump_runs and not self.open_valves

    def look(self) -> None:
        """Let pump and valves follow the pins as they are now."""
        chip = self.chip
        assert chip is not None
        runs = carries(chip, PUMP) and carries(chip, SECOND)
        if runs != self.pump_runs:
            self.pump_runs = runs
            self.moves.append((self.now_ms, "pump", 0, runs))
        for output, valve in enumerate(self.valves):
            was_open = valve.open
            valve.follow(chip, self.now_ms)
            if valve.open != was_open:
                self.moves.append((self.now_ms, "valve", output, valve.open))

    def short(self, gpio: int, level: int) -> None:
        """From now on a pin cannot leave this level."""
        assert self.chip is not None
        self.chip.pins[gpio].shorted = level
        self.look()

    def force_open(self, output: int) -> None:
        """Somebody opens a latching valve by hand, or its last pulse did not move it."""
        self.valves[output].open = True
        self.moves.append((self.now_ms, "valve", output, True))

    def flash_program(self) -> list[Path]:
        """The real program instead of a stand-in's few bytes; its files, in the order in which the board reads them."""
        found = {f"/{file.path}": file.content.encode() for file in firmware_files()}
        paths = [self.folder / path[1:] for path in found]
        for path, content in zip(paths, found.values(), strict=True):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        (self.folder / LIST_PATH[1:]).write_bytes(program_list(found))
        return paths

    def leave_out_self_check(self) -> None:
        """From now on a turn of the loop does nothing but the logic."""
        self._patch.setattr(self.hardware, "step", lambda: None)

    def dry_up(self) -> None:
        assert self.chip is not None
        self.chip.put(FLOAT, None)

    def power(self, ticks_offset_ms: int = 0, reset: bool = False) -> Chip:
        if self.chip is not None:
            self._before_ms = self.now_ms
        chip = super().power(ticks_offset_ms, reset)
        for gpio in (PUMP, SECOND, *(gpio for valve in self.valves for gpio in valve.gpios)):
            chip.pins[gpio].watchers.append(lambda _level: self.look())
        self.look()
        return chip

    def _turn_meter(self, board: Chip) -> None:
        """A pulse each `pulse_every_us` while water flows."""
        leaks = self.leaking and (self.kind == "held" or self.open_valves)
        if leaks or (self.flowing and self.pump_runs and self.open_valves):
            board.pulse(FLOW, 3000)
            self.last_pulse_ms = self._before_ms + board.now_us // 1000
        board.after(self.pulse_every_us, lambda: self._turn_meter(board))

    def hang(self) -> int:
        waited_ms = super().hang()
        self.look()
        return waited_ms

    # --- what happens -------------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Power comes on, after so many short boots as are said to go before, and every valve is driven shut."""
        for _ in range(self.boots_before):
            self.boot(reset=self.chip is not None)
            self.go_on(1500, renewing=False)
        self.boot(self.ticks_offset_ms, reset=self.chip is not None)
        self.seq = self.first_seq
        self.go_on(1500, renewing=False)

    def want(self, pumps: int, valves: int, **limits: int) -> None:
        """The host asks now, and again each second for as long as `go_on` is told that it renews."""
        self.wanted = (pumps, valves)
        self._ask(**limits)

    def _ask(self, **limits: int) -> None:
        self.asked_ms = self.now_ms
        self.say("set", pumps=self.wanted[0], valves=self.wanted[1], lease=5000, report=1000, **limits)

    def go_on(self, duration_ms: int, *, renewing: bool = True, turn_ms: int = TURN_MS) -> None:
        """Time passes, turn by turn."""
        end_ms = self.now_ms + duration_ms
        while self.now_ms < end_ms:
            self.turn(renewing, turn_ms)
        self.lines += self._decoder.feed(self.usb.take())

    def turn(self, renewing: bool, turn_ms: int = TURN_MS) -> None:
        if renewing and self.now_ms - self.asked_ms >= 1000:
            self._ask()
        main.turn(self.hardware, self.board)
        clock.pause_ms(turn_ms)

    def until_shut(self, within_ms: int, since_ms: int, *, renewing: bool = True, turn_ms: int = TURN_MS) -> Shut:
        """Go on for the whole time, however early all is shut: it must stay so. Raises AssertionError if not."""
        self.go_on(within_ms, renewing=renewing, turn_ms=turn_ms)
        assert self.safe, f"pump runs: {self.pump_runs}, open: {self.open_valves}, {within_ms} ms later"
        pump = [ms for ms, part, _, _ in self.moves if part == "pump" and ms >= since_ms]
        valves = [ms for ms, part, _, _ in self.moves if part == "valve" and ms >= since_ms]
        return Shut(max(pump, default=since_ms) - since_ms, max(valves, default=since_ms) - since_ms)

    # --- what must always hold ----------------------------------------------------------------------------------------

    def order_is_kept(self, since_ms: int) -> None:
        """The pump ran only into an open valve, and no last valve closed within a second of the pump's stop.

        The board's second begins with the turn that stops the pump, a moment before its pin moves.
        """
        pump_runs, opened, stopped_ms = False, set[int](), -1000
        for ms, part, output, on in self.moves:
            if part == "pump":
                pump_runs = on
                stopped_ms = stopped_ms if on else ms
                assert not on or opened, f"pump started at {ms} ms with every valve shut"
            elif on:
                opened.add(output)
            else:
                opened.discard(output)
                if ms >= since_ms and not opened:
                    assert not pump_runs, f"last valve closed at {ms} ms while the pump ran"
                    assert ms - stopped_ms >= 1000 - TURN_MS, (
                        f"last valve closed {ms - stopped_ms} ms after the pump stopped"
                    )

    def pulses_are_spaced(self) -> None:
        """One coil at a time, each for its whole pulse, and the battery rests in between."""
        given = sorted(pulse for v in self.valves if isinstance(v, LatchingCoils) for pulse in v.pulses)
        assert all(end - begin >= PULSE_MS for begin, end, _ in given)
        assert all(later[0] - earlier[1] >= SPACING_MS for earlier, later in pairwise(given))
