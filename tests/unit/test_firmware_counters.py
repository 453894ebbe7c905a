"""Pulse counting by interrupt on the simulated chip: debounce, wraps, long silence, noise storms; and the uptime."""

from __future__ import annotations

import pytest

from firmware_host.board import counters
from firmware_host.board.clock import Uptime
from firmware_host.board.counters import PulseCounter
from tests.fake_machine.chip import TICKS_MASK, Chip, power_up

PIN = 12


@pytest.fixture(params=[0, (TICKS_MASK + 1) // 1000 - 3, TICKS_MASK - 3000], ids=["start", "us wraps", "ms wraps"])
def board(request: pytest.FixtureRequest) -> Chip:
    return power_up(request.param)


def run(board: Chip, counter: PulseCounter, duration_ms: int) -> None:
    """As the main loop does."""
    end_us = board.now_us + duration_ms * 1000
    while board.now_us < end_us:
        counter.step(board.now_us // 1000)
        board.spend(min(20_000, end_us - board.now_us))


def test_every_pulse_counts_once(board: Chip) -> None:
    counter = PulseCounter(PIN, 1000)
    for number in range(1000):
        board.after(5000 * number, lambda: board.pulse(PIN))
    run(board, counter, 6000)
    assert counter.total() == 1000


def test_a_contact_that_bounces_counts_once(board: Chip) -> None:
    counter = PulseCounter(PIN, 100_000)
    for number in range(10):
        for bounce_us in (0, 300, 800, 2000, 45_000, 46_000):
            board.after(400_000 * number + bounce_us, lambda: board.pulse(PIN, 100))
    run(board, counter, 5000)
    assert counter.total() == 10


def test_pulses_just_behind_the_debounce_time_count(board: Chip) -> None:
    counter = PulseCounter(PIN, 1000)
    for when_us in (100_000, 100_990, 101_000, 102_000):
        board.at(when_us, lambda: board.pulse(PIN, 5))
    run(board, counter, 1000)
    assert counter.total() == 3


@pytest.mark.parametrize("silence_s", [30, 8 * 60 + 57, 9 * 60, 17 * 60, 18 * 60])
def test_a_pulse_after_a_long_silence_counts(silence_s: int) -> None:
    board = power_up()
    counter = PulseCounter(PIN, 100_000)
    for counted in (1, 2, 3):
        board.pulse(PIN)
        for _ in range(silence_s):
            board.spend(1_000_000)
            counter.step(board.now_us // 1000)
        assert counter.total() == counted


def test_a_pulse_that_comes_while_the_loop_looks_keeps_its_debounce(monkeypatch: pytest.MonkeyPatch) -> None:
    board = power_up()
    counter = PulseCounter(PIN, 100_000)
    board.pulse(PIN, 10)
    board.spend(200_000)
    really = counters.now_us

    def interrupted() -> int:
        monkeypatch.setattr(counters, "now_us", really)
        now_us = really()
        board.pulse(PIN, 10)
        return now_us

    monkeypatch.setattr(counters, "now_us", interrupted)
    counter.step(200)
    board.spend(1000)
    board.pulse(PIN, 10)
    assert counter.total() == 2


def test_the_total_outlives_the_wrap_of_what_the_interrupt_counts() -> None:
    board = power_up()
    counter = PulseCounter(PIN, 0)
    counter._counted = counter._taken = counters._MASK - 1
    for _ in range(5):
        board.pulse(PIN, 10)
        board.spend(20)
    assert counter.total() == 5
    assert 0 <= counter._counted <= counters._MASK


def test_what_the_interrupt_works_with_stays_a_small_number() -> None:
    board = power_up(TICKS_MASK)
    counter = PulseCounter(PIN, 0)
    counter._counted = counter._edges = counters._MASK
    board.pulse(PIN)
    assert counter._counted == 0
    assert counter._edges == 0
    # MicroPython keeps numbers below 2^30 without memory of their own.
    assert counters._MASK + 1 < 1 << 30


def test_a_storm_of_noise_is_not_listened_to_for_ten_seconds() -> None:
    board = power_up()
    counter = PulseCounter(PIN, 1000)

    def noise() -> None:
        board.pulse(PIN, 20)
        if board.now_us < 3_000_000:
            board.after(100, noise)

    board.after(0, noise)
    run(board, counter, 4000)
    assert counter.storms == 1
    assert counter.total() <= 2100
    before = counter.total()
    board.pulse(PIN)
    assert counter.total() == before
    run(board, counter, 10_000)
    board.pulse(PIN)
    assert counter.total() == before + 1


def edges(board: Chip, count: int) -> None:
    """So many closings of the contact, all at once."""
    for _ in range(count):
        board.put(PIN, 0)
        board.put(PIN, None)


def looked_at(board: Chip, counter: PulseCounter, now_ms: int) -> None:
    board.spend(now_ms * 1000 - board.now_us)
    counter.step(now_ms)


@pytest.mark.parametrize("second", [1, 2, 3])
@pytest.mark.parametrize(("count", "storms"), [(5000, 0), (5001, 1)])
def test_more_than_5000_edges_in_any_second_are_a_storm(second: int, count: int, storms: int) -> None:
    board = power_up()
    counter = PulseCounter(PIN, 1000)
    looked_at(board, counter, 0)
    for now_s in range(1, second + 1):
        edges(board, count if now_s == second else 10)
        looked_at(board, counter, 1000 * now_s - 1)
        assert counter.storms == 0
        looked_at(board, counter, 1000 * now_s)
    assert counter.storms == storms


@pytest.mark.parametrize("begin_ms", [0, 2000])
def test_a_short_burst_is_no_storm(begin_ms: int) -> None:
    board = power_up()
    counter = PulseCounter(PIN, 1000)
    run(board, counter, begin_ms)
    looked_at(board, counter, begin_ms)
    edges(board, 600)
    run(board, counter, 3000)
    assert counter.storms == 0


def test_after_each_storm_the_counter_listens_again_exactly_ten_seconds_later(monkeypatch: pytest.MonkeyPatch) -> None:
    board = power_up()
    listening: list[bool] = []
    really = counters.Pin.irq

    def told(pin: object, **words: object) -> None:
        listening.append(words["handler"] is not None)
        really(pin, **words)

    monkeypatch.setattr(counters.Pin, "irq", told)
    counter = PulseCounter(PIN, 1000)
    looked_at(board, counter, 0)
    for storm in (1, 2):
        begun_ms = board.now_us // 1000
        edges(board, 6000)
        looked_at(board, counter, begun_ms + 1000)
        assert counter.storms == storm
        looked_at(board, counter, begun_ms + 10_999)
        assert listening[-1] is False
        looked_at(board, counter, begun_ms + 11_000)
        assert listening[-1] is True
        for second in range(12, 20):
            looked_at(board, counter, begun_ms + 1000 * second)
    assert listening == [True, False, True, False, True]


def test_the_uptime_never_wraps_and_never_steps_back() -> None:
    for offset_ms in (0, TICKS_MASK // 2, TICKS_MASK - 1500):
        board = power_up(offset_ms)
        uptime = Uptime()
        seen = [uptime.ms()]
        for _ in range(2000):
            board.spend(3_600_000_000)
            seen.append(uptime.ms())
        assert seen == [hour * 3_600_000 for hour in range(2001)]


def test_a_tick_that_steps_back_does_not_move_the_uptime() -> None:
    board = power_up()
    uptime = Uptime()
    board.spend(5_000_000)
    assert uptime.ms() == 5000
    board.ticks_offset_ms = -100
    assert uptime.ms() == 5000
    board.spend(300_000)
    assert uptime.ms() == 5200
