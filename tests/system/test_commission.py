"""`pumphouse commission` against the real controller, a broker, and a virtual board that is wired otherwise."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.service.journal import Journal
from controller.service.sitefile import read_site
from controller.site.load import parse_site
from simulator.example import example_site_text
from tests.system.broker_process import wait_for
from tests.system.real_garden import PROJECT, Garden

pytestmark = pytest.mark.system

PACE = 20.0
DECLARED_MM = 1450
"""The face sits at 1400 mm, give or take the tape."""
BEDS = ("salad-bed-east", "salad-bed-west")


class Person:
    """Types an answer to each question; `answers` maps words of questions to what is said, or to what says it."""

    def __init__(self, words: list[object], answers: dict[str, Callable[[], str]]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *map(str, words)],
            cwd=PROJECT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self._answers = answers
        self.heard = ""

    def converse(self) -> int:
        """Until it ends; its exit code."""
        assert self._process.stdout is not None
        assert self._process.stdin is not None
        asked_from = 0
        while data := os.read(self._process.stdout.fileno(), 4096):
            self.heard += data.decode()
            if self.heard.endswith(": "):
                question, asked_from = self.heard[asked_from:], len(self.heard)
                answer = next((say for words, say in self._answers.items() if words in question), lambda: "s")
                self._process.stdin.write(f"{answer()}\n".encode())
                self._process.stdin.flush()
        return self._process.wait(30)

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


def test_crossed_valves_and_a_wrong_height_are_found_at_the_live_site_and_written_into_its_file(tmp_path: Path) -> None:
    garden = Garden(tmp_path, pace=PACE)
    text = _three_zones(garden.site.read_text("utf-8")).replace('"1400 mm"', f'"{DECLARED_MM} mm"')
    first, second = "output = 0, opening", "output = 1, opening"
    text = text.replace(first, "output = X, opening").replace(second, first).replace("output = X, opening", second)
    garden.site.write_text(text, encoding="utf-8")
    truth = parse_site(_three_zones(example_site_text()), "truth")
    skipped = ("Battery", "Air", "Float", "Flow", "Known", "Rain", "Everything", "A night")

    def seen_open() -> str:
        wait_for(lambda: garden.truth()["valves_truly_open"], "open valve")
        [output] = garden.truth()["valves_truly_open"]
        return str(1 + next(n for n, zone in enumerate(truth.zones) if zone.valve.output == output))

    def started_again() -> str:
        assert garden.controller is not None
        garden.controller.terminate()
        garden.controller.wait(20)
        garden.listener.retained.clear()
        garden.serve()
        garden.until_ready()
        return ""

    def depth_mm() -> float:
        return 1000.0 * float(garden.value("tank-main/level")) - (DECLARED_MM - 1400)

    true_mm: list[float] = []

    def stick() -> str:
        true_mm.append(depth_mm())
        return f"{true_mm[0]:.0f} mm"

    def tape() -> str:
        return f"{1400.0 - depth_mm():.0f} mm" if not true_mm else f"{1400.0 - true_mm[0]:.0f} mm"

    def watered() -> str:
        given = garden.truth()["applied_l"]
        return " ".join(str(n) for n, zone in enumerate(truth.zones, 1) if given[zone.id] > 0.5)

    answers: dict[str, Callable[[], str]] = {
        **{name: lambda: "s" for name in skipped},
        "put the site on hold": lambda: "yes",
        "Which valve opened": seen_open,
        "Where did water come": watered,
        "Did the pump run": lambda: "yes",
        "Tape": tape,
        "Stick": stick,
        "Write it into": lambda: "yes",
        "has started again": started_again,
        "Is all still": lambda: "yes",
        "a does this step again": lambda: "",
        "Enter begins": lambda: "",
        "Sign off": lambda: "no",
    }
    words: list[object] = ["commission", garden.site, "--who", "kim", "--pace", PACE, "--progress", tmp_path / "p.json"]
    try:
        garden.serve()
        garden.until_ready()
        person = Person(words, answers)
        try:
            code = person.converse()
        finally:
            person.close()
        assert code == 3, person.heard
        corrected = read_site(garden.site)
        assert garden.value("site/mode") == "hold"
        assert garden.truth()["valves_truly_open"] == []
    finally:
        garden.close()
    assert [corrected.zone(bed).valve.output for bed in BEDS] == [truth.zone(bed).valve.output for bed in BEDS]
    assert corrected.tanks[0].sensor_height_mm == pytest.approx(1400.0, abs=10.0)
    assert "# where its face sits" in garden.site.read_text("utf-8")
    journal = Journal.read(garden.journal)
    notes = [r.data for r in journal.records_of("order") if r.data["command"] == "Note"]
    journal.close()
    told = " ".join(note["details"]["text"] for note in notes)
    assert {note["sender"] for note in notes} == {"kim"}
    assert "zone[1].valve.output: 1 -> 0" in told
    assert "commissioning, pump-main-pump: right" in told, person.heard


def _three_zones(text: str) -> str:
    """The example with its first three zones: each valve takes time."""
    parts = text.split("[[zone]]")
    return "[[zone]]".join(parts[:4]) + parts[-1][parts[-1].index("# ---") :]
