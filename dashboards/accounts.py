"""Who has an account: people, their sessions, one-time links and tokens for programs, in a small SQLite file.

No secret is kept as it is: of passwords the file holds what `dashboards.passwords` makes of them; of cookies, links and
tokens, which are 256 random bits, their SHA-256. Whoever reads the file can sign in nowhere with it. Wall time is
passed in, in whole seconds.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import sqlite3
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from controller.errors import OperatingError
from dashboards.access import ROLES, Person, Role

SCHEMA_VERSION = 1
NAME = re.compile(r"[a-z0-9](?:[a-z0-9._-]{0,30}[a-z0-9])?")
SITE_ID = re.compile(r"[a-z0-9](?:-?[a-z0-9]){0,63}")
SECRET = re.compile(r"[A-Za-z0-9_-]{43}")

HOUR_S = 3600
DAY_S = 86_400
SESSION_IDLE_S = 7 * DAY_S
SESSION_LONGEST_S = 30 * DAY_S
"""A sign-in lasts at most 30 days: NIST SP 800-63B-4, section 2.1.3, for its first level. Idle time: own choice."""
SET_UP_LINK_S = HOUR_S
PASSWORD_LINK_S = 3 * DAY_S
DEVICE_S = 400 * DAY_S
USED_EVERY_S = HOUR_S
"""How exactly it is known when something was last used: each write wears the card."""
MOST_PEOPLE = 500
MOST_SESSIONS = 30
MOST_TOKENS = 200

SCHEMA = """
CREATE TABLE person (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, sites TEXT, password TEXT,
    made_s INTEGER NOT NULL, signed_in_s INTEGER) WITHOUT ROWID;
