"""`pumphouse demo`: the whole path, live. A simulated allotment with 60 days behind it, a board on a pseudo-terminal, a
broker, the real controller and the page; everything in one directory and gone when it ends."""

from __future__ import annotations

import argparse
import contextlib
import json
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from datetime import time as time_of_day
from pathlib import Path
from types import FrameType
from typing import Any
from zoneinfo import ZoneInfo

from controller.errors import ConfigurationError
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.site.load import parse_site
from controller.site.model import Site
from simulator.board import VirtualBoard
from simulator.board_process import Cable, serve
from simulator.broker_process import free_port, start_broker
from simulator.example import example_site_text
from simulator.plant.weather_generator import generate_weather
from simulator.season import SeasonRun
from simulator.season_command import show_progress

SUMMARY = "watch a simulated allotment being watered, in a browser or here"
TODAY = date(2026, 6, 24)
BEGINS = time_of_day(11, 29)
"""Local time, a minute before the pots' midday window of the example site."""
MS_PER_DAY = 86_400_000
WEATHER_AHEAD_DAYS = 400
PAGE_WITHIN_S = 30.0
LOOK_EVERY_S = 1.0
CAUTION = "This is roof water: not for drinking. Everything you see here is simulated."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--pace", type=float, default=10.0, help="how many times faster than real time (10)")
    parser.add_argument("--days", type=int, default=60, help="days of history to simulate first (60)")
    parser.add_argument("--seed", type=int, default=1, help="which invented weather and hidden parameters (1)")
    parser.add_argument(
        "--http-port", type=int, default=8080, help="port of the page on this machine (8080, or any free)"
    )
    parser.add_argument(
        "--keep", type=Path, metavar="DIR", help="keep site file, journal and history in this new directory"
    )
    parser.add_argument("--for", dest="seconds", type=float, help="end by itself after so many real seconds")


def run(args: argparse.Namespace) -> int:
    """Run until Ctrl-C, SIGTERM or `--for` is over. Raises ConfigurationError or OperatingError with the cure."""
    _check(args)
    with _directory(args.keep) as directory, contextlib.ExitStack() as stack:
        broker = stack.enter_context(start_broker(directory))
        text = example_site_text().replace("port = 1883", f"port = {broker.port}")
        (directory / "site.toml").write_text(text, encoding="utf-8")
        site = parse_site(text, "site.toml")
        season = _history(site, text, directory / "journal.sqlite", args.days, args.seed)
        board = VirtualBoard.over(season.hardware)
        cable = Cable(directory / "board")
        stack.callback(cable.close)
        start_wall_ms = season.now().wall_ms
        http_port = free_port(args.http_port)
        _start(stack, directory, "watch", *_watch_words(broker.port, http_port, directory))
        _start(stack, directory, "serve", *_serve_words(directory, args.pace, start_wall_ms))
        page = f"http://127.0.0.1:{http_port}/"
        print(f"\n  broker  {broker.name} on port {broker.port}")
        print(f"  page    {page}   (open it in a browser)")
        print(f"  pace    {args.pace:g} times real time; it is {_local(site, start_wall_ms)} at the allotment")
        print(f"  {CAUTION}\n  Ctrl-C ends it.\n", flush=True)
        ended = _ended_by(args.seconds)
        threading.Thread(target=_tell, args=(page, site, ended), daemon=True).start()
        serve(board, cable, args.pace, None, lambda: not ended.is_set())
    return 0


def _check(args: argparse.Namespace) -> None:
    if not 0.1 <= args.pace <= 60.0:
        # The board's leases run on its own time: faster, and this machine's own pauses would look like a dead host.
        raise ConfigurationError(f"--pace {args.pace:g}: allowed are 0.1 to 60")
    if not 1 <= args.days <= 3650:
        raise ConfigurationError(f"--days {args.days}: allowed are 1 to 3650")
    if not 0 <= args.http_port <= 65535:
        raise ConfigurationError(f"--http-port {args.http_port}: allowed are 0 (any) to 65535")
    if args.keep is not None and args.keep.exists():
        raise ConfigurationError(f"{args.keep} exists already; name a new directory")


@contextlib.contextmanager
def _directory(keep: Path | None) -> Iterator[Path]:
    if keep is not None:
        keep.mkdir(parents=True)
        yield keep
        return
    path = Path(tempfile.mkdtemp(prefix="pumphouse-demo-"))
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


