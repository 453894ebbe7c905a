"""A flashed board in a garden: the firmware's own start and loop on the simulated chip, and a host on the cable."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from firmware_host.board import clock, console, main, pins
from firmware_host.board.analogue import full_scale_mv
from firmware_host.program_list import LIST_PATH, program_list
from firmware_host.wire import SEQ_MODULUS, Decoder, encode
from tests.fake_machine.chip import Chip, I2cDevice, OneWireLine, OneWireProbe, WatchdogReset, mv_counts, power_up
from tests.fake_machine.usb import Usb
from tests.fake_machine.world import PulseRangerModel

PUMP, SECOND, FLOW, RAIN, FLOAT, TRIGGER, ECHO = 2, 3, 12, 13, 14, 16, 17
BATTERY_FULL_MV = full_scale_mv(100_000, 22_000, 1000)
Line = tuple[str, int, dict[str, str]]


class Flashed:
    """boot(): power comes on, or the watchdog has struck. The flow meter follows the pump while `flowing`."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, declared: dict[str, Any] | None = None) -> None:
        self.folder = folder
        self.declared: dict[str, Any] = {**deepcopy(pins.PINS), **(declared or {})}
        self.battery_mv = 12_840
        self.flowing = True
        self.wet = True
        self._patch = monkeypatch
        files = {"/firmware_host/wire.py": b"a program" * 1000, "/firmware_host/board/pins.py": b"pins"}
        for path, content in files.items():
            (folder / path[1:]).parent.mkdir(parents=True, exist_ok=True)
            (folder / path[1:]).write_bytes(content)
        (folder / LIST_PATH[1:]).write_bytes(program_list(files))
        self.chip: Chip | None = None

    def power(self, ticks_offset_ms: int = 0, reset: bool = False) -> Chip:
        """A fresh or reset chip with the garden on its pins; no program runs yet."""
        self.chip = board = power_up(ticks_offset_ms, self.chip if reset else None)
        self.usb = Usb()
        self._patch.setattr(console, "sys", self.usb)
        self._patch.setattr(console, "select", self.usb)
        self._patch.setattr(pins, "PINS", self.declared)
        board.adc_counts[26] = lambda: mv_counts(self.battery_mv, BATTERY_FULL_MV)
        board.adc_counts[27] = lambda: mv_counts(18_200, 30_800)
        board.one_wire[22] = OneWireLine([OneWireProbe(b"\x28\xff\x64\x1e\x82\x16\x03\x5a", 245)])
        board.i2c[0x40] = I2cDevice({4: 0xFFFF - 349})
        board.put(FLOAT, 0 if self.wet else None)
        PulseRangerModel(board, TRIGGER, ECHO, [5400])
        self._turn_meter(board)
        self.seq = 0
        self.lines: list[Line] = []
        self._decoder = Decoder()
        return board

    def _turn_meter(self, board: Chip) -> None:
        """75 pulses a second while the pump runs."""
        if self.flowing and board.pins[PUMP].driven == 1 and board.pins[SECOND].driven != 0:
            board.pulse(FLOW, 3000)
        board.after(13_333, lambda: self._turn_meter(board))

    def boot(self, ticks_offset_ms: int = 0, reset: bool = False) -> None:
        self.power(ticks_offset_ms, reset)
        self.start()

    def start(self) -> None:
        self.hardware, settings = main.prepare(str(self.folder))
        self.board = main.start(self.hardware, settings)

    def run(self, duration_ms: int) -> list[Line]:
        """The firmware's own loop for a while; the lines it said."""
        assert self.chip is not None
        end_us = self.chip.now_us + duration_ms * 1000
        while self.chip.now_us < end_us:
            main.turn(self.hardware, self.board)
            clock.pause_ms(main.TURN_MS)
        fresh = self._decoder.feed(self.usb.take())
        self.lines += fresh
        return fresh

    def say(self, kind: str, **fields: str | int) -> None:
        self.seq = (self.seq + 1) % SEQ_MODULUS
        addressed = {"boot": self.hardware.boot_id(), "at": self.hardware.uptime_ms()}
        self.usb.incoming += encode(kind, self.seq, {**addressed, **fields})

    def hold(self, pumps: int, valves: int, duration_ms: int) -> None:
        """A host that renews each second."""
        for _ in range(duration_ms // 1000):
            self.say("set", pumps=pumps, valves=valves, lease=5000, report=1000)
            self.run(1000)

    def last(self, kind: str) -> dict[str, str]:
        return next(fields for line_kind, _, fields in reversed(self.lines) if line_kind == kind)

    def hang(self) -> int:
        """The main loop stands still; milliseconds until the watchdog resets the chip."""
        assert self.chip is not None
        began_us = self.chip.now_us
        try:
            self.chip.spend(60_000_000)
        except WatchdogReset:
            return (self.chip.now_us - began_us) // 1000
        raise AssertionError("nothing resets the chip")
