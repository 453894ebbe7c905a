"""The deterministic core: one step takes the state, the time and what arrived, and says what should happen.

No I/O, no clock, no randomness: the same state, times and inputs give the same results, so that a season runs in
seconds and any day can be replayed from the journal. The state is changed in place, by this class alone: copying it at
every step would cost more than the step.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.contract import Input, LinesDamaged, LinkChanged, Now, Order, Restarted, Snapshot, StepResult
from controller.core import choose, day, delivery, drain, intake, orders, relief, takers, view
from controller.core.context import remembered
from controller.core.state import state_to_json
from controller.irrigate.outlook import Uses
from controller.site.model import Site
from firmware_host.messages import SHUT, Ack, Hello, Report

ACTIVE_STEP_MS = 1_000
"""While a watering is under way: how often the board reports and the core looks."""
WAKE_GRACE_MS = 10_000
CLOCK_STEP_BACK_MS = 1_000


class Core:
    """Everything that is decided about one site."""

    def __init__(self, site: Site, dumped: dict[str, Any] | None = None) -> None:
        """Start afresh, or exactly where `dump` left off."""
        self._ctx = remembered(site, dumped)
        self._idle_every_ms = site.idle_report_s * 1000
        self._at_rest = StepResult(SHUT, self._idle_every_ms)
        self._at_rest_until_ms = self._at_rest.wake_mono_ms
        self._had_news = False

    def prepare(self) -> None:
        """Work out beforehand what takes long: seconds on a small board, before the first step rather than in it."""
        _ = self._ctx.outlook

    def coming_uses(self) -> Uses | None:
        """What the price of water will soon count on; None when that is what it counts on now. Whoever works out
        `controller.irrigate.outlook.outlook` for it elsewhere spares the step that needs it the wait."""
        return takers.coming_uses(self._ctx)

    def dump(self) -> dict[str, Any]:
        """The whole memory as JSON-able data."""
        return {"state": state_to_json(self._ctx.state), "sensing": self._ctx.sensing.dump()}

    def snapshot(self, now: Now) -> Snapshot:
        """A picture for people; changes nothing."""
        return view.snapshot(self._ctx, now)

    def step(self, now: Now, inputs: Sequence[Input]) -> StepResult:
        """Take what arrived, look at the time, decide. Monotonic time must not run back between steps."""
        ctx, state = self._ctx, self._ctx.state
        mono_ms, wall_ms, trust = now
        if self._had_news:
            ctx.records, ctx.answers, ctx.board_clears = [], [], []
            self._had_news = False
        for item in inputs:
            if isinstance(item, Report):
                intake.take_report(ctx, now, item)
            else:
                self._take(now, item)
        if trust != "unknown" or ctx.calendar_known(now):
            stepped_back = wall_ms < state.wall_ms - CLOCK_STEP_BACK_MS
            if wall_ms >= state.slow_due_wall_ms or stepped_back or state.weather.day == 0:
                day.quarter_hour(ctx, now)
            if state.hold_until_wall_ms is not None and wall_ms >= state.hold_until_wall_ms:
                state.held, state.hold_until_wall_ms = False, None
                state.choice_due_mono_ms = mono_ms
        present = state.delivery
        if present is None:
            if mono_ms >= state.choice_due_mono_ms:
                choose.choose(ctx, now)
        elif present.phase == "relieving":
            relief.advance(ctx, now, present)
        elif present.phase == "draining":
            drain.advance(ctx, now, present)
        else:
            delivery.advance(ctx, now)
        if state.runs_on is not None and state.delivery is None:
            relief.consider(ctx, now)
        state.mono_ms, state.wall_ms, state.trust = mono_ms, wall_ms, trust
        if state.delivery is None and not (ctx.records or ctx.answers or ctx.board_clears):
            # A little late, so that the report that is due about then serves as the wake-up.
            due_ms = state.choice_due_mono_ms
            wake_mono_ms = (due_ms if due_ms > mono_ms else mono_ms) + WAKE_GRACE_MS
            # Nearly every step at rest has the same result as the one before.
            if wake_mono_ms != self._at_rest_until_ms:
                self._at_rest_until_ms = wake_mono_ms
                self._at_rest = StepResult(SHUT, self._idle_every_ms, wake_mono_ms)
            return self._at_rest
        return self._result(mono_ms)

    def _take(self, now: Now, item: Input) -> None:
        """Everything but reports, which are nearly all that comes."""
        ctx = self._ctx
        if isinstance(item, Order):
            orders.obey(ctx, now, item)
        elif isinstance(item, LinkChanged):
            intake.take_link(ctx, now, item)
        elif isinstance(item, LinesDamaged):
            intake.take_damage(ctx, now, item)
        elif isinstance(item, Ack):
            ctx.sensing.line_noise.heard()
        elif isinstance(item, Hello):
            ctx.sensing.line_noise.heard()
            ctx.state.board_id = item.board_id
        elif isinstance(item, Restarted):
            intake.take_restart(ctx, now, item)

    def _result(self, mono_ms: int) -> StepResult:
        """The result of a step that waters or has news."""
        ctx, state = self._ctx, self._ctx.state
        self._had_news = True
        if state.delivery is not None:
            outputs, every_ms = delivery.wanted_outputs(ctx), ACTIVE_STEP_MS
            wake_mono_ms = mono_ms + ACTIVE_STEP_MS
        else:
            outputs, every_ms = SHUT, self._idle_every_ms
            wake_mono_ms = max(state.choice_due_mono_ms, mono_ms) + WAKE_GRACE_MS
        if not (ctx.records or ctx.answers or ctx.board_clears):
            return StepResult(outputs, every_ms, wake_mono_ms)
        records, answers, clears = tuple(ctx.records), tuple(ctx.answers), tuple(ctx.board_clears)
        return StepResult(outputs, every_ms, wake_mono_ms, records, answers, clears)


__all__ = ["Core"]
