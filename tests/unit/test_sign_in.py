"""Setting up, signing in and out, passwords, and what whoever keeps the accounts does, through the pages' own forms."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from dashboards import passwords
from dashboards.accounts import DAY_S, SESSION_IDLE_S
from dashboards.door import PasswordLanes
from dashboards.guesses import FREE_TRIES
from tests.unit.signed_in import HELD_FIELD, HTML, NOW_S, PASSWORD, Browser, House, at_once

NEW_PASSWORD = "seven herons by the weir"
COOKIE = "pumphouse-8080"


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.close()


@pytest.fixture
def house(empty: House) -> House:
    empty.add("rosa", "keep")
    return empty


def set_up_path(house: House) -> str:
    return f"/set-up?key={house.accounts.new_set_up_link(house.clock_s)}"


# --- before anybody has an account ---


def test_before_the_first_account_there_is_nothing_but_the_set_up_page(empty: House) -> None:
    stranger = empty.browser()
    for path in ("/", "/?site=riverside", "/account", "/people", "/sign-in"):
        answer = stranger.get(path, headers=HTML)
        assert (answer.status_code, answer.headers["location"]) == (303, "/set-up"), path
    assert stranger.get("/api/site").status_code == 401
    page = stranger.get("/set-up", headers=HTML).text
    assert "watch-accounts set-up" in page
    assert "<form" not in page


def test_the_printed_link_makes_the_first_account_and_signs_it_in(empty: House) -> None:
    browser = empty.browser()
    link = set_up_path(empty)
    answer = browser.send("/set-up", {"name": " Rosa ", "password": NEW_PASSWORD}, link)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Riverside allotment" in browser.get("/").text
    assert browser.get("/people", headers=HTML).status_code == 200
    assert empty.browser().get(link, headers=HTML).status_code == 303


def test_a_set_up_link_that_is_old_guessed_or_used_makes_nothing(empty: House) -> None:
    link = set_up_path(empty)
    browser = empty.browser()
    browser.get(link)
    assert browser.send("/set-up", {"key": "x" * 43, "name": "eve", "password": NEW_PASSWORD}, link).status_code == 403
    empty.clock_s += 3600
    assert browser.get(link).status_code == 403
    assert empty.accounts.is_empty()


def test_a_poor_choice_is_refused_with_the_reason_and_what_was_typed_stays(empty: House) -> None:
    browser, link = empty.browser(), set_up_path(empty)
    answer = browser.send("/set-up", {"name": "rosa", "password": "short"}, link)
    assert answer.status_code == 422
    assert 'role="alert">A password has at least 15 characters' in answer.text
    assert 'value="rosa"' in answer.text
    assert "short" not in answer.text
    assert "<title>Problem: " in answer.text
    answer = browser.send("/set-up", {"name": "Rosa of the Shed", "password": NEW_PASSWORD}, link)
    assert "small letters" in answer.text
    assert empty.accounts.is_empty()


# --- signing in ---


def test_signing_in_makes_a_new_session_whatever_cookie_was_there_before(house: House) -> None:
    planted = "A" * 43
    browser = house.browser()
    browser.cookies.set(COOKIE, planted, domain="127.0.0.1", path="/")
    assert browser.sign_in("rosa").status_code == 303
    assert browser.cookies[COOKIE] != planted
    assert house.accounts.session(planted, NOW_S) is None
    assert house.accounts.session(browser.cookies[COOKIE], NOW_S) is not None


def test_the_cookies_are_out_of_reach_of_scripts_and_of_other_sites(house: House) -> None:
    browser = house.browser()
    set_cookies = browser.sign_in("rosa").headers.get_list("set-cookie")
    assert len(set_cookies) == 2
    for text in set_cookies:
        attributes = {part.strip().lower() for part in text.split(";")[1:]}
        assert {"httponly", "samesite=lax", "path=/"} <= attributes
        assert not [a for a in attributes if a.startswith("domain")]


def test_over_tls_the_cookies_are_bound_to_this_host_and_never_sent_without_it(tmp_path: Path) -> None:
    house = House(tmp_path, scheme="https")
    house.add("rosa", "keep")
    set_cookies = house.browser().sign_in("rosa").headers.get_list("set-cookie")
    assert all(text.startswith("__Host-pumphouse-8080") and "; Secure" in text for text in set_cookies)
    house.close()


def test_two_pages_behind_one_name_do_not_share_cookies(house: House) -> None:
    browser = house.signed_in("ida")
    browser.base = "http://127.0.0.1:8081"
    assert browser.get("/api/site").status_code == 401


def test_an_unknown_name_and_a_wrong_password_get_the_same_answer(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared: list[str] = []
    really = passwords.matches

    def noted(password: str, kept: str) -> bool:
        compared.append(kept.rpartition("$")[0].rpartition("$")[0])
        return really(password, kept)

    monkeypatch.setattr(passwords, "matches", noted)
    answers = []
    for name in ("rosa", "nobody", "not a name at all!"):
        answer = house.browser().sign_in(name, "a wrong password")
        page = re.sub(r'value="[^"]*"', "", answer.text)
        answers.append((answer.status_code, page, sorted(answer.headers.keys())))
    assert answers[0] == answers[1] == answers[2]
    assert answers[0][0] == 403
    assert compared == ["scrypt$14$8$5"] * 3


def test_somebody_who_has_chosen_no_password_yet_cannot_sign_in(house: House) -> None:
    house.accounts.add_person("ben", "look", None, NOW_S)
    for password in ("", "a wrong password"):
        assert house.browser().sign_in("ben", password).status_code == 403


def test_a_password_kept_in_an_older_way_is_kept_in_todays_at_sign_in(house: House) -> None:
    kept = house.accounts.password("rosa")
    old = "scrypt$4$8$1$" + "c2FsdHNhbHRzYWx0c2FsdA==$"
    key = hashlib.scrypt(PASSWORD.encode(), salt=b"saltsaltsaltsalt", n=16, r=8, p=1, dklen=32)
    assert kept is not None
    assert house.accounts.set_password("rosa", kept, old + base64.b64encode(key).decode())
    assert house.browser().sign_in("rosa").status_code == 303
    renewed = house.accounts.password("rosa")
    assert renewed is not None
    assert passwords.is_current(renewed)
    assert house.browser().sign_in("rosa").status_code == 303


def test_guessing_is_slowed_and_the_owner_gets_in_all_the_same(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    phone = house.browser("192.0.2.1")
    assert phone.sign_in("rosa").status_code == 303
    phone.cookies.delete(COOKIE)
    monkeypatch.setattr(passwords, "matches", lambda password, _kept: password == PASSWORD)
    guesser = house.browser("192.0.2.1")
    statuses = [guesser.sign_in("rosa", f"guess number {n} of many").status_code for n in range(30)]
    assert statuses[:FREE_TRIES] == [403] * FREE_TRIES
    assert set(statuses[FREE_TRIES:]) == {429}
    slowed = guesser.sign_in("rosa", PASSWORD)
    assert slowed.status_code == 429
    assert int(slowed.headers["retry-after"]) >= 1
    assert "Try again in" in slowed.text
    assert phone.sign_in("rosa").status_code == 303, "the same address, a browser known before"
    assert house.browser("198.51.100.7").sign_in("rosa").status_code == 303, "a new browser from another address"


def test_a_flood_of_passwords_waits_beside_the_page_and_not_before_it(house: House) -> None:
    """While passwords are worked on, pages are served; most of a flood is turned away at once."""
    owner = house.signed_in("ida")
    attacker = house.browser("198.51.100.9")
    attacker.get("/sign-in")

    async def both(client: httpx.AsyncClient) -> Any:
        page = await client.get("/sign-in", headers=HTML)
        form = dict(HELD_FIELD.findall(page.text)) | {"name": "rosa", "password": "a wrong password"}
        headers = {"origin": attacker.base, "sec-fetch-site": "same-origin"}
        tries = [asyncio.ensure_future(client.post("/sign-in", data=form, headers=headers)) for _ in range(30)]
        unanswered = len(tries)
        while unanswered > PasswordLanes.MOST_WAITING_OF_AN_ADDRESS:
            await asyncio.sleep(0.01)
            unanswered = sum(not one.done() for one in tries)
        answer = await client.get("/api/site", headers={"cookie": f"{COOKIE}={owner.cookies[COOKIE]}"})
        return answer.status_code, unanswered, [one.status_code for one in await asyncio.gather(*tries)]

    status, unanswered, statuses = at_once(attacker, both)
    assert status == 200
    # Most were turned away while the first were still being worked on.
    assert 1 <= unanswered <= PasswordLanes.MOST_WAITING_OF_AN_ADDRESS
    assert set(statuses) <= {403, 429, 503}
    assert statuses.count(403) <= FREE_TRIES


# --- sessions ---


def test_signing_out_ends_the_session_itself_not_only_the_cookie(house: House) -> None:
    browser = house.signed_in("ida")
    secret = browser.cookies[COOKIE]
    answer = browser.send("/sign-out", {}, "/account")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert "Max-Age=0" in answer.headers["set-cookie"]
    assert house.accounts.session(secret, NOW_S) is None


def test_signing_out_everywhere_ends_the_others_too(house: House) -> None:
    phone = house.browser()
    phone.sign_in("rosa")
    desk = house.browser()
    desk.sign_in("rosa")
    phone.send("/sign-out-everywhere", {}, "/account")
    assert desk.get("/api/site").status_code == 401


def test_a_session_that_is_used_lives_on_and_one_that_is_not_ends(house: House) -> None:
    browser = house.signed_in("ida")
    for _ in range(3):
        house.clock_s += SESSION_IDLE_S - DAY_S
        assert browser.get("/api/site").status_code == 200
        house.door._notes.submit(lambda: None).result()
    house.clock_s += SESSION_IDLE_S
    assert browser.get("/api/site").status_code == 401


def test_a_form_of_an_earlier_session_is_refused_in_a_later_one(house: House) -> None:
    browser = house.browser()
    browser.sign_in("rosa")
    old = dict(HELD_FIELD.findall(browser.get("/account").text))
    browser.send("/sign-out", {}, "/account")
    browser.sign_in("rosa")
    assert browser.post("/sign-out-everywhere", old).status_code == 403


# --- passwords ---


def test_a_new_password_needs_the_old_one_and_signs_out_everything_else(house: House) -> None:
    browser, other = house.browser(), house.browser()
    browser.sign_in("rosa")
    other.sign_in("rosa")
    before = browser.cookies[COOKIE]
    wrong = browser.send("/account/password", {"old": "not the old one", "password": NEW_PASSWORD}, "/account")
    assert wrong.status_code == 403
    assert "is another" in wrong.text
    poor = browser.send("/account/password", {"old": PASSWORD, "password": "rosarosarosarosa"}, "/account")
    assert poor.status_code == 422
    done = browser.send("/account/password", {"old": PASSWORD, "password": NEW_PASSWORD}, "/account")
    assert (done.status_code, done.headers["location"]) == (303, "/account?done=password")
    assert browser.cookies[COOKIE] != before
    assert browser.get("/account").status_code == 200
    assert other.get("/api/site").status_code == 401
    assert house.browser().sign_in("rosa").status_code == 403
    assert house.browser().sign_in("rosa", NEW_PASSWORD).status_code == 303


def test_a_password_link_shows_whose_it_is_and_works_once(house: House) -> None:
    house.accounts.add_person("ben", "look", None, NOW_S)
    link = f"/new-password?key={house.accounts.new_password_link('ben', NOW_S)}"
    browser = house.browser()
    assert 'value="ben"' in browser.get(link).text
    # The name is shown for password keepers; another one sent along changes nobody else's password.
    answer = browser.send("/new-password", {"name": "rosa", "password": NEW_PASSWORD}, link)
    assert answer.status_code == 303
    assert house.browser().sign_in("rosa").status_code == 303
    assert house.browser().get(link).status_code == 403
    assert "<strong>" not in house.browser().get(link).text


# --- whoever keeps the accounts ---


def test_the_keeper_adds_somebody_who_chooses_their_own_password(house: House) -> None:
    keeper = house.browser()
    keeper.sign_in("rosa")
    page = keeper.send("/people/add", {"name": "Ben", "role": "act", "sites": "riverside"}, "/people")
    assert page.status_code == 200
    link = re.search(r"(/new-password\?key=[A-Za-z0-9_-]{43})", page.text)
    assert link is not None
    assert f"{keeper.base}{link[1]}" in page.text
    ben = house.browser()
    assert ben.send("/new-password", {"password": NEW_PASSWORD}, link[1]).status_code == 303
    assert ben.get("/api/site").status_code == 200
    person = house.accounts.person("ben")
    assert person is not None
    assert (person.role, person.sites) == ("act", frozenset({"riverside"}))


@pytest.mark.parametrize(
    ("what", "form", "why"),
    [
        ("add", {"name": "Ben the Bold", "role": "look"}, "small letters"),
        ("add", {"name": "rosa", "role": "look"}, "already"),
        ("add", {"name": "ben", "role": "emperor"}, "look, act or keep"),
        ("add", {"name": "ben", "role": "look", "sites": "<script>"}, "no site"),
        ("change", {"name": "nobody", "role": "look"}, "no account"),
        ("change", {"name": "rosa", "role": "look"}, "Nobody would keep"),
        ("remove", {"name": "rosa"}, "another keeper"),
        ("remove", {"name": "nobody"}, "no account"),
        ("link", {"name": "nobody"}, "no account"),
        ("token", {"label": "", "role": "look"}, "small letters"),
        ("token", {"label": "script", "role": "keep"}, "look or act"),
        ("revoke", {"id": "99"}, "no such token"),
        ("revoke", {"id": "-1' OR 1=1"}, "no such token"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(
    house: House, what: str, form: dict[str, str], why: str
) -> None:
    before = house.accounts.accounts(NOW_S)
    keeper = Browser(house.app, "http://127.0.0.1:8080")
    secret = house.accounts.sign_in("rosa", str(house.accounts.password("rosa")), NOW_S)
    keeper.cookies.set(COOKIE, str(secret), domain="127.0.0.1", path="/")
    answer = keeper.send(f"/people/{what}", form, "/people")
    assert answer.status_code == 422
    alert = re.search(r'role="alert">([^<]*)', answer.text)
    assert alert is not None
    assert why in alert[1]
    assert [a.person for a in house.accounts.accounts(NOW_S)] == [a.person for a in before]


def test_the_keeper_changes_and_removes(house: House) -> None:
    keeper, ben = house.signed_in("ida", "keep"), house.signed_in("ben", "look")
    assert keeper.send("/people/change", {"name": "ben", "role": "act"}, "/people").status_code == 303
    assert ben.send("/orders", {"site": "riverside", "order": "hold"}, "/").status_code == 303
    assert "The account is gone." in keeper.get("/people?done=removed").text
    assert keeper.send("/people/remove", {"name": "ben"}, "/people").status_code == 303
    assert ben.get("/api/site").status_code == 401


def test_a_token_is_shown_once_and_then_only_that_it_exists(house: House) -> None:
    keeper = house.signed_in("ida", "keep")
    page = keeper.send("/people/token", {"label": "screen", "role": "look"}, "/people").text
    token = re.search(r"<code>([A-Za-z0-9_-]{43})</code>", page)
    assert token is not None
    program = house.browser()
    assert program.get("/api/site", headers={"authorization": f"Bearer {token[1]}"}).status_code == 200
    house.door._notes.submit(lambda: None).result()
    listed = keeper.get("/people").text
    assert "screen" in listed
    assert token[1] not in listed
    assert "used last on 14 June 2026" in listed
    keeper.send("/people/revoke", {"id": str(house.accounts.tokens()[0].id)}, "/people")
    assert program.get("/api/site", headers={"authorization": f"Bearer {token[1]}"}).status_code == 401


def test_no_secret_is_written_into_the_log(house: House, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    browser = house.browser()
    browser.sign_in("rosa", "a wrong password")
    browser.sign_in("my password typed as a name", "x")
    browser.sign_in("rosa")
    page = browser.send("/people/add", {"name": "ben", "role": "look"}, "/people").text
    token_page = browser.send("/people/token", {"label": "screen", "role": "look"}, "/people").text
    secrets = {PASSWORD, "a wrong password", "my password typed as a name", *browser.cookies.values()}
    secrets |= set(re.findall(r"[A-Za-z0-9_-]{43}", page + token_page))
    assert len(secrets) >= 7
    told = [record.getMessage() for record in caplog.records if record.name.startswith("pumphouse")]
    assert "wrong password for rosa, from 192.0.2.1" in told
    assert "rosa signed in, from 192.0.2.1" in told
    assert not [line for line in told for secret in secrets if secret in line]


def test_what_somebody_typed_is_never_taken_for_a_part_of_the_page(house: House) -> None:
    odd = '"><script>alert(1)</script>'
    for answer in (
        house.browser().sign_in(odd, "x" * 20),
        house.browser().get("/sign-in", params={"next": odd}, headers=HTML),
        house.browser().get("/new-password", params={"key": odd}, headers=HTML),
        house.signed_in("ida", "keep").send("/people/add", {"name": odd, "role": "look", "sites": odd}, "/people"),
    ):
        assert "<script>" not in answer.text


# --- the pages themselves ---


def test_every_field_has_a_label_and_every_form_its_token(empty: House) -> None:
    link = set_up_path(empty)
    pages = [empty.browser().get(link).text]
    empty.add("rosa", "keep")
    empty.accounts.add_token("screen", "look", frozenset({"riverside"}), "rosa", NOW_S)
    keeper = empty.signed_in("ida", "keep")
    key = empty.accounts.new_password_link("rosa", NOW_S)
    pages += [empty.browser().get("/sign-in").text, empty.browser().get(f"/new-password?key={key}").text]
    pages += [keeper.get("/account").text, keeper.get("/people").text]
    for page in pages:
        assert page.count("<form") == page.count('name="token"') > 0
        labelled = set(re.findall(r'<label for="([^"]+)"', page))
        ids = re.findall(r'<(?:input|select)(?![^>]*type="hidden")(?![^>]* hidden)[^>]* id="([^"]+)"', page)
        assert ids
        assert set(ids) <= labelled
        assert len(re.findall(r' id="([^"]+)"', page)) == len(set(re.findall(r' id="([^"]+)"', page)))
        assert "style=" not in page
        assert "<script" not in page
