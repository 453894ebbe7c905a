"""`pumphouse season`: a season of the real controller over a simulated site, in virtual time."""

from __future__ import annotations

import argparse
import gc
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

from controller.errors import ConfigurationError
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.service.sitefile import read_site, read_site_text
from controller.site.load import parse_site
from controller.site.model import Site
from simulator.example import example_site_text
from simulator.plant.daily_records import read_daily_csv, weather_from_daily
from simulator.plant.weather import Weather, local_midnight_wall_ms
from simulator.plant.weather_generator import generate_weather
from simulator.season import SeasonRun
from simulator.season_summary import SeasonTally, summary_lines

SUMMARY = "run a season in virtual time and print what became of the water"
MS_PER_DAY = 86_400_000
CHECKPOINT_DAYS = 30
BAR_WIDTH = 40
COLLECT_AFTER = 50_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--site", type=Path, help="site file (default: the example allotment)")
    parser.add_argument("--from", dest="start", type=_day, default=date(2026, 1, 1), help="first day (2026-01-01)")
    parser.add_argument("--days", type=int, default=365, help="how many days (365)")
    parser.add_argument("--seed", type=int, default=1, help="which invented weather and hidden parameters (1)")
    parser.add_argument("--weather", type=Path, help="daily weather as CSV: date,tmin_c,tmax_c,rain_mm[,et0_mm]")
    journal = parser.add_mutually_exclusive_group()
    journal.add_argument("--journal", type=Path, help="write the journal here (default: a name made of day and seed)")
    journal.add_argument("--no-journal", action="store_true", help="write no journal")
    parser.add_argument("--export", type=Path, help="write the journal as text here, for comparing two runs")
    parser.add_argument("--fill", type=float, default=0.6, help="how full the tanks start, 0 to 1 (0.6)")


def run(args: argparse.Namespace) -> int:
    """Run the season, print the table. Raises ConfigurationError for what cannot be run."""
    _check(args)
    text = example_site_text() if args.site is None else read_site_text(args.site)
    site = parse_site(text, "example site") if args.site is None else read_site(args.site)
    weather, start = season_weather(site, args.start, args.days, args.seed, args.weather)
    path = _journal_path(args, start)
    journal = None if path is None else Journal.open(path, bulk=True)
    season = SeasonRun(
        site,
        weather,
        args.seed,
        local_midnight_wall_ms(start, site.place),
        log=journal,
        encode=encode_input,
        fill=args.fill,
    )
    tally = SeasonTally(site, season.plant)
    season.watch = tally.take
    began_s = time.perf_counter()
    with collecting_seldom():
        run_days(season, args.days, journal, text, sys.stderr.isatty())
    elapsed_s = time.perf_counter() - began_s
    print("\n".join(summary_lines(site, season.plant, tally)))
    print(f"  {args.days} days in {elapsed_s:.1f} s, {season.steps} steps of the controller")
    if journal is not None:
        if args.export is not None:
            journal.export(args.export)
        journal.close()
        print(f"  journal in {path}; see it with: pumphouse status --journal {path}")
    return 0


@contextmanager
def collecting_seldom() -> Iterator[None]:
    """Have the garbage collector look less often, and at what is new only: steps leave no cycles behind."""
    usual = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(COLLECT_AFTER)
    try:
        yield
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()


def run_days(season: SeasonRun, days: int, journal: Journal | None, site_text: str, show_bar: bool) -> None:
    """Carry a season through, with a checkpoint to replay from at the start and every `CHECKPOINT_DAYS`."""
    for day in range(days):
        if journal is not None and day % CHECKPOINT_DAYS == 0:
            journal.add_checkpoint(season.now(), site_text, season.core.dump())
        season.run_until((day + 1) * MS_PER_DAY)
        if show_bar:
            show_progress(day + 1, days)
    if journal is not None:
        journal.commit()


def show_progress(done: int, of: int) -> None:
    """Draw the bar anew on the error stream; ends its line when all is done."""
    filled = done * BAR_WIDTH // of
    bar = "#" * filled + "." * (BAR_WIDTH - filled)
    print(f"\r  [{bar}] day {done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)


def season_weather(site: Site, start: date, days: int, seed: int, csv: Path | None) -> tuple[Weather, date]:
    """Invented weather, or the records of a file (which then sets the first day)."""
    if csv is None:
        return generate_weather(site.place, start - timedelta(days=1), days + 3, seed), start
    rows = read_daily_csv(csv)
    if len(rows) < days + 2:
        raise ConfigurationError(f"{csv}: {len(rows)} days of weather; {days} days need {days + 2}: give --days fewer")
    return weather_from_daily(rows[: days + 2], site.place, seed), rows[0].date + timedelta(days=1)


def _journal_path(args: argparse.Namespace, start: date) -> Path | None:
    """Where the journal goes. The name we give is ours to write anew: the same words give the same season."""
    if args.no_journal:
        return None
    if args.journal is not None:
        path: Path = args.journal
        return path
    path = Path(f"season-{start.isoformat()}-seed{args.seed}.sqlite")
    for part in ("", "-wal", "-shm"):
        path.with_name(path.name + part).unlink(missing_ok=True)
    return path


def _check(args: argparse.Namespace) -> None:
    if not 1 <= args.days <= 36_525:
        raise ConfigurationError(f"--days {args.days}: allowed are 1 to 36525")
    if not 0.0 <= args.fill <= 1.0:
        raise ConfigurationError(f"--fill {args.fill}: allowed are 0 (empty) to 1 (at the overflow)")
    if args.export is not None and args.no_journal:
        raise ConfigurationError("--export writes the journal as text: leave out --no-journal")
    if args.journal is not None and args.journal.exists():
        raise ConfigurationError(f"{args.journal} exists already; name a new file or delete it first")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; write it like 2026-04-01") from None
