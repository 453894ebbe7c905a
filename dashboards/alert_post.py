"""Messages on their way to people, and what the alerts remember, in one SQLite file beside the history.

What was decided and what is to be sent for it are committed together, so that a restart neither repeats nor forgets.
A message that was being sent when the program ended may have arrived: it is sent again and says so.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from controller.errors import OperatingError
from dashboards.alert_model import Severity

FIRST_PAUSE_MS = 60_000
LONGEST_PAUSE_MS = 3_600_000
OLDEST_MS = 24 * 3_600_000
FEWEST_ATTEMPTS = 10
"""A message that could not be sent for so long and so often is given up, and the next daily summary says so. A clock
that was just set makes messages look old."""
KEPT_MS = 30 * 86_400_000
MAYBE_TWICE = "This message may have reached you before: it was on its way when the page was restarted."

SCHEMA = """
CREATE TABLE IF NOT EXISTS memory (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS post (
    number INTEGER NOT NULL, target TEXT NOT NULL, severity TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
    made_ms INTEGER NOT NULL, attempts INTEGER NOT NULL, next_ms INTEGER NOT NULL, state TEXT NOT NULL,
    problem TEXT NOT NULL, PRIMARY KEY (number, target)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS post_waiting ON post (next_ms) WHERE state = 'waiting';
"""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message for one target."""

    number: int
    target: str
    severity: Severity
    title: str
    body: str
    made_ms: int
    attempts: int = 0


def pause_ms(attempts: int) -> int:
    """How long to wait after so many failed attempts: a minute, then twice as long each time, at most an hour."""
    return min(LONGEST_PAUSE_MS, FIRST_PAUSE_MS << min(attempts - 1, 10))


class AlertPost:
    """One writer; every method may be called from any thread."""

    def __init__(self, path: str) -> None:
        """Open or create. Raises OperatingError when the file cannot be used."""
        self._lock = threading.Lock()
        try:
            self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.executescript(SCHEMA)
            self._db.execute(
                "UPDATE post SET state = 'waiting', body = body || ? WHERE state = 'sending'", (f"\n\n{MAYBE_TWICE}",)
            )
        except sqlite3.Error as error:
            raise OperatingError(
                f"file of the alerts {path}: {error}. Delete it to begin anew; what is open is then told once more."
            ) from error

    def close(self) -> None:
        with self._lock:
            self._db.close()

    def recalled(self) -> dict[str, Any] | None:
        """What `remember` was given last; None before the first time."""
        with self._lock:
            row = self._db.execute("SELECT value FROM memory WHERE name = 'alerts'").fetchone()
        return None if row is None else dict(json.loads(row[0]))

    def remember(self, memory: dict[str, Any], letters: Sequence[Letter]) -> None:
        """Keep the memory together with the letters it has decided on."""
        with self._lock:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                self._db.execute("INSERT OR REPLACE INTO memory VALUES ('alerts', ?)", (json.dumps(memory),))
                self._db.executemany(
                    "INSERT OR IGNORE INTO post VALUES (?, ?, ?, ?, ?, ?, 0, ?, 'waiting', '')",
                    [(x.number, x.target, x.severity, x.title, x.body, x.made_ms, x.made_ms) for x in letters],
                )
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise

    def due(self, now_ms: int, targets: Sequence[str]) -> Letter | None:
        """The letter to send now, marked as being sent; the oldest first, but one that is to wait delays no other."""
        marks = ",".join("?" * len(targets))
        with self._lock:
            row = self._db.execute(
                "SELECT number, target, severity, title, body, made_ms, attempts FROM post "
                f"WHERE state = 'waiting' AND next_ms <= ? AND target IN ({marks}) ORDER BY number LIMIT 1",
                (now_ms, *targets),
            ).fetchone()
            if row is None:
                return None
            self._set("state = 'sending'", row[0], row[1])
        return Letter(*row)

    def sent(self, letter: Letter) -> None:
        """It arrived as far as can be told."""
        with self._lock:
            self._set("state = 'sent', problem = ''", letter.number, letter.target)

    def failed(self, letter: Letter, problem: str, now_ms: int) -> None:
        """Try again later, or give up when it has become too old."""
        given_up = now_ms - letter.made_ms >= OLDEST_MS and letter.attempts + 1 >= FEWEST_ATTEMPTS
        with self._lock:
            self._set(
                "state = ?, attempts = ?, next_ms = ?, problem = ?",
                letter.number,
                letter.target,
                "given up" if given_up else "waiting",
                letter.attempts + 1,
                now_ms + pause_ms(letter.attempts + 1),
                problem[:300],
            )

    def tidy(self, now_ms: int, targets: Sequence[str]) -> None:
        """Drop what is long done, and what waits for a target that is no longer there."""
        marks = ",".join("?" * len(targets))
        with self._lock:
            self._db.execute(
                "DELETE FROM post WHERE state IN ('sent', 'given up') AND made_ms < ?", (now_ms - KEPT_MS,)
            )
            self._db.execute(f"DELETE FROM post WHERE state = 'waiting' AND target NOT IN ({marks})", targets)

    def given_up_since(self, since_ms: int) -> list[tuple[str, str]]:
        """(target, title) of what could not be sent, made since a time."""
        with self._lock:
            rows = self._db.execute(
                "SELECT target, title FROM post WHERE state = 'given up' AND made_ms >= ? ORDER BY number", (since_ms,)
            )
            return [(target, title) for target, title in rows]

    def standing(self) -> list[tuple[str, int, str]]:
        """(target, how many wait, the newest problem) for every target with letters that wait."""
        with self._lock:
            rows = self._db.execute(
                "SELECT target, count(*), max(problem) FROM post WHERE state = 'waiting' GROUP BY target ORDER BY 1"
            )
            return [(target, count, problem) for target, count, problem in rows]

    def _set(self, what: str, number: int, target: str, *values: object) -> None:
        self._db.execute(f"UPDATE post SET {what} WHERE number = ? AND target = ?", (*values, number, target))
