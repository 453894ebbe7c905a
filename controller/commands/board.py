"""`pumphouse board`: what one does with the microcontroller, and with the virtual one."""

from __future__ import annotations

import argparse
import importlib

SUMMARY = "look at the board in the pump house, flash it, exercise it; or run a virtual one"
ACTIONS = {
    "inspect": ("controller.commands.board_inspect", "ask a board who it is, and show what it reads"),
    "exercise": ("controller.commands.board_exercise", "move one output at a time and read back the effect"),
    "pins": ("controller.commands.board_pins", "check the pin file and show it as a table"),
    "flash": ("controller.commands.board_flash", "put the firmware and a pin file on a board"),
    "virtual": ("simulator.board_process", "a virtual board on a pseudo-terminal, for trying things out"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, (module_name, summary) in ACTIONS.items():
        module = importlib.import_module(module_name)
        sub = actions.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        module.add_arguments(sub)
        sub.set_defaults(act=module.run)


def run(args: argparse.Namespace) -> int:
    """Run the action that was named."""
    return int(args.act(args))
