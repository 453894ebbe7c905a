"""The wiring check: what to move, one output at a time, and what each move must show. Pure: no board, no time.

A valve is opened alone first: its read-back must follow, no other may, and nothing may flow. Then the pump runs through
each valve in turn: its read-back must follow, and its meter must count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.site.model import Site
from firmware_host.messages import SHUT, Outputs, Report

VALVE_S = 4.0
PUMP_S = 14.0
"""Opening time, start-up, and long enough for a meter to count."""
REST_S = 3.0
LEAST_PULSES = 3


@dataclass(frozen=True, slots=True)
class Move:
    """One thing to do. `meter` is the flow channel that must count, None when nothing may flow."""

    name: str
    outputs: Outputs
    seconds: float
    meter: int | None
    look: str
    """What the person should see or hear."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Right, or what was wrong in words a person can act on."""

    right: bool
    words: tuple[str, ...]


def moves(site: Site) -> list[Move]:
    """All moves in order; nothing is ever pumped against a shut valve."""
    found = [Move("at rest", SHUT, REST_S, None, "nothing moves")]
    for zone in site.zones:
        valve = Outputs(0, 1 << zone.valve.output)
        look = f"the valve of {zone.name} clicks, no other does"
        found.append(Move(f"valve of {zone.id}", valve, VALVE_S + zone.valve.opening_s, None, look))
    for zone in site.zones:
        pump = site.pump_for_tank(zone.tank_id)
        both = Outputs(1 << pump.output, 1 << zone.valve.output)
        look = f"the pump runs and water comes in {zone.name}, nowhere else"
        seconds = PUMP_S + zone.valve.opening_s
        meter = pump.flow_meter.channel if pump.flow_meter else None
        found.append(Move(f"pump {pump.id} into {zone.id}", both, seconds, meter, look))
    return found


def judge(move: Move, before: Report, reports: Sequence[Report]) -> Outcome:
    """What the reports of one move say, compared with the last report before it."""
    if not reports:
        return Outcome(False, ("no report came while it lasted; check the cable",))
    words: list[str] = []
    last = reports[-1]
    if last.faults:
        words.append(f"the board holds {', '.join(last.faults)}; see docs/faults.md")
    seen_valves = _union(report.valve_open for report in reports)
    seen_pumps = _union(report.pump_on for report in reports)
    words += _compare("valve", move.outputs.valves, seen_valves)
    words += _compare("pump", move.outputs.pumps, seen_pumps)
    counted = {channel: total - before.flow_pulses.get(channel, 0) for channel, total in last.flow_pulses.items()}
    if move.outputs.pumps and move.meter is not None and counted.get(move.meter, 0) < LEAST_PULSES:
        words.append(
            f"meter {move.meter} counted {counted.get(move.meter, 0)} pulses: no water, or the meter's wire is off"
        )
    for channel, pulses in counted.items():
        if pulses >= LEAST_PULSES and not (move.outputs.pumps and channel == move.meter):
            words.append(f"meter {channel} counted {pulses} pulses although its pump should stand still")
    return Outcome(not words, tuple(words))


def _union(masks: Iterable[int]) -> int:
    seen = 0
    for mask in masks:
        seen |= mask
    return seen


def _compare(kind: str, wanted: int, seen: int) -> list[str]:
    words = [f"{kind} output {n} does not follow: check its driver and wire" for n in _bits(wanted & ~seen)]
    return words + [f"{kind} output {n} moved although it should not: outputs crossed?" for n in _bits(seen & ~wanted)]


def _bits(mask: int) -> list[int]:
    return [n for n in range(mask.bit_length()) if mask >> n & 1]
