"""The outbox sends every record at least once, in order, with a small window, and knows what was acknowledged."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.service.journal import Journal
from controller.service.outbox import Outbox, Pack
from tests.unit.journal_data import measure, now_at, result_with


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path / "j.sqlite")
    _add(journal, 3000)
    yield journal
    journal.close()


def _add(journal: Journal, count: int) -> None:
    for second in range(count):
        journal.add_step(now_at(second), (), result_with(measure(second)))
    journal.commit()


def _numbers(pack: Pack) -> list[int]:
    return [entry["v"] for entry in json.loads(pack.payload) if entry["n"] == "seq"]


def _drain(outbox: Outbox, first_id: int = 1) -> list[int]:
    """Send and acknowledge until nothing is left; the numbers in the order sent."""
    numbers: list[int] = []
    message_id = first_id
    while (pack := outbox.next_pack()) is not None:
        numbers += _numbers(pack)
        outbox.sent(message_id, pack)
        outbox.acknowledged(message_id)
        message_id += 1
    return numbers


def test_a_backlog_goes_out_whole_and_in_order(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 0)
    assert _drain(outbox) == list(range(1, 3001))
    assert outbox.cursor == 3000


def test_it_goes_on_behind_the_cursor_and_with_what_comes_later(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 2990)
    assert _drain(outbox) == list(range(2991, 3001))
    _add(journal, 2)
    assert _drain(outbox, 100) == [3001, 3002]


def test_no_more_than_the_window_is_unacknowledged(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 0, window=3)
    sent = 0
    assert outbox.has_room
    while (pack := outbox.next_pack()) is not None:
        outbox.sent(sent, pack)
        sent += 1
    assert sent == outbox.unacked == 3
    assert not outbox.has_room
    outbox.acknowledged(0)
    assert outbox.has_room


def test_the_cursor_moves_only_over_unbroken_acknowledgements(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 0)
    sent = []
    for message_id in range(3):
        pack = outbox.next_pack()
        assert pack is not None
        outbox.sent(message_id, pack)
        sent.append(pack)
    assert not outbox.acknowledged(1)
    assert outbox.cursor == 0
    assert outbox.acknowledged(0)
    assert outbox.cursor == sent[1].last_seq
    assert outbox.acknowledged(2)
    assert outbox.cursor == sent[2].last_seq


def test_what_was_not_acknowledged_goes_out_again_after_a_reconnect(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 0)
    for message_id in range(3):
        pack = outbox.next_pack()
        assert pack is not None
        outbox.sent(message_id, pack)
    outbox.acknowledged(0)
    reached = outbox.cursor
    outbox.reconnected()
    assert _drain(outbox, 50) == list(range(reached + 1, 3001))


def test_a_stretch_asked_for_again_comes_without_moving_the_cursor(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 3000)
    outbox.ask_again(17, 20)
    assert _drain(outbox) == [17, 18, 19, 20]
    assert outbox.cursor == 3000


def test_numbers_whose_record_is_gone_come_bare_with_a_real_time(journal: Journal) -> None:
    journal.prune(now_at(40 * 86_400), inputs_days=30, measurements_days=730)
    outbox = Outbox("hillfoot", journal, 3000)
    outbox.ask_again(2, 4)
    pack = outbox.next_pack()
    assert pack is not None
    assert _numbers(pack) == [2, 3, 4]
    assert json.loads(pack.payload)[0]["bt"] > 1_700_000_000


def test_a_stretch_beyond_the_newest_record_ends_there(journal: Journal) -> None:
    outbox = Outbox("hillfoot", journal, 3000)
    outbox.ask_again(2999, 4000)
    assert _drain(outbox) == [2999, 3000]


def test_records_without_a_time_wait_for_the_clock(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "k.sqlite")
    journal.add_step(now_at(0), (), result_with(measure(1)))
    journal.add_step(now_at(1, "unknown"), (), result_with(measure(2)))
    journal.commit()
    outbox = Outbox("hillfoot", journal, 0)
    assert _drain(outbox) == [1]
    journal.date_records(now_at(2))
    assert _drain(outbox, 10) == [2]
    journal.close()
