"""What the web server gives, refuses and says about itself; no broker is involved."""

from __future__ import annotations

import argparse
import asyncio
import json
import re
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from controller.errors import ConfigurationError
from dashboards import watch
from dashboards.access import Person, form_token
from dashboards.app import build_app
from dashboards.feed import BrokerSettings, Feed, Message
from dashboards.gate import OpenDoor
from dashboards.http_guard import MAX_BODY_BYTES, App
from dashboards.store import HistoryStore
from tests import fake_site

NOW = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
NOW_MS = int(NOW.timestamp() * 1000)
LOOKING = OpenDoor(Person("visitor", "look"))
FORM = {"content-type": "application/x-www-form-urlencoded", "origin": "http://127.0.0.1"}


class Browser:
    """Asks an application directly, without a socket; redirects are not followed."""

    def __init__(self, app: App) -> None:
        self._app = app

    def get(self, url: str, **details: Any) -> httpx.Response:
        return self.ask("GET", url, **details)

    def post(self, url: str, **details: Any) -> httpx.Response:
        return self.ask("POST", url, **details)

    def ask(self, method: str, url: str, **details: Any) -> httpx.Response:
        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
                return await client.request(method, url, **details)

        return asyncio.run(asked())


class ListeningFeed(Feed):
    """A feed without a network that notes the orders it would send, and answers them as it is told to."""

    def __init__(self, store: HistoryStore) -> None:
        super().__init__(BrokerSettings("broker.invalid"), store, wall_ms=lambda: NOW_MS)
        self.orders: list[tuple[str, dict[str, Any]]] = []
        self.answer: dict[str, Any] | None = {"accepted": True, "reason": ""}

    def publish(self, site_id: str, leaf: str, text: str) -> bool:
        said = json.loads(text)
        assert leaf in ("order", "ask")
        self.orders.append((site_id, said))
        if self.answer is not None and self.on_answer is not None:
            self.on_answer(site_id, self.answer | {"id": said["id"]})
        return True


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[ListeningFeed]:
    store = HistoryStore(str(tmp_path / "history.sqlite3"))
    listening = ListeningFeed(store)
    listening.take(Message("", b"", False, NOW_MS, "connected"))
    records = fake_site.history(NOW, days=3)
    for topic, value in fake_site.tree(NOW, 1943.0, len(records)).items():
        listening.take(Message(f"homie/5/{topic}", value.encode(), True, NOW_MS))
    for payload in fake_site.packs(records):
        listening.take(Message(f"homie-log/{fake_site.SITE}/senml", payload, False, NOW_MS))
    listening.drop_unheard()
    yield listening
    store.close()


@pytest.fixture
def client(feed: ListeningFeed) -> Browser:
    return Browser(build_app(feed, LOOKING))


@pytest.fixture
def desk(feed: ListeningFeed) -> Browser:
    return Browser(build_app(feed, OpenDoor()))


