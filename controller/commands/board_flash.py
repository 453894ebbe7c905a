"""`pumphouse board flash`: put the firmware and a pin file on a board that runs MicroPython.

The copying is done by mpremote, the tool of the MicroPython project. A board that runs this firmware already is asked
to restart without its program first: its watchdog would end the copying otherwise.
"""

from __future__ import annotations

import argparse
import importlib.util
import secrets
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from controller.commands.board_inspect import hello_lines
from controller.commands.board_pins import read_pins
from controller.errors import ConfigurationError, OperatingError
from controller.service.board_visit import BoardVisit
from controller.service.firmware_files import BoardFile, firmware_files, folders
from firmware_host.board.pins_check import problems
from firmware_host.transport import SerialPort

STEP_LIMIT_S = 120.0
RESTART_S = 4.0
CAUTION = """While a board is flashed its outputs are at rest, but a wire on the wrong pin is found only now.
Pull the pump's fuse before you go on; leave it out until `pumphouse board inspect` shows what is fitted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--serial", required=True, metavar="PATH", help="the board's port, for example /dev/ttyACM0")
    parser.add_argument("--pins", type=Path, help="your pin file (default: the one that comes with the firmware)")
    parser.add_argument("--yes", action="store_true", help="do not ask before the board is written")


def run(args: argparse.Namespace) -> int:
    """Check, ask, copy, restart, and have the board introduce itself. Raises the error that says what to do."""
    pins = _pins_text(args.pins)
    if importlib.util.find_spec("mpremote") is None:
        raise OperatingError("mpremote is not installed. Install it with: pip install 'pumphouse[board]'")
    print(CAUTION)
    if not args.yes and input("Type yes to go on: ").strip().lower() != "yes":
        print("Nothing was written.")
        return 1
    _leave_program(args.serial)
    _copy(args.serial, firmware_files(pins))
    print("Restarting ...", flush=True)
    mpremote(args.serial, "reset")
    time.sleep(RESTART_S)
    with BoardVisit(SerialPort(args.serial), session=secrets.randbits(31)) as visit:
        print("\n".join(hello_lines(visit.introduce())))
    return 0


def _pins_text(path: Path | None) -> str | None:
    """The pin file to copy, checked before anything is written."""
    if path is None:
        return None
    found = problems(read_pins(path))
    if found:
        raise ConfigurationError(f"{path}:\n" + "\n".join(f"  {line}" for line in found))
    return path.read_text(encoding="utf-8")


def _leave_program(serial: str) -> None:
    """Ask a board that runs this firmware to restart without it; a board that does not answer needs no asking."""
    try:
        with BoardVisit(SerialPort(serial), session=secrets.randbits(31)) as visit:
            hello = visit.introduce()
            print(f"It runs firmware {hello.firmware}; asking it to make way ...", flush=True)
            visit.restart(with_program=False)
    except OperatingError as error:
        print(f"No firmware of ours answered ({error}); copying all the same.", flush=True)
        return
    time.sleep(RESTART_S)


def _copy(serial: str, board_files: list[BoardFile]) -> None:
    # An old main.py goes first, so that an interrupted copying never starts half a program.
    mpremote(serial, "fs", "rm", ":main.py", may_fail=True)
    for folder in folders(board_files):
        mpremote(serial, "fs", "mkdir", f":{folder}", may_fail=True)
    with tempfile.TemporaryDirectory(prefix="pumphouse-firmware-") as directory:
        for number, file in enumerate(board_files):
            local = Path(directory) / str(number)
            local.write_text(file.content, encoding="utf-8")
            print(f"  {number + 1:2d} of {len(board_files)}  {file.path}", flush=True)
            mpremote(serial, "fs", "cp", str(local), f":{file.path}")


def mpremote(serial: str, *words: str, may_fail: bool = False) -> None:
    """Run mpremote once. Raises OperatingError with what it said."""
    command = [sys.executable, "-m", "mpremote", "connect", serial, *words]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=STEP_LIMIT_S, check=False)
    except subprocess.TimeoutExpired:
        raise OperatingError(
            f"mpremote {' '.join(words)} did not end within {STEP_LIMIT_S:.0f} s; unplug the board and plug it in again"
        ) from None
    if done.returncode != 0 and not may_fail:
        said = (done.stderr or done.stdout).strip().splitlines()
        raise OperatingError(
            f"mpremote {' '.join(words)} failed: {said[-1] if said else 'no reason given'}; "
            "is MicroPython on the board, and is no other program using the port?"
        )
