"""A day in the life of a virtual board that a seed writes: waterings, lapses, a bad cable, broken parts, resets.

The script looks at nothing but the boot id and the uptime, so two boards that do the same are told the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from random import Random

from firmware_host.board.faults import DELIBERATE, SELF_CLEARING
from firmware_host.board.logic import Board
from firmware_host.wire import encode
from simulator.board import MakeBoard, PlantHardware, VirtualBoard
from simulator.plant.plant import Plant
from simulator.plant.weather_generator import generate_weather
from tests.unit.plant_site import PLACE, SITE, START, START_WALL_MS

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGINS_MS = 8 * HOUR_MS
REPORT_IDLE_MS = 60_000
_SUMMER = START + timedelta(days=170)
_SUMMER_WALL_MS = START_WALL_MS + 170 * DAY_MS
_FAULTS = (*DELIBERATE, *SELF_CLEARING, "nonsense")
_ODD_FIELDS = (
    {"pumps": 2},
    {"valves": 8},
    {"lease": 5001},
    {"lease": -1},
    {"report": 199},
    {"pumps": "x"},
    {"valves": "-"},
    {"at": "1e3"},
    {"boot": "00000000"},
    {"low_mv": 9000},
    {"opening_ms": 1},
    {"tide": 1},
)
_TIGHTER = ({"low_mv": 11_900}, {"flow_start_ms": 9000, "flow_run_ms": 3000}, {"open_max_ms": 60_000})


@dataclass
class Told:
    """What was heard and seen, each with its plant time."""

    heard: list[tuple[int, bytes]] = field(default_factory=list)
    pins: list[tuple[int, tuple[int, int]]] = field(default_factory=list)
    waterings: int = 0

    def text(self) -> bytes:
        return b"".join(data for _, data in self.heard)


class RememberingHardware(PlantHardware):
    """With the memory of earlier boots that a real board has."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self._memory = (0, 0, 0)
        super().__init__(plant, seed, ping_gap_ms=2)

    def remembered(self) -> tuple[int, int, int]:
        return self._memory

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        self._memory = (boots, lock_outs, locked)