def token_of(client: Browser) -> str:
    page = client.get("/").text
    return page.partition('name="token" value="')[2].partition('"')[0]


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/part/present",
        "/zone/bench",
        "/history",
        "/ledger",
        "/log",
        "/orders",
        "/api/site",
        "/healthz",
        "/static/page.css",
        "/no",
    ],
)
def test_every_answer_carries_the_security_headers(client: Browser, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == ("max-age=3600" if path.startswith("/static/") else "no-store")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8080", "127.0.0.1.evil.example", "", "pumphouse.lan"])
def test_a_name_nobody_allowed_is_refused(client: Browser, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8080", "[::1]:8080", "192.0.2.7", "LOCALHOST:1"])
def test_this_machine_and_plain_addresses_are_served(client: Browser, host: str) -> None:
    assert client.get("/healthz", headers={"host": host}).status_code == 200


def test_a_name_the_owner_allowed_is_served(feed: ListeningFeed) -> None:
    allowed = Browser(build_app(feed, LOOKING, host_names=("pumphouse.lan",)))
    assert allowed.get("/healthz", headers={"host": "pumphouse.lan:8080"}).status_code == 200


def test_the_page_and_its_parts_show_the_site(client: Browser) -> None:
    assert "Riverside allotment" in client.get("/").text
    assert "Riverside allotment" in client.get("/part/present").text
    assert "Polytunnel bench" in client.get("/part/zone/bench").text
    assert "Water given" in client.get("/history?span=day").text
    assert "Where the water went" in client.get("/ledger").text
    assert "Log" in client.get("/log?kind=water").text
    assert client.get("/zone/nowhere").status_code == 404
    assert client.get("/?site=elsewhere").status_code == 404


def test_the_interface_says_the_same_as_the_page(client: Browser) -> None:
    site = client.get("/api/site").json()
    assert site["tanks"][0]["volume_l"] == 1943.0
    assert site["zones"][0]["name"] == "Polytunnel bench"
    assert site["missing_records"] == 0
    assert site["time_zone"] == "Europe/London"


def test_unknown_is_null_in_the_interface(client: Browser, feed: ListeningFeed) -> None:
    feed.take(Message("homie/5/riverside/tank-shed/volume", b"", True, NOW_MS))
    assert client.get("/api/site").json()["tanks"][0]["volume_l"] is None


def test_history_comes_between_two_instants(client: Browser) -> None:
    assert {"name": "tank.shed.volume", "unit": "m3"} in client.get("/api/series").json()["series"]
    query = {"series": "tank.shed.volume", "from": "2026-06-14T06:00:00Z", "to": "2026-06-14T08:00:00Z"}
    answer = client.get("/api/history", params=query).json()
    assert answer["unit"] == "m3"
    assert len(answer["points"]) == 9
    times = [point[0] for point in answer["points"]]
    assert times == sorted(times)


def test_history_refuses_unknown_series_and_times_that_are_none(client: Browser) -> None:
    assert client.get("/api/history", params={"series": "nothing"}).status_code == 404
    bad = client.get("/api/history", params={"series": "tank.shed.volume", "from": "yesterday"})
    assert bad.status_code == 422
    assert "ISO 8601" in bad.json()["detail"]


def test_the_interface_describes_itself(client: Browser) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    assert {"/api/site", "/api/history", "/api/series", "/healthz"} <= set(paths)
    assert client.get("/docs").status_code == 404


def test_health_is_bad_without_a_broker(client: Browser, feed: ListeningFeed) -> None:
    feed.take(Message("", b"", False, NOW_MS, "The connection ended."))
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.text == "no connection to the broker\n"


# --- orders ---


def test_whoever_may_only_look_is_offered_no_orders_and_can_give_none(client: Browser, feed: ListeningFeed) -> None:
    assert "<form" not in client.get("/").text
    form = {"token": form_token(LOOKING.caller({}).secret), "site": "riverside", "order": "stop-all"}
    assert client.post("/orders", data=form, headers=FORM).status_code == 403
    assert feed.orders == []


def test_an_order_from_the_page_is_sent_once_and_answered_on_the_page(desk: Browser, feed: ListeningFeed) -> None:
    form = {"token": token_of(desk), "site": "riverside", "order": "run-zone", "zone": "bench", "volume": "2,5"}
    answer = desk.post("/orders", data=form, headers=FORM)
    ((site, order),) = feed.orders
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/zone/bench?site=riverside&order={order['id']}"
    assert site == "riverside"
    assert re.fullmatch(r"page-[0-9a-f]{16}", order.pop("id"))
    assert order == {
        "order": "run-zone",
        "zone": "bench",
        "volume_l": 2.5,
        "not_after": "2026-06-14T12:02:00Z",
        "sender": "this machine",
    }
    page = desk.get("/").text
    assert "✓ Accepted</strong>: Give Polytunnel bench 2.5 L." in page


def test_gallons_are_sent_as_litres(feed: ListeningFeed) -> None:
    desk = Browser(build_app(feed, OpenDoor(), "us"))
    form = {"token": token_of(desk), "site": "riverside", "order": "run-zone", "zone": "bench", "volume": "2"}
    desk.post("/orders", data=form, headers=FORM)
    assert feed.orders[0][1]["volume_l"] == pytest.approx(7.571)


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
    ],
)
def test_a_form_sent_from_elsewhere_is_refused(desk: Browser, feed: ListeningFeed, headers: dict[str, str]) -> None:
    form = {"token": token_of(desk), "site": "riverside", "order": "stop-all"}
    assert desk.post("/orders", data=form, headers=FORM | headers).status_code == 403
    assert feed.orders == []


