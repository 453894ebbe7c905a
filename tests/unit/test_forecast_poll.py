"""Forecasts are asked for now and then; whatever goes wrong is told, tried again later, and harms nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from controller.contract import Forecast, Now
from controller.core import Core
from controller.service import forecast_poll
from controller.service.forecast_poll import CLOCK_AGAIN_S, RETRY_LAST_S, ForecastPoll, retry_s
from controller.service.web_fetch import Fetched, FetchError
from controller.site.model import ForecastFields, ForecastSource
from tests.scenario.garden import EXAMPLE

SOURCE = ForecastSource(
    "https://weather.example.org/point",
    ForecastFields("/time", "/rain", "/low", "/high", None, "/made"),
    3 * 3600.0,
)
NOW = Now(5_000_000, int(datetime(2026, 5, 14, 6, 0, tzinfo=UTC).timestamp() * 1000), "synchronised")


def answer(made: str = "2026-05-14T05:00:00Z", **changes: Any) -> bytes:
    days = {"time": ["2026-05-14", "2026-05-15"], "rain": [0.0, 9.0], "low": [8.0, 9.0], "high": [17.0, 15.0]}
    return json.dumps({"made": made} | days | changes).encode()


class Web:
    """Answers one after the other, the last one for ever; keeps what was asked."""

    def __init__(self, *answers: bytes | Exception | None) -> None:
        self._answers = list(answers)
        self.asked: list[tuple[str, dict[str, str], str | None]] = []

    def get(self, url: str, headers: dict[str, str], *, plain_http: bool, etag: str | None) -> Fetched:
        assert not plain_http
        self.asked.append((url, headers, etag))
        found = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
        if isinstance(found, Exception):
            raise found
        return Fetched(found, '"v1"')


class StillClock:
    def __init__(self, now: Now = NOW) -> None:
        self.now = now

    def peek(self) -> Now:
        return self.now


def poll(web: Web, source: ForecastSource = SOURCE, now: Now = NOW) -> ForecastPoll:
    return ForecastPoll(EXAMPLE, source, StillClock(now), web.get)


def taken(found: ForecastPoll) -> list[Forecast]:
    orders = [found.inbox.get_nowait() for _ in range(found.inbox.qsize())]
    commands = [order.command for order in orders]
    assert all(isinstance(command, Forecast) for command in commands)
    return [command for command in commands if isinstance(command, Forecast)]


def turns(found: ForecastPoll, count: int) -> list[float]:
    return [found.turn() for _ in range(count)]


def test_a_forecast_becomes_one_order_that_the_core_takes() -> None:
    found = poll(Web(answer()))
    assert found.turn() == SOURCE.every_s
    order = found.inbox.get_nowait()
    result = Core(EXAMPLE).step(NOW, [order])
    assert [(told.order_id, told.accepted) for told in result.answers] == [(order.id, True)]


def test_the_same_forecast_makes_no_second_order_and_an_older_one_none_either() -> None:
    web = Web(answer(), answer(), answer("2026-05-14T02:00:00Z"), None, answer("2026-05-14T05:30:00Z"))
    found = poll(web)
    turns(found, 5)
    assert [day.issued_wall_ms for day in taken(found)] == [
        int(datetime(2026, 5, 14, 5, minute, tzinfo=UTC).timestamp() * 1000) for minute in (0, 30)
    ]
    assert [etag for _, _, etag in web.asked] == [None, *['"v1"'] * 4]


def test_without_an_issue_time_each_answer_is_a_new_forecast() -> None:
    clock = StillClock()
    source = replace(SOURCE, fields=replace(SOURCE.fields, issued=None))
    web = Web(answer())
    found = ForecastPoll(EXAMPLE, source, clock, web.get)
    found.turn()
    clock.now = NOW._replace(wall_ms=NOW.wall_ms + 3_600_000)
    found.turn()
    assert len(taken(found)) == 2
    assert web.asked[1][2] is None


@pytest.mark.parametrize(
    "bad",
    [
        FetchError("weather.example.org: timed out"),
        b"<html>",
        answer("2026-05-12T05:00:00Z"),
        answer("2026-05-15T05:00:00Z"),
        answer(rain=[-4.0, 0.0]),
        answer(low=[30.0, 0.0]),
        answer(time=["2026-05-14", "2026-05-17"]),
    ],
    ids=["no answer", "no JSON", "old", "of tomorrow", "rain below zero", "low above high", "a day missing"],
)
def test_whatever_goes_wrong_is_tried_again_later_and_told_after_a_while(bad: bytes | Exception) -> None:
    found = poll(Web(*[bad] * 5, answer()))
    assert turns(found, 3) == [300.0, 600.0, 1200.0]
    assert found.trouble is None
    found.turn()
    assert found.trouble
    found.turn()
    assert found.turn() == SOURCE.every_s
    assert found.trouble is None
    assert len(taken(found)) == 1


def test_waits_grow_to_hours_and_a_server_may_ask_for_longer_ones() -> None:
    waits = [retry_s(n) for n in range(1, 2000)]
    assert waits == sorted(waits)
    assert waits[-1] == RETRY_LAST_S
    assert retry_s(1, 7200.0) == 7200.0
    assert retry_s(20, 60.0) == RETRY_LAST_S
    assert poll(Web(FetchError("busy", 9000.0))).turn() == 9000.0


def test_nobody_is_asked_while_the_time_is_not_known() -> None:
    web = Web(answer())
    assert poll(web, now=NOW._replace(trust="unknown")).turn() == CLOCK_AGAIN_S
    assert not web.asked


def test_the_key_goes_into_a_header_or_to_its_place_in_the_address(tmp_path: Path) -> None:
    key_file = tmp_path / "key"
    key_file.write_text("s/cret 1\n")
    web = Web(answer())
    poll(web, replace(SOURCE, key_file=str(key_file), key_header="X-Key")).turn()
    poll(web, replace(SOURCE, key_file=str(key_file), url="https://weather.example.org/p?key={key}")).turn()
    assert web.asked[0][:2] == (SOURCE.url, {"X-Key": "s/cret 1"})
    assert web.asked[1][:2] == ("https://weather.example.org/p?key=s%2Fcret%201", {})


@pytest.mark.parametrize("content", [b"", b"one\ntwo", b"sch\xc3\xb6n"], ids=["empty", "two lines", "not ASCII"])
def test_a_key_file_that_holds_no_key_is_told_without_its_content(tmp_path: Path, content: bytes) -> None:
    key_file = tmp_path / "key"
    key_file.write_bytes(content)
    web = Web(answer())
    found = poll(web, replace(SOURCE, key_file=str(key_file)))
    turns(found, 4)
    assert found.trouble == f"{key_file} must hold the key, one line of plain characters, and nothing else"
    assert not web.asked
    missing = poll(web, replace(SOURCE, key_file=str(tmp_path / "none")))
    turns(missing, 4)
    assert "none" in str(missing.trouble)


def test_the_thread_asks_wakes_the_loop_and_outlives_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forecast_poll, "FIRST_AFTER_S", 0.0)
    monkeypatch.setattr(forecast_poll, "RETRY_LAST_S", 0.0)
    woken = Event()
    found = poll(Web(ZeroDivisionError("a fault"), answer()))
    found.start(woken.set)
    assert woken.wait(10.0)
    found.stop(10.0)
    assert len(taken(found)) == 1


def test_stopping_before_the_start_is_no_error() -> None:
    poll(Web(answer())).stop()
