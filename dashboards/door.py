"""The door with accounts: knows people by their session's cookie, and programs by their token."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sqlite3
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from dashboards import passwords
from dashboards.accounts import SECRET, USED_EVERY_S, Accounts, new_secret
from dashboards.gate import NEW_PASSWORD, SET_UP, SIGN_IN, Caller, DoorStuckError
from dashboards.guesses import Guesses
from dashboards.http_guard import Scope, header
from dashboards.known_passwords import KnownPasswords

log = logging.getLogger("pumphouse.watch")

FORM_PAGES = (SIGN_IN, SET_UP, NEW_PASSWORD)
_M_MMAP_THRESHOLD = -3
"""malloc.h of glibc."""
DEVICE_COOKIE_S = 400 * 86_400
"""The longest that browsers keep a cookie (RFC 6265bis, section 5.5)."""


class BusyError(Exception):
    """Too many passwords wait to be checked."""


class AccountDoor:
    """Who is there, by what the file of accounts says at this very moment."""

    def __init__(
        self, accounts: Accounts, wall_s: Callable[[], int] | None = None, known: KnownPasswords | None = None
    ) -> None:
        """`known`: passwords that nobody may choose."""
        self.accounts = accounts
        self.known = known
        self.guesses = Guesses()
        self.passwords = PasswordLanes()
        self.wall_s = wall_s or (lambda: int(time.time()))
        self._notes = ThreadPoolExecutor(1, "accounts")

    def caller(self, scope: Scope) -> Caller:
        """Raises DoorStuckError when the file cannot be read."""
        try:
            return self._caller(scope)
        except sqlite3.Error as error:
            log.error("accounts file %s: %s", self.accounts.path, error)
            raise DoorStuckError from error

    def _caller(self, scope: Scope) -> Caller:
        scheme, _, token = header(scope, b"authorization").partition(" ")
        if scheme.lower() == "bearer":
            return self._program(token.strip())
        secret = session_cookie(scope)
        now_s = self.wall_s()
        if secret:
            found = self.accounts.session(secret, now_s)
            if found is not None:
                person, used_s = found
                if now_s - used_s >= USED_EVERY_S:
                    self._notes.submit(self._note, self.accounts.session_used, secret, now_s)
                return Caller(person, secret, has_account=True)
        if secret or scope["path"] not in FORM_PAGES:
            return Caller(None, secret)
        # Forms of people who are not signed in are bound to a cookie too; at sign-in it is replaced by another.
        fresh = new_secret()
        return Caller(None, fresh, cookies=(cookie(scope, "", fresh, None),))

    def has_accounts(self) -> bool:
        return not self.accounts.is_empty()

    def new_set_up_link(self) -> str | None:
        """The key of a link that makes the first account; None when there is one already."""
        return self.accounts.new_set_up_link(self.wall_s())

    def close(self) -> None:
        self._notes.shutdown()
        self.passwords.close()

    def _program(self, token: str) -> Caller:
        found = self.accounts.token(token)
        if found is None:
            return Caller(None, wrong_token=True)
        known, person = found
        now_s = self.wall_s()
        if known.used_s is None or now_s - known.used_s >= USED_EVERY_S:
            self._notes.submit(self._note, self.accounts.token_used, known.id, now_s)
        return Caller(person, by_token=True)

    def _note(self, write: Callable[..., None], *values: object) -> None:
        try:
            write(*values)
        except Exception:
            log.exception("accounts file")


class PasswordLanes:
    """Works on passwords beside the event loop: one at a time for those who are known, one for everybody else.

    Each takes 16 MiB while it works. However many guess, whoever is known (a browser that has signed in before, a
    session, a one-time link) waits for nobody but their like.
    """

    MOST_WAITING = 12
    MOST_WAITING_OF_AN_ADDRESS = 3

    def __init__(self) -> None:
        _give_memory_back()
        self._lanes = {known: ThreadPoolExecutor(1, "password") for known in (True, False)}
        self._waiting: dict[bool, list[str]] = {True: [], False: []}

    def close(self) -> None:
        for lane in self._lanes.values():
            lane.shutdown()

    async def matches(self, password: str, kept: str | None, known: bool, address: str) -> bool:
        """Whether it is the password; as much work when there is none to compare with. Raises BusyError."""
        return bool(await self._do(known, address, passwords.matches, password, kept or passwords.NOBODYS))

    async def hashed(self, password: str, address: str) -> str:
        """What to keep of it. Raises BusyError."""
        return str(await self._do(True, address, passwords.hashed, password))

    async def _do(self, known: bool, address: str, work: Callable[..., object], *values: object) -> object:
        waiting = self._waiting[known]
        if len(waiting) >= self.MOST_WAITING or waiting.count(address) >= self.MOST_WAITING_OF_AN_ADDRESS:
            raise BusyError
        waiting.append(address)
        try:
            return await asyncio.get_running_loop().run_in_executor(self._lanes[known], work, *values)
        finally:
            waiting.remove(address)


def _give_memory_back() -> None:
    """Have the C library return every large block to the system when it is freed.

    Left alone, glibc keeps blocks of a size it has seen before for the next time (mallopt(3), M_MMAP_THRESHOLD): 16 MiB
    for each lane, for good. Elsewhere this does nothing.
    """
    # Where no memory may be both written and run (systemd's MemoryDenyWriteExecute), old versions fail to load ctypes.
    with contextlib.suppress(ImportError, MemoryError, OSError, AttributeError):
        import ctypes

        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, 1024 * 1024)


# --- cookies ---


def cookie_name(scope: Scope, kind: str) -> str:
    """Cookies do not tell ports apart, so their names do: two pages may be reached through one machine.

    The prefix makes browsers refuse such a cookie from anything but this very host over TLS (RFC 6265bis, 4.1.3.2).
    """
    host = header(scope, b"host")
    port = host.rpartition(":")[2] if ":" in host and not host.endswith("]") else ""
    prefix = "__Host-" if scope.get("scheme") == "https" else ""
    return prefix + "-".join(part for part in ("pumphouse", port if port.isdigit() else "", kind) if part)


def cookie(scope: Scope, kind: str, value: str, max_age_s: int | None) -> str:
    """A Set-Cookie value: out of reach of scripts, not sent with what other sites send, gone after `max_age_s` (None:
    when the browser is closed)."""
    age = "" if max_age_s is None else f"; Max-Age={max_age_s}"
    secure = "; Secure" if scope.get("scheme") == "https" else ""
    return f"{cookie_name(scope, kind)}={value}; Path=/; HttpOnly; SameSite=Lax{age}{secure}"


def read_cookie(scope: Scope, kind: str) -> str:
    """The value of one of our cookies; "" when there is none that can be ours."""
    name = cookie_name(scope, kind)
    for key, value in scope["headers"]:
        if key == b"cookie":
            for pair in value.decode("latin-1").split(";"):
                found, _, secret = pair.strip().partition("=")
                if found == name and SECRET.fullmatch(secret):
                    return str(secret)
    return ""


def session_cookie(scope: Scope) -> str:
    return read_cookie(scope, "")


def device_cookie(scope: Scope) -> str:
    return read_cookie(scope, "device")
