"""A cable that damages lines again and again is told of; a line torn now and then is not."""

from __future__ import annotations

import json
from random import Random

import pytest

from controller.estimate.line_noise import NOISY_LINES, WELL_LINES, WELL_MS, WINDOW_LINES, LineNoise

MINUTE_MS = 60_000


class Watched:
    """Lines come one a minute, unless told otherwise."""

    def __init__(self, every_ms: int = MINUTE_MS) -> None:
        self.noise = LineNoise()
        self.mono_ms = 0
        self.every_ms = every_ms

    def good(self, count: int = 1) -> None:
        for _ in range(count):
            self.mono_ms += self.every_ms
            self.noise.heard()

    def bad(self, count: int = 1) -> bool:
        self.mono_ms += self.every_ms
        return self.noise.damaged(count, self.mono_ms)

    def lines_until_noisy(self, chance: float, seed: int, at_most: int) -> int | None:
        rng = Random(f"{chance} {seed}")
        for number in range(1, at_most + 1):
            if rng.random() >= chance:
                self.good()
            elif self.bad():
                return number
        return None


def test_a_good_cable_is_never_noisy_however_long_it_is_watched() -> None:
    watched = Watched()
    watched.good(10_000)
    assert not watched.noise.is_noisy
    assert watched.noise.share() == (0, WINDOW_LINES)


@pytest.mark.parametrize(("chance", "at_most"), [(0.3, 60), (0.1, 200), (1.0 / 30.0, 600), (0.02, 2500)])
def test_the_more_lines_are_damaged_the_sooner_it_is_told(chance: float, at_most: int) -> None:
    assert all(Watched().lines_until_noisy(chance, seed, at_most) for seed in range(20))


def test_one_damaged_line_in_a_thousand_is_not_told_in_half_a_year_of_a_line_a_minute() -> None:
    assert Watched().lines_until_noisy(0.001, 1, 180 * 24 * 60) is None


def test_a_burst_on_plugging_in_is_not_told_though_its_last_torn_line_shows_a_minute_later() -> None:
    watched = Watched(every_ms=1_000)
    for _ in range(30):
        assert not watched.bad()
    watched.every_ms = MINUTE_MS
    assert not watched.bad()
    assert not watched.noise.is_noisy


def test_a_torn_line_at_each_of_many_restarts_of_the_board_is_not_told() -> None:
    watched = Watched()
    for _ in range(40):
        assert not watched.bad()
        watched.good(WINDOW_LINES // (NOISY_LINES - 1))


def test_it_says_how_many_lines_of_the_last_were_damaged() -> None:
    watched = Watched()
    watched.good(300)
    told = [watched.bad() for _ in range(8)]
    assert told == [False] * (NOISY_LINES - 1) + [True] + [False] * 2
    assert watched.noise.share() == (8, WINDOW_LINES)
    watched.good(WINDOW_LINES - 4)
    assert watched.noise.share() == (4, WINDOW_LINES)


def test_it_is_over_after_enough_good_lines_on_end_and_enough_time() -> None:
    watched = Watched()
    while not watched.bad():
        pass
    watched.good(WELL_LINES - 1)
    watched.noise.settle(watched.mono_ms)
    assert watched.noise.is_noisy
    watched.good()
    watched.noise.settle(watched.mono_ms)
    assert not watched.noise.is_noisy
    assert watched.noise.share() == (0, 0)


def test_during_a_watering_it_takes_ten_good_minutes() -> None:
    watched = Watched(every_ms=1_000)
    while not watched.bad():
        pass
    watched.good(WELL_MS // 1_000 - 1)
    watched.noise.settle(watched.mono_ms)
    assert watched.noise.is_noisy
    watched.good()
    watched.noise.settle(watched.mono_ms)
    assert not watched.noise.is_noisy


def test_a_flood_of_noise_is_kept_in_little_room() -> None:
    watched = Watched()
    for _ in range(100):
        watched.bad(1_000_000)
    assert len(watched.noise.dump()["damaged"]) == WINDOW_LINES


def test_a_dump_goes_on_where_it_left_off() -> None:
    watched, again = Watched(), LineNoise()
    for _ in range(NOISY_LINES - 1):
        watched.bad()
        watched.good(3)
    again.load(json.loads(json.dumps(watched.noise.dump())))
    assert again.damaged(1, watched.mono_ms + MINUTE_MS)
    assert watched.bad()
    assert again.dump() == watched.noise.dump()
