"""`pumphouse winter close` against the real controller: a line is emptied, and who did what stands in the journal."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from controller.service.journal import Journal
from tests.system.real_garden import PROJECT, Garden

pytestmark = pytest.mark.system


def test_the_first_steps_of_closing_down_are_done_and_written_down(tmp_path: Path) -> None:
    garden = Garden(tmp_path, pace=20.0)
    try:
        garden.serve()
        garden.until_ready()
        words = ["winter", "close", "--mqtt", f"127.0.0.1:{garden.broker.port}", "--who", "kim", "--minutes", "1"]
        progress = tmp_path / "progress.json"
        # Hold, fuse, ends, the first line; then it is left.
        done = subprocess.run(
            [sys.executable, "-m", "controller.cli", *words, "--progress", str(progress)],
            cwd=PROJECT,
            input="\n\n\n\nq\n",
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 3, done.stderr
        assert garden.value("site/mode") == "hold"
        assert garden.truth()["valves_truly_open"] == []
        assert "drain-bean-row" in progress.read_text(encoding="utf-8")
    finally:
        garden.close()
    journal = Journal.read(garden.journal)
    orders = [record.data for record in journal.records_of("order")]
    ended = [record.data["ended"] for record in journal.records_of("delivery")]
    journal.close()
    assert [order["command"] for order in orders] == ["HoldAll", "Note", "Note", "DrainZone"]
    assert {order["sender"] for order in orders} == {"kim"}
    assert ended == ["drained"]
