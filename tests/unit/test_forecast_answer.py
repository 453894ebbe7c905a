"""A forecast in anybody's JSON becomes the order `forecast`, or a reason why not."""

from __future__ import annotations

import json
import tomllib
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.contract import Forecast, Order
from controller.service.forecast_answer import AnswerError, at, order_values, read_json
from controller.service.orders import Ground, Refusal, order_from_values
from controller.site.load import parse_site
from controller.site.model import ForecastFields, ForecastSource
from simulator.example import example_site_text
from tests.scenario.garden import EXAMPLE

NOW_MS = int(datetime(2026, 5, 14, 6, 0, tzinfo=UTC).timestamp() * 1000)
ZONE = ZoneInfo("Europe/London")
LISTS = ForecastSource(
    "https://weather.example.org/",
    ForecastFields("/daily/time", "/daily/rain", "/daily/low", "/daily/high", None, "/made"),
    10_800.0,
)
ENTRIES = ForecastSource(
    "https://weather.example.org/",
    ForecastFields("/day", "/wet/mm", "/t/0", "/t/1", "/point/days", None),
    10_800.0,
)
PAGE = (Path(__file__).parents[2] / "docs" / "site-file.md").read_text(encoding="utf-8")


def lists(**changes: Any) -> dict[str, Any]:
    daily = {
        "time": ["2026-05-13", "2026-05-14", "2026-05-15"],
        "rain": [9.0, 0.4, 6],
        "low": [8, 9.5, 10],
        "high": [15, 18.0, 16],
    }
    return {"made": "2026-05-14T05:00:00Z", "daily": daily | changes}


def made(document: Any, source: ForecastSource = LISTS) -> dict[str, Any]:
    return order_values(document, source, ZONE, NOW_MS)


# --- what it becomes --------------------------------------------------------------------------------------------------


def test_lists_become_days_from_today_on() -> None:
    values = made(lists())
    assert values["issued"] == "2026-05-14T05:00:00+00:00"
    assert values["days"] == [
        {"date": "2026-05-14", "rain_mm": 0.4, "tmin_c": 9.5, "tmax_c": 18.0},
        {"date": "2026-05-15", "rain_mm": 6.0, "tmin_c": 10.0, "tmax_c": 16.0},
    ]


def test_entries_become_days_and_without_an_issue_time_it_was_issued_now() -> None:
    entries = [{"day": "2026-05-14T00:00+01:00", "wet": {"mm": 2.5}, "t": [9, 17]}]
    values = made({"point": {"days": entries}}, ENTRIES)
    assert values["days"] == [{"date": "2026-05-14", "rain_mm": 2.5, "tmin_c": 9.0, "tmax_c": 17.0}]
    assert values["issued"] == "2026-05-14T06:00:00+00:00"


def test_the_order_it_makes_is_one() -> None:
    order = order_from_values(made(lists()), Ground(EXAMPLE, NOW_MS))
    assert isinstance(order, Order)
    assert isinstance(order.command, Forecast)
    assert [day.date for day in order.command.days] == ["2026-05-14", "2026-05-15"]


def test_inches_and_fahrenheit_are_turned() -> None:
    values = made(lists(rain=[0, 0.5, 0], low=[0, 50, 0], high=[0, 68, 0]), replace(LISTS, units="us"))
    assert values["days"][0] == {"date": "2026-05-14", "rain_mm": 12.7, "tmin_c": 10.0, "tmax_c": 20.0}


