"""Many gardens on one broker, to load the page with: virtual boards and plants, real controllers' cores, real MQTT.

Each garden is the whole simulated allotment (`SeasonRun`: plant, board logic, link, core), with weather and hidden
parameters of its own, carried on at the pace of the clock. What it publishes comes from the controller's own device
tree and history stream, over a connection of its own. Not there: the journal's file and the service's thread. Records
are kept in memory, and several gardens share a process.
"""

from __future__ import annotations

import argparse
import json
import signal
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from controller.contract import Now, Record, StepResult
from controller.service.broker import Broker, BrokerLost
from controller.service.homie import DeviceTree, ServiceFacts
from controller.service.journal import StoredRecord
from controller.service.senml import packs
from controller.site.load import parse_site
from controller.site.model import Mqtt, Site
from simulator.example import example_site_text
from simulator.plant.weather_generator import generate_weather
from simulator.season import SeasonRun

TURN_S = 0.5
SETTLE_WITHIN_S = 30.0
MOST_AT_ONCE = 2000
HOUR_MS = 3_600_000


class FleetSite:
    """One garden with its connection; `turn` carries it on and publishes what is new."""

    def __init__(self, site: Site, seed: int, past_ms: int, pace: float, end_wall_ms: int) -> None:
        """`past_ms` of its life lie behind it already at `end_wall_ms`, which is now."""
        self.published = 0
        self._site = site
        start_ms = end_wall_ms - past_ms
        first_day = datetime.fromtimestamp(start_ms / 1000, UTC).date()
        weather = generate_weather(site.place, first_day - timedelta(days=1), 6, seed)
        self._run = SeasonRun(site, weather, seed, start_ms, log=self)
        self._now_ms = past_ms
        self._records: list[StoredRecord] = []
        self._sent = 0
        self._pace = pace
        self._tree = DeviceTree(site)
        self._values: dict[str, bytes] = {}
        self._run.run_until(self._now_ms)
        self._broker = self._connect()
        self._turned_s = time.monotonic()

    def add_step(self, now: Now, _entries: Sequence[tuple[str, str]], result: StepResult) -> None:
        """Called by the garden at every step: its records are numbered as a journal would."""
        for record in result.records:
            self._records.append(_stored(len(self._records) + 1, now, record))

    def turn(self) -> None:
        """Raises BrokerLost."""
        now_s = time.monotonic()
        self._now_ms += round((now_s - self._turned_s) * 1000 * self._pace)
        self._turned_s = now_s
        steps = self._run.steps
        self._run.run_until(self._now_ms)
        if self._run.steps != steps:
            self._show()
            self._send(self._records[self._sent :])
            self._sent = len(self._records)
        self._broker.poll(0.0)
        self._answer()

    def close(self) -> None:
        self._broker.close()

    def _connect(self) -> Broker:
        will = (self._tree.state_topic, b"lost")
        broker = Broker(self._site.mqtt, f"{self._site.id}-fleet", will, version_5=True)
        self._broker = broker
        broker.subscribe([f"{self._log_root}/refill"])
        self._publish(self._tree.state_topic, b"init")
        for topic, document in self._tree.descriptions().items():
            self._publish(topic, document)
        self._show()
        self._publish(self._tree.state_topic, b"ready")
        self._send(self._records)
        self._sent = len(self._records)
        end_s = time.monotonic() + SETTLE_WITHIN_S
        while broker.unacked and time.monotonic() < end_s:
            broker.poll(0.05)
        return broker

    @property
    def _log_root(self) -> str:
        return f"{self._site.mqtt.domain}-log/{self._site.id}"

    def _show(self) -> None:
        now = self._run.now()
        facts = ServiceFacts(len(self._records), 0, "", "", now.wall_ms, now.wall_ms)
        snapshot = self._run.core.snapshot(now)
        values = self._tree.values(snapshot, facts)
        values[self._tree.board_state_topic] = b"ready" if snapshot.link_up else b"lost"
        for topic in self._values.keys() - values.keys():
            self._publish(topic, b"")
        for topic, payload in values.items():
            if self._values.get(topic) != payload:
                self._publish(topic, payload)
        self._values = values

    def _send(self, records: Sequence[StoredRecord]) -> None:
        for _, _, payload in packs(self._site.id, records):
            self._broker.publish(f"{self._log_root}/senml", payload)
            self.published += 1

    def _publish(self, topic: str, payload: bytes) -> None:
        self._broker.publish(topic, payload, retain=True)
        self.published += 1

    def _answer(self) -> None:
        while self._broker.messages:
            asked = json.loads(self._broker.messages.popleft().payload)
            first = int(asked["from"])
            self._send(self._records[first - 1 : min(int(asked["to"]), first + MOST_AT_ONCE - 1)])


def _stored(seq: int, now: Now, record: Record) -> StoredRecord:
    return StoredRecord(seq, 0, now.wall_ms, record.kind, record.key, json.dumps(record.data))


def fleet_site(number: int, port: int) -> Site:
    """The example allotment under an id and a name of its own."""
    site = parse_site(example_site_text(), "example site")
    return replace(site, id=f"garden-{number:04d}", name=f"Garden {number}", mqtt=Mqtt(port=port))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--first", type=int, default=1, help="number of the first garden")
    parser.add_argument("--count", type=int, default=1)
    parser.add_argument("--past-hours", type=float, default=6.0, help="of history that each has at the start")
    parser.add_argument("--pace", type=float, default=1.0, help="seconds of a garden's life in one second")
    parser.add_argument("--at", type=date.fromisoformat, help="the gardens' date (default: today)")
    args = parser.parse_args()
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    end_wall_ms = time.time_ns() // 1_000_000
    if args.at is not None:
        end_wall_ms = int(datetime(args.at.year, args.at.month, args.at.day, 12, tzinfo=UTC).timestamp() * 1000)
    sites: list[FleetSite] = []
    for number in range(args.first, args.first + args.count):
        site = fleet_site(number, args.port)
        sites.append(FleetSite(site, number, round(args.past_hours * HOUR_MS), args.pace, end_wall_ms))
        for other in sites:
            other.turn()
    print(f"ready {sum(site.published for site in sites)}", flush=True)
    lost = 0
    while not ended.wait(TURN_S):
        for one in sites:
            try:
                one.turn()
            except BrokerLost:
                lost += 1
        print(f"published {sum(site.published for site in sites)} lost {lost}", flush=True)


if __name__ == "__main__":
    main()
