"""Chores run late rather than never, and a chore that fails does not stop the others."""

from __future__ import annotations

import logging
import threading

import pytest

from controller.service.housekeeping import Housekeeping


def test_each_chore_runs_soon_after_the_start_and_again_and_again() -> None:
    runs = threading.Semaphore(0)
    housekeeping = Housekeeping({"sweep": lambda: runs.release()}, first_after_s=0.05, every_s=0.05)
    housekeeping.start()
    try:
        assert all(runs.acquire(timeout=5.0) for _ in range(3))
    finally:
        housekeeping.stop()


def test_a_chore_that_fails_is_told_and_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    tries = threading.Semaphore(0)

    def fail() -> None:
        tries.release()
        raise OSError("the card is full")

    housekeeping = Housekeeping({"sweep": fail}, first_after_s=0.05, every_s=0.05)
    with caplog.at_level(logging.ERROR, logger="pumphouse.housekeeping"):
        housekeeping.start()
        assert all(tries.acquire(timeout=5.0) for _ in range(2))
        housekeeping.stop()
    assert "the chore sweep failed" in caplog.text


def test_a_step_of_the_clock_starts_the_counting_anew() -> None:
    runs = threading.Semaphore(0)
    housekeeping = Housekeeping({"sweep": lambda: runs.release()}, first_after_s=0.3, every_s=3600.0)
    housekeeping.start()
    try:
        assert runs.acquire(timeout=5.0)
        # The next run would be an hour away; after a step it is due again 0.3 s from now.
        housekeeping.clock_stepped()
        assert runs.acquire(timeout=5.0)
    finally:
        housekeeping.stop()


def test_stopping_twice_or_before_the_start_is_harmless() -> None:
    housekeeping = Housekeeping({"sweep": lambda: None})
    housekeeping.stop()
    housekeeping.start()
    housekeeping.stop()
    housekeeping.stop()
