"""What one watering tells of pump, filter, meter and zone: gathered second by second, judged at its end.

The levels before the pump starts and after it has stopped are taken from the echoes themselves, for the filtered volume
believes the meter, which is what is on trial.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from controller.estimate.apparent import apparent_volume
from controller.estimate.flow import FlowWatch
from controller.estimate.flow_run import FlowRun, RunSampler
from controller.estimate.no_flow import SilentRun
from controller.site.geometry import LevelTable
from controller.site.model import Tank

SILENT_S = 4.0
"""A run that ends after so long without a pulse was silent; the board ends it at 5 s or 15 s."""
LEVEL_SD_MM = 10.0
"""How sure a level is against the suction's height (own choice)."""
LEAST_BURSTS = 2
"""A run that is ready at once has no more of them before it."""
LEAST_SD_L, LEAST_BURST_SD_L = 0.3, 0.8
"""A mean of bursts is no surer than the first: waves, and the air on the way; nor a single burst than the second,
however near two of them are by chance (own choice)."""


class _Volumes:
    """Mean and scatter of apparent volumes."""

    __slots__ = ("count", "square", "total")

    def __init__(self) -> None:
        self.count, self.total, self.square = 0, 0.0, 0.0

    def add(self, volume_l: float) -> None:
        self.count += 1
        self.total += volume_l
        self.square += volume_l * volume_l

    @property
    def mean_l(self) -> float:
        return self.total / self.count

    @property
    def sd_l(self) -> float:
        """Standard deviation of the mean."""
        variance = max(LEAST_BURST_SD_L**2, self.square / self.count - self.mean_l**2) / self.count
        return max(LEAST_SD_L, math.sqrt(variance))


class RunTrace:
    """One watering of one zone from its first report to its end; `dump` and `load` round-trip."""

    def __init__(self, zone_id: str, tank: Tank, table: LevelTable) -> None:
        self.zone_id, self.tank, self._table = zone_id, tank, table
        self._sampler = RunSampler()
        self._before, self._after = _Volumes(), _Volumes()
        self._pumped = False
        self._wet_from_above = False

    def observe(
        self,
        mono_ms: int,
        pump_on: bool,
        pulses: int,
        battery_v: float | None,
        level_mm: float | None,
        current_a: float | None,
        raining: bool,
    ) -> None:
        """One report; pulses since the one before."""
        self._sampler.observe(mono_ms, pump_on, pulses, battery_v, level_mm, current_a)
        self._pumped |= pump_on
        self._wet_from_above |= raining

    def look(self, burst_us: Sequence[int], probe_c: float | None, level_mm: float | None) -> None:
        """A burst while the pump stands still: then alone the surface is calm."""
        if probe_c is None or level_mm is None:
            return
        seen = apparent_volume(self.tank, self._table, burst_us, probe_c, level_mm)
        if seen is not None:
            (self._after if self._pumped else self._before).add(seen.volume_l)

    def _drop(self) -> tuple[float | None, float]:
        """What the tank fell by, with its sd; None where that is not known."""
        enough = self._before.count >= LEAST_BURSTS and self._after.count >= LEAST_BURSTS
        if not enough or self._wet_from_above:
            return None, 0.0
        return self._before.mean_l - self._after.mean_l, math.hypot(self._before.sd_l, self._after.sd_l)

    def judge(
        self, watch: FlowWatch, mono_ms: int, pulses_per_l: float, level_mm: float | None, float_dry: bool | None
    ) -> None:
        """The run is over: hand it to the pump's watch."""
        seen = self._sampler.averages()
        if seen is None:
            return
        metered_l = seen.pulses / pulses_per_l
        drop_l, drop_sd_l = self._drop()
        if seen.silent_s >= SILENT_S:
            uncounted_l = None if drop_l is None else drop_l - metered_l
            watch.take_silent(
                SilentRun(
                    self.zone_id,
                    mono_ms,
                    seen.silent_s,
                    level_mm,
                    LEVEL_SD_MM,
                    uncounted_l,
                    drop_sd_l,
                    float_dry,
                    seen.current_a,
                )
            )
        elif seen.battery_v is not None and seen.level_mm is not None and seen.steady_s > 0.0:
            watch.take(
                FlowRun(
                    self.zone_id,
                    mono_ms,
                    seen.steady_pulses / pulses_per_l,
                    seen.steady_s,
                    seen.battery_v,
                    seen.level_mm,
                    metered_l,
                    drop_l,
                    drop_sd_l,
                    seen.current_a,
                )
            )

    def dump(self) -> dict[str, Any]:
        """The run so far as JSON-able data."""
        return {
            "zone_id": self.zone_id,
            "sampler": self._sampler.dump(),
            "volumes": [[v.count, v.total, v.square] for v in (self._before, self._after)],
            "pumped": self._pumped,
            "wet_from_above": self._wet_from_above,
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self._sampler.load(data["sampler"])
        for volumes, (count, total, square) in zip((self._before, self._after), data["volumes"], strict=True):
            volumes.count, volumes.total, volumes.square = count, total, square
        self._pumped, self._wet_from_above = data["pumped"], data["wet_from_above"]
