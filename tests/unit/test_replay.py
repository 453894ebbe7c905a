"""Replay runs the core over the stored inputs and finds the first decision that differs."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from controller.commands.replay import report_lines
from controller.contract import Order, RunZone
from controller.errors import ConfigurationError, OperatingError
from controller.service.codec import decode_input, encode_input
from controller.service.journal import Journal
from controller.service.replay import replay
from controller.site.model import Site
from tests.unit.example_site import SITE
from tests.unit.fake_core import FakeCore, OtherCore
from tests.unit.journal_data import START_WALL_MS, line, now_at, result_with


def _site(_text: str) -> Site:
    return SITE


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Ten minutes of reports, an order in the middle, a tick at the end; checkpoints at the start and in between."""
    path = tmp_path / "j.sqlite"
    journal, core = Journal.open(path), FakeCore(SITE)
    journal.add_checkpoint(now_at(0), "site", core.dump())
    for minute in range(10):
        now = now_at(60 * minute)
        entries = [line(minute)]
        if minute == 4:
            entries.append(encode_input(Order("p-1", "phone", None, RunZone("bench", 6.0))))
        journal.add_step(now, entries, core.step(now, [decode_input(*entry) for entry in entries]))
        if minute == 6:
            journal.add_checkpoint(now, "site", core.dump())
    journal.add_step(now_at(605), (), core.step(now_at(605), ()))
    journal.close()
    return path


def test_the_same_core_decides_the_same(path: Path) -> None:
    result = replay(path, FakeCore, _site)
    assert result.difference is None
    assert (result.steps, result.records, result.outputs) == (11, 10, 2)
    assert report_lines(result)[-1] == "every decision is the same"


def test_a_later_start_begins_at_the_checkpoint_before_it(path: Path) -> None:
    result = replay(path, FakeCore, _site, start_wall_ms=START_WALL_MS + 500_000)
    assert result.difference is None
    assert (result.steps, result.records) == (4, 3)


def test_an_end_stops_there(path: Path) -> None:
    assert replay(path, FakeCore, _site, end_wall_ms=START_WALL_MS + 120_000).steps == 3


def test_the_first_different_record_is_shown(path: Path) -> None:
    result = replay(path, OtherCore, _site)
    assert result.difference is not None
    assert result.difference.what == "another record"
    assert result.difference.wall_ms == START_WALL_MS + 300_000
    assert '"reports":6' in result.difference.stored
    assert '"reports":7' in result.difference.replayed
    assert "2026-05-14T05:35:00Z" in report_lines(result)[1]


def _change(path: Path, statement: str) -> None:
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()


def test_a_decision_missing_from_the_journal_is_a_difference(path: Path) -> None:
    _change(path, "DELETE FROM record WHERE seq = 4")
    difference = replay(path, FakeCore, _site).difference
    assert difference is not None
    assert difference.what == "a record too many"


def test_a_decision_the_core_no_longer_makes_is_a_difference(path: Path) -> None:
    _change(path, "INSERT INTO record VALUES (99, 12, 0, 0, 1, 'start', 'bench', '{}')")
    difference = replay(path, FakeCore, _site).difference
    assert difference is not None
    assert difference.what == "a record is missing"


def test_other_orders_to_the_board_are_a_difference(path: Path) -> None:
    _change(path, "UPDATE output SET pumps = 2 WHERE pumps = 1")
    difference = replay(path, FakeCore, _site).difference
    assert difference is not None
    assert difference.what == "other orders to the board"


def test_an_output_change_the_core_no_longer_makes_is_a_difference(path: Path) -> None:
    _change(path, "INSERT INTO output VALUES (9, 4, 4, 60000, '')")
    assert replay(path, FakeCore, _site).difference is not None


def test_a_journal_without_checkpoint_says_so(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite")
    journal.add_step(now_at(0), (), result_with())
    journal.close()
    with pytest.raises(OperatingError, match="no checkpoint"):
        replay(tmp_path / "j.sqlite", FakeCore, _site)


def test_a_missing_journal_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="no journal here"):
        replay(tmp_path / "missing", FakeCore, _site)


def test_a_state_of_another_version_is_named_as_such(path: Path) -> None:
    def newer(_site: Site, state: dict[str, Any] | None) -> FakeCore:
        raise TypeError(f"no field held in {state}")

    with pytest.raises(OperatingError, match="another version"):
        replay(path, newer, _site)
