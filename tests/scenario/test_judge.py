"""The judge of hard weeks is no ornament: planted mistakes are found, each by the promise it breaks."""

from __future__ import annotations

from typing import Any

import pytest

from controller.contract import Now
from controller.core import delivery
from controller.core.context import Context
from controller.core.facts import facts_for
from controller.estimate import ledger
from controller.guard import interlocks
from controller.site.model import Zone
from firmware_host.board.outputs import Outputs
from tests.scenario.hard_weeks import HardWeek

WEEKS = 12


def valves_close_at_once(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("firmware_host.board.outputs.SETTLE_MS", 0)


def the_pump_starts_before_the_valve_is_open(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Outputs, "_ready_valves", lambda board, _now: board.valves & board.want_valves)


def a_lease_never_ends(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Outputs, "_end_lease", lambda _board, _now: None)


def nobody_looks_at_the_cap(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(delivery, "room_ml", lambda _ctx, _zone: 10**6)
    without = [check for check in interlocks.RUN_CHECKS if check is not interlocks.cap_left]
    patch.setattr(delivery, "RUN_CHECKS", without)
    patch.setattr(delivery, "START_CHECKS", [c for c in interlocks.START_CHECKS if c is not interlocks.cap_left])
    patch.setattr("controller.core.choose.cap_left_l", lambda _ctx, _zone: 1000.0)


def flow_is_booked_twice(patch: pytest.MonkeyPatch) -> None:
    book = delivery._book

    def twice(ctx: Any, present: Any, delivered_ml: int) -> None:
        book(ctx, present, 2 * delivered_ml)

    patch.setattr(delivery, "_book", twice)


def a_day_opens_where_none_closed(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(
        "controller.core.sensing.next_day",
        lambda closed, day: ledger.DayLedger(closed.tank_id, day, closed.opening_ml),
    )


def a_hold_holds_nothing(patch: pytest.MonkeyPatch) -> None:
    def without_the_hold(ctx: Context, now: Now, zone: Zone, *, asleep: bool = False) -> interlocks.Facts:
        facts = facts_for(ctx, now, zone, asleep=asleep)
        facts.held = False
        return facts

    patch.setattr("controller.core.delivery.facts_for", without_the_hold)


@pytest.mark.parametrize(
    ("mistake", "promise"),
    [
        (valves_close_at_once, "I2"),
        (the_pump_starts_before_the_valve_is_open, "I2"),
        (a_lease_never_ends, "I3"),
        (nobody_looks_at_the_cap, "I7"),
        (flow_is_booked_twice, "Q2"),
        (a_day_opens_where_none_closed, "Q1"),
        (a_hold_holds_nothing, "I10"),
    ],
)
def test_a_planted_mistake_is_found_by_the_promise_it_breaks(
    mistake: Any, promise: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    mistake(monkeypatch)
    with pytest.raises(AssertionError, match=promise):
        _run_weeks()


def _run_weeks() -> None:
    for seed in range(WEEKS):
        HardWeek(seed).run()
