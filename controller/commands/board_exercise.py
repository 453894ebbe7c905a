"""`pumphouse board exercise`: the wiring check: moves one output at a time for real and reads back the effect."""

from __future__ import annotations

import argparse
import secrets
from pathlib import Path

from controller.errors import ConfigurationError
from controller.guard.board_limits import board_limits
from controller.service.board_visit import BoardVisit
from controller.service.sitefile import read_site
from controller.service.wiring_check import REST_S, judge, moves
from controller.site.model import Site
from firmware_host.messages import SHUT
from firmware_host.transport import SerialPort

CAUTION = """This moves valves and runs the pump. Before you go on:
  - water in the tank above the pump's intake, nobody working at pump, valves or wiring;
  - you can reach the switch or fuse that stops the pump;
  - the service is stopped (sudo systemctl stop pumphouse).
Everything is shut again at the end, and within 5 s if this program dies."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--serial", required=True, metavar="PATH", help="the board's port, for example /dev/ttyACM0")
    parser.add_argument("--site", required=True, type=Path, help="the site file: says which outputs there should be")
    parser.add_argument("--yes", action="store_true", help="do not ask before anything moves")
    parser.add_argument("--valves-only", action="store_true", help="leave the pump alone")


def run(args: argparse.Namespace) -> int:
    """Move, judge, tell; 1 when anything was wrong. Raises OperatingError when the board is not there or is lost."""
    site = read_site(args.site)
    print(CAUTION)
    if not args.yes and input("Type yes to go on: ").strip().lower() != "yes":
        print("Nothing was moved.")
        return 1
    wrong = 0
    with BoardVisit(SerialPort(args.serial), board_limits(site), secrets.randbits(31)) as visit:
        hello = visit.introduce()
        missing = _missing(hello.fitted.pump, hello.fitted.valve, args.site, site)
        if missing:
            raise ConfigurationError(missing)
        before = visit.watch(SHUT, REST_S)
        for move in moves(site):
            if args.valves_only and move.outputs.pumps:
                continue
            print(f"{move.name}: {move.look} ...", flush=True)
            reports = visit.watch(move.outputs, move.seconds)
            outcome = judge(move, before[-1] if before else reports[0], reports)
            wrong += not outcome.right
            for line in outcome.words or ("read back as it should be",):
                print(f"    {'right' if outcome.right else 'WRONG'}: {line}")
            before = visit.watch(SHUT, REST_S)
    print("All moves read back as they should." if not wrong else f"{wrong} moves were not as they should be.")
    return 1 if wrong else 0


def _missing(pumps: int, valves: int, path: Path, site: Site) -> str:
    """What the site file names and the board does not have; empty when nothing."""
    named = {
        "pump": (max(pump.output for pump in site.pumps), pumps),
        "valve": (max(zone.valve.output for zone in site.zones), valves),
    }
    for kind, (output, fitted) in named.items():
        if output >= fitted:
            return f"{path}: {kind} output {output} is named, but the board has {fitted} of them, the first is 0"
    return ""
