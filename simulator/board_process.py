"""`pumphouse board virtual`: a virtual board on a pseudo-terminal, running in real time or faster.

Like a board on a USB cable it sends whether anyone listens or not; what nobody takes is lost. With a pace other than 1
the board's clock, and with it every lease, runs that much faster: the host must use the same paced clock.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import pty
import select
import signal
import time
import tty
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

from controller.errors import ConfigurationError, OperatingError
from controller.service.sitefile import read_site
from controller.site.load import parse_site
from controller.site.model import Site
from firmware_host.board.logic import Board
from simulator.board import VirtualBoard
from simulator.example import example_site_text
from simulator.interpreter import InterpretedBoard
from simulator.plant.daily_records import read_daily_csv, weather_from_daily
from simulator.plant.weather import Weather
from simulator.plant.weather_generator import generate_weather

SUMMARY = "a virtual board on a pseudo-terminal, for trying things out"
PING_GAP_MS = 60
_WEATHER_DAYS = 366 + 366
_LONGEST_SLEEP_S, _UNPLUGGED_SLEEP_S = 0.25, 0.02
_STATE_EVERY_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--site", type=Path, help="site file (default: the example allotment)")
    parser.add_argument("--link", type=Path, help="make this a link to the pseudo-terminal, replacing an old link")
    parser.add_argument("--pace", type=_pace, default=1.0, help="how many times faster than real time (default 1)")
    parser.add_argument("--seed", type=int, default=1, help="which weather and which hidden parameters (default 1)")
    parser.add_argument("--start", type=_instant, help="date or time the plant starts at, UTC (default: now)")
    parser.add_argument("--weather", type=Path, help="daily weather as CSV: date,tmin_c,tmax_c,rain_mm[,et0_mm]")
    parser.add_argument(
        "--interpreter",
        choices=("python", "micropython"),
        default="python",
        help="what runs the board's program: this Python, or MicroPython as on a real board (default python)",
    )
    parser.add_argument("--state", type=Path, help="write what is really so to this JSON file, each second and change")


def run(args: argparse.Namespace) -> int:
    """Serve the board until SIGTERM or SIGINT."""
    site = parse_site(example_site_text(), "example site") if args.site is None else read_site(args.site)
    start = args.start or datetime.now(UTC)
    weather = _weather(site, start, args.seed, args.weather)
    start_wall_ms = int(start.timestamp() * 1000)
    make_board = InterpretedBoard if args.interpreter == "micropython" else Board
    board = VirtualBoard(site, weather, args.seed, start_wall_ms, ping_gap_ms=PING_GAP_MS, make_board=make_board)
    # Whoever reads the path may send a signal at once.
    running = _until_signalled()
    cable = Cable(args.link)
    try:
        print(cable.path, flush=True)
        serve(board, cable, args.pace, args.state, running)
    finally:
        cable.close()
    return 0


def serve(board: VirtualBoard, cable: Cable, pace: float, state: Path | None, running: Callable[[], bool]) -> None:
    """Move the board along with real time x `pace` while `running()`; carry bytes both ways."""
    began_s, began_ms = time.monotonic(), board.now_ms
    written_s = -_STATE_EVERY_S
    written: object = None
    while running():
        now_s = time.monotonic() - began_s
        # What arrived while asleep is heard now, not when the board last woke.
        board.run_until(max(board.now_ms, began_ms + int(now_s * 1000.0 * pace)))
        if data := cable.read():
            board.host_write(data)
            board.run_until(board.now_ms)
        cable.write(board.host_read())
        outputs = (board.hardware.output_masks(), board.plant.truth.valves_open)
        if state is not None and (now_s - written_s >= _STATE_EVERY_S or outputs != written):
            written_s, written = now_s, outputs
            write_state(board, state)
        cable.wait(min(_LONGEST_SLEEP_S, max(0.001, (board.due_ms - board.now_ms) / 1000.0 / pace)))


class Cable:
    """The board's end of a pseudo-terminal. Nothing is kept for a host that is not there."""

    def __init__(self, link: Path | None) -> None:
        self._fd, host_fd = pty.openpty()
        tty.setraw(host_fd)
        self.path = os.ttyname(host_fd)
        # Kept open, it would keep a dead host's exclusive claim on the terminal alive.
        os.close(host_fd)
        os.set_blocking(self._fd, False)
        self._unplugged = True
        self._link = link
        if link is not None:
            _make_link(link, self.path)

    def read(self) -> bytes:
        """What the host has sent; empty when nothing, or when no host has the terminal open."""
        try:
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            self._unplugged = False
            return b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            self._unplugged = True
            return b""
        self._unplugged = False
        return data

    def write(self, data: bytes) -> None:
        """Send what the host's end has room for; the rest is lost, as on a cable nobody reads."""
        if not data or self._unplugged:
            return
        try:
            os.write(self._fd, data)
        except BlockingIOError:
            return

    def wait(self, most_s: float) -> None:
        """Sleep until the host sends something, at most `most_s`."""
        if self._unplugged:
            time.sleep(min(most_s, _UNPLUGGED_SLEEP_S))
        else:
            select.select([self._fd], [], [], most_s)

    def close(self) -> None:
        """Unplug, and take the link away if it is still ours."""
        os.close(self._fd)
        if self._link is not None and self._link.is_symlink() and os.readlink(self._link) == self.path:
            self._link.unlink()


