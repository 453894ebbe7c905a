"""What a zone's flow should be: learned from its first good runs, for whatever voltage and level there is.

A pump's head goes with the square of its speed, and its speed with the voltage (affinity laws); the lift is less the
higher the tank stands. Curve, pipes, filter and emitters lose head with about the square of the flow. So

    H0 s^2 - lift = flow^2 * (all losses),    flow = C * drive,    drive = sqrt(s^2 - lift / H0)

until the zone's pressure regulator holds the flow. The drive at which that happens cannot be seen from a few runs:
each of a row of such kinks is kept with its own reference and weighed by how well it explains what came since.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from typing import Any, NamedTuple

REFERENCE_V = 12.6
"""Voltage at which the speed is 1; any would do, since C is learned."""
EMITTERS_ABOVE_OVERFLOW_M = 0.5
"""How high the water is lifted above the overflow, losses of the suction with it; own choice, a metre is a per cent."""
LEAST_DRIVE2 = 0.05
LEARN_RUNS = 6
"""Good runs that the reference is the median of (own choice: one odd run, or two, must not become the reference)."""
LEAST_KINK, KINK_STEP, KINKS = 0.86, 0.01, 29
_LOG_KINKS = tuple(math.log(LEAST_KINK + KINK_STEP * number) for number in range(KINKS))
LEVEL_GAIN = 0.15
"""By which part of its surprise each run moves the zone's present level, so that slow wear is not taken for a kink."""
MEMORY = 0.98
PRIOR_SD, PRIOR_RUNS, LEAST_SD = 0.02, 6.0, 0.01
"""Scatter of a run's flow before any was seen, how many runs that counts for, and the least that is believed: turbine
meters repeat within about 1 % (common practice, no source)."""
LARGEST_SDS = 3.0
"""A greater surprise counts as this one."""


def speed2(battery_v: float) -> float:
    """Square of the pump's speed, 1 at the reference voltage."""
    return (battery_v / REFERENCE_V) ** 2


def lift_part(max_head_m: float, overflow_mm: float, level_mm: float) -> float:
    """Lift from the water's surface to the emitters, in parts of the pump's greatest head."""
    return ((overflow_mm - level_mm) / 1000.0 + EMITTERS_ABOVE_OVERFLOW_M) / max_head_m


def drive(speed2_: float, lift: float) -> float:
    """What the flow of an unregulated zone goes with."""
    return math.sqrt(max(LEAST_DRIVE2, speed2_ - lift))


_Sums = tuple[float, list[float], list[float]]


class Expected(NamedTuple):
    """Logarithm of the flow (L/min) that is usual at a drive, and its standard deviation (a run's scatter apart)."""

    log_flow: float
    sd: float


