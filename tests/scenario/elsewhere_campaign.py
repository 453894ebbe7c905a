"""The faults that need real processes, ports, disks and pages: their tests, by the hundred."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.scenario.campaign import Report
from tests.scenario.strikes import ELSEWHERE, TOLD_ELSEWHERE

ROOT = Path(__file__).resolve().parents[2]
TIMES_A_RUN = 5
"""So often in one process, so that all are busy to the end."""
KEPT_OUTPUT = 4000
_COUNTS = re.compile(r"(\d+) (passed|failed|error|skipped)")


def elsewhere(times: int, jobs: int) -> Report:
    """Run each test so often; a line for each fault. A test that has several parameters counts with all of them."""
    ids: dict[str, list[str]] = {}
    for fault_id, test in sorted({**ELSEWHERE, **TOLD_ELSEWHERE}.items()):
        ids.setdefault(test, []).append(fault_id)
    # The first round of all of them comes first: what fails always is known soon.
    runs = [(test, min(TIMES_A_RUN, times - done)) for done in range(0, times, TIMES_A_RUN) for test in ids]
    with ThreadPoolExecutor(jobs) as pool:
        outcomes = list(pool.map(_run, runs))
    counts: dict[str, Counter[str]] = {test: Counter() for test in ids}
    for (test, _), (found, _) in zip(runs, outcomes, strict=True):
        counts[test].update(found)
    lines, failed = [output for _, output in outcomes if output], False
    for test, fault_ids in ids.items():
        good = counts[test]["passed"]
        bad = counts[test].total() - good
        failed |= bool(bad) or good < times
        lines.append(f"{', '.join(fault_ids)}: {good} times without a failure, {bad} with one (tests/{test})")
    return Report(tuple(lines), failed)


def _run(run: tuple[str, int]) -> tuple[dict[str, int], str]:
    """One process: how its tests ended, and its output if not all passed."""
    test, times = run
    place, _, function = test.rpartition(":")
    node = f"tests/{place}.py::{function}"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "tests.repeated", "--times", str(times)]
    done = subprocess.run(
        [*command, "-p", "no:cacheprovider", "-o", "addopts=", node], cwd=ROOT, capture_output=True, text=True
    )
    last = (done.stdout.strip().splitlines() or [""])[-1]
    found = {word: int(count) for count, word in _COUNTS.findall(last)}
    return found, "" if done.returncode == 0 else f"{node}:\n{done.stdout[-KEPT_OUTPUT:]}{done.stderr[-KEPT_OUTPUT:]}"
