"""The pages that go through requirements one by one have each once and name tests that exist; and what no other test
held."""

from __future__ import annotations

import ast
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from controller.errors import ConfigurationError, OperatingError
from dashboards import passwords
from dashboards.access import Person
from dashboards.app import STATIC, build_app
from dashboards.gate import OpenDoor
from dashboards.known_passwords import KnownPasswords
from tests.unit.signed_in import HTML, KEPT, NOW_S, PASSWORD, Browser, House

PROJECT = Path(__file__).resolve().parents[2]
ASVS, ETSI = ((PROJECT / f"docs/security-{name}.md").read_text(encoding="utf-8") for name in ("asvs", "etsi"))
NUMBERS = """
    1.2.1 1.2.2 1.2.3 1.2.4 1.2.5 1.3.1 1.3.2 1.5.1
    2.1.1 2.2.1 2.2.2 2.3.1
    3.2.1 3.2.2 3.3.1 3.4.1 3.4.2 3.5.1 3.5.2 3.5.3
    4.1.1 4.4.1
    5.2.1 5.2.2 5.3.1 5.3.2
    6.1.1 6.2.1 6.2.2 6.2.3 6.2.4 6.2.5 6.2.6 6.2.7 6.2.8 6.3.1 6.3.2 6.4.1 6.4.2
    7.2.1 7.2.2 7.2.3 7.2.4 7.4.1 7.4.2
    8.1.1 8.2.1 8.2.2 8.3.1
    9.1.1 9.1.2 9.1.3 9.2.1
    10.4.1 10.4.2 10.4.3 10.4.4 10.4.5
    11.3.1 11.3.2 11.4.1
    12.1.1 12.2.1 12.2.2
    13.4.1
    14.2.1 14.3.1
    15.1.1 15.2.1 15.3.1
"""
LEVEL_1 = NUMBERS.split()
"""Numbers with level 1 in OWASP ASVS 5.0.0, English, as the standard's own repository has them in
5.0/docs_en/OWASP_Application_Security_Verification_Standard_5.0.0_en.csv (commit 5cf9b032); chapters 16 and 17 have
none."""
MUST = """
    5.0-1 5.1-1 5.1-2 5.1-3 5.1-4 5.1-5 5.2-1 5.3-2 5.3-3 5.3-7 5.3-8 5.3-10 5.3-13 5.3-16 5.4-1 5.4-2 5.4-3 5.4-4
    5.5-1 5.5-5 5.5-7 5.5-8 5.6-1 5.6-2 5.6-4A 5.8-2 5.8-3 5.11-1 5.13-1A 5.13-1B 6-1 6-2 6-3A 6-3B 6-5 6-6
"""
MANDATORY = MUST.split()
"""Provisions with status M, with or without a condition, in table B.1 of ETSI EN 303 645 V3.1.3, by a copy of it in a
public repository (second-hand; the standard was not at hand)."""
WORDS = ("done", "in part", "not done", "does not apply")
ROWS = {
    page: re.findall(r"^\| (\d\S+) \| (.+) \| (.+) \| (.+) \| (.*) \|$", page, re.MULTILINE) for page in (ASVS, ETSI)
}
NEVER_IMPORTED = {
    "xml", "lxml", "html5lib", "yaml", "zipfile", "tarfile", "ldap", "jwt", "jose", "authlib", "websockets",
    "cryptography", "Crypto", "nacl", "jinja2", "mako",
}  # fmt: skip
"""What whole chapters of the standard are about, and nothing here does. Libraries depended on may; no code of ours
hands them anything to read or to seal."""
STRONG_HASHES = {"sha256", "scrypt", "pbkdf2_hmac"}
RUNNING = [
    path for folder in ("controller", "dashboards", "firmware_host") for path in (PROJECT / folder).rglob("*.py")
]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.close()


# --- the page ---


def test_every_requirement_has_its_row_once() -> None:
    assert [number for number, *_ in ROWS[ASVS]] == LEVEL_1
    assert [number for number, *_ in ROWS[ETSI]] == MANDATORY
    assert (len(LEVEL_1), len(MANDATORY)) == (70, 36)


@pytest.mark.parametrize("row", ROWS[ASVS] + ROWS[ETSI], ids=lambda row: row[0])
def test_what_is_done_names_tests_that_exist_and_what_is_not_its_reason(row: tuple[str, ...]) -> None:
    _, asked, status, here, held = row
    assert status in WORDS
    assert len(asked) > 10
    assert len(here) > 20
    names = re.findall(r"`(\w+)/(\w+):(\w+)`", held)
    assert status != "done" or names, "what is done is held by a test"
    for folder, module, test in names:
        text = (PROJECT / "tests" / folder / f"{module}.py").read_text(encoding="utf-8")
        assert re.search(rf"^(async )?def {test}\(", text, re.MULTILINE), f"{folder}/{module}:{test}"


