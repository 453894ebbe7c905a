"""A process that writes a journal is killed at any instant, again and again, on the same journal."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from random import Random

from tests.storage.power_cut import Safe, judged
from tests.storage.recording import PROJECT

LIFE_S = 0.15
"""A process lives so long at most after its first word (own choice: a few dozen commits)."""


def killed_lives(directory: Path, kill_count: int, seed: int) -> str:
    """Kill `kill_count` writers of the journal in `directory`; what was wrong after one of them, or nothing."""
    rng, safe = Random(seed), Safe()
    for number in range(kill_count):
        said = _one_life(directory, rng.random() * LIFE_S, seed + number)
        safe = safe_after(said, safe)
        broken = judged(directory / "j.sqlite", safe, try_writing=False)
        if broken:
            return f"after kill {number + 1}: {broken}"
    return ""


def _one_life(directory: Path, life_s: float, seed: int) -> list[str]:
    """What the process had been told is safe when it was killed."""
    words = [sys.executable, "-m", "tests.storage.job", str(directory), "100000", str(seed)]
    with subprocess.Popen(words, cwd=PROJECT, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(life_s)
        process.kill()
        rest = process.stdout.read()
    # A word that was cut off in the middle was said all the same, but cannot be read.
    return (first + rest).decode().splitlines(keepends=True)


def safe_after(said: list[str], before: Safe) -> Safe:
    """What is safe after these words."""
    safe = before
    for line in said:
        words = line.split()
        if line.endswith("\n") and words[0] == "safe":
            safe = safe.told(words)
    return safe
