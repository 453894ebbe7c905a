"""`pumphouse restore`: a copy of the journal in the journal's place."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from controller.service.backup import bring_back

SUMMARY = "put a copy made by backup in the journal's place; the controller must be stopped"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("copy", type=Path, help="the copy")
    parser.add_argument("journal", type=Path, help="the journal file to replace")


def run(args: argparse.Namespace) -> int:
    """Check the copy, set the old journal aside, put the copy there."""
    aside = bring_back(args.copy, args.journal, f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    if aside is not None:
        print(f"The journal that was there is now {aside}.")
    print(f"{args.journal} is the copy {args.copy}.")
    print(
        "When the controller starts, it waters nothing until the next day: what was given since the copy was made is "
        "not known. Whoever knows better can end that hold (order resume)."
    )
    return 0
