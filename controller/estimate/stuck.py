"""Finds a level that does not fall although water is metered out: a ranger that is stuck."""

from __future__ import annotations

from typing import Any, Literal

FROZEN_FRACTION = 0.02
FROZEN_MINIMUM_L = 10.0

TELLING_L = 8.0
"""A fall by this much is seen through every error of a healthy ranger (own choice)."""
AGREEING_PART = 0.25
FALLEN_PART = 0.5
RISEN_PART = 0.25
"""Of the limit: a level this far above the anchor has risen."""

Verdict = Literal["fine", "anchored", "stuck", "moved"]


def frozen_limit_l(capacity_l: float) -> float:
    """How far level and meter may disagree: 2 % of the capacity, 10 L at least (catalogue fault N1)."""
    return max(FROZEN_MINIMUM_L, FROZEN_FRACTION * capacity_l)


class StuckWatch:
    """Compares what the echoes show with an anchor less what was metered out since."""

    __slots__ = ("anchor_l", "drawn_l", "frozen_l", "limit_l")

    anchor_l: float | None
    frozen_l: float | None

    def __init__(self, capacity_l: float) -> None:
        self.limit_l = frozen_limit_l(capacity_l)
        self.forget()

    def forget(self) -> None:
        self.anchor_l = None
        self.drawn_l = 0.0
        self.frozen_l = None

    def anchor(self, volume_l: float) -> None:
        """Begin to compare from a volume that is believed."""
        self.anchor_l = volume_l
        self.drawn_l = 0.0
        self.frozen_l = None

    def ledger_l(self, meter_error: float) -> float:
        """What must be left by the meter, which counts too little by a part of what it counts."""
        return max((self.anchor_l or 0.0) - self.drawn_l * (1.0 + meter_error), 0.0)

    def judge(self, seen_l: float, believed_l: float) -> Verdict:
        """Is the level stuck, seeing what echoes show now? `believed_l` becomes the new anchor when all is well."""
        if self.anchor_l is None:
            self.anchor(believed_l)
            return "anchored"
        if self.frozen_l is not None:
            if abs(seen_l - self.frozen_l) <= self.limit_l:
                return "stuck"
            self.anchor(seen_l)
            return "moved"
        if self.drawn_l > TELLING_L:
            fallen_l = self.anchor_l - seen_l
            if fallen_l < -self.limit_l or self.drawn_l - fallen_l < AGREEING_PART * self.drawn_l:
                # It rose, because somebody filled the tank, or it fell as it should: either way it is not stuck.
                self.anchor(believed_l)
                return "anchored"
            if self.drawn_l - fallen_l > self.limit_l:
                self.frozen_l = seen_l
                return "stuck"
            if self.drawn_l > 2.0 * self.limit_l:
                self.anchor(believed_l)
                return "anchored"
        return "fine"

    def has_not_fallen(self, seen_l: float) -> bool:
        """Has the level stayed about where it was at the anchor while water was metered out?"""
        if self.anchor_l is None or self.drawn_l <= 0.0 or self.has_risen(seen_l):
            return False
        return self.anchor_l - seen_l < FALLEN_PART * self.drawn_l

    def stands(self, seen_l: float) -> bool:
        """Is it stuck, and does it not show more than where it is stuck? A rise may be a rung that answers."""
        return self.frozen_l is not None and seen_l - self.frozen_l <= self.limit_l

    def has_risen(self, seen_l: float) -> bool:
        """Is the level above where it was at the anchor?"""
        return self.anchor_l is None or seen_l - self.anchor_l >= RISEN_PART * self.limit_l

    def dump(self) -> dict[str, Any]:
        return {"anchor_l": self.anchor_l, "drawn_l": self.drawn_l, "frozen_l": self.frozen_l}

    def load(self, data: dict[str, Any]) -> None:
        self.anchor_l, self.drawn_l, self.frozen_l = data["anchor_l"], data["drawn_l"], data["frozen_l"]
