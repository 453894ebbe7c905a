"""The controller as a real process: a virtual board on a pseudo-terminal, a real broker, signals and damage."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.service.journal import Journal
from tests.system.broker_process import wait_for
from tests.system.real_garden import PROJECT, ZONE, Garden

pytestmark = pytest.mark.system


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    garden = Garden(tmp_path)
    yield garden
    garden.close()


def _run(garden: Garden, order_id: str, volume_l: float = 5.0) -> None:
    answer = garden.order(order="run-zone", id=order_id, zone=ZONE, volume_l=volume_l)
    assert answer["accepted"], answer


def test_an_order_opens_a_valve_within_a_second_and_kill_9_shuts_it_within_five(garden: Garden) -> None:
    garden.serve()
    garden.until_ready()
    ordered_s = time.monotonic()
    _run(garden, "p-1")
    wait_for(lambda: garden.truth()["valve_open"], "open valve", 2.0)
    assert time.monotonic() - ordered_s < 1.0
    wait_for(lambda: garden.truth()["pumps_running"], "running pump", 15.0)
    wait_for(lambda: garden.truth()["applied_l"][ZONE] > 0.3, "water", 60.0)
    assert garden.controller is not None
    garden.controller.kill()
    killed_s = time.monotonic()
    wait_for(lambda: not garden.truth()["pump_on"] and not garden.truth()["valve_open"], "shut board", 6.0)
    assert time.monotonic() - killed_s < 5.5, "5 s of lease, and up to half a second until the state file says so"
    assert garden.value("$state") == "lost"

    garden.serve()
    wait_for(lambda: garden.value("$state") == "ready", "restarted controller")
    wait_for(lambda: float(garden.value(f"zone-{ZONE}/applied-today")) > 0.0, "booked water", 30.0)
    wait_for(lambda: not garden.truth()["valves_truly_open"], "closed valve", 10.0)
    truth_l = garden.truth()["applied_l"][ZONE]
    wait_for(
        lambda: abs(float(garden.value(f"zone-{ZONE}/applied-today")) - truth_l) < 0.2 * truth_l + 0.3,
        "day's water as it truly was",
        30.0,
    )
    repeated = garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5.0)
    assert repeated["accepted"], "the same answer as before"
    time.sleep(2.0)
    assert not garden.truth()["valve_open"], "an order id acts once, also across a kill"


def test_sigterm_shuts_the_outputs_and_ends_cleanly(garden: Garden) -> None:
    controller = garden.serve()
    garden.until_ready()
    _run(garden, "p-1")
    wait_for(lambda: garden.truth()["pump_on"], "running pump", 15.0)
    controller.send_signal(signal.SIGTERM)
    stopped_s = time.monotonic()
    wait_for(lambda: not garden.truth()["pump_on"], "stopped pump", 3.0)
    assert controller.wait(8.0) == 0
    assert time.monotonic() - stopped_s < 6.0
    assert garden.value("$state") == "disconnected"
    result = subprocess.run(
        [sys.executable, "-m", "controller.cli", "replay", str(garden.journal)],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "every decision is the same" in result.stdout, result.stdout + result.stderr


def test_a_second_controller_is_refused_and_the_first_goes_on(garden: Garden) -> None:
    controller = garden.serve()
    garden.until_ready()
    second = garden.spawn_controller()
    _, complaint = second.communicate(timeout=20)
    assert second.returncode == 2
    assert f"process {controller.pid}" in complaint
    assert controller.poll() is None


def test_a_damaged_site_file_never_starts_anything(garden: Garden) -> None:
    garden.site.write_text(garden.site.read_text()[:3000] + "\nreserve = \n")
    controller = garden.serve()
    _, complaint = controller.communicate(timeout=20)
    assert controller.returncode == 2
    assert "site.toml" in complaint
    assert garden.value("$state") == ""


def test_a_damaged_journal_holds_watering_until_tomorrow_and_says_so(garden: Garden) -> None:
    Journal.open(garden.journal).close()
    with sqlite3.connect(garden.journal) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    whole = garden.journal.read_bytes()
    garden.journal.write_bytes(whole[:2000] + b"\xa5" * 6000 + whole[8000:])
    garden.serve()
    garden.until_ready()
    assert garden.value("site/mode") == "hold"
    assert garden.value("site/hold-until") == "2026-06-01T23:00:00Z"
    assert len(list(garden.journal.parent.glob("j.sqlite.damaged-*"))) >= 1
    assert not garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5)["accepted"]
