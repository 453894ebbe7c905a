"""Both kinds of rangers on the simulated chip: bursts that are right, bounded, and never hold up the loop."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest

from firmware_host.board.ranger_pulse import GAP_MS, PulseRanger
from firmware_host.board.ranger_serial import SerialRanger
from firmware_host.board.sampling import ECHO_PATIENCE_MS
from tests.fake_machine.chip import Chip, power_up
from tests.fake_machine.world import PulseRangerModel, frame

TRIGGER, ECHO = 16, 17
POLL_MS = 20
ECHO_COUNT = 7
"""As many as the patience of a report allows; the board may ask for fewer."""


@pytest.fixture
def board() -> Chip:
    return power_up()


def burst(board: Chip, ranger: PulseRanger | SerialRanger) -> tuple[list[int] | None, int]:
    """The burst and how long it took; asks as the board does, and gives up as it does."""
    began_ms = board.now_us // 1000
    while True:
        now_ms = board.now_us // 1000
        times_us = ranger.burst_us(ECHO_COUNT, now_ms)
        assert board.now_us // 1000 == now_ms, "the call itself must take no time"
        if times_us is not None or now_ms - began_ms >= ECHO_PATIENCE_MS:
            return times_us, now_ms - began_ms
        board.spend(POLL_MS * 1000)


# --- trigger and echo -------------------------------------------------------------------------------------------------


# 58 us per centimetre: rule of the common 40 kHz module's data sheet; its range is 2 to 400 cm.
@pytest.mark.parametrize("distance_cm", [2, 20, 93, 250, 400])
def test_each_echo_is_timed_to_within_two_microseconds(board: Chip, distance_cm: int) -> None:
    true_us = 58 * distance_cm
    ranger = PulseRanger(0, TRIGGER, ECHO)
    PulseRangerModel(board, TRIGGER, ECHO, [true_us])
    times_us, took_ms = burst(board, ranger)
    assert times_us is not None
    assert len(times_us) == ECHO_COUNT
    assert all(abs(time_us - true_us) <= 2 for time_us in times_us)
    assert took_ms < 1000


def test_a_trigger_lasts_ten_microseconds_and_pings_are_sixty_milliseconds_apart(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    model = PulseRangerModel(board, TRIGGER, ECHO, [5400])
    burst(board, ranger)
    assert len(model.triggers_us) == ECHO_COUNT
    assert all(length_us == 10 for _, length_us in model.triggers_us)
    assert all(later - earlier >= GAP_MS * 1000 for (earlier, _), (later, _) in pairwise(model.triggers_us))


def test_single_pings_without_an_echo_are_zeros_among_the_others(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    PulseRangerModel(board, TRIGGER, ECHO, [5400, 0, 5410, 5405, 0, 5400, 5399])
    times_us, _ = burst(board, ranger)
    assert times_us is not None
    assert [time_us > 0 and time_us < 6000 for time_us in times_us] == [True, False, True, True, False, True, True]


def test_a_disconnected_or_dead_ranger_gives_seven_zeros_in_time(board: Chip) -> None:
    times_us, took_ms = burst(board, PulseRanger(0, TRIGGER, ECHO))
    assert times_us == [0] * ECHO_COUNT
    assert took_ms < ECHO_PATIENCE_MS


def test_an_echo_pin_stuck_high_gives_zeros_and_not_a_level(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    board.put(ECHO, 1)
    times_us, took_ms = burst(board, ranger)
    assert times_us == [0] * ECHO_COUNT
    assert took_ms < ECHO_PATIENCE_MS


def test_a_timing_machine_that_stops_gives_zeros_and_not_a_hang(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    board.machines[0].frozen = True  # type: ignore[attr-defined]
    board.machines[0].due_cycles = None
    times_us, _ = burst(board, ranger)
    assert times_us is None or not any(times_us)


def test_a_burst_that_nobody_asked_after_is_begun_anew(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    model = PulseRangerModel(board, TRIGGER, ECHO, [5400])
    assert ranger.burst_us(ECHO_COUNT, 0) is None
    board.spend(20_000)
    ranger.burst_us(ECHO_COUNT, 20)
    board.spend(60_000_000)
    pings = len(model.triggers_us)
    times_us, _ = burst(board, ranger)
    assert times_us is not None
    assert len(model.triggers_us) - pings == ECHO_COUNT


def test_an_echo_of_a_burst_long_forgotten_does_not_count(board: Chip) -> None:
    ranger = PulseRanger(0, TRIGGER, ECHO)
    PulseRangerModel(board, TRIGGER, ECHO, [1000, 5400])
    assert ranger.burst_us(ECHO_COUNT, 0) is None
    board.spend(60_000_000)
    times_us, _ = burst(board, ranger)
    assert times_us is not None
    assert all(abs(time_us - 5400) <= 2 for time_us in times_us)


def test_four_rangers_keep_their_echoes_apart(board: Chip) -> None:
    pins = [(6, 7), (8, 9), (10, 11), (12, 13)]
    rangers = [PulseRanger(unit, *pair) for unit, pair in enumerate(pins)]
    for unit, pair in enumerate(pins):
        PulseRangerModel(board, *pair, [3000 + 1000 * unit])
    bursts: list[list[int] | None] = [None] * 4
    while None in bursts:
        for unit, ranger in enumerate(rangers):
            if bursts[unit] is None:
                bursts[unit] = ranger.burst_us(ECHO_COUNT, board.now_us // 1000)
        board.spend(POLL_MS * 1000)
        assert board.now_us < 3_000_000
    for unit, times_us in enumerate(bursts):
        assert times_us is not None
        assert all(abs(time_us - 3000 - 1000 * unit) <= 2 for time_us in times_us)


# --- four-byte frames -------------------------------------------------------------------------------------------------


def serial_ranger() -> SerialRanger:
    return SerialRanger(1, 4, 5, 5882)


def send_every(board: Chip, data: list[bytes], gap_ms: int = 100) -> None:
    for number, piece in enumerate(data):
        board.after((50 + gap_ms * number) * 1000, lambda piece=piece: board.uarts[1].extend(piece))  # type: ignore[misc]


def test_frames_become_round_trip_times(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray()
    send_every(board, [frame(mm) for mm in (927, 928, 926, 927, 930, 927, 927)])
    times_us, _ = burst(board, ranger)
    # 340 m/s: 5.882 us there and back for each millimetre.
    assert times_us == [mm * 5882 // 1000 for mm in (927, 928, 926, 927, 930, 927, 927)]


def test_frames_from_before_the_burst_do_not_count(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray(frame(300) * 20)
    send_every(board, [frame(927)] * 7)
    times_us, _ = burst(board, ranger)
    assert times_us == [927 * 5882 // 1000] * 7


def test_frames_torn_into_single_bytes_and_behind_noise_are_found(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray()
    noise = Random("noise").randbytes(3)
    stream = b"".join(noise + frame(927) for _ in range(7))
    send_every(board, [bytes([byte]) for byte in stream], gap_ms=15)
    times_us, _ = burst(board, ranger)
    assert times_us == [927 * 5882 // 1000] * 7


def test_a_frame_with_a_wrong_sum_is_dropped_and_counted(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray()
    bad = bytearray(frame(927))
    bad[2] ^= 4
    send_every(board, [bytes(bad), *[frame(800)] * 7])
    times_us, _ = burst(board, ranger)
    assert times_us == [800 * 5882 // 1000] * 7
    assert ranger.bad_frames == 1


def test_a_silent_ranger_gives_zeros_in_time(board: Chip) -> None:
    times_us, took_ms = burst(board, serial_ranger())
    assert times_us == [0] * 7
    assert took_ms < ECHO_PATIENCE_MS


def test_impossible_distances_are_no_echo(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray()
    send_every(board, [frame(mm) for mm in (0, 65_535, 10_001, 10_000, 1, 927, 927)])
    times_us, _ = burst(board, ranger)
    assert times_us == [0, 0, 0, 58_820, 5, 5452, 5452]


def test_a_ranger_that_babbles_does_not_hold_up_the_loop_or_fill_memory(board: Chip) -> None:
    ranger = serial_ranger()
    board.uarts[1] = bytearray(Random("babble").randbytes(100_000))
    times_us, took_ms = burst(board, ranger)
    assert times_us is not None
    assert took_ms < ECHO_PATIENCE_MS
    assert len(ranger._partial) < 4
