"""An application with accounts, asked directly, by browsers that keep their cookies."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx

from dashboards.accounts import Accounts
from dashboards.app import build_app, build_routes
from dashboards.door import AccountDoor
from dashboards.feed import BrokerSettings, Feed, Message
from dashboards.gate import Gate
from dashboards.http_guard import App, HttpGuard
from dashboards.pace import Pace
from dashboards.passwords import hashed
from dashboards.store import HistoryStore
from tests import fake_site

NOW = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
NOW_S = int(NOW.timestamp())
PASSWORD = "river shed berry bench"
KEPT = hashed(PASSWORD, b"salt of 16 bytes")
"""Worked out once for all tests: it is slow by intention."""
HTML = {"accept": "text/html"}
HELD_FIELD = re.compile(r'name="(token|key)" value="([^"]*)"')


class House:
    """The page of one site with its accounts; `clock` is the wall time that the accounts believe."""

    def __init__(self, folder: Path, paced: bool = False, scheme: str = "http") -> None:
        self.clock_s = NOW_S
        self.base = f"{scheme}://127.0.0.1:8080"
        self.store = HistoryStore(str(folder / "history.sqlite3"))
        self.feed = Feed(BrokerSettings("broker.invalid"), self.store, wall_ms=lambda: NOW_S * 1000)
        self.accounts = Accounts(str(folder / "accounts.sqlite3"))
        self.door = AccountDoor(self.accounts, lambda: self.clock_s)
        self._hear()
        self.app: App = build_app(self.feed, self.door)
        if not paced:
            free = Pace(1e6, 1_000_000)
            self.app = HttpGuard(Gate(build_routes(self.feed, self.door), self.door, free, free))

    def close(self) -> None:
        self.door.close()
        self.accounts.close()
        self.store.close()

    def add(self, name: str, role: Any = "look", sites: frozenset[str] | None = None) -> None:
        """Somebody with the password of everybody in these tests."""
        self.accounts.add_person(name, role, sites, NOW_S)
        key = self.accounts.new_password_link(name, NOW_S)
        self.accounts.use_link(key, KEPT, NOW_S)

    def browser(self, address: str = "192.0.2.1") -> Browser:
        return Browser(self.app, self.base, address)

    def signed_in(self, name: str, role: Any = "look", sites: frozenset[str] | None = None) -> Browser:
        """A browser of somebody new who has just signed in, without the work of a password."""
        self.add(name, role, sites)
        secret = self.accounts.sign_in(name, KEPT, self.clock_s)
        browser = self.browser()
        assert secret is not None
        browser.cookies.set("pumphouse-8080", secret, domain="127.0.0.1", path="/")
        return browser

    def _hear(self) -> None:
        self.feed.take(Message("", b"", False, NOW_S * 1000, "connected"))
        records = fake_site.history(NOW, days=2)
        for topic, value in fake_site.tree(NOW, 1943.0, len(records)).items():
            self.feed.take(Message(f"homie/5/{topic}", value.encode(), True, NOW_S * 1000))


class Browser:
    """Keeps cookies, follows no redirect, says where its forms come from as browsers do."""

    def __init__(self, app: App, base: str, address: str = "192.0.2.1") -> None:
        self._app = app
        self.base = base
        self.address = address
        self.cookies = httpx.Cookies()

    def get(self, url: str, **details: Any) -> httpx.Response:
        return self.ask("GET", url, **details)

    def send(self, url: str, form: dict[str, str], page: str | None = None, **headers: str) -> httpx.Response:
        """Load the page that has the form (by default the form's own address), fill it in, send it."""
        held = dict(HELD_FIELD.findall(self.get(page or url, headers=HTML).text))
        return self.post(url, held | form, **headers)

    def post(self, url: str, form: dict[str, str], **headers: str) -> httpx.Response:
        sent = {"origin": self.base, "sec-fetch-site": "same-origin", **HTML}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        return self.ask("POST", url, data=form, headers=sent)

    def sign_in(self, name: str, password: str = PASSWORD, leads_to: str = "") -> httpx.Response:
        page = "/sign-in" + (f"?next={quote(leads_to)}" if leads_to else "")
        return self.send("/sign-in", {"name": name, "password": password, "next": leads_to or "/"}, page)

    def ask(self, method: str, url: str, **details: Any) -> httpx.Response:
        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app, client=(self.address, 4711))
            async with httpx.AsyncClient(transport=transport, base_url=self.base, cookies=self.cookies) as client:
                answer = await client.request(method, url, **details)
                self.cookies = client.cookies
                return answer

        return asyncio.run(asked())


def at_once(browser: Browser, work: Callable[[httpx.AsyncClient], Any]) -> Any:
    """Run something that sends several requests at the same time."""

    async def done() -> Any:
        transport = httpx.ASGITransport(app=browser._app, client=(browser.address, 4711))
        async with httpx.AsyncClient(transport=transport, base_url=browser.base, cookies=browser.cookies) as client:
            return await work(client)

    return asyncio.run(done())
