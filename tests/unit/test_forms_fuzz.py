"""Whatever is sent to the routes that change something, from inside or outside, is answered; nothing breaks."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.routing import Route

from dashboards import passwords
from dashboards.app import build_routes
from tests.unit.signed_in import HELD_FIELD, HTML, Browser, House

NAMES = ("name", "password", "old", "role", "sites", "label", "id", "key", "next", "site", "zone", "order", "volume")
NAMES += ("fault", "until", "look", "reason", "date", "base", "base_version", "mode", "daily_cap_l", "do", "token")
VALUES = st.one_of(
    st.text(max_size=60),
    st.sampled_from(
        ["", "riverside", "bench", "rosa", "ida", "hold", "run-zone", "clear-fault", "look", "keep", "1", "-1"]
    ),
    st.sampled_from(
        ["1e400", "nan", "9" * 400, "{}", '{"a":' * 90, "2026-13-45", "\x00", "%00", "' OR 1=1 --", "../..", "é" * 900]
    ),
)
FORMS = st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=12)), VALUES, max_size=14)


class Keeper:
    """A keeper's browser, the token its forms need, and every address that takes a form."""

    def __init__(self, house: House) -> None:
        self.house = house
        house.add("rosa", "keep")
        self.browser: Browser = house.signed_in("ida", "keep")
        self.token = dict(HELD_FIELD.findall(self.browser.get("/account", headers=HTML).text))["token"]
        routes = [r for r in build_routes(house.feed, house.door).routes if isinstance(r, Route)]
        # Signing out would end the game.
        found = [r.path for r in routes if "POST" in (r.methods or ()) and not r.path.startswith("/sign-out")]
        self.paths = [path.replace("{zone_id}", "bench").replace("{what}", what) for path in found for what in WHAT]


WHAT = ("add", "link", "change", "remove", "token", "revoke")


@pytest.fixture(scope="module")
def keeper() -> Iterator[Keeper]:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        # Passwords cost time by intention; here they are only passed around.
        patch.setattr(passwords, "matches", lambda _password, _kept: False)
        patch.setattr(passwords, "hashed", lambda _password: "scrypt$none")
        house = House(Path(folder))
        yield Keeper(house)
        house.close()


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_form_is_answered_whatever_it_says(keeper: Keeper, data: Any) -> None:
    path = data.draw(st.sampled_from(sorted(set(keeper.paths))))
    form = data.draw(FORMS) | {"token": keeper.token}
    body = urlencode(form, encoding="utf-8", errors="replace").encode()
    headers = {"origin": keeper.browser.base, "content-type": "application/x-www-form-urlencoded", **HTML}
    answer = keeper.browser.ask("POST", path, content=body, headers=headers)
    assert answer.status_code < 500 or answer.status_code == 503, (path, form)
    assert keeper.house.accounts.person("ida") is not None


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    body=st.binary(max_size=300), path=st.sampled_from(["/sign-in", "/set-up", "/orders", "/people/add", "/api/orders"])
)
def test_bytes_that_are_no_form_are_refused(keeper: Keeper, body: bytes, path: str) -> None:
    headers = {"origin": keeper.browser.base, "content-type": "application/x-www-form-urlencoded"}
    assert keeper.browser.ask("POST", path, content=body, headers=headers).status_code in (400, 403)


def test_a_file_of_accounts_that_cannot_be_read_is_told_and_lets_nobody_in(tmp_path: Path) -> None:
    house = House(tmp_path)
    gardener = house.signed_in("ben", "act")

    def broken(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    house.accounts.session = broken  # type: ignore[method-assign,assignment]
    answer = gardener.get("/", headers=HTML)
    assert answer.status_code == 503
    assert "the log of this page says why" in answer.text
    house.close()


def test_a_card_that_cannot_be_written_is_told_to_whoever_wanted_a_change(tmp_path: Path) -> None:
    house = House(tmp_path)
    keeper = house.signed_in("ida", "keep")

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    house.accounts.add_person = full  # type: ignore[method-assign,assignment]
    answer = keeper.send("/people/add", {"name": "ben", "role": "look"}, "/people")
    assert answer.status_code == 503
    assert "cannot be read or written" in answer.text
    assert house.accounts.person("ben") is None
    house.close()