class ScriptedDay:
    """The same seed is the same day for whatever runs the board's program."""

    def __init__(self, seed: int, make_board: MakeBoard = Board) -> None:
        weather = generate_weather(PLACE, _SUMMER - timedelta(days=1), 4, seed)
        plant = Plant(SITE, weather, seed, _SUMMER_WALL_MS + BEGINS_MS, 0.6)
        self.board = VirtualBoard.over(RememberingHardware(plant, seed), make_board)
        self.told = Told()
        self._rng = Random(f"{seed} script")
        self._seq = 0
        self._written = [b"\n"]

    def run(self, duration_ms: int) -> Told:
        """Play the script for so long, and the last act to its end."""
        end_ms = self.board.now_ms + duration_ms
        acts: list[Callable[[], None]] = [
            *[self._water] * 5,
            *[self._lapse] * 2,
            *[self._bad_cable] * 4,
            *[self._break_and_mend] * 3,
            self._phantom_flow,
            self._reset,
            *[self._ask_oddly] * 3,
            self._tighten,
        ]
        while self.board.now_ms < end_ms:
            self._rng.choice(acts)()
            self._rest()
            self._wait(self._rng.randrange(1000, 60 * 60_000))
        return self.told

    # --- acts ---------------------------------------------------------------------------------------------------------

    def _water(self) -> None:
        valves = self._rng.randrange(1, 8)
        self.told.waterings += 1
        for _ in range(self._rng.randrange(20, 120)):
            self._set(1, valves)
            self._wait(self._rng.randrange(900, 1100))

    def _lapse(self) -> None:
        self._set(self._rng.randrange(2), self._rng.randrange(8), lease=self._rng.randrange(5001))
        self._wait(self._rng.randrange(20_000))

    def _bad_cable(self) -> None:
        rng = self._rng
        for _ in range(rng.randrange(1, 30)):
            lines = [
                self._command("set", pumps=rng.randrange(2), valves=rng.randrange(8), lease=5000, report=1000)
                for _ in range(rng.randrange(1, 5))
            ]
            rng.shuffle(lines)
            if rng.random() < 0.5:
                lines += [rng.choice(self._written) for _ in range(rng.randrange(4))]
            stream = bytearray(b"".join(lines))
            for _ in range(rng.choice((0, 0, 1, 3))):
                stream[rng.randrange(len(stream))] ^= 1 << rng.randrange(8)
            if rng.random() < 0.2:
                del stream[rng.randrange(len(stream)) :]
            if rng.random() < 0.1:
                stream += rng.randbytes(rng.randrange(3000))
            self.board.host_write(bytes(stream))
            self._wait(rng.randrange(3000))

    def _break_and_mend(self) -> None:
        """Something breaks under a running pump."""
        rng, faults = self._rng, self.board.plant.faults
        breaks: list[Callable[[], None]] = [
            lambda: faults.flow_meter_dead.add(0),
            lambda: setattr(faults, "battery_bad", True),
            lambda: setattr(faults, "battery_frozen_mv", rng.choice((9000, 10_900, 11_500))),
            lambda: faults.float_stuck.update({0: False}),
            lambda: faults.echo_silent.add(0),
            lambda: faults.temperature_bad.add(0),
        ]
        for second in range(32):
            if second == 12:
                rng.choice(breaks)()
                self.board.plant.refresh()
            self._set(1, 1)
            self._wait(1000)
        if rng.random() < 0.5:
            self._clear_all()
        faults.flow_meter_dead.clear()
        faults.battery_bad, faults.battery_frozen_mv = False, None
        faults.float_stuck.clear()
        faults.echo_silent.clear()
        faults.temperature_bad.clear()
        self.board.plant.refresh()
        if rng.random() < 0.7:
            self._clear_all()

    def _phantom_flow(self) -> None:
        """The meter counts for two minutes while everything is shut."""
        phantom = self.board.plant.faults.flow_phantom_l_h
        phantom[0] = 60.0
        self.board.plant.refresh()
        self._wait(120_000)
        self._set(1, 1)
        phantom.clear()
        self.board.plant.refresh()
        self._clear_all()

    def _clear_all(self) -> None:
        for fault in _FAULTS:
            self._send(self._command("clear", fault=fault))
            self._wait(200)

    def _reset(self) -> None:
        rng = self._rng
        for _ in range(rng.choice((1, 1, 5))):
            self._set(1, 1)
            self._wait(rng.randrange(5000))
            self._boot()

    def _boot(self) -> None:
        rng = self._rng
        how = rng.randrange(3)
        if how == 0:
            self.board.reboot()
        elif how == 1:
            self.board.power_cut()
            self._wait(rng.randrange(60_000))
            self.board.power_restore()
        else:
            self.board.hang()
        self._wait(1000)

    def _ask_oddly(self) -> None:
        rng = self._rng
        self._send(encode("who", rng.randrange(100), {"protocol": rng.choice((1, 2))}))
        for odd in rng.sample(_ODD_FIELDS, 3):
            self._set(0, 1, **odd)
            self._wait(rng.randrange(500))
        self._seq += rng.choice((0, 1, 40, 1 << 30))
        self._send(self._command(rng.choice(("now", "dance", "set"))))
        self._send(self._command("restart", program=rng.randrange(3)))
        self._wait(rng.randrange(3000))

    def _tighten(self) -> None:
        self._set(0, 0, **self._rng.choice(_TIGHTER))

    # --- carrying it out ----------------------------------------------------------------------------------------------

    def _command(self, kind: str, **fields: int | str) -> bytes:
        hardware = self.board.hardware
        self._seq += 1
        at = max(0, hardware.uptime_ms() - self._rng.choice((0, 0, 0, 0, 30, 30, 400, 1800, 2600, -700)))
        line = encode(kind, self._seq % (1 << 32), {"boot": hardware.boot_id(), "at": at, **fields})
        self._written = [*self._written[-20:], line]
        return line

    def _set(self, pumps: int, valves: int, /, **fields: int | str) -> None:
        self._send(self._command("set", **{"pumps": pumps, "valves": valves, "lease": 5000, "report": 1000, **fields}))

    def _rest(self) -> None:
        # The newline ends whatever half a line a bad cable left behind.
        self._send(b"\n")
        self._set(0, 0, report=REPORT_IDLE_MS, at=self.board.hardware.uptime_ms())

    def _send(self, line: bytes) -> None:
        self.board.host_write(line)

    def _wait(self, duration_ms: int) -> None:
        board, told = self.board, self.told
        to_ms = board.now_ms + duration_ms
        while True:
            board.run_until(min(max(board.due_ms, board.now_ms), to_ms))
            data = board.host_read()
            if data:
                told.heard.append((board.now_ms, data))
            pins = board.hardware.output_masks()
            if not told.pins or told.pins[-1][1] != pins:
                told.pins.append((board.now_ms, pins))
            if board.now_ms >= to_ms and board.due_ms > to_ms:
                return
