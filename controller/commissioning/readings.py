"""What the board reads, as a commissioning step sees it, and plain averages of it."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from controller.core.sensing import AIR_CHANNEL
from controller.estimate.sound import distance_mm, headspace_speed_m_s

ASSUMED_AIR_C = 15.0
"""Where no thermometer answers: 10 degrees beside it move a metre by 18 mm."""


@dataclass(frozen=True, slots=True)
class Readings:
    """One answer to the question `readings`, see docs/mqtt.md. Channels are keys; None is a bad reading."""

    age_s: float
    board: str
    firmware: str
    boot: str
    up_s: float
    fitted: dict[str, int]
    echo_us: dict[int, tuple[int, ...]]
    temperature_c: dict[int, float | None]
    battery_v: float | None
    panel_v: float | None
    current_a: float | None
    flow_pulses: dict[int, int]
    rain_tips: int | None
    float_wet: dict[int, bool]
    soil_v: dict[int, float | None]
    pumps_on: int
    valves_open: int
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """A value over some readings; `spread` is from the lowest to the highest, pings without echo left out."""

    value: float
    spread: float
    count: int


def air_c(readings: Sequence[Readings]) -> float | None:
    """Mean air temperature; None when no reading was good."""
    known = [value for r in readings if (value := r.temperature_c.get(AIR_CHANNEL)) is not None]
    return statistics.fmean(known) if known else None


def echo_distance_mm(readings: Sequence[Readings], channel: int) -> Measured | None:
    """Distance from a ranger's face to what it hears: median of all echoes; None when fewer than half were heard."""
    pings = [us for r in readings for us in r.echo_us.get(channel, ())]
    heard = [us for us in pings if us > 0]
    if not pings or 2 * len(heard) < len(pings):
        return None
    temperature_c = air_c(readings)
    speed_m_s = headspace_speed_m_s(ASSUMED_AIR_C if temperature_c is None else temperature_c)
    ordered = sorted(heard)
    # A tenth at each end is left out: the odd echo of a wave or a wall says nothing of how still the water is.
    core = ordered[len(ordered) // 10 : len(ordered) - len(ordered) // 10]
    spread_mm = distance_mm(core[-1] - core[0], speed_m_s)
    return Measured(distance_mm(statistics.median(ordered), speed_m_s), spread_mm, len(heard))


def battery_v(readings: Sequence[Readings]) -> Measured | None:
    """Mean battery voltage; None when no reading was good."""
    known = [r.battery_v for r in readings if r.battery_v is not None]
    return Measured(statistics.fmean(known), max(known) - min(known), len(known)) if known else None


def current_a(readings: Sequence[Readings]) -> float | None:
    """Mean battery current; None without a shunt."""
    known = [r.current_a for r in readings if r.current_a is not None]
    return statistics.fmean(known) if known else None


def pulses_between(before: Readings, after: Readings) -> dict[int, int] | None:
    """What each meter counted between two readings; None when the board started anew in between."""
    if before.boot != after.boot:
        return None
    return {channel: total - before.flow_pulses.get(channel, 0) for channel, total in after.flow_pulses.items()}


def outputs_in(mask: int) -> list[int]:
    """Numbers of the outputs in a mask."""
    return [n for n in range(mask.bit_length()) if mask >> n & 1]