@pytest.mark.parametrize("page", [ASVS, ETSI], ids=["asvs", "etsi"])
def test_the_sums_at_a_page_s_head_are_those_of_its_rows(page: str) -> None:
    for word in WORDS:
        count = sum(status == word for _, _, status, *_ in ROWS[page])
        assert f"{count} {word}" in page.partition("| Number")[0]


def test_it_is_written_down_how_soon_a_library_is_mended() -> None:
    security = (PROJECT / "docs/security.md").read_text(encoding="utf-8")
    told = " ".join(security.partition("## Telling us of a weakness")[2].partition("\n## ")[0].split())
    assert "library" in told
    assert "30 days" in told
    assert "90 days" in told


# --- encoding and injection ---


@pytest.mark.parametrize("path", RUNNING, ids=lambda path: str(path.relative_to(PROJECT)))
def test_nothing_that_runs_reads_xml_or_archives_signs_tokens_or_encrypts(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            assert not {alias.name.partition(".")[0] for alias in node.names} & NEVER_IMPORTED
        elif isinstance(node, ast.ImportFrom):
            assert (node.module or "").partition(".")[0] not in NEVER_IMPORTED
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "hashlib":
            assert node.attr in STRONG_HASHES


def test_words_that_are_a_question_to_a_database_are_only_words(house: House) -> None:
    keeper = house.signed_in("rosa", "keep")
    odd = "x' OR '1'='1'; DROP TABLE person; --"
    assert keeper.get("/api/history", params={"series": odd}).status_code == 404
    assert keeper.get("/api/site", params={"site": odd}).status_code in (404, 422)
    assert keeper.get("/log", params={"kind": odd, "before": odd}, headers=HTML).status_code < 500
    for what in ("add", "link", "remove", "token", "revoke"):
        sent = {"name": odd, "label": odd, "id": odd, "role": "look", "sites": odd}
        assert keeper.send(f"/people/{what}", sent, "/people").status_code == 422, what
    assert keeper.send("/sign-in", {"name": odd, "password": odd}, "/account").status_code == 403
    assert [account.person.name for account in house.accounts.accounts(NOW_S)] == ["rosa"]


# --- what browsers are told ---


def all_answers(browser: Browser) -> Iterator[tuple[str, httpx.Response]]:
    for path in (
        "/", "/part/present", "/zone/bench", "/history", "/ledger", "/log", "/orders", "/account", "/people",
        "/nowhere", "/api/site", "/api/series", "/api/nowhere", "/openapi.json", "/healthz",
        *(f"/static/{path.name}" for path in STATIC.iterdir()),
    ):  # fmt: skip
        yield path, browser.get(path, headers=HTML if not path.startswith("/api") else {})


def test_every_answer_says_its_kind_and_in_which_characters_text_is_written(house: House) -> None:
    keeper = house.signed_in("rosa", "keep")
    kinds = {"js": "javascript", "css": "text/css", "svg": "image/svg+xml"}
    for path, answer in all_answers(keeper):
        kind = answer.headers["content-type"]
        # JSON is UTF-8 and has no such parameter: RFC 8259, sections 8.1 and 11.
        assert kind == "application/json" or kind.endswith("charset=utf-8"), path
        if path.startswith("/static/"):
            assert kinds[path.rpartition(".")[2]] in kind


def test_no_other_origin_is_ever_let_in_however_it_asks(house: House) -> None:
    keeper = house.signed_in("rosa", "keep")
    for origin in ("https://elsewhere.example", "null", house.base):
        for method in ("GET", "OPTIONS"):
            asked = {"origin": origin, "access-control-request-method": "POST"}
            for path in ("/", "/api/site", "/api/orders", "/static/page.js"):
                answer = keeper.ask(method, path, headers=asked)
                assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_strict_transport_is_told_over_tls_alone_and_only_when_the_owner_says_so(tmp_path: Path) -> None:
    house = House(tmp_path, scheme="https")
    door = OpenDoor(Person("visitor", "look"))
    for wanted, base, told in (
        (True, "https://pumphouse.lan", "max-age=31536000"),
        (True, "http://pumphouse.lan", None),
        (False, "https://pumphouse.lan", None),
    ):
        app = build_app(house.feed, door, host_names=("pumphouse.lan",), strict_transport=wanted)
        for path in ("/", "/static/page.css", "/nowhere"):
            assert Browser(app, base, "192.0.2.1").get(path).headers.get("strict-transport-security") == told
    house.close()


def test_signing_out_clears_what_the_browser_kept(house: House) -> None:
    for path in ("/sign-out", "/sign-out-everywhere"):
        browser = house.signed_in(f"ida{len(path)}")
        answer = browser.send(path, {}, "/account")
        assert answer.headers["clear-site-data"] == '"cache", "storage"'
        assert browser.get("/api/site").status_code == 401


def test_the_script_keeps_nothing_in_the_browser() -> None:
    script = (STATIC / "page.js").read_text(encoding="utf-8")
    for store in ("localStorage", "sessionStorage", "indexedDB", "document.cookie", "caches."):
        assert store not in script


def test_nothing_but_its_own_few_files_is_served_as_files(house: House) -> None:
    keeper = house.signed_in("rosa", "keep")
    assert {path.suffix for path in STATIC.rglob("*")} == {".css", ".js", ".svg"}
    for path in (
        "../app.py", "..%2fapp.py", "%2e%2e/app.py", "....//app.py", "/etc/passwd", "%2fetc%2fpasswd", "..\\app.py",
        ".git/config", "page.css/../../app.py", "page.js%00.svg", "",
    ):  # fmt: skip
        answer = keeper.get(f"/static/{path}")
        assert answer.status_code in (404, 405), path


# --- passwords ---


def test_passwords_are_typed_unseen_and_may_be_pasted_and_filled_in(house: House) -> None:
    link = f"/new-password?key={house.accounts.new_password_link(_added(house, 'ben'), NOW_S)}"
    pages = [house.browser().get(path, headers=HTML).text for path in ("/sign-in", link)]
    pages.append(house.signed_in("rosa", "keep").get("/account", headers=HTML).text)
    fields = [field for page in pages for field in re.findall(r"<input[^>]*password[^>]*>", page)]
    fields = [field for field in fields if "username" not in field]
    assert len(fields) == 4
    for field in fields:
        assert 'type="password"' in field
        assert re.search(r'autocomplete="(current|new)-password"', field)
        assert not re.search(r"onpaste|onkey|readonly|maxlength", field)
    assert not any("<script" in page for page in pages)


def _added(house: House, name: str) -> str:
    house.add(name)
    return name


def test_nothing_is_asked_of_a_password_but_its_length_and_that_it_is_no_pattern() -> None:
    for password in ("onlysmallletters here", "ONLYCAPITALSANDNOTHING", "7391 0426 5817 2048", "!?&%$ #*+~- =()[]"):
        assert passwords.why_not(password, "rosa") is None
    long = "the water runs " * 4 + "and then it stops"
    assert passwords.why_not(long, "rosa") is None
    assert not passwords.matches(long[:-1], passwords.hashed(long))
    assert not passwords.matches(long.upper(), passwords.hashed(long))


def test_a_password_of_the_owners_list_is_refused_with_the_reason(house: House, tmp_path: Path) -> None:
    known = tmp_path / "known"
    known.write_bytes(b"short\r\nHorse Battery Staple\nGr\xc3\xbc\xc3\x9fe vom Bachufer\n\xff\xfe odd bytes\n")
    house.door.known = KnownPasswords(str(known))
    browser = house.signed_in("rosa", "keep")
    for choice in ("horse battery staple", "Gru\u0308\u00dfe vom Bachufer"):
        answer = browser.send("/account/password", {"old": PASSWORD, "password": choice}, "/account")
        assert answer.status_code == 422
        assert "tried first" in answer.text
    assert house.accounts.password("rosa") == KEPT
    answer = browser.send("/account/password", {"old": PASSWORD, "password": "herons by the weir"}, "/account")
    assert answer.status_code == 303


def test_without_the_list_that_was_asked_for_nobody_chooses_a_password(house: House, tmp_path: Path) -> None:
    known = tmp_path / "known"
    with pytest.raises(ConfigurationError, match="cannot be read"):
        KnownPasswords(str(known))
    known.touch()
    with pytest.raises(ConfigurationError, match="one password a line"):
        KnownPasswords(str(known))
    known.write_text("password1234567\n")
    house.door.known = KnownPasswords(str(known))
    known.unlink()
    with pytest.raises(OperatingError, match="cannot be read"):
        house.door.known.hold("any password at all")
    sent = {"old": PASSWORD, "password": "herons by the weir"}
    assert house.signed_in("rosa", "keep").send("/account/password", sent, "/account").status_code == 503
    assert house.accounts.password("rosa") == KEPT


def test_the_accounts_keep_no_hint_and_no_secret_question(house: House, tmp_path: Path) -> None:
    house.add("rosa")
    with sqlite3.connect(tmp_path / "accounts.sqlite3") as db:
        columns = {row[1] for row in db.execute("PRAGMA table_info(person)")}
    assert columns == {"name", "role", "sites", "password", "made_s", "signed_in_s"}


# --- what is shown of what is kept ---


def test_no_page_shows_what_is_kept_of_passwords_cookies_links_or_tokens(house: House, tmp_path: Path) -> None:
    keeper = house.signed_in("rosa", "keep")
    token = house.accounts.add_token("weather", "look", None, "rosa", NOW_S)
    house.accounts.new_password_link("rosa", NOW_S)
    with sqlite3.connect(tmp_path / "accounts.sqlite3") as db:
        kept = [row[0] for table in ("session", "link", "token") for row in db.execute(f"SELECT hash FROM {table}")]
    assert len(kept) == 3
    secrets = [KEPT, "scrypt$", token, *(value.hex() for value in kept)]
    for path, answer in all_answers(keeper):
        assert not [secret for secret in secrets if secret in answer.text], path
