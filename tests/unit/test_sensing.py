"""How often what a report says counts: the air for the day's extremes, words that came before."""

from __future__ import annotations

from controller.contract import Now
from controller.core import Core
from firmware_host.board_lines import MEMO_MAX, parse_board_line
from firmware_host.messages import Report
from tests.scenario.garden import EXAMPLE

MINUTE_MS = 60_000
NOON_WALL_MS = 1_780_401_600_000


def report(seq: int, centi_c: int, *, flow: int = 0, wet: int = 1) -> Report:
    message = parse_board_line(
        f"report {seq} boot=0000b001 up={seq * 1000} temp0={centi_c} battery=12840 flow0={flow} rain=0 wet0={wet}"
        " pumps=0 valves=0 ack=-1 lease=0"
    )
    assert isinstance(message, Report)
    return message


def highest_after(temperatures_centi_c: list[int]) -> float | None:
    """The day's maximum after one report a minute."""
    core = Core(EXAMPLE)
    for minute, centi_c in enumerate(temperatures_centi_c):
        at_ms = minute * MINUTE_MS
        core.step(Now(at_ms, NOON_WALL_MS + at_ms), [report(minute, centi_c)])
    highest: float | None = core.dump()["sensing"]["temperatures"]["tmax_c"]
    return highest


def test_four_hot_minutes_between_two_looks_are_no_extreme() -> None:
    assert highest_after([1500] * 21 + [3000] * 4 + [1500] * 16) == 15.0


def test_a_quarter_of_an_hour_of_heat_is() -> None:
    assert highest_after([1500] * 21 + [3000] * 15 + [1500] * 16) == 30.0


def test_the_newest_temperature_counts_at_once_for_frost() -> None:
    core = Core(EXAMPLE)
    for minute, centi_c in enumerate((1500, -300)):
        at_ms = minute * MINUTE_MS
        core.step(Now(at_ms, NOON_WALL_MS + at_ms), [report(minute, centi_c)])
    assert core.dump()["sensing"]["temperature_c"] == -3.0


def test_words_that_were_read_before_mean_the_same_and_a_change_of_one_is_seen() -> None:
    first, again, changed = report(1, 1500), report(2, 1500), report(3, 1500, flow=7, wet=0)
    assert again == first._replace(seq=2, uptime_ms=2000)
    assert (changed.flow_pulses, changed.float_wet) == ({0: 7}, {0: False})


def test_more_different_words_than_are_remembered_are_all_read_right() -> None:
    for number in range(2 * MEMO_MAX):
        message = report(number, number, flow=number)
        assert (message.temperature_c, message.flow_pulses) == ({0: number / 100.0}, {0: number})
