"""What the level estimator is made of: sorting pings out, candidates and false echoes, the stuck watch, air, filter."""

from __future__ import annotations

import json
import math
from random import Random

import pytest

from controller.estimate.deeper_echo import DeeperEcho
from controller.estimate.echoes import from_the_surface, places, that_agree
from controller.estimate.headspace import DEFAULT_HEADSPACE_C, GUESSED_SD_K, Headspace
from controller.estimate.jumps import Candidate, FalseEcho
from controller.estimate.sound import headspace_speed_m_s
from controller.estimate.stuck import StuckWatch, frozen_limit_l
from controller.estimate.volume import (
    LASTING,
    LAYERED,
    LEVEL,
    METER,
    RATE,
    SPEED_SENSITIVITY_PER_K,
    TURNING,
    Surroundings,
    VolumeFilter,
)

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
STILL_AIR = Surroundings(1.0, 0.0, 0.0, 0.0)


# --- pings ------------------------------------------------------------------------------------------------------------


def test_pings_from_a_ladder_do_not_outvote_two_from_the_surface() -> None:
    echoes = from_the_surface((3000, 3004, 2998, 5003, 5007), 5000.0, 30.0, 60.0, None)
    assert echoes is not None
    assert echoes.mean_us == pytest.approx(5005.0)
    assert echoes.pings == 2


def test_a_ping_a_wave_late_is_put_right() -> None:
    echoes = from_the_surface((5000, 5002, 5026), 5000.0, 10.0, 60.0, None)
    assert echoes is not None
    assert echoes.mean_us == pytest.approx(5001.0)


def test_two_pings_among_three_from_all_over_the_place_are_no_surface() -> None:
    assert from_the_surface((900, 3000, 5001, 5003, 11_000), 5000.0, 30.0, 60.0, None) is None


def test_lost_pings_do_not_speak_against_the_two_that_are_left() -> None:
    assert from_the_surface((0, 0, 5001, 5003, 0), 5000.0, 30.0, 60.0, None) is not None


def test_one_ping_is_enough_beside_a_false_echo_that_is_known() -> None:
    beset = (3000, 3004, 2998, 3001, 5003)
    assert from_the_surface(beset, 5000.0, 30.0, 60.0, 3000.0) is not None
    assert from_the_surface(beset, 5000.0, 30.0, 60.0, None) is None


def test_pings_close_together_are_one_place() -> None:
    assert places((100, 130, 400, 420, 900), 60.0) == 3


def test_an_echo_apart_is_left_out_when_nothing_is_expected() -> None:
    agreed = that_agree((5000, 5004, 5009, 5400), 60.0, 600.0)
    assert agreed is not None
    assert agreed.pings == 3
    assert that_agree((1000, 3000, 5000, 7000, 9000), 60.0, 600.0) is None


# --- other levels -----------------------------------------------------------------------------------------------------


def judged(
    candidate: Candidate,
    seen_mm: float,
    minute: float,
    believed_mm: float = 500.0,
    silent: int = 1,
    rare: bool = False,
    was_false: bool = False,
) -> str:
    """See a level and judge it: 20 mm a minute up and 8 down, 5 mm allowed; believed last at minute 0."""
    now_ms = round(minute * MINUTE_MS)
    candidate.see(seen_mm, now_ms, silent * MINUTE_MS, 20.0, 8.0, 5.0)
    return candidate.judge(believed_mm, 0, now_ms, 20.0, 8.0, rare=rare, was_false=was_false)


def test_a_rise_that_a_hose_can_bring_needs_a_second_look() -> None:
    candidate = Candidate()
    assert judged(candidate, 515.0, 1) == "doubt"
    assert judged(candidate, 530.0, 2) == "reached"


def test_from_where_a_rung_has_answered_of_late_water_must_rise_or_stay() -> None:
    standing, rising = Candidate(), Candidate()
    verdicts = [judged(standing, 547.0, minute, was_false=True) for minute in range(5, 105, 5)]
    assert verdicts == ["doubt"] * 18 + ["jumped"] * 2
    verdicts = [judged(rising, 547.0 + 4.0 * minute, minute, was_false=True) for minute in range(1, 7)]
    assert verdicts == ["doubt"] * 4 + ["reached"] * 2


