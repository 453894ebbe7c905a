"""A ranger that repeats itself is found out by what must have changed its echoes, or by noise that comes again."""

from __future__ import annotations

import json

import pytest

from controller.estimate.frozen_echo import FrozenEcho

BURST = (4012, 4012, 4070, 4012, 4070)
"""A coarse ranger's, in steps of a centimetre."""
NOISY = (4012, 4009, 4015, 4015, 4012)


def repeated(
    times: int, coldest_c: float = 12.0, warmest_c: float = 12.0, burst: tuple[int, ...] = BURST
) -> FrozenEcho:
    echo = FrozenEcho()
    echo.new(burst)
    for number in range(times):
        echo.again(coldest_c + (warmest_c - coldest_c) * number / times, 60_000 * number)
    return echo


def test_still_water_in_still_air_may_well_look_the_same_for_hours() -> None:
    assert repeated(600).why(True) == ""


def test_noise_does_not_come_again_in_the_same_order() -> None:
    assert repeated(19, burst=NOISY).why(True) == ""
    assert repeated(20, burst=NOISY).why(True) == "even still water never gives the same times twice"


@pytest.mark.parametrize(
    ("rain_mm", "drawn_l", "roofs", "said"),
    [
        (0.0, 9.0, False, "9 L were metered out"),
        (5.0, 0.0, True, "5 mm of rain fell"),
        # A full tank, or one without a roof, does not rise in rain.
        (5.0, 0.0, False, ""),
        (3.0, 7.0, True, ""),
    ],
)
def test_water_that_came_or_went_must_show(rain_mm: float, drawn_l: float, roofs: bool, said: str) -> None:
    echo = repeated(30)
    echo.add(rain_mm, drawn_l)
    assert echo.why(roofs) == said


@pytest.mark.parametrize(("times", "apart_min", "said"), [(5, 5, True), (4, 5, False), (11, 2, True), (10, 2, False)])
def test_a_board_that_reports_seldom_needs_fewer_repeats_over_a_longer_time(
    times: int, apart_min: int, said: bool
) -> None:
    echo = FrozenEcho()
    echo.new(BURST)
    for number in range(times):
        echo.again(12.0, 60_000 * apart_min * number)
    echo.add(5.0, 0.0)
    assert (echo.why(True) != "") is said


def test_the_warmth_of_the_day_must_show() -> None:
    assert repeated(300, 8.0, 15.0).why(True) == "the air changed by 7 °C"
    assert repeated(300, 8.0, 12.0).why(True) == ""
    assert repeated(10, 8.0, 18.0).why(True) == ""


def test_a_silent_ranger_is_not_a_frozen_one() -> None:
    echo = repeated(300, 8.0, 18.0, burst=(0, 0, 0, 0, 0))
    assert echo.why(True) == ""


def test_one_other_burst_clears_it() -> None:
    echo = repeated(300, 8.0, 18.0)
    echo.new((4012, 4012, 4012, 4012, 4070))
    assert echo.why(True) == ""
    echo.again(9.0, 0)
    echo.add(0.0, 3.0)
    assert (echo.count, echo.drawn_l, echo.coldest_c, echo.warmest_c) == (1, 3.0, 9.0, 9.0)


def test_a_dump_goes_on_where_it_left_off_and_so_does_a_new_clock_until_another_burst_comes() -> None:
    echo, again = repeated(300, 8.0, 18.0), FrozenEcho()
    again.load(json.loads(json.dumps(echo.dump())))
    assert again.why(True) == echo.why(True) != ""
    assert again.burst == BURST
    again.restarted(-1_000_000)
    assert again.since_ms == echo.since_ms - 1_000_000
    assert again.why(True) == echo.why(True)
    again.new(NOISY)
    assert again.why(True) == ""
