"""The journal keeps everything once, in order, and survives damage to its file."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from controller.contract import (
    ClearFault,
    DayWeather,
    DrainZone,
    Forecast,
    ForecastDay,
    ForgetLooks,
    HoldAll,
    HoldZone,
    LinesDamaged,
    LinkChanged,
    Note,
    Order,
    OrderAnswer,
    Record,
    Restarted,
    ResumeAll,
    ResumeZone,
    RunZone,
    SetSchedule,
    ShellInput,
    StepResult,
    StopAll,
    UndoSchedule,
    VoidRain,
    ZoneLooks,
)
from controller.errors import ConfigurationError, OperatingError
from controller.service.codec import decode_input, encode_input
from controller.service.journal import DAY_MS, HOUR_MS, Journal
from controller.site.model import Schedule, Window
from firmware_host.messages import Outputs, Report
from tests.unit.journal_data import START_WALL_MS, line, measure, now_at, result_with

SCHEDULE = Schedule("fixed", (Window(300, 480),), 40.0, 2, 6.5, (330, 1200), 45)

EVERY_INPUT: list[ShellInput] = [
    LinkChanged(False, "cable pulled"),
    LinesDamaged(3),
    Restarted(42_000),
    Order("a-1", "phone", START_WALL_MS, SetSchedule("salad", SCHEDULE, 3)),
    Order("a-2", "phone", None, HoldAll(None)),
    Order("a-3", "phone", None, ResumeAll()),
    Order("a-4", "phone", None, RunZone("bench", 6.25)),
    Order("a-5", "phone", None, StopAll()),
    Order("a-6", "phone", None, ClearFault("no-flow")),
    Order("a-7", "station", None, DayWeather("2026-05-13", 6.1, 18.2, 71.0, 2.1, 19.5)),
    Order("a-10", "phone", None, VoidRain("2026-05-13", "a sprinkler")),
    Order("a-8", "phone", None, ZoneLooks("salad", "dry")),
    Order("a-9", "phone", None, ForgetLooks("salad")),
    Order("b-1", "phone", None, HoldZone("salad", START_WALL_MS)),
    Order("b-2", "phone", None, ResumeZone("salad")),
    Order("b-3", "phone", None, UndoSchedule("salad", 3)),
    Order("b-5", "phone", None, DrainZone("salad", 4.0)),
    Order("b-6", "phone", None, Note("the pump is carried in")),
    Order("b-4", "net", None, Forecast(START_WALL_MS, (ForecastDay("2026-05-13", 4.5, 6.1, 18.2),))),
]


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal.open(tmp_path / "j.sqlite")


@pytest.mark.parametrize("item", EVERY_INPUT, ids=lambda item: type(getattr(item, "command", item)).__name__)
def test_every_kind_of_input_comes_back_equal_from_its_text(item: ShellInput) -> None:
    assert decode_input(*encode_input(item)) == item


def test_a_board_line_comes_back_as_its_message() -> None:
    message = decode_input(*line(7, pulses=12))
    assert isinstance(message, Report)
    assert (message.seq, message.flow_pulses, message.temperature_c) == (7, {0: 12}, {0: 11.5, 1: None})


@pytest.mark.parametrize(
    ("kind", "text"), [("line", "report 1"), ("report", "[1,2]"), ("weather", "{}"), ("ack", "{"), ("order", "{}")]
)
def test_stored_text_that_is_not_an_input_is_named_in_the_error(kind: str, text: str) -> None:
    with pytest.raises(OperatingError, match=kind):
        decode_input(kind, text)


def test_steps_come_back_with_the_same_boundaries(journal: Journal) -> None:
    same_instant = now_at(1)
    steps = [(), (line(1), encode_input(LinkChanged(True, "hello"))), (line(2),), ()]
    for entries in steps:
        journal.add_step(same_instant, entries, StepResult())
    journal.commit()
    assert [step.entries for step in journal.steps()] == steps
    assert [step.last_id for step in journal.steps()] == [1, 3, 4, 5]


def test_steps_of_a_batch_of_many_are_all_kept(journal: Journal) -> None:
    for second in range(2500):
        journal.add_step(now_at(second), (), StepResult())
    journal.commit()
    assert [step.now.mono_ms for step in journal.steps()] == [1000 * second for second in range(2500)]


def test_record_numbers_are_contiguous_across_reopening(tmp_path: Path) -> None:
    for opening in range(3):
        journal = Journal.open(tmp_path / "j.sqlite")
        for n in range(2):
            journal.add_step(now_at(10 * opening + n), (), result_with(measure(900), measure(901)))
        journal.close()
    records = Journal.read(tmp_path / "j.sqlite").records()
    assert [record.seq for record in records] == list(range(1, 13))


def test_a_number_is_not_used_again_after_its_record_was_forgotten(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite")
    journal.add_step(now_at(0), (), result_with(measure(900), measure(901)))
    journal.commit()
    journal.prune(now_at(1000 * DAY_MS // 1000), inputs_days=30, measurements_days=730)
    journal.close()
    again = Journal.open(tmp_path / "j.sqlite")
    assert (again.last_seq, again.records()) == (2, [])


def test_a_record_knows_the_last_input_of_its_step(journal: Journal) -> None:
    journal.add_step(now_at(0), (line(1), line(2)), result_with(measure(900)))
    journal.commit()
    assert journal.records()[0].input_id == 2


def test_outputs_are_kept_only_when_they_change(journal: Journal) -> None:
    for second, pumps in enumerate((0, 0, 1, 1, 0)):
        journal.add_step(now_at(second), (), result_with(outputs=Outputs(pumps, pumps)))
    journal.commit()
    assert [(o.input_id, o.outputs.pumps) for o in journal.outputs(0)] == [(1, 0), (3, 1), (5, 0)]
    assert journal.output_at(4).outputs == Outputs(1, 1)


def test_uncommitted_steps_are_not_in_the_file_and_committed_ones_are(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite")
    journal.add_step(now_at(0), (), StepResult())
    assert list(Journal.read(tmp_path / "j.sqlite").steps()) == []
    journal.commit(durable=True)
    assert len(list(Journal.read(tmp_path / "j.sqlite").steps())) == 1


def test_a_failed_commit_keeps_everything_for_the_next(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite")
    other = sqlite3.connect(tmp_path / "j.sqlite", isolation_level=None)
    journal._connection.execute("PRAGMA busy_timeout = 1")
    journal.add_step(now_at(0), (), result_with(measure(900)))
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(sqlite3.OperationalError):
        journal.commit(durable=True)
    other.execute("ROLLBACK")
    other.close()
    journal.commit(durable=True)
    assert len(journal.records()) == 1


def test_a_checkpoint_is_found_by_time_and_carries_its_site(journal: Journal) -> None:
    for day in range(3):
        now = now_at(day * 86_400)
        journal.add_step(now, (), StepResult())
        journal.add_checkpoint(now, f"site text {min(day, 1)}", {"day": day})
    newest = journal.checkpoint_before()
    assert newest is not None
    assert (newest.state, newest.site_text, newest.input_id) == ({"day": 2}, "site text 1", 3)
    middle = journal.checkpoint_before(START_WALL_MS + 30 * HOUR_MS)
    assert middle is not None
    assert middle.state == {"day": 1}


def test_an_order_id_is_new_only_once_and_keeps_its_answer(journal: Journal) -> None:
    assert journal.claim_order("p-1", START_WALL_MS) is None
    waiting = journal.claim_order("p-1", START_WALL_MS)
    assert waiting is not None
    assert not waiting.accepted
    given = OrderAnswer("p-1", True, "6 L to the bench now")
    journal.add_step(now_at(1), (), StepResult(answers=(given,)))
    journal.commit(durable=True)
    assert journal.claim_order("p-1", START_WALL_MS) == given
    journal.add_step(now_at(2), (), StepResult(answers=(OrderAnswer("p-1", False, "again"),)))
    journal.commit()
    assert journal.answer("p-1") == given


def test_records_made_without_a_clock_wait_and_are_dated_from_elapsed_time(journal: Journal) -> None:
    journal.add_step(now_at(0), (), result_with(measure(900)))
    blind = now_at(60, "unknown")
    journal.add_step(type(blind)(blind.mono_ms, 5000, "unknown"), (), result_with(measure(901)))
    journal.commit()
    assert [record.seq for record in journal.records()] == [1]
    assert journal.date_records(now_at(100)) == 1
    assert [record.wall_ms for record in journal.records()] == [START_WALL_MS, START_WALL_MS + 60_000]


def test_dated_records_never_lie_before_an_earlier_one(journal: Journal) -> None:
    journal.add_step(now_at(500), (), result_with(measure(900)))
    journal.add_step(now_at(10, "unknown"), (), result_with(measure(901)))
    journal.commit()
    journal.date_records(now_at(600))
    assert [record.wall_ms for record in journal.records()] == [START_WALL_MS + 500_000] * 2


def test_inputs_are_forgotten_only_behind_a_checkpoint_older_than_the_limit(journal: Journal) -> None:
    for day in range(50):
        now = now_at(day * 86_400)
        journal.add_step(now, (line(day),), StepResult())
        if day % 7 == 0:
            journal.add_checkpoint(now, "", {"day": day})
    journal.commit()
    journal.prune(now_at(49 * 86_400), inputs_days=30, measurements_days=730)
    kept = list(journal.steps())
    first = journal.checkpoint_before(0)
    assert first is not None
    assert first.state == {"day": 14}
    assert kept[0].now == now_at(15 * 86_400)
    assert len(kept) == 35


def test_a_clock_that_is_not_synchronised_forgets_nothing(journal: Journal) -> None:
    journal.add_step(now_at(0), (), result_with(measure(900)))
    journal.commit()
    journal.prune(now_at(5000 * 86_400, "coasting"), inputs_days=30, measurements_days=30)
    assert len(journal.records()) == 1


def test_old_readings_fold_to_hourly_means_and_the_ledger_stays(journal: Journal) -> None:
    for minute in range(180):
        record = measure(900 + minute % 60)
        journal.add_step(now_at(minute * 60), (), result_with(record))
    journal.add_step(now_at(10_800), (), result_with(Record("ledger", "butts", {"closing_ml": 812_345})))
    journal.commit()
    journal.prune(now_at(40 * 86_400), inputs_days=30, measurements_days=730)
    journal.prune(now_at(41 * 86_400), inputs_days=30, measurements_days=730)
    readings = [record for record in journal.records() if record.kind == "measure"]
    assert len(readings) == 4
    assert readings[1].data["tank.butts.level_mm"] == pytest.approx(929.5)
    assert readings[1].data["folded_readings"] == 60
    assert journal.newest_records("ledger")[0].data == {"closing_ml": 812_345}


def test_readings_older_than_their_limit_go_and_the_ledger_stays(journal: Journal) -> None:
    journal.add_step(now_at(0), (), result_with(measure(900), Record("ledger", "butts", {"closing_ml": 1})))
    journal.commit()
    journal.prune(now_at(800 * 86_400), inputs_days=30, measurements_days=730)
    assert [record.kind for record in journal.records()] == ["ledger"]


def test_the_same_content_exports_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        journal = Journal.open(tmp_path / f"{name}.sqlite", bulk=name == "b")
        for second in range(1500):
            entries = (line(second),) if second % 2 else ()
            journal.add_step(now_at(second), entries, result_with(measure(second)))
        journal.add_checkpoint(now_at(1500), "site", {"x": 1})
        journal.export(tmp_path / f"{name}.txt")
        journal.close()
    assert (tmp_path / "a.txt").read_bytes() == (tmp_path / "b.txt").read_bytes()
    assert (tmp_path / "a.txt").read_text().count("\n") == 1500 + 1500 + 1 + 1 + 1


def _filled(path: Path) -> None:
    journal = Journal.open(path)
    for second in range(3000):
        journal.add_step(now_at(second), (line(second),), result_with(measure(second)))
    journal.close()


@pytest.mark.parametrize("damage", ["zero length", "truncated", "noise at the start", "noise inside", "not a database"])
def test_a_damaged_file_is_set_aside_and_a_fresh_one_says_so(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "j.sqlite"
    _filled(path)
    whole = path.read_bytes()
    damaged = {
        "zero length": b"",
        "truncated": whole[: len(whole) // 3],
        "noise at the start": b"\xff" * 200 + whole[200:],
        "noise inside": whole[:8192] + b"\xa5" * 65536 + whole[8192 + 65536 :],
        "not a database": b"once upon a time\n" * 400,
    }[damage]
    path.write_bytes(damaged)
    journal = Journal.open(path, stamp="20260514T053000Z")
    assert journal.recovered
    assert journal.last_seq == 0
    journal.add_step(now_at(0), (), result_with(measure(1)))
    journal.commit(durable=True)
    assert (tmp_path / "j.sqlite.damaged-20260514T053000Z").read_bytes() == damaged


def test_a_whole_file_is_not_called_damaged(tmp_path: Path) -> None:
    _filled(tmp_path / "j.sqlite")
    journal = Journal.open(tmp_path / "j.sqlite")
    assert not journal.recovered
    assert journal.last_seq == 3000


def test_a_newer_journal_is_refused_and_left_alone(tmp_path: Path) -> None:
    Journal.open(tmp_path / "j.sqlite").close()
    connection = sqlite3.connect(tmp_path / "j.sqlite")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(ConfigurationError, match="version 99"):
        Journal.open(tmp_path / "j.sqlite")
    assert list(tmp_path.glob("*damaged*")) == []


def test_a_database_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "other.sqlite")
    connection.execute("PRAGMA application_id = 1234")
    connection.execute("CREATE TABLE recipe (name TEXT)")
    connection.close()
    with pytest.raises(ConfigurationError, match="another program"):
        Journal.open(tmp_path / "other.sqlite")


def test_reading_a_journal_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="no journal here"):
        Journal.read(tmp_path / "missing.sqlite")