def test_what_is_heard_each_five_minutes_must_rise_or_stay_although_water_can_have_got_there() -> None:
    """A rung that answers for minutes fills two bursts on end."""
    standing, rising = Candidate(), Candidate()
    verdicts = [judged(standing, 580.0, minute, silent=5, rare=True) for minute in range(5, 30, 5)]
    assert verdicts == ["doubt"] * 4 + ["jumped"]
    verdicts = [judged(rising, 580.0 + 1.8 * minute, minute, silent=5, rare=True) for minute in (5, 10)]
    assert verdicts == ["doubt", "reached"]


def test_something_is_no_water_if_it_echoed_once_beside_the_surface_within_an_hour() -> None:
    rung = FalseEcho()
    rung.see(1034.0, 0)
    assert not rung.is_from(1034.0, 0)
    rung.see_beside(1034.0, 0)
    assert rung.is_from(1030.0, 3_600_000)
    assert not rung.is_from(1020.0, 3_600_000)
    assert not rung.is_from(1034.0, 3_600_001)


def test_a_nearer_level_that_no_water_reaches_is_a_false_echo_until_it_has_stayed_for_long() -> None:
    candidate = Candidate()
    verdicts = [judged(candidate, 800.0, minute) for minute in range(1, 93)]
    assert verdicts[:4] == ["doubt"] * 4
    assert set(verdicts[4:89]) == {"false echo"}
    assert verdicts[-1] == "stayed"


def test_a_lower_level_that_stays_is_believed_after_a_minute() -> None:
    candidate = Candidate()
    verdicts = [judged(candidate, 200.0, minute) for minute in range(1, 6)]
    assert verdicts == ["doubt"] * 4 + ["jumped"]


def test_a_level_after_a_time_without_bursts_is_believed_sooner_than_one_after_bad_bursts() -> None:
    silent, bad = Candidate(), Candidate()
    silent_verdicts = [judged(silent, 800.0, minute, silent=30) for minute in range(30, 36)]
    bad_verdicts = [judged(bad, 800.0, minute) for minute in range(30, 36)]
    assert silent_verdicts[-1] == "jumped"
    assert set(bad_verdicts) == {"doubt"}
    assert judged(bad, 800.0, 40) == "jumped"


def test_a_level_that_most_bursts_do_not_show_is_never_believed() -> None:
    candidate = Candidate()
    for minute in range(1, 40):
        verdict = judged(candidate, 200.0, minute)
        candidate.miss()
        candidate.miss()
        assert minute == 1 or verdict == "doubt"


def seen_each_second(candidate: Candidate, first_mm: float, rise_mm_min: float, minutes: float) -> list[str]:
    """What is said of something seen each second, from a second after the level was believed at 500 mm."""
    verdicts = []
    for second in range(1, int(60 * minutes)):
        now_ms = 1000 * second
        candidate.see(first_mm + rise_mm_min * second / 60.0, now_ms, 1000, 20.0, 8.0, 5.0)
        verdicts.append(candidate.judge(500.0, 0, now_ms, 20.0, 8.0))
    return verdicts


@pytest.mark.parametrize("rise_mm_min", [8.0, 20.0])
def test_what_rises_as_water_does_is_water_although_a_wave_lifted_its_first_sight(rise_mm_min: float) -> None:
    verdicts = seen_each_second(Candidate(), 512.0, rise_mm_min, 3)
    assert verdicts.index("reached") == pytest.approx(60.0 * 15.0 / rise_mm_min, abs=3)


def test_a_thing_that_stands_still_above_the_surface_is_no_water() -> None:
    assert set(seen_each_second(Candidate(), 512.0, 0.0, 20)) == {"doubt", "false echo"}


def test_a_step_up_within_the_reach_of_waves_is_believed_when_it_stays_a_minute() -> None:
    verdicts = seen_each_second(Candidate(), 509.0, 0.0, 2)
    assert verdicts.index("jumped") == 60
    assert set(verdicts[:60]) == {"doubt"}


def test_a_candidate_falls_with_what_is_metered_out() -> None:
    candidate = Candidate()
    judged(candidate, 515.0, 1)
    candidate.lower(100.0)
    assert judged(candidate, 415.0, 1.1, believed_mm=400.0) == "reached"