def test_a_form_without_origin_is_refused(desk: Browser, feed: ListeningFeed) -> None:
    form = {"token": token_of(desk), "site": "riverside", "order": "stop-all"}
    assert desk.post("/orders", data=form).status_code == 403
    assert feed.orders == []


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"token": "guessed"}, 403),
        ({"token": ""}, 403),
        ({"token": "é"}, 403),
        ({"order": "format-disk"}, 400),
        ({"zone": "nowhere"}, 400),
        ({"volume": "-3"}, 400),
        ({"volume": "nan"}, 400),
        ({"volume": "0"}, 400),
        ({"volume": ""}, 400),
        ({"site": "elsewhere"}, 404),
    ],
)
def test_a_malformed_order_is_refused_and_not_sent(
    desk: Browser, feed: ListeningFeed, change: dict[str, str], status: int
) -> None:
    form = {"token": token_of(desk), "site": "riverside", "order": "run-zone", "zone": "bench", "volume": "3"}
    assert desk.post("/orders", data=form | change, headers=FORM).status_code == status
    assert feed.orders == []


def test_an_order_that_is_no_form_is_refused(desk: Browser, feed: ListeningFeed) -> None:
    answer = desk.post("/orders", json={"order": "stop-all"}, headers={"origin": "http://127.0.0.1"})
    assert answer.status_code == 415
    assert desk.post("/orders", content=b"\xff=\xff&&", headers=FORM).status_code in (400, 403)
    assert feed.orders == []


def test_reading_never_orders(desk: Browser, feed: ListeningFeed) -> None:
    token = token_of(desk)
    assert desk.get("/orders", params={"token": token, "order": "stop-all", "site": "riverside"}).status_code == 200
    assert desk.get("/part/preview", params={"token": token, "site": "riverside"}).status_code == 405
    assert feed.orders == []


def test_a_body_beyond_64_kib_is_refused_declared_or_not(desk: Browser, feed: ListeningFeed) -> None:
    assert desk.post("/orders", content=b"x" * (MAX_BODY_BYTES + 1), headers=FORM).status_code == 413

    async def trickle() -> AsyncIterator[bytes]:
        for _ in range(70):
            yield b"x" * 1024

    assert desk.post("/orders", content=trickle(), headers=FORM).status_code == 413
    assert feed.orders == []


# --- the command line ---


def arguments(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    watch.add_arguments(parser)
    return parser.parse_args(words)


@pytest.mark.parametrize("address", ["0.0.0.0:8080", "192.0.2.7:80", "[::]:8080", "pumphouse.lan:8080"])
def test_a_page_without_accounts_is_never_served_beyond_this_machine(address: str) -> None:
    with pytest.raises(ConfigurationError, match="sign in"):
        watch.run(arguments("--open-on-loopback", "--http", address))


@pytest.mark.parametrize("address", ["", "host:", "host:99999", "host:x", ":80"])
def test_an_address_that_is_none_is_refused_with_an_example(address: str) -> None:
    with pytest.raises(ConfigurationError, match="HOST:PORT"):
        watch.run(arguments("--mqtt", address))


def test_only_this_machine_is_served_unless_asked() -> None:
    assert watch.is_loopback(watch.host_and_port(arguments().http, "--http", 8080)[0])
    assert watch.host_and_port("[::1]:81", "--http", 8080) == ("::1", 81)
    assert not watch.is_loopback("garden.lan")
