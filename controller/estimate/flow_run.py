"""What one watering showed: its steady flow and what it flowed under, gathered from the reports of each second."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

FILLING_MS = 15_000
"""Lines fill and air leaves them before the flow is steady; common practice, no source."""
LEAST_STEADY_S, LEAST_STEADY_L = 20.0, 1.0
"""A shorter steady flow says too little (own choice)."""


@dataclass(frozen=True, slots=True)
class FlowRun:
    """A watering through one zone, with flow.

    mono_ms     when it ended
    steady_l    by the meter, and `steady_s` the time it took, after the line had filled
    battery_v   mean under load while it was steady; `level_mm` the mean level above the floor
    metered_l   of the whole run, and `drop_l` what the tank's level fell meanwhile, with its standard deviation; None
                when rain or a hose ran in or the level was not good
    current_a   mean current of the pump and valve; None without a shunt
    """

    zone_id: str
    mono_ms: int
    steady_l: float
    steady_s: float
    battery_v: float
    level_mm: float
    metered_l: float = 0.0
    drop_l: float | None = None
    drop_sd_l: float = 0.0
    current_a: float | None = None

    @property
    def tells(self) -> bool:
        """Whether the steady flow lasted long enough to be judged."""
        return self.steady_s >= LEAST_STEADY_S and self.steady_l >= LEAST_STEADY_L

    @property
    def flow_l_min(self) -> float:
        return 60.0 * self.steady_l / self.steady_s


class Averages(NamedTuple):
    """What a run's reports come to. Means are None when nothing was read.

    silent_s     for how long the pump ran since the last pulse, or since its start
    battery_v    under load, and `level_mm`: while the flow was steady
    current_a    what the battery gave more than before the pump ran
    """

    pumping_s: float
    silent_s: float
    pulses: int
    steady_pulses: int
    steady_s: float
    battery_v: float | None
    current_a: float | None
    level_mm: float | None


class _Mean:
    __slots__ = ("count", "total")

    def __init__(self) -> None:
        self.total, self.count = 0.0, 0

    def add(self, value: float | None) -> None:
        if value is not None:
            self.total += value
            self.count += 1

    @property
    def value(self) -> float | None:
        return self.total / self.count if self.count else None


class RunSampler:
    """Gathers one run. Call `observe` with every report from the start on, `averages` when it is over."""

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self._began_ms: int | None = None
        self._last_ms = self._flowed_ms = 0
        self._steady_ms: int | None = None
        """When the report came from which on the flow counts as steady."""
        self._pulses = self._steady_pulses = 0
        self._volts, self._amps, self._levels = _Mean(), _Mean(), _Mean()
        self._rest_a: float | None = None

    def observe(
        self,
        mono_ms: int,
        pump_on: bool,
        pulses: int,
        battery_v: float | None,
        level_mm: float | None = None,
        current_a: float | None = None,
    ) -> None:
        """One report: pulses since the one before, and the shunt's current, positive while charging."""
        self._pulses += pulses
        if not pump_on:
            if self._began_ms is None and current_a is not None:
                self._rest_a = current_a
            return
        if self._began_ms is None:
            # Its first report still has the motor's inrush in it.
            self._began_ms = self._flowed_ms = mono_ms
        elif current_a is not None:
            self._amps.add(current_a)
        self._last_ms = mono_ms
        if pulses:
            self._flowed_ms = mono_ms
        if self._steady_ms is not None:
            self._steady_pulses += pulses
            self._volts.add(battery_v)
            self._levels.add(level_mm)
        elif mono_ms - self._began_ms >= FILLING_MS:
            self._steady_ms = mono_ms

    def averages(self) -> Averages | None:
        """What was seen until now; None when the pump never ran."""
        if self._began_ms is None:
            return None
        steady_s = 0.0 if self._steady_ms is None else (self._last_ms - self._steady_ms) / 1000.0
        amps = self._amps.value
        return Averages(
            (self._last_ms - self._began_ms) / 1000.0,
            (self._last_ms - self._flowed_ms) / 1000.0,
            self._pulses,
            self._steady_pulses,
            steady_s,
            self._volts.value,
            None if amps is None or self._rest_a is None else self._rest_a - amps,
            self._levels.value,
        )

    def restarted(self) -> None:
        """The monotonic clock began anew: what was gathered belongs to nothing."""
        self._clear()

    def dump(self) -> dict[str, Any]:
        """The sums as JSON-able data."""
        return {
            "began_ms": self._began_ms,
            "last_ms": self._last_ms,
            "flowed_ms": self._flowed_ms,
            "steady_ms": self._steady_ms,
            "pulses": [self._pulses, self._steady_pulses],
            "rest_a": self._rest_a,
            "means": [[mean.total, mean.count] for mean in (self._volts, self._amps, self._levels)],
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self._began_ms, self._last_ms, self._steady_ms = data["began_ms"], data["last_ms"], data["steady_ms"]
        self._flowed_ms = data["flowed_ms"]
        self._pulses, self._steady_pulses = data["pulses"]
        self._rest_a = data["rest_a"]
        for mean, (total, count) in zip((self._volts, self._amps, self._levels), data["means"], strict=True):
            mean.total, mean.count = total, count
