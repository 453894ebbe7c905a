"""Somebody else's controller for the convention finds the real site, reads it and has it water a bed.

It knows nothing of this project: everything it does comes from the published description.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import ebus_sdk
import pytest

from tests.system.broker_process import wait_for
from tests.system.real_garden import ZONE, Garden

pytestmark = [
    pytest.mark.system,
    # The client library still uses an older form of what it builds upon.
    pytest.mark.filterwarnings("ignore:Callback API version 1 is deprecated:DeprecationWarning"),
]
SITE = "river-allotment"


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    garden = Garden(tmp_path)
    yield garden
    garden.close()


@pytest.fixture
def client(garden: Garden) -> Iterator[ebus_sdk.Controller]:
    client = ebus_sdk.Controller({"host": "127.0.0.1", "port": garden.broker.port}, homie_domain="homie")
    client.start_discovery()
    yield client
    client.stop()


def test_it_finds_the_site_and_its_board_and_waters_a_bed(garden: Garden, client: ebus_sdk.Controller) -> None:
    garden.serve()
    garden.until_ready()
    wait_for(lambda: {SITE, f"{SITE}-board"} <= set(client.devices), "both devices")
    site, board = client.devices[SITE], client.devices[f"{SITE}-board"]
    wait_for(lambda: (site.state, board.state) == ("ready", "ready"), "both ready")
    assert site.description["name"] == "Allotment above the river"
    assert board.description["parent"] == SITE
    wait_for(lambda: float(site.get_property("tank-main", "volume") or 0.0) > 100.0, "a volume")
    run = site.description["nodes"][f"zone-{ZONE}"]["properties"]["run"]
    assert (run["datatype"], run["settable"]) == ("json", True)
    wish = json.dumps({"id": "other-1", "volume_l": 3})
    client.set_property(SITE, f"zone-{ZONE}", "run", wish)
    node = f"zone-{ZONE}"
    wait_for(lambda: site.property_targets.get(node, {}).get("run") == wish, "the wish accepted")
    wait_for(lambda: garden.truth()["valve_open"], "an open valve")
    wait_for(lambda: site.get_property(node, "watering") == "true", "watering in the tree")
    client.set_property(SITE, "site", "mode", "hold")
    wait_for(lambda: site.get_property("site", "mode") == "hold", "the hold in the tree")
    wait_for(lambda: not garden.truth()["valve_open"], "a shut valve")
    assert garden.controller is not None
    garden.controller.kill()
    wait_for(lambda: site.state == "lost", "the loss of the site")
