"""What is taken for a password, and how it is kept and compared."""

from __future__ import annotations

import base64
import hashlib

import pytest

from dashboards import passwords

WORDS = "river shed berry bench"


@pytest.mark.parametrize(
    "password",
    [
        WORDS,
        "Grüße vom Bach, Beet 7",
        "三つの桶と一つの井戸と蛙が鳴く夜の畑道",
        "kT9#vQ2!mZ7&xW4",
        "the heron at the weir, again",
        "a secret garden of nettles",
        "password of the old boatman",
        "?!&%$ #*+~- =()[]",
        "?-!%& 123 &%$§!+~",
    ],
)
def test_three_words_any_script_or_noise_will_do(password: str) -> None:
    assert passwords.why_not(password, "rosa") is None


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("", "at least 15"),
        ("fourteen chars", "at least 15"),
        ("a" * 2000, "at most"),
        ("aaaaaaaaaaaaaaaaaaaa", "too easy"),
        ("hosepipehosepipe", "too easy"),
        ("123456789012345678", "too easy"),
        ("9876543210987654", "too easy"),
        ("QwertyuiopAsdfghjkl", "too easy"),
        ("rosarosarosarosa1234", "the name"),
        ("password1234567", "what everybody takes"),
        ("iloveyouforever", "what everybody takes"),
        ("1q2w3e4r5t6y7u8i", "too easy"),
        ("ThisIsMyPassword!", "what everybody takes"),
        ("qwertyuiop12345", "what everybody takes"),
        ("welcome to the pumphouse", "what everybody takes"),
        ("Sunshine-2026-2026", "what everybody takes"),
        ("aaaabbbbccccdddd", "too easy"),
        ("summer.winter.1999", "what everybody takes"),
    ],
)
def test_what_a_guesser_tries_first_is_refused_with_the_reason(password: str, why: str) -> None:
    assert why in str(passwords.why_not(password, "rosa"))


def test_a_kept_password_matches_itself_and_nothing_near_it() -> None:
    kept = passwords.hashed(WORDS)
    assert passwords.matches(WORDS, kept)
    assert not passwords.matches(WORDS + " ", kept)
    assert not passwords.matches("", kept)


def test_the_same_password_is_kept_differently_each_time_and_never_readable() -> None:
    first, second = passwords.hashed(WORDS), passwords.hashed(WORDS)
    assert first != second
    assert WORDS not in first


def test_what_is_kept_is_scrypt_as_the_standard_library_works_it_out() -> None:
    salt = bytes(range(16))
    key = hashlib.scrypt(WORDS.encode(), salt=salt, n=2**14, r=8, p=5, maxmem=2**26, dklen=32)
    kept = f"scrypt$14$8$5${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"
    assert passwords.hashed(WORDS, salt) == kept


def test_accents_match_however_the_keyboard_writes_them() -> None:
    kept = passwords.hashed("Gr\u00fc\u00dfe vom Bach, Beet 7")
    assert passwords.matches("Gru\u0308\u00dfe vom Bach, Beet 7", kept)


@pytest.mark.parametrize(
    "kept", ["", "scrypt", "plain$14$8$5$AAAA$AAAA", "scrypt$x$8$5$AA==$AA==", "scrypt$14$8$5$!$!"]
)
def test_what_cannot_be_read_matches_nothing(kept: str) -> None:
    assert not passwords.matches(WORDS, kept)


def test_nobodys_password_costs_the_same_work_and_is_no_password() -> None:
    assert passwords.is_current(passwords.NOBODYS)
    assert not passwords.matches("", passwords.NOBODYS)
    assert not passwords.matches(WORDS, passwords.NOBODYS)


def test_a_password_kept_with_older_settings_still_matches_and_is_known_to_be_old() -> None:
    salt = b"s" * 16
    key = hashlib.scrypt(WORDS.encode(), salt=salt, n=2**4, r=8, p=1, dklen=32)
    kept = f"scrypt$4$8$1${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"
    assert passwords.matches(WORDS, kept)
    assert not passwords.is_current(kept)
