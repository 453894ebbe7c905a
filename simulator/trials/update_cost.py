"""What one look at the sensors costs: microseconds of the estimators' updates, the best of several runs."""

from __future__ import annotations

import time
from collections.abc import Sequence
from random import Random

from controller.estimate.level import LevelEstimator
from controller.estimate.sound import headspace_speed_m_s
from controller.site.geometry import LevelTable
from simulator.trials.sites import upright_site
from simulator.trials.table import TrialRow

BURSTS, RUNS = 2000, 5
MINUTE_MS, SECOND_MS = 60_000, 1000
DISTANCE_MM, PING_SD_US = 900.0, 8.0
MILD_C = 15.0


def rows(seeds: Sequence[int]) -> list[TrialRow]:
    """The volume filter's: at rest, while pumping, and while it rains; the worst is a burst in rain."""
    kinds = (
        ("volume filter, one update at rest", MINUTE_MS, 0.0, False, 12.0, 5.0),
        ("volume filter, one update while pumping", SECOND_MS, 0.1, False, 150.0, 60.0),
        ("volume filter, one update in rain", MINUTE_MS, 0.0, True, 150.0, 60.0),
    )
    return [
        TrialRow(what, {}, min(_update_us(seed, step_ms, drawn_l, rain) for seed in seeds[:RUNS]), must, aim, "us")
        for what, step_ms, drawn_l, rain, must, aim in kinds
    ]


def _update_us(seed: int, step_ms: int, drawn_l: float, raining: bool) -> float:
    """Mean of one run; the surface falls with what is drawn."""
    rng = Random(seed)
    tank = upright_site().tanks[0]
    table = LevelTable(tank.shape)
    us_per_mm = 2000.0 / headspace_speed_m_s(MILD_C)
    fall_mm = drawn_l / table.area_m2(tank.overflow_mm / 2.0)
    bursts = [
        tuple(round((DISTANCE_MM + i * fall_mm) * us_per_mm + rng.gauss(0.0, PING_SD_US)) for _ in range(5))
        for i in range(BURSTS)
    ]
    probe_c = [MILD_C + rng.choice((-0.0625, 0.0, 0.0625)) if i % 5 == 0 else MILD_C for i in range(BURSTS)]
    estimator = LevelEstimator(tank, table, max_inflow_l_min=78.0, max_draw_l_min=10.0)
    now_ms = 0
    for _ in range(60):
        now_ms += MINUTE_MS
        estimator.observe(bursts[0], MILD_C, now_ms, 0.0, False)
    began_s = time.process_time()
    for burst, celsius in zip(bursts, probe_c, strict=True):
        now_ms += step_ms
        estimator.observe(burst, celsius, now_ms, drawn_l, raining)
    return 1e6 * (time.process_time() - began_s) / BURSTS
