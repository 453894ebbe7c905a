"""`pumphouse commission`: a new pump house is tried part by part with its owner, calibrated, and written down."""

from __future__ import annotations

import argparse
import contextlib
import select
import shutil
import signal
import sys
import textwrap
import zoneinfo
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import cast

from controller.commands.arguments import progress_file, sender
from controller.commands.board_pins import read_pins
from controller.commands.commission_guide import STOP, Guide
from controller.commands.commission_live import OverMqtt
from controller.commands.commission_progress import Progress
from controller.commands.status import broker_of
from controller.commissioning.battery import Divider
from controller.commissioning.outcome import SiteChange
from controller.commissioning.site_edit import edited
from controller.commissioning.steps import OnBoard
from controller.errors import ConfigurationError
from controller.service.site_writer import replace_site_text
from controller.service.sitefile import read_site, read_site_text
from controller.site.load import parse_site
from controller.site.model import Mqtt, Site
from firmware_host.board import pins as shipped
from firmware_host.board.conversation import FIRMWARE
from firmware_host.board.pins_check import problems

SUMMARY = "try and calibrate a new pump house part by part, with its owner, and write down what was found"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file that the service reads")
    parser.add_argument("--mqtt", metavar="HOST:PORT", help="the broker (the one in the site file)")
    parser.add_argument("--user", help="account at the broker, for example act-SITE")
    parser.add_argument("--password-file", metavar="FILE", help="file that holds that account's password")
    parser.add_argument("--ca-file", metavar="FILE", help="use TLS and trust this authority's certificate")
    parser.add_argument("--pins", type=Path, help="the board's pin file (the one that comes with the firmware)")
    parser.add_argument("--who", default=None, help="your name in the journal (the name you are logged in with)")
    parser.add_argument("--progress", type=Path, help="file that remembers what is done (in your home directory)")
    parser.add_argument("--afresh", action="store_true", help="begin at the first step again")
    parser.add_argument(
        "--pace", type=float, default=1.0, help="how much faster than real time a virtual site runs (1)"
    )


def run(args: argparse.Namespace) -> int:
    """Go through the steps; 0 when all is signed off, 3 when something is left for later."""
    if not 0.01 <= args.pace <= 1000.0:
        raise ConfigurationError(f"--pace {args.pace:g}: allowed are 0.01 to 1000")
    file = SiteFile(args.site)
    site = file.site()
    board = on_board(args.pins)
    who = sender(args.who)
    progress = Progress(args.progress or progress_file(f"commission-{site.id}"))
    if args.afresh:
        progress.forget()
    live = OverMqtt(_settings(args, site), site.id, who, site.place.time_zone, args.pace, typed_stop)
    try:
        with _closed_window_is_ctrl_c():
            finished = Guide(live, file, board, progress, who, input, show).go()
    except KeyboardInterrupt:
        finished = False
        with contextlib.suppress(OSError):  # There may be no window any more.
            print("\nLeft. What ran is stopped, and the site is on hold. The same command goes on with this step.")
    finally:
        live.close()
    return 0 if finished else 3


def typed_stop() -> bool:
    """Whether somebody typed stop while nothing was asked; other words that nobody asked for are dropped."""
    if not sys.stdin.isatty():
        return False
    while select.select([sys.stdin], [], [], 0.0)[0]:
        word = sys.stdin.readline()
        if word.strip().lower() == STOP:
            print("  Everything is stopped; the site is on hold.")
            return True
        if not word:
            return False
    return False


def show(text: str) -> None:
    """Print a line as wide as the window, what follows as far in as its beginning."""
    width = max(30, shutil.get_terminal_size().columns - 1)
    if len(text) <= width:
        print(text)
        return
    head = text[: len(text) - len(text.lstrip())]
    print(textwrap.fill(text.strip(), width, initial_indent=head, subsequent_indent=f"{head}    "))


class SiteFile:
    """The site file on disk."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def site(self) -> Site:
        return read_site(self._path)

    def write(self, changes: Sequence[SiteChange]) -> str:
        """Put changes in place, after the whole file was read with them; where the copy of the former file is."""
        text = edited(read_site_text(self._path), changes)
        parse_site(text, self._path.name, zoneinfo.available_timezones())
        return str(replace_site_text(self._path, text, datetime.now(UTC)))


def on_board(pins_path: Path | None) -> OnBoard:
    """What the pin file says of the battery's divider and the floats. Raises ConfigurationError naming its mistakes."""
    pins = shipped.PINS if pins_path is None else read_pins(pins_path)
    found = problems(pins)
    if found:
        raise ConfigurationError(f"{pins_path}:\n" + "\n".join(f"  {line}" for line in found))
    divider = cast(Mapping[str, int], pins["battery"])
    floats = cast(Sequence[Mapping[str, int]], pins["float"])
    return OnBoard(Divider(**divider), {channel: part["wet"] for channel, part in enumerate(floats)}, FIRMWARE)


def _settings(args: argparse.Namespace, site: Site) -> Mqtt:
    """The broker of the site file, as a person's account sees it: the service's own account is not for people."""
    if args.mqtt is None:
        own = site.mqtt
        user, password = args.user or own.username, args.password_file or own.password_file
        return replace(own, username=user, password_file=password, ca_file=args.ca_file or own.ca_file)
    args.domain, args.name = site.mqtt.domain, site.id
    return replace(broker_of(args), domain=site.mqtt.domain)


@contextlib.contextmanager
def _closed_window_is_ctrl_c() -> Iterator[None]:
    """A closed window, a lost connection of the terminal or a kill leave like Ctrl-C: what runs is stopped first."""

    def leave(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {number: signal.signal(number, leave) for number in (signal.SIGHUP, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
