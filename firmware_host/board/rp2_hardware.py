"""`Hardware` on an RP2040: makes the drivers that the declaration asks for and moves them along."""

import binascii
import gc
import os

import machine  # type: ignore[import-not-found]

from firmware_host.board.analogue import SUPPLY_MV, Reference, Voltage, chip_reference, full_scale_mv
from firmware_host.board.clock import Uptime
from firmware_host.board.console import Console
from firmware_host.board.counters import PulseCounter
from firmware_host.board.declared import number, optional, pair, pairs, part, parts, text
from firmware_host.board.hardware import Hardware
from firmware_host.board.nonvolatile import Memory, Slots
from firmware_host.board.outputs_rp2 import HeldValve, LatchingValve, Line, Pulses, Pump
from firmware_host.board.ranger_pulse import PulseRanger
from firmware_host.board.ranger_serial import SerialRanger
from firmware_host.board.restart import boot_cause, restart
from firmware_host.board.selftest import Program, TickRate, memory_good, processor_good
from firmware_host.board.shunt import Shunt, bus
from firmware_host.board.thermometer import AnalogueProbe, OneWireBus

WATCHDOG_MS = 1000
BATTERY_LEAST_MV = 3000
"""Below this the board itself could not run from its battery: the divider's wire is off."""

RESTART_AFTER_MS = 300
"""Time for the answer to reach the host."""

CAUSES = ("power", "watchdog", "brownout", "soft", "unknown")
_REFERENCE_FAILURES_MAX = 3
_SELF_CHECK_MS = 1000
_READ_PROGRAM_MS = 500
"""A slice of a program file is read this often: the whole program within a minute."""


