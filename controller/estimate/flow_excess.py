"""More flow than there should be: a burst, a valve that does not close, or a meter that counts what is not there.

Pure functions and one small state machine, told of flows and pulses by others.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

BURST_FACTOR, LEAST_BURST_FACTOR = 1.5, 1.2
OPEN_PIPE_PART = 0.4
"""A burst gives this part at least of what lies between the usual flow and that of the pump into an open pipe: small
pumps cannot give half as much again (own choice; a whole line torn off gives nearly all of it)."""
CEILING_FACTOR = 1.2
"""No pump gives more than this beyond its greatest flow: at a charging battery's 14.4 V it turns a seventh faster than
at the 12.6 V it is rated at, and a meter may be off by a few per cent (own choice)."""
FIRST_MS = 10_000
"""The first pulses of a run may have come in so long: a board without a link shuts sooner than that."""
CEILING_SLACK = 2
"""Pulses more that one report may bring than another: their edges fall where they like."""


def burst_limit_l_min(usual_l_min: float, open_pipe_l_min: float) -> float:
    """Above this flow a zone's line has burst; never more than half as much again as `usual_l_min`."""
    of_open_pipe = usual_l_min + OPEN_PIPE_PART * (open_pipe_l_min - usual_l_min)
    return min(BURST_FACTOR * usual_l_min, max(LEAST_BURST_FACTOR * usual_l_min, of_open_pipe))


def valves_suspected(flows_too_much: Mapping[str, bool | None]) -> list[str]:
    """Zones whose valve may be what does not close: all flow too much but these, for what is open anyway runs alone.

    None for a zone that has shown nothing yet. Empty unless two flow too much: one alone has a trouble of its own.
    Empty too when none is left: then it is the main line, or the meter.
    """
    others = [zone_id for zone_id, too_much in flows_too_much.items() if not too_much]
    return others if len(flows_too_much) - len(others) >= 2 else []


class PulseCeiling:
    """Takes from a meter's pulses what its pump cannot have given. `dump` and `load` round-trip."""

    __slots__ = ("_most_per_ms", "beyond_ms", "uptime_ms")

    def __init__(self, max_flow_l_min: float, pulses_per_l: float) -> None:
        self._most_per_ms = CEILING_FACTOR * max_flow_l_min * pulses_per_l / 60_000.0
        self.beyond_ms = 0
        """For how long pulses came too fast, since this was last set to 0."""
        self.uptime_ms = -1
        """The board's uptime at the last report that brought pulses; -1: none in this run."""

    def begin(self) -> None:
        """A run begins: what comes from now on is looked at by itself."""
        self.beyond_ms, self.uptime_ms = 0, -1

    def possible(self, pulses: int, uptime_ms: int) -> int:
        """What of the pulses since the last report may have been water, by the board's own clock. Not for no pulses."""
        before_ms, self.uptime_ms = self.uptime_ms, uptime_ms
        since_ms = uptime_ms - before_ms
        if before_ms < 0 or since_ms <= 0:
            # The first of a run, or of a boot: the reports before it may have been lost.
            since_ms = min(uptime_ms, FIRST_MS)
        most = CEILING_SLACK + int(self._most_per_ms * since_ms)
        if pulses <= most:
            return pulses
        self.beyond_ms += since_ms
        return most

    def dump(self) -> dict[str, Any]:
        return {"beyond_ms": self.beyond_ms, "uptime_ms": self.uptime_ms}

    def load(self, data: Mapping[str, Any]) -> None:
        self.beyond_ms, self.uptime_ms = data["beyond_ms"], data["uptime_ms"]
