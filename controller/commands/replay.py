"""`pumphouse replay`: runs the core again over a journal and compares every decision."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from controller.commands.arguments import instant
from controller.service.homie import iso_time
from controller.service.replay import Difference, ReplayResult, core_class, replay
from controller.service.restore import stored_site
from controller.service.sitefile import read_site

SUMMARY = "run the core again over a journal and compare every decision"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("journal", type=Path, help="the journal file")
    parser.add_argument("--from", dest="start", type=instant, help="start at this time, as 2026-05-14T05:00:00Z")
    parser.add_argument("--to", dest="end", type=instant, help="time to stop at")
    parser.add_argument("--site", type=Path, help="site file to use instead of the one stored in the journal")


def run(args: argparse.Namespace) -> int:
    """0 when every decision is the same; 1 with the first difference printed otherwise."""
    site = None if args.site is None else read_site(args.site)
    result = replay(args.journal, core_class(), stored_site, site, _wall_ms(args.start), _wall_ms(args.end))
    print("\n".join(report_lines(result)))
    return 0 if result.difference is None else 1


def report_lines(result: ReplayResult) -> list[str]:
    """What was compared and what came of it."""
    lines = [
        f"{result.steps} steps from {iso_time(result.from_wall_ms)} to {iso_time(result.to_wall_ms)}: "
        f"{result.records} records and {result.outputs} changes of the outputs compared"
    ]
    if result.difference is None:
        return [*lines, "every decision is the same"]
    return [*lines, *_difference_lines(result.difference)]


def _difference_lines(difference: Difference) -> list[str]:
    return [
        f"first difference at input {difference.input_id}, {iso_time(difference.wall_ms)}: {difference.what}",
        f"  in the journal: {difference.stored}",
        f"  run again:      {difference.replayed}",
    ]


def _wall_ms(instant: datetime | None) -> int | None:
    return None if instant is None else int(instant.timestamp() * 1000)