def test_a_false_echo_is_found_after_half_an_hour_and_forgotten_after_a_day() -> None:
    false_echo = FalseEcho()
    for minute in range(29):
        false_echo.see(700.0 + minute % 3, minute * MINUTE_MS)
    assert false_echo.found_mm(29 * MINUTE_MS) is None
    false_echo.see(701.0, 31 * MINUTE_MS)
    assert false_echo.found_mm(31 * MINUTE_MS) == pytest.approx(701.0, abs=1.0)
    assert false_echo.found_mm(32 * MINUTE_MS + 24 * HOUR_MS) is None


def test_strays_from_anywhere_are_no_false_echo() -> None:
    false_echo, rng = FalseEcho(), Random(4)
    for minute in range(600):
        false_echo.see(rng.uniform(300.0, 1200.0), minute * MINUTE_MS)
        assert false_echo.found_mm(minute * MINUTE_MS) is None


# --- stuck ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("capacity_l", "limit_l"), [(200.0, 10.0), (500.0, 10.0), (1900.0, 38.0)])
def test_the_limit_is_two_per_cent_of_the_capacity_and_ten_litres_at_least(capacity_l: float, limit_l: float) -> None:
    assert frozen_limit_l(capacity_l) == pytest.approx(limit_l)


def test_a_level_that_falls_as_metered_moves_the_anchor_and_one_that_does_not_is_stuck() -> None:
    watch = StuckWatch(1900.0)
    assert watch.judge(900.0, 900.0) == "anchored"
    watch.drawn_l += 20.0
    assert watch.judge(881.0, 880.0) == "anchored"
    watch.drawn_l += 38.1
    assert watch.judge(880.0, 842.0) == "stuck"
    assert watch.ledger_l(0.0) == pytest.approx(880.0 - 38.1)
    assert watch.ledger_l(0.02) == pytest.approx(880.0 - 38.1 * 1.02)
    assert watch.judge(890.0, 842.0) == "stuck"
    assert watch.judge(830.0, 842.0) == "moved"


def test_small_runs_add_up_to_a_stuck_level() -> None:
    watch = StuckWatch(1900.0)
    watch.judge(900.0, 900.0)
    verdicts = []
    for _ in range(8):
        watch.drawn_l += 5.0
        verdicts.append(watch.judge(900.0, 900.0))
    assert verdicts == ["fine"] * 7 + ["stuck"]


# --- the air ----------------------------------------------------------------------------------------------------------


def test_the_mean_over_days_settles_on_the_mean_of_the_day() -> None:
    air = Headspace()
    for hour in range(24 * 6):
        air.measured(15.0 + 8.0 * math.sin(2.0 * math.pi * hour / 24.0))
        air.pass_time(1.0)
    air.measured(23.0)
    around = air.around(1000.0)
    assert around.layered_k == pytest.approx(-8.0, abs=0.8)
    assert around.turning_k == 0.0
    assert around.mm_per_k == pytest.approx(1000.0 * SPEED_SENSITIVITY_PER_K)


@pytest.mark.parametrize("broken_c", [None, 85.0, -127.0, math.nan, math.inf])
def test_a_dead_probe_leaves_the_mean_over_days(broken_c: float | None) -> None:
    air = Headspace()
    air.measured(broken_c)
    assert air.speed_m_s == headspace_speed_m_s(DEFAULT_HEADSPACE_C)
    assert air.unsure_k == GUESSED_SD_K
    air.measured(18.0)
    assert air.unsure_k == 0.0
    air.measured(broken_c)
    assert air.speed_m_s == headspace_speed_m_s(18.0)
    assert 0.0 < air.unsure_k < GUESSED_SD_K


@pytest.mark.parametrize("celsius", [5.0, 15.0, 25.0])
def test_the_sensitivity_is_the_slope_of_the_speed_of_sound(celsius: float) -> None:
    slope = (headspace_speed_m_s(celsius + 0.5) - headspace_speed_m_s(celsius - 0.5)) / headspace_speed_m_s(celsius)
    assert pytest.approx(slope, rel=0.15) == SPEED_SENSITIVITY_PER_K


# --- the filter -------------------------------------------------------------------------------------------------------