CREATE TABLE session (
    hash BLOB PRIMARY KEY, name TEXT NOT NULL REFERENCES person ON DELETE CASCADE,
    made_s INTEGER NOT NULL, used_s INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE device (
    hash BLOB NOT NULL, name TEXT NOT NULL REFERENCES person ON DELETE CASCADE, used_s INTEGER NOT NULL,
    PRIMARY KEY (hash, name)) WITHOUT ROWID;
CREATE TABLE link (
    hash BLOB PRIMARY KEY, name TEXT REFERENCES person ON DELETE CASCADE, until_s INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE token (
    id INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, label TEXT NOT NULL, role TEXT NOT NULL, sites TEXT,
    made_by TEXT NOT NULL REFERENCES person ON DELETE CASCADE, made_s INTEGER NOT NULL, used_s INTEGER);
"""


class AccountError(ValueError):
    """What was asked for cannot be done, in words for people."""


@dataclass(frozen=True, slots=True)
class Account:
    """A person as the list of accounts shows them."""

    person: Person
    has_password: bool
    signed_in_s: int | None
    sessions: int


@dataclass(frozen=True, slots=True)
class ApiToken:
    """A program's token as the list shows it; the token itself is shown once and then known to nobody."""

    id: int
    label: str
    role: Role
    sites: frozenset[str] | None
    made_by: str
    made_s: int
    used_s: int | None


class Accounts:
    """The file. Every method may be called from any thread; those that write wait for the card."""

    def __init__(self, path: str) -> None:
        """Open or create, readable by its owner alone. Raises OperatingError when the file cannot be used."""
        self.path = path
        self._writing = threading.Lock()
        self._reading = threading.Lock()
        try:
            _make_private(path)
            self._db = _connect(path)
            self._reader = _connect(path)
            self._prepare()
        except (OSError, sqlite3.Error) as error:
            raise OperatingError(
                f"accounts file {path}: {error}. Name another file with --accounts, in a directory this user may write."
            ) from error

    def _prepare(self) -> None:
        self._db.execute("PRAGMA journal_mode = WAL")
        # Signing out and taking a token back must outlive a power cut; there are few writes.
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA wal_autocheckpoint = 64")
        self._db.execute("PRAGMA journal_size_limit = 262144")
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            self._db.executescript(f"BEGIN IMMEDIATE; {SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        elif version != SCHEMA_VERSION:
            raise OperatingError(
                f"accounts file {self.path} has layout {version}, this program knows {SCHEMA_VERSION}. "
                "Name another file with --accounts."
            )

    def close(self) -> None:
        with self._writing, self._reading:
            self._reader.close()
            self._db.close()

    # --- people ---

    def is_empty(self) -> bool:
        """True as long as nobody has an account with a password."""
        return self._one("SELECT 1 FROM person WHERE password IS NOT NULL LIMIT 1") is None

    def person(self, name: str) -> Person | None:
        row = self._one("SELECT name, role, sites FROM person WHERE name = ?", name)
        return _person(row) if row else None

    def accounts(self, now_s: int) -> list[Account]:
        """Everybody, by name."""
        rows = self._all(
            "SELECT name, role, sites, password IS NOT NULL, signed_in_s, (SELECT count(*) FROM session WHERE "
            "session.name = person.name AND used_s > ? AND session.made_s > ?) FROM person ORDER BY name",
            *_oldest(now_s),
        )
        return [Account(_person(row), bool(row[3]), row[4], row[5]) for row in rows]

    def add_person(self, name: str, role: Role, sites: frozenset[str] | None, now_s: int) -> None:
        """An account without a password yet; a link lets its owner choose one. Raises AccountError."""
        checked_name(name)
        with self._transaction() as db:
            if db.execute("SELECT count(*) FROM person").fetchone()[0] >= MOST_PEOPLE:
                raise AccountError(f"There are {MOST_PEOPLE} accounts already.")
            try:
                db.execute(
                    "INSERT INTO person (name, role, sites, made_s) VALUES (?, ?, ?, ?)",
                    (name, role, sites_text(sites if role != "keep" else None), now_s),
                )
            except sqlite3.IntegrityError:
                raise AccountError(f"There is an account called {name} already.") from None

    def change_person(self, name: str, role: Role, sites: frozenset[str] | None) -> None:
        """Raises AccountError when there is no such person, or when nobody would keep the accounts any more."""
        with self._transaction() as db:
            kept = sites_text(sites if role != "keep" else None)
            if db.execute("UPDATE person SET role = ?, sites = ? WHERE name = ?", (role, kept, name)).rowcount != 1:
                raise AccountError(f"There is no account called {name}.")
            _still_kept(db)

    def remove_person(self, name: str) -> None:
        """With sessions, links, and the tokens they made. Raises AccountError as `change_person` does."""
        with self._transaction() as db:
            if db.execute("DELETE FROM person WHERE name = ?", (name,)).rowcount != 1:
                raise AccountError(f"There is no account called {name}.")
            _still_kept(db)

    # --- passwords and one-time links ---

    def password(self, name: str) -> str | None:
        """What is kept of somebody's password; None when there is nobody or nothing."""
        row = self._one("SELECT password FROM person WHERE name = ?", name)
        return row[0] if row else None

    def set_password(self, name: str, before: str, kept: str) -> bool:
        """Put another password in place of the one that was proved; False when it has changed in between."""
        with self._transaction() as db:
            done = db.execute("UPDATE person SET password = ? WHERE name = ? AND password = ?", (kept, name, before))
            return done.rowcount == 1

    def new_set_up_link(self, now_s: int) -> str | None:
        """The key of a link that makes the first account; earlier ones end. None when there is an account."""
        key = new_secret()
        with self._transaction() as db:
            if db.execute("SELECT 1 FROM person WHERE password IS NOT NULL").fetchone():
                return None
            db.execute("DELETE FROM link WHERE name IS NULL")
            db.execute("INSERT INTO link VALUES (?, NULL, ?)", (_hash(key), now_s + SET_UP_LINK_S))
        return key

    def is_set_up_link(self, key: str, now_s: int) -> bool:
        row = self._one("SELECT 1 FROM link WHERE hash = ? AND name IS NULL AND until_s > ?", _hash(key), now_s)
        return row is not None and self.is_empty()

    def set_up(self, key: str, name: str, kept: str, now_s: int) -> None:
        """Make the first account, a keeper's. Raises AccountError when the link is not good (any more)."""
        checked_name(name)
        with self._transaction() as db:
            good = db.execute("DELETE FROM link WHERE hash = ? AND name IS NULL AND until_s > ?", (_hash(key), now_s))
            if good.rowcount != 1 or db.execute("SELECT 1 FROM person WHERE password IS NOT NULL").fetchone():
                raise AccountError("This link is used up or too old.")
            db.execute("DELETE FROM person WHERE name = ?", (name,))
            db.execute(
                "INSERT INTO person (name, role, password, made_s) VALUES (?, 'keep', ?, ?)", (name, kept, now_s)
            )

    def new_password_link(self, name: str, now_s: int) -> str:
        """The key of a link by which somebody chooses a password; earlier ones end. Raises AccountError."""
        key = new_secret()
        with self._transaction() as db:
            if not db.execute("SELECT 1 FROM person WHERE name = ?", (name,)).fetchone():
                raise AccountError(f"There is no account called {name}.")
            db.execute("DELETE FROM link WHERE name = ? OR until_s <= ?", (name, now_s))
            db.execute("INSERT INTO link VALUES (?, ?, ?)", (_hash(key), name, now_s + PASSWORD_LINK_S))
        return key

    def owner_of_link(self, key: str, now_s: int) -> str | None:
        """Whose password this link sets; None when it is not good (any more)."""
        row = self._one("SELECT name FROM link WHERE hash = ? AND name IS NOT NULL AND until_s > ?", _hash(key), now_s)
        return str(row[0]) if row else None

    def use_link(self, key: str, kept: str, now_s: int) -> str:
        """Set the password of the link's owner, end the link and every session. Raises AccountError."""
        with self._transaction() as db:
            found = db.execute(
                "DELETE FROM link WHERE hash = ? AND name IS NOT NULL AND until_s > ? RETURNING name",
                (_hash(key), now_s),
            ).fetchone()
            if found is None:
                raise AccountError("This link is used up or too old.")
            db.execute("UPDATE person SET password = ? WHERE name = ?", (kept, found[0]))
            _forget(db, found[0])
            return str(found[0])

    # --- sessions ---

    def sign_in(self, name: str, proved: str, now_s: int, instead_of: str = "") -> str | None:
        """The secret of a new session; the session of this browser before ends. None when the password has changed
        since it was `proved`, or the account has gone."""
        secret = new_secret()
        with self._transaction() as db:
            row = db.execute("SELECT password FROM person WHERE name = ?", (name,)).fetchone()
            if row is None or row[0] != proved:
                return None
            db.execute("DELETE FROM session WHERE hash = ?", (_hash(instead_of),))
            db.execute("DELETE FROM session WHERE used_s <= ? OR made_s <= ?", _oldest(now_s))
            db.execute(
                "DELETE FROM session WHERE hash IN (SELECT hash FROM session WHERE name = ? ORDER BY used_s DESC "
                "LIMIT -1 OFFSET ?)",
                (name, MOST_SESSIONS - 1),
            )
            db.execute("INSERT INTO session VALUES (?, ?, ?, ?)", (_hash(secret), name, now_s, now_s))
            db.execute("UPDATE person SET signed_in_s = ? WHERE name = ?", (now_s, name))
        return secret

    def session(self, secret: str, now_s: int) -> tuple[Person, int] | None:
        """Whose session this is and when it was last used, as far as is noted; None when it is not good (any more)."""
        row = self._one(
            "SELECT person.name, role, sites, used_s FROM session JOIN person USING (name) "
            "WHERE hash = ? AND used_s > ? AND session.made_s > ?",
            _hash(secret),
            *_oldest(now_s),
        )
        return (_person(row), row[3]) if row else None

    def session_used(self, secret: str, now_s: int) -> None:
        with self._transaction() as db:
            db.execute("UPDATE session SET used_s = max(used_s, ?) WHERE hash = ?", (now_s, _hash(secret)))

    def sign_out(self, secret: str) -> None:
        with self._transaction() as db:
            db.execute("DELETE FROM session WHERE hash = ?", (_hash(secret),))

    def sign_out_everywhere(self, name: str) -> None:
        """End every session of somebody, and forget the browsers they used."""
        with self._transaction() as db:
            _forget(db, name)

    # --- browsers that have signed in before ---

    def know_device(self, mark: str, name: str, now_s: int) -> str:
        """Remember that this browser has signed in to this account; gives the mark, a new one when it had none."""
        mark = mark if SECRET.fullmatch(mark) else new_secret()
        with self._transaction() as db:
            db.execute("DELETE FROM device WHERE used_s <= ?", (now_s - DEVICE_S,))
            db.execute("INSERT OR REPLACE INTO device VALUES (?, ?, ?)", (_hash(mark), name, now_s))
            db.execute(
                "DELETE FROM device WHERE name = ? AND hash NOT IN (SELECT hash FROM device WHERE name = ? "
                "ORDER BY used_s DESC LIMIT ?)",
                (name, name, MOST_SESSIONS),
            )
        return mark

    def knows_device(self, mark: str, name: str, now_s: int) -> bool:
        found = self._one(
            "SELECT 1 FROM device WHERE hash = ? AND name = ? AND used_s > ?", _hash(mark), name, now_s - DEVICE_S
        )
        return found is not None

    # --- tokens for programs ---

    def add_token(self, label: str, role: Role, sites: frozenset[str] | None, made_by: str, now_s: int) -> str:
        """A new token, to be shown once. Raises AccountError."""
        if not NAME.fullmatch(label):
            raise AccountError("Call the token by small letters, digits, dots and hyphens, at most 32 of them.")
        if role == "keep":
            raise AccountError("A token can look or act; accounts are kept by people.")
        token = new_secret()
        with self._transaction() as db:
            if db.execute("SELECT count(*) FROM token").fetchone()[0] >= MOST_TOKENS:
                raise AccountError(f"There are {MOST_TOKENS} tokens already; take back one that is not used.")
            db.execute(
                "INSERT INTO token (hash, label, role, sites, made_by, made_s) VALUES (?, ?, ?, ?, ?, ?)",
                (_hash(token), label, role, sites_text(sites), made_by, now_s),
            )
        return token

    def tokens(self) -> list[ApiToken]:
        rows = self._all("SELECT id, label, role, sites, made_by, made_s, used_s FROM token ORDER BY label, id")
        return [ApiToken(r[0], r[1], _role(r[2]), _sites(r[3]), r[4], r[5], r[6]) for r in rows]

    def token(self, token: str) -> tuple[ApiToken, Person] | None:
        """What is known of a token that a program sent; None when it is none of ours."""
        row = self._one(
            "SELECT id, label, role, sites, made_by, made_s, used_s FROM token WHERE hash = ?", _hash(token)
        )
        if row is None:
            return None
        role, sites = _role(row[2]), _sites(row[3])
        return ApiToken(row[0], row[1], role, sites, row[4], row[5], row[6]), Person(f"token {row[1]}", role, sites)

    def token_used(self, number: int, now_s: int) -> None:
        with self._transaction() as db:
            db.execute("UPDATE token SET used_s = ? WHERE id = ?", (now_s, number))

    def revoke_token(self, number: int) -> None:
        """Raises AccountError when there is no such token."""
        with self._transaction() as db:
            if db.execute("DELETE FROM token WHERE id = ?", (number,)).rowcount != 1:
                raise AccountError("There is no such token (any more).")

    # --- the file ---

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._writing:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def _one(self, question: str, *values: object) -> sqlite3.Row | None:
        with self._reading:
            return cast("sqlite3.Row | None", self._reader.execute(question, values).fetchone())

    def _all(self, question: str, *values: object) -> list[sqlite3.Row]:
        with self._reading:
            return list(self._reader.execute(question, values).fetchall())


def checked_name(name: str) -> str:
    """Raises AccountError for what cannot be the name of an account."""
    if not NAME.fullmatch(name):
        raise AccountError(
            "A name has 1 to 32 small letters, digits, dots, hyphens or underscores, and begins and ends with a letter "
            "or digit."
        )
    return name


def sites_text(sites: frozenset[str] | None) -> str | None:
    """The ids with spaces between them; None is every site."""
    return None if sites is None else " ".join(sorted(sites))


def sites_from(text: str) -> frozenset[str] | None:
    """Ids with spaces or commas between them; nothing written means every site. Raises AccountError."""
    ids = text.replace(",", " ").split()
    wrong = next((site_id for site_id in ids if not SITE_ID.fullmatch(site_id)), None)
    if wrong is not None:
        raise AccountError(f"{wrong[:70]!r} is no site's id: small letters, digits and single hyphens inside.")
    return frozenset(ids) or None


def _connect(path: str) -> sqlite3.Connection:
    db = sqlite3.connect(path, check_same_thread=False, isolation_level=None, timeout=10.0)
    db.execute("PRAGMA foreign_keys = ON")
    return db


def _make_private(path: str) -> None:
    """SQLite gives the files beside this one the same rights."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    if stat.S_IMODE(Path(path).stat().st_mode) & 0o077:
        Path(path).chmod(0o600)


def _forget(db: sqlite3.Connection, name: str) -> None:
    db.execute("DELETE FROM session WHERE name = ?", (name,))
    db.execute("DELETE FROM device WHERE name = ?", (name,))


def _still_kept(db: sqlite3.Connection) -> None:
    """Raises AccountError when there are people who can sign in, but none of them keeps the accounts."""
    roles = {role for (role,) in db.execute("SELECT DISTINCT role FROM person WHERE password IS NOT NULL")}
    if roles and "keep" not in roles:
        raise AccountError("Nobody would keep the accounts any more. Let somebody else keep them first.")


def _oldest(now_s: int) -> tuple[int, int]:
    """When a session that is still good must have been used and made, at the latest."""
    return now_s - SESSION_IDLE_S, now_s - SESSION_LONGEST_S


def _person(row: sqlite3.Row) -> Person:
    return Person(row[0], _role(row[1]), _sites(row[2]))


def _role(text: str) -> Role:
    return next(role for role in ROLES if role == text)


def _sites(text: str | None) -> frozenset[str] | None:
    return None if text is None else frozenset(text.split())


def new_secret() -> str:
    """256 random bits as 43 characters, for a cookie, a link or a token."""
    return secrets.token_urlsafe(32)


def _hash(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()
