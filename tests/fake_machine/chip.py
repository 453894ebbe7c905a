"""The chip itself: virtual microseconds, pins with the world's levels on them, and what happens in between."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count

TICKS_MASK = (1 << 30) - 1
MACHINE_CYCLES_PER_US = 2
"""Cycles of a state machine at the one clock the firmware uses."""


class WatchdogReset(BaseException):
    """The watchdog was not fed in time. No `except Exception` of the firmware may catch it."""


class Restart(BaseException):
    """The program restarted the chip."""


@dataclass
class PinState:
    """driven: level of an output, None for an input. outside: level the world puts there, None when nothing does.

    shorted: a level the pin cannot leave, whatever drives it.
    """

    driven: int | None = None
    pull: int | None = None
    outside: int | None = None
    shorted: int | None = None
    on_falling: Callable[[object], None] | None = None
    watchers: list[Callable[[int], None]] = field(default_factory=list)

    def level(self) -> int:
        if self.shorted is not None:
            return self.shorted
        if self.driven is not None:
            return self.driven
        if self.outside is not None:
            return self.outside
        return 1 if self.pull == 1 else 0


class StateMachineLike:
    """What the chip needs of a state machine: when its next instruction is due, and to carry some out."""

    due_cycles: int | None = None

    def run(self, until_cycles: int) -> None:
        """Carry out instructions until then, or until one drives a pin: the world may answer."""
        raise NotImplementedError


class Chip:
    """ticks_offset_ms: what the wrapping ticks show at the start."""

    def __init__(self, ticks_offset_ms: int = 0) -> None:
        self.now_us = 0
        self.ticks_offset_ms = ticks_offset_ms
        self.slow_us_per_s = 0
        self.calendar_factor = 1.0
        self.calendar_jump_s = 0
        self.pins = [PinState() for _ in range(30)]
        self.levels: list[tuple[int, int, int]] = []
        self.adc_counts: dict[int, Callable[[], int]] = {4: lambda: mv_counts(706)}
        self.machines: list[StateMachineLike] = []
        self.uarts: dict[int, bytearray] = {}
        self.uart_lost_bytes = 0
        self.i2c: dict[int, I2cDevice] = {}
        self.i2c_stuck = False
        self.one_wire: dict[int, OneWireLine] = {}
        self.registers: dict[int, int] = {}
        self.reset_reason = 1
        self.watchdog_us: int | None = None
        self.watchdog_due_us = 0
        self.feeds_us: list[int] = []
        self.urandom = b"\x5f\x0a\x1c\x2e"
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._order = count()

    # --- time ---------------------------------------------------------------------------------------------------------

    def ticks_ms(self) -> int:
        return (self.ticks_offset_ms + self.now_us // 1000) & TICKS_MASK

    def ticks_us(self) -> int:
        wrong_us = self.now_us * self.slow_us_per_s // 1_000_000
        return (self.ticks_offset_ms * 1000 + self.now_us - wrong_us) & TICKS_MASK

    def calendar_s(self) -> int:
        return int(self.now_us * self.calendar_factor) // 1_000_000 + self.calendar_jump_s

    def at(self, when_us: int, what: Callable[[], None]) -> None:
        """Do something at a time to come."""
        heapq.heappush(self._events, (when_us, next(self._order), what))

    def after(self, delay_us: int, what: Callable[[], None]) -> None:
        self.at(self.now_us + delay_us, what)

    def spend(self, duration_us: int) -> None:
        """Let time pass: pending events, running state machines, and the watchdog in their order."""
        target_us = self.now_us + duration_us
        while True:
            event_us = self._events[0][0] if self._events else None
            machine = self._next_machine()
            due_us = machine.due_cycles // MACHINE_CYCLES_PER_US if machine and machine.due_cycles is not None else None
            times = [t for t in (event_us, due_us) if t is not None and t <= target_us]
            next_us = max(self.now_us, min(times)) if times else target_us
            if self.watchdog_us is not None and next_us >= self.watchdog_due_us:
                self.now_us = self.watchdog_due_us
                self._reset_pins()
                raise WatchdogReset
            self.now_us = next_us
            if not times:
                return
            if event_us is not None and (due_us is None or event_us <= due_us):
                heapq.heappop(self._events)[2]()
            elif machine is not None:
                machine.run(MACHINE_CYCLES_PER_US * (target_us if event_us is None else min(event_us, target_us)))

    def _next_machine(self) -> StateMachineLike | None:
        waiting = [m for m in self.machines if m.due_cycles is not None]
        return min(waiting, key=lambda m: m.due_cycles or 0) if waiting else None

    # --- pins ---------------------------------------------------------------------------------------------------------

    def drive(self, gpio: int, level: int) -> None:
        """The program drives a pin."""
        pin = self.pins[gpio]
        before = pin.level() if pin.driven is not None else None
        pin.driven = level
        if level != before:
            self.levels.append((self.now_us, gpio, level))
        for watcher in pin.watchers:
            watcher(level)

    def put(self, gpio: int, level: int | None) -> None:
        """The world puts a level on a pin, or lets go of it."""
        pin = self.pins[gpio]
        before = pin.level()
        pin.outside = level
        if before and not pin.level() and pin.on_falling is not None:
            pin.on_falling(pin)

    def pulse(self, gpio: int, low_us: int = 200) -> None:
        """A contact closes to ground and opens again."""
        self.put(gpio, 0)
        self.after(low_us, lambda: self.put(gpio, None))

    def on_pins(self) -> set[int]:
        """The outputs that are high now."""
        return {gpio for gpio, pin in enumerate(self.pins) if pin.driven == 1}

    def changes(self, gpio: int) -> list[tuple[int, int]]:
        """Milliseconds and level of every change of one output."""
        return [(us // 1000, level) for us, number, level in self.levels if number == gpio]

    def _reset_pins(self) -> None:
        for pin in self.pins:
            pin.driven = None
            pin.on_falling = None


@dataclass
class I2cDevice:
    """A converter with two-byte registers; `dead` answers nothing."""

    registers: dict[int, int] = field(default_factory=dict)
    dead: bool = False
    written: list[tuple[int, int]] = field(default_factory=list)


@dataclass
class OneWireProbe:
    """One probe: its temperature in sixteenths of a degree, or damage done to what it sends."""

    rom: bytes
    sixteenths: int = 0x0550
    damage: bool = False
    converted: bool = False


@dataclass
class OneWireLine:
    """The probes on a pin; `stuck_low` reads as presence and zeros."""

    probes: list[OneWireProbe] = field(default_factory=list)
    stuck_low: bool = False


def mv_counts(mv: int, full_mv: int = 3300) -> int:
    """What the converter shows for a voltage at its pin."""
    return max(0, min(65_535, mv * 65_535 // full_mv))


_newest = [Chip()]


def chip() -> Chip:
    """The chip that runs now."""
    return _newest[-1]


def power_up(ticks_offset_ms: int = 0, before: Chip | None = None) -> Chip:
    """A fresh chip. With `before` one that was only reset: the world and the scratch registers stay as they are."""
    fresh = Chip(ticks_offset_ms)
    if before is not None:
        fresh.registers, fresh.i2c, fresh.one_wire = before.registers, before.i2c, before.one_wire
        fresh.adc_counts = before.adc_counts
        fresh.reset_reason = 3
        for new, old in zip(fresh.pins, before.pins, strict=True):
            new.outside, new.shorted = old.outside, old.shorted
    _newest[:] = [fresh]
    return fresh
