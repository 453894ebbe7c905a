"""The file of accounts: who is known, for how long, and what the file gives away."""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.errors import OperatingError
from dashboards.accounts import (
    DAY_S,
    MOST_SESSIONS,
    PASSWORD_LINK_S,
    SESSION_IDLE_S,
    SESSION_LONGEST_S,
    SET_UP_LINK_S,
    AccountError,
    Accounts,
    sites_from,
)

KEPT, OTHER = "scrypt$of$rosa", "scrypt$of$ben"
T = 1_800_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "accounts.sqlite3"


@pytest.fixture
def accounts(path: Path) -> Iterator[Accounts]:
    kept = Accounts(str(path))
    yield kept
    kept.close()


@pytest.fixture
def rosa(accounts: Accounts) -> Accounts:
    key = accounts.new_set_up_link(T)
    assert key is not None
    accounts.set_up(key, "rosa", KEPT, T)
    return accounts


def signed_in(accounts: Accounts, name: str = "rosa", kept: str = KEPT, now_s: int = T) -> str:
    secret = accounts.sign_in(name, kept, now_s)
    assert secret is not None
    return secret


def add_ben(accounts: Accounts) -> None:
    accounts.add_person("ben", "act", frozenset({"riverside"}), T)
    accounts.use_link(accounts.new_password_link("ben", T), OTHER, T)


@pytest.mark.usefixtures("rosa")
def test_only_its_owner_may_read_the_file_or_those_beside_it(path: Path) -> None:
    files = list(path.parent.iterdir())
    assert len(files) == 3
    assert all(stat.S_IMODE(file.stat().st_mode) == 0o600 for file in files)


def test_a_file_that_others_could_read_is_closed_to_them(path: Path) -> None:
    path.touch(mode=0o644)
    Accounts(str(path)).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_file_holds_no_cookie_link_or_token_as_it_is(rosa: Accounts, path: Path) -> None:
    secrets = [
        signed_in(rosa),
        rosa.new_password_link("rosa", T),
        rosa.add_token("weather", "act", None, "rosa", T),
        rosa.know_device("", "rosa", T),
    ]
    content = b"".join(file.read_bytes() for file in path.parent.iterdir())
    assert b"rosa" in content
    assert not [secret for secret in secrets if secret.encode() in content]


