"""Passwords: what is taken for one, how it is kept, how it is compared."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import os
import re
import unicodedata

SHORTEST = 15
"""Characters, where a password is all there is: NIST SP 800-63B-4 (2025), section 3.1.1.2."""
LONGEST_BYTES = 1024
FEWEST_DIFFERENT = 6
"""Own choice: "aaaaaaaaaaaaaaa" is long enough for the rule above and no password."""

LOG2_N, BLOCK, LANES = 14, 8, 5
"""scrypt (RFC 7914) in 16 MiB, which a board of 512 MB can spare: the OWASP Password Storage Cheat Sheet has N = 2^14,
r = 8, p = 5 in its list beside N = 2^17, r = 8, p = 1, which takes 128 MiB (the list from memory)."""
SALT_BYTES = 16
KEY_BYTES = 32
_RUNS = (
    "0123456789",
    "abcdefghijklmnopqrstuvwxyz",
    "qwertyuiopasdfghjklzxcvbnm",
    "1q2w3e4r5t6y7u8i9o0p",
    "1qaz2wsx3edc",
)
_SHORTEST_RUN = 4
_WORN = (
    "password", "passw0rd", "passphrase", "passwort", "iloveyou", "sunshine", "princess", "football", "baseball",
    "superman", "starwars", "michelle", "computer", "internet", "administrator", "welcome", "letmein", "whatever",
    "trustno1", "charlie", "jessica", "jordan", "master", "dragon", "monkey", "shadow", "freedom", "secret", "summer",
    "winter", "spring", "autumn", "forever", "hello", "login", "admin", "qwerty", "azerty", "thisismy", "please",
    "pumphouse", "raspberry", "watering", "allotment", "garden", "changeme", "default", "guest", "user", "test", "love",
)  # fmt: skip
"""Words that common passwords are made of (common practice, from memory), and those of this very trade."""
_YEAR = re.compile(r"(19|20)\d\d", re.ASCII)
_LEAST_BESIDE = 6
"""Letters and digits that a password must have beside worn words and runs (own choice)."""


def normal(password: str) -> str:
    """The same for every keyboard's way of writing accents: Unicode form C, as RFC 8265 section 4.2.2 wants it."""
    return unicodedata.normalize("NFC", password)


def why_not(password: str, name: str) -> str | None:
    """Why this cannot be the password of `name`, in words for people; None when it can."""
    text = normal(password)
    if len(text) < SHORTEST:
        return (
            f"A password has at least {SHORTEST} characters. Three or four words that do not belong together will do."
        )
    if len(text.encode("utf-8")) > LONGEST_BYTES:
        return f"A password has at most {LONGEST_BYTES} bytes."
    plain = text.casefold()
    if len(set(plain)) < FEWEST_DIFFERENT or _is_repeated(plain) or _is_run(plain):
        return "This is too easy to guess: it repeats itself or runs along the keyboard."
    if _is_worn(plain):
        return "This is too easy to guess: it is made of what everybody takes. Three or four other words will do."
    if name and len(plain.replace(name.casefold(), "")) < SHORTEST // 2:
        return "This is too easy to guess: it is little more than the name."
    return None


def _is_repeated(text: str) -> bool:
    """True when the text is some shorter text again and again: such a text is found inside its own double."""
    return text in (text + text)[1:-1]


def _is_run(text: str) -> bool:
    letters = "".join(c for c in text if c.isalnum())
    if 2 * len(letters) < len(text):
        return False  # Mostly other signs: a run of three letters between them gives nothing away.
    return any(letters in way * 4 for run in _RUNS for way in (run, run[::-1]))


def _is_worn(text: str) -> bool:
    """Whether little is left beside words and runs that are tried first. What has hardly a letter or digit is not."""
    left = "".join(c for c in text if c.isalnum())
    if 2 * len(left) < len(text):
        return False
    for word in sorted(_WORN, key=len, reverse=True):
        left = left.replace(word, " ")
    left = _YEAR.sub(" ", left)
    at, beside = 0, 0
    while at < len(left):
        run = _run_from(left, at)
        beside += 0 if run or left[at] == " " else 1
        at += run or 1
    return beside < _LEAST_BESIDE


def _run_from(text: str, at: int) -> int:
    """How many characters from here on run along the alphabet, the digits or the keyboard, or are all the same; 0 when
    they are too few to be called a run."""
    same = len(text) - at - len(text[at:].lstrip(text[at]))
    longest = same
    for run in _RUNS:
        for way in (run, run[::-1]):
            length = 0
            while at + length < len(text) and text[at : at + length + 1] in way * 2:
                length += 1
            longest = max(longest, length)
    return longest if longest >= _SHORTEST_RUN else 0


def hashed(password: str, salt: bytes | None = None) -> str:
    """What is kept of a password. Takes 16 MiB and a good part of a second on a small board: not in an event loop."""
    salt = os.urandom(SALT_BYTES) if salt is None else salt
    return "$".join(("scrypt", str(LOG2_N), str(BLOCK), str(LANES), _text(salt), _text(_key(password, salt))))


def matches(password: str, kept: str) -> bool:
    """Whether the password is the one kept; takes as long for a wrong one. False for what cannot be read."""
    try:
        kind, log2_n, block, lanes, salt, key = kept.split("$")
        wanted = base64.b64decode(key, validate=True)
        settings = int(log2_n), int(block), int(lanes)
        found = _key(password, base64.b64decode(salt, validate=True), settings)
    except (ValueError, binascii.Error):
        return False
    return kind == "scrypt" and hmac.compare_digest(found, wanted)


def is_current(kept: str) -> bool:
    """False when it was kept with settings that are not ours any more: keep it anew at the next sign-in."""
    return kept.startswith(f"scrypt${LOG2_N}${BLOCK}${LANES}$")


NOBODYS = "$".join(("scrypt", str(LOG2_N), str(BLOCK), str(LANES), "A" * 22 + "==", "A" * 43 + "="))
"""Compared with when a name is unknown, so that the answer takes as long as for a known one. No password gives it: its
key is all noughts, which is as likely as guessing 256 bits."""


def _key(password: str, salt: bytes, settings: tuple[int, int, int] = (LOG2_N, BLOCK, LANES)) -> bytes:
    log2_n, block, lanes = settings
    # OpenSSL refuses what needs more than it is told to allow; the settings come from our own file.
    room = 128 * block * (2**log2_n + lanes) + 1024 * 1024
    text = normal(password).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(text, salt=salt, n=2**log2_n, r=block, p=lanes, maxmem=room, dklen=KEY_BYTES)


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
