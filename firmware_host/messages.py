"""Typed host-side view of what the board says. Pure data; `firmware_host.wire` holds the line format itself.

A value of None means "fitted, but the reading is bad"; a channel missing from a mapping means "not fitted".
Totals (pulses, tips) are cumulative since the board's boot, so a lost line costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

ResetCause = Literal["power", "watchdog", "brownout", "soft", "unknown"]


@dataclass(frozen=True, slots=True)
class Fitted:
    """How many of each part the board has been told are fitted."""

    echo: int
    temperature: int
    flow: int
    float_switch: int
    pump: int
    valve: int
    rain: bool
    shunt: bool
    panel: bool


@dataclass(frozen=True, slots=True)
class Lifetime:
    """What a board has counted in its whole life, modulo 2^32, up to an hour short after a power cut.

    boots             this one included
    cause_before      why the boot before this one began
    pulses[channel]   of each flow meter
    rain_tips         None without a rain gauge
    """

    boots: int
    cause_before: ResetCause
    pulses: dict[int, int]
    rain_tips: int | None


@dataclass(frozen=True, slots=True)
class Hello:
    """The board's introduction, sent at boot and when asked.

    heard_seq   highest sequence number heard from any host since boot, -1 before the first
    who_seq     sequence number of the question this answers, -1 when the board spoke by itself
    lifetime    None from a board that keeps no such record
    """

    seq: int
    boot_id: str
    board_id: str
    protocol: int
    firmware: str
    reset_cause: ResetCause
    uptime_ms: int
    fitted: Fitted
    heard_seq: int = -1
    who_seq: int = -1
    lifetime: Lifetime | None = None


class Report(NamedTuple):
    """One report line. A named tuple, because there is one for every second of watering and building it must be cheap.

    echo_us[channel]        raw round-trip times of one burst, microseconds; 0 = no echo heard, () = no burst
    temperature_c[channel]  channel 0 is the air in the tank's headspace or the pump house, as wired
    pump_on, valve_open     bit masks read back from the output pins, bit n = output n
    acked_seq               sequence number of the last accepted host line, -1 before the first
    faults                  stable ids of what the board has latched or sees now, see docs/faults.md
    soil_v[channel]         voltage of a soil probe
    """

    seq: int
    boot_id: str
    uptime_ms: int
    echo_us: dict[int, tuple[int, ...]]
    temperature_c: dict[int, float | None]
    battery_v: float | None
    panel_v: float | None
    current_a: float | None
    flow_pulses: dict[int, int]
    rain_tips: int | None
    float_wet: dict[int, bool]
    pump_on: int
    valve_open: int
    acked_seq: int
    lease_ms: int
    faults: tuple[str, ...]
    soil_v: dict[int, float | None]


@dataclass(frozen=True, slots=True)
class Ack:
    """The board's answer to a command that changed something or was refused. `refusal` is empty when accepted."""

    seq: int
    boot_id: str
    uptime_ms: int
    acked_seq: int
    refusal: str


BoardMessage = Hello | Report | Ack


@dataclass(frozen=True, slots=True)
class Outputs:
    """The outputs the host wants now, as bit masks. All zero is the safe state."""

    pumps: int = 0
    valves: int = 0

    @property
    def any_on(self) -> bool:
        return bool(self.pumps or self.valves)


SHUT = Outputs()
