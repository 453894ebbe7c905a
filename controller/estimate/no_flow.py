"""Why the meter counts nothing while a pump was driven: dry, blocked, standing still, or the meter itself.

The tank tells: water that left it went through a meter that is dead. A try lasts seconds and takes a litre or two,
which is about what a ranger can tell, so tries are weighed together: the likelihood of the fall that the usual flow
makes against that of none at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, Literal, NamedTuple, get_args

NoFlowKind = Literal["ran-dry", "meter-dead", "line-blocked", "pump-still", "no-flow"]
NO_FLOW_KINDS: frozenset[str] = frozenset(get_args(NoFlowKind))

FILLING_L_PART = 0.8
EXPECTED_SPREAD = 0.2
"""Part of the usual flow that a try takes, the line filling first, and by which part that may be off; own choices."""
LARGEST_LOG_ODDS = 4.0
"""One try says no more than that: somebody may have taken a can."""
ENOUGH_LOG_ODDS = 3.0
"""Twenty to one."""
NEAR_SUCTION_MM = 10.0
"""The suction draws air before the level is down to it; common practice, no source."""
SURE_SDS = 2.0
STILL_CURRENT_PART = 0.3
"""Below this part of its usual current a pump does not turn (own choice; a dry one still takes about half)."""


@dataclass(frozen=True, slots=True)
class SilentRun:
    """A run that ended because the meter counted nothing, or nothing more.

    silent_s      how long the pump was driven since the last pulse, or since its start
    level_mm      of the tank afterwards, with its standard deviation; None when it is not known
    drop_l        what the tank's volume fell, from before to after, less what was counted, with its standard deviation;
                  None when not known
    float_dry     what a float at the suction says; None without one
    current_a     what the pump took; None without a shunt
    """

    zone_id: str
    mono_ms: int
    silent_s: float
    level_mm: float | None
    level_sd_mm: float
    drop_l: float | None
    drop_sd_l: float
    float_dry: bool | None = None
    current_a: float | None = None


class NoFlowVerdict(NamedTuple):
    """What the tries come to; `log_odds` is for a dead meter against standing water."""

    kind: NoFlowKind
    log_odds: float
    tries: int
    expected_l: float
    fell_l: float
    above_suction_mm: float | None
    current_part: float | None


def fall_log_odds(fell_l: float, sd_l: float, expected_l: float) -> float:
    """Log-likelihood of a fall if the expected water left, less that if none did; both normal, the first wider."""
    moved_sd_l = math.hypot(sd_l, EXPECTED_SPREAD * expected_l)
    moved, still = (fell_l - expected_l) / moved_sd_l, fell_l / sd_l
    return max(-LARGEST_LOG_ODDS, min(LARGEST_LOG_ODDS, 0.5 * (still * still - moved * moved)))


class NoFlow:
    """The silent tries of one zone since water last flowed through it."""

    def __init__(self, suction_mm: float) -> None:
        self._suction_mm = suction_mm
        self.forget()

    def forget(self) -> None:
        """Water flowed, or somebody mended it."""
        self._log_odds = self._expected_l = self._fell_l = 0.0
        self._tries = 0
        self._last: SilentRun | None = None
        self._current_part: float | None = None
        self.since_ms = 0

    def take(self, run: SilentRun, usual_l_min: float, usual_a: float | None) -> None:
        """Weigh a try of a zone whose usual flow is known, or declared; so is the pump's current, if it is known."""
        if self._tries == 0:
            self.since_ms = run.mono_ms
        self._tries += 1
        self._last = run
        self._current_part = None if run.current_a is None or usual_a is None else run.current_a / usual_a
        if run.drop_l is not None:
            expected_l = FILLING_L_PART * usual_l_min * run.silent_s / 60.0
            self._log_odds += fall_log_odds(run.drop_l, run.drop_sd_l, expected_l)
            self._expected_l += expected_l
            self._fell_l += run.drop_l

    @property
    def verdict(self) -> NoFlowVerdict | None:
        """What is the matter; None while nothing is. "no-flow" when it cannot be told yet."""
        run = self._last
        if run is None:
            return None
        above_mm = None if run.level_mm is None else run.level_mm - self._suction_mm
        kind = self._kind(run, above_mm)
        return NoFlowVerdict(
            kind, self._log_odds, self._tries, self._expected_l, self._fell_l, above_mm, self._current_part
        )

    def _kind(self, run: SilentRun, above_mm: float | None) -> NoFlowKind:
        if self._current_part is not None and self._current_part < STILL_CURRENT_PART:
            return "pump-still"
        if self._log_odds >= ENOUGH_LOG_ODDS:
            return "meter-dead"
        if run.float_dry or (above_mm is not None and above_mm - SURE_SDS * run.level_sd_mm <= NEAR_SUCTION_MM):
            return "ran-dry"
        return "line-blocked" if self._log_odds <= -ENOUGH_LOG_ODDS else "no-flow"

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock began anew, `shift_ms` away from where it was."""
        self.since_ms += shift_ms

    def dump(self) -> dict[str, Any]:
        """The memory as JSON-able data."""
        run = self._last
        return {
            "sums": [self._log_odds, self._expected_l, self._fell_l],
            "tries": self._tries,
            "since_ms": self.since_ms,
            "current_part": self._current_part,
            "last": None if run is None else [getattr(run, field.name) for field in fields(run)],
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self._log_odds, self._expected_l, self._fell_l = data["sums"]
        self._tries, self.since_ms = data["tries"], data["since_ms"]
        self._current_part = data["current_part"]
        self._last = None if data["last"] is None else SilentRun(*data["last"])
