"""Flashing: what is copied, in which order, and what is said. mpremote itself is replaced by a recorder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.service.firmware_files import firmware_files, folders
from firmware_host.board import pins
from tests.system.broker_process import wait_for

pytestmark = pytest.mark.system

RECORDER = """
import json, os, shutil, sys
words = sys.argv[1:]
with open(os.environ["RECORD"], "a") as record:
    record.write(json.dumps(words) + "\\n")
if os.environ.get("FAIL_AT", "-") in words:
    sys.exit("could not enter raw repl")
if words[2:4] == ["fs", "cp"]:
    target = os.path.join(os.environ["CHIP"], words[5].lstrip(":"))
    os.makedirs(os.path.dirname(target), exist_ok=True)
    shutil.copy(words[4], target)
"""


class Workbench:
    """A virtual board on a pseudo-terminal, and a recorder in mpremote's place."""

    def __init__(self, directory: Path) -> None:
        self.tty, self.chip = directory / "tty", directory / "chip"
        self._record = directory / "record"
        package = directory / "fake" / "mpremote"
        package.mkdir(parents=True)
        (package / "__init__.py").write_text("")
        (package / "__main__.py").write_text(RECORDER)
        self._environment = {
            **os.environ,
            "PYTHONPATH": str(package.parent),
            "RECORD": str(self._record),
            "CHIP": str(self.chip),
        }
        command = [sys.executable, "-m", "controller.cli", "board", "virtual", "--link", str(self.tty)]
        self._board = subprocess.Popen(
            [*command, "--start", "2026-06-01T06:00"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(self.tty.exists, "board")

    def flash(self, *words: str, answer: str = "", fail_at: str = "-") -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "controller.cli", "board", "flash", "--serial", str(self.tty), *words]
        environment = {**self._environment, "FAIL_AT": fail_at}
        return subprocess.run(
            command, input=answer, env=environment, capture_output=True, text=True, timeout=240, check=False
        )

    def calls(self) -> list[list[str]]:
        return [json.loads(line)[2:] for line in self._record.read_text().splitlines()] if self._record.exists() else []

    def close(self) -> None:
        self._board.terminate()
        self._board.wait(timeout=10)


@pytest.fixture
def workbench(tmp_path: Path) -> Iterator[Workbench]:
    made = Workbench(tmp_path)
    yield made
    made.close()


def test_every_file_arrives_whole_and_the_start_file_last(workbench: Workbench) -> None:
    result = workbench.flash("--yes")
    assert result.returncode == 0, result.stdout + result.stderr
    wanted = firmware_files()
    for file in wanted:
        assert (workbench.chip / file.path).read_text() == file.content
    calls = workbench.calls()
    assert calls[0] == ["fs", "rm", ":main.py"]
    copied = [call[3] for call in calls if call[:2] == ["fs", "cp"]]
    assert copied == [f":{file.path}" for file in wanted]
    assert copied[-1] == ":main.py"
    assert calls[-1] == ["reset"]
    assert "asking it to make way" in result.stdout
    assert "pump's fuse" in result.stdout
    assert "Fitted: 1 x ranger" in result.stdout


def test_nothing_is_written_without_a_yes(workbench: Workbench) -> None:
    result = workbench.flash(answer="\n")
    assert result.returncode == 1
    assert "Nothing was written." in result.stdout
    assert workbench.calls() == []


def test_a_wrong_pin_file_is_refused_before_anything_is_written(workbench: Workbench, tmp_path: Path) -> None:
    text = Path(pins.__file__).read_text(encoding="utf-8")
    (tmp_path / "mine.py").write_text(text.replace('"pin": 9, "active"', '"pin": 8, "active"'))
    result = workbench.flash("--yes", "--pins", str(tmp_path / "mine.py"))
    assert result.returncode == 2
    assert "mine.py" in result.stderr
    assert workbench.calls() == []


def test_a_pin_file_of_ones_own_takes_the_place_of_the_shipped_one(workbench: Workbench, tmp_path: Path) -> None:
    mine = Path(pins.__file__).read_text(encoding="utf-8").replace('"pin": 11, "active"', '"pin": 15, "active"')
    (tmp_path / "mine.py").write_text(mine)
    assert workbench.flash("--yes", "--pins", str(tmp_path / "mine.py")).returncode == 0
    assert (workbench.chip / "firmware_host/board/pins.py").read_text() == mine


def test_a_copy_that_fails_says_what_mpremote_said_and_leaves_no_start_file(workbench: Workbench) -> None:
    result = workbench.flash("--yes", fail_at=":firmware_host/wire.py")
    assert result.returncode == 1
    assert "could not enter raw repl" in result.stderr
    assert "is MicroPython on the board" in result.stderr
    assert not (workbench.chip / "main.py").exists()


def test_folders_are_made_before_what_is_in_them() -> None:
    assert folders(firmware_files()) == ["firmware_host", "firmware_host/board"]
