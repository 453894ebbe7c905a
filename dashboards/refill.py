"""Decides which sites to ask again for records that have not arrived, when, and for which of them.

A site is asked for one stretch at a time, the newest hole first; some sites at a time. Pure: time and holes passed in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

MOST_AT_ONCE = 2000
"""The controller answers at most so many numbers per request (docs/mqtt.md)."""
SETTLE_MS = 2_000
"""Records on their way may overtake each other; a hole younger than this is not yet a loss."""
SMALL_HOLE = 100
PATIENCE_MS = 10_000
LONGEST_PAUSE_MS = 600_000

MOST_SITES_AT_ONCE = 16
"""Sites with a request on its way: more would only fill the broker's queue, which then drops what was asked for."""

Hole = tuple[int, int]


class RefillPlanner:
    """State of one site's refills. Call `due` about once a second; what brings no progress is repeated ever later."""

    def __init__(self) -> None:
        self._asked: Hole | None = None
        self._missing_then = 0
        self._since_ms = 0
        """When the outstanding request last made progress, or, with none outstanding, when the newest hole was seen."""
        self._settling: int | None = None
        self._failures = 0

    def due(self, holes: Sequence[Hole], now_mono_ms: int) -> Hole | None:
        """The range to ask for now (both ends included), or None."""
        if self._asked is not None and self._waiting(_overlap(holes, self._asked), now_mono_ms):
            return None
        if not holes:
            self._settling = None
            return None
        newest = holes[-1]
        if _size(newest) <= SMALL_HOLE and self._failures == 0:
            if newest[0] != self._settling:
                self._settling, self._since_ms = newest[0], now_mono_ms
            if now_mono_ms - self._since_ms < SETTLE_MS:
                return None
        return self._ask(newest, now_mono_ms)

    def _waiting(self, missing: int, now_mono_ms: int) -> bool:
        """True while the outstanding request may still be answered; otherwise it is closed."""
        if missing and missing < self._missing_then:
            self._missing_then, self._since_ms, self._failures = missing, now_mono_ms, 0
        if missing and now_mono_ms - self._since_ms < self._pause_ms():
            return True
        self._failures = self._failures + 1 if missing else 0
        self._asked = None
        return False

    def _ask(self, hole: Hole, now_mono_ms: int) -> Hole:
        self._asked = (max(hole[0], hole[1] - MOST_AT_ONCE + 1), hole[1])
        self._missing_then = _size(self._asked)
        self._since_ms = now_mono_ms
        return self._asked

    def _pause_ms(self) -> int:
        return min(LONGEST_PAUSE_MS, PATIENCE_MS << min(self._failures, 10))

    @property
    def unanswered(self) -> int:
        """How many requests in a row brought nothing."""
        return self._failures

    @property
    def busy(self) -> bool:
        """A request is on its way and likely to be answered."""
        return self._asked is not None and self._failures == 0


class RefillDesk:
    """The refills of all sites: only those noted are looked at, and some are made whole before others are begun."""

    def __init__(self, most_at_once: int = MOST_SITES_AT_ONCE) -> None:
        self._most_at_once = most_at_once
        self._planners: dict[str, RefillPlanner] = {}
        """Sites that may have holes, in the order they were noted."""

    def note(self, site_id: str) -> None:
        """Something arrived that may have opened a hole."""
        if site_id not in self._planners:
            self._planners[site_id] = RefillPlanner()

    def due(self, holes_of: Callable[[str], Sequence[Hole] | None], now_mono_ms: int) -> list[tuple[str, Hole]]:
        """Whom to ask for what now; call it about once a second.

        `holes_of` says None for a site that cannot be asked; such a site is to be noted again once it can be.
        """
        requests = []
        busy = sum(planner.busy for planner in self._planners.values())
        for site_id, planner in list(self._planners.items()):
            if busy >= self._most_at_once and not planner.busy:
                continue
            holes = holes_of(site_id)
            busy -= planner.busy
            if not holes:
                del self._planners[site_id]
                continue
            hole = planner.due(holes, now_mono_ms)
            busy += planner.busy
            if hole is not None:
                requests.append((site_id, hole))
        return requests

    def unanswered(self, site_id: str) -> int:
        """How many requests to a site brought nothing, in a row."""
        planner = self._planners.get(site_id)
        return planner.unanswered if planner is not None else 0


def _size(hole: Hole) -> int:
    return hole[1] - hole[0] + 1


def _overlap(holes: Sequence[Hole], asked: Hole) -> int:
    return sum(max(0, min(last, asked[1]) - max(first, asked[0]) + 1) for first, last in holes)
