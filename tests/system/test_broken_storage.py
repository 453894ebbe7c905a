"""The journal on media that lose power, fail and lie: what was said to be safe is there, once, and the rest is whole.

`scripts/break_storage` does the same many times more.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.storage import daemon_kills, failing, kills, power_cut, stubborn
from tests.storage.recording import Call, record

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed"),
]

CUTS, ROUNDS = 80, 40


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> list[Call]:
    """Everything that a journal's life did to its files."""
    directory = tmp_path_factory.mktemp("life")
    return record(directory, ["tests.storage.job", str(directory), str(ROUNDS), "1"])


def test_a_power_cut_at_any_instant_loses_nothing_that_was_safe(tmp_path: Path, life: list[Call]) -> None:
    assert sum(call.kind == "sync" for call in life) > ROUNDS
    found = [power_cut.broken_promise(tmp_path / "after", cut) for cut in power_cut.cuts(life, CUTS, 1)]
    assert len(found) == CUTS
    assert [text for text in found if text] == []


def test_nor_does_a_cut_while_a_start_recovers_from_an_earlier_one(tmp_path: Path, life: list[Call]) -> None:
    before = list(power_cut.cuts(life, 30, 2))[20]
    directory = tmp_path / "second"
    power_cut.lay_out(directory, before.files)
    second = record(directory, ["tests.storage.job", str(directory), str(ROUNDS), "2"])
    cuts = list(power_cut.cuts(second, CUTS, 3, before.files, before.safe))
    assert [text for cut in cuts if (text := power_cut.broken_promise(tmp_path / "after", cut))] == []


def test_a_medium_that_only_pretends_to_sync_is_found_out(tmp_path: Path, life: list[Call]) -> None:
    """The proof that these tests can fail."""
    lied = [call for call in life if call.kind != "sync"]
    found = {power_cut.broken_promise(tmp_path / "after", cut) for cut in power_cut.cuts(lied, 20, 1)}
    assert found - {""}


@pytest.mark.parametrize(
    "failure",
    [
        failing.Failure("pwrite64", "EIO", 30, False),
        failing.Failure("pwrite64", "ENOSPC", 1, True),
        failing.Failure("pwrite64", "ENOSPC", 61, True),
        failing.Failure("pwrite64", "EROFS", 30, True),
        failing.Failure("fdatasync", "EIO", 3, False),
        failing.Failure("fdatasync", "EIO", 3, True),
        failing.Failure("ftruncate", "EIO", 1, False),
        failing.Failure("pread64", "EIO", 2, False),
        failing.Failure("pread64", "EIO", 20, True),
        failing.Failure("openat", "EMFILE", 4, False),
    ],
    ids=str,
)
def test_a_call_that_fails_harms_nothing_that_was_safe(tmp_path: Path, failure: failing.Failure) -> None:
    directory = tmp_path / "journal"
    directory.mkdir()
    begun = stubborn.live(directory, 6, 0)["safe"]
    assert begun == 6
    broken, met = failing.broken_promise(directory, failure, 6)
    assert met, "the failure never came"
    assert broken == ""


def test_without_a_failure_everything_is_safe(tmp_path: Path) -> None:
    said, _ = failing.run_with(tmp_path, None)
    assert said["all_safe"]
    assert said["trouble"] is None
    assert said["safe"] == said["handed_over"] == failing.ROUNDS


def test_killed_at_any_instant_a_writer_leaves_what_was_safe(tmp_path: Path) -> None:
    assert kills.killed_lives(tmp_path, 8, 1) == ""


def test_killed_at_any_instant_the_whole_controller_keeps_its_word_and_gives_the_day_s_water_once(
    tmp_path: Path,
) -> None:
    garden = daemon_kills.KilledGarden(tmp_path, 3)
    try:
        assert garden.run(3) == ""
        assert garden.kills == 3
        assert sum(garden.answered.values()) > 0, "some orders were taken"
    finally:
        garden.close()
