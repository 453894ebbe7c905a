"""The `pumphouse` command: finds the module of a sub-command and runs it.

A sub-command module offers SUMMARY (one line), `add_arguments(parser)` and `run(args) -> exit code`. Modules are
imported only when asked for, so that `pumphouse check` never loads a web server.
"""

from __future__ import annotations

import argparse
import importlib
import os
import select
import sys
from collections.abc import Sequence
from importlib.metadata import version

from controller.errors import PumphouseError

COMMANDS = {
    "demo": ("simulator.demo", "watch a simulated allotment being watered, in a browser or here"),
    "check": ("controller.commands.check", "read a site file and say what is wrong with it"),
    "serve": ("controller.commands.serve", "run the controller (what systemd starts)"),
    "watch": ("dashboards.watch", "serve the page, from what MQTT says"),
    "watch-accounts": ("dashboards.accounts_command", "add, list and remove who may use the page, from the shell"),
    "status": ("controller.commands.status", "show the site as it is now, from MQTT or the journal"),
    "plan": ("controller.commands.plan", "show today's plan and the next days', and how long the water may last"),
    "account": ("controller.commands.account", "tell what became of the water in a season or a year, by the journal"),
    "advise": ("simulator.advise.command", "plan a site: what tank, pipes, panel and wires would do, as a report"),
    "export": ("controller.commands.export", "write the journal's records as CSV, SenML or line protocol"),
    "what-if": ("simulator.what_if_command", "live a recorded season again with another tank, roof, panel or schedule"),
    "season": ("simulator.season_command", "run a season in virtual time and print what became of the water"),
    "commission": ("controller.commands.commission", "try and calibrate a new pump house part by part, with its owner"),
    "winter": ("controller.commands.winter", "close a site down for winter or start it up in spring, step by step"),
    "replay": ("controller.commands.replay", "run the core again over a journal and compare every decision"),
    "backup": ("controller.commands.backup", "copy the journal while the controller runs"),
    "restore": ("controller.commands.restore", "put a copy made by backup in the journal's place"),
    "broker-config": ("controller.commands.broker_config", "write accounts and access rights for the MQTT broker"),
    "board": ("controller.commands.board", "look at the board in the pump house, exercise it; or run a virtual one"),
}


def build_parser(argv: Sequence[str]) -> argparse.ArgumentParser:
    """Parser with all sub-commands listed; only the one named in `argv` is imported and filled in."""
    parser = argparse.ArgumentParser(prog="pumphouse", description="Waters a garden from a rainwater tank by itself.")
    parser.add_argument("--version", action="version", version=f"pumphouse {version('pumphouse')}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    wanted = next((word for word in argv if word in COMMANDS), None)
    for name, (module_name, summary) in COMMANDS.items():
        sub = subparsers.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name == wanted:
            module = importlib.import_module(module_name)
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point. Errors meant for people are printed without a traceback; exit code 2 for configuration, else 1."""
    words = list(sys.argv[1:] if argv is None else argv)
    args = build_parser(words).parse_args(words)
    try:
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        if _somebody_reads():
            raise
        return 0
    except PumphouseError as error:
        print(f"pumphouse {args.command}: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130


def _somebody_reads() -> bool:
    """Whether our output still goes anywhere; a reader that has had enough (`| head`) is no error of ours."""
    poller = select.poll()
    poller.register(sys.stdout.fileno(), 0)
    if not any(event & select.POLLERR for _, event in poller.poll(0)):
        return True
    # What is still buffered must not fail once more when the interpreter ends.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return False


if __name__ == "__main__":
    sys.exit(main())
