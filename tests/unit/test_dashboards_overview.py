"""The list of sites: who needs somebody comes first, words narrow it down, and each sees only what is theirs."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards.connection import Message
from dashboards.overview import PER_PAGE, overview_page
from dashboards.standing import Standing
from dashboards.view import FindingStatus, SiteState
from tests import fake_site
from tests.unit.signed_in import NOW, House

NOW_MS = int(NOW.timestamp() * 1000)
CLOGGED = FindingStatus("flow-low", "warning", "the berry rows take longer than usual", "rinse the filter")


def standing(site_id: str, *findings: FindingStatus, state: SiteState = "ready") -> Standing:
    return Standing(site_id, site_id.title(), state, findings, 40.0, None, NOW_MS - 60_000)


def text_of(markup: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", markup)).split())


def order_of(markup: str) -> list[str]:
    return re.findall(r'href="/\?site=([a-z0-9-]+)"', markup)


def test_whoever_needs_somebody_stands_first_with_the_reason_in_words() -> None:
    page = overview_page([standing("alpha"), standing("beta", CLOGGED), standing("gamma", state="lost")], NOW_MS, True)
    assert order_of(page) == ["gamma", "beta", "alpha"]
    text = text_of(page)
    assert "2 of 3 need somebody" in text
    assert "Gamma Controller lost" in text
    assert "Beta Warning the berry rows take longer than usual tank 40 % · battery unknown · heard 60 s ago" in text


def test_many_sites_come_in_pages() -> None:
    sites = [standing(f"garden-{n:03d}") for n in range(120)]
    first, last = overview_page(sites, NOW_MS, True), overview_page(sites, NOW_MS, True, page=99)
    assert order_of(first) == [f"garden-{n:03d}" for n in range(PER_PAGE)]
    assert order_of(last) == [f"garden-{n:03d}" for n in range(100, 120)]
    assert "1 to 50 of 120" in text_of(first)
    assert "page=2" in first
    assert "page=4" not in last


def test_words_narrow_the_list_down() -> None:
    sites = [standing("upper-field", CLOGGED), standing("lower-field")]
    assert order_of(overview_page(sites, NOW_MS, True, "berry field")) == ["upper-field"]
    assert "None of 2 sites answers to “orchard”." in text_of(overview_page(sites, NOW_MS, True, "orchard"))


def test_without_the_broker_the_list_says_so() -> None:
    assert "no connection to the broker" in text_of(overview_page([standing("alpha")], NOW_MS, False))


def test_nothing_from_a_site_or_a_search_becomes_markup() -> None:
    hostile = "<script>alert(1)</script>\"'&"
    finding = FindingStatus("x", "fault", hostile, hostile)
    page = overview_page([Standing("site", hostile, "ready", (finding,), heard_at_ms=NOW_MS)], NOW_MS, True, hostile)
    assert "<script>alert" not in page
    assert page.count("<script") == 1


# --- as a server ---


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    for site_id in ("lower", "upper"):
        for topic, value in fake_site.tree(NOW, 1943.0, 100).items():
            told = value.replace("riverside", site_id).replace("Riverside", site_id.title())
            topic = topic.replace("riverside", site_id)
            house.feed.take(Message(f"homie/5/{topic}", told.encode(), True, NOW_MS))
    yield house
    house.close()


def test_with_several_sites_the_first_page_is_their_list(house: House) -> None:
    browser = house.signed_in("ada", "look")
    answer = browser.get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites")
    assert sorted(order_of(browser.get("/sites").text)) == ["lower", "riverside", "upper"]


def test_only_sites_that_are_theirs_are_listed_or_found(house: House) -> None:
    browser = house.signed_in("ben", "look", sites=frozenset({"lower"}))
    page = browser.get("/sites").text
    assert order_of(page) == ["lower"]
    assert "Upper" not in page
    assert order_of(browser.get("/sites?words=upper").text) == []
    assert [site["id"] for site in json.loads(browser.get("/api/sites").text)] == ["lower"]


def test_what_does_not_get_out_is_said_on_every_page_to_whoever_may_act(house: House) -> None:
    house.feed.complaints.append(lambda: ["Messages to phone do not get through: <refused>."])
    helper, guest = house.signed_in("ada", "act"), house.signed_in("ben", "look")
    for path in ("/sites", "/?site=lower", "/log?site=lower"):
        assert "Messages to phone do not get through: &lt;refused&gt;." in helper.get(path).text
        assert "do not get through" not in guest.get(path).text


def test_whoever_has_not_signed_in_sees_no_list(house: House) -> None:
    assert house.browser().get("/api/sites").status_code == 401


def test_the_list_as_data_says_what_each_site_needs(house: House) -> None:
    listed = json.loads(house.signed_in("ada", "look").get("/api/sites").text)
    assert {site["need"] for site in listed} == {"warning"}
    assert listed[0]["warnings"] == 1
