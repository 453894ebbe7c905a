"""Inspecting and exercising a board, over a real pseudo-terminal with the board logic behind it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulator.example import example_site_text
from tests.system.broker_process import wait_for

pytestmark = pytest.mark.system


class Bench:
    """A virtual board behind a link in one directory."""

    def __init__(self, directory: Path) -> None:
        self.tty, self.site = directory / "tty", directory / "site.toml"
        self.site.write_text(example_site_text())
        words = ("board", "virtual", "--link", self.tty, "--site", self.site, "--start", "2026-06-01T06:00")
        self._board = subprocess.Popen(_command(*words), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for(self.tty.exists, "board")

    def run(self, *words: object, answer: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            _command("board", *words), input=answer, capture_output=True, text=True, timeout=240, check=False
        )

    def close(self) -> None:
        self._board.terminate()
        self._board.wait(timeout=10)


def _command(*words: object) -> list[str]:
    return [sys.executable, "-m", "controller.cli", *map(str, words)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


def test_inspecting_shows_who_is_there_and_what_it_reads(bench: Bench) -> None:
    result = bench.run("inspect", "--serial", bench.tty)
    assert result.returncode == 0, result.stderr
    assert "Fitted: 1 x ranger" in result.stdout
    assert "Boots in its life: 1; the one before this was started by unknown" in result.stdout
    assert "Flow meter 0: 0 pulses in its life" in result.stdout
    assert "Battery: 12." in result.stdout
    assert "Outputs on: pumps none, valves none" in result.stdout
    assert "Faults: none" in result.stdout


def test_a_port_that_is_not_there_says_so_and_what_to_do(tmp_path: Path) -> None:
    result = subprocess.run(
        _command("board", "inspect", "--serial", tmp_path / "nothing"),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert result.returncode == 1
    assert "nothing" in result.stderr
    assert ";" in result.stderr


def test_nothing_moves_without_a_yes(bench: Bench) -> None:
    result = bench.run("exercise", "--serial", bench.tty, "--site", bench.site, answer="no\n")
    assert result.returncode == 1
    assert "Nothing was moved." in result.stdout
    assert "nobody working at pump" in result.stdout


def test_a_well_wired_board_passes_its_valves(bench: Bench) -> None:
    result = bench.run("exercise", "--serial", bench.tty, "--site", bench.site, "--yes", "--valves-only")
    assert result.returncode == 0, result.stdout + result.stderr
    assert result.stdout.count("right: read back as it should be") == 7
    assert "All moves read back as they should." in result.stdout


def test_a_site_that_names_more_outputs_than_the_board_has_is_refused_before_anything_moves(bench: Bench) -> None:
    wider = bench.site.with_name("wider.toml")
    wider.write_text(bench.site.read_text().replace("output = 5", "output = 15"))
    result = bench.run("exercise", "--serial", bench.tty, "--site", wider, "--yes")
    assert result.returncode == 2
    assert "valve output 15 is named, but the board has 6" in result.stderr
