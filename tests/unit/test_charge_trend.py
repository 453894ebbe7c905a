"""A battery that goes down from day to day is told of days before it ends the pumping."""

from __future__ import annotations

import math

from controller.estimate.charge_trend import ChargeTrend

HOUR_MS = 3_600_000


def fed(trend: ChargeTrend, hours: int, percent_per_day: float, start: float = 95.0, first_h: int = 0) -> list[int]:
    """Hours at which it warns, while the charge falls, by day and night alike but for a swing of the sun's."""
    warned = []
    for quarter in range(4 * first_h, 4 * (first_h + hours)):
        hour = quarter / 4.0
        swing = 3.0 * math.sin(2.0 * math.pi * hour / 24.0)
        trend.add(int(hour * HOUR_MS), start + percent_per_day * hour / 24.0 + swing, 55.0)
        if trend.warns:
            warned.append(int(hour))
    return warned


def test_seven_per_cent_a_day_are_told_three_days_ahead() -> None:
    trend = ChargeTrend()
    first_h = fed(trend, 24 * 6, -7.0)[0]
    # 55 % are reached after 40 / 7 = 5.7 days.
    assert 2.0 <= 40.0 / 7.0 - first_h / 24.0 <= 4.0
    assert trend.fall_per_day is not None
    assert abs(trend.fall_per_day - 7.0) < 0.2


def test_the_swing_of_day_and_night_is_no_fall() -> None:
    assert fed(ChargeTrend(), 24 * 9, 0.0, start=60.0) == []


def test_one_dark_day_is_not_told() -> None:
    trend = ChargeTrend()
    fed(trend, 48, 0.0, start=80.0)
    assert fed(trend, 24, -8.0, start=96.0, first_h=48) == []


def test_a_fall_that_ends_ends_the_warning() -> None:
    trend = ChargeTrend()
    fed(trend, 24 * 4, -7.0)
    assert trend.warns
    fed(trend, 24, 6.0, start=43.0, first_h=24 * 4)
    assert not trend.warns
    assert trend.days_left is None


def test_hours_without_a_charge_leave_what_was_seen() -> None:
    trend = ChargeTrend()
    fed(trend, 24 * 4, -7.0)
    before = trend.dump()
    trend.add(24 * 4 * HOUR_MS, None, 55.0)
    assert trend.dump() == before


def test_a_dump_and_a_new_clock_lose_nothing() -> None:
    trend, again = ChargeTrend(), ChargeTrend()
    fed(trend, 24 * 4, -7.0)
    again.load(trend.dump())
    assert again.dump() == trend.dump()
    again.restarted(-24 * 4 * HOUR_MS)
    again.add(0, 67.0, 55.0)
    assert again.warns