def day_of_echoes(filtered: VolumeFilter, level_mm: float, share: float, hours: int, rng: Random) -> None:
    """Steps of ten minutes over a surface that stays, with a probe that goes up and down 8 K about the water."""
    for step in range(6 * hours):
        water_k = -8.0 * math.sin(2.0 * math.pi * step / 144.0)
        around = Surroundings(1.7, min(water_k, 0.0), max(water_k, 0.0), 0.0)
        filtered.predict(1.0 / 6.0, 0.0, 0.0, 0.0)
        true_warmer_k = share * water_k
        seemed_mm = level_mm + around.mm_per_k * true_warmer_k + rng.gauss(0.0, 0.3)
        believed_mm = filtered.state[LEVEL] + around.mm_per_k * around.warmer_k(filtered.state)
        filtered.correct(seemed_mm - believed_mm, 0.1, around)


def test_what_follows_the_day_while_nothing_flows_is_learned_as_air() -> None:
    filtered = VolumeFilter()
    filtered.meet(600.0, 1.0, STILL_AIR)
    day_of_echoes(filtered, 600.0, 0.3, 24 * 5, Random(2))
    assert filtered.state[LAYERED] == pytest.approx(0.3, abs=0.06)
    assert filtered.state[TURNING] == pytest.approx(0.3, abs=0.06)
    assert filtered.state[LEVEL] == pytest.approx(600.0, abs=1.0)


def test_a_meter_that_counts_too_little_is_learned_from_the_falls_it_causes() -> None:
    filtered = VolumeFilter()
    filtered.meet(900.0, 1.0, STILL_AIR)
    level_mm = 900.0
    for _ in range(20):
        level_mm -= 30.0 * 1.02
        filtered.predict(0.1, 30.0, 0.0, 0.0)
        filtered.correct(level_mm - filtered.state[LEVEL], 0.3, STILL_AIR)
    assert filtered.state[METER] == pytest.approx(0.02, abs=0.003)
    assert math.sqrt(filtered.meter_variance) < 0.005


def test_what_is_learned_outlasts_a_new_level() -> None:
    filtered = VolumeFilter()
    filtered.meet(600.0, 1.0, STILL_AIR)
    day_of_echoes(filtered, 600.0, 0.3, 72, Random(3))
    learned = filtered.state[LAYERED], filtered.state[LASTING]
    filtered.meet(300.0, 1.0, STILL_AIR)
    assert filtered.state[LAYERED] == pytest.approx(learned[0])
    assert filtered.state[LASTING] == pytest.approx(learned[1])
    assert filtered.state[LEVEL] == 300.0


def test_the_covariance_stays_symmetric_and_positive() -> None:
    filtered, rng = VolumeFilter(), Random(5)
    filtered.meet(600.0, 1.0, STILL_AIR)
    for _ in range(500):
        around = Surroundings(rng.uniform(0.5, 3.0), -8.0 * rng.random(), 0.0, rng.uniform(-2.0, 2.0))
        filtered.predict(rng.uniform(0.001, 0.2), rng.choice((0.0, 5.0)), rng.choice((0.0, 4.0)), 0.0)
        filtered.correct(rng.gauss(0.0, 1.0), 0.3, around)
        matrix = filtered.covariance
        for i, row in enumerate(matrix):
            assert row[i] > 0.0
            assert row == pytest.approx([other[i] for other in matrix], rel=1e-6, abs=1e-9)


def test_uncertainty_grows_with_age() -> None:
    filtered = VolumeFilter()
    filtered.meet(600.0, 1.0, STILL_AIR)
    ages = [filtered.level_variance_mm2(hours) for hours in (0.0, 1.0, 10.0, 100.0)]
    assert ages == sorted(ages)
    assert ages[-1] > 2.0 * ages[0]


def test_a_filter_told_to_go_on_goes_on_exactly() -> None:
    filtered = VolumeFilter()
    filtered.meet(600.0, 1.0, STILL_AIR)
    day_of_echoes(filtered, 600.0, 0.3, 5, Random(6))
    copy = VolumeFilter()
    copy.load(json.loads(json.dumps(filtered.dump())))
    for one in (filtered, copy):
        day_of_echoes(one, 600.0, 0.3, 5, Random(7))
    assert copy.dump() == filtered.dump()


def test_a_probe_that_jumps_is_doubted_until_it_comes_back() -> None:
    air = Headspace()
    air.measured(20.0)
    for told_c in (-30.0, -28.0, 40.0):
        air.measured(told_c, 60_000)
        assert air.unsure_k > 0.0
        assert air.speed_m_s == headspace_speed_m_s(20.0)
    air.measured(24.0, 60_000)
    assert (air.unsure_k, air.speed_m_s) == (0.0, headspace_speed_m_s(24.0))


