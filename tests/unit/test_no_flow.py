"""Why nothing is counted: what level, fall and current say."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from controller.estimate.no_flow import ENOUGH_LOG_ODDS, LARGEST_LOG_ODDS, NoFlow, SilentRun, fall_log_odds

TRY = SilentRun("bed", 1_000, 15.0, level_mm=600.0, level_sd_mm=1.0, drop_l=0.0, drop_sd_l=0.4)
USUAL_L_MIN, USUAL_A = 6.0, 4.0


def after(*tries: SilentRun) -> NoFlow:
    no_flow = NoFlow(suction_mm=80.0)
    for run in tries:
        no_flow.take(run, USUAL_L_MIN, USUAL_A)
    return no_flow


def kind_after(*tries: SilentRun) -> str | None:
    verdict = after(*tries).verdict
    return None if verdict is None else verdict.kind


def test_nothing_is_the_matter_before_a_try() -> None:
    assert kind_after() is None


def test_a_tank_that_falls_as_it_should_went_through_a_dead_meter() -> None:
    falls = replace(TRY, drop_l=1.2)
    assert kind_after(falls, falls) == "meter-dead"


def test_a_tank_well_filled_that_does_not_fall_feeds_a_blocked_line() -> None:
    assert kind_after(TRY, TRY) == "line-blocked"


def test_one_try_between_both_says_only_that_nothing_flows() -> None:
    assert kind_after(replace(TRY, drop_l=0.6)) == "no-flow"


@pytest.mark.parametrize("dry", [replace(TRY, level_mm=84.0), replace(TRY, level_mm=95.0, level_sd_mm=5.0)])
def test_a_level_at_the_suction_is_a_dry_run(dry: SilentRun) -> None:
    assert kind_after(dry) == "ran-dry"


def test_a_dry_float_is_believed_against_the_ranger() -> None:
    assert kind_after(replace(TRY, float_dry=True)) == "ran-dry"


def test_a_fall_tells_a_dead_meter_even_near_the_suction() -> None:
    low = replace(TRY, level_mm=88.0, drop_l=1.3, drop_sd_l=0.3)
    assert kind_after(low) == "meter-dead"


def test_a_pump_that_takes_no_current_stands_still() -> None:
    assert kind_after(replace(TRY, current_a=0.1)) == "pump-still"
    assert kind_after(replace(TRY, current_a=3.6), replace(TRY, current_a=3.6)) == "line-blocked"


def test_a_can_taken_meanwhile_is_not_more_than_one_try_says() -> None:
    assert fall_log_odds(10.0, 0.4, 1.2) == LARGEST_LOG_ODDS
    assert after(replace(TRY, drop_l=10.0), TRY, TRY).verdict.log_odds < ENOUGH_LOG_ODDS  # type: ignore[union-attr]


def test_a_fall_nobody_could_measure_says_nothing() -> None:
    assert kind_after(*[replace(TRY, drop_l=None)] * 3) == "no-flow"


def test_tries_survive_json_and_a_new_clock() -> None:
    no_flow = after(replace(TRY, current_a=3.5), TRY)
    again = NoFlow(suction_mm=80.0)
    again.load(json.loads(json.dumps(no_flow.dump())))
    assert again.dump() == no_flow.dump()
    assert again.verdict == no_flow.verdict
    again.restarted(-400)
    assert again.since_ms == 600
