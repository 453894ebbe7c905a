"""The pages in a real browser, in front of an invented site: on a phone and a desk, light and dark, with and without
script."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import closing

import pytest
from playwright.sync_api import Browser, Route, expect
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
from tests.watched_site import MOSQUITTO, Page, Publisher, broker, complete, eventually, free_port

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]

PATHS = ("/", "/zone/bench", "/zone/bench/schedule", "/history", "/ledger", "/log", "/orders")
FIRST_VIEW_BYTES = 60_000


class Watched:
    """The invented site and the process that serves its pages."""

    def __init__(self, site: Publisher, page: Page) -> None:
        self.site, self.page = site, page
        self.url = page.url


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    port = free_port()
    with broker(port):
        site = Publisher(port, days=60)
        site.publish_tree()
        page = Page(tmp_path_factory.mktemp("store"), port, "--open-on-loopback")
        eventually(lambda: complete(page, site), within_s=30)
        yield Watched(site, page)
        page.close()
        site.close()


@pytest.fixture
def calm(watched: Watched) -> Watched:
    """The site as it is at rest, answering every order."""
    watched.site.verdict = {"accepted": True, "reason": ""}
    watched.site.publish_tree()
    return watched


@pytest.mark.parametrize("path", PATHS)
def test_every_page_fits_its_screen_and_is_usable_by_everybody(browser: Browser, calm: Watched, path: str) -> None:
    for size in (PHONE, DESK):
        for scheme in SCHEMES:
            with screen(browser, size, scheme) as page:
                page.goto(calm.url + path)
                assert wider_than_screen_px(page) == 0, (size, scheme)
                assert serious_findings(page) == [], (size, scheme)
                assert too_small_targets(page) == [], (size, scheme)


def test_light_is_light_and_dark_is_dark(browser: Browser, calm: Watched) -> None:
    grounds = []
    for scheme in SCHEMES:
        with screen(browser, PHONE, scheme) as page:
            page.goto(calm.url)
            colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
            grounds.append(sum(map(int, re.findall(r"\d+", colour)[:3])))
    assert grounds[0] > 3 * 240
    assert grounds[1] < 3 * 30


def test_what_matters_now_is_on_the_first_screen_of_a_phone(browser: Browser, calm: Watched) -> None:
    with screen(browser, PHONE) as page:
        page.goto(calm.url)
        for wanted in ("Water stored", "Lasts", "Battery", "Watering Salad beds", "Next"):
            element = page.get_by_text(wanted, exact=False).first
            box = element.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= PHONE[1], wanted


def test_a_first_view_is_small(browser: Browser, calm: Watched) -> None:
    with screen(browser, PHONE) as page:
        session = page.context.new_cdp_session(page)
        session.send("Network.enable")
        received: list[float] = []
        session.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
        page.goto(calm.url, wait_until="networkidle")
        assert len(received) >= 3
        assert sum(received) < FIRST_VIEW_BYTES


def test_every_page_is_read_without_a_script(browser: Browser, calm: Watched) -> None:
    wanted = {
        "/": "Watering Salad beds",
        "/zone/bench": "Last waterings",
        "/zone/bench/schedule": "Only between these hours",
        "/history?span=year": "Water stored",
        "/ledger": "Where the water went",
        "/log?kind=water": "given",
    }
    for path, text in wanted.items():
        with screen(browser, script=False) as page:
            page.goto(calm.url + path)
            expect(page.locator("main")).to_contain_text(text)


def test_history_is_walked_through_by_links(browser: Browser, calm: Watched) -> None:
    with screen(browser, script=False) as page:
        page.goto(calm.url + "/history")
        page.get_by_role("link", name="Season").click()
        title = page.locator(".moves strong").inner_text()
        page.get_by_role("link", name="← Earlier").click()
        assert page.locator(".moves strong").inner_text() != title
        page.get_by_role("link", name="Later →").click()
        assert page.locator(".moves strong").inner_text() == title
        page.get_by_role("link", name="Day", exact=True).click()
        assert page.locator("svg[role=img]").count() == 5


def test_the_first_key_leads_past_the_head(browser: Browser, calm: Watched) -> None:
    with screen(browser) as page:
        page.goto(calm.url)
        page.keyboard.press("Tab")
        expect(page.get_by_role("link", name="To the content")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.locator("main")).to_be_focused()


# --- renewing ---


def answering(page: BrowserPage, pattern: str, status: int, body: str) -> None:
    def answer(route: Route) -> None:
        route.fulfill(status=status, body=body, content_type="text/html")

    page.route(re.compile(pattern), answer)


def test_the_page_renews_itself_without_being_loaded_again(browser: Browser, calm: Watched) -> None:
    with screen(browser) as page:
        page.goto(calm.url)
        page.evaluate("window.same = true")
        calm.site.say("homie/5/riverside/zone-salad/watering", "false", retain=True)
        expect(page.locator("#doing-h")).to_have_text("Nothing is running", timeout=10_000)
        assert page.title().startswith("Nothing is running")
        assert page.evaluate("window.same")


def test_what_somebody_types_is_left_alone_by_renewing(browser: Browser, calm: Watched) -> None:
    with screen(browser) as page:
        page.goto(calm.url + "/zone/bench")
        page.get_by_label("Extra water").fill("4")
        page.locator("h1").click()
        with page.expect_response(re.compile("/part/zone/bench")):
            calm.site.say("homie/5/riverside/zone-bench/applied-today", "1.5", retain=True)
        page.wait_for_timeout(200)
        assert page.get_by_label("Extra water").input_value() == "4"


def test_a_page_that_cannot_reach_its_server_says_since_when(browser: Browser, calm: Watched) -> None:
    with screen(browser) as page:
        page.goto(calm.url)
        answering(page, "/part/", 503, "")
        expect(page.get_by_text("this page cannot reach its server since")).to_be_visible(timeout=10_000)
        expect(page.locator("main")).to_contain_text("Water stored")


# --- the editor ---


def test_the_editor_grows_a_row_when_the_last_is_filled(browser: Browser, calm: Watched) -> None:
    before = len(calm.site.orders)
    with screen(browser) as page:
        page.goto(calm.url + "/zone/bench/schedule")
        assert page.locator(".for-need .times").count() == 3
        page.get_by_label("From, pair 3").fill("12:00")
        assert page.locator(".for-need .times").count() == 3
        page.get_by_label("To, pair 3").fill("13:00")
        page.get_by_label("From, pair 4").fill("15:00")
        page.get_by_label("To, pair 4").fill("15:30")
        assert page.locator(".for-need .times").count() == 5
        assert serious_findings(page) == []
        page.get_by_role("button", name="Save").click()
        expect(page.locator(".strip.accepted").first).to_contain_text("Change the schedule of Polytunnel bench")
    windows = calm.site.orders[before]["schedule"]["windows"]
    assert [window["start"] for window in windows] == ["05:00", "12:00", "15:00", "19:00"]


def test_only_what_the_chosen_way_needs_is_asked(browser: Browser, calm: Watched) -> None:
    with screen(browser) as page:
        page.goto(calm.url + "/zone/bench/schedule")
        for way, hours, fixed in (
            ("As much as it needs", True, False),
            ("A fixed amount at fixed times", False, True),
            ("Never", False, False),
        ):
            page.get_by_label(way).check()
            assert page.locator(".for-need").is_visible() is hours
            assert page.locator(".for-fixed").is_visible() is fixed


# --- orders ---


def test_a_refused_order_says_why(browser: Browser, calm: Watched) -> None:
    calm.site.verdict = {"accepted": False, "reason": "Polytunnel bench has had its daily cap of 18 L"}
    for script in (True, False):
        with screen(browser, script=script) as page:
            page.goto(calm.url + "/zone/bench")
            page.get_by_label("Extra water").fill("3")
            page.get_by_role("button", name="Give it now").click()
            strip = page.locator(".strip.refused").first
            expect(strip).to_contain_text("Refused: Give Polytunnel bench 3 L. Polytunnel bench has had its daily cap")
            assert not script or serious_findings(page) == []


def test_an_open_order_is_followed_until_it_is_answered(browser: Browser, calm: Watched) -> None:
    calm.site.verdict = None
    before = len(calm.site.orders)
    with screen(browser) as page:
        page.goto(calm.url)
        page.get_by_role("button", name="Hold watering").click()
        expect(page.locator(".strip.sent")).to_contain_text("Sent: Hold watering.")
        assert serious_findings(page) == []
        order_id = calm.site.orders[before]["id"]
        calm.site.say("homie-log/riverside/answer", f'{{"id": "{order_id}", "accepted": true, "reason": ""}}')
        expect(page.locator(".strip.accepted").first).to_contain_text("Accepted: Hold watering.", timeout=4000)


def test_rain_that_was_none_is_taken_back_from_the_history(browser: Browser, calm: Watched) -> None:
    for script, reason in ((True, "a sprinkler reached it"), (False, "somebody cleaned the gauge")):
        before = len(calm.site.orders)
        with screen(browser, script=script) as page:
            page.goto(calm.url + "/history")
            page.get_by_text("Was it no rain that the gauge counted?").click()
            days = page.get_by_label("Day", exact=True)
            told = days.locator("option").all_inner_texts()
            assert len(told) == 3
            assert all(re.fullmatch(r"\w+day \d+ \w+: ([\d.]+ mm|nothing known of it)", day) for day in told), told
            days.select_option(index=1)
            expect(page.get_by_text("This cannot be undone.")).to_be_visible()
            page.get_by_label("What it was").fill(reason)
            if script:
                assert serious_findings(page) == []
                assert too_small_targets(page) == []
                assert wider_than_screen_px(page) <= 0
            page.get_by_role("button", name="Take that day’s rain back").click()
            expect(page.locator(".strip.accepted").first).to_contain_text("Accepted: Take back the rain of ")
            expect(page.locator(".strip.accepted").first).to_contain_text(told[1].partition(":")[0])
        assert [(order["order"], order["reason"]) for order in calm.site.orders[before:]] == [("void-rain", reason)]


def test_a_site_that_is_offline_is_called_so_and_the_order_waits(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    port = free_port()
    folder = tmp_path_factory.mktemp("offline")
    with broker(port), closing(Page(folder, port, "--open-on-loopback")) as watching:
        site = Publisher(port)
        site.publish_tree()
        eventually(lambda: "Stop everything" in watching.get())
        with screen(browser) as page:
            page.goto(watching.url)
            site.die()
            expect(page.get_by_text("Controller lost")).to_be_visible(timeout=15_000)
            expect(page.locator("#head .notice")).to_contain_text("what follows was true")
            page.get_by_role("button", name="Stop everything").click()
            expect(page.locator(".strip.waiting")).to_contain_text("The controller is not there.")
            assert serious_findings(page) == []
            back = Publisher(port)
            back.publish_tree()
            expect(page.locator(".strip.accepted")).to_contain_text("Stop everything", timeout=15_000)
            assert [order["order"] for order in back.orders] == ["stop-all"]
            back.close()
