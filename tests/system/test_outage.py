"""A week without a broker: afterwards every record is there, once, whoever is killed while they are sent.

Real Mosquitto, the real page, and the controller's own journal, outbox and MQTT service as processes.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulator.silent_week import DELIVERY_EVERY, fill, week_site
from tests.system.broker_process import BrokerProcess
from tests.watched_site import MOSQUITTO, ROOT, Page, eventually

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]

COUNT = 10_000
SITE = "river-allotment"


class Week:
    """Broker (off at first), controller and page around one folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.broker = BrokerProcess(folder)
        fill(folder / "journal.sqlite", week_site(self.broker.port), COUNT)
        self.start_controller()
        self.start_page()

    def start_controller(self) -> None:
        words = ["--journal", str(self._folder / "journal.sqlite"), "--port", str(self.broker.port)]
        self.controller = subprocess.Popen(
            [sys.executable, "-m", "simulator.silent_week", *words], cwd=ROOT, stderr=subprocess.DEVNULL
        )

    def start_page(self) -> None:
        self.page = Page(self._folder, self.broker.port)

    def known(self) -> int:
        """How many records have arrived."""
        return int(self.ask("SELECT coalesce(sum(last - first + 1), 0) FROM covered")[0][0])

    def ask(self, sql: str) -> list[tuple[int, ...]]:
        path = self._folder / "history.sqlite3"
        if not path.exists():
            return [(0,)]
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        try:
            return db.execute(sql).fetchall()
        except sqlite3.OperationalError:
            return [(0,)]  # The page is only just making it.
        finally:
            db.close()

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        process.kill()
        process.communicate(timeout=10)

    def close(self) -> None:
        self.kill(self.controller)
        self.kill(self.page.process)
        self.broker.stop()


@pytest.fixture
def week(tmp_path: Path) -> Iterator[Week]:
    week = Week(tmp_path)
    yield week
    week.close()


def test_all_records_arrive_once_although_everybody_is_killed_on_the_way(week: Week) -> None:
    week.broker.start()
    eventually(lambda: week.known() > 1000, within_s=60)
    week.kill(week.controller)
    week.start_controller()
    eventually(lambda: week.known() > 3000, within_s=30)
    week.broker.stop()
    week.broker.start()
    eventually(lambda: week.known() > 6000, within_s=60)
    week.kill(week.page.process)
    assert week.known() < COUNT
    week.start_page()
    eventually(lambda: week.known() == COUNT, within_s=60)
    assert week.ask("SELECT first, last FROM covered") == [(1, COUNT)]
    deliveries = COUNT // DELIVERY_EVERY
    seqs = [seq for (seq,) in week.ask("SELECT seq FROM record WHERE kind = 'delivery' ORDER BY site, epoch, seq")]
    assert seqs == [DELIVERY_EVERY * n for n in range(1, deliveries + 1)]
    readings = week.ask("SELECT sum(count) FROM point JOIN series ON series.id = series WHERE name = 'battery'")
    assert readings == [(COUNT - deliveries,)]
    times = week.ask("SELECT at_ms FROM record WHERE kind = 'delivery' ORDER BY seq")
    assert times == sorted(times)