def write_state(board: VirtualBoard, path: Path) -> None:
    """Write what is really so as one JSON object, replacing the file as a whole."""
    plant, truth = board.plant, board.plant.truth
    pump_on, valve_open = board.hardware.output_masks()
    state = {
        "wall_ms": plant.wall_ms,
        "plant_ms": plant.now_ms,
        "uptime_ms": board.hardware.uptime_ms(),
        "boot_id": board.hardware.boot_id(),
        "pump_on": pump_on,
        "valve_open": valve_open,
        "pumps_running": [output for output, pump in plant.pumps.items() if pump.running],
        "valves_truly_open": list(truth.valves_open),
        "volume_l": {tank_id: truth.volume_l(tank_id) for tank_id in plant.tanks},
        "applied_l": {zone_id: truth.zone(zone_id).applied_l for zone_id in plant.roots},
        "battery_v": truth.battery_v,
        "battery_soc": truth.battery_soc,
        "rain_mm": truth.rain_mm,
    }
    draft = path.with_name(path.name + ".new")
    try:
        draft.write_text(json.dumps(state), encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        raise OperatingError(f"{path}: the state cannot be written: {error}") from error


def _until_signalled() -> Callable[[], bool]:
    stopped = False

    def stop(_signal: int, _frame: FrameType | None) -> None:
        nonlocal stopped
        stopped = True

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    return lambda: not stopped


def _make_link(link: Path, target: str) -> None:
    if link.exists() and not link.is_symlink():
        raise OperatingError(f"{link}: is in the way and not a link; remove it or choose another --link")
    try:
        link.unlink(missing_ok=True)
        link.symlink_to(target)
    except OSError as error:
        raise OperatingError(f"{link}: the link cannot be made: {error}") from error


def _weather(site: Site, start: datetime, seed: int, path: Path | None) -> Weather:
    if path is not None:
        weather = weather_from_daily(read_daily_csv(path), site.place, seed)
        first = datetime.fromtimestamp(weather.start_wall_ms / 1000.0, UTC)
        if start < first:
            raise ConfigurationError(
                f"{path}: begins at {first:%Y-%m-%d %H:%M} UTC, after the start {start:%Y-%m-%d %H:%M}"
            )
        return weather
    # From the day before: the place's own day may have begun earlier than Greenwich's.
    return generate_weather(site.place, (start - timedelta(days=1)).date(), _WEATHER_DAYS, seed)


def _pace(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.01 <= value <= 10_000.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 0.01 to 10000; 60 is a minute each second")
    return value


def _instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; write 2026-05-01 or 2026-05-01T06:00") from None
    return instant if instant.tzinfo else instant.replace(tzinfo=UTC)
