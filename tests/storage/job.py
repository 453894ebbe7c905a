"""A piece of a journal's life: steps, deliveries, orders, checkpoints, pruning.

Says on standard output what it was told is safe: `safe SEQ INPUT DELIVERIES CLAIMED` after each durable commit, in one
write of its own.

Run as `python -m tests.storage.job DIRECTORY ROUNDS SEED`.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from random import Random

from controller.contract import Now, OrderAnswer, Record, StepResult
from controller.service.journal import Journal
from firmware_host.messages import Outputs

START_WALL_MS = 1_778_736_600_000
SMALL_LOG_PAGES = 12
"""The log is carried over into the database this often, so that a short life has many such moments."""


def result_of(rng: Random, number: int, delivery: int) -> StepResult:
    """What a step may bring: readings, a numbered delivery, an answer, outputs."""
    records = [Record("measure", "", {"tank.main.level_mm": rng.uniform(100, 1200)})]
    if delivery:
        records.append(
            Record("delivery", "bench", {"number": delivery, "volume_l": rng.uniform(1, 30), "why": "x" * 400})
        )
    answers = (OrderAnswer(f"order-{number}", True, "done"),) if rng.random() < 0.2 else ()
    outputs = Outputs(rng.randrange(2), rng.randrange(4))
    return StepResult(outputs=outputs, records=tuple(records), answers=answers, wake_mono_ms=0)


def live(directory: Path, rounds: int, seed: int, small_log: bool = True) -> None:
    """Live it. Whatever raises is for the caller."""
    rng = Random(seed)
    journal = Journal.open(directory / "j.sqlite", stamp="20260514T053000Z")
    if small_log:
        journal._connection.execute(f"PRAGMA wal_autocheckpoint = {SMALL_LOG_PAGES}")
    begun = journal.last_input_id
    deliveries = len([record for record in journal.records() if record.kind == "delivery"])
    for number in range(begun, begun + rounds):
        now = Now(1000 * number, START_WALL_MS + 60_000 * number, "synchronised")
        for _ in range(rng.randrange(1, 4)):
            delivers = rng.random() < 0.4
            deliveries += delivers
            result = result_of(rng, number, deliveries if delivers else 0)
            journal.add_step(now, (("line", f"report {number} boot=5eed0001 up={number}"),), result)
        claimed = ""
        if rng.random() < 0.15:
            claimed = f"claimed-{number}"
            journal.claim_order(claimed, now.wall_ms)
        if rng.random() < 0.1:
            journal.add_checkpoint(now, "site text", {"number": number, "filling": "y" * 2000})
        if rng.random() < 0.1:
            journal.set_cursor("mqtt", journal.last_seq)
        durable = rng.random() < 0.6
        journal.commit(durable=durable)
        if durable:
            say(f"safe {journal.last_seq} {journal.last_input_id} {deliveries} {claimed or '-'}")
        if rng.random() < 0.03:
            journal.prune(now, inputs_days=0, measurements_days=400)
    journal.close()
    say("closed")


def say(text: str) -> None:
    """One write of the system, so that a recording has it in its place."""
    os.write(1, f"{text}\n".encode())


if __name__ == "__main__":
    live(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
