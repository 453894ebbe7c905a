"""Every fault of the catalogue strikes once alone, and some in pairs; scripts/campaign does it by the hundred."""

from __future__ import annotations

from random import Random

import pytest

from tests.scenario.strikes import ELSEWHERE, STRIKES, TOLD_ELSEWHERE, Strike, play
from tests.scenario.test_catalogue_of_faults import found_test

GROUPS = {"S": 11, "M": 8, "N": 10, "A": 10, "P": 6, "C": 8, "D": 9, "B": 14, "H": 13}
"""How many faults there are of the cable, the board, sensors, pump and pipes, supply, time, storage, broker, people."""
IDS = {f"{group}{number}" for group, count in GROUPS.items() for number in range(1, count + 1)}
LONG = ("P3", "A8", "A9")
"""Days of virtual time each; other tests of these three run always."""

TOGETHER = (
    ("A1", "S1"),
    ("P2", "N7"),
    ("N5", "H5"),
    ("N1", "A4"),
    ("S8", "M4"),
    ("C3", "P5"),
    ("P6", "D3"),
    ("M1", "D3"),
    ("A3", "N5"),
    ("C1", "S9"),
)
"""Two faults that have met before, or that hide each other."""


def row(fault_id: str) -> Strike:
    return next(strike for strike in STRIKES if strike.id == fault_id)


def test_every_fault_of_the_catalogue_strikes_here_or_has_a_test_with_real_parts() -> None:
    assert {strike.id for strike in STRIKES} | set(ELSEWHERE) == IDS
    assert not {strike.id for strike in STRIKES} & set(ELSEWHERE)
    for name in (*ELSEWHERE.values(), *TOLD_ELSEWHERE.values()):
        assert callable(found_test(name))
    assert not any(row(fault_id).told for fault_id in TOLD_ELSEWHERE)


@pytest.mark.parametrize(
    "strike", [strike for strike in STRIKES if strike.id not in LONG], ids=lambda strike: f"{strike.id}: {strike.what}"
)
def test_alone_it_does_no_harm_is_told_in_time_and_the_garden_recovers(strike: Strike) -> None:
    played = play([strike], 1)
    assert not played.off_stage
    assert played.broken == ""
    assert played.false == ()
    assert played.was_due is bool(strike.told)
    assert played.waited_s is None or played.waited_s <= strike.within_s


@pytest.mark.parametrize("pair", TOGETHER, ids="+".join)
def test_nor_do_two_together(pair: tuple[str, str]) -> None:
    played = play([row(fault_id) for fault_id in pair], 1)
    assert not played.off_stage
    assert played.broken == ""


def test_nor_any_two() -> None:
    rng, may_meet = Random(11), [strike for strike in STRIKES if strike.pairs]
    for seed in range(12):
        played = play(rng.sample(may_meet, 2), seed)
        assert played.broken == ""


@pytest.mark.parametrize(
    ("together", "seed"),
    [
        (("all are due together", "board boots on and on"), 1026),
        (("lines late", "level frozen"), 1062),
        (("a limit changes in memory", "board hangs"), 1006),
        (("level frozen",), 1034),
    ],
)
def test_nor_what_a_campaign_has_found(together: tuple[str, ...], seed: int) -> None:
    """Another bed was begun although the board had just booted again; lines let go at one instant were divided by the
    time between them; a limit was thought damaged after a reset had healed it; a level was doubted for too long."""
    strikes = [next(strike for strike in STRIKES if strike.what == what) for what in together]
    played = play(strikes, seed)
    assert not played.off_stage
    assert played.broken == ""


def test_the_same_seed_plays_the_same() -> None:
    for fault_id in ("S5", "P6", "N6"):
        assert play([row(fault_id)], 5) == play([row(fault_id)], 5)
