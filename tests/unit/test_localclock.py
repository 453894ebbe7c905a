"""The site's clock keeps answers; kept or worked out anew, they are the same."""

from __future__ import annotations

from datetime import UTC, datetime
from random import Random

import pytest

from controller.core.localclock import LocalClock

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
LATE_MS = 3 * HOUR_MS
TIMES_MIN = (0, 75, 120, 150, 360, 370, 1439)


@pytest.mark.parametrize("place", ["Europe/London", "America/Havana", "Australia/Lord_Howe", "Africa/Nairobi"])
def test_the_times_that_are_due_are_the_same_for_a_clock_that_has_been_asked_before(place: str) -> None:
    """Asked each minute or so, at times after a step of the clock, over both changes of a year."""
    rng, asked = Random(place), LocalClock(place)
    wall_ms = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
    seen: set[int] = set()
    for _ in range(6_000):
        step_ms = rng.choice((1_000, 30 * 1_000, MINUTE_MS, MINUTE_MS, 20 * MINUTE_MS, 5 * HOUR_MS))
        wall_ms += -step_ms if rng.random() < 0.1 else step_ms
        times_min = TIMES_MIN[: rng.randint(0, len(TIMES_MIN))]
        due = asked.due_times(times_min, wall_ms, LATE_MS)
        assert due == LocalClock(place).due_times(times_min, wall_ms, LATE_MS)
        assert all(wall_ms - LATE_MS < slot.start_ms <= wall_ms for slot in due)
        seen.add(len(due))
    assert {0, 1, 2, 3} <= seen


def test_a_time_is_due_from_its_very_instant_until_it_is_too_late() -> None:
    clock = LocalClock("Europe/London")
    start_ms = round(datetime(2026, 7, 1, 5, tzinfo=UTC).timestamp() * 1000)
    expected = [(-1, 0), (0, 1), (1, 1), (LATE_MS - 1, 1), (LATE_MS, 0)]
    for wait_ms, count in [*expected, *reversed(expected)]:
        assert len(clock.due_times((360,), start_ms + wait_ms, LATE_MS)) == count, wait_ms
    assert clock.due_times((360,), start_ms, 7 * LATE_MS) == clock.due_times((360,), start_ms, LATE_MS)
