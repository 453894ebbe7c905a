"""`pumphouse watch` is not exposed by mistake; `pumphouse watch-accounts` is the last resort of whoever is there."""

from __future__ import annotations

import argparse
import re
import time
from pathlib import Path

import pytest

from controller.cli import build_parser
from controller.errors import ConfigurationError, OperatingError
from dashboards import watch
from dashboards.accounts import Accounts
from tests.unit.signed_in import KEPT, NOW_S


def exposed(*words: str) -> None:
    parser = argparse.ArgumentParser()
    watch.add_arguments(parser)
    args = parser.parse_args(words)
    watch.check_exposure(args, watch.host_and_port(args.http, "--http", 8080)[0])


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--http", "[::1]:8080"),
        ("--open-on-loopback",),
        ("--http", "0.0.0.0:8443", "--tls-cert", "c.pem", "--tls-key", "k.pem"),
        ("--http", "10.77.0.2:8080", "--plain-http"),
        ("--behind-proxy", "127.0.0.1", "--behind-proxy", "192.0.2.0/24"),
        ("--behind-proxy", "127.0.0.1", "--strict-transport"),
    ],
)
def test_what_exposes_nobody_is_served(words: tuple[str, ...]) -> None:
    exposed(*words)


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (("--http", "0.0.0.0:8080"), "tunnel"),
        (("--http", "192.0.2.7:8080"), "--tls-cert"),
        (("--http", "pumphouse.lan:8080", "--behind-proxy", "192.0.2.1"), "--plain-http"),
        (("--open-on-loopback", "--http", "0.0.0.0:8080", "--plain-http"), "sign in"),
        (("--open-on-loopback", "--behind-proxy", "127.0.0.1"), "--behind-proxy"),
        (("--tls-cert", "c.pem"), "both or neither"),
        (("--tls-key", "k.pem"), "both or neither"),
        (("--behind-proxy", "everybody"), "address"),
        (("--behind-proxy", "*"), "address"),
        (("--strict-transport",), "--tls-cert"),
    ],
)
def test_what_would_expose_people_is_refused_with_the_cure(words: tuple[str, ...], cure: str) -> None:
    with pytest.raises(ConfigurationError, match=re.escape(cure)):
        exposed(*words)


# --- accounts from the shell ---


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "accounts.sqlite3"


@pytest.fixture
def shared(file: Path) -> Path:
    """A file in which rosa keeps the accounts."""
    accounts = Accounts(str(file))
    key = accounts.new_set_up_link(NOW_S)
    assert key is not None
    accounts.set_up(key, "rosa", KEPT, NOW_S)
    accounts.close()
    return file


def shell(file: Path, *words: str) -> None:
    argv = ["watch-accounts", "--accounts", str(file), *words]
    args = build_parser(argv).parse_args(argv)
    assert args.run(args) == 0


def opened(file: Path, look: str) -> bool:
    """Whether a key that was printed is good now."""
    accounts = Accounts(str(file))
    key = look.partition("?key=")[2].split()[0]
    now_s = int(time.time())
    found = accounts.owner_of_link(key, now_s) is not None or accounts.is_set_up_link(key, now_s)
    accounts.close()
    return found


def test_a_set_up_link_can_be_had_again(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell(file, "set-up")
    first = capsys.readouterr().out
    assert first.startswith("http://127.0.0.1:8080/set-up?key=")
    assert opened(file, first)
    shell(file, "--page", "https://pumphouse.lan/", "set-up")
    second = capsys.readouterr().out
    assert second.startswith("https://pumphouse.lan/set-up?key=")
    assert opened(file, second)
    assert not opened(file, first)


def test_not_once_there_is_an_account(shared: Path) -> None:
    with pytest.raises(OperatingError, match="already"):
        shell(shared, "set-up")


def test_a_forgotten_password_is_replaced_by_a_link(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell(shared, "link", "rosa")
    assert opened(shared, capsys.readouterr().out)


def test_somebody_is_added_listed_and_removed(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell(shared, "add", "ben", "--role", "act", "--sites", "riverside,hillside")
    assert opened(shared, capsys.readouterr().out)
    shell(shared, "list")
    listed = capsys.readouterr().out
    assert re.search(r"^ben +act +hillside,riverside +has not chosen a password yet$", listed, re.MULTILINE)
    assert re.search(r"^rosa +keep +every site +last signed in never$", listed, re.MULTILINE)
    shell(shared, "sign-out", "rosa")
    shell(shared, "remove", "ben")
    shell(shared, "list")
    assert "ben " not in capsys.readouterr().out.rpartition("gone")[2]


def test_tokens_are_listed_and_taken_back(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    accounts = Accounts(str(shared))
    token = accounts.add_token("screen", "look", None, "rosa", NOW_S)
    shell(shared, "list")
    assert re.search(
        r"^token 1 +screen +look +every site +made by rosa, last used never$", capsys.readouterr().out, re.MULTILINE
    )
    shell(shared, "revoke", "1")
    assert accounts.token(token) is None
    accounts.close()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("link", "nobody"), "no account called nobody"),
        (("remove", "nobody"), "no account called nobody"),
        (("sign-out", "nobody"), "no account called nobody"),
        (("revoke", "7"), "no such token"),
        (("add", "Ben!"), "small letters"),
        (("add", "rosa"), "already"),
    ],
)
def test_what_cannot_be_done_is_told(shared: Path, words: tuple[str, ...], why: str) -> None:
    with pytest.raises(OperatingError, match=why):
        shell(shared, *words)


def test_a_file_that_is_not_there_is_not_made_by_a_typing_mistake(file: Path) -> None:
    with pytest.raises(OperatingError, match="--accounts"):
        shell(file, "list")
    assert not file.exists()
    with pytest.raises(OperatingError, match="set-up"):
        shell(file, "add", "ben")


def test_an_address_that_is_none_is_refused(shared: Path) -> None:
    with pytest.raises(ConfigurationError, match="--page"):
        shell(shared, "--page", "pumphouse.lan", "link", "rosa")
