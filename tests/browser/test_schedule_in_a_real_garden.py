"""From a thumb on the page to water in the bed: a real browser, page, broker, controller and virtual board."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.browsing import screen, serious_findings
from tests.system.broker_process import wait_for
from tests.system.real_garden import PROJECT, ROOT, ZONE, Garden
from tests.watched_site import MOSQUITTO, Page, eventually

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]

PACE = 8.0
AHEAD = timedelta(seconds=80)
"""Of the garden's time: enough to type and save, and for the valve's own pace."""


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    garden = Garden(tmp_path, pace=PACE)
    garden.serve()
    yield garden
    garden.close()


@pytest.fixture
def pages(tmp_path: Path, garden: Garden) -> Iterator[Page]:
    watching = Page(tmp_path, garden.broker.port, "--open-on-loopback")
    yield watching
    complaints = watching.close()
    print(complaints, file=sys.stderr)
    assert "Traceback" not in complaints


def garden_time(pages: Page) -> datetime:
    """What the clock at the garden shows."""
    found = re.search(r"Controller is there · ([0-9]{2}):([0-9]{2})", pages.get())
    assert found is not None
    return datetime(2026, 6, 1, int(found[1]), int(found[2]))


def test_a_schedule_changed_on_a_phone_waters_the_bed_and_is_undone(
    browser: Browser, garden: Garden, pages: Page
) -> None:
    garden.until_ready()
    eventually(lambda: "Stop everything" in pages.get(), within_s=20)
    before = garden.value(f"zone-{ZONE}/schedule")
    with screen(browser) as page:
        page.goto(f"{pages.url}/zone/{ZONE}")
        page.get_by_role("link", name="Change the schedule").click()
        page.get_by_label("A fixed amount at fixed times").check()
        start = garden_time(pages) + AHEAD + timedelta(minutes=1)
        page.get_by_label("Amount at each").fill("4")
        page.get_by_label("Time 1").fill(f"{start:%H:%M}")
        page.get_by_label("Time 2").fill("")

        preview = page.locator("#preview")
        expect(preview).to_contain_text("In the next 24 hours 4 L for Polytunnel bench, north", timeout=8000)
        expect(preview).to_contain_text(f"Next start today {start:%H:%M}")
        expect(preview).to_contain_text("in likely weather")
        assert serious_findings(page) == []
        assert garden.value(f"zone-{ZONE}/schedule") == before, "a preview changes nothing"

        page.get_by_role("button", name="Save").click()
        expect(page.locator(".strip.accepted").first).to_contain_text("Change the schedule of Polytunnel bench, north")
        wait_for(lambda: '"mode":"fixed"' in garden.value(f"zone-{ZONE}/schedule"), "new schedule")
        wait_for(lambda: garden.truth()["applied_l"].get(ZONE, 0.0) > 1.0, "water by the new schedule", 60.0)
        expect(page.locator(".badge.on")).to_contain_text("watering", timeout=10_000)

        page.get_by_role("button", name="Undo", exact=True).click()
        expect(page.locator(".strip.accepted").first).to_contain_text("Undo the last change to the schedule")
        wait_for(lambda: garden.value(f"zone-{ZONE}/schedule") == before, "the schedule of before")
        assert garden.value(f"zone-{ZONE}/schedule-version") == "2"
    assert garden.listener.payloads(f"{ROOT}/$log/warn") == [], "nothing was refused"
    assert "every decision is the same" in replayed(garden), "questions leave no trace in the journal"


def replayed(garden: Garden) -> str:
    """What replaying the journal says after the controller has ended."""
    assert garden.controller is not None
    garden.controller.terminate()
    assert garden.controller.wait(10.0) == 0
    words = [sys.executable, "-m", "controller.cli", "replay", str(garden.journal)]
    return subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False).stdout
