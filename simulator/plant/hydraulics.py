"""Pump, pipe and emitters: what flows when a pump works against open zones.

Heads in metres of water, flows in litres per minute. Pipe friction is Hazen-Williams with the roughness of small
plastic tube (C = 140, which comes nearest to Darcy-Weisbach in these sizes); emitters follow q = k h^x.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

TUBE_ROUGHNESS_C = 140.0
_HALVINGS = 40


def friction_m(
    flow_l_min: float, inner_diameter_mm: float, length_m: float, roughness_c: float = TUBE_ROUGHNESS_C
) -> float:
    """Hazen-Williams head loss: hf = 10.67 L Q^1.852 / (C^1.852 D^4.8704), SI units."""
    flow_m3_s = flow_l_min / 60_000.0
    loss: float = 10.67 * length_m * (flow_m3_s / roughness_c) ** 1.852 / (inner_diameter_mm / 1000.0) ** 4.8704
    return loss


@dataclass(frozen=True, slots=True)
class PumpCurve:
    """Parabola from `max_head_m` at no flow to no head at `max_flow_l_min`, at rated voltage."""

    max_flow_l_min: float
    max_head_m: float

    def head_m(self, flow_l_min: float, speed: float = 1.0) -> float:
        """Head at a flow; flow goes with the speed and head with its square (affinity laws)."""
        return self.max_head_m * (speed * speed - (flow_l_min / self.max_flow_l_min) ** 2)

    def worn(self, part: float) -> PumpCurve:
        """The curve when a part of flow and head alike is gone."""
        left = max(1e-6, 1.0 - part)
        return PumpCurve(self.max_flow_l_min * left, self.max_head_m * left)


@dataclass(frozen=True, slots=True)
class Pipe:
    inner_diameter_mm: float
    length_m: float

    def loss_m(self, flow_l_min: float) -> float:
        return friction_m(flow_l_min, self.inner_diameter_mm, self.length_m)


@dataclass(frozen=True, slots=True)
class Filter:
    """A mesh filter whose clean loss is `clean_m` at `at_flow_l_min`."""

    clean_m: float
    at_flow_l_min: float

    def loss_m(self, flow_l_min: float, clogged: float = 0.0) -> float:
        """Loss as through orifices: with the square of the flow over the open area.

        `clogged` is the part of each hole's width that is coated, so the area goes with the square of what is left and
        the loss with its fourth power; a mesh coated shut lets nothing through (infinite loss of any flow).
        """
        if flow_l_min <= 0.0:
            return 0.0
        if clogged >= 1.0:
            return inf
        return self.clean_m * (flow_l_min / (self.at_flow_l_min * (1.0 - clogged) ** 2)) ** 2


NO_FILTER = Filter(0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Branch:
    """A zone: its supply tube, a pressure regulator, and its emitters together as q = k h^x."""

    pipe: Pipe
    coefficient: float
    exponent: float
    regulated_head_m: float

    def emitter_head_m(self, flow_l_min: float) -> float:
        head: float = (flow_l_min / self.coefficient) ** (1.0 / self.exponent)
        return head

    @property
    def regulated_flow_l_min(self) -> float:
        """Flow when the regulator has all the head it wants: the most the zone takes."""
        flow: float = self.coefficient * self.regulated_head_m**self.exponent
        return flow

    def flow_l_min(self, manifold_head_m: float) -> float:
        """Flow under a head at the zone's valve."""
        if manifold_head_m <= 0.0 or self.coefficient <= 0.0:
            return 0.0
        most = self.regulated_flow_l_min
        if self.pipe.loss_m(most) + self.regulated_head_m <= manifold_head_m:
            return most
        low, high = 0.0, most
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            if self.pipe.loss_m(middle) + self.emitter_head_m(middle) < manifold_head_m:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


def operating_flows(
    pump: PumpCurve,
    speed: float,
    lift_m: float,
    trunk: Pipe,
    branches: Sequence[Branch],
    mesh: Filter = NO_FILTER,
    clogged: float = 0.0,
) -> tuple[float, ...]:
    """Flow of each open branch where pump and pipes agree; all zero when the pump cannot lift the water."""
    full = tuple(branch.regulated_flow_l_min for branch in branches)

    def head_left(flow: float) -> float:
        return pump.head_m(flow, speed) - lift_m - trunk.loss_m(flow) - mesh.loss_m(flow, clogged)

    head_at_full = head_left(sum(full))
    if all(b.regulated_head_m + b.pipe.loss_m(q) <= head_at_full for b, q in zip(branches, full, strict=True)):
        return full
    low, high = 0.0, min(sum(full), pump.max_flow_l_min * speed)
    if head_left(0.0) <= 0.0:
        return (0.0,) * len(full)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        head = head_left(middle)
        if sum(branch.flow_l_min(head) for branch in branches) > middle:
            low = middle
        else:
            high = middle
    head = head_left(0.5 * (low + high))
    return tuple(branch.flow_l_min(head) for branch in branches)
