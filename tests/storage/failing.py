"""The n-th call on the journal's files fails, once or from then on, for real: strace puts the error in its place."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.service.journal import Journal
from tests.storage.recording import PROJECT

ROUNDS = 9


@dataclass(frozen=True, slots=True)
class Failure:
    """`call` number `n` (and all after it, when `for_ever`) ends with `error`, an errno's name."""

    call: str
    error: str
    n: int
    for_ever: bool

    def __str__(self) -> str:
        return f"{self.call} {self.n}{' and all after it' if self.for_ever else ''}: {self.error}"


KINDS = (
    ("pwrite64", "EIO"),
    ("pwrite64", "ENOSPC"),
    ("pwrite64", "EROFS"),
    ("fdatasync", "EIO"),
    ("ftruncate", "EIO"),
    ("openat", "EMFILE"),
    ("pread64", "EIO"),
    ("unlink", "EIO"),
)


def run_with(directory: Path, failure: Failure | None, begun: int = 0) -> tuple[dict[str, Any], int]:
    """What the process said under a failure, and how often the failing call was made (0 without one)."""
    words = [sys.executable, "-m", "tests.storage.stubborn", str(directory), str(ROUNDS), str(begun)]
    trace = directory / "trace"
    if failure is not None:
        files = [word for part in ("", "-wal", "-shm") for word in ("-P", str(directory / f"j.sqlite{part}"))]
        when = f"{failure.n}{'+' if failure.for_ever else ''}"
        inject = f"inject={failure.call}:error={failure.error}:when={when}"
        words = ["strace", "-f", "-qq", "-o", str(trace), *files, "-e", f"trace={failure.call}", "-e", inject, *words]
    done = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, timeout=60, check=False)
    if done.returncode != 0:
        raise AssertionError(f"{failure}: the process died: {done.stderr[-2000:]}")
    calls = trace.read_text(errors="replace").count(f"{failure.call}(") if failure is not None else 0
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said, calls


def broken_promise(directory: Path, failure: Failure, begun: int = 0) -> tuple[str, bool]:
    """What went wrong under a failure (empty: nothing), and whether it was met at all before the life was over.

    `begun`: how many deliveries the journal in `directory` already holds.
    """
    said, calls = run_with(directory, failure, begun)
    met = calls >= failure.n
    safe = said["begun"]
    if "refused" not in said:
        safe = said["safe"]
        if said["dropped"] or not said["alive"]:
            return f"{failure}: rows dropped or the thread ended: {said}", met
        if said["all_safe"] and said["handed_over"] != safe:
            return f"{failure}: not everything handed over is safe: {said}", met
        if met and not failure.for_ever and not said["all_safe"]:
            return f"{failure}: one failure was never got over: {said}", met
        if not said["all_safe"] and not said["trouble"]:
            return f"{failure}: nobody was told that nothing can be written", met
        if said["replaced"] or said["recovered"]:
            return f"{failure}: a failing call was taken for a damaged journal: {said}", met
    return _afterwards(directory, failure, said["begun"], safe), met


def _afterwards(directory: Path, failure: Failure, begun: int, safe: int) -> str:
    """The next start, on a medium that works again."""
    journal = Journal.open(directory / "j.sqlite", stamp="next-start")
    try:
        numbers = [record.data["number"] for record in journal.records() if record.kind == "delivery"]
        if journal.problem():
            return f"{failure}: the journal is damaged afterwards: {journal.problem()}"
        if journal.recovered and begun:
            # A journal that could not even be made is indeed as good as lost.
            return f"{failure}: a whole journal was set aside as damaged"
        if numbers != list(range(1, len(numbers) + 1)) or len(numbers) < safe:
            return f"{failure}: {safe} deliveries were safe, afterwards there are {numbers}"
        return ""
    finally:
        journal.close()
