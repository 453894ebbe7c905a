"""The one file that remembers: every input of every step, every record, answers to orders, checkpoints.

SQLite in WAL mode with one writer. Sequence numbers of records are given here, whole and contiguous, and never used
twice. Rows gather in memory and go to the file together: `commit()` for readings, `commit(durable=True)` (synced before
it returns) for what must survive a power cut. A simulated season opens the file with `bulk=True`, which syncs nothing.

Tables
    input       one row per input of a step; `part` 0 begins a step, a step without inputs is one row of kind tick
    record      what the core returned, in sequence; `input_id` is the last input of the step it came from
    output      what the board was told, where it changed
    checkpoint  state of the core after an input, with the hash of the site file then in force
    answer      one row per order id: the answer given, or none yet
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO
from urllib.parse import quote

from controller.contract import Now, OrderAnswer, Record, StepResult
from controller.errors import ConfigurationError, OperatingError
from controller.service.codec import TICK, Entry
from firmware_host.messages import SHUT, Outputs

SCHEMA_VERSION = 1
APPLICATION_ID = 0x50754A6F
FLUSH_ROWS = 1000
LOST_AT = "lost_at_input"
SYNCED_TO = "synced_to_input"
BUSY_S = 5.0
"""So long a file that another program holds is waited for."""
OPEN_TRIES, OPEN_AGAIN_S = 4, 0.3
"""A card that fails once may answer the next time (own choice)."""
UNREADABLE = (sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ)
"""What a part of the card that is lost for good looks like: nothing is gained by waiting for it."""
TAKES_NO_FILE_BESIDE_IT = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL)
"""What reading says on a medium that is full or read-only."""
DAY_MS = 86_400_000
HOUR_MS = 3_600_000
ANSWER_DAYS = 400

_SCHEMA = """
CREATE TABLE input (id INTEGER PRIMARY KEY, part INTEGER NOT NULL, mono_ms INTEGER NOT NULL, wall_ms INTEGER NOT NULL,
    trust TEXT NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE record (seq INTEGER PRIMARY KEY AUTOINCREMENT, input_id INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL, dated INTEGER NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL, json TEXT NOT NULL);
CREATE INDEX record_by_kind ON record (kind, key, seq);
CREATE INDEX record_undated ON record (seq) WHERE dated = 0;
CREATE TABLE output (input_id INTEGER PRIMARY KEY, pumps INTEGER NOT NULL, valves INTEGER NOT NULL,
    report_every_ms INTEGER NOT NULL, clear_board TEXT NOT NULL);
CREATE TABLE checkpoint (input_id INTEGER PRIMARY KEY, mono_ms INTEGER NOT NULL, wall_ms INTEGER NOT NULL,
    site_hash TEXT NOT NULL, state TEXT NOT NULL);
CREATE TABLE site (hash TEXT PRIMARY KEY, text TEXT NOT NULL);
CREATE TABLE answer (order_id TEXT PRIMARY KEY, wall_ms INTEGER NOT NULL, accepted INTEGER, reason TEXT NOT NULL);
CREATE TABLE cursor (name TEXT PRIMARY KEY, seq INTEGER NOT NULL);
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
_NO_OUTPUT = (-1, -1, -1, "")

_dump = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


@dataclass(frozen=True, slots=True)
class StoredStep:
    """The inputs of one step as they were stored, and the id of the last of them."""

    last_id: int
    now: Now
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class StoredRecord:
    seq: int
    input_id: int
    wall_ms: int
    kind: str
    key: str
    json: str

    @property
    def data(self) -> dict[str, Any]:
        value: dict[str, Any] = json.loads(self.json)
        return value


@dataclass(frozen=True, slots=True)
class StoredOutput:
    """What the board was told from input `input_id` on."""

    input_id: int
    outputs: Outputs
    report_every_ms: int
    clear_board: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """State of the core after input `input_id`; `site_text` is the site file then in force."""

    input_id: int
    mono_ms: int
    wall_ms: int
    site_text: str
    state: dict[str, Any]


class Journal:
    """One journal file. Not for sharing between threads: each thread opens its own (one writer, any readers).

    Raises sqlite3.Error from every method that touches the file; the writer thread of the daemon handles those.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, bulk: bool) -> None:
        self.path = path
        self._connection = connection
        self._bulk = bulk
        self._syncing: bool | None = None
        """Whether the connection now syncs each transaction; None when it has not been told."""
        self._unsynced = False
        self.transactions = 0
        """How many were written so far."""
        self._inputs: list[tuple[int, int, int, int, str, str, str]] = []
        self._records: list[tuple[int, int, int, int, int, str, str, str]] = []
        self._outputs: list[tuple[int, int, int, int, str]] = []
        self._answers: list[tuple[str, int, int, str]] = []
        self._last_input_id = self._number("SELECT max(id) FROM input")
        checkpointed = self._number("SELECT max(input_id) FROM checkpoint")
        self._last_input_id = max(self._last_input_id, checkpointed)
        self._last_seq = self._number("SELECT seq FROM sqlite_sequence WHERE name = 'record'")
        self._last_output = self._newest_output()
        self._last_result: StepResult | None = None
        self.recovered = self.meta(LOST_AT) == str(self._last_input_id)
        """The file was damaged and this is a fresh one, or it was brought back from a backup: what happened after its
        last input is lost, and what today has used up is not known. So until the first input after that is written."""

    @classmethod
    def open(cls, path: Path | str, *, bulk: bool = False, stamp: str = "unknown-time") -> Journal:
        """Open for writing, made when missing. A damaged file is renamed to `<name>.damaged-<stamp>` and replaced.

        Raises ConfigurationError when the file belongs to another or a newer program or is not to be written by us,
        OperatingError when the medium fails or takes nothing.
        """
        path = Path(path)
        recovered = False
        if path.exists() and not is_sound(path):
            _set_aside(path, stamp)
            recovered = True
        try:
            connection = _connect(path, bulk)
            journal = cls(connection, path, bulk)
        except sqlite3.Error as error:
            raise OperatingError(f"{path}: the journal cannot be opened for writing ({error}); see the card") from error
        if recovered:
            journal.mark_lost()
        return journal

    @classmethod
    def read(cls, path: Path | str) -> Journal:
        """Open an existing journal for reading only. Raises ConfigurationError when it is not there or not one."""
        path = Path(path)
        if not path.is_file():
            raise ConfigurationError(f"{path}: there is no journal here; give the file that serve or season wrote")
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY_S, isolation_level=None)
        try:
            _check_identity(connection, path)
            return cls(connection, path, bulk=False)
        except sqlite3.Error as error:
            connection.close()
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in TAKES_NO_FILE_BESIDE_IT:
                with suppress(sqlite3.Error):
                    return cls.read_still(path)
            raise ConfigurationError(f"{path}: not a readable journal ({error})") from error

    @classmethod
    def read_still(cls, path: Path) -> Journal:
        """Open a journal on a medium that takes nothing at all, not even the small files beside it that reading needs.

        Only for a file that nobody can write: it is read without locks. Raises sqlite3.Error when it cannot be read.
        """
        log = Path(f"{path}-wal")
        # A log is read with its index in memory; without a log the file itself is all there is.
        how = "vfs=unix-none" if log.exists() and log.stat().st_size else "immutable=1"
        connection = sqlite3.connect(
            f"file:{quote(str(path))}?mode=ro&{how}", uri=True, isolation_level=None, check_same_thread=False
        )
        try:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            _check_identity(connection, path)
            found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
            if found != "ok":
                raise sqlite3.DatabaseError(found)
            return cls(connection, path, bulk=False)
        except BaseException:
            connection.close()
            raise

    def close(self) -> None:
        """Write what is gathered and close the file."""
        self.commit()
        self._connection.close()

    def reconnected(self) -> bool:
        """After an error that speaks of damage: is the file whole all the same, and written on from here?

        A read that fails once is at times called damage. What was gathered in memory is kept. Looks at all of the file.
        """
        if not is_sound(self.path):
            return False
        self.connect_again()
        return not self.problem()

    def connect_again(self) -> None:
        """Open the file anew. A file that could not be opened for writing once is open for reading only, for good."""
        fresh = _connect(self.path, self._bulk)
        self._connection.close()
        self._connection, self._syncing = fresh, None

    def replaced_by_fresh(self, stamp: str) -> Journal:
        """Set this file aside as damaged and open a fresh one in its place. What was gathered in memory is lost."""
        self._connection.close()
        _set_aside(self.path, stamp)
        fresh = Journal.open(self.path)
        fresh.mark_lost()
        return fresh

    def mark_lost(self) -> None:
        """Note in the file that what happened after its last input is lost, see `recovered`."""
        self.set_meta(LOST_AT, str(self._last_input_id))
        self.recovered = True

    def continue_after(self, seq: int) -> None:
        """Number records from here on higher than `seq`: whoever follows the stream has seen those numbers."""
        if seq > self._last_seq:
            with self._writing() as connection:
                connection.execute("DELETE FROM sqlite_sequence WHERE name = 'record'")
                connection.execute("INSERT INTO sqlite_sequence VALUES ('record', ?)", (seq,))
            self._last_seq = seq

    # --- writing ---------------------------------------------------------------------------------------------------

    @property
    def last_seq(self) -> int:
        """Sequence number of the newest record, 0 when there is none."""
        return self._last_seq

    @property
    def last_input_id(self) -> int:
        return self._last_input_id

    def add_step(self, now: Now, entries: Sequence[Entry], result: StepResult) -> None:
        """Remember one step: what went in (empty: a tick) and what came out. Stays in memory until `commit`.

        Only a journal opened in bulk commits by itself, every thousand steps; otherwise this never touches the file.
        """
        inputs = self._inputs
        last_id = self._last_input_id
        if len(entries) == 1:
            last_id += 1
            # Tuples added up cost less than the same tuple unpacked from its parts.
            inputs.append((last_id, 0) + now + entries[0])
        else:
            for part, entry in enumerate(entries or (TICK,)):
                last_id += 1
                inputs.append((last_id, part, *now, *entry))
        self._last_input_id = last_id
        if result is not self._last_result:
            # The core gives one and the same result for as long as nothing happens.
            self._add_result(now, last_id, result)
            self._last_result = result if not result.records and not result.answers else None
        if self._bulk and len(inputs) >= FLUSH_ROWS:
            self.commit()

    def _add_result(self, now: Now, last_id: int, result: StepResult) -> None:
        for record in result.records:
            self._add_record(now, last_id, record)
        outputs = result.outputs
        output = (outputs.pumps, outputs.valves, result.report_every_ms, ",".join(result.clear_board))
        if output != self._last_output:
            self._last_output = output
            self._outputs.append((last_id, *output))
        for answer in result.answers:
            self._answers.append((answer.order_id, now.wall_ms, int(answer.accepted), answer.reason))

    def add_record(self, now: Now, record: Record) -> None:
        """Remember something of the service itself; replay skips it, the history stream carries it."""
        self._add_record(now, 0, record)

    def _add_record(self, now: Now, input_id: int, record: Record) -> None:
        self._last_seq += 1
        dated = int(now.trust != "unknown")
        row = (self._last_seq, input_id, now.mono_ms, now.wall_ms, dated, record.kind, record.key, _dump(record.data))
        self._records.append(row)

    def commit(self, *, durable: bool = False) -> None:
        """Write what is gathered in one transaction; `durable` syncs it, and all before it, before returning."""
        gathered = self._inputs or self._records or self._outputs or self._answers
        if not gathered and not (durable and self._unsynced):
            return
        with self._writing(durable=durable) as connection:
            connection.executemany("INSERT INTO input VALUES (?,?,?,?,?,?,?)", self._inputs)
            connection.executemany("INSERT INTO record VALUES (?,?,?,?,?,?,?,?)", self._records)
            connection.executemany("INSERT INTO output VALUES (?,?,?,?,?)", self._outputs)
            connection.executemany(
                "INSERT INTO answer VALUES (?,?,?,?) ON CONFLICT (order_id) DO UPDATE SET wall_ms = excluded.wall_ms, "
                "accepted = excluded.accepted, reason = excluded.reason WHERE answer.accepted IS NULL",
                self._answers,
            )
            if durable and not self._inputs:
                # An empty transaction would sync nothing, and what was committed before may still need it.
                connection.execute("INSERT OR REPLACE INTO meta VALUES (?,?)", (SYNCED_TO, str(self._last_input_id)))
        for rows in (self._inputs, self._records, self._outputs, self._answers):
            rows.clear()

    @contextmanager
    def _writing(self, *, durable: bool = False) -> Iterator[sqlite3.Connection]:
        """One transaction around a block, nothing of it when it fails. `durable` syncs it and all before it.

        Readings are not synced: every sync wears the flash. Whatever is lost in a power cut is then the newest.
        """
        connection = self._connection
        if not self._bulk and durable is not self._syncing:
            connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            self._syncing = durable
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self._unsynced = not durable
        self.transactions += 1

    def add_checkpoint(self, now: Now, site_text: str, state: dict[str, Any] | str) -> None:
        """Keep the state of the core (a dump, or its JSON text) after the newest input, and everything gathered."""
        self.commit()
        site_hash = hashlib.sha256(site_text.encode()).hexdigest()
        with self._writing() as connection:
            connection.execute("INSERT OR IGNORE INTO site VALUES (?,?)", (site_hash, site_text))
            row = (
                self._last_input_id,
                now.mono_ms,
                now.wall_ms,
                site_hash,
                state if isinstance(state, str) else _dump(state),
            )
            connection.execute("INSERT OR REPLACE INTO checkpoint VALUES (?,?,?,?,?)", row)

    # --- orders ----------------------------------------------------------------------------------------------------

    def claim_order(self, order_id: str, wall_ms: int) -> OrderAnswer | None:
        """Reserve an order id, synced. None: it is new, act. Else the answer given before, or that there is none."""
        with self._writing(durable=True) as connection:
            inserted = connection.execute(
                "INSERT OR IGNORE INTO answer VALUES (?,?,NULL,'')", (order_id, wall_ms)
            ).rowcount
        return None if inserted else self.answer(order_id)

    def answer(self, order_id: str) -> OrderAnswer | None:
        """The answer an order id got; None when the id is unknown."""
        row = self._connection.execute("SELECT accepted, reason FROM answer WHERE order_id = ?", (order_id,)).fetchone()
        if row is None:
            return None
        if row[0] is None:
            return OrderAnswer(order_id, False, "this order id was received before and is not acted on again")
        return OrderAnswer(order_id, bool(row[0]), row[1])

    # --- time --------------------------------------------------------------------------------------------------------

    def date_records(self, now: Now) -> int:
        """Give records made while the wall clock was unknown their time, from the monotonic clock. Returns how many.

        The stamps never lie before an earlier record that was dated, nor after `now`.
        """
        offset_ms = now.wall_ms - now.mono_ms
        first = self._number("SELECT min(seq) FROM record WHERE dated = 0")
        if not first:
            return 0
        earliest = self._number("SELECT max(wall_ms) FROM record WHERE dated = 1 AND seq < ?", first)
        with self._writing() as connection:
            return connection.execute(
                "UPDATE record SET wall_ms = min(max(mono_ms + ?, ?), ?), dated = 1 WHERE dated = 0",
                (offset_ms, min(earliest, now.wall_ms), now.wall_ms),
            ).rowcount

    # --- small things ------------------------------------------------------------------------------------------------

    def meta(self, key: str) -> str | None:
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        with self._writing() as connection:
            connection.execute("INSERT OR REPLACE INTO meta VALUES (?,?)", (key, value))

    def meta_under(self, prefix: str) -> dict[str, str]:
        """All entries whose key begins with `prefix`, without it."""
        rows = self._connection.execute(
            "SELECT substr(key, ?), value FROM meta WHERE substr(key, 1, ?) = ? ORDER BY key",
            (len(prefix) + 1, len(prefix), prefix),
        )
        return dict(rows.fetchall())

    def cursor(self, name: str) -> int:
        """Newest sequence number a consumer has acknowledged, 0 at first."""
        return self._number("SELECT seq FROM cursor WHERE name = ?", name)

    def set_cursor(self, name: str, seq: int) -> None:
        with self._writing() as connection:
            connection.execute("INSERT OR REPLACE INTO cursor VALUES (?,?)", (name, seq))

    # --- reading -----------------------------------------------------------------------------------------------------

    def newest_wall_ms(self) -> int:
        """Newest wall time known to have been right, 0 when there is none."""
        recorded = self._number("SELECT wall_ms FROM record WHERE dated = 1 ORDER BY seq DESC LIMIT 1")
        stepped = self._number("SELECT wall_ms FROM input WHERE trust != 'unknown' ORDER BY id DESC LIMIT 1")
        return max(recorded, stepped)

    def problem(self) -> str:
        """What SQLite finds wrong with the file, looking at all of it; empty when nothing is."""
        found = str(self._connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
        return "" if found == "ok" else found

    def newest_mono_ms(self) -> int:
        newest = self._number("SELECT mono_ms FROM input ORDER BY id DESC LIMIT 1")
        return max(newest, self._number("SELECT mono_ms FROM checkpoint ORDER BY input_id DESC LIMIT 1"))

    def last_now(self) -> Now:
        """The clocks at the last stored step; those of the newest checkpoint when no step followed it."""
        query = "SELECT mono_ms, wall_ms, trust FROM input ORDER BY id DESC LIMIT 1"
        row = self._connection.execute(query).fetchone()
        if row is not None:
            return Now(*row)
        query = "SELECT mono_ms, wall_ms FROM checkpoint ORDER BY input_id DESC LIMIT 1"
        row = self._connection.execute(query).fetchone()
        return Now(0, 0, "unknown") if row is None else Now(*row)

    def last_report_wall_ms(self) -> int | None:
        """When the newest report of the board arrived; None without any."""
        query = "SELECT wall_ms FROM input WHERE kind = 'line' AND text LIKE 'report %' ORDER BY id DESC LIMIT 1"
        row = self._connection.execute(query).fetchone()
        return None if row is None else int(row[0])

    def newest_seq(self) -> int:
        """Newest sequence number whose record is in the file and dated; a reading journal sees it grow."""
        undated = self._number("SELECT min(seq) FROM record WHERE dated = 0")
        return undated - 1 if undated else self._number("SELECT seq FROM sqlite_sequence WHERE name = 'record'")

    def records(self, first_seq: int = 1, last_seq: int | None = None, limit: int = -1) -> list[StoredRecord]:
        """Records in sequence, those still without a time left out together with all after them."""
        end = self.newest_seq() if last_seq is None else min(last_seq, self.newest_seq())
        rows = self._connection.execute(
            "SELECT seq, input_id, wall_ms, kind, key, json FROM record WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?",
            (first_seq, end, limit),
        )
        return [StoredRecord(*row) for row in rows]

    def newest_records(self, kind: str, limit: int = 1) -> list[StoredRecord]:
        """Newest records of a kind, newest first."""
        rows = self._connection.execute(
            "SELECT seq, input_id, wall_ms, kind, key, json FROM record WHERE kind = ? ORDER BY seq DESC LIMIT ?",
            (kind, limit),
        )
        return [StoredRecord(*row) for row in rows]

    def records_of(
        self, *kinds: str, from_wall_ms: int | None = None, to_wall_ms: int | None = None
    ) -> Iterator[StoredRecord]:
        """Dated records of some kinds (of all when none is named), in sequence, `to_wall_ms` itself not included.

        One after the other: a year of readings is never in memory.
        """
        named = f"kind IN ({','.join('?' * len(kinds))}) AND" if kinds else ""
        rows = self._connection.execute(
            "SELECT seq, input_id, wall_ms, kind, key, json FROM record "
            f"WHERE {named} wall_ms >= ? AND wall_ms < ? AND seq <= ? ORDER BY seq",
            (*kinds, from_wall_ms or 0, 2**62 if to_wall_ms is None else to_wall_ms, self.newest_seq()),
        )
        for row in rows:
            yield StoredRecord(*row)

    def decisions(self, after_input_id: int) -> Iterator[StoredRecord]:
        """Records that steps after an input produced, in order."""
        first = self._number("SELECT min(seq) FROM record WHERE input_id > ?", after_input_id)
        if not first:
            return
        rows = self._connection.execute(
            "SELECT seq, input_id, wall_ms, kind, key, json FROM record WHERE seq >= ? AND input_id > 0 ORDER BY seq",
            (first,),
        )
        for row in rows:
            yield StoredRecord(*row)

    def outputs(self, after_input_id: int) -> Iterator[StoredOutput]:
        """Changes of what the board was told, after an input."""
        rows = self._connection.execute("SELECT * FROM output WHERE input_id > ? ORDER BY input_id", (after_input_id,))
        for input_id, pumps, valves, report_every_ms, clear_board in rows:
            cleared = tuple(clear_board.split(",")) if clear_board else ()
            yield StoredOutput(input_id, Outputs(pumps, valves), report_every_ms, cleared)

    def output_at(self, input_id: int) -> StoredOutput:
        """What the board was told after an input."""
        row = self._connection.execute(
            "SELECT * FROM output WHERE input_id <= ? ORDER BY input_id DESC LIMIT 1", (input_id,)
        ).fetchone()
        if row is None:
            return StoredOutput(0, SHUT, -1, ())
        return StoredOutput(row[0], Outputs(row[1], row[2]), row[3], tuple(row[4].split(",")) if row[4] else ())

    def steps(self, after_input_id: int = 0) -> Iterator[StoredStep]:
        """Stored steps after an input, in order, each with its inputs."""
        rows = self._connection.execute(
            "SELECT id, part, mono_ms, wall_ms, trust, kind, text FROM input WHERE id > ? ORDER BY id",
            (after_input_id,),
        )
        entries: list[Entry] = []
        last_id = 0
        now = Now(0, 0)
        for row_id, part, mono_ms, wall_ms, trust, kind, text in rows:
            if part == 0 and entries:
                yield _stored_step(last_id, now, entries)
                entries = []
            entries.append((kind, text))
            last_id = row_id
            now = Now(mono_ms, wall_ms, trust)
        if entries:
            yield _stored_step(last_id, now, entries)

    def checkpoint_before(self, wall_ms: int | None = None) -> Checkpoint | None:
        """Newest checkpoint, or the newest not after a wall time; the oldest when all are later; None without any."""
        columns = "checkpoint.input_id, mono_ms, wall_ms, text, state"
        query = f"SELECT {columns} FROM checkpoint JOIN site ON site.hash = checkpoint.site_hash "
        row = self._connection.execute(
            query + "WHERE wall_ms <= ? ORDER BY input_id DESC LIMIT 1", (wall_ms if wall_ms is not None else 2**62,)
        ).fetchone()
        if row is None:
            row = self._connection.execute(query + "ORDER BY input_id LIMIT 1").fetchone()
        return None if row is None else Checkpoint(row[0], row[1], row[2], row[3], json.loads(row[4]))

    # --- keeping it small --------------------------------------------------------------------------------------------

    def prune(self, now: Now, *, inputs_days: int, measurements_days: int) -> None:
        """Forget inputs, fold readings to one an hour after `inputs_days`, forget those after `measurements_days`.

        Inputs go only up to a checkpoint that is itself older than `inputs_days`, so that any kept stretch can be
        replayed. Ledger, deliveries, days, schedules, orders and faults stay for ever. Does nothing without a
        trusted wall clock: a clock years ahead must not empty the store.
        """
        if now.trust != "synchronised":
            return
        cutoff = now.wall_ms - inputs_days * DAY_MS
        covered = self._number("SELECT max(input_id) FROM checkpoint WHERE wall_ms < ?", cutoff)
        with self._writing() as connection:
            connection.execute("DELETE FROM input WHERE id <= ?", (covered,))
            connection.execute("DELETE FROM checkpoint WHERE input_id < ?", (covered,))
            connection.execute("DELETE FROM site WHERE hash NOT IN (SELECT site_hash FROM checkpoint)")
            connection.execute(
                "DELETE FROM output WHERE input_id < (SELECT max(input_id) FROM output WHERE input_id <= ?)", (covered,)
            )
            connection.execute("DELETE FROM answer WHERE wall_ms < ?", (now.wall_ms - ANSWER_DAYS * DAY_MS,))
            forgotten = now.wall_ms - measurements_days * DAY_MS
            connection.execute(
                "DELETE FROM record WHERE kind IN ('measure','plan','refusal','link','start') AND wall_ms < ?",
                (forgotten,),
            )
        self._fold_measurements(cutoff)

    def _fold_measurements(self, cutoff_wall_ms: int) -> None:
        folded_to = int(self.meta("folded_to_wall_ms") or 0)
        first = self._number("SELECT min(wall_ms) FROM record WHERE kind = 'measure' AND wall_ms >= ?", folded_to)
        hour_ms = first - first % HOUR_MS
        end_ms = cutoff_wall_ms - cutoff_wall_ms % HOUR_MS
        if not first or hour_ms >= end_ms:
            return
        rows = self._connection.execute(
            "SELECT wall_ms / ?, seq, json FROM record WHERE kind = 'measure' AND wall_ms >= ? AND wall_ms < ? "
            "ORDER BY seq",
            (HOUR_MS, hour_ms, end_ms),
        ).fetchall()
        hours: dict[int, list[tuple[int, dict[str, Any]]]] = {}
        for hour, seq, text in rows:
            hours.setdefault(hour, []).append((seq, json.loads(text)))
        with self._writing() as connection:
            for readings in hours.values():
                connection.execute(
                    "UPDATE record SET json = ? WHERE seq = ?", (_dump(hourly_mean(readings)), readings[0][0])
                )
                connection.executemany("DELETE FROM record WHERE seq = ?", [(seq,) for seq, _ in readings[1:]])
            connection.execute("INSERT OR REPLACE INTO meta VALUES ('folded_to_wall_ms', ?)", (str(end_ms),))

    # --- export ------------------------------------------------------------------------------------------------------

    def export(self, path: Path | str) -> None:
        """Write inputs, records, outputs, answers and checkpoints as text, the same bytes for the same content."""
        self.commit()
        with open(path, "w", encoding="utf-8", newline="\n") as file:
            self._export_to(file)

    def _export_to(self, file: TextIO) -> None:
        for table, order in (
            ("input", "id"),
            ("record", "seq"),
            ("output", "input_id"),
            ("answer", "order_id"),
            ("site", "hash"),
            ("checkpoint", "input_id"),
        ):
            for row in self._connection.execute(f"SELECT * FROM {table} ORDER BY {order}"):
                file.write(f"{table} {_dump(row)}\n")

    def _number(self, query: str, *arguments: object) -> int:
        row = self._connection.execute(query, arguments).fetchone()
        return 0 if row is None or row[0] is None else int(row[0])

    def _newest_output(self) -> tuple[int, int, int, str]:
        row = self._connection.execute(
            "SELECT pumps, valves, report_every_ms, clear_board FROM output ORDER BY input_id DESC LIMIT 1"
        ).fetchone()
        return _NO_OUTPUT if row is None else (row[0], row[1], row[2], row[3])


def hourly_mean(readings: list[tuple[int, dict[str, Any]]]) -> dict[str, Any]:
    """One mapping for an hour: means of numbers over the readings that have them, the last of everything else."""
    result: dict[str, Any] = {}
    numbers: dict[str, list[float]] = {}
    for _, data in readings:
        for name, value in data.items():
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                numbers.setdefault(name, []).append(value)
            elif value is not None:
                result[name] = value
    for name, values in numbers.items():
        result[name] = round(sum(values) / len(values), 6)
    return {**result, "folded_readings": len(readings)}


def _stored_step(last_id: int, now: Now, entries: list[Entry]) -> StoredStep:
    return StoredStep(last_id, now, () if entries == [TICK] else tuple(entries))


def _connect(path: Path, bulk: bool) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute(f"PRAGMA synchronous = {'OFF' if bulk else 'NORMAL'}")
    if bulk:
        connection.execute("PRAGMA cache_size = -16000")
        connection.execute("PRAGMA wal_autocheckpoint = 4000")
    if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
        lay_out(connection)
    return connection


def lay_out(connection: sqlite3.Connection) -> None:
    """Make the tables of an empty journal."""
    script = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {SCHEMA_VERSION};"
    connection.executescript(f"BEGIN; {_SCHEMA} {script} COMMIT;")


def _check_identity(connection: sqlite3.Connection, path: Path) -> None:
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if application not in (0, APPLICATION_ID):
        raise ConfigurationError(f"{path}: this is a database of another program; give the journal a file of its own")
    if version > SCHEMA_VERSION:
        raise ConfigurationError(
            f"{path}: journal version {version}, this program knows {SCHEMA_VERSION}; install the newer program again"
        )
    if version != SCHEMA_VERSION or application != APPLICATION_ID:
        raise sqlite3.DatabaseError("no journal inside")


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error means that the file itself is broken, as against full, slow or locked."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def is_read_only(error: sqlite3.Error) -> bool:
    """Whether the connection, or the medium, cannot be written."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_READONLY


def is_sound(path: Path) -> bool:
    """Whether the file is a whole journal of ours; what fails once is tried again.

    Raises ConfigurationError for a file that is not ours at all, OperatingError when the medium cannot be written: a
    journal is not damaged because the card is full.
    """
    if path.is_dir():
        raise ConfigurationError(f"{path}: is a directory; give the journal a file")
    if not os.access(path, os.R_OK | os.W_OK):
        _say_why_not(path)
    for tries_left in reversed(range(OPEN_TRIES)):
        try:
            # The check, too, calls a page damaged that could not be read just now.
            if _looks_sound(path):
                return True
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise ConfigurationError(f"{path}: another program is writing this journal; stop it first") from error
            if not tries_left:
                if error.sqlite_errorcode in UNREADABLE:
                    return False
                raise OperatingError(
                    f"{path}: the medium fails ({error}); make room (df), or see whether the card can be written"
                ) from error
        except sqlite3.DatabaseError:
            # Nor is it always one when SQLite says so: a read that failed looks like that, too.
            if not tries_left:
                return False
        if tries_left:
            time.sleep(OPEN_AGAIN_S)
    return False


def _say_why_not(path: Path) -> None:
    """Whose fault it is that a file may not be written: the medium's, or that of owner and mode."""
    try:
        # It fails, so that nothing is closed again: that would end SQLite's locks on the file.
        os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except PermissionError as error:
        raise ConfigurationError(
            f"{path}: no permission to read and write the journal; check owner and mode"
        ) from error
    except OSError as error:
        raise OperatingError(
            f"{path}: cannot be written ({error.strerror}); see why (dmesg), and mount it writable"
        ) from error


def _looks_sound(path: Path) -> bool:
    with closing(sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)) as connection:
        _check_identity(connection, path)
        return bool(connection.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")


def _set_aside(path: Path, stamp: str) -> None:
    """Rename the damaged file and what belongs to it, so that nothing is lost and nothing is read again."""
    for suffix in ("", "-wal", "-shm"):
        part = Path(f"{path}{suffix}")
        if part.exists():
            part.rename(f"{path}.damaged-{stamp}{suffix}")
