"""What a medium may hold after a power cut, and whether a journal opened on it keeps its promises.

Between two syncs of a file anything may be missing: each write since the last one may have reached the medium, or not,
or in part (by sectors of 512 bytes), in any order. What was synced is there. This is the model of the crash tests
described in "How SQLite Is Tested" (sqlite.org/testing.html, crash testing), without its garbled sectors: our media are
assumed to write a sector wholly or not at all.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from controller.contract import Now, Record, StepResult
from controller.service.journal import Journal
from tests.storage.job import START_WALL_MS
from tests.storage.recording import Call

SECTOR = 512


@dataclass
class Medium:
    """A file as it surely is on the medium, and what was done to it since the last sync."""

    there: bool = False
    content: bytearray = field(default_factory=bytearray)
    pending: list[Call] = field(default_factory=list)

    def synced(self) -> None:
        for call in self.pending:
            _apply(self.content, call)
        self.pending.clear()
        self.there = True

    def after_cut(self, rng: Random, keep: float) -> bytes | None:
        """One of the contents that a cut now may leave; None: the file is not there."""
        if not self.there and rng.random() >= keep:
            return None
        content = bytearray(self.content)
        for call in self.pending:
            if rng.random() < keep:
                _apply(content, call)
            elif call.kind == "write" and rng.random() < 0.5:
                for start in range(0, len(call.data), SECTOR):
                    if rng.random() < 0.5:
                        _apply(
                            content, Call("write", call.file, call.offset + start, call.data[start : start + SECTOR])
                        )
        return bytes(content)


def _apply(content: bytearray, call: Call) -> None:
    if call.kind == "truncate":
        del content[call.offset :]
        content.extend(bytes(call.offset - len(content)))
        return
    content.extend(bytes(max(0, call.offset - len(content))))
    content[call.offset : call.offset + len(call.data)] = call.data


@dataclass(frozen=True, slots=True)
class Safe:
    """What the job was told is safe: records and inputs up to a number, so many deliveries, orders claimed."""

    seq: int = 0
    input_id: int = 0
    deliveries: int = 0
    orders: tuple[str, ...] = ()

    def told(self, words: list[str]) -> Safe:
        """After the job's words `safe SEQ INPUT DELIVERIES CLAIMED`."""
        orders = self.orders if words[4] == "-" else (*self.orders, words[4])
        return Safe(int(words[1]), int(words[2]), int(words[3]), orders)


@dataclass(frozen=True, slots=True)
class Cut:
    """A power cut: the number of the call before it, what was safe then, the files it left."""

    call: int
    safe: Safe
    files: dict[str, bytes]


def cuts(
    calls: list[Call], cut_count: int, seed: int, start: Mapping[str, bytes] | None = None, safe: Safe | None = None
) -> Iterator[Cut]:
    """`cut_count` power cuts spread over a recording that began with the files `start` and what was `safe`."""
    rng = Random(seed)
    moments = sorted(rng.randrange(len(calls)) for _ in range(cut_count))
    media = {name: Medium(True, bytearray(content)) for name, content in (start or {}).items()}
    safe = safe or Safe()
    for number, call in enumerate(calls):
        safe = _take(media, call, safe)
        while moments and moments[0] == number:
            moments.pop(0)
            keep = rng.choice((0.0, 0.3, 0.7, 1.0))
            left = {name: medium.after_cut(rng, keep) for name, medium in media.items()}
            yield Cut(number, safe, {name: content for name, content in left.items() if content is not None})


def _take(media: dict[str, Medium], call: Call, safe: Safe) -> Safe:
    if call.kind == "say":
        words = call.data.decode().split()
        return safe.told(words) if words[0] == "safe" else safe
    if call.file.endswith("-shm"):
        return safe
    medium = media.setdefault(call.file, Medium())
    if call.kind == "sync":
        medium.synced()
    elif call.kind == "unlink":
        del media[call.file]
    elif call.kind != "create":
        medium.pending.append(call)
    return safe


def lay_out(directory: Path, files: Mapping[str, bytes]) -> None:
    """A directory with these files and no others."""
    shutil.rmtree(directory, ignore_errors=True)
    directory.mkdir()
    for name, content in files.items():
        (directory / name).write_bytes(content)


def broken_promise(directory: Path, cut: Cut) -> str:
    """What is wrong with a journal that starts on what a cut left; empty when nothing is."""
    lay_out(directory, cut.files)
    return judged(directory / "j.sqlite", cut.safe)


def judged(path: Path, safe: Safe, *, try_writing: bool = True) -> str:
    """Open a journal and look at everything that was promised."""
    journal = Journal.open(path, stamp="after-the-cut")
    try:
        return _kept(journal, safe) or (_goes_on(journal) if try_writing else "")
    finally:
        journal.close()


def _kept(journal: Journal, safe: Safe) -> str:
    if journal.recovered and safe.seq:
        return "a cut was taken for damage"
    problem = journal.problem()
    if problem:
        return f"the file is damaged: {problem}"
    numbers = [record.data["number"] for record in journal.records() if record.kind == "delivery"]
    if numbers != list(range(1, len(numbers) + 1)):
        return f"deliveries are missing or doubled: {numbers}"
    if len(numbers) < safe.deliveries:
        return f"{safe.deliveries - len(numbers)} deliveries that were safe are lost"
    if journal.last_seq < safe.seq:
        return f"records up to {safe.seq} were safe, {journal.last_seq} are there"
    if journal.last_input_id < safe.input_id:
        return f"inputs up to {safe.input_id} were safe, {journal.last_input_id} are there"
    return next((f"{order_id} could be acted on again" for order_id in safe.orders if not journal.answer(order_id)), "")


def _goes_on(journal: Journal) -> str:
    last_seq = journal.last_seq
    now = Now(10**9, START_WALL_MS + 10**9, "synchronised")
    journal.add_step(now, (), StepResult(records=(Record("measure", "", {"battery_v": 12.7}),)))
    journal.commit(durable=True)
    return "" if journal.newest_seq() == last_seq + 1 else "a number was used twice or left out"
