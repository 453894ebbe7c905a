"""The seven ways in which any sensor goes wrong, done to a healthy reading.

A trouble starts when its sensor is first read after `PlantFaults.sensor` was given it: what is stuck sticks at that
reading.
"""

from __future__ import annotations

from collections import deque
from math import exp
from random import Random

from simulator.plant.faults import PlantFaults, Quantity, SensorTrouble

_LONGEST_ECHO_US = 26_000


class Troubled:
    """One trouble at work on one sensor. All methods take the time and what a healthy sensor would say."""

    def __init__(self, trouble: SensorTrouble, rng: Random) -> None:
        self.trouble = trouble
        self._rng = rng
        self._history: deque[tuple[int, list[int]]] = deque()
        self._lagged: float | None = None
        self._lagged_ms = 0
        self._counted: float | None = None

    def burst_us(self, now_ms: int, healthy: list[int], us_per_mm: float) -> list[int]:
        """A ranger's burst; "wrong" adds `amount` millimetres."""
        kind, amount = self.trouble.kind, self.trouble.amount
        if kind == "off":
            return [0] * len(healthy)
        if kind == "garbage":
            return [int(_LONGEST_ECHO_US * self._rng.random()) for _ in healthy]
        if kind == "intermittent":
            return [0] * len(healthy) if self._rng.random() < amount else healthy
        if kind == "wrong":
            return [ping and max(1, ping + round(amount * us_per_mm)) for ping in healthy]
        if kind == "slow":
            return self._lag_burst(now_ms, healthy)
        earlier = self._earlier(now_ms, healthy)
        return (earlier * len(healthy))[: len(healthy)]

    def _lag_burst(self, now_ms: int, healthy: list[int]) -> list[int]:
        heard = sorted(ping for ping in healthy if ping)
        if not heard:
            return healthy
        middle = heard[len(heard) // 2]
        late = round(self._lag(now_ms, middle)) - middle
        return [ping and max(1, ping + late) for ping in healthy]

    def value(self, now_ms: int, healthy: int, unit: float, garbage: tuple[int, int]) -> int | None:
        """A temperature or voltage in whole steps; "wrong" adds `amount` units of `unit` steps each."""
        kind, amount = self.trouble.kind, self.trouble.amount
        if kind == "off" or (kind == "intermittent" and self._rng.random() < amount):
            return None
        if kind == "garbage":
            return self._rng.randint(*garbage)
        if kind == "wrong":
            return healthy + round(amount * unit)
        if kind == "slow":
            return round(self._lag(now_ms, healthy))
        return healthy if kind == "intermittent" else self._earlier(now_ms, [healthy])[0]

    def counted(self, now_ms: int, healthy: float) -> float:
        """What a counter adds since the last read; it never goes back.

        "off" and "stuck" add nothing; "wrong" counts `amount` times as much; "intermittent" misses the part `amount` of
        the reads' steps; "garbage" adds up to `amount` counts at each read.
        """
        kind, amount = self.trouble.kind, self.trouble.amount
        shown = healthy
        if kind == "slow":
            shown = self._lag(now_ms, healthy)
        elif kind == "delayed":
            shown = self._earlier(now_ms, [int(healthy)])[0]
        step = 0.0 if self._counted is None else shown - self._counted
        self._counted = shown
        if kind in ("off", "stuck") or (kind == "intermittent" and self._rng.random() < amount):
            return 0.0
        if kind == "garbage":
            return step + amount * self._rng.random()
        return amount * step if kind == "wrong" else step

    def _lag(self, now_ms: int, healthy: float) -> float:
        """First-order lag of `amount` seconds."""
        if self._lagged is None:
            self._lagged = healthy
        else:
            part = exp(-(now_ms - self._lagged_ms) / (1000.0 * self.trouble.amount))
            self._lagged = healthy + (self._lagged - healthy) * part
        self._lagged_ms = now_ms
        return self._lagged

    def _earlier(self, now_ms: int, healthy: list[int]) -> list[int]:
        """The reading of `amount` seconds ago, or the first since the trouble began; stuck: always the first."""
        history = self._history
        if self.trouble.kind == "stuck" and history:
            return history[0][1]
        history.append((now_ms, healthy))
        until_ms = now_ms - 1000.0 * self.trouble.amount
        while len(history) > 1 and history[1][0] <= until_ms:
            history.popleft()
        return history[0][1]


class Troubles:
    """The troubles at work on all sensors; each begins anew when it is given anew."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._working: dict[tuple[Quantity, int], Troubled] = {}
        self._count_error: dict[tuple[Quantity, int], float] = {}
        self._count_seen: dict[tuple[Quantity, int], float] = {}

    def of(self, faults: PlantFaults, quantity: Quantity, channel: int = 0) -> Troubled | None:
        """The trouble of a sensor, None when it is sound."""
        key = quantity, channel
        trouble = faults.sensor.get(key)
        if trouble is None:
            self._working.pop(key, None)
            return None
        working = self._working.get(key)
        if working is None or working.trouble is not trouble:
            working = self._working[key] = Troubled(trouble, self._rng)
        return working

    def count(self, faults: PlantFaults, quantity: Quantity, channel: int, healthy: float, now_ms: int) -> float:
        """What a counter shows; what it missed or made up stays so after the trouble is over."""
        key = quantity, channel
        troubled = self.of(faults, quantity, channel)
        if troubled is not None:
            before = self._count_seen.get(key, healthy)
            self._count_error[key] = (
                self._count_error.get(key, 0.0) + troubled.counted(now_ms, healthy) - (healthy - before)
            )
        self._count_seen[key] = healthy
        return healthy + self._count_error.get(key, 0.0)
