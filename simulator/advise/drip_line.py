"""A line with emitters: head and flow at every one of them. Metres of water, litres per minute.

Solved from the far end: given the head at the last emitter, its flow, the friction of the stretch before it and so the
head at the one before follow one after another; the far head that gives the inlet its head is found by halving.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from simulator.advise.friction import pipe_loss_m

_HALVINGS = 50
ALLOWED_FLOW_PART = 0.10
"""Difference of flow along a line that is usually allowed (20 % of head at an exponent of 0.5; common practice)."""


@dataclass(frozen=True, slots=True)
class Emitter:
    """q = k h^x, so that it gives `rate_l_min` at `nominal_m`; x is 0.5 for a plain turbulent one, near 0 for one that
    compensates pressure."""

    rate_l_min: float
    nominal_m: float
    exponent: float

    def flow_l_min(self, head_m: float) -> float:
        """Flow at a head; none below nothing."""
        if head_m <= 0.0:
            return 0.0
        flow: float = self.rate_l_min * (head_m / self.nominal_m) ** self.exponent
        return flow


@dataclass(frozen=True, slots=True)
class DripLine:
    """Evenly spaced emitters on a level line, the first one spacing from the inlet."""

    emitter: Emitter
    emitters: int
    spacing_m: float
    bore_mm: float


@dataclass(frozen=True, slots=True)
class LineState:
    """Heads and flows at the emitters, the inlet's neighbour first; `inlet_m` and `inflow_l_min` at the inlet."""

    heads_m: tuple[float, ...]
    flows_l_min: tuple[float, ...]
    inlet_m: float
    inflow_l_min: float

    @property
    def flow_variation(self) -> float:
        """(largest - smallest) / largest flow; 0 when nothing flows."""
        most = max(self.flows_l_min)
        return (most - min(self.flows_l_min)) / most if most > 0.0 else 0.0

    def emission_uniformity(self, variation: float, emitters_per_plant: float = 1.0) -> float:
        """Design emission uniformity, per cent: 100 (1 - 1.27 CV / sqrt(n)) qmin / qavg (ASABE EP405, second-hand)."""
        mean = sum(self.flows_l_min) / len(self.flows_l_min)
        if mean <= 0.0:
            return 0.0
        made = 1.0 - 1.27 * variation / sqrt(emitters_per_plant)
        return 100.0 * made * min(self.flows_l_min) / mean


def from_far_end(line: DripLine, far_m: float) -> LineState:
    """The line whose last emitter has a head."""
    heads, flows = [far_m], [line.emitter.flow_l_min(far_m)]
    passing = flows[0]
    head = far_m + pipe_loss_m(passing, line.bore_mm, line.spacing_m)
    for _ in range(line.emitters - 1):
        heads.append(head)
        flows.append(line.emitter.flow_l_min(head))
        passing += flows[-1]
        head += pipe_loss_m(passing, line.bore_mm, line.spacing_m)
    return LineState(tuple(reversed(heads)), tuple(reversed(flows)), head, passing)


def from_inlet(line: DripLine, inlet_m: float) -> LineState:
    """The line with a head at its inlet (nothing flows at or below none)."""
    low, high = 0.0, max(0.0, inlet_m)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if from_far_end(line, middle).inlet_m < inlet_m:
            low = middle
        else:
            high = middle
    return from_far_end(line, 0.5 * (low + high))


def longest_line(line: DripLine, inlet_m: float, most_emitters: int = 2000) -> int:
    """How many emitters at this spacing a line may have with a head at its inlet before its flows differ by more than
    `ALLOWED_FLOW_PART`; 1 at least, `most_emitters` at most."""
    low, high = 1, most_emitters + 1
    while high - low > 1:
        middle = (low + high) // 2
        longer = DripLine(line.emitter, middle, line.spacing_m, line.bore_mm)
        if from_inlet(longer, inlet_m).flow_variation <= ALLOWED_FLOW_PART:
            low = middle
        else:
            high = middle
    return low
