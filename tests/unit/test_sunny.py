"""A start waits for the sun only where the battery gains and the plants lose nothing."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from controller.irrigate.sunny import LaterWindow, PowerNow, lacks_sun, sun_is_high, window_to_wait_for

LATITUDE, LONGITUDE, JULY = 51.5, 0.0, 191
MINUTE_MS = 60_000


def at(hour: int, minute: int = 0) -> int:
    return int(datetime(2026, 7, 10, hour, minute, tzinfo=UTC).timestamp() * 1000)


def test_the_sun_is_high_from_an_hour_after_it_rises_to_an_hour_before_it_sets() -> None:
    """10 July at 51.5 N on the meridian: FAO-56 equation 34 gives 16.2 h of daylight about 12:06 UTC, 4:00 to 20:12."""
    high = [sun_is_high(LATITUDE, LONGITUDE, JULY, at(hour)) for hour in range(24)]
    assert high == [hour in range(6, 20) for hour in range(24)] or high == [hour in range(5, 20) for hour in range(24)]
    assert not sun_is_high(LATITUDE, LONGITUDE, JULY, at(4, 45))
    assert sun_is_high(LATITUDE, LONGITUDE, JULY, at(5, 30))
    assert not sun_is_high(LATITUDE, LONGITUDE, JULY, at(19, 30))


@pytest.mark.parametrize(
    ("power", "sun_high", "lacks"),
    [
        (PowerNow(79.9, 12.5, 3.0), True, True),
        (PowerNow(80.0, 12.5, 3.0), False, False),
        (PowerNow(60.0, 12.5, 12.5), False, False),
        (PowerNow(60.0, 12.5, 17.0), False, False),
        (PowerNow(None, 12.5, 3.0), True, True),
        (PowerNow(None, 12.5, None), True, False),
        (PowerNow(None, 12.5, None), False, True),
        (PowerNow(60.0, None, 17.0), False, True),
    ],
)
def test_the_panel_tells_of_the_sun_and_without_it_the_sun_s_place(
    power: PowerNow, sun_high: bool, lacks: bool
) -> None:
    assert lacks_sun(power, sun_high) is lacks


def waited_for(*later: LaterWindow, needed_min: int = 30, readily_mm: float = 20.0) -> LaterWindow | None:
    return window_to_wait_for(list(later), readily_mm, needed_min * MINUTE_MS, LATITUDE, LONGITUDE, JULY)


def test_the_first_later_window_that_serves_is_waited_for() -> None:
    noon, evening = LaterWindow(at(11), at(13), 12.0), LaterWindow(at(16), at(18), 15.0)
    assert waited_for(noon, evening) == noon
    # Too short for all that is planned: the next one may do.
    assert waited_for(noon._replace(end_wall_ms=at(11, 29)), evening) == evening


def test_nothing_is_waited_for_that_comes_too_late_for_the_plants_lies_in_the_dark_or_is_too_short() -> None:
    noon = LaterWindow(at(11), at(13), 12.0)
    assert waited_for() is None
    assert waited_for(noon, readily_mm=11.9) is None
    assert waited_for(noon, readily_mm=12.0) == noon
    assert waited_for(noon, needed_min=121) is None
    assert waited_for(LaterWindow(at(4, 30), at(8), 12.0)) is None
    assert waited_for(LaterWindow(at(18, 50), at(22), 12.0)) is None
