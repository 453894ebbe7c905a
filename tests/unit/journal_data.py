"""Small made-up steps for tests of the journal and of what is built on it."""

from __future__ import annotations

from typing import Any

from controller.contract import Now, Record, StepResult
from firmware_host.messages import Outputs, Report

START_WALL_MS = 1_778_736_600_000
"""14 May 2026, 05:30 UTC."""


def report(seq: int, *, pulses: int = 0) -> Report:
    """One report line of a small board."""
    return Report(
        seq=seq,
        boot_id="5eed0001",
        uptime_ms=1000 * seq,
        echo_us={0: (5831, 0, 5829)},
        temperature_c={0: 11.5, 1: None},
        battery_v=12.71,
        panel_v=None,
        current_a=-0.25,
        flow_pulses={0: pulses},
        rain_tips=3,
        float_wet={0: True},
        pump_on=0,
        valve_open=0,
        acked_seq=-1,
        lease_ms=0,
        faults=("no-flow",),
    )


def now_at(second: int, trust: Any = "synchronised") -> Now:
    """The clocks `second` seconds into the story."""
    return Now(1000 * second, START_WALL_MS + 1000 * second, trust)


def result_with(*records: Record, outputs: Outputs | None = None) -> StepResult:
    return StepResult(outputs=outputs or Outputs(), records=records, wake_mono_ms=0)


def measure(level_mm: float) -> Record:
    return Record("measure", "", {"tank.butts.level_mm": level_mm, "battery_v": 12.7})
