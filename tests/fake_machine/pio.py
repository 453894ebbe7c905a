"""Programmable I/O: takes the program as MicroPython's assembler would, and carries it out cycle by cycle."""

from __future__ import annotations

from collections.abc import Callable
from types import FunctionType
from typing import Any

from tests.fake_machine.chip import MACHINE_CYCLES_PER_US, StateMachineLike, chip

FIFO_WORDS = 4
_ALL_ONES = 0xFFFFFFFF
Instruction = tuple[str, Any, Any, int]


class PIO:
    OUT_LOW = 2


class _Delayed:
    """What `set(pins, 1)` gives, so that `[19]` behind it can say how long to wait afterwards."""

    def __init__(self, program: list[Instruction]) -> None:
        self._program = program

    def __getitem__(self, cycles: int) -> None:
        assert 0 <= cycles <= 31, "five bits of delay"
        name, first, second, _ = self._program[-1]
        self._program[-1] = (name, first, second, cycles)


class Program:
    def __init__(self, instructions: list[Instruction], labels: dict[str, int]) -> None:
        assert len(instructions) <= 32, "a block holds 32 instructions"
        self.instructions = instructions
        self.labels = labels


def asm_pio(*, set_init: int) -> Callable[[FunctionType], Program]:
    """The decorator: runs the function once, with the names of the assembler, and keeps what it said."""
    assert set_init == PIO.OUT_LOW

    def assemble(function: FunctionType) -> Program:
        program: list[Instruction] = []
        labels: dict[str, int] = {}

        def emit(name: str, first: Any = None, second: Any = None) -> _Delayed:
            program.append((name, first, second, 0))
            return _Delayed(program)

        words: dict[str, Any] = {name: name for name in ("pins", "x", "osr", "isr", "pin", "x_dec")}
        words["pull"] = lambda: emit("pull")
        words["push"] = lambda: emit("push")
        words["mov"] = lambda to, source: emit("mov", to, source)
        words["set"] = lambda to, value: emit("set", to, value)
        words["jmp"] = lambda *where: emit("jmp", where[0] if len(where) == 2 else "always", where[-1])
        words["label"] = lambda name: labels.__setitem__(name, len(program))
        FunctionType(function.__code__, words)()
        return Program(program, labels)

    return assemble


class StateMachine(StateMachineLike):
    def __init__(self, unit: int, program: Program, *, freq: int, set_base: Any, jmp_pin: Any) -> None:
        assert 0 <= unit <= 7
        assert freq == MACHINE_CYCLES_PER_US * 1_000_000
        self._program = program
        self._set_gpio, self._jmp_gpio = set_base.gpio, jmp_pin.gpio
        self._registers = {"x": 0, "osr": 0, "isr": 0}
        self._counter = 0
        self._incoming: list[int] = []
        self._outgoing: list[int] = []
        self._running = False
        self.frozen = False
        self.due_cycles = None
        chip().machines.append(self)

    def active(self, on: int) -> None:
        self._running = bool(on)
        self._wake()

    def restart(self) -> None:
        self._counter = 0
        self._wake()

    def put(self, word: int) -> None:
        assert len(self._incoming) < FIFO_WORDS, "MicroPython would wait here for ever"
        self._incoming.append(word)
        self._wake()

    def get(self) -> int:
        assert self._outgoing, "MicroPython would wait here for ever"
        return self._outgoing.pop(0)

    def rx_fifo(self) -> int:
        return len(self._outgoing)

    def _wake(self) -> None:
        if self._running and self.due_cycles is None and not self.frozen:
            self.due_cycles = chip().now_us * MACHINE_CYCLES_PER_US

    def tx_fifo(self) -> int:
        return len(self._incoming)

    def run(self, until_cycles: int) -> None:
        """At least one instruction. A `pull` without a word waits."""
        while self.due_cycles is not None:
            name = self._step()
            if name == "set" or (self.due_cycles is not None and self.due_cycles > until_cycles):
                return

    def _step(self) -> str:
        name, first, second, delay = self._program.instructions[self._counter]
        assert self.due_cycles is not None
        target = self._counter + 1
        if name == "jmp":
            if self._jumps(first):
                target = self._program.labels[second]
        elif name == "pull":
            if not self._incoming:
                self.due_cycles = None
                return name
            self._registers["osr"] = self._incoming.pop(0)
        elif name == "push":
            self._outgoing.append(self._registers["isr"])
            self._registers["isr"] = 0
        elif name == "mov":
            self._registers[first] = self._registers[second]
        else:
            chip().now_us = self.due_cycles // MACHINE_CYCLES_PER_US
            chip().drive(self._set_gpio, second)
        self._counter = target % len(self._program.instructions)
        self.due_cycles += 1 + delay
        return name

    def _jumps(self, condition: str) -> bool:
        if condition == "pin":
            return bool(chip().pins[self._jmp_gpio].level())
        if condition == "x_dec":
            was = self._registers["x"]
            self._registers["x"] = was - 1 & _ALL_ONES
            return was != 0
        return True
