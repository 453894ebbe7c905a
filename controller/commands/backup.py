"""`pumphouse backup`: a copy of the journal while the controller runs."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from controller.service.backup import back_up
from controller.service.homie import iso_time

SUMMARY = "copy the journal while the controller runs"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("journal", type=Path, help="the journal file")
    parser.add_argument("to", type=Path, help="name of the copy, or a directory to put it in")


def run(args: argparse.Namespace) -> int:
    """Copy, check the copy, say what is in it."""
    to: Path = args.to
    if to.is_dir():
        to = to / f"{args.journal.stem}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}{args.journal.suffix}"
    copy = back_up(args.journal, to)
    print(
        f"{copy.path}: {copy.size_bytes / 1e6:.1f} MB, checked; {copy.newest_seq} records, "
        f"the last step of {iso_time(copy.last_wall_ms)}"
    )
    print("It holds the site file too, no passwords. Keep it on another medium.")
    return 0
