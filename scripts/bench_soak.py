"""The controller for days on end, faster than real time, while people order and the broker comes and goes.

Looked at is the process from outside: memory, threads and open files must not grow once all has been used.
"""

from __future__ import annotations

import json
import os
import re
import statistics
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.system.real_garden import LOG, ZONE, Garden

GROWTH_MB = 5.0
WARM_S = 660.0
"""All has been used once then: the daily chores come first after ten minutes."""
FEWEST_LOOKS = 50
SAMPLES = 200
ORDER_EVERY_S = 3.0
BROKER_LIVES = 12

Row = tuple[str, str, str, bool]


@dataclass(frozen=True, slots=True)
class Sample:
    day: float
    rss_mb: float
    threads: int
    files: int


def soak(directory: Path, days: float, pace: float) -> list[Row]:
    """`days` of the garden's time, at `pace`."""
    garden = Garden(directory, pace=pace)
    try:
        garden.serve()
        garden.until_ready()
        samples = _lived(garden, days, pace)
        assert garden.controller is not None
        garden.controller.terminate()
        _, said = garden.controller.communicate(timeout=30)
    finally:
        garden.close()
    return _rows(samples, days, pace, said)


def _lived(garden: Garden, days: float, pace: float) -> list[Sample]:
    assert garden.controller is not None
    pid, rng, samples = garden.controller.pid, Random("soak"), list[Sample]()
    real_s, began_s = days * 86_400.0 / pace, time.monotonic()
    order_s = broker_s = sample_s = began_s
    while (now_s := time.monotonic()) < began_s + real_s:
        if garden.controller.poll() is not None:
            raise SystemExit(f"the controller ended by itself with {garden.controller.returncode}")
        if now_s >= order_s:
            order_s = now_s + ORDER_EVERY_S
            garden.listener.publish_soon(f"{LOG}/order", json.dumps(_some_order(rng)))
        if now_s >= broker_s + real_s / BROKER_LIVES:
            broker_s = now_s
            garden.broker.stop()
            time.sleep(1.0)
            garden.broker.start()
        if now_s >= sample_s:
            sample_s = now_s + real_s / SAMPLES
            samples.append(_sample((now_s - began_s) * pace / 86_400.0, pid))
        garden.listener.forget()
        time.sleep(0.05)
    return samples


def _some_order(rng: Random) -> dict[str, object]:
    order = rng.choice(
        (
            {"order": "note", "text": "looked at it"},
            {"order": "run-zone", "zone": ZONE, "volume_l": 1.0},
            {"order": "hold"},
            {"order": "resume"},
            {"order": "resume"},
        )
    )
    return {"id": f"soak-{rng.getrandbits(60):x}", "sender": "bench", **order}


def _sample(day: float, pid: int) -> Sample:
    status = Path(f"/proc/{pid}/status").read_text()
    values = [re.search(rf"^{name}:\s+(\d+)", status, re.MULTILINE) for name in ("VmRSS", "Threads")]
    assert values[0] is not None
    assert values[1] is not None
    return Sample(day, int(values[0][1]) / 1024.0, int(values[1][1]), len(os.listdir(f"/proc/{pid}/fd")))


def _rows(samples: list[Sample], days: float, pace: float, said: str) -> list[Row]:
    warm = [sample for sample in samples if sample.day * 86_400.0 / pace > WARM_S]
    if len(warm) < FEWEST_LOOKS:
        raise SystemExit(
            f"{days:g} days at {pace:g} times their speed are over too soon to say anything; take 20 minutes"
        )
    slope_mb_day, _ = statistics.linear_regression([s.day for s in warm], [s.rss_mb for s in warm])
    growth_mb = slope_mb_day * (warm[-1].day - warm[0].day)
    half = len(warm) // 2
    longest = re.search(r"longest turn of the loop took ([\d.]+) s", said)
    turn_s = float(longest[1]) if longest else float("inf")
    return [
        ("time", f"{days:g} days at {pace:g} times their speed, {len(warm)} looks after warming up", "", True),
        ("memory at the end", f"{warm[-1].rss_mb:.1f} MB", "", True),
        (
            "growth, by a line through the looks",
            f"{growth_mb:+.2f} MB",
            f"at most {GROWTH_MB:g} MB",
            growth_mb <= GROWTH_MB,
        ),
        _no_more("threads", [s.threads for s in warm], half),
        _no_more("open files", [s.files for s in warm], half),
        ("longest turn of the loop", f"{turn_s:.3f} s", "at most 1 s", turn_s <= 1.0),
    ]


def _no_more(what: str, counts: list[int], half: int) -> Row:
    first, second = max(counts[:half]), max(counts[half:])
    return f"most {what}, first and second half", f"{first}, {second}", "no more", second <= first
