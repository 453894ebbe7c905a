"""Guessing is slowed; whoever knows the password is never shut out. Time is passed in."""

from __future__ import annotations

from itertools import pairwise

import pytest

from dashboards import guesses
from dashboards.guesses import FREE_TRIES, LONGEST_WAIT_S, MOST_KEYS, UNDER_ATTACK_FROM, Guesses
from dashboards.pace import Pace

OWNER, ELSEWHERE = "192.0.2.1", "198.51.100.9"


def tries(kept: Guesses, count: int, now_s: float = 0.0, name: str = "rosa", address: str = ELSEWHERE) -> list[float]:
    return [kept.admit(name, address, None, now_s) for _ in range(count)]


def test_a_few_mistakes_cost_nothing() -> None:
    assert tries(Guesses(), FREE_TRIES) == [0.0] * FREE_TRIES


def test_then_each_wait_is_twice_the_last_up_to_five_minutes() -> None:
    kept, now_s, waits = Guesses(), 0.0, []
    tries(kept, FREE_TRIES)
    for _ in range(12):
        wait_s = kept.admit("rosa", ELSEWHERE, None, now_s)
        waits.append(wait_s)
        now_s += wait_s
        assert kept.admit("rosa", ELSEWHERE, None, now_s) == 0.0
    assert waits[0] == pytest.approx(2.0)
    for earlier, later in pairwise(waits):
        assert later == pytest.approx(LONGEST_WAIT_S) or 1.3 < later / earlier < 2.05
    assert waits[-1] == LONGEST_WAIT_S


def test_a_hundred_tries_at_one_instant_are_a_hundred_tries() -> None:
    assert sum(wait == 0.0 for wait in tries(Guesses(), 100)) == FREE_TRIES


def test_one_address_gets_less_than_four_hundred_tries_a_day() -> None:
    kept, count = Guesses(), 0
    for second in range(86_400):
        count += kept.admit("rosa", ELSEWHERE, None, float(second)) == 0.0
    assert count < 400


def test_many_names_from_one_address_are_slowed_as_well() -> None:
    kept = Guesses()
    let_through = sum(kept.admit(f"name{n}", ELSEWHERE, None, 0.0) == 0.0 for n in range(100))
    assert let_through == guesses.FREE_TRIES_OF_AN_ADDRESS


def test_however_much_is_guessed_elsewhere_the_owner_gets_in_from_a_new_address() -> None:
    kept = Guesses()
    for n in range(1000):
        kept.admit("rosa", f"198.51.100.{n % 250}", None, n * 0.1)
    assert kept.admit("rosa", OWNER, None, 100.0) == 0.0


def test_and_from_the_guessers_own_address_with_a_browser_known_before() -> None:
    kept = Guesses()
    tries(kept, 1000)
    assert kept.admit("rosa", ELSEWHERE, None, 0.0) > 0.0
    assert kept.admit("rosa", ELSEWHERE, "mark of her phone", 0.0) == 0.0


def test_a_known_browser_that_guesses_is_slowed_itself_and_slows_nobody_else() -> None:
    kept = Guesses()
    waits = [kept.admit("rosa", OWNER, "stolen phone", 0.0) for _ in range(20)]
    assert sum(wait == 0.0 for wait in waits) == FREE_TRIES
    assert kept.admit("rosa", OWNER, None, 0.0) == 0.0


def test_an_account_guessed_at_from_everywhere_gives_each_address_fewer_tries() -> None:
    kept = Guesses()
    for n in range(UNDER_ATTACK_FROM):
        kept.admit("rosa", f"10.0.0.{n}", None, 0.0)
    assert sum(wait == 0.0 for wait in tries(kept, 10)) == guesses.FREE_TRIES_UNDER_ATTACK


def test_signing_in_takes_the_try_back() -> None:
    kept = Guesses()
    for _ in range(50):
        assert kept.admit("rosa", OWNER, None, 0.0) == 0.0
        kept.succeeded("rosa", OWNER, None, 0.0)


def test_signing_in_to_ones_own_account_does_not_buy_guesses_at_another() -> None:
    kept, let_through = Guesses(), 0
    for _ in range(100):
        let_through += kept.admit("rosa", ELSEWHERE, None, 0.0) == 0.0
        if kept.admit("guesser", ELSEWHERE, None, 0.0) == 0.0:
            kept.succeeded("guesser", ELSEWHERE, None, 0.0)
    assert let_through == FREE_TRIES


def test_mistakes_are_forgotten_in_time() -> None:
    kept = Guesses()
    tries(kept, FREE_TRIES)
    later_s = FREE_TRIES * guesses.FORGET_ONE_EVERY_S
    assert tries(kept, FREE_TRIES, later_s) == [0.0] * FREE_TRIES


def test_no_number_of_addresses_fills_the_memory() -> None:
    kept = Guesses()
    for n in range(3 * MOST_KEYS):
        kept.admit(f"n{n}", f"a{n}", None, 0.0)
    assert len(kept._counts) <= MOST_KEYS


# --- pace ---


def test_a_burst_passes_and_then_a_steady_pace() -> None:
    pace = Pace(per_s=2.0, burst=5)
    assert sum(pace.allows("a", 0.0) for _ in range(20)) == 5
    assert sum(pace.allows("a", 10.0 + n * 0.25) for n in range(400)) == pytest.approx(2.0 * 100 + 5, abs=2)


def test_one_does_not_use_up_what_is_anothers() -> None:
    pace = Pace(per_s=1.0, burst=3)
    assert not all(pace.allows("flood", 0.0) for _ in range(1000))
    assert pace.allows("rosa", 0.0)


def test_a_clock_that_steps_back_gives_nothing_and_takes_nothing() -> None:
    pace = Pace(per_s=1.0, burst=2)
    assert [pace.allows("a", now_s) for now_s in (100.0, 50.0, 49.0)] == [True, True, False]


def test_the_one_not_seen_for_longest_is_forgotten_first() -> None:
    pace = Pace(per_s=0.001, burst=1, most_keys=2)
    assert pace.allows("a", 0.0)
    assert pace.allows("b", 0.0)
    assert not pace.allows("a", 0.0)
    assert pace.allows("c", 0.0)
    assert not pace.allows("a", 0.0)
    assert pace.allows("b", 0.0)
