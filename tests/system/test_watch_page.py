"""The page as a real process at a real broker, in front of an invented site."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import fake_site
from tests.watched_site import MOSQUITTO, Page, Publisher, broker, complete, eventually, free_port

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]


@pytest.fixture
def port() -> Iterator[int]:
    number = free_port()
    with broker(number):
        yield number


@pytest.fixture
def site(port: int) -> Iterator[Publisher]:
    publisher = Publisher(port)
    publisher.publish_tree()
    yield publisher
    publisher.close()


@pytest.fixture
def page(tmp_path: Path, port: int) -> Iterator[Page]:
    watched = Page(tmp_path, port, "--open-on-loopback")
    yield watched
    watched.close()


def test_a_page_that_comes_late_asks_for_the_whole_history_and_proves_it_complete(port: int, page: Page) -> None:
    site = Publisher(port, days=60)
    site.publish_tree()
    eventually(lambda: complete(page, site), within_s=30)
    assert len(site.refills) >= len(site.records) / 2000
    text = page.get()
    assert "Riverside allotment" in text
    assert "records of the site’s journal have arrived" in text
    assert len(text.encode()) < 50_000
    assert page.resident_mb() < 90.0
    site.close()


def test_lost_records_are_noticed_and_asked_for_and_duplicates_dropped(site: Publisher, page: Page) -> None:
    eventually(lambda: complete(page, site), within_s=30)
    before = len(site.refills)
    newest = fake_site.last_reading(site.records)
    site.records += [(newest[0] + 60 * n, "measure", newest[2]) for n in range(1, 6)]
    last = len(site.records)
    topic = f"homie-log/{fake_site.SITE}/senml"
    for _ in range(2):
        for pack in fake_site.packs(site.records, last, last):
            site.say(topic, pack)
    eventually(lambda: page.site()["missing_records"] > 0)
    eventually(lambda: page.site()["missing_records"] == 0)
    assert site.refills[before:] == [(last - 4, last - 1)]


def test_a_controller_that_dies_is_shown_as_lost_with_the_age_of_what_is_known(site: Publisher, page: Page) -> None:
    eventually(lambda: "Controller is there" in page.get("/part/present"))
    site.die()
    eventually(lambda: "Controller lost" in page.get("/part/present"))
    assert "what follows was true" in page.get("/part/present")


def test_a_value_that_becomes_unknown_is_not_shown_any_more(site: Publisher, page: Page) -> None:
    eventually(lambda: page.site().get("tanks", [{}])[0].get("volume_l") is not None)
    site.say("homie/5/riverside/tank-shed/volume", b"", retain=True)
    eventually(lambda: page.site()["tanks"][0]["volume_l"] is None)
    assert '<p class="big unknown">unknown</p>' in page.get("/part/present")


def test_an_order_from_the_page_reaches_the_controller_and_its_answer_comes_back(site: Publisher, page: Page) -> None:
    eventually(lambda: "Stop everything" in page.get())
    text = page.order(order="hold")
    assert "✓ Accepted</strong>: Hold watering. Held until resumed." in text
    assert [order["order"] for order in site.orders] == ["hold"]


def test_an_order_for_a_site_that_is_away_outlives_a_killed_page_and_acts_once(port: int, tmp_path: Path) -> None:
    site = Publisher(port)
    site.publish_tree()
    first = Page(tmp_path, port, "--open-on-loopback")
    eventually(lambda: "Stop everything" in first.get())
    site.die()
    eventually(lambda: "Controller lost" in first.get("/part/present"))
    assert "Waiting</strong>: Hold watering." in first.order(order="hold")
    first.process.kill()
    first.close()

    second = Page(tmp_path, port, "--open-on-loopback")
    eventually(lambda: "Waiting</strong>: Hold watering." in second.get())
    back = Publisher(port)
    back.verdict = None
    back.publish_tree()
    eventually(lambda: len(back.orders) == 1)
    eventually(lambda: "Sent</strong>: Hold watering." in second.get())
    (order,) = back.orders
    answer = json.dumps({"id": order["id"], "accepted": False, "reason": "on hold already"})
    back.say(f"homie-log/{fake_site.SITE}/answer", answer)
    eventually(lambda: "Refused</strong>: Hold watering. On hold already." in second.get())
    assert {found["id"] for found in back.orders} == {order["id"]}
    back.close()
    assert "Traceback" not in second.close()


def test_the_page_outlives_the_broker_and_finds_it_again(tmp_path: Path) -> None:
    port = free_port()
    page = Page(tmp_path, port)
    try:
        eventually(lambda: "No connection to the broker" in page.get())
        with broker(port):
            site = Publisher(port)
            site.publish_tree()
            eventually(lambda: "Controller is there" in page.get("/part/present"), within_s=30)
            site.close()
        eventually(lambda: "Broker not reached" in page.get("/part/present"))
        assert page.get("/healthz") == ""
        with broker(port):
            site = Publisher(port)
            site.publish_tree({"riverside/tank-shed/volume": "777.0"})
            eventually(lambda: page.site()["tanks"][0]["volume_l"] == 777.0, within_s=30)
            site.close()
    finally:
        complaints = page.close()
    assert "Traceback" not in complaints


def test_damaged_messages_are_counted_and_change_nothing(site: Publisher, page: Page) -> None:
    eventually(lambda: complete(page, site), within_s=30)
    before = page.site()
    for bad in (b"", b"\xff\xfe", b"[" * 5000, b'[{"n":"seq","v":1e400}]', b"null"):
        site.say(f"homie-log/{fake_site.SITE}/senml", bad)
        site.say("homie/5/Not An Id/$state", bad)
        site.say("homie/5/intruder/$description", bad)
    site.say("homie/5/riverside/power/voltage", "12.70", retain=True)
    eventually(lambda: page.site()["power"]["battery_v"] == 12.70)
    after = page.site()
    assert after["newest_record"] == before["newest_record"]
    assert after["zones"] == before["zones"]


def test_a_stop_signal_ends_it_cleanly(site: Publisher, page: Page) -> None:
    eventually(lambda: complete(page, site))
    complaints = page.close()
    assert page.process.returncode == 0
    assert complaints == ""