class Rp2Hardware(Hardware):
    """Every output is off before anything else is made. `step` must run in every turn of the main loop.

    problem: what is wrong with the declaration; `pins` is then one without any parts.
    """

    def __init__(self, pins: dict[str, object], console: Console, problem: str = "", folder: str = ""):
        self._make_outputs(pins)
        self._declaration_problem = problem
        self._test_problem = ""
        self._console = console
        self._uptime = Uptime()
        self._now = 0
        self._checked = False
        self._watchdog = None
        self._restart_ms = -1
        self._restart_program_off = False
        self._reset_cause = boot_cause()
        self._boot_id = binascii.hexlify(os.urandom(4)).decode()
        self._board_id = binascii.hexlify(machine.unique_id()).decode()[:16]
        self._make_sensors(pins)
        self._make_rangers(pins)
        self._make_probes(pins)
        self._memory = Memory(Slots(folder), CAUSES.index(self._reset_cause))
        self._program = Program(folder)
        self._ticks = TickRate()
        self._tested_ms = 0
        self._read_ms = 0
        self._reference_failures = 0

    # --- what is fitted -----------------------------------------------------------------------------------------------

    def _make_outputs(self, pins: dict[str, object]) -> None:
        latch = part(pins, "latch")
        self._pulses = Pulses(number(latch, "pulse_ms"), number(latch, "spacing_ms"))
        self._latching = False
        self._pumps: list[Pump] = []
        for declared in parts(pins, "pump"):
            active = number(declared, "active")
            second = declared["second"]
            second_line = Line(second, active) if isinstance(second, int) else None
            self._pumps.append(Pump(Line(number(declared, "pin"), active), second_line))
        self._valves: list[HeldValve | LatchingValve] = []
        for declared in parts(pins, "valve"):
            active = number(declared, "active")
            if text(declared, "kind") == "held":
                self._valves.append(HeldValve(Line(number(declared, "pin"), active)))
            else:
                self._latching = True
                opener, closer = Line(number(declared, "open"), active), Line(number(declared, "close"), active)
                self._valves.append(LatchingValve(opener, closer, self._pulses))

    def _make_sensors(self, pins: dict[str, object]) -> None:
        battery = optional(pins, "battery")
        panel = optional(pins, "panel")
        shunt = optional(pins, "shunt")
        rain = optional(pins, "rain")
        reference = optional(pins, "reference")
        self._battery = _divided(battery, BATTERY_LEAST_MV) if battery else None
        self._panel = _divided(panel, 0) if panel else None
        self._shunt = _shunt(shunt) if shunt else None
        self._rain = PulseCounter(number(rain, "pin"), number(rain, "debounce_us")) if rain else None
        self._reference = chip_reference()
        if reference:
            mv, tolerance_mv = number(reference, "mv"), number(reference, "tolerance_mv")
            self._reference = Reference(number(reference, "pin"), mv - tolerance_mv, mv + tolerance_mv)
        self._flow = [PulseCounter(number(p, "pin"), number(p, "debounce_us")) for p in parts(pins, "flow")]
        self._floats = [
            (machine.Pin(number(p, "pin"), machine.Pin.IN, machine.Pin.PULL_UP), number(p, "wet"))
            for p in parts(pins, "float")
        ]
        self._soil = [Voltage(number(p, "pin"), SUPPLY_MV, 1) for p in parts(pins, "soil")]

    def _make_rangers(self, pins: dict[str, object]) -> None:
        self._rangers: list[PulseRanger | SerialRanger] = []
        unit = 0
        for p in parts(pins, "echo"):
            if text(p, "kind") == "pulse":
                self._rangers.append(PulseRanger(unit, number(p, "trigger"), number(p, "echo")))
                unit += 1
            else:
                ns_per_mm = number(p, "ns_per_mm")
                self._rangers.append(SerialRanger(number(p, "uart"), number(p, "tx"), number(p, "rx"), ns_per_mm))

    def _make_probes(self, pins: dict[str, object]) -> None:
        """One-wire probes that share a pin share its bus; `_temperatures` says where each channel's value stands."""
        self._buses: list[OneWireBus] = []
        self._temperatures: list[tuple[OneWireBus, int] | AnalogueProbe | None] = []
        on_pin: dict[int, list[tuple[int, bytes | None]]] = {}
        for p in parts(pins, "temperature"):
            channel = len(self._temperatures)
            self._temperatures.append(None)
            if text(p, "kind") == "analogue":
                probe = AnalogueProbe(number(p, "pin"), number(p, "zero_mv"), number(p, "uv_per_c"))
                self._temperatures[channel] = probe
            else:
                rom = binascii.unhexlify(text(p, "rom")) if p["rom"] else None
                on_pin.setdefault(number(p, "pin"), []).append((channel, rom))
        for gpio in on_pin:
            one_wire = OneWireBus(gpio, [rom for _, rom in on_pin[gpio]])
            self._buses.append(one_wire)
            for place in range(len(on_pin[gpio])):
                self._temperatures[on_pin[gpio][place][0]] = (one_wire, place)

    def fitted(self) -> dict[str, int]:
        fitted = {
            "echo": len(self._rangers),
            "temperature": len(self._temperatures),
            "flow": len(self._flow),
            "float_switch": len(self._floats),
            "pump": len(self._pumps),
            "valve": len(self._valves),
            "rain": int(self._rain is not None),
            "shunt": int(self._shunt is not None),
            "panel": int(self._panel is not None),
        }
        if self._soil:
            fitted["soil"] = len(self._soil)
        return fitted

    # --- self-test, memory, time --------------------------------------------------------------------------------------

    def test_at_boot(self) -> None:
        """The tests that come before anything may move."""
        if not processor_good():
            self._fail("processor")
        if not memory_good(bytearray(256)):
            self._fail("memory")
        wrong = self._program.wrong_at_boot()
        if wrong:
            self._fail(wrong)
        if not self._reference.good():
            self._fail("voltage converter")

    def _fail(self, what: str) -> None:
        if not self._test_problem:
            self._test_problem = what

    def step(self) -> None:
        """One turn: move the outputs along, measure in the background, test a piece of the board, send and save."""
        now = self._now = self._uptime.ms()
        self._pulses.step(now)
        for pump in self._pumps:
            pump.step(now)
        for one_wire in self._buses:
            one_wire.step(now)
        for counter in self._flow:
            counter.step(now)
        if self._rain is not None:
            self._rain.step(now)
        if now - self._tested_ms >= _SELF_CHECK_MS:
            self._tested_ms = now
            self._test_a_piece()
            self.save(now)
            gc.collect()
        if now - self._read_ms >= _READ_PROGRAM_MS:
            self._read_ms = now
            self._test_program()
        self._console.step()
        if 0 <= self._restart_ms <= now:
            self.all_off()
            restart(self._restart_program_off)
        self._checked = True

    def _test_a_piece(self) -> None:
        if not self._ticks.good():
            self._fail("tick rate")
        self._reference_failures = 0 if self._reference.good() else self._reference_failures + 1
        if self._reference_failures >= _REFERENCE_FAILURES_MAX:
            self._fail("voltage converter")

    def _test_program(self) -> None:
        if not self._test_problem:
            wrong = self._program.step()
            if wrong:
                self._fail(wrong)

    def save(self, now: int) -> None:
        """Write to flash what is due, if nothing is on."""
        idle = not any(pump.is_on() for pump in self._pumps) and not any(valve.is_open() for valve in self._valves)
        idle = idle and not self._pulses.left_ms(now)
        self._memory.step(now, idle, [counter.total() for counter in self._flow], self.rain_tips())

    def restart(self, program_off: bool) -> None:
        self._restart_program_off = program_off
        self._restart_ms = self._now + RESTART_AFTER_MS

    def start_watchdog(self) -> None:
        """From here on the main loop must come round within a second, or the chip resets."""
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def feed_watchdog(self) -> None:
        """Feeds only when a whole `step` was done since the last time."""
        if self._checked and self._watchdog is not None:
            self._watchdog.feed()
        self._checked = False

    def problem(self) -> str:
        if self._test_problem:
            return f"{self._declaration_problem} self-test: {self._test_problem}".strip()
        return self._declaration_problem

    def declaration_good(self) -> bool:
        return not self._declaration_problem

    def healthy(self) -> bool:
        return not self._test_problem

    def remembered(self) -> tuple[int, int, int]:
        memory = self._memory
        return memory.boots, memory.lock_outs, memory.locked

    def lifetime(self) -> "tuple[int, str, list[int], int] | None":
        memory = self._memory
        before = memory.cause_before
        # A board that boots for the first time has no boot before.
        cause = CAUSES[before] if memory.boots_ever != 1 and before < len(CAUSES) else "unknown"
        pulses = memory.pulses_ever([counter.total() for counter in self._flow])
        return memory.boots_ever, cause, pulses, memory.tips_ever(self.rain_tips())

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        self._memory.remember(boots, lock_outs, locked)

    def board_id(self) -> str:
        return self._board_id

    def boot_id(self) -> str:
        return self._boot_id

    def reset_cause(self) -> str:
        return self._reset_cause

    def uptime_ms(self) -> int:
        return self._uptime.ms()

    # --- sensors ------------------------------------------------------------------------------------------------------

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:
        return self._rangers[channel].burst_us(count, self._now)

    def temperature_centi_c(self, channel: int) -> int | None:
        place = self._temperatures[channel]
        if isinstance(place, AnalogueProbe):
            return place.centi_c()
        return place[0].centi_c[place[1]] if place is not None else None

    def battery_mv(self) -> int | None:
        return self._battery.mv() if self._battery is not None else None

    def panel_mv(self) -> int | None:
        return self._panel.mv() if self._panel is not None else None

    def current_ma(self) -> int | None:
        return self._shunt.ma(self._now) if self._shunt is not None else None

    def flow_pulses(self, channel: int) -> int:
        return self._flow[channel].total()

    def rain_tips(self) -> int:
        return self._rain.total() if self._rain is not None else 0

    def float_wet(self, channel: int) -> bool:
        pin, wet = self._floats[channel]
        return bool(pin.value() == wet)

    def soil_mv(self, channel: int) -> int | None:
        return self._soil[channel].mv()

    # --- outputs ------------------------------------------------------------------------------------------------------

    def set_pump(self, output: int, on: bool) -> None:
        self._pumps[output].set(on, self._now)

    def set_valve(self, output: int, is_open: bool) -> None:
        self._valves[output].set(is_open)

    def pump_on(self, output: int) -> bool:
        return self._pumps[output].is_on()

    def valve_open(self, output: int) -> bool:
        return self._valves[output].is_open()

    def moving_ms(self) -> int:
        return self._pulses.left_ms(self._now)

    def closing_ms(self) -> int:
        return self._pulses.each_ms if self._latching else 0

    def all_off(self) -> None:
        """Every output pin to rest, whatever is believed of it: the last thing to do when the program has failed."""
        for pump in self._pumps:
            pump.set(False, self._now)
            pump.set(False, self._now)
        for valve in self._valves:
            valve.off()

    # --- cable --------------------------------------------------------------------------------------------------------

    def read(self) -> bytes:
        return self._console.read()

    def write(self, data: bytes) -> None:
        self._console.write(data)


def _divided(p: dict[str, object], least_mv: int) -> Voltage:
    full_mv = full_scale_mv(number(p, "top_ohm"), number(p, "bottom_ohm"), number(p, "trim_permille"))
    return Voltage(number(p, "pin"), full_mv, least_mv)


def _shunt(p: dict[str, object]) -> Shunt:
    return Shunt(
        bus(number(p, "i2c"), number(p, "sda"), number(p, "scl")),
        number(p, "address"),
        pairs(p, "setup"),
        number(p, "register"),
        number(p, "ua_per_bit"),
        pair(p["identity"]),
    )
