"""`pumphouse advise`: what a declared site would do, before anything is bought, as a report to print."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.errors import ConfigurationError, OperatingError
from controller.service.sitefile import read_site
from controller.site.model import Site

SUMMARY = "plan a site: what tank, pipes, panel and wires would do, as a report"
LEAST_YEARS, MOST_YEARS = 1, 200
BAR_WIDTH = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file; it may describe what is not bought yet")
    parser.add_argument(
        "--weather",
        type=Path,
        help="daily weather as CSV: date,tmin_c,tmax_c,rain_mm[,et0_mm]; or an hourly .epw",
    )
    parser.add_argument("--years", type=int, default=30, help="how many likely years without --weather (30)")
    parser.add_argument("--out", type=Path, default=Path(), help="folder for the report (default: this one)")
    parser.add_argument("--jobs", type=int, help="how many processes (default: one for each core)")


def run(args: argparse.Namespace) -> int:
    """Write the report. Raises ConfigurationError for what cannot be planned, OperatingError when a file cannot be
    written."""
    _check(args)
    site = read_site(args.site)
    try:
        from simulator.advise.report import make_report
    except ModuleNotFoundError as missing:
        if missing.name != "numpy":
            raise
        raise OperatingError("numpy is not installed. Install it with: pip install 'pumphouse[advise]'") from None
    html, data = args.out / f"advice-{site.id}.html", args.out / f"advice-{site.id}.json"
    with _writing(args.out):
        # Before the work, so that nobody waits for nothing.
        args.out.mkdir(parents=True, exist_ok=True)
    report = make_report(site, args.weather, args.years, _bar() if sys.stderr.isatty() else None, args.jobs)
    with _writing(args.out):
        html.write_text(report.html, encoding="utf-8")
        data.write_text(json.dumps(report.data, indent=1, ensure_ascii=False, sort_keys=True) + "\n", encoding="utf-8")
    print("\n".join(_lines(site, report.found)))
    print(f"\nreport: {html}\nnumbers: {data}")
    return 0


@contextmanager
def _writing(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OperatingError(
            f"{folder}: cannot be written: {error.strerror or error}; name another with --out"
        ) from error


def _check(args: argparse.Namespace) -> None:
    if not LEAST_YEARS <= args.years <= MOST_YEARS:
        raise ConfigurationError(f"--years {args.years}: allowed are {LEAST_YEARS} to {MOST_YEARS}")
    if args.jobs is not None and not 1 <= args.jobs <= 64:
        raise ConfigurationError(f"--jobs {args.jobs}: allowed are 1 to 64")


def _lines(site: Site, found: tuple[str, ...]) -> list[str]:
    return [site.name, *(f"  - {text}" for text in found)]


def _bar() -> Callable[[int, int], None]:
    def show(done: int, of: int) -> None:
        filled = done * BAR_WIDTH // of
        bar = "#" * filled + "." * (BAR_WIDTH - filled)
        print(f"\r  [{bar}] part {done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)

    return show
