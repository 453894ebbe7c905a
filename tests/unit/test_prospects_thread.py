"""The thread beside the control loop: it works out how long the water lasts, answers questions, and never holds up."""

from __future__ import annotations

import json
import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest

from controller.contract import PreviewSchedule, Snapshot
from controller.service.asks import AskAnswer
from controller.service.prospects import WAITING_LIMIT, WORK_EVERY_MS, Prospects
from tests.scenario.garden import EXAMPLE, Garden, fixed

ZONE = "bench-north"


@pytest.fixture(scope="module")
def garden() -> Garden:
    garden = Garden(days=3, tmax_c=28.0)
    garden.run_hours(24 + 14)
    return garden


@pytest.fixture
def prospects() -> Iterator[Prospects]:
    started = Prospects(EXAMPLE)
    started.start()
    yield started
    started.stop()


def found(prospects: Prospects, within_s: float = 10.0) -> None:
    end_s = time.monotonic() + within_s
    while not prospects.news():
        assert time.monotonic() < end_s, "nothing was found"
        time.sleep(0.01)


def with_volume(snapshot: Snapshot, volume_l: float) -> Snapshot:
    return replace(snapshot, tanks=tuple(replace(tank, volume_l=volume_l) for tank in snapshot.tanks))


def test_a_picture_gets_its_range_as_soon_as_it_is_known(prospects: Prospects, garden: Garden) -> None:
    now, picture = garden.season.now(), garden.snapshot
    assert prospects.shown(now, picture).tanks[0].likely_supply is None
    found(prospects)
    likely = prospects.shown(now, picture).tanks[0].likely_supply
    assert likely is not None
    assert 0.0 < likely.low <= likely.likely <= likely.high <= 120.0
    assert not prospects.news()


def test_it_is_worked_out_anew_only_when_the_water_or_a_schedule_has_changed(
    prospects: Prospects, garden: Garden
) -> None:
    now, picture = garden.season.now(), garden.snapshot
    prospects.shown(now, picture)
    found(prospects)
    before = prospects.shown(now, picture).tanks[0].likely_supply
    later = now._replace(mono_ms=now.mono_ms + WORK_EVERY_MS)
    prospects.shown(later, with_volume(picture, (picture.tanks[0].volume_l or 0.0) + 1.0))
    time.sleep(0.2)
    assert not prospects.news(), "a litre tells nothing"
    less = with_volume(picture, 300.0)
    prospects.shown(later, less)
    found(prospects)
    after = prospects.shown(later, less).tanks[0].likely_supply
    assert before is not None
    assert after is not None
    assert after.likely < before.likely
    off = replace(less, zones=tuple(replace(zone, schedule=replace(zone.schedule, mode="off")) for zone in less.zones))
    prospects.shown(later, off)
    found(prospects)
    longest = prospects.shown(later, off).tanks[0].likely_supply
    assert longest is not None
    assert longest.low == 120.0


def test_a_tank_whose_level_is_unknown_keeps_no_old_range(prospects: Prospects, garden: Garden) -> None:
    now, picture = garden.season.now(), garden.snapshot
    prospects.shown(now, picture)
    found(prospects)
    blind = replace(picture, tanks=tuple(replace(tank, quality="unknown") for tank in picture.tanks))
    assert prospects.shown(now, blind).tanks[0].likely_supply is None


def test_a_question_is_answered_from_a_copy(prospects: Prospects, garden: Garden) -> None:
    answers: queue.SimpleQueue[AskAnswer] = queue.SimpleQueue()
    memory = json.dumps(garden.season.core.dump())
    question = PreviewSchedule("q-1", ZONE, fixed(5.0, 20 * 60))
    prospects.ask(question, garden.season.now(), memory, answers.put)
    answer = answers.get(timeout=10)
    assert answer.ask_id == "q-1"
    assert answer.preview is not None
    assert answer.preview.asked.volume_l == 5.0
    assert json.dumps(garden.season.core.dump()) == memory


def test_a_question_that_breaks_the_worker_is_answered_and_so_is_the_next(
    prospects: Prospects, garden: Garden, caplog: pytest.LogCaptureFixture
) -> None:
    answers: queue.SimpleQueue[AskAnswer] = queue.SimpleQueue()
    now, question = garden.season.now(), PreviewSchedule("q-1", ZONE, fixed(5.0, 20 * 60))
    prospects.ask(question, now, "{}", answers.put)
    assert "see its log" in answers.get(timeout=10).reason
    assert "working out prospects failed" in caplog.text
    prospects.ask(question, now, json.dumps(garden.season.core.dump()), answers.put)
    assert answers.get(timeout=10).preview is not None


def test_more_questions_than_can_wait_are_refused_at_once(garden: Garden) -> None:
    idle = Prospects(EXAMPLE)
    answers: list[AskAnswer] = []
    threads_before = threading.active_count()
    for number in range(WAITING_LIMIT + 1):
        question = PreviewSchedule(f"q-{number}", ZONE, fixed(5.0, 20 * 60))
        idle.ask(question, garden.season.now(), "{}", answers.append)
    assert [answer.ask_id for answer in answers] == [f"q-{WAITING_LIMIT}"]
    assert "waiting already" in answers[0].reason
    assert threading.active_count() == threads_before
