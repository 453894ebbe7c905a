"""The modules that MicroPython has and CPython lacks, over the simulated chip. Only what the firmware uses."""

from __future__ import annotations

import binascii
import sys
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

from tests.fake_machine.chip import TICKS_MASK, OneWireProbe, Restart, chip
from tests.fake_machine.pio import PIO, StateMachine, asm_pio

ONE_WIRE_BYTE_US = 560
ONE_WIRE_RESET_US = 960
ADC_US = 4


class Pin:
    IN, OUT = 0, 1
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_FALLING = 4

    def __init__(self, gpio: int, mode: int = -1, pull: int = -1, *, value: int | None = None) -> None:
        self.gpio = gpio
        state = chip().pins[gpio]
        if mode == Pin.OUT:
            chip().drive(gpio, state.level() if value is None else value)
        elif mode == Pin.IN:
            state.driven = None
            state.pull = {Pin.PULL_UP: 1, Pin.PULL_DOWN: 0}.get(pull)

    def value(self, level: int | None = None) -> int | None:
        if level is None:
            return chip().pins[self.gpio].level()
        chip().drive(self.gpio, level)
        return None

    def irq(self, *, handler: Callable[[object], None] | None, trigger: int, hard: bool) -> None:
        assert hard, "soft interrupts are lost when their queue is full"
        assert trigger == Pin.IRQ_FALLING
        chip().pins[self.gpio].on_falling = handler


class ADC:
    def __init__(self, channel: int | Pin) -> None:
        self.channel = channel.gpio if isinstance(channel, Pin) else channel

    def read_u16(self) -> int:
        chip().spend(ADC_US)
        source = chip().adc_counts.get(self.channel)
        return 20 if source is None else source()


class UART:
    def __init__(self, unit: int, baud: int, *, tx: Pin, rx: Pin, rxbuf: int) -> None:
        assert baud == 9600
        self.unit = unit
        self.rxbuf = rxbuf
        self.wires = (tx, rx)

    def _waiting(self) -> bytearray:
        waiting = chip().uarts.setdefault(self.unit, bytearray())
        if len(waiting) > self.rxbuf:
            chip().uart_lost_bytes += len(waiting) - self.rxbuf
            del waiting[self.rxbuf :]
        return waiting

    def any(self) -> int:
        return len(self._waiting())

    def read(self, most: int) -> bytes | None:
        waiting = self._waiting()
        data = bytes(waiting[:most])
        del waiting[:most]
        return data or None


class I2C:
    def __init__(self, unit: int, *, sda: Pin, scl: Pin, freq: int, timeout: int) -> None:
        self.unit, self.wires, self.freq, self.timeout = unit, (sda, scl), freq, timeout

    def _device(self, address: int) -> Any:
        if chip().i2c_stuck:
            chip().spend(self.timeout)
            raise OSError(110)
        device = chip().i2c.get(address)
        if device is None or device.dead:
            raise OSError(5)
        return device

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        word = self._device(address).registers.get(register, 0)
        buffer[0], buffer[1] = word >> 8, word & 0xFF

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        device = self._device(address)
        device.registers[register] = data[0] << 8 | data[1]
        device.written.append((register, data[0] << 8 | data[1]))


class WDT:
    def __init__(self, *, timeout: int) -> None:
        assert timeout <= 8388
        chip().watchdog_us = timeout * 1000
        chip().watchdog_due_us = chip().now_us + timeout * 1000

    def feed(self) -> None:
        chip().feeds_us.append(chip().now_us)
        chip().watchdog_due_us = chip().now_us + (chip().watchdog_us or 0)


class _Mem32:
    def __getitem__(self, address: int) -> int:
        return chip().registers.get(address, 0)

    def __setitem__(self, address: int, word: int) -> None:
        chip().registers[address] = word


class OneWire:
    def __init__(self, pin: Pin) -> None:
        self.gpio = pin.gpio
        self._selected: list[OneWireProbe] = []

    def _line(self) -> Any:
        return chip().one_wire.get(self.gpio)

    def reset(self) -> bool:
        chip().spend(ONE_WIRE_RESET_US)
        line = self._line()
        return line is not None and (line.stuck_low or bool(line.probes))

    def select_rom(self, rom: bytes) -> None:
        chip().spend(9 * ONE_WIRE_BYTE_US)
        line = self._line()
        self._selected = [probe for probe in line.probes if probe.rom == bytes(rom)]

    def writebyte(self, byte: int) -> None:
        chip().spend(ONE_WIRE_BYTE_US)
        if byte == 0xCC:
            self._selected = list(self._line().probes)
        elif byte == 0x44:
            for probe in self._selected:
                probe.converted = True

    def readinto(self, buffer: bytearray) -> None:
        chip().spend(len(buffer) * ONE_WIRE_BYTE_US)
        line = self._line()
        if line is None or (not self._selected and not line.stuck_low):
            buffer[:] = b"\xff" * len(buffer)
        elif line.stuck_low:
            buffer[:] = bytes(len(buffer))
        else:
            probe = self._selected[0]
            raw = probe.sixteenths if probe.converted else 0x0550
            scratch = bytes([raw & 0xFF, raw >> 8 & 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
            buffer[:] = scratch + bytes([crc8(scratch)])
            if probe.damage:
                buffer[0] ^= 0x10

    def crc8(self, data: bytes) -> int:
        return crc8(data)


def crc8(data: bytes) -> int:
    """The one-wire checksum: polynomial 31 hex, reflected. Over `123456789` it is A1 hex."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def ticks_diff(later: int, earlier: int) -> int:
    half = (TICKS_MASK + 1) // 2
    return ((later - earlier + half) & TICKS_MASK) - half


def _reset() -> None:
    raise Restart


def install() -> None:
    """Put the modules in place; `time` gets the tick functions that MicroPython's has."""
    machine: Any = ModuleType("machine")
    machine.Pin, machine.ADC, machine.UART, machine.I2C, machine.WDT = Pin, ADC, UART, I2C, WDT
    machine.PWRON_RESET, machine.WDT_RESET = 1, 3
    machine.reset_cause = lambda: chip().reset_reason
    machine.reset = _reset
    machine.unique_id = lambda: binascii.unhexlify("e6614c311b7f3a21")
    machine.mem32 = _Mem32()
    rp2: Any = ModuleType("rp2")
    rp2.PIO, rp2.StateMachine, rp2.asm_pio = PIO, StateMachine, asm_pio
    onewire: Any = ModuleType("onewire")
    onewire.OneWire = OneWire
    micropython: Any = ModuleType("micropython")
    micropython.kbd_intr = lambda _: None
    micropython.alloc_emergency_exception_buf = lambda _: None
    for module in (machine, rp2, onewire, micropython):
        sys.modules[module.__name__] = module
    clock: Any = time
    clock.ticks_ms = lambda: chip().ticks_ms()
    clock.ticks_us = lambda: chip().ticks_us()
    clock.ticks_diff = ticks_diff
    clock.sleep_ms = lambda duration_ms: chip().spend(duration_ms * 1000)
    from firmware_host.board import clock as board_clock

    board_clock.time = lambda: chip().calendar_s()