def test_seconds_since_1970_are_dates_and_times_too() -> None:
    midnights = [int(datetime(2026, 5, day, tzinfo=ZONE).timestamp()) for day in (13, 14, 15)]
    document = lists(time=midnights) | {"made": NOW_MS // 1000 - 600}
    values = made(document)
    assert [day["date"] for day in values["days"]] == ["2026-05-14", "2026-05-15"]
    assert values["issued"] == "2026-05-14T05:50:00+00:00"


def test_what_comes_after_the_first_gap_is_left_out() -> None:
    assert len(made(lists(rain=[9.0, 0.4, None]))["days"]) == 1
    entries = [{"day": "2026-05-14", "wet": {"mm": 0}, "t": [9, 17]}, {"day": "2026-05-15", "t": [9, 17]}]
    assert len(made({"point": {"days": entries}}, ENTRIES)["days"]) == 1


def test_more_days_than_count_are_left_out() -> None:
    days = [f"2026-05-{day:02}" for day in range(14, 31)]
    numbers = [1.0] * len(days)
    assert len(made(lists(time=days, rain=numbers, low=numbers, high=numbers))["days"]) == 10


# --- what is wrong with it --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"daily": {}}, "/made: there is no 'made'"),
        (lists(time="2026-05-14"), "/daily/time: is no list"),
        (lists(time=[]), "/daily/time: is no list"),
        (lists(rain=[1.0]), "not equally long: /daily/time 3, /daily/rain 1"),
        (lists(rain=[0, "much", 0]), "/daily/rain: 'much' is no number"),
        (lists(rain=[0, True, 0]), "'True' is no number"),
        (lists(time=["2026-05-13", "Thursday", "2026-05-15"]), "'Thursday' is no date"),
        (lists(time=[0, -5, 0]), "-5 are no seconds"),
        (lists(time=["2025-05-13", "2025-05-14", "2025-05-15"]), "no day from today on"),
        (lists(rain=[None, 1, 1]), "no day from today on"),
        (lists() | {"made": "at noon"}, "'at noon' is no time"),
        (lists() | {"made": [1]}, "is no number"),
        ([], "/made: there is no 'made'"),
        ("a string", "/made"),
        (None, "/made"),
    ],
)
def test_an_answer_that_is_not_as_declared_says_where(document: Any, said: str) -> None:
    with pytest.raises(AnswerError) as caught:
        made(document)
    assert said in str(caught.value)


def test_the_first_entry_must_hold_what_the_pointers_say() -> None:
    with pytest.raises(AnswerError, match="/wet/mm: there is no 'wet'"):
        made({"point": {"days": [{"day": "2026-05-14", "t": [9, 17]}]}}, ENTRIES)


@pytest.mark.parametrize(
    "body",
    [b"", b"<html>", b"\xff\xfe", b'{"a": NaN}', b"[" * 100_000, b'{"a": 1e999999', b"{} {}"],
    ids=["nothing", "html", "bytes", "nan", "deep", "half", "two"],
)
def test_what_is_no_json_is_refused(body: bytes) -> None:
    with pytest.raises(AnswerError, match="no JSON"):
        read_json(body)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


@given(json_values, json_values, json_values)
def test_whatever_comes_makes_values_or_a_reason(issued: Any, rain: Any, time: Any) -> None:
    document = {"made": issued, "daily": {"time": time, "rain": rain, "low": [1.0], "high": [2.0]}}
    for some in (document, lists(rain=rain), lists(time=time), issued):
        with suppress(AnswerError):
            assert isinstance(order_from_values(made(some), Ground(EXAMPLE, NOW_MS)), Order | Refusal)


# --- pointers, RFC 6901 section 5 -------------------------------------------------------------------------------------

RFC = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_point_where_rfc_6901_says(pointer: str, value: Any) -> None:
    assert at(RFC, pointer) == value


@pytest.mark.parametrize("pointer", ["/bar", "/foo/2", "/foo/-", "/foo/bar", "/foo/0/0", "/foo/٣"])
def test_pointers_to_nothing_say_so(pointer: str) -> None:
    with pytest.raises(AnswerError, match="there is no"):
        at(RFC, pointer)


# --- the page ---------------------------------------------------------------------------------------------------------


def test_the_examples_of_the_page_work_together() -> None:
    section = PAGE.split("\n## Forecasts from the web\n")[1].split("\n## ")[0]
    blocks = [block.split("```")[0] for block in section.split("```json\n")[1:]]
    tables = [block.split("```")[0] for block in section.split("```toml\n")[1:]]
    assert len(blocks) == len(tables) == 2
    for answer, table in zip(blocks, tables, strict=True):
        assert set(tomllib.loads(table)) == {"forecast"}
        source = parse_site(example_site_text() + "\n" + table, "the page's example").forecast
        assert source is not None
        order = order_from_values(made(json.loads(answer), source), Ground(EXAMPLE, NOW_MS))
        assert isinstance(order, Order)
        assert isinstance(order.command, Forecast)
        assert len(order.command.days) == 2
