"""What runs on MicroPython under `simulator.interpreter`: the board's own files, over pins that are calls to the host.

Only MicroPython can run this file: `host` is the way out of the interpreter. A call takes and gives text, and each
one costs some 50 microseconds, so what every tick needs comes and goes in one.

The garbage collector of this build cannot see what compiled code holds in its own registers. So it never runs by
itself, only here, between imports and between ticks, where all that is in use hangs on variables of this module.
"""

import binascii
import gc
import json
import sys

import host  # type: ignore[import-not-found]

gc.disable()
sys.path.insert(0, "/firmware")
least_free_bytes = gc.mem_free()  # type: ignore[attr-defined]
for name in (
    "wire",
    "board.hardware",
    "board.limits",
    "board.outputs",
    "board.guards",
    "board.conversation",
    "board.logic",
):
    __import__("firmware_host." + name)
    least_free_bytes = min(least_free_bytes, gc.mem_free())  # type: ignore[attr-defined]
    gc.collect()

from firmware_host.board.hardware import Hardware  # noqa: E402
from firmware_host.board.logic import Board  # noqa: E402


def _ask(name: str, words: str) -> str:
    text: str = host.call(name, words)
    return text


def _whole(text: str) -> "int | None":
    return int(text) if text else None


def _counted(text: str) -> int:
    return int(text)


class HostHardware(Hardware):
    """Asks the host for a reading when the board does; pins and what arrived come with `start_tick`."""

    def __init__(self) -> None:
        begun = json.loads(_ask("boot", ""))
        self.settings: dict[str, int | list[int]] | None = begun["settings"]
        self.fed = False
        self._fitted: dict[str, int] = begun["fitted"]
        self._board_id: str = begun["board_id"]
        self._boot_id: str = begun["boot_id"]
        self._reset_cause: str = begun["reset_cause"]
        self._closing_ms: int = begun["closing_ms"]
        self._declaration_good: bool = begun["declaration_good"]
        self._remembered: list[int] = begun["remembered"]
        self._uptime_ms: int = begun["uptime_ms"]
        self._healthy: bool = begun["healthy"]
        self._pumps = 0
        self._valves = 0
        self._inbox = ""

    def start_tick(self, words: str) -> None:
        """`words`: uptime, health, both pin masks, and what arrived in hexadecimal."""
        uptime, healthy, pumps, valves, self._inbox = words.split(" ")
        self._uptime_ms = int(uptime)
        self._healthy = healthy == "1"
        self._pumps = int(pumps)
        self._valves = int(valves)
        self.fed = False

    def fitted(self) -> dict[str, int]:
        return self._fitted

    def board_id(self) -> str:
        return self._board_id

    def boot_id(self) -> str:
        return self._boot_id

    def reset_cause(self) -> str:
        return self._reset_cause

    def uptime_ms(self) -> int:
        return self._uptime_ms

    def echo_burst_us(self, channel: int, count: int) -> "list[int] | None":
        text = _ask("echo", f"{channel} {count}")
        return [int(ping) for ping in text.split(",")] if text else None

    def temperature_centi_c(self, channel: int) -> "int | None":
        return _whole(_ask("temperature", str(channel)))

    def battery_mv(self) -> "int | None":
        return _whole(_ask("battery", ""))

    def panel_mv(self) -> "int | None":
        return _whole(_ask("panel", ""))

    def current_ma(self) -> "int | None":
        return _whole(_ask("current", ""))

    def flow_pulses(self, channel: int) -> int:
        return _counted(_ask("flow", str(channel)))

    def rain_tips(self) -> int:
        return _counted(_ask("rain", ""))

    def float_wet(self, channel: int) -> bool:
        return _ask("wet", str(channel)) == "1"

    def soil_mv(self, channel: int) -> "int | None":
        return _whole(_ask("soil", str(channel)))

    def set_pump(self, output: int, on: bool) -> None:
        self._take_pins(_ask("set_pump", f"{output} {1 if on else 0}"))

    def set_valve(self, output: int, is_open: bool) -> None:
        self._take_pins(_ask("set_valve", f"{output} {1 if is_open else 0}"))

    def _take_pins(self, words: str) -> None:
        pumps, valves = words.split(" ")
        self._pumps = int(pumps)
        self._valves = int(valves)

    def pumps_on(self, count: int) -> int:  # noqa: ARG002
        return self._pumps

    def valves_open(self, count: int) -> int:  # noqa: ARG002
        return self._valves

    def pump_on(self, output: int) -> bool:
        return bool(self._pumps >> output & 1)

    def valve_open(self, output: int) -> bool:
        return bool(self._valves >> output & 1)

    def read(self) -> bytes:
        text = self._inbox
        self._inbox = ""
        return binascii.unhexlify(text)

    def write(self, data: bytes) -> None:
        _ask("write", data.decode())

    def feed_watchdog(self) -> None:
        self.fed = True

    def restart(self, program_off: bool) -> None:
        _ask("restart", "1" if program_off else "0")

    def moving_ms(self) -> int:
        return _counted(_ask("moving", ""))

    def closing_ms(self) -> int:
        return self._closing_ms

    def problem(self) -> str:
        return _ask("problem", "")

    def declaration_good(self) -> bool:
        return self._declaration_good

    def healthy(self) -> bool:
        return self._healthy

    def remembered(self) -> tuple[int, int, int]:
        boots, lock_outs, locked = self._remembered
        return boots, lock_outs, locked

    def lifetime(self) -> "tuple[int, str, list[int], int] | None":
        text = _ask("lifetime", "")
        if not text:
            return None
        boots, before, tips, pulses = text.split(" ")
        return int(boots), before, [int(total) for total in pulses.split(",")] if pulses else [], int(tips)

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        _ask("remember", f"{boots} {lock_outs} {locked}")


hardware = HostHardware()
board = Board(hardware, hardware.settings)
least_free_bytes = min(least_free_bytes, gc.mem_free())  # type: ignore[attr-defined]
gc.collect()
words = _ask("booted", f"{least_free_bytes} {gc.mem_free()}")  # type: ignore[attr-defined]
while True:
    hardware.start_tick(words)
    due_ms = board.tick()
    least_free_bytes = gc.mem_free()  # type: ignore[attr-defined]
    gc.collect()
    words = f"{due_ms} {1 if hardware.fed else 0} {least_free_bytes} {gc.mem_free()}"  # type: ignore[attr-defined]
    words = _ask("ticked", words)
