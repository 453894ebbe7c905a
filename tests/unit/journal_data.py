"""Small made-up steps for tests of the journal and of what is built on it."""

from __future__ import annotations

from typing import Any

from controller.contract import Now, Record, StepResult
from controller.service.codec import Entry
from firmware_host.messages import Outputs

START_WALL_MS = 1_778_736_600_000
"""14 May 2026, 05:30 UTC."""


def line(seq: int, *, pulses: int = 0) -> Entry:
    """One report line of a small board, as the journal keeps it."""
    return "line", (
        f"report {seq} boot=5eed0001 up={1000 * seq} echo0=5831,0,5829 temp0=1150 temp1=- battery=12710 current=-250 "
        f"flow0={pulses} rain=3 wet0=1 pumps=0 valves=0 ack=-1 lease=0 faults=no-flow"
    )


def now_at(second: int, trust: Any = "synchronised") -> Now:
    """The clocks `second` seconds into the story."""
    return Now(1000 * second, START_WALL_MS + 1000 * second, trust)


def result_with(*records: Record, outputs: Outputs | None = None) -> StepResult:
    return StepResult(outputs=outputs or Outputs(), records=records, wake_mono_ms=0)


def measure(level_mm: float) -> Record:
    return Record("measure", "", {"tank.butts.level_mm": level_mm, "battery_v": 12.7})
