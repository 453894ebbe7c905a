"""An ultrasonic ranger above a tank: how long its pings take, and what goes wrong with them.

Most bursts are ordinary and cost one random number, see `Ranger`. The rest are worked out ping by ping: drops on the
face swallow pings, a ladder's rung or a joint of the wall answers for minutes, running water makes waves. Sizes and
odds are own choices after the habits of waterproof 40 kHz modules; no source.
"""

from __future__ import annotations

from math import pi, sin, sqrt, tanh
from random import Random

from controller.site.model import Tank
from simulator.plant.headspace import Headspace
from simulator.plant.tank import TankWater

_NOISE_TABLE = 4096
_BAND_MM = 250.0
_NOISE_MM, _NOISE_MM_PER_M = 0.8, 0.5
_US_PER_MM = 5.83
_MISSED_WAVE_US = 25
_MISSED_PART, _MISSED_PART_PER_M2, _MISSED_PART_DAMP = 0.01, 0.03, 0.3
_LOST_PART, _LOST_PART_PER_M2 = 0.008, 0.010
_STRAY_PART = 0.004
_LONGEST_ECHO_US = 26_000
_HOUR_MS = 3_600_000
_QUIET_MS, _CLUSTER_MS, _SHORTEST_CLUSTER_MS = 96 * _HOUR_MS, 480_000, 60_000
_PROUD_MM = 30.0
_PING_GAP_S = 0.06
_WAVE_MM = 1.2
_WAVE_L_MIN = 10.0
_WAVE_TABLE = 256
_GRAVITY_M_S2 = 9.81
_FIRST_SLOSH = 1.841

Ping = int | None


