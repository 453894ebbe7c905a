"""A controller's journal and MQTT service as a process, over records made in virtual time: what waits after an outage.

There is no board and no garden: readings are drawn from curves, a watering stands in for every hundredth. Journal,
outbox and MQTT service are the controller's own. The process runs until it is killed and then finds its journal again.
"""

from __future__ import annotations

import argparse
import math
import signal
import threading
from dataclasses import replace
from pathlib import Path

from controller.contract import Now, Record, Snapshot
from controller.core import Core
from controller.service.clock import PacedClock
from controller.service.journal import Journal
from controller.service.mqtt import CURSOR, MqttService, Picture, stored_targets
from controller.service.writer import JournalWriter
from controller.site.load import parse_site
from controller.site.model import Mqtt, Site
from simulator.example import example_site_text

END_WALL_MS = 1_781_000_000_000
"""9 June 2026, when the broker comes back."""
WEEK_MS = 7 * 86_400_000
DELIVERY_EVERY = 100


def week_site(port: int) -> Site:
    """The example allotment, publishing to a broker on this machine."""
    return replace(parse_site(example_site_text(), "example site"), mqtt=Mqtt(port=port))


def fill(path: Path, site: Site, count: int) -> None:
    """A journal with `count` records, evenly over the week that ends at END_WALL_MS."""
    journal = Journal.open(path, bulk=True)
    for number in range(1, count + 1):
        mono_ms = number * WEEK_MS // count
        journal.add_record(
            Now(mono_ms, END_WALL_MS - WEEK_MS + mono_ms, "synchronised"), _record(site, number, mono_ms)
        )
        if number % 5000 == 0:
            journal.commit()
    journal.close()


def _record(site: Site, number: int, mono_ms: int) -> Record:
    zone = site.zones[number // DELIVERY_EVERY % len(site.zones)].id
    if number % DELIVERY_EVERY == 0:
        return Record("delivery", zone, {"volume_l": 6.0, "duration_s": 94, "ended": "done", "metered": True})
    turn = 2.0 * math.pi * mono_ms / 86_400_000
    readings: dict[str, float] = {"battery_v": round(12.7 + 0.3 * math.sin(turn), 3)}
    readings["temperature_c"] = round(14.0 + 6.0 * math.sin(turn), 2)
    for tank in site.tanks:
        readings[f"tank.{tank.id}.level_mm"] = round(900.0 - mono_ms / 6e6, 1)
        readings[f"tank.{tank.id}.volume_l"] = round(1600.0 - mono_ms / 3e6, 2)
    for zone_number, declared in enumerate(site.zones):
        readings[f"zone.{declared.id}.depletion_mm"] = round(4.0 + zone_number + 2.0 * math.cos(turn), 2)
    return Record("measure", "", dict(readings))


class JournalOnMqtt:
    """A journal with the controller's MQTT service on it; nothing new happens."""

    def __init__(self, site: Site, path: Path, snapshot: Snapshot | None = None) -> None:
        journal = Journal.open(path)
        cursor, targets = journal.cursor(CURSOR), stored_targets(journal)
        clock = PacedClock(END_WALL_MS, 1.0)
        self.writer = JournalWriter(journal)
        self.mqtt = MqttService(site, self.writer, "virtual", cursor, targets, clock, lambda: None)
        now = clock.now()
        self.mqtt.show(Picture(snapshot or Core(site).snapshot(now), now.wall_ms, now.wall_ms))
        self.mqtt.start()

    def close(self) -> None:
        self.mqtt.stop()
        self.writer.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--records", type=int, default=100_000)
    args = parser.parse_args()
    site = week_site(args.port)
    if not args.journal.exists():
        fill(args.journal, site, args.records)
    running = JournalOnMqtt(site, args.journal)
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    ended.wait()
    running.close()


if __name__ == "__main__":
    main()
