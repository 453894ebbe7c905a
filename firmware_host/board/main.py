"""The firmware: what the board does from the moment it gets power.

Order of a boot: every output off, self-test, lock-out after too many boots, then the board's logic; last of all the
watchdog, which only a whole turn of the loop feeds. If the loop hangs or fails, everything is off within a second.
"""

import micropython  # type: ignore[import-not-found]

from firmware_host.board.clock import pause_ms
from firmware_host.board.console import Console
from firmware_host.board.declared import NOTHING
from firmware_host.board.logic import Board
from firmware_host.board.pins_check import problems
from firmware_host.board.restart import program_is_off
from firmware_host.board.rp2_hardware import Rp2Hardware

TURN_MS = 5
_NO_INTERRUPT_KEY = -1


def run() -> None:
    """Run for ever; return only when this boot is to leave the program off, so that it can be replaced."""
    micropython.alloc_emergency_exception_buf(100)
    hardware, settings = prepare("")
    if program_is_off():
        return
    micropython.kbd_intr(_NO_INTERRUPT_KEY)
    board = start(hardware, settings)
    try:
        while True:
            turn(hardware, board)
            pause_ms(TURN_MS)
    except Exception:
        # Whatever it was: nothing may stay on. Nobody feeds the watchdog any more.
        hardware.all_off()
        raise


def prepare(folder: str) -> "tuple[Rp2Hardware, dict[str, int | list[int]]]":
    """The hardware with every output off; without any parts when the declaration is wrong."""
    console = Console()
    try:
        from firmware_host.board import pins

        found = problems(pins.PINS)
        settings = pins.SETTINGS
        if not found:
            return Rp2Hardware(pins.PINS, console, "", folder), settings
        wrong = "PINS: " + "; ".join(found)
    except Exception as error:
        wrong = f"pins.py: {error}"
    return Rp2Hardware(NOTHING, console, wrong, folder), {}


def start(hardware: Rp2Hardware, settings: "dict[str, int | list[int]]") -> Board:
    """Test, look whether the board is locked out, and start the watchdog."""
    hardware.test_at_boot()
    board = Board(hardware, settings)
    hardware.save(0)
    hardware.start_watchdog()
    return board


def turn(hardware: Rp2Hardware, board: Board) -> None:
    """One turn of the loop."""
    hardware.step()
    board.tick()
