"""Decides which stretch of the journal goes to the broker next: a small window, a persisted cursor, refills.

Sans-IO: told of acknowledgements and time, asked for the next pack. The broker and the client library are treated as
lossy; what is not acknowledged when a connection ends is sent again on the next.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from controller.service.journal import Journal, StoredRecord
from controller.service.senml import packs

WINDOW = 10
RECORDS_A_READ = 400
REFILL_LIMIT = 2000
REFILLS_WAITING = 20


@dataclass(frozen=True, slots=True)
class Pack:
    """One message of the history stream; `refill` packs do not move the cursor."""

    first_seq: int
    last_seq: int
    payload: bytes
    refill: bool


class Outbox:
    """The history stream of one site. `journal` is opened by the thread that uses this object, for reading."""

    def __init__(self, site_id: str, journal: Journal, cursor: int, window: int = WINDOW) -> None:
        self.cursor = cursor
        """Newest sequence number acknowledged together with all before it; to be persisted by the owner."""
        self._site_id = site_id
        self._journal = journal
        self._window = window
        self._ready: deque[Pack] = deque()
        self._unacked: dict[int, Pack] = {}
        self._done: set[int] = set()
        self._read_to = cursor
        self._refills: deque[tuple[int, int]] = deque()

    def has_more(self, newest_seq: int) -> bool:
        """Whether asking for the next pack can be of use, when the journal has come to `newest_seq`."""
        return bool(self._ready or self._refills) or self._read_to < newest_seq

    @property
    def has_room(self) -> bool:
        """Whether another message may be on its way."""
        return len(self._unacked) < self._window

    @property
    def unacked(self) -> int:
        return len(self._unacked)

    def ask_again(self, first_seq: int, last_seq: int) -> None:
        """Send a stretch once more, after what is ready now. Oldest waiting requests win when there are too many."""
        if len(self._refills) < REFILLS_WAITING:
            self._refills.append((first_seq, last_seq))

    def next_pack(self) -> Pack | None:
        """The next message to publish; None when the window is full or nothing is waiting."""
        if not self.has_room:
            return None
        if not self._ready:
            self._read_more()
        return self._ready.popleft() if self._ready else None

    def sent(self, message_id: int, pack: Pack) -> None:
        """`pack` was handed to the network under this id."""
        self._unacked[message_id] = pack

    def acknowledged(self, message_id: int) -> bool:
        """The broker has the message. Whether the cursor moved."""
        pack = self._unacked.pop(message_id, None)
        if pack is None or pack.refill:
            return False
        before = self.cursor
        waiting = min((p.first_seq for p in self._unacked.values() if not p.refill), default=None)
        self._done.add(pack.last_seq)
        reached = [seq for seq in self._done if waiting is None or seq < waiting]
        if reached:
            self.cursor = max(self.cursor, *reached)
            self._done.difference_update(reached)
        return self.cursor != before

    def reconnected(self) -> None:
        """A new connection: everything not acknowledged on the old one is to be sent again."""
        self._ready.clear()
        self._unacked.clear()
        self._done.clear()
        self._read_to = self.cursor

    def _read_more(self) -> None:
        refill = bool(self._refills)
        if refill:
            records = self._refill_records(*self._refills.popleft())
        else:
            records = self._journal.records(self._read_to + 1, limit=RECORDS_A_READ)
            if records:
                self._read_to = records[-1].seq
        for first, last, payload in packs(self._site_id, records):
            self._ready.append(Pack(first, last, payload, refill))

    def _refill_records(self, first_seq: int, last_seq: int) -> list[StoredRecord]:
        last_seq = min(last_seq, self._journal.newest_seq(), first_seq + REFILL_LIMIT - 1)
        kept = {record.seq: record for record in self._journal.records(first_seq, last_seq)}
        records: list[StoredRecord] = []
        wall_ms = 0
        for seq in range(first_seq, last_seq + 1):
            record = kept.get(seq) or StoredRecord(seq, 0, wall_ms, "", "", "{}")
            wall_ms = record.wall_ms
            records.append(record)
        return _with_known_times(records, self._journal.newest_wall_ms())


def _with_known_times(records: list[StoredRecord], newest_wall_ms: int) -> list[StoredRecord]:
    """Numbers whose record is gone get the time of a kept neighbour: a raw 0 would be read as relative to now."""
    first_known = next((record.wall_ms for record in records if record.wall_ms), newest_wall_ms)
    return [
        record
        if record.wall_ms
        else StoredRecord(record.seq, record.input_id, first_known, record.kind, record.key, record.json)
        for record in records
    ]
