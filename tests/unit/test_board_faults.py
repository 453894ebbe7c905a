"""The list of faults, and how long a condition has lasted."""

from __future__ import annotations

from firmware_host.board import faults as ids
from firmware_host.board.faults import Faults, Persistence


def test_at_boot_no_fault_stands_and_nothing_has_changed() -> None:
    faults = Faults()
    assert (faults.standing, faults.text(), faults.blocking(), faults.changed) == ([], "", "", False)


def test_faults_are_told_oldest_first_each_once_and_only_a_change_is_a_change() -> None:
    faults = Faults()
    faults.raise_(ids.LEASE_LAPSED)
    faults.raise_(ids.DRY)
    faults.raise_(ids.NO_FLOW)
    assert faults.changed is True
    faults.changed = False
    faults.raise_(ids.DRY)
    faults.clear(ids.MISMATCH)
    assert faults.changed is False
    assert faults.text() == "board-lease-lapsed,board-dry,board-no-flow"
    assert faults.blocking() == "board-dry"
    faults.clear(ids.DRY)
    assert faults.changed is True
    assert faults.blocking() == "board-no-flow"
    faults.clear(ids.NO_FLOW)
    assert faults.blocking() == ""
    assert faults.stand(ids.LEASE_LAPSED)


def test_a_condition_lasts_from_the_moment_it_began_also_when_that_was_boot() -> None:
    condition = Persistence()
    assert condition.since == -1
    assert [condition.update(True, now) for now in (0, 1, 500)] == [0, 1, 500]
    assert condition.update(False, 501) == -1
    assert condition.since == -1
    assert [condition.update(True, now) for now in (700, 900)] == [0, 200]
    assert condition.since == 700
