"""Every door is shut to whoever has not signed in, every form from elsewhere is refused; each role does what it may."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from starlette.routing import Mount, Route

from dashboards.access import form_token, is_form_token
from dashboards.accounts import SECRET
from dashboards.app import build_routes
from dashboards.gate import PUBLIC_FOLDERS, PUBLIC_PATHS, Gate, OpenDoor, network_of, safe_next
from dashboards.http_guard import HttpGuard, Receive, Scope, Send, respond
from tests.unit.signed_in import HELD_FIELD, HTML, NOW_S, Browser, House


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    house.add("rosa", "keep")
    yield house
    house.close()


def all_routes(house: House) -> list[tuple[str, str]]:
    """(method, path) of everything the application answers; parts of a path that may be anything are `x`."""
    found = []
    for route in build_routes(house.feed, house.door).routes:
        if isinstance(route, Mount):
            found.append(("GET", route.path + "/x"))
        else:
            assert isinstance(route, Route), f"{route}: a kind of route this test does not know"
            path = re.sub(r"\{[^}]*\}", "x", route.path)
            found += [(method, path) for method in sorted(route.methods or ()) if method != "HEAD"]
    return found


def test_every_route_is_public_by_decision_or_shut_to_strangers(house: House) -> None:
    routes = all_routes(house)
    assert len(routes) > 12
    for method, path in routes:
        answer = house.browser().ask(method, path)
        if path in PUBLIC_PATHS or path.startswith(PUBLIC_FOLDERS):
            assert answer.status_code in ((200, 303, 403, 404, 503) if method == "GET" else (403, 415)), (method, path)
            if path in ("/sign-in", "/set-up", "/new-password"):
                assert "Riverside" not in answer.text
        else:
            assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer"), (method, path)
            assert "Riverside" not in answer.text


def test_a_browser_that_has_not_signed_in_is_shown_the_way_and_led_back_after(house: House) -> None:
    answer = house.browser().get("/?site=riverside&days=7", headers=HTML)
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        "/sign-in?next=/%3Fsite%3Driverside%26days%3D7",
    )
    browser = house.browser()
    signed = browser.sign_in("rosa", leads_to="/?site=riverside&days=7")
    assert (signed.status_code, signed.headers["location"]) == (303, "/?site=riverside&days=7")
    assert "Riverside allotment" in browser.get(signed.headers["location"]).text


def test_every_route_that_changes_something_refuses_a_form_without_its_token(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    posts = [path for method, path in all_routes(house) if method == "POST"]
    assert len(posts) >= 7
    for path in posts:
        for form in (
            {"order": "hold"},
            {"token": ""},
            {"token": "x" * 88},
            {"token": form_token("of another session")},
        ):
            assert keeper.post(path, form).status_code == 403, (path, form)


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://127.0.0.1"},
        {"origin": "https://127.0.0.1:8080"},
        {"origin": "http://127.0.0.1:8080.evil.example"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
        {"sec_fetch_site": "none"},
    ],
)
def test_every_route_that_changes_something_refuses_a_form_from_elsewhere(
    house: House, headers: dict[str, str]
) -> None:
    keeper = house.signed_in("ida", "keep")
    token = re.search(r'name="token" value="([^"]*)"', keeper.get("/account", headers=HTML).text)
    assert token is not None
    posts = [path for method, path in all_routes(house) if method == "POST"]
    for path in posts:
        assert keeper.post(path, {"token": token[1], "name": "rosa", "order": "hold"}, **headers).status_code == 403
    assert house.accounts.person("rosa") is not None
    assert keeper.get("/account").status_code == 200


def test_a_proxy_that_was_not_named_is_told_how_to_be(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    answer = keeper.send("/sign-out", {}, "/account", origin="https://127.0.0.1:8080")
    assert answer.status_code == 403
    assert "--behind-proxy" in answer.text


def test_only_forms_are_taken_as_forms(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    for kind in ("application/json", "text/plain", "multipart/form-data; boundary=x", ""):
        headers = {"origin": keeper.base, "content-type": kind}
        assert keeper.ask("POST", "/people/remove", content=b"name=rosa", headers=headers).status_code == 415
    assert house.accounts.person("rosa") is not None


def test_who_may_look_changes_nothing_and_is_offered_nothing(house: House) -> None:
    visitor = house.signed_in("ben", "look")
    page = visitor.get("/", headers=HTML)
    assert page.status_code == 200
    assert 'action="/orders"' not in page.text
    assert visitor.send("/orders", {"site": "riverside", "order": "hold"}, "/account").status_code == 403
    assert visitor.get("/people").status_code == 403


def test_who_may_act_orders_but_keeps_no_accounts(house: House) -> None:
    gardener = house.signed_in("ben", "act")
    answer = gardener.send("/orders", {"site": "riverside", "order": "hold"}, "/")
    assert answer.status_code == 303
    assert gardener.get("/people").status_code == 403
    assert gardener.send("/people/remove", {"name": "rosa"}, "/account").status_code == 403
    assert house.accounts.person("rosa") is not None


def test_a_site_that_is_not_ones_own_does_not_exist(house: House) -> None:
    other = house.signed_in("ben", "act", frozenset({"hillside"}))
    pages = [path for method, path in all_routes(house) if method == "GET" and path != "/openapi.json"]
    for path in pages:
        assert "Riverside" not in other.get(f"{path.replace('x', 'bench')}?site=riverside").text, path
    for path in ("/?site=riverside", "/part/present?site=riverside", "/api/site?site=riverside", "/api/site"):
        answer = other.get(path)
        assert answer.status_code in (200, 404), path
        assert "Riverside" not in answer.text
        assert other.get(path.replace("riverside", "nowhere")).status_code == answer.status_code
    assert other.send("/orders", {"site": "riverside", "order": "hold"}, "/account").status_code == 404
    own = house.signed_in("eve", "look", frozenset({"riverside", "hillside"}))
    assert own.get("/api/site?site=riverside").json()["id"] == "riverside"


# --- programs ---


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def test_a_program_reads_with_its_token_and_needs_no_cookie(house: House) -> None:
    token = house.accounts.add_token("weather", "look", None, "rosa", NOW_S)
    program = house.browser()
    assert program.get("/api/site", headers=bearer(token)).json()["id"] == "riverside"
    assert not program.cookies
    assert house.accounts.tokens()[0].label == "weather"


@pytest.mark.parametrize("authorization", ["Bearer", "Bearer ", "bearer " + "x" * 43, "Bearer é"])
def test_a_token_that_is_none_is_refused_even_on_public_paths(house: House, authorization: str) -> None:
    headers = {"authorization": authorization.encode("latin-1")}
    for path in ("/api/site", "/", "/healthz"):
        assert house.browser().get(path, headers=headers).status_code == 401


def test_what_a_proxy_asks_passwords_for_is_not_our_business(house: House) -> None:
    """A proxy in front may pass on the name and password that it asked for itself."""
    basic = {"authorization": "Basic cm9zYTpyb3Nh"}
    assert house.signed_in("ida").get("/api/site", headers=basic).status_code == 200
    assert house.browser().get("/api/site", headers=basic).status_code == 401


def test_a_wrong_token_is_not_made_good_by_a_cookie(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    assert keeper.get("/api/site", headers=bearer("x" * 43)).status_code == 401


def test_a_token_is_bound_to_its_role_and_sites(house: House) -> None:
    looking = house.accounts.add_token("screen", "look", None, "rosa", NOW_S)
    form = {"site": "riverside", "order": "hold"}
    program = house.browser()
    assert program.post("/orders", form, **bearer(looking)).status_code == 403
    elsewhere = house.accounts.add_token("other", "act", frozenset({"hillside"}), "rosa", NOW_S)
    assert program.post("/orders", form, **bearer(elsewhere)).status_code == 404
    assert program.get("/api/site?site=riverside", headers=bearer(elsewhere)).status_code == 404
    acting = house.accounts.add_token("script", "act", None, "rosa", NOW_S)
    assert program.post("/orders", form, **bearer(acting)).status_code == 303


def test_a_token_has_no_account_and_keeps_none(house: House) -> None:
    token = house.accounts.add_token("script", "act", None, "rosa", NOW_S)
    program = house.browser()
    assert program.get("/account", headers=bearer(token)).status_code == 404
    assert program.get("/people", headers=bearer(token)).status_code == 403
    for path in ("/sign-out", "/sign-out-everywhere", "/account/password"):
        assert program.post(path, {}, **bearer(token)).status_code == 404
    assert program.post("/people/add", {"name": "eve", "role": "keep"}, **bearer(token)).status_code == 403
    assert house.accounts.person("eve") is None


# --- pace ---


def test_a_flood_from_one_address_is_refused_and_does_not_hurt_who_is_signed_in(tmp_path: Path) -> None:
    house = House(tmp_path, paced=True)
    house.add("rosa", "keep")
    owner = house.signed_in("ida", "act")
    stranger = house.browser(owner.address)
    statuses = [stranger.get("/api/site").status_code for _ in range(200)]
    assert statuses[0] == 401
    assert statuses[-1] == 429
    assert owner.get("/api/site").status_code == 200
    house.close()


def test_orders_are_paced_for_each_person(tmp_path: Path) -> None:
    house = House(tmp_path, paced=True)
    eager, calm = house.signed_in("ben", "act"), house.signed_in("ida", "act")
    statuses = [eager.send("/orders", {"site": "riverside", "order": "hold"}, "/").status_code for _ in range(20)]
    assert statuses[:10] == [303] * 10
    assert 429 in statuses
    assert calm.send("/orders", {"site": "riverside", "order": "resume"}, "/").status_code == 303
    house.close()


# --- parts ---


@pytest.mark.parametrize(
    "path",
    [
        "//evil.example",
        "///evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "https://evil.example",
        "javascript:alert(1)",
        "/%0d%0aset-cookie:x=y".replace("%0d%0a", "\r\n"),
        "/\t/evil.example",
        "evil.example",
        "",
        "/" + "a" * 600,
        "/sign-in?next=/sign-in",
        "/part/present",
        "/ä",
    ],
)
def test_what_could_lead_elsewhere_leads_to_the_page(path: str) -> None:
    assert safe_next(path) == "/"


@pytest.mark.parametrize("path", ["//evil.example", "https://evil.example", "/\\evil.example"])
def test_signing_in_never_leads_elsewhere(house: House, path: str) -> None:
    browser = house.browser()
    shown = browser.get("/sign-in", params={"next": path}).text
    assert "evil" not in shown
    answer = browser.send("/sign-in", {"name": "rosa", "password": "river shed berry bench", "next": path})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


@pytest.mark.parametrize("path", ["/", "/?site=riverside", "/zone/bench?site=riverside", "/a/%2F%2Fb", "/account"])
def test_signing_in_leads_back_to_our_own_pages(path: str) -> None:
    assert safe_next(path) == path


def test_a_form_token_is_good_for_its_session_alone_and_looks_different_each_time() -> None:
    first, second = form_token("one"), form_token("one")
    assert first != second
    assert is_form_token(first, "one")
    assert is_form_token(second, "one")
    assert not is_form_token(first, "another")
    for wrong in ("", "é", "A" * 87, "A" * 88, first[:-4], first + "AAAA", first.swapcase()):
        assert not is_form_token(wrong, "one")


def test_one_line_of_the_network_is_one_address() -> None:
    assert network_of("2001:db8::1") == network_of("2001:db8::dead:beef")
    assert network_of("2001:db8::1") != network_of("2001:db8:0:1::1")
    assert network_of("::ffff:192.0.2.7") == network_of("192.0.2.7")
    assert network_of("fe80::1%eth0") == network_of("fe80::2")
    assert network_of("somebody") == "somebody"


def test_cookies_and_links_are_256_random_bits(house: House) -> None:
    key = house.accounts.new_password_link("rosa", NOW_S)
    assert SECRET.fullmatch(key)


def test_without_accounts_whoever_is_on_this_machine_may_act_but_there_are_none_to_keep(house: House) -> None:
    door = OpenDoor()
    caller = door.caller({})
    assert caller.person is not None
    assert (caller.person.role, caller.has_account) == ("act", False)
    paths = {getattr(route, "path", "") for route in build_routes(house.feed, door).routes}
    assert not paths & {"/people", "/account", "/sign-in", "/set-up"}


def test_trouble_is_told_to_people_as_a_page_and_to_programs_as_data(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    page = keeper.get("/nowhere", headers=HTML)
    assert page.status_code == 404
    assert 'role="alert"' in page.text
    assert keeper.get("/api/nowhere").json() == {"detail": "Not Found"}
    assert keeper.get("/?site=<script>", headers=HTML).status_code == 422
    assert "<script" not in keeper.get("/?site=<script>", headers=HTML).text


def test_a_strangers_browser_gets_no_cookie_except_where_it_needs_one(house: House) -> None:
    stranger: Browser = house.browser()
    for path in ("/healthz", "/static/page.css", "/api/site", "/"):
        stranger.get(path, headers=HTML)
    assert not stranger.cookies
    stranger.get("/sign-in")
    assert len(stranger.cookies) == 1


def test_nothing_but_http_passes_the_gate(house: House) -> None:
    passed: list[str] = []

    async def application(scope: Scope, _receive: Receive, _send: Send) -> None:
        passed.append(scope["type"])

    async def nothing() -> dict[str, str]:
        return {}

    async def dropped(_message: Scope) -> None:
        return None

    gate = Gate(application, house.door)
    asyncio.run(gate({"type": "websocket", "path": "/", "headers": []}, nothing, dropped))
    assert passed == []


def test_a_program_that_may_act_orders_and_learns_what_became_of_it(house: House) -> None:
    acting = bearer(house.accounts.add_token("script", "act", None, "rosa", NOW_S))
    looking = bearer(house.accounts.add_token("screen", "look", None, "rosa", NOW_S))
    elsewhere = bearer(house.accounts.add_token("other", "act", frozenset({"hillside"}), "rosa", NOW_S))
    program = house.browser()

    def order(body: dict[str, object], headers: dict[str, str], site: str = "riverside") -> httpx.Response:
        return program.ask("POST", f"/api/orders?site={site}", json=body, headers=headers)

    given = order({"order": "run-zone", "zone": "bench", "volume_l": 4}, acting)
    assert given.status_code == 200
    state = given.json()
    assert (state["site"], state["state"]) == ("riverside", "waiting"), "there is no broker in this test"
    assert program.get(f"/api/orders/{state['id']}", headers=looking).json() == state
    assert program.get(f"/api/orders/{state['id']}", headers=elsewhere).status_code == 404
    assert program.get("/api/orders/page-0", headers=looking).status_code == 404
    assert order({"order": "hold"}, looking).status_code == 403
    assert order({"order": "hold"}, elsewhere).status_code == 404
    for wrong in ({"order": "open-lid"}, {}, {"order": "hold", "id": "mine"}, {"order": "hold", "sender": "rosa"}):
        assert order(wrong, acting).status_code == 422
    deep = b'{"order": "hold", "x": ' + b"[" * 20_000 + b"}"
    headers = acting | {"content-type": "application/json"}
    assert program.ask("POST", "/api/orders", content=deep, headers=headers).status_code in (400, 422)


def test_a_browser_can_be_made_to_send_no_json_order(house: House) -> None:
    gardener = house.signed_in("ben", "act")
    for kind in ("application/json", "text/plain"):
        headers = {"origin": gardener.base, "sec-fetch-site": "same-origin", "content-type": kind}
        assert gardener.ask("POST", "/api/orders", content=b'{"order": "stop-all"}', headers=headers).status_code == 415


def test_the_gate_itself_lets_nobody_change_anything_who_may_only_look(house: House) -> None:
    """So that a route which forgets to ask for the right to act is shut all the same."""
    reached: list[str] = []

    async def forgetful(scope: Scope, _receive: Receive, send: Send) -> None:
        reached.append(scope["path"])
        await respond(send, 200, b"text/plain", b"done")

    looking, acting = house.signed_in("ben", "look"), house.signed_in("eve", "act")
    gate = HttpGuard(Gate(forgetful, house.door))
    for visitor, status in ((looking, 403), (acting, 200)):
        token = dict(HELD_FIELD.findall(visitor.get("/account", headers=HTML).text))["token"]
        behind = Browser(gate, visitor.base)
        behind.cookies = visitor.cookies
        for path in ("/drain-the-tank", "/api/drain", "/part/drain"):
            assert behind.post(path, {"token": token}).status_code == status, path
    assert reached == ["/drain-the-tank", "/api/drain", "/part/drain"]
