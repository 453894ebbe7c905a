"""After a stop of any kind the core goes on exactly where the journal ended."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.errors import OperatingError
from controller.service.codec import decode_input
from controller.service.journal import Journal
from controller.service.restore import restore
from controller.site.model import Site
from tests.unit.example_site import SITE
from tests.unit.fake_core import FakeCore
from tests.unit.journal_data import line, now_at


def _site(_text: str) -> Site:
    return SITE


def _journal(path: Path) -> Journal:
    journal, core = Journal.open(path), FakeCore(SITE)
    journal.add_checkpoint(now_at(0), "old text", core.dump())
    for minute in range(5):
        now = now_at(60 * minute)
        journal.add_step(now, [line(minute)], core.step(now, [decode_input(*line(minute))]))
    journal.commit()
    return journal


def test_a_new_journal_starts_a_fresh_core(tmp_path: Path) -> None:
    restored = restore(Journal.open(tmp_path / "j.sqlite"), SITE, "text", FakeCore, _site)
    assert restored.fresh
    assert restored.whole


def test_a_replaced_damaged_journal_is_not_whole(tmp_path: Path) -> None:
    (tmp_path / "j.sqlite").write_bytes(b"noise" * 1000)
    restored = restore(Journal.open(tmp_path / "j.sqlite"), SITE, "text", FakeCore, _site)
    assert restored.fresh
    assert not restored.whole


def test_inputs_after_the_checkpoint_are_run_again(tmp_path: Path) -> None:
    restored = restore(_journal(tmp_path / "j.sqlite"), SITE, "old text", FakeCore, _site)
    assert restored.whole
    assert restored.core.dump()["reports"] == 5


def test_a_changed_site_file_is_in_force_after_the_old_inputs(tmp_path: Path) -> None:
    used: list[Site] = []
    changed = replace(SITE, name="changed")

    def factory(site: Site, state: dict[str, Any] | None) -> FakeCore:
        used.append(site)
        return FakeCore(site, state)

    restored = restore(_journal(tmp_path / "j.sqlite"), changed, "new text", factory, _site)
    assert [site.name for site in used] == [SITE.name, "changed"]
    assert restored.core.dump()["reports"] == 5
    assert restored.whole


def test_inputs_that_cannot_be_run_again_leave_the_checkpoint_and_say_so(tmp_path: Path) -> None:
    journal = _journal(tmp_path / "j.sqlite")
    journal.add_step(now_at(400), [("line", "from another world")], FakeCore(SITE).step(now_at(400), ()))
    journal.commit()
    restored = restore(journal, SITE, "old text", FakeCore, _site)
    assert not restored.whole
    assert not restored.fresh
    assert restored.core.dump()["reports"] == 0


def test_a_state_nobody_can_read_gives_a_fresh_core_and_says_so(tmp_path: Path) -> None:
    def picky(site: Site, state: dict[str, Any] | None) -> FakeCore:
        if state is not None:
            raise OperatingError("written by another version")
        return FakeCore(site)

    restored = restore(_journal(tmp_path / "j.sqlite"), SITE, "old text", picky, _site)
    assert restored.fresh
    assert not restored.whole


def test_a_bug_in_the_core_is_not_swallowed(tmp_path: Path) -> None:
    class Broken(FakeCore):
        def step(self, *_: object) -> Any:
            raise AssertionError("an invariant is broken")

    with pytest.raises(AssertionError):
        restore(_journal(tmp_path / "j.sqlite"), SITE, "old text", Broken, _site)