class FlowBaseline:
    """One zone's reference. Flows are logarithms of L/min, drives logarithms as well: differences are parts."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Learn anew."""
        self._first: list[tuple[float, float]] = []
        self._references: list[float] = []
        self._levels: list[float] = []
        self._misfits = [0.0] * KINKS
        self._squares, self._runs = PRIOR_RUNS * PRIOR_SD**2, PRIOR_RUNS
        self._know_nothing()

    def _know_nothing(self) -> None:
        """What is worked out from the memory is kept from run to run: in a run it is asked for at every report."""
        self._known_weights: list[float] | None = None
        self._known_sums: _Sums | None = None

    @property
    def learned(self) -> bool:
        """Whether there is a reference."""
        return bool(self._references)

    @property
    def runs_learned(self) -> int:
        """Good runs gathered towards the reference; all of them once it stands."""
        return LEARN_RUNS if self._references else len(self._first)

    @property
    def scatter(self) -> float:
        """Standard deviation of a run's flow, as a part of it."""
        return max(LEAST_SD, math.sqrt(self._squares / self._runs))

    def set_reference(self, log_drive: float, log_flow: float) -> None:
        """Take one measured flow for the reference, in place of first runs."""
        self.forget()
        self._take_reference([(log_drive, log_flow)])

    def learn(self, log_drive: float, log_flow: float) -> None:
        """Take one of the first runs."""
        self._first.append((log_drive, log_flow))
        if len(self._first) == LEARN_RUNS:
            self._take_reference(self._first)
            self._first = []

    def _take_reference(self, runs: list[tuple[float, float]]) -> None:
        half = len(runs) // 2
        for log_kink in _LOG_KINKS:
            ordered = sorted(flow - min(0.0, drive_ - log_kink) for drive_, flow in runs)
            self._references.append((ordered[half] + ordered[~half]) / 2.0)
        self._levels = list(self._references)
        for log_drive, log_flow in runs:
            square = self._weigh(log_drive, log_flow, 0.0)
            if len(runs) > 1:
                self._count(square)

    def follow(self, log_drive: float, log_flow: float) -> None:
        """Learn from a run that is nothing unusual where the kink is and how runs scatter; the reference stands."""
        self._count(self._weigh(log_drive, log_flow, LEVEL_GAIN))

    def _count(self, square: float) -> None:
        self._know_nothing()
        self._squares = MEMORY * self._squares + min(square, (LARGEST_SDS * self.scatter) ** 2)
        self._runs = MEMORY * self._runs + 1.0

    def _weigh(self, log_drive: float, log_flow: float, gain: float) -> float:
        """Weigh the kinks by a run; returns the squared surprise of the likeliest."""
        self._know_nothing()
        largest = (LARGEST_SDS * self.scatter) ** 2
        levels, misfits = self._levels, self._misfits
        best = min(range(KINKS), key=misfits.__getitem__)
        surprise_of_best = 0.0
        for index, log_kink in enumerate(_LOG_KINKS):
            surprise = log_flow - min(0.0, log_drive - log_kink) - levels[index]
            misfits[index] = MEMORY * misfits[index] + min(surprise * surprise, largest)
            levels[index] += gain * surprise
            if index == best:
                surprise_of_best = surprise
        return surprise_of_best**2

    def _weights(self) -> list[float]:
        if self._known_weights is None:
            self._known_weights = self._worked_out_weights()
        return self._known_weights

    def _worked_out_weights(self) -> list[float]:
        least, scale = min(self._misfits), 2.0 * self.scatter**2
        weights = [math.exp((least - misfit) / scale) for misfit in self._misfits]
        total = math.fsum(weights)
        return [weight / total for weight in weights]

    def usual_log_flow(self, log_drive: float) -> float:
        """The usual flow alone, as `expected` has it; quick, since it is straight between two kinks."""
        if self._known_sums is None:
            self._known_sums = _sums(self._weights(), self._references)
        mean, weight_above, kink_above = self._known_sums
        first = bisect_right(_LOG_KINKS, log_drive)
        return mean + log_drive * weight_above[first] - kink_above[first]

    def expected(self, log_drive: float) -> Expected:
        """The usual flow at a drive, over all kinks by their weight. Only once `learned`."""
        flows = [
            reference + min(0.0, log_drive - log_kink)
            for reference, log_kink in zip(self._references, _LOG_KINKS, strict=True)
        ]
        return _mean(flows, self._weights(), self.scatter**2 / LEARN_RUNS)

    def unregulated(self) -> Expected:
        """Logarithm of C, the flow at a drive of 1 were there no regulator. Only once `learned`."""
        flows = [reference - log_kink for reference, log_kink in zip(self._references, _LOG_KINKS, strict=True)]
        return _mean(flows, self._weights(), self.scatter**2 / LEARN_RUNS)

    def dump(self) -> dict[str, Any]:
        """The memory as JSON-able data."""
        return {
            "first": [list(run) for run in self._first],
            "references": list(self._references),
            "levels": list(self._levels),
            "misfits": list(self._misfits),
            "squares": self._squares,
            "runs": self._runs,
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self._first = [(log_drive, log_flow) for log_drive, log_flow in data["first"]]
        self._references, self._levels = list(data["references"]), list(data["levels"])
        self._misfits = list(data["misfits"])
        self._squares, self._runs = data["squares"], data["runs"]
        self._know_nothing()


def _sums(weights: list[float], references: list[float]) -> _Sums:
    """The mean reference; of the kinks from each one on, the weight, and the weighted sum."""
    mean = math.fsum(weight * reference for weight, reference in zip(weights, references, strict=True))
    kinks = [weight * log_kink for weight, log_kink in zip(weights, _LOG_KINKS, strict=True)]
    above = range(KINKS + 1)
    return mean, [math.fsum(weights[n:]) for n in above], [math.fsum(kinks[n:]) for n in above]


def _mean(flows: list[float], weights: list[float], variance: float) -> Expected:
    mean = math.fsum(weight * flow for weight, flow in zip(weights, flows, strict=True))
    spread = math.fsum(weight * (flow - mean) ** 2 for weight, flow in zip(weights, flows, strict=True))
    return Expected(mean, math.sqrt(spread + variance))
