"""Closing down and starting up: the list is gone through in order, can be left, and every step leaves its trace."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from controller.commands import winter
from controller.commands.winter import Progress, guide, opening_lines, zones_in
from controller.errors import ConfigurationError
from controller.guard.catalogue import CATALOGUE
from controller.service.orders import ORDER_SHAPES
from controller.service.winter_list import MAINTENANCE, Season, for_a_hand, note_of, steps_of

MANUAL = (Path(__file__).resolve().parents[2] / "docs" / "winter.md").read_text(encoding="utf-8")
ZONES = [("bench", "Bench"), ("salad", "Salad bed")]


class Site:
    """Takes orders; a zone that was opened is open for two looks."""

    def __init__(self, refuse: str = "") -> None:
        self.orders: list[Mapping[str, Any]] = []
        self.refuse = refuse
        self._looks: dict[str, int] = {}
        self.open_at_order: list[bool] = []

    def order(self, fields: Mapping[str, Any]) -> tuple[bool, str]:
        self.open_at_order.append(any(looks > 0 for looks in self._looks.values()))
        if fields["order"] == self.refuse:
            self.refuse = ""
            return False, "the board is lost"
        self.orders.append(fields)
        if fields["order"] in ("drain-zone", "run-zone"):
            self._looks[fields["zone"]] = 2
        return True, ""

    def is_open(self, zone_id: str) -> bool:
        self._looks[zone_id] -= 1
        return self._looks[zone_id] >= 0


def answers(*words: str) -> Callable[[str], str]:
    """What somebody types, then nothing but Enter."""
    given: Iterator[str] = iter(words)
    return lambda _question: next(given, "")


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(winter, "LOOK_EVERY_S", 0.0)


def gone_through(tmp_path: Path, season: Season, site: Site, *words: str) -> tuple[bool, list[str]]:
    said: list[str] = []
    progress = Progress(tmp_path / "progress.json")
    finished = guide(season, steps_of(season, ZONES, 5.0), site, progress, "kim", answers(*words), said.append)
    return finished, said


def test_closing_holds_first_and_empties_one_line_after_the_other(tmp_path: Path) -> None:
    site = Site()
    finished, _ = gone_through(tmp_path, "close", site)
    assert finished
    sent = [order for order in site.orders if order["order"] != "note"]
    assert sent == [
        {"order": "hold"},
        {"order": "drain-zone", "zone": "bench", "duration_min": 5.0},
        {"order": "drain-zone", "zone": "salad", "duration_min": 5.0},
    ]
    assert not any(site.open_at_order)
    assert not (tmp_path / "progress.json").exists()


def test_opening_puts_the_fuse_back_before_it_resumes_and_gives_each_zone_a_little(tmp_path: Path) -> None:
    site = Site()
    gone_through(tmp_path, "open", site)
    kinds = [order.get("text", order["order"]) for order in site.orders]
    fuse = next(n for n, kind in enumerate(kinds) if kind.startswith("starting up, fuse"))
    assert kinds[fuse + 1 : fuse + 4] == ["resume", "run-zone", "run-zone"]


def test_what_is_done_by_hand_is_a_note_in_the_journal_and_what_is_left_out_too(tmp_path: Path) -> None:
    site = Site()
    gone_through(tmp_path, "close", site, "", "", "s")
    notes = [order["text"] for order in site.orders if order["order"] == "note"]
    assert notes[0].startswith("closing down, fuse: Pull the pump's own fuse")
    assert notes[1].startswith("left out: closing down, ends: ")
    assert all(len(note) <= 200 for note in notes)


def test_it_goes_on_where_it_was_left(tmp_path: Path) -> None:
    site = Site()
    finished, said = gone_through(tmp_path, "close", site, "", "", "what", "q")
    assert not finished
    assert "Stopped here" in said[-1]
    before = len(site.orders)
    finished, said = gone_through(tmp_path, "close", site)
    assert finished
    assert re.search(r"done by kim, 20\d\d-", said[0])
    assert site.orders[before]["text"].startswith("closing down, ends")


def test_the_end_of_the_input_leaves_it(tmp_path: Path) -> None:
    def nobody(_question: str) -> str:
        raise EOFError

    progress = Progress(tmp_path / "progress.json")
    assert not guide("close", steps_of("close", ZONES, 5.0), Site(), progress, "kim", nobody, lambda _line: None)
    assert progress.done == {}


def test_a_refused_step_is_not_done_and_says_why(tmp_path: Path) -> None:
    site = Site(refuse="drain-zone")
    finished, said = gone_through(tmp_path, "close", site, "", "", "", "", "q")
    assert not finished
    assert "  refused: the board is lost" in said
    assert "drain-bench" not in Progress(tmp_path / "progress.json").done


def test_a_progress_file_that_is_none_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "progress.json").write_text("[]")
    with pytest.raises(ConfigurationError, match="delete it or name another --progress"):
        Progress(tmp_path / "progress.json")


@pytest.mark.parametrize("season", ["close", "open"])
def test_every_step_is_in_the_manual_with_who_does_it(season: Season) -> None:
    heading = {"close": "## Closing down", "open": "## Starting up"}[season]
    listed = re.findall(r"^\| `([\w-]+)` \| (.*) \| (order|hand) \|$", MANUAL.split(heading)[1].split("\n## ")[0], re.M)
    steps = steps_of(season, [("ZONE", "ZONE")], 5.0)
    assert listed == [(step.id, step.text, "hand" if step.order is None else "order") for step in steps]


def test_steps_have_names_of_their_own_and_orders_that_exist() -> None:
    for season in ("close", "open"):
        steps = steps_of(season, ZONES, 5.0)
        assert len({step.id for step in steps}) == len(steps)
        assert all(step.order["order"] in ORDER_SHAPES for step in steps if step.order is not None)
        assert all(len(note_of(season, step)) <= 200 for step in steps)


def test_what_asks_for_a_hand_is_in_the_catalogue_and_in_the_manual() -> None:
    assert set(MAINTENANCE) <= set(CATALOGUE)
    table = MANUAL.split("## What asks for a hand")[1]
    named = set(re.findall(r"`([a-z-]+)`", table))
    assert named <= set(MAINTENANCE)
    found = [{"id": "leak:main", "text": "it leaks"}, {"id": "held", "text": "on hold"}]
    assert for_a_hand(found) == found[:1]


def test_the_beginning_says_what_the_site_reads_and_what_asks_for_a_hand() -> None:
    values = {
        "site/mode": "hold",
        "tank-main/level": "0.612",
        "power/voltage": "12.71",
        "zone-salad/name": "Salad bed",
        "site/findings": json.dumps(
            [{"id": "catch-lost:main", "text": "the gutter", "cure": "clear it"}, {"id": "held"}]
        ),
    }
    lines = opening_lines("hillfoot", values)
    assert lines[0] == "hillfoot is on hold"
    assert "  tank-main/level 0.612" in lines
    assert lines[-2] == "  look at: the gutter; clear it"
    assert zones_in(values) == [("salad", "Salad bed")]
