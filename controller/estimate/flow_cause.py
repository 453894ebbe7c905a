"""Which part is to blame when flows are no longer what they were. Pure functions of what the zones' runs showed.

One zone alone changed: its emitters or its valve. All together: what they share, the filter and the pump, or the meter
that counts for all. Two that changed places: their wires. Changes are differences of logarithms, so parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

WITNESS_FLOW_PART = 0.85
"""A zone that takes less than this part of the flow is no witness for filter and pump: their losses grow with the
square of the flow, and its regulator hides what is left (own choice)."""
ALONG_PART = 0.5
"""A zone that changed by this part of what another did changed along with it."""
ALL_PART, NONE_PART = 0.6, 0.4
"""So many of the witnesses, or fewer, must have changed along for the shared parts or for the zone to be blamed."""
TOLD_CHI2 = 6.0
"""Difference of misfits (twice the log-likelihood) that tells the filter from the pump: twenty to one."""
LEAST_APART = 0.04
"""Zones whose usual flows are nearer than this cannot be told apart when crossed (own choice)."""
CROSSED_LOG_ODDS = 10.0
CROSSED_RUNS = 2
CROSSED_SDS = 2.5

Blame = Literal["zone", "supply", "unknown"]
SupplyKind = Literal["filter-clogged", "pump-worn", "filter-or-pump"]


class Witness(NamedTuple):
    """Another zone of the same pump: its usual flow as part of the changed zone's, and how it changed meanwhile."""

    flow_part: float
    change: float


def whom_to_blame(change: float, witnesses: Sequence[Witness], others: int) -> Blame:
    """The zone or what it shares with the `others`; "unknown" before two of them (or all) have run since."""
    able = [witness for witness in witnesses if witness.flow_part >= WITNESS_FLOW_PART]
    if len(able) < min(2, others) or not able:
        return "unknown"
    along = sum(witness.change / change >= ALONG_PART for witness in able) / len(able)
    if along >= ALL_PART:
        return "supply"
    return "zone" if along <= NONE_PART else "unknown"


class WeakZone(NamedTuple):
    """A zone below its usual flow: means of its runs. Heads are parts of the pump's greatest, at the reference voltage.

    flow_l_min     what flowed
    unregulated    C: what would flow at a drive of 1 without a regulator
    speed2, lift   square of the pump's speed, and the lift
    sd             of flow and C together, as a part
    """

    flow_l_min: float
    unregulated: float
    speed2: float
    lift: float
    sd: float

    @property
    def missing(self) -> float:
        """Head that is missing."""
        return self.speed2 - self.lift - (self.flow_l_min / self.unregulated) ** 2

    @property
    def missing_sd(self) -> float:
        return 2.0 * self.sd * (self.flow_l_min / self.unregulated) ** 2


class SupplyVerdict(NamedTuple):
    """`filter_chi2` and `pump_chi2`: squared misfit of a loss that goes with flow^2, and of a shrunken pump curve."""

    kind: SupplyKind
    filter_chi2: float
    pump_chi2: float
    runs: int


def filter_or_pump(runs: Sequence[WeakZone], max_flow_l_min: float) -> SupplyVerdict:
    """What explains the missing heads: a mesh takes a Q^2; a pump that lost a part w of flow and head alike lacks
    w (s^2 + (Q/Qmax)^2 / (1 - w)). Each has one number to fit; flows that are all alike cannot tell them apart."""
    if len(runs) < 2:
        return SupplyVerdict("filter-or-pump", 0.0, 0.0, len(runs))
    by_filter = _misfit(runs, [run.flow_l_min**2 for run in runs])
    worn = 0.1
    for _ in range(3):
        pump = [run.speed2 + (run.flow_l_min / max_flow_l_min) ** 2 / (1.0 - worn) for run in runs]
        worn = min(0.8, max(0.0, _slope(runs, pump)))
    by_pump = _misfit(runs, pump)
    kind: SupplyKind = "filter-or-pump"
    if by_pump - by_filter > TOLD_CHI2:
        kind = "filter-clogged"
    elif by_filter - by_pump > TOLD_CHI2:
        kind = "pump-worn"
    return SupplyVerdict(kind, by_filter, by_pump, len(runs))


def _slope(runs: Sequence[WeakZone], course: Sequence[float]) -> float:
    by = [(value, run.missing, run.missing_sd**-2) for value, run in zip(course, runs, strict=True)]
    information = math.fsum(weight * value * value for value, _, weight in by)
    return math.fsum(weight * value * missing for value, missing, weight in by) / information


def _misfit(runs: Sequence[WeakZone], course: Sequence[float]) -> float:
    slope = _slope(runs, course)
    return math.fsum(
        ((run.missing - slope * value) / run.missing_sd) ** 2 for value, run in zip(course, runs, strict=True)
    )


class Against(NamedTuple):
    """One run, as difference from its zone's usual flow, and from that of the zone it may be crossed with."""

    own: float
    other: float
    sd: float


def crossed_log_odds(a: Sequence[Against], b: Sequence[Against], apart: float) -> float | None:
    """Log-odds that two zones have changed places; None unless both flow as the other did, in at least two runs each.

    `apart` is the difference of their usual flows.
    """
    if abs(apart) < LEAST_APART or len(a) < CROSSED_RUNS or len(b) < CROSSED_RUNS:
        return None
    for runs in (a, b):
        mean = math.fsum(run.other for run in runs) / len(runs)
        if abs(mean) > CROSSED_SDS * max(run.sd for run in runs) or abs(mean) > 0.5 * abs(apart):
            return None
    odds = math.fsum((run.own**2 - run.other**2) / (2.0 * run.sd**2) for run in (*a, *b))
    return odds if odds >= CROSSED_LOG_ODDS else None
