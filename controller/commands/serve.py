"""`pumphouse serve`: the controller as a service; what systemd starts on the machine in the pump house."""

from __future__ import annotations

import argparse
import logging
import secrets
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.commands.arguments import instant
from controller.contract import Now
from controller.errors import ConfigurationError
from controller.guard.board_limits import board_limits
from controller.service.cable import Cable
from controller.service.clock import Clock, PacedClock, Resumed, SystemClock, keeps_time_unpowered, kernel_synchronised
from controller.service.daemon import Daemon, Parts, Waker, run_until_signalled
from controller.service.journal import Journal
from controller.service.lock import InstanceLock
from controller.service.mqtt import CURSOR, MqttService, stored_targets
from controller.service.prospects import Prospects
from controller.service.replay import core_class
from controller.service.restore import restore, stored_site
from controller.service.sitefile import read_site
from controller.service.systemd import Notifier
from controller.service.unwritable import (
    Opening,
    Start,
    UnrecordedMark,
    day_began_ms,
    open_as_far_as_it_goes,
    unknown_because,
)
from controller.service.writer import JournalWriter
from controller.site.model import Site
from firmware_host.link import Link
from firmware_host.transport import SerialPort

if TYPE_CHECKING:
    from controller.service.forecast_poll import ForecastPoll

SUMMARY = "run the controller (what systemd starts)"
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--site", type=Path, required=True, help="the site file")
    parser.add_argument("--journal", type=Path, required=True, help="the journal file, made when missing")
    parser.add_argument(
        "--serial",
        action="append",
        required=True,
        metavar="PATH",
        help="the board's port, or a pattern of names it may have; several: the one the board answers on",
    )
    parser.add_argument("--no-mqtt", action="store_true", help="do not connect to a broker")
    parser.add_argument(
        "--trust-clock",
        action="store_true",
        help="take the machine's clock as right although nothing keeps it synchronised",
    )
    parser.add_argument("--pace", type=_pace, help="demonstrations only: made-up time, so many times faster")
    parser.add_argument("--start", type=instant, help="demonstrations only: date or time the made-up time starts, UTC")


def run(args: argparse.Namespace) -> int:
    """Serve until SIGTERM or SIGINT. Raises ConfigurationError before anything is switched when something is wrong."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    site = read_site(args.site)
    site_text = args.site.read_text(encoding="utf-8-sig")
    lock = InstanceLock(args.journal)
    try:
        while _serve(args, site, site_text):
            pass  # The journal can be read after all: from the beginning.
    finally:
        lock.release()
    return 0


def _serve(args: argparse.Namespace, site: Site, site_text: str) -> bool:
    """One life of the controller. True when the next one is to begin at once."""
    opening = open_as_far_as_it_goes(args.journal, datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ"))
    journal, mark = opening.journal, UnrecordedMark(args.journal)
    clock = _clock(args, journal)
    restored = restore(journal, site, site_text, core_class(), stored_site)
    restored.core.prepare()
    day_unknown = unknown_because(_start(opening, mark, clock.now(), site))
    install_id, boot_id = journal.meta("install_id") or secrets.token_hex(4), _boot_id()
    cursor, targets = journal.cursor(CURSOR), stored_targets(journal)
    writer = JournalWriter(journal, trouble=opening.trouble, mark=mark)
    writer.submit(lambda journal: journal.set_meta("install_id", install_id))
    writer.submit(lambda journal: journal.set_meta("boot_id", boot_id))
    notifier = Notifier()
    link = Link(board_limits(site), session=secrets.randbits(31), faithful=True)
    cable = Cable(link, SerialPort(args.serial), clock.pace)
    mqtt: MqttService | None = None
    prospects: Prospects | None = None
    forecasts = _forecasts(args, site, clock)

    def make(waker: Waker) -> Daemon:
        nonlocal mqtt, prospects
        prospects = Prospects(site, waker.wake)
        prospects.start()
        if not args.no_mqtt:
            mqtt = MqttService(site, writer, install_id, cursor, targets, clock, waker.wake)
            mqtt.start()
        if forecasts is not None:
            forecasts.start(waker.wake)
        parts = Parts(
            site, site_text, clock, restored, cable, writer, notifier, mqtt, prospects, forecasts, day_unknown
        )
        return Daemon(parts, waker)

    try:
        return run_until_signalled(make)
    finally:
        if forecasts is not None:
            forecasts.stop()
        if mqtt is not None:
            mqtt.stop()
        if prospects is not None:
            prospects.stop()
        writer.close()
        cable.close()
        notifier.close()


def _start(opening: Opening, mark: UnrecordedMark, now: Now, site: Site) -> Start:
    journal = opening.journal
    return Start(
        opening.reach,
        mark.is_set(),
        journal.meta("boot_id") == _boot_id(),
        journal.newest_wall_ms(),
        now.wall_ms - time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000,
        day_began_ms(now.wall_ms, site.place.time_zone),
        now.trust != "unknown",
    )


def _forecasts(args: argparse.Namespace, site: Site, clock: Clock) -> ForecastPoll | None:
    """What fetches forecasts, where the site file says from where; made-up time gets none."""
    if site.forecast is None or args.pace is not None:
        return None
    # Imported late: its HTTP client costs memory that most sites never need.
    from controller.service.forecast_poll import ForecastPoll

    return ForecastPoll(site, site.forecast, clock)


def _clock(args: argparse.Namespace, journal: Journal) -> Clock:
    kept = keeps_time_unpowered() or journal.meta("boot_id") == _boot_id()
    resumed = Resumed(journal.newest_mono_ms(), journal.newest_wall_ms(), kept)
    if args.pace is not None:
        start_ms = int((args.start or datetime.now(UTC)).timestamp() * 1000)
        return PacedClock(start_ms, args.pace, resumed)
    if args.start is not None:
        raise ConfigurationError("--start is for made-up time: give --pace too")
    return SystemClock(resumed, (lambda: True) if args.trust_clock else kernel_synchronised)


def _boot_id() -> str:
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return secrets.token_hex(8)


def _pace(text: str) -> float:
    pace = float(text)
    if not 0.1 <= pace <= 10_000.0:
        raise argparse.ArgumentTypeError(f"{text} is not between 0.1 and 10000")
    return pace
