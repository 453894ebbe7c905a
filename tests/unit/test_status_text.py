"""The status page reads like sentences about the garden, in the owner's units and time."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

from controller.contract import Finding, Snapshot
from controller.service.homie import DeviceTree, ServiceFacts
from controller.service.status_text import picture_time, status_lines
from tests.unit.example_site import SITE
from tests.unit.journal_data import START_WALL_MS
from tests.unit.test_homie import snapshot

NOW = datetime.fromtimestamp(START_WALL_MS / 1000 + 600, UTC)


def _page(picture: Snapshot, units: str = "metric") -> str:
    tree = DeviceTree(replace(SITE, units=units))  # type: ignore[arg-type]
    values = {}
    facts = ServiceFacts(battery_measured_wall_ms=START_WALL_MS)
    for topic, payload in tree.values(picture, facts).items():
        values["/".join(topic.split("/")[3:])] = payload.decode()
    return "\n".join(status_lines("hillfoot", values, NOW))


def test_the_tank_is_shown_with_its_age_and_quality() -> None:
    assert "Tank butts: 867 L of 1188 L, level 912 mm, 11.5 days of supply" in _page(snapshot())
    assert "good, measured 10 min ago" in _page(snapshot())


def test_a_tank_too_full_for_its_sensor_holds_at_least_what_is_shown() -> None:
    (tank,) = snapshot().tanks
    assert "Tank butts: at least 867 L of 1188 L" in _page(snapshot(tanks=(replace(tank, at_or_above=True),)))


def test_us_units_are_shown_to_whoever_declared_them() -> None:
    page = _page(snapshot(), "us")
    assert "229 gal of 314 gal, level 35.9 in" in page
    assert "air 52.7 °F" in page


def test_times_are_local() -> None:
    assert "next Thu 14 May 06:30" in _page(snapshot())


def test_what_is_unknown_says_unknown() -> None:
    page = _page(snapshot(battery_v=None, battery_charge_percent=None, temperature_c=None))
    assert "Battery: unknown, charge unknown" in page
    assert "air unknown" in page


def test_a_running_zone_says_how_far_it_is() -> None:
    running = replace(snapshot().zones[0], watering=True, delivered_now_l=2.25)
    assert "Polytunnel bench: WATERING, 2.2 L so far; 3.2 L today" in _page(snapshot(zones=(running,)))


def test_a_hold_says_until_when() -> None:
    assert "On hold until someone resumes" in _page(snapshot(held=True))
    assert "On hold until Thu 14 May 07:30" in _page(snapshot(held=True, hold_until_wall_ms=START_WALL_MS + 3_600_000))


def test_findings_come_with_their_cure_and_onset() -> None:
    leak = Finding("flow-at-rest", "fault", "water flows with everything off", "look for a leak", START_WALL_MS, True)
    page = _page(snapshot(findings=(leak,)))
    assert "FAULT flow-at-rest: water flows with everything off (since Thu 14 May 06:30)" in page
    assert "    cure: look for a leak" in page
    assert "Nothing is wrong." in _page(snapshot())


def test_a_strange_broker_does_not_break_the_page() -> None:
    lines = status_lines("x", {"site/time-zone": "No/Where", "site/findings": json.dumps([])}, NOW)
    assert lines[-1] == "Nothing is wrong."


def test_ages_count_from_the_controllers_own_time_while_it_lives() -> None:
    values = {"$state": "ready", "site/updated-at": "2026-05-14T05:30:00Z", "power/measured-at": "2026-05-14T05:30:20Z"}
    assert picture_time(values, NOW) == datetime(2026, 5, 14, 5, 30, 20, tzinfo=UTC)
    assert picture_time({**values, "$state": "lost"}, NOW) == NOW


def test_a_lost_controller_is_said_first() -> None:
    lines = status_lines("hillfoot", {"$state": "lost"}, NOW)
    assert lines[1] == "The controller is lost; what follows is what it said last"
