"""What became of every order given here: one small SQLite table that survives a restart of this program.

An order keeps its id for good, so that sending it again can never make it act twice, and an answer that comes late
still finds it. Unlike the history, nothing of this can be asked for again.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from controller.errors import OperatingError

State = Literal["waiting", "sent", "accepted", "refused", "lapsed"]
STATES: tuple[State, ...] = get_args(State)
KEPT_MS = 400 * 86_400_000
"""As long as the controller remembers an order's id (docs/mqtt.md)."""
SCHEMA_VERSION = 1
SCHEMA = """
CREATE TABLE entry (
    id TEXT PRIMARY KEY, site TEXT NOT NULL, person TEXT NOT NULL, words TEXT NOT NULL, command TEXT NOT NULL,
    context TEXT NOT NULL, made_ms INTEGER NOT NULL, lapses_ms INTEGER NOT NULL, state TEXT NOT NULL,
    reason TEXT NOT NULL, settled_ms INTEGER, sent_ms INTEGER) WITHOUT ROWID;
CREATE INDEX entry_by_site ON entry (site, made_ms);
CREATE INDEX entry_open ON entry (state) WHERE state IN ('waiting', 'sent');
"""
COLUMNS = "id, site, person, words, command, context, made_ms, lapses_ms, state, reason, settled_ms, sent_ms"


@dataclass(frozen=True, slots=True)
class Entry:
    """One order. Times are this computer's, UTC milliseconds since 1970.

    waiting   not handed to the broker yet: no connection, or the site is not there
    sent      handed over, not answered yet
    accepted  the controller took it
    refused   the controller did not, and said why
    lapsed    its time ran out without an answer; it cannot act any more, but a late answer still counts
    """

    id: str
    site: str
    person: str
    words: str
    command: dict[str, Any]
    made_ms: int
    lapses_ms: int
    state: State = "waiting"
    reason: str = ""
    settled_ms: int | None = None
    sent_ms: int | None = None
    """When it was last handed to the broker."""
    context: dict[str, Any] = field(default_factory=dict)
    """What the page wants to remember with it, for example the schedule that was changed."""

    @property
    def open(self) -> bool:
        return self.state in ("waiting", "sent")


class OrderBook:
    """Every method may be called from any thread."""

    def __init__(self, path: str) -> None:
        """Open or create. Raises OperatingError when the file cannot be used."""
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        try:
            self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
            if path != ":memory:":
                Path(path).chmod(0o600)
            self._db.execute("PRAGMA journal_mode = WAL")
            # An order that the page has shown as given must survive a power cut.
            self._db.execute("PRAGMA synchronous = FULL")
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version == 0:
                self._db.executescript(f"BEGIN; {SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        except sqlite3.Error as error:
            raise OperatingError(
                f"order file {path}: {error}. Move it away; orders already given are not lost."
            ) from error
        if version not in (0, SCHEMA_VERSION):
            self._db.close()
            raise OperatingError(f"order file {path} has layout {version}, this program knows {SCHEMA_VERSION}")

    def close(self) -> None:
        with self._lock:
            self._db.close()

    def add(self, entry: Entry) -> None:
        """Note a new order before it is sent. Raises ValueError for an id that is known, OperatingError when the file
        cannot be written."""
        values = (
            *(entry.id, entry.site, entry.person, entry.words, json.dumps(entry.command), json.dumps(entry.context)),
            *(entry.made_ms, entry.lapses_ms, entry.state, entry.reason, entry.settled_ms, entry.sent_ms),
        )
        with self._lock:
            try:
                self._db.execute(f"INSERT INTO entry ({COLUMNS}) VALUES ({','.join('?' * len(values))})", values)
            except sqlite3.IntegrityError as error:
                raise ValueError(f"order {entry.id} is known already") from error
            except sqlite3.Error as error:
                raise OperatingError(f"the order cannot be noted ({error}), so it was not sent") from error

    def sent(self, order_id: str, at_ms: int) -> None:
        """It was handed to the broker."""
        self._update(
            "state = CASE state WHEN 'waiting' THEN 'sent' ELSE state END, sent_ms = ? WHERE id = ?", at_ms, order_id
        )

    def answered(self, site: str, order_id: str, accepted: bool, reason: str, at_ms: int) -> bool:
        """The site's word on an order of ours; False when the order is not ours. The first word stands."""
        state: State = "accepted" if accepted else "refused"
        changed = self._update(
            "state = ?, reason = ?, settled_ms = ? "
            "WHERE id = ? AND site = ? AND state IN ('waiting', 'sent', 'lapsed')",
            *(state, reason, at_ms, order_id, site),
        )
        return changed > 0

    def lapse(self, now_ms: int) -> int:
        """Close what its time has run out for; how many that were."""
        return self._update(
            "state = 'lapsed', settled_ms = ? WHERE state IN ('waiting', 'sent') AND lapses_ms <= ?", now_ms, now_ms
        )

    def forget(self, now_ms: int) -> None:
        """Drop what is older than the controller itself remembers."""
        with self._lock:
            self._db.execute("DELETE FROM entry WHERE made_ms < ?", (now_ms - KEPT_MS,))

    def get(self, order_id: str) -> Entry | None:
        found = self._select("WHERE id = ?", order_id)
        return found[0] if found else None

    def open_entries(self) -> list[Entry]:
        """Not settled yet, the oldest first."""
        return self._select("WHERE state IN ('waiting', 'sent') ORDER BY made_ms, id")

    def recent(self, site: str, limit: int = 30) -> list[Entry]:
        """A site's orders, the newest first."""
        return self._select("WHERE site = ? ORDER BY made_ms DESC, id LIMIT ?", site, limit)

    def wait(self, order_id: str, timeout_s: float) -> Entry | None:
        """The order as soon as it is settled, or as it stands after the time."""
        with self._changed:
            self._changed.wait_for(lambda: not self._is_open(order_id), timeout_s)
        return self.get(order_id)

    def _is_open(self, order_id: str) -> bool:
        row = self._db.execute("SELECT state FROM entry WHERE id = ?", (order_id,)).fetchone()
        return row is not None and row[0] in ("waiting", "sent")

    def _update(self, change: str, *values: object) -> int:
        with self._changed:
            changed = self._db.execute(f"UPDATE entry SET {change}", values).rowcount
            if changed:
                self._changed.notify_all()
            return changed

    def _select(self, where: str, *values: object) -> list[Entry]:
        with self._lock:
            rows = self._db.execute(f"SELECT {COLUMNS} FROM entry {where}", values).fetchall()
        return [_entry(row) for row in rows]


def _entry(row: tuple[Any, ...]) -> Entry:
    order_id, site, person, words, command, context, made_ms, lapses_ms, state, reason, settled_ms, sent_ms = row
    return Entry(
        id=order_id,
        site=site,
        person=person,
        words=words,
        command=json.loads(command),
        made_ms=made_ms,
        lapses_ms=lapses_ms,
        state=state if state in STATES else "lapsed",
        reason=reason,
        settled_ms=settled_ms,
        sent_ms=sent_ms,
        context=json.loads(context),
    )
