"""What the reports of a run come to."""

from __future__ import annotations

import json

import pytest

from controller.estimate.flow_run import FILLING_MS, Averages, FlowRun, RunSampler

PULSES_A_S = 45


def sampled(seconds: int, *, stops_after_s: int | None = None) -> RunSampler:
    """A pump with 2 A beside it, whose flow may end."""
    sampler = RunSampler()
    sampler.observe(0, False, 0, 12.8, 700.0, 1.0)
    for second in range(1, seconds + 1):
        flows = stops_after_s is None or second <= stops_after_s
        volts = 11.0 if second * 1000 <= FILLING_MS else 12.2
        sampler.observe(1000 * second, True, PULSES_A_S if flows else 0, volts, 690.0, -10.0 if second == 1 else -3.0)
    return sampler


def averages(sampler: RunSampler) -> Averages:
    found = sampler.averages()
    assert found is not None
    return found


def test_a_run_that_never_pumped_has_no_averages() -> None:
    sampler = RunSampler()
    sampler.observe(0, False, 0, 12.8)
    assert sampler.averages() is None


def test_the_steady_flow_leaves_out_the_filling_of_the_line() -> None:
    found = averages(sampled(100))
    assert found.steady_pulses / found.steady_s == pytest.approx(PULSES_A_S)
    assert found.steady_s == 100 - 1 - FILLING_MS / 1000
    assert found.battery_v == pytest.approx(12.2)
    assert found.level_mm == pytest.approx(690.0)


def test_the_current_is_what_came_on_top_without_the_inrush() -> None:
    assert averages(sampled(30)).current_a == pytest.approx(4.0)


def test_drops_after_the_stop_count_for_the_run_but_not_as_steady_flow() -> None:
    sampler = sampled(60)
    before = averages(sampler)
    sampler.observe(61_000, False, 20, 12.6)
    assert averages(sampler).pulses == before.pulses + 20
    assert averages(sampler).steady_pulses == before.steady_pulses


def test_silence_is_counted_from_the_last_pulse() -> None:
    assert averages(sampled(60, stops_after_s=40)).silent_s == 20.0
    assert averages(sampled(16, stops_after_s=0)).silent_s == 15.0


def test_a_short_run_tells_nothing() -> None:
    assert not FlowRun("bed", 0, steady_l=1.5, steady_s=15.0, battery_v=12.5, level_mm=700.0).tells
    assert FlowRun("bed", 0, steady_l=3.0, steady_s=30.0, battery_v=12.5, level_mm=700.0).tells


def test_what_was_gathered_survives_json_but_not_a_new_clock() -> None:
    sampler, again = sampled(50), RunSampler()
    again.load(json.loads(json.dumps(sampler.dump())))
    assert again.averages() == sampler.averages()
    again.restarted()
    assert again.averages() is None