def _history(site: Site, text: str, journal_path: Path, days: int, seed: int) -> SeasonRun:
    """Simulate the days before `TODAY` into the journal, up to the minute at which the demonstration begins."""
    zone = ZoneInfo(site.place.time_zone)
    first = TODAY - timedelta(days=days)
    begin_ms = int(datetime.combine(first, time_of_day(), zone).timestamp() * 1000)
    end_ms = int(datetime.combine(TODAY, BEGINS, zone).timestamp() * 1000)
    weather = generate_weather(site.place, first - timedelta(days=1), days + WEATHER_AHEAD_DAYS, seed)
    journal = Journal.open(journal_path, bulk=True)
    season = SeasonRun(site, weather, seed, begin_ms, log=journal, encode=encode_input, fill=0.9)
    print(f"  {days} days of history of {site.name}, simulated by the real controller", file=sys.stderr)
    for day in range(days):
        season.run_until((day + 1) * MS_PER_DAY)
        if sys.stderr.isatty():
            show_progress(day + 1, days)
    season.run_until(end_ms - begin_ms)
    journal.add_checkpoint(season.now(), text, season.core.dump())
    journal.close()
    return season


def _watch_words(broker_port: int, http_port: int, directory: Path) -> list[str]:
    where = ["--mqtt", f"127.0.0.1:{broker_port}", "--http", f"127.0.0.1:{http_port}"]
    return [*where, "--store", str(directory / "history.sqlite"), "--open-on-loopback"]


def _serve_words(directory: Path, pace: float, start_wall_ms: int) -> list[str]:
    start = datetime.fromtimestamp(start_wall_ms / 1000.0, UTC).isoformat()
    files = ["--site", str(directory / "site.toml"), "--journal", str(directory / "journal.sqlite")]
    return [*files, "--serial", str(directory / "board"), "--pace", f"{pace:g}", "--start", start]


def _start(stack: contextlib.ExitStack, directory: Path, command: str, *words: str) -> None:
    """Start one of our own processes; it ends with the demonstration. What it says goes to a file."""
    log = stack.enter_context((directory / f"{command}.log").open("wb"))
    process = subprocess.Popen([sys.executable, "-m", "controller.cli", command, *words], stdout=log, stderr=log)
    stack.callback(_stop, process)


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(timeout=10.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _ended_by(seconds: float | None) -> threading.Event:
    """Set by Ctrl-C, SIGTERM, or when the time is over."""
    ended = threading.Event()

    def end(_signal: int, _frame: FrameType | None) -> None:
        ended.set()

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)
    if seconds is not None:
        timer = threading.Timer(seconds, ended.set)
        timer.daemon = True
        timer.start()
    return ended


# --- the few lines in the terminal ---------------------------------------------------------------------------------


def _tell(page: str, site: Site, ended: threading.Event) -> None:
    """Print a line whenever something changes that one would look up for."""
    deadline_s = time.monotonic() + PAGE_WITHIN_S
    said = ""
    while not ended.wait(LOOK_EVERY_S):
        try:
            with urllib.request.urlopen(page + "api/site", timeout=5.0) as answer:
                view = json.load(answer)
        except (OSError, ValueError):
            if not said and time.monotonic() > deadline_s:
                print("  the page does not answer yet; still trying", flush=True)
                deadline_s = time.monotonic() + PAGE_WITHIN_S
            continue
        line = headline(view)
        if line and line != said:
            said = line
            print(f"  {_time_of(view, site)}  {line}", flush=True)


def headline(view: dict[str, Any]) -> str:
    """What runs now, and how much there is, in one line; empty before anything is known."""
    volumes = [
        f"about {round(tank['volume_l'], -1):.0f} L"
        for tank in view.get("tanks", [])
        if tank.get("volume_l") is not None
    ]
    if not volumes:
        return ""
    watering = [zone["name"] for zone in view.get("zones", []) if zone.get("watering")]
    today = sum(zone.get("applied_today_l") or 0.0 for zone in view.get("zones", []))
    if watering:
        return f"watering {', '.join(watering)}"
    return f"at rest; {' + '.join(volumes)} stored, {today:.0f} L given today"


def _time_of(view: dict[str, Any], site: Site) -> str:
    updated_ms = view.get("updated_at_ms")
    return _local(site, updated_ms) if isinstance(updated_ms, int) else "     "


def _local(site: Site, wall_ms: int) -> str:
    moment = datetime.fromtimestamp(wall_ms / 1000.0, ZoneInfo(site.place.time_zone))
    return moment.strftime("%d %B, %H:%M")
