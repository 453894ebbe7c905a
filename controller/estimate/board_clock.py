"""Does the board's clock go right? Its uptime against the controller's monotonic clock.

How far the uptime lies behind the controller's clock grows with a slow board clock and shrinks with a fast one. A line
may come late, and then it lies further behind, never less: so of each few minutes the line that lies least behind
counts, and the drift is what lies between such lines. Lateness of up to `LATE_MS` in those is allowed for.

A board of 3 % is told of after half an hour of a report a minute, after 2.5 hours of one every five. A line held up for
a minute spoils its block, which is then left out; a delay that sets in for good is one jump, and a drift shows in
nearly every step. Only a delay that grows steadily by a minute within half an hour looks the same.
"""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import Any

BLOCK_MS, BLOCK_LINES = 210_000, 5
"""A block is as long as both ask for: of a report a minute it holds five, also when a fast clock sends them sooner."""
BLOCKS = 6
STEPS_AGREE = BLOCKS - 2
"""One step between neighbours may say otherwise: a jump, or the moment at which the drift began."""
LATE_MS = 2_000
MOST_PART = 0.06
"""More than this no clock is off that is still to be told; lines of one block that lie further apart were held up."""
OFF_PART, WELL_PART = 0.02, 0.015


class BoardClock:
    """Feed `note` with each report; `dump` and `load` round-trip."""

    def __init__(self) -> None:
        self.fast_part: float | None = None
        """By how much the board's clock is fast (below zero: slow), as a part; None while it is not known to be off."""
        self._boot_id = ""
        self._blocks: list[tuple[int, int]] = []
        """Of the line that lies least behind in each block: when it came, and how far its uptime lies behind."""
        self._lines = 0
        self._began_ms = 0
        self._least: tuple[int, int] = (0, 0)
        self._most_ms = 0

    def note(self, boot_id: str, uptime_ms: int, mono_ms: int) -> bool:
        """Take a report's uptime; True when it changes whether the clock is known to be off."""
        behind_ms = mono_ms - uptime_ms
        if boot_id != self._boot_id:
            was_off = self.fast_part is not None
            self.restarted()
            self._boot_id = boot_id
            self._start_block(behind_ms, mono_ms)
            return was_off
        if self._lines == 0:
            self._start_block(behind_ms, mono_ms)
            return False
        self._lines += 1
        if behind_ms < self._least[1]:
            self._least = (mono_ms, behind_ms)
        elif behind_ms > self._most_ms:
            self._most_ms = behind_ms
        if mono_ms - self._began_ms < BLOCK_MS or self._lines < BLOCK_LINES:
            return False
        return self._end_block(mono_ms)

    def _start_block(self, behind_ms: int, mono_ms: int) -> None:
        self._lines, self._began_ms = 1, mono_ms
        self._least, self._most_ms = (mono_ms, behind_ms), behind_ms

    def _end_block(self, mono_ms: int) -> bool:
        self._lines = 0
        spread_ms = self._most_ms - self._least[1]
        if spread_ms > LATE_MS + MOST_PART * (mono_ms - self._began_ms):
            return False
        if self._blocks and self._least[0] <= self._blocks[-1][0]:
            # Lines held up and let go together: the last of one block and the first of the next came at one instant.
            return False
        self._blocks = [*self._blocks[1 - BLOCKS :], self._least]
        if len(self._blocks) < BLOCKS:
            return False
        was_off = self.fast_part is not None
        steps = [_fast_part(*pair) for pair in pairwise(self._blocks)]
        fast_part = median(steps)
        if self._surely_off(steps) or (was_off and abs(fast_part) >= WELL_PART):
            self.fast_part = fast_part
        else:
            self.fast_part = None
        return was_off is (self.fast_part is None)

    def _surely_off(self, steps: list[float]) -> bool:
        """Nearly every step says so, and so does the whole stretch, however late its first and its last line were."""
        first, last = self._blocks[0], self._blocks[-1]
        moved_ms = last[1] - first[1]
        if abs(moved_ms) - LATE_MS < OFF_PART * (last[0] - first[0]):
            return False
        way = -1.0 if moved_ms > 0 else 1.0
        return sum(1 for step in steps if way * step > OFF_PART) >= STEPS_AGREE

    def restarted(self) -> None:
        """The monotonic clock, or the board's, began anew: watched afresh."""
        self.fast_part = None
        self._boot_id, self._blocks, self._lines = "", [], 0

    def dump(self) -> dict[str, Any]:
        return {
            "fast_part": self.fast_part,
            "boot_id": self._boot_id,
            "blocks": [list(block) for block in self._blocks],
            "lines": self._lines,
            "began_ms": self._began_ms,
            "least": list(self._least),
            "most_ms": self._most_ms,
        }

    def load(self, data: dict[str, Any]) -> None:
        self.fast_part, self._boot_id = data["fast_part"], data["boot_id"]
        self._blocks = [(mono_ms, behind_ms) for mono_ms, behind_ms in data["blocks"]]
        self._lines, self._began_ms = data["lines"], data["began_ms"]
        self._least, self._most_ms = (data["least"][0], data["least"][1]), data["most_ms"]


def _fast_part(before: tuple[int, int], after: tuple[int, int]) -> float:
    """By how much the board's clock ran fast from one line to another."""
    return (before[1] - after[1]) / (after[0] - before[0])