class Ranger:
    """Times of pings in whole microseconds, 0 for none heard.

    What luck does to the pings of an ordinary burst stands in a table for each 250 mm of distance, a burst being a run
    of it from a random place. That costs one random number for a burst instead of several for each ping. Two bursts
    have pings in common only when their places are nearer than a burst is long, about one pair in three hundred.
    """

    def __init__(self, tank: Tank, water: TankWater, headspace: Headspace, name: str, face_sd_mm: float = 2.0) -> None:
        """`name` seeds it; `face_sd_mm` is how well its owner has measured where the face sits."""
        rng = Random(name)
        self._name = name
        self._water, self._headspace = water, headspace
        self._random, self._gauss = rng.random, rng.gauss
        self.face_mm = tank.sensor_height_mm + rng.gauss(0.0, face_sd_mm)
        self._blind_mm = tank.blind_zone_mm
        self._seen_l = -1.0
        self._gap_mm = 0.0
        self._all_runs: dict[tuple[int, int], list[tuple[Ping, ...]]] = {}
        self._runs: list[tuple[Ping, ...]] = []
        self._band = self._count = -1
        self._slosh_turn = 0.0
        self._shapes: list[tuple[float, ...]] = []
        self._clusters = Random(f"{name} clusters")
        obstacle_mm = tank.suction_mm + self._clusters.uniform(0.2, 0.95) * (tank.overflow_mm - tank.suction_mm)
        self.obstacle_mm = self.face_mm - obstacle_mm
        """Distance of the rung or joint that answers now and then while it stands out of the water."""
        self._cluster_part = 0.0
        self._next_turn_ms = self._clusters.expovariate(1.0 / _QUIET_MS)
        self.last_burst: list[int] = []

    def burst_us(
        self, now_ms: int, count: int, further_mm: float = 0.0, lost_part: float = 0.0, false_mm: float = 0.0
    ) -> list[int]:
        """Round-trip times of `count` pings.

        Faults: a surface that seems `further_mm` away, a part of the pings lost beyond the usual, and an obstacle at
        `false_mm` from the face that most pings meet (0: none).
        """
        water, headspace = self._water, self._headspace
        if water.volume_l != self._seen_l:
            self._seen_l = water.volume_l
            self._gap_mm = self.face_mm - water.level_mm
            band = int(self._gap_mm / _BAND_MM)
            if band != self._band:
                self._take_band(band, count)
        distance_mm = self._gap_mm + further_mm
        us_per_mm = headspace.us_per_mm + headspace.us_per_mm_ms * (now_ms - headspace.since_ms)
        if distance_mm < self._blind_mm:
            return [self._ringing_us(us_per_mm) for _ in range(count)]
        true_us = distance_mm * us_per_mm
        if now_ms >= self._next_turn_ms:
            self._turn_cluster(now_ms)
        if count != self._count:
            self._take_band(self._band, count)
        errors_us = self._runs[int(self._random() * _NOISE_TABLE)]
        if lost_part or headspace.face_lost_part or self._cluster_part or false_mm:
            return self._troubled(distance_mm, us_per_mm, errors_us, lost_part, false_mm)
        if water.inflow_l_ms or water.hose_l_ms:
            return self._over_waves(true_us, us_per_mm, errors_us)
        if None in errors_us or true_us > _LONGEST_ECHO_US:
            return [self._odd_ping_us(true_us, error_us) for error_us in errors_us]
        # Adding by `map` spares a pass of the interpreter for each ping.
        return list(map(int(true_us + 0.5).__add__, errors_us))  # type: ignore[arg-type]

    @property
    def has_dew(self) -> bool:
        """Whether drops on the face swallow pings now."""
        return self._headspace.face_lost_part > 0.0

    def us_per_mm(self, now_ms: int) -> float:
        """Round-trip time for each millimetre to the surface."""
        return self._headspace.us_per_mm_at(now_ms)

    # --- the table of ordinary luck -----------------------------------------------------------------------------------

    def _take_band(self, band: int, count: int) -> None:
        """Take up the table of a band, and how fast the tank's first slosh turns with the surface there."""
        self._band, self._count, self._shapes = band, count, []
        self._runs = self._all_runs.get((band, count)) or self._make_runs(band, count)
        water = self._water
        number = _FIRST_SLOSH / sqrt(max(0.01, water.table.surface_m2(water.volume_l)) / pi)
        depth_m = max(0.01, water.level_mm / 1000.0)
        self._slosh_turn = sqrt(_GRAVITY_M_S2 * number * tanh(number * depth_m)) * _PING_GAP_S

    def _make_runs(self, band: int, count: int) -> list[tuple[Ping, ...]]:
        """Every run of `count` pings in a band's table, which is a ring; made once for each length."""
        rng = Random(f"{self._name} band {band}")
        distance_m = (band + 0.5) * _BAND_MM / 1000.0
        noise_us = _US_PER_MM * (_NOISE_MM + _NOISE_MM_PER_M * distance_m)
        missed = _MISSED_PART + _MISSED_PART_PER_M2 * distance_m**2
        odd = _STRAY_PART + _LOST_PART + _LOST_PART_PER_M2 * distance_m**2
        ring = [_ping_error_us(rng, odd, missed, noise_us) for _ in range(_NOISE_TABLE)]
        ring += ring[:count]
        runs = self._all_runs[band, count] = [tuple(ring[place : place + count]) for place in range(_NOISE_TABLE)]
        return runs

    def _ringing_us(self, us_per_mm: float) -> int:
        """Still ringing from its own ping, it hears something nearer than the blind zone, whatever is there."""
        return int(self._blind_mm * (0.6 + 0.4 * self._random()) * us_per_mm)

    def _odd_ping_us(self, true_us: float, error_us: Ping) -> int:
        """A ping of a burst in which some heard something nearer, or nothing."""
        if error_us is None:
            distance_m = true_us / (1000.0 * _US_PER_MM)
            odd = _STRAY_PART + _LOST_PART + _LOST_PART_PER_M2 * distance_m**2
            return int(true_us * (0.4 + 0.5 * self._random())) if self._random() * odd < _STRAY_PART else 0
        return 0 if true_us > _LONGEST_ECHO_US else int(true_us + 0.5) + error_us

    # --- what comes and goes ------------------------------------------------------------------------------------------

    def _turn_cluster(self, now_ms: int) -> None:
        """Spells in which the obstacle answers, as long and as far apart as chance has them."""
        rng = self._clusters
        while now_ms >= self._next_turn_ms:
            if self._cluster_part:
                self._cluster_part = 0.0
                self._next_turn_ms += rng.expovariate(1.0 / _QUIET_MS)
            else:
                self._cluster_part = rng.uniform(0.3, 0.95)
                self._next_turn_ms += _SHORTEST_CLUSTER_MS + rng.expovariate(1.0 / _CLUSTER_MS)

    def _troubled(
        self, distance_mm: float, us_per_mm: float, errors_us: tuple[Ping, ...], lost_part: float, false_mm: float
    ) -> list[int]:
        """A burst ping by ping: swallowed, caught by an obstacle, or over moving water."""
        random = self._random
        near_mm, near_part = self.obstacle_mm, self._cluster_part
        if false_mm:
            near_mm, near_part = false_mm, 0.9
        if near_mm > distance_mm - _PROUD_MM:
            near_part = 0.0
        damp = self._headspace.face_lost_part > 0.0
        lost_part += self._headspace.face_lost_part
        swing_mm, shape = self._waves(len(errors_us))
        heard = []
        for error_us, height in zip(errors_us, shape, strict=True):
            if lost_part and random() < lost_part:
                heard.append(0)
                continue
            if near_part and random() < near_part:
                heard.append(round(near_mm * us_per_mm + self._gauss(0.0, _US_PER_MM)))
                continue
            late_us = _MISSED_WAVE_US if damp and random() < _MISSED_PART_DAMP else 0
            heard.append(self._odd_ping_us((distance_mm - swing_mm * height) * us_per_mm + late_us, error_us))
        return heard

    def _over_waves(self, true_us: float, us_per_mm: float, errors_us: tuple[Ping, ...]) -> list[int]:
        """A burst over water that moves and nothing else wrong."""
        swing_mm, shape = self._waves(len(errors_us))
        swing_us = us_per_mm * swing_mm
        if None in errors_us or true_us > _LONGEST_ECHO_US:
            pairs = zip(errors_us, shape, strict=True)
            return [self._odd_ping_us(true_us - swing_us * height, error_us) for error_us, height in pairs]
        true_us += 0.5
        return [int(true_us - swing_us * height) + error_us for error_us, height in zip(errors_us, shape, strict=True)]  # type: ignore[operator]

    def _waves(self, count: int) -> tuple[float, tuple[float, ...]]:
        """How far the surface swings while water runs in, in mm, and how high it is in parts of that at each ping."""
        water, random = self._water, self._random
        inflow_l_ms = water.inflow_l_ms + water.hose_l_ms
        swing_mm = _WAVE_MM * sqrt(60_000.0 * inflow_l_ms / _WAVE_L_MIN) * (0.3 + 1.4 * random())
        shapes = self._shapes or self._make_shapes(count)
        return swing_mm, shapes[int(random() * _WAVE_TABLE)]

    def _make_shapes(self, count: int) -> list[tuple[float, ...]]:
        """Bursts over the tank's first slosh at any phase of it, with ripples."""
        rng, turn = Random(f"{self._name} waves"), self._slosh_turn
        for _ in range(_WAVE_TABLE):
            phase = 2.0 * pi * rng.random()
            self._shapes.append(tuple(sin(phase + turn * ping) + rng.random() - 0.5 for ping in range(count)))
        return self._shapes


def _ping_error_us(rng: Random, odd: float, missed: float, noise_us: float) -> Ping:
    """Error of a ping; None for one that hears something nearer, or nothing."""
    if rng.random() < odd:
        return None
    # Now and then the detector misses the first wave of 40 kHz and reports the next.
    late = _MISSED_WAVE_US if rng.random() < missed else 0
    return round(rng.gauss(0.0, noise_us)) + late
