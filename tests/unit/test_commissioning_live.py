"""The live site of a commissioning: only what was read since one looks counts; stop is heard while nothing is asked."""

from __future__ import annotations

import os
import pty
import time
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import pytest

from controller.commands.commission import show, typed_stop
from controller.commands.commission_live import OverMqtt
from controller.errors import OperatingError
from controller.site.model import Mqtt
from tests.unit.commissioning import READING


class Answered(OverMqtt):
    """A site that answers from a list, the last answer again and again."""

    def __init__(self, *answers: dict[str, Any], **more: Any) -> None:
        super().__init__(Mqtt(), "site", "kim", "Europe/London", **more)
        self._requests.exchange = self._exchange  # type: ignore[method-assign]
        self._answers = list(answers)
        self.refusal = ""
        self.sent: list[tuple[str, Mapping[str, Any]]] = []

    def _exchange(self, leaf: str, fields: Mapping[str, Any]) -> Mapping[str, Any]:
        self.sent.append((leaf, fields))
        if leaf == "order":
            return {"accepted": not self.refusal, "reason": self.refusal}
        return self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Time passes by waiting alone, and a little with each look at the clock."""
    now_s = [1000.0]

    def monotonic() -> float:
        now_s[0] += 0.001
        return now_s[0]

    def sleep(seconds: float) -> None:
        now_s[0] += seconds

    monkeypatch.setattr(time, "monotonic", monotonic)
    monkeypatch.setattr(time, "sleep", sleep)


def told(up_s: float, age_s: float) -> dict[str, Any]:
    return {"accepted": True, "reason": "", "readings": asdict(replace(READING, up_s=up_s, age_s=age_s))}


NOT_THERE = {"accepted": False, "reason": "the board is not there"}


def test_what_was_read_before_one_looks_does_not_count() -> None:
    live = Answered(told(10.0, 30.0), told(41.0, 0.2))
    assert [one.up_s for one in live.look(0.0)] == [41.0]


def test_each_report_counts_once() -> None:
    live = Answered(told(41.0, 40.0), told(42.0, 0.3), told(42.0, 0.9), told(43.0, 0.3), told(44.0, 0.2))
    assert [one.up_s for one in live.look(4.0)] == [42.0, 43.0, 44.0]


def test_a_board_that_comes_back_is_waited_for_and_one_that_does_not_is_told() -> None:
    assert Answered(NOT_THERE, NOT_THERE, told(3.0, 0.1)).look(0.0)[0].up_s == 3.0
    with pytest.raises(OperatingError, match="the board is not there"):
        Answered(NOT_THERE).look(1.0)


def test_readings_of_another_version_are_told_as_such() -> None:
    with pytest.raises(OperatingError, match="of the same version"):
        Answered({"accepted": True, "reason": "", "readings": {"age_s": 1.0}}).look(0.0)


def test_stop_typed_while_nothing_is_asked_stops_everything() -> None:
    wishes = iter([False, True])
    live = Answered(told(1.0, 99.0), told(42.0, 0.1), wants_stop=lambda: next(wishes, False))
    live.look(0.0)
    assert ("order", {"order": "stop-all"}) in live.sent


def test_orders_keep_below_the_rate_at_which_they_are_let_in() -> None:
    """At most ten at once and one a second beyond: over any stretch of time no more than that."""
    live, times = Answered(NOT_THERE), []
    for _ in range(30):
        live.order({"order": "hold"})
        times.append(time.monotonic())
    for first in range(len(times)):
        for last in range(first, len(times)):
            assert last - first + 1 <= 10 + (times[last] - times[first])


def test_a_refusal_is_told_with_its_reason() -> None:
    live = Answered(NOT_THERE)
    assert live.order({"order": "hold"}) == ""
    live.refusal = "the hold's end is already past"
    assert live.order({"order": "hold"}) == "the hold's end is already past"


def test_only_the_word_stop_on_a_terminal_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    person, terminal = pty.openpty()
    try:
        with os.fdopen(terminal, "r", encoding="utf-8") as stdin:
            monkeypatch.setattr("sys.stdin", stdin)
            assert not typed_stop()
            os.write(person, b"what now\n")
            assert not typed_stop()
            os.write(person, b"oh\nStop \n")
            assert typed_stop()
            assert not typed_stop()
    finally:
        os.close(person)


def test_a_pipe_is_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    read_end, write_end = os.pipe()
    os.write(write_end, b"stop\n")
    os.close(write_end)
    with os.fdopen(read_end, "r", encoding="utf-8") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        assert not typed_stop()


def test_long_lines_go_on_further_in(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "41")
    show("  one two three four five six seven eight nine ten")
    assert capsys.readouterr().out == "  one two three four five six seven\n      eight nine ten\n"
