"""`pumphouse season`: the table, the journal, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.cli import main
from controller.core import Core
from controller.service.replay import replay
from controller.site.load import parse_site


def test_a_short_season_prints_its_table_and_leaves_a_journal_that_replays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["season", "--days", "4", "--from", "2026-07-01"]) == 0
    out = capsys.readouterr().out
    assert "what became of the water" in out
    assert "bench-south" in out
    assert "water balance of the plant closes" in out
    result = replay(tmp_path / "season-2026-07-01-seed1.sqlite", Core, lambda text: parse_site(text, "stored"))
    assert result.difference is None
    assert result.records > 400


def test_the_same_seed_gives_the_same_journal_to_the_byte_and_another_seed_does_not(tmp_path: Path) -> None:
    texts = []
    for name, seed in (("a", "7"), ("b", "7"), ("c", "8")):
        words = ["season", "--days", "3", "--from", "2026-07-01", "--seed", seed]
        words += ["--journal", str(tmp_path / f"{name}.sqlite"), "--export", str(tmp_path / f"{name}.txt")]
        assert main(words) == 0
        texts.append((tmp_path / f"{name}.txt").read_bytes())
    assert texts[0] == texts[1]
    assert texts[0] != texts[2]
    assert len(texts[0]) > 100_000


def test_own_weather_comes_from_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"2025-07-{day:02d},12.0,24.0,{12.0 if day == 3 else 0.0}" for day in range(1, 10)]
    (tmp_path / "w.csv").write_text("date,tmin_c,tmax_c,rain_mm\n" + "\n".join(rows) + "\n")
    assert main(["season", "--days", "5", "--weather", str(tmp_path / "w.csv"), "--no-journal"]) == 0
    assert "12 mm" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["--days", "0"], "allowed are 1 to 36525"),
        (["--fill", "1.5"], "allowed are 0 (empty) to 1"),
        (["--no-journal", "--export", "x.txt"], "leave out --no-journal"),
        (["--site", "no-such-file.toml"], "there is no file"),
        (["--weather", "no-such-file.csv"], "no-such-file.csv"),
    ],
)
def test_what_cannot_be_run_is_refused_with_the_reason(
    words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["season", *words]) == 2
    assert part in capsys.readouterr().err


def test_a_journal_that_is_there_already_is_not_touched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = tmp_path / "mine.sqlite"
    journal.write_text("precious")
    assert main(["season", "--days", "1", "--journal", str(journal)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert journal.read_text() == "precious"