def test_a_probe_that_nobody_asked_for_half_an_hour_may_show_anything() -> None:
    air = Headspace()
    air.measured(20.0)
    air.measured(45.0, 30 * 60_000)
    assert (air.unsure_k, air.speed_m_s) == (0.0, headspace_speed_m_s(45.0))


def test_a_probe_that_goes_on_with_another_temperature_for_half_a_day_is_right_in_the_end() -> None:
    air = Headspace()
    air.measured(20.0)
    for hour in range(13):
        air.measured(-10.0 + 0.1 * hour, 60_000)
        assert (air.unsure_k > 0.0) is (hour < 12)
        air.pass_time(1.0)
    assert air.speed_m_s == headspace_speed_m_s(-10.0 + 0.1 * 12)


def test_no_surprise_makes_air_that_cannot_be() -> None:
    """However far off the echoes are, a part of the way stays a part, and the air within a kelvin or two."""
    tracked = VolumeFilter()
    around = Surroundings(1.0, -8.0, 0.0, -5.0)
    tracked.meet(500.0, 1.0, around)
    for step in range(40):
        tracked.predict(0.25, 0.0)
        tracked.correct(-10.0 if step < 20 else 10.0, 1.0, around)
        _, _, air, lasting, layered, turning, lead, _ = tracked.state
        assert abs(air) <= 1.0
        assert abs(lasting) <= 1.5
        assert 0.0 <= layered <= 1.0
        assert 0.0 <= turning <= 1.0
        assert abs(lead) <= 1.0


def test_flow_that_is_expected_takes_a_surprise_whole_and_goes_on_with_it() -> None:
    told, kept = VolumeFilter(), VolumeFilter()
    still = Surroundings(1.0, 0.0, 0.0, 0.0)
    for tracked in (told, kept):
        tracked.meet(500.0, 1.0, still)
        for _ in range(40):
            tracked.predict(0.25, 0.0)
            tracked.correct(0.0, 0.25, still)
    told.expect_flow(-5.0, 0.25)
    for tracked in (told, kept):
        tracked.correct(-5.0, 0.25, still)
    assert told.state[LEVEL] == pytest.approx(495.0, abs=0.5)
    assert told.state[RATE] == pytest.approx(-20.0, abs=2.0)
    assert kept.state[LEVEL] > 497.0


# --- below the level -------------------------------------------------------------------------------------------------


def test_three_bursts_that_hear_the_same_place_below_are_sure() -> None:
    deeper = DeeperEcho()
    for number in range(3):
        assert not deeper.is_sure
        deeper.see(1150.0 + number, 1060.0, 6.0, number * 1000)
    assert deeper.is_sure


def test_bursts_that_hear_nothing_below_speak_against_it() -> None:
    deeper = DeeperEcho()
    for number in range(20):
        deeper.see(1150.0 if number % 5 == 0 else None, 1060.0, 6.0, number * 1000)
        assert not deeper.is_sure


def test_places_below_that_differ_are_strays() -> None:
    deeper = DeeperEcho()
    for number in range(10):
        deeper.see(1100.0 + 40.0 * (number % 3), 1060.0, 6.0, number * 1000)
        assert not deeper.is_sure


def test_water_below_may_fall_as_fast_as_the_pump_draws() -> None:
    deeper = DeeperEcho()
    for number in range(3):
        deeper.see(1150.0 + 25.0 * number, 1060.0, 6.0, number * 300_000)
    assert deeper.is_sure


@pytest.mark.parametrize("part", [1.96, 2.0, 2.04])
def test_twice_the_distance_is_the_second_trip_of_a_sound(part: float) -> None:
    deeper = DeeperEcho()
    for number in range(10):
        deeper.see(part * 500.0, 500.0, 6.0, number * 1000)
        assert not deeper.is_sure


def test_what_was_heard_below_an_hour_ago_counts_no_more() -> None:
    deeper = DeeperEcho()
    for when_ms in (0, 1000, 1000 + HOUR_MS + 1):
        deeper.see(1150.0, 1060.0, 6.0, when_ms)
    assert not deeper.is_sure
