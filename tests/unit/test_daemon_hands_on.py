"""The control loop hands on what takes long, and takes what others bring, without waiting for either."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from queue import SimpleQueue
from types import SimpleNamespace
from typing import Any, cast

import pytest

from controller.contract import (
    Forecast,
    ForecastDay,
    HoldAll,
    Input,
    LinesDamaged,
    Now,
    Order,
    OrderAnswer,
    RunZone,
    StepResult,
    StopAll,
)
from controller.irrigate.outlook import NOTHING_TAKEN, Uses
from controller.service.daemon import Daemon, Parts, Waker
from firmware_host.link import Damaged
from tests.scenario.garden import EXAMPLE

NOW = Now(1_000, 1_780_000_000_000, "synchronised")
USES: Uses = (("bench-south", NOTHING_TAKEN),)
FORECAST = Order("forecast-1", "forecast", None, Forecast(NOW.wall_ms, (ForecastDay("2026-05-28", 1.0, 8.0, 17.0),)))


class Core:
    """Soon counts on other uses once it has been told anything, and remembers what it was told."""

    def __init__(self) -> None:
        self.told: list[Input] = []

    def step(self, _now: Now, inputs: tuple[Input, ...]) -> StepResult:
        self.told += inputs
        return StepResult()

    def coming_uses(self) -> Uses | None:
        return USES if self.told else None


class Answering(Core):
    """Accepts every order."""

    def step(self, _now: Now, inputs: tuple[Input, ...]) -> StepResult:
        return StepResult(answers=tuple(OrderAnswer(i.id, True, "") for i in inputs if isinstance(i, Order)))


class Prospects:
    def __init__(self) -> None:
        self.worked_out: list[Uses] = []

    def work_out_prices(self, uses: Uses) -> None:
        self.worked_out.append(uses)


@pytest.fixture
def waker() -> Iterator[Waker]:
    made = Waker()
    yield made
    made.close()


def daemon(waker: Waker, core: Core, **more: Any) -> Daemon:
    """A loop with nothing around it but what a test gives it."""
    writer = SimpleNamespace(
        dropped=0, replaced=0, trouble=None, full=False, found_again=False, add_step=lambda *_: None
    )
    clock = SimpleNamespace(steps=0)
    parts: dict[str, Any] = {"mqtt": None, "prospects": None, "forecasts": None, "day_unknown": ""} | more
    restored = SimpleNamespace(core=core, whole=True)
    return Daemon(
        cast(Parts, SimpleNamespace(site=EXAMPLE, clock=clock, writer=writer, restored=restored, **parts)), waker
    )


def test_coming_prices_are_worked_out_elsewhere_as_soon_as_the_core_names_them(waker: Waker) -> None:
    core, prospects = Core(), Prospects()
    loop = daemon(waker, core, prospects=prospects)
    loop._step(NOW)
    assert prospects.worked_out == []
    loop._take(FORECAST)
    loop._step(NOW)
    assert prospects.worked_out == [USES]


def test_damaged_lines_reach_the_core_and_the_journal_as_one_input(waker: Waker) -> None:
    core, kept = Core(), []
    loop = daemon(waker, core)
    loop._parts.writer.add_step = lambda _now, entries, *_: kept.append(entries)  # type: ignore[method-assign]
    loop._take_events([Damaged(3)], NOW)
    loop._step(NOW)
    assert core.told == [LinesDamaged(3)]
    assert kept == [(("damaged", '{"count":3}'),)]


def test_a_fetched_forecast_is_an_input_like_any_other_and_needs_no_broker(waker: Waker) -> None:
    core = Core()
    forecasts = SimpleNamespace(inbox=SimpleQueue(), trouble=None)
    loop = daemon(waker, core, forecasts=forecasts)
    forecasts.inbox.put(FORECAST)
    loop._take_orders()
    assert forecasts.inbox.empty()
    loop._step(NOW)
    assert core.told == [FORECAST]


def test_who_ordered_is_answered_once_it_cannot_be_lost_and_who_stopped_at_once(waker: Waker) -> None:
    told: list[str] = []
    safe: list[Callable[[], None]] = []
    mqtt = SimpleNamespace(tell=lambda answer: told.append(answer.order_id))
    loop = daemon(waker, Answering(), mqtt=mqtt)
    cast(Any, loop._parts.writer).add_step = lambda *handed: safe.append(handed[-1])
    loop._take(Order("water", "phone", None, RunZone("bench", 2.0)))
    loop._take(Order("stop", "phone", None, StopAll()))
    loop._step(NOW)
    assert told == ["stop"]
    safe.pop()()
    assert told == ["stop", "water"]


def test_that_no_forecast_comes_is_told_with_the_reason(waker: Waker) -> None:
    forecasts = SimpleNamespace(inbox=SimpleQueue(), trouble=None)
    loop = daemon(waker, Core(), forecasts=forecasts)
    assert loop.service_findings() == ()
    forecasts.trouble = "weather.example.org: timed out"
    (finding,) = loop.service_findings()
    assert (finding.id, finding.severity, finding.text) == ("forecast-not-fetched", "info", forecasts.trouble)


def test_a_full_disk_is_told_once_as_what_has_come_of_it(waker: Waker) -> None:
    loop = daemon(waker, Core())
    writer = cast(Any, loop._parts.writer)
    writer.full = True
    assert [finding.id for finding in loop.service_findings()] == ["disk-full"]
    writer.trouble = "the journal cannot be written: database or disk is full"
    assert [finding.id for finding in loop.service_findings()] == ["journal-not-written"]


def test_that_another_signs_in_by_our_name_is_told_while_it_is_so(waker: Waker) -> None:
    mqtt = SimpleNamespace(name_taken=None)
    loop = daemon(waker, Core(), mqtt=mqtt)
    assert loop.service_findings() == ()
    mqtt.name_taken = "another program signs in at the broker as hillfoot-controller-4f0c"
    (finding,) = loop.service_findings()
    assert (finding.id, finding.severity, finding.text) == ("broker-name-taken", "warning", mqtt.name_taken)


def test_the_loop_looks_after_the_thread_that_speaks_to_the_broker(
    waker: Waker, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_after: list[str] = []
    mqtt = SimpleNamespace(supervise=lambda: looked_after.append("mqtt"))
    loop = daemon(waker, Core(), mqtt=mqtt)
    for duty in ("_show", "_ping"):
        monkeypatch.setattr(loop, duty, lambda *_: None)
    loop._keep_house(Now(NOW.mono_ms, NOW.wall_ms, "unknown"))
    assert looked_after == ["mqtt"]


MIDNIGHT_MS = 1_780_009_200_000
"""Of London, after NOW."""


class Holding(Core):
    """Shows a hold that somebody gave before."""

    def __init__(self, held: bool, until_ms: int | None) -> None:
        super().__init__()
        self._held = SimpleNamespace(held=held, hold_until_wall_ms=until_ms)

    def snapshot(self, _now: Now) -> SimpleNamespace:
        return self._held


@pytest.mark.parametrize(
    ("held", "until_ms", "holds_anew"),
    [(False, None, True), (True, MIDNIGHT_MS - 1, True), (True, None, False), (True, MIDNIGHT_MS + 1, False)],
    ids=["nobody holds", "a hold that ends before", "a hold without end", "a hold that ends later"],
)
def test_a_day_that_is_not_known_is_held_to_its_midnight_and_no_hold_is_cut_short_by_that(
    waker: Waker, held: bool, until_ms: int | None, holds_anew: bool
) -> None:
    loop = daemon(waker, Holding(held, until_ms))
    loop._hold_the_day(NOW)
    assert [item.command for item in loop._inputs if isinstance(item, Order)] == [HoldAll(MIDNIGHT_MS)] * holds_anew


def test_while_it_is_not_known_what_a_day_has_had_everybody_can_see_it(waker: Waker) -> None:
    loop = daemon(waker, Holding(False, None), day_unknown="the journal cannot be read")
    loop._hold_the_day(NOW)
    (finding,) = loop.service_findings()
    assert finding.id == "day-not-known"
    assert finding.text.endswith("before the next midnight: the journal cannot be read")
