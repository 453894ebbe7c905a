"""Temperature probes: one-wire ones, converted in the background, and ones that give a voltage."""

from machine import Pin  # type: ignore[import-not-found]
from onewire import OneWire  # type: ignore[import-not-found]

from firmware_host.board.analogue import SUPPLY_MV, Voltage

EVERY_MS = 10_000
_CONVERSION_MS = 800
_SKIP_ROM, _CONVERT, _READ_SCRATCH = 0xCC, 0x44, 0xBE
_SCRATCH_BYTES = 9
_POWER_ON_SIXTEENTHS = 0x0550
_LOWEST_CENTI_C, _HIGHEST_CENTI_C = -5500, 12_500
_FAILURES_MAX = 3

_IDLE, _CONVERTING, _SELECTED = 0, 1, 2


class OneWireBus:
    """The probes on one pin. `roms` holds each one's 8 bytes, or a single None when there is only one.

    `step` does at most a few milliseconds of talk; a probe that failed three times in a row reads None.
    """

    def __init__(self, gpio: int, roms: list[bytes | None]):
        self._wire = OneWire(Pin(gpio))
        self._roms = roms
        self._scratch = bytearray(_SCRATCH_BYTES)
        self._phase = _IDLE
        self._due_ms = 0
        self._probe = 0
        self._failures = [0] * len(roms)
        self.centi_c: list[int | None] = [None] * len(roms)

    def step(self, now: int) -> None:
        """Do the next piece of a measurement when it is due."""
        if now < self._due_ms:
            return
        if self._phase == _IDLE:
            self._convert(now)
        elif self._phase == _CONVERTING:
            self._select(now)
        else:
            self._wire.readinto(self._scratch)
            self._note(self._decoded(), now)

    def _convert(self, now: int) -> None:
        self._probe = 0
        if self._wire.reset():
            self._wire.writebyte(_SKIP_ROM)
            self._wire.writebyte(_CONVERT)
            self._phase = _CONVERTING
            self._due_ms = now + _CONVERSION_MS
            return
        for _ in self._roms:
            self._note(None, now)

    def _select(self, now: int) -> None:
        if not self._wire.reset():
            self._note(None, now)
            return
        rom = self._roms[self._probe]
        if rom is None:
            self._wire.writebyte(_SKIP_ROM)
        else:
            self._wire.select_rom(rom)
        self._wire.writebyte(_READ_SCRATCH)
        self._phase = _SELECTED

    def _decoded(self) -> int | None:
        """The temperature in the scratch memory; None when that was damaged or is what a line stuck low looks like."""
        scratch = self._scratch
        if self._wire.crc8(scratch) or scratch[5] != 0xFF or scratch[4] & 0x9F != 0x1F:
            return None
        sixteenths = scratch[1] << 8 | scratch[0]
        if sixteenths == _POWER_ON_SIXTEENTHS:
            return None
        if sixteenths & 0x8000:
            sixteenths -= 0x10000
        centi_c = sixteenths * 25 // 4
        return centi_c if _LOWEST_CENTI_C <= centi_c <= _HIGHEST_CENTI_C else None

    def _note(self, centi_c: int | None, now: int) -> None:
        probe = self._probe
        if centi_c is not None:
            self._failures[probe] = 0
            self.centi_c[probe] = centi_c
        elif self._failures[probe] < _FAILURES_MAX - 1:
            self._failures[probe] += 1
        else:
            self.centi_c[probe] = None
        self._probe += 1
        if self._probe < len(self._roms):
            self._phase = _CONVERTING
        else:
            self._phase = _IDLE
            self._due_ms = now + EVERY_MS


class AnalogueProbe:
    """zero_mv: the voltage at 0 degrees; uv_per_c: microvolts more for each degree."""

    def __init__(self, channel: int, zero_mv: int, uv_per_c: int):
        self._voltage = Voltage(channel, SUPPLY_MV, 1)
        self._zero_mv = zero_mv
        self._uv_per_c = uv_per_c

    def centi_c(self) -> int | None:
        mv = self._voltage.mv()
        if mv is None:
            return None
        centi_c = (mv - self._zero_mv) * 100_000 // self._uv_per_c
        return centi_c if _LOWEST_CENTI_C <= centi_c <= _HIGHEST_CENTI_C else None
