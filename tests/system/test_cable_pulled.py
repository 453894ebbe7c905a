"""The cable is pulled while a zone is watered; the board comes back under another name, another board under the old."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.broker_process import wait_for
from tests.system.movable_garden import MovableGarden
from tests.system.real_garden import LOG, ZONE

pytestmark = pytest.mark.system

LEASE_S, SEEN_WITHIN_S = 5.0, 0.5
METERED_WITHIN = 0.05
"""Of the litre or so that is given, a pulse of the meter is half a per cent."""


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[MovableGarden]:
    garden = MovableGarden(tmp_path)
    yield garden
    garden.close()


def deliveries(garden: MovableGarden) -> dict[str, list[object]]:
    """What the history says of ended waterings of the zone, value by value in order."""
    found: dict[str, list[object]] = {}
    for payload in garden.listener.payloads(f"{LOG}/senml"):
        for entry in json.loads(payload):
            if (name := str(entry["n"])).startswith(f"delivery/{ZONE}/"):
                found.setdefault(name.rsplit("/", 1)[1], []).append(entry.get("v", entry.get("vs")))
    return found


def test_a_pulled_cable_shuts_the_board_and_the_board_is_found_again_under_another_name(garden: MovableGarden) -> None:
    garden.serve()
    garden.until_ready()
    answer = garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5.0)
    assert answer["accepted"], answer
    wait_for(lambda: garden.truth()["applied_l"][ZONE] > 0.5, "water", 60.0)

    garden.cable.pull()
    pulled_s = time.monotonic()
    wait_for(lambda: not garden.truth()["pump_on"] and not garden.truth()["valve_open"], "shut board", 10.0)
    assert time.monotonic() - pulled_s <= LEASE_S + SEEN_WITHIN_S
    wait_for(lambda: garden.board_value("link/up") == "false", "lost link", 5.0)
    wait_for(lambda: not garden.truth()["valves_truly_open"], "closed valve", 10.0)
    truth_l = garden.truth()["applied_l"][ZONE]

    other = garden.plug_in_another_board("ttyACM0")
    garden.cable.plug(garden.ports / "ttyACM1")
    wait_for(lambda: garden.board_value("link/up") == "true", "board under its new name", 30.0)
    questions = [line.split(b" ")[0] for line in other.said.splitlines() if line]
    assert set(questions) == {b"who"}, "another board is asked who it is and told nothing"

    wait_for(lambda: "volume" in deliveries(garden), "end of the watering", 30.0)
    assert deliveries(garden)["run"] == ["p-1"]
    assert deliveries(garden)["ended"] == ["blocked"]
    (volume_m3,) = deliveries(garden)["volume"]
    assert volume_m3 == pytest.approx(truth_l / 1000.0, rel=METERED_WITHIN), "what ran on during the lease is counted"
    assert float(garden.value(f"zone-{ZONE}/applied-today")) == pytest.approx(truth_l, rel=METERED_WITHIN)

    assert garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=5.0)["accepted"], "the same answer as before"
    time.sleep(3.0)
    assert not garden.truth()["valve_open"], "an ended watering does not go on by itself"
    assert float(garden.value(f"zone-{ZONE}/applied-today")) == pytest.approx(truth_l, rel=METERED_WITHIN)
    assert garden.order(order="run-zone", id="p-2", zone=ZONE, volume_l=5.0)["accepted"]
    wait_for(lambda: garden.truth()["valve_open"], "valve opened over the new name", 5.0)
    assert b"set " not in other.said
