"""A pump against a zone, from the water's surface to the last emitter: where they agree.

Tank - pump - filter - feed pipe with its fittings and valve - regulator (if any) - equal lines side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simulator.advise.drip_line import DripLine, LineState, from_far_end, from_inlet
from simulator.advise.friction import pipe_loss_m
from simulator.plant.hydraulics import Filter, PumpCurve

_HALVINGS = 40


@dataclass(frozen=True, slots=True)
class ZonePipes:
    """One zone. `rise_m` is from the tank's floor up to the emitters; `regulated_m` None: no regulator."""

    feed_m: float
    feed_bore_mm: float
    fittings: float
    """Sum of loss coefficients of bends, tees and the valve, in velocity heads of the feed pipe."""
    lines: int
    line: DripLine
    rise_m: float
    regulated_m: float | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A pump that draws from a surface `surface_m` above the tank's floor, through a filter."""

    pump: PumpCurve
    mesh: Filter
    surface_m: float

    def head_m(self, flow_l_min: float) -> float:
        """Head behind the filter, above the tank's floor."""
        return self.surface_m + self.pump.head_m(flow_l_min) - self.mesh.loss_m(flow_l_min)


@dataclass(frozen=True, slots=True)
class ZoneState:
    """What flows: the zone's flow, the pump's head, the loss of the feed, whether the regulator holds, and one line."""

    flow_l_min: float
    pump_m: float
    feed_loss_m: float
    regulating: bool
    line: LineState


def zone_line(zone: ZonePipes, source_m: float) -> LineState:
    """One of a zone's lines when the head before the feed pipe is `source_m` above the tank's floor."""
    if zone.regulated_m is not None:
        held = from_inlet(zone.line, zone.regulated_m)
        if _needed_m(zone, held) <= source_m:
            return held
    # The far end's head settles all the rest, so one search is enough.
    low, high = 0.0, max(0.0, source_m - zone.rise_m)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if _needed_m(zone, from_far_end(zone.line, middle)) < source_m:
            low = middle
        else:
            high = middle
    return from_far_end(zone.line, 0.5 * (low + high))


def _needed_m(zone: ZonePipes, line: LineState) -> float:
    """Head before the feed pipe that a state of the lines takes, above the tank's floor."""
    return zone.rise_m + line.inlet_m + feed_loss_m(zone, zone.lines * line.inflow_l_min)


def together(source: Source, zones: Sequence[ZonePipes]) -> tuple[LineState, ...]:
    """One line of each of some zones that are open at once."""
    low, high = 0.0, source.pump.max_flow_l_min
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        head_m = source.head_m(middle)
        if sum(zone.lines * zone_line(zone, head_m).inflow_l_min for zone in zones) > middle:
            low = middle
        else:
            high = middle
    head_m = source.head_m(0.5 * (low + high))
    return tuple(zone_line(zone, head_m) for zone in zones)


def operate(source: Source, zone: ZonePipes) -> ZoneState:
    """One zone alone."""
    (line,) = together(source, (zone,))
    flow = zone.lines * line.inflow_l_min
    regulating = zone.regulated_m is not None and line.inlet_m > zone.regulated_m - 1e-6
    return ZoneState(flow, source.pump.head_m(flow), feed_loss_m(zone, flow), regulating, line)


def feed_loss_m(zone: ZonePipes, flow_l_min: float) -> float:
    """Friction of the feed pipe and its fittings."""
    return pipe_loss_m(flow_l_min, zone.feed_bore_mm, zone.feed_m, zone.fittings)