def test_a_file_of_another_layout_or_kind_is_refused(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(OperatingError, match="layout 99"):
        Accounts(str(path))
    path.write_bytes(b"x" * 5000)
    with pytest.raises(OperatingError, match="--accounts"):
        Accounts(str(path))


# --- the first account ---


def test_the_set_up_link_makes_one_keeper_and_works_once(accounts: Accounts) -> None:
    assert accounts.is_empty()
    key = accounts.new_set_up_link(T)
    assert key is not None
    assert accounts.is_set_up_link(key, T)
    accounts.set_up(key, "rosa", KEPT, T)
    person = accounts.person("rosa")
    assert person is not None
    assert (person.role, person.sites) == ("keep", None)
    assert not accounts.is_set_up_link(key, T)
    with pytest.raises(AccountError):
        accounts.set_up(key, "mallory", OTHER, T)
    assert accounts.new_set_up_link(T) is None


def test_the_set_up_link_ends_after_an_hour_and_when_there_is_a_newer_one(accounts: Accounts) -> None:
    first = accounts.new_set_up_link(T)
    second = accounts.new_set_up_link(T)
    assert first is not None
    assert second is not None
    for key, now_s in ((first, T), (second, T + SET_UP_LINK_S), ("", T), ("x" * 43, T)):
        assert not accounts.is_set_up_link(key, now_s)
        with pytest.raises(AccountError):
            accounts.set_up(key, "rosa", KEPT, now_s)
    assert accounts.is_empty()


def test_a_link_for_a_password_sets_nothing_up_and_the_other_way_round(accounts: Accounts) -> None:
    key = accounts.new_set_up_link(T)
    assert key is not None
    assert accounts.owner_of_link(key, T) is None
    with pytest.raises(AccountError):
        accounts.use_link(key, KEPT, T)
    accounts.set_up(key, "rosa", KEPT, T)
    link = accounts.new_password_link("rosa", T)
    assert not accounts.is_set_up_link(link, T)


# --- people ---


def test_somebody_new_has_no_password_until_they_choose_one_by_their_link(rosa: Accounts) -> None:
    rosa.add_person("ben", "look", None, T)
    assert rosa.password("ben") is None
    assert rosa.sign_in("ben", "", T) is None
    key = rosa.new_password_link("ben", T)
    assert rosa.use_link(key, OTHER, T) == "ben"
    assert rosa.password("ben") == OTHER


def test_a_password_link_works_once_for_three_days_and_only_the_newest(rosa: Accounts) -> None:
    old, new = rosa.new_password_link("rosa", T), rosa.new_password_link("rosa", T)
    assert rosa.owner_of_link(old, T) is None
    assert rosa.owner_of_link(new, T + PASSWORD_LINK_S - 1) == "rosa"
    assert rosa.owner_of_link(new, T + PASSWORD_LINK_S) is None
    rosa.use_link(new, OTHER, T)
    with pytest.raises(AccountError):
        rosa.use_link(new, KEPT, T)


@pytest.mark.parametrize("name", ["", "Rosa", "rosa b", "-rosa", "r" * 33, "rosa\n", "röslein", "../rosa", "rosa\x00"])
def test_a_name_is_small_letters_and_digits(rosa: Accounts, name: str) -> None:
    with pytest.raises(AccountError, match="small letters"):
        rosa.add_person(name, "look", None, T)


def test_two_people_cannot_have_one_name(rosa: Accounts) -> None:
    with pytest.raises(AccountError, match="already"):
        rosa.add_person("rosa", "look", None, T)


def test_somebody_always_keeps_the_accounts(rosa: Accounts) -> None:
    add_ben(rosa)
    for attempt in (lambda: rosa.remove_person("rosa"), lambda: rosa.change_person("rosa", "act", None)):
        with pytest.raises(AccountError, match="Nobody would keep"):
            attempt()
    assert rosa.person("rosa") is not None
    rosa.change_person("ben", "keep", None)
    rosa.remove_person("rosa")
    assert rosa.person("rosa") is None


def test_a_keeper_who_has_chosen_no_password_yet_does_not_count_as_one(rosa: Accounts) -> None:
    rosa.add_person("ben", "keep", None, T)
    with pytest.raises(AccountError, match="Nobody would keep"):
        rosa.change_person("rosa", "look", None)


def test_who_is_removed_is_signed_out_and_takes_their_tokens_along(rosa: Accounts) -> None:
    add_ben(rosa)
    secret = signed_in(rosa, "ben", OTHER)
    token = rosa.add_token("weather", "look", None, "ben", T)
    mark = rosa.know_device("", "ben", T)
    rosa.remove_person("ben")
    assert rosa.session(secret, T) is None
    assert rosa.token(token) is None
    rosa.add_person("ben", "keep", None, T)
    assert not rosa.knows_device(mark, "ben", T)


def test_a_change_of_role_counts_at_once_in_open_sessions(rosa: Accounts) -> None:
    add_ben(rosa)
    secret = signed_in(rosa, "ben", OTHER)
    rosa.change_person("ben", "look", frozenset({"hillside"}))
    found = rosa.session(secret, T)
    assert found is not None
    assert (found[0].role, found[0].sites) == ("look", frozenset({"hillside"}))


def test_a_keeper_keeps_every_site(rosa: Accounts) -> None:
    rosa.add_person("ben", "keep", frozenset({"riverside"}), T)
    person = rosa.person("ben")
    assert person is not None
    assert person.sites is None


def test_sites_are_written_as_ids() -> None:
    assert sites_from(" riverside, hill-2 ") == frozenset({"riverside", "hill-2"})
    assert sites_from("  ") is None
    with pytest.raises(AccountError, match="no site's id"):
        sites_from("riverside ../etc")


# --- sessions ---


def test_a_session_ends_when_it_is_not_used_for_a_week(rosa: Accounts) -> None:
    secret = signed_in(rosa)
    assert rosa.session(secret, T + SESSION_IDLE_S - 1) is not None
    assert rosa.session(secret, T + SESSION_IDLE_S) is None
    rosa.session_used(secret, T + 5 * DAY_S)
    assert rosa.session(secret, T + SESSION_IDLE_S) is not None


def test_a_session_ends_after_thirty_days_however_much_it_is_used(rosa: Accounts) -> None:
    secret = signed_in(rosa)
    for day in range(30):
        rosa.session_used(secret, T + day * DAY_S)
    assert rosa.session(secret, T + SESSION_LONGEST_S - 1) is not None
    assert rosa.session(secret, T + SESSION_LONGEST_S) is None


def test_signing_in_again_ends_the_session_that_browser_had(rosa: Accounts) -> None:
    first = signed_in(rosa)
    second = rosa.sign_in("rosa", KEPT, T, instead_of=first)
    assert second != first
    assert rosa.session(first, T) is None


def test_a_password_that_changed_while_it_was_checked_opens_nothing(rosa: Accounts) -> None:
    assert rosa.set_password("rosa", KEPT, OTHER)
    assert rosa.sign_in("rosa", KEPT, T) is None
    assert not rosa.set_password("rosa", KEPT, "scrypt$stale")


def test_a_new_password_by_link_ends_all_sessions_and_forgets_all_browsers(rosa: Accounts) -> None:
    secret, mark = signed_in(rosa), rosa.know_device("", "rosa", T)
    rosa.use_link(rosa.new_password_link("rosa", T), OTHER, T)
    assert rosa.session(secret, T) is None
    assert not rosa.knows_device(mark, "rosa", T)


def test_signing_out_everywhere_ends_every_session_of_that_account_alone(rosa: Accounts) -> None:
    add_ben(rosa)
    here, there, other = signed_in(rosa), signed_in(rosa), signed_in(rosa, "ben", OTHER)
    rosa.sign_out_everywhere("rosa")
    assert rosa.session(here, T) is None
    assert rosa.session(there, T) is None
    assert rosa.session(other, T) is not None


def test_old_sessions_of_somebody_with_too_many_end(rosa: Accounts) -> None:
    secrets = [signed_in(rosa, now_s=T + n) for n in range(MOST_SESSIONS + 5)]
    alive = [secret for secret in secrets if rosa.session(secret, T + 60)]
    assert alive == secrets[-MOST_SESSIONS:]


def test_a_browser_is_known_to_the_account_it_signed_in_to_alone(rosa: Accounts) -> None:
    add_ben(rosa)
    mark = rosa.know_device("", "rosa", T)
    assert rosa.knows_device(mark, "rosa", T)
    assert not rosa.knows_device(mark, "ben", T)
    assert rosa.know_device(mark, "ben", T) == mark
    assert rosa.knows_device(mark, "ben", T)
    assert not rosa.knows_device(mark, "rosa", T + 401 * DAY_S)


# --- tokens ---


def test_a_token_is_known_until_it_is_taken_back(rosa: Accounts) -> None:
    token = rosa.add_token("weather", "act", frozenset({"riverside"}), "rosa", T)
    found = rosa.token(token)
    assert found is not None
    known, person = found
    assert (person.name, person.role, person.sites) == ("token weather", "act", frozenset({"riverside"}))
    assert rosa.token(token[:-1] + ("A" if token[-1] != "A" else "B")) is None
    rosa.token_used(known.id, T + 9)
    assert rosa.tokens()[0].used_s == T + 9
    rosa.revoke_token(known.id)
    assert rosa.token(token) is None
    with pytest.raises(AccountError):
        rosa.revoke_token(known.id)


def test_no_token_keeps_accounts(rosa: Accounts) -> None:
    with pytest.raises(AccountError, match="look or act"):
        rosa.add_token("weather", "keep", None, "rosa", T)


def test_another_process_on_the_same_file_counts_at_once(rosa: Accounts, path: Path) -> None:
    secret = signed_in(rosa)
    shell = Accounts(str(path))
    shell.sign_out_everywhere("rosa")
    shell.close()
    assert rosa.session(secret, T) is None
