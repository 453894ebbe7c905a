"""Setting up, signing in and keeping accounts in a real browser, on a phone and a desk, with and without scripts."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as BrowserPage

from tests.browser.browsing import (
    DESK,
    PHONE,
    SCHEMES,
    screen,
    serious_findings,
    too_small_targets,
    wider_than_screen_px,
)
from tests.system.test_hostile_network import GuardedPage
from tests.watched_site import MOSQUITTO, Publisher, broker, free_port

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]

PASSWORD = "river shed berry bench"
SHOTS = os.environ.get("PUMPHOUSE_SHOTS")
"""A directory for pictures of every page, to be looked at."""


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[GuardedPage]:
    port = free_port()
    with broker(port):
        site = Publisher(port, days=1)
        site.publish_tree()
        page = GuardedPage(tmp_path, port)
        yield page
        assert "Traceback" not in page.close()
        site.close()


def in_order(page: BrowserPage, title: str) -> None:
    """The page has this title, and is fit for everybody on every screen."""
    expect(page.get_by_role("heading", level=1)).to_have_text(title)
    for size in (PHONE, DESK):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        for scheme in SCHEMES:
            page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
            about = (title, size, scheme)
            if SHOTS:
                page.screenshot(path=f"{SHOTS}/{title} {size[0]} {scheme}.png", full_page=True)
            assert wider_than_screen_px(page) == 0, about
            assert serious_findings(page) == [], about
            assert too_small_targets(page) == [], about
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})


def test_from_the_first_link_to_somebody_elses_account(browser: Browser, guarded: GuardedPage) -> None:
    base = f"http://127.0.0.1:{guarded.port}"
    with screen(browser) as page:
        page.goto(base + "/")
        in_order(page, "Not set up yet")

        page.goto(guarded.set_up_link())
        in_order(page, "Set up this page")
        page.get_by_label("Name").fill("rosa")
        page.get_by_label("Password").fill("rosa rosa rosa rosa")
        page.get_by_role("button", name="Make the account").click()
        expect(page.get_by_role("alert")).to_contain_text("too easy to guess")
        expect(page.get_by_label("Name")).to_have_value("rosa")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Make the account").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Riverside allotment")

        page.get_by_role("link", name="Account of rosa").click()
        in_order(page, "Your account")
        page.get_by_role("link", name="Who has an account").click()
        page.get_by_label("Name", exact=True).fill("ben")
        page.get_by_role("button", name="Add and get a link").click()
        in_order(page, "Give them this link")
        link = page.locator(".secret").inner_text()
        page.get_by_role("link", name="Back to who has an account").click()
        page.get_by_label("What it is for").fill("shed-screen")
        page.get_by_role("button", name="Make a token").click()
        in_order(page, "Copy this token now")
        page.get_by_role("link", name="Back to who has an account").click()
        for details in page.locator("summary").all():
            details.click()
        in_order(page, "Who has an account")
        page.goto(base + "/nowhere")
        in_order(page, "Not found")

    # Somebody else, on a phone without scripts.
    with screen(browser, script=False) as page:
        page.goto(link)
        expect(page.get_by_label("Name")).to_have_value("ben")
        page.get_by_label("Password").fill("seven herons by the weir")
        page.get_by_role("button", name="Keep this password").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Riverside allotment")
        expect(page.get_by_role("button", name="Stop everything")).to_have_count(0)
        page.get_by_role("link", name="Account of ben").click()
        page.get_by_role("button", name="Sign out", exact=True).click()
        page.goto(base + "/history?site=riverside")
        page.get_by_label("Name").fill("ben")
        page.get_by_label("Password").fill("a wrong password")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_contain_text("do not belong together")
        page.get_by_label("Password").fill("seven herons by the weir")
        page.get_by_role("button", name="Sign in").click()
        assert page.url == base + "/history?site=riverside"

    with screen(browser) as page:
        page.goto(link)
        in_order(page, "This link does not work")
        page.goto(base)
        in_order(page, "Sign in")
