"""What the board reads now is told as it came, while it is there; and while somebody looks it reports every second."""

from __future__ import annotations

import json

from controller.contract import AskReadings
from controller.service.asks import parse_ask
from controller.service.orders import Refusal
from controller.service.readings import NewestReport, reading_values
from firmware_host.messages import Fitted, Hello, Report
from tests.scenario.garden import EXAMPLE

HELLO = Hello(
    2, "5f0a1c2e", "e6614c311b", 1, "1.0", "power", 600, Fitted(1, 1, 1, 1, 1, 6, rain=True, shunt=True, panel=True)
)
REPORT = Report(
    42,
    "5f0a1c2e",
    61_250,
    {0: (5400, 5401, 0, 5402, 5399)},
    {0: None},
    12.84,
    18.2,
    -0.35,
    {0: 12_345},
    12,
    {0: True},
    1,
    2,
    1004,
    4980,
    ("board-lease-lapsed",),
    {},
)
QUESTION = AskReadings("q-1")


def test_the_newest_report_is_told_as_it_came_and_how_old_it_is() -> None:
    newest = NewestReport()
    newest.came(REPORT, 5_000)
    answer = newest.answer(QUESTION, HELLO, 6_500)
    assert answer.readings == reading_values(REPORT, HELLO, 1_500)
    told = json.loads(json.dumps(answer.readings))
    assert told["echo_us"] == {"0": [5400, 5401, 0, 5402, 5399]}
    assert told["temperature_c"] == {"0": None}, "a bad reading is null, not left out"
    assert (told["age_s"], told["pumps_on"], told["valves_open"]) == (1.5, 1, 2)


def test_a_board_that_is_gone_reads_nothing() -> None:
    newest = NewestReport()
    assert newest.answer(QUESTION, HELLO, 0).readings is None
    newest.came(REPORT, 5_000)
    newest.lost()
    answer = newest.answer(QUESTION, HELLO, 6_000)
    assert answer.readings is None
    assert "not there" in answer.reason


def test_the_board_reports_every_second_for_a_quarter_of_a_minute_after_a_question() -> None:
    newest = NewestReport()
    assert newest.report_every_ms(60_000, 10_000) == 60_000
    newest.answer(QUESTION, HELLO, 10_000)
    assert newest.report_every_ms(60_000, 24_999) == 1_000
    assert newest.report_every_ms(500, 24_999) == 500
    assert newest.report_every_ms(60_000, 25_000) == 60_000


def test_the_question_is_read_and_a_field_too_many_is_refused() -> None:
    asked = {"ask": "readings", "id": "q-1", "sender": "test"}
    assert parse_ask(json.dumps(asked).encode(), EXAMPLE) == QUESTION
    refusal = parse_ask(json.dumps(asked | {"zone": "bench-north"}).encode(), EXAMPLE)
    assert isinstance(refusal, Refusal)
    assert "no such field in this question" in refusal.reason
