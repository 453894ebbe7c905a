"""Is the cable noisy? Damaged lines among the last few hundred that the board sent.

Damaged is a line that came with a wrong checksum, torn, or too long. A missing number is not counted: a line may also
be lost because nobody was listening, and a torn newline shows anyway, as one damaged line in place of two.

Lines, not minutes, are the measure: a board at rest says one a minute or less, and one of those is no share of
anything. With six of 250 as the bound, a cable that spoils one line in ten is told of after some 60 lines, one in
thirty after some 200, one in a hundred after some 1800 (a day or so at rest). One in 300 is told of every few months,
one in 1000 hardly in a lifetime (a line a minute, by trial). Damage on the way to the board is not seen here: the board
drops it, and is asked again.
"""

from __future__ import annotations

from typing import Any

WINDOW_LINES = 250
NOISY_LINES = 6
NOISY_OVER_MS = 60_000
"""A burst that is over sooner is a plug put in, a board that boots, or a switch thrown nearby (own choice)."""
WELL_LINES, WELL_MS = 50, 10 * 60_000
"""Undamaged on end, and for so long: then it is well again (own choice)."""


class LineNoise:
    """Feed `heard` with each good line and `damaged` with what was dropped; `dump` and `load` round-trip."""

    def __init__(self) -> None:
        self.lines = 0
        """Good and damaged ones, since it is watched."""
        self.is_noisy = False
        self._damaged: list[tuple[int, int]] = []
        """Number and time of each damaged line of the window, the newest last."""

    def heard(self) -> None:
        """A good line came."""
        self.lines += 1

    def damaged(self, count: int, mono_ms: int) -> bool:
        """So many lines came damaged; True when that makes the cable a noisy one."""
        for _ in range(min(count, WINDOW_LINES)):
            self.lines += 1
            self._damaged.append((self.lines, mono_ms))
        self._damaged = self._recent()
        if self.is_noisy or len(self._damaged) < NOISY_LINES:
            return False
        # The last torn line of a burst shows only when the next line is joined to it: it takes two to last.
        if self._damaged[-2][1] - self._damaged[0][1] < NOISY_OVER_MS:
            return False
        self.is_noisy = True
        return True

    def settle(self, mono_ms: int) -> None:
        """Call it now and then: a noisy cable that has been well for long enough is a good one, and watched afresh."""
        if not self.is_noisy:
            return
        last_line, last_ms = self._damaged[-1]
        if self.lines - last_line >= WELL_LINES and mono_ms - last_ms >= WELL_MS:
            self.restarted()

    def share(self) -> tuple[int, int]:
        """How many lines were damaged, of how many."""
        return len(self._recent()), min(self.lines, WINDOW_LINES)

    def _recent(self) -> list[tuple[int, int]]:
        oldest = self.lines - WINDOW_LINES
        return [entry for entry in self._damaged if entry[0] > oldest]

    def restarted(self) -> None:
        """The monotonic clock began anew: watched afresh."""
        self.lines, self.is_noisy, self._damaged = 0, False, []

    def dump(self) -> dict[str, Any]:
        return {"lines": self.lines, "is_noisy": self.is_noisy, "damaged": [list(entry) for entry in self._damaged]}

    def load(self, data: dict[str, Any]) -> None:
        self.lines, self.is_noisy = data["lines"], data["is_noisy"]
        self._damaged = [(number, mono_ms) for number, mono_ms in data["damaged"]]
