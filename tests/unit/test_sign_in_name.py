"""Two clients of one name throw each other out at the broker: the controller goes aside, says so, and comes back."""

from __future__ import annotations

import itertools

import pytest

from controller.service.sign_in_name import End, SignInName

OWN = "hillfoot-controller-4f0c"
HOUR_S = 3600.0


@pytest.fixture
def name() -> SignInName:
    numbers = itertools.count(1)
    return SignInName(OWN, lambda: f"x{next(numbers)}")


def ends(name: SignInName, end: End, *times_s: float) -> None:
    """Connections that begin and end at once."""
    for time_s in times_s:
        name.let_in(time_s)
        name.ended(time_s, end)


def test_three_takeovers_in_a_minute_are_borne_and_at_the_fourth_it_goes_aside_and_says_so(name: SignInName) -> None:
    ends(name, "taken over", 0, 20, 40)
    assert (name.name, name.trouble) == (OWN, None)
    ends(name, "taken over", 59)
    assert name.name == f"{OWN}-x1"
    assert OWN in str(name.trouble)


def test_takeovers_now_and_then_are_borne(name: SignInName) -> None:
    ends(name, "taken over", *(600.0 * n for n in range(50)))
    assert (name.name, name.trouble) == (OWN, None)


def test_nor_does_a_slow_fight_go_on_for_ever(name: SignInName) -> None:
    ends(name, "taken over", *(31.0 * n for n in range(12)))
    assert not name.aside
    ends(name, "taken over", 31.0 * 12)
    assert name.aside


def test_it_stays_aside_whatever_the_network_does(name: SignInName) -> None:
    ends(name, "taken over", 0, 1, 2, 3)
    ends(name, "cut", 5, 6, 7, 8)
    ends(name, "not let in", 9)
    assert name.name == f"{OWN}-x1"
    assert name.trouble is not None


def aside_for_an_hour(name: SignInName) -> None:
    ends(name, "taken over", 0, 1, 2, 3)
    name.let_in(4)
    assert name.stays(3 + HOUR_S - 1)
    assert not name.stays(3 + HOUR_S)
    name.ended(3 + HOUR_S, "other")
    assert name.name == OWN
    assert name.trouble is not None, "not before the own name has proved to be free"


def test_after_a_quiet_hour_the_own_name_is_tried_and_if_it_is_let_alone_all_is_well(name: SignInName) -> None:
    aside_for_an_hour(name)
    name.let_in(5 + HOUR_S)
    assert name.stays(64 + HOUR_S)
    assert name.trouble is not None
    assert name.stays(65 + HOUR_S)
    assert (name.name, name.trouble) == (OWN, None)


@pytest.mark.parametrize("end", ["taken over", "cut"])
def test_if_the_other_is_still_there_one_takeover_is_enough_to_go_aside_for_another_hour(
    name: SignInName, end: End
) -> None:
    aside_for_an_hour(name)
    ends(name, end, 5 + HOUR_S)
    assert name.name == f"{OWN}-x2"
    assert name.trouble is not None
    name.let_in(6 + HOUR_S)
    assert name.stays(4 + 2 * HOUR_S)
    assert not name.stays(5 + 2 * HOUR_S)


def test_where_the_broker_gives_no_reason_the_other_name_is_the_proof(name: SignInName) -> None:
    ends(name, "cut", 0, 5, 10, 15)
    assert name.name == f"{OWN}-x1"
    name.let_in(16)
    assert name.stays(75)
    assert name.trouble is None, "it may have been the cable"
    assert name.stays(76)
    assert name.trouble is not None, "by the other name it is let alone"


@pytest.mark.parametrize("end", ["cut", "not let in"])
def test_if_the_other_name_fares_no_better_it_was_not_the_name_and_nothing_is_said(name: SignInName, end: End) -> None:
    ends(name, "cut", 0, 5, 10, 15)
    ends(name, end, 30)
    assert (name.name, name.trouble) == (OWN, None)
    ends(name, "cut", *range(40, 3600, 10))
    assert (name.name, name.trouble) == (OWN, None), "a bad network is not taken for it again and again"


def test_a_broker_that_goes_away_in_between_has_cut_for_that_reason(name: SignInName) -> None:
    for time_s in range(0, 50, 10):
        ends(name, "cut", time_s)
        name.ended(time_s + 5, "not let in")
    assert not name.aside
    ends(name, "taken over", 50, 51)
    name.ended(52, "not let in")
    ends(name, "taken over", 53, 54)
    assert name.aside, "what the broker says of takeovers counts all the same"


def test_what_the_controller_ends_by_itself_is_no_sign(name: SignInName) -> None:
    ends(name, "other", *range(20))
    assert not name.aside


def test_nobody_can_make_it_change_names_more_than_once_in_an_hour_by_fighting_for_each(name: SignInName) -> None:
    seen = set()
    for time_s in range(4 * 3600):
        name.let_in(time_s)
        if not name.stays(time_s):
            name.ended(time_s, "other")
        elif not name.aside:
            name.ended(time_s, "taken over")
        seen.add(name.name)
    assert len(seen - {OWN}) == 4
