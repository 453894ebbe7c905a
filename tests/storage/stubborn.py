"""A controller's writing thread on a medium that fails: hands over numbered deliveries and says what came of it.

Run as `python -m tests.storage.stubborn DIRECTORY ROUNDS BEGUN`; prints one JSON object as its last line.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import time
from pathlib import Path

from controller.contract import Now, Record, StepResult
from controller.errors import PumphouseError
from controller.service.journal import Journal
from controller.service.writer import JournalWriter
from tests.storage.job import START_WALL_MS

RETRY_S = 0.01
PATIENCE_S = 1.0
LONGEST_HAND_OVER_S = 0.2


def live(directory: Path, rounds: int, begun: int) -> dict[str, object]:
    """What was safe, what the thread said, and how long the control loop was kept at most.

    `begun`: how many deliveries an earlier life left.
    """
    try:
        journal = Journal.open(directory / "j.sqlite", stamp="20260514T053000Z")
        recovered = journal.recovered
        deliveries = len([record for record in journal.records() if record.kind == "delivery"])
    except (PumphouseError, sqlite3.Error) as error:
        return {"refused": str(error), "begun": begun}
    writer = JournalWriter(journal, commit_every_s=0.02, retry_after_s=RETRY_S)
    safe, trouble, kept_s = deliveries, None, 0.0
    for number in range(rounds):
        deliveries += 1
        now = Now(1000 * number, START_WALL_MS + 60_000 * number, "synchronised")
        began_s = time.perf_counter()
        record = Record("delivery", "bench", {"number": deliveries, "why": "x" * 3000})
        writer.add_step(now, (("line", f"report {number} boot=5eed0001 up={number}"),), StepResult(records=(record,)))
        if number == rounds // 2:
            writer.submit(lambda journal, now=now: journal.add_checkpoint(now, "site", {"filling": "y" * 9000}))  # type: ignore[misc]
        kept_s = max(kept_s, time.perf_counter() - began_s)
        if number % 3 == 2 and writer.flush(PATIENCE_S):
            safe = deliveries
        trouble = writer.trouble or trouble
    all_safe = writer.flush(PATIENCE_S)
    trouble = writer.trouble or trouble
    return {
        "begun": begun,
        "safe": deliveries if all_safe else safe,
        "all_safe": all_safe,
        "handed_over": deliveries,
        "dropped": writer.dropped,
        "trouble": trouble,
        "alive": writer.alive(),
        "replaced": writer.replaced,
        "recovered": recovered,
        "kept_s": kept_s,
        "closed": writer.close(PATIENCE_S),
    }


if __name__ == "__main__":
    print(json.dumps(live(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
