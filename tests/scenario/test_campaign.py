"""The campaign's log is the same for the same seed, whatever was done by how many processes."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.scenario import campaign, elsewhere_campaign
from tests.scenario.campaign import faults, years
from tests.scenario.garden import DAY_MS, HOUR_MS
from tests.scenario.hard_weeks import HardWeek
from tests.scenario.strikes import STRIKES


def test_the_same_seed_gives_the_same_log_byte_for_byte() -> None:
    told: list[str] = []
    short = (replace(campaign.LARGE, days=2), replace(campaign.SMALL, days=2))
    one = years(6.0 / 365.0, 7, jobs=1, tell=told.append, kinds=short)
    once = [*told, *one.lines]
    told.clear()
    again = years(6.0 / 365.0, 7, jobs=2, tell=told.append, kinds=short)
    assert len(once) >= 5
    assert "\n".join(once).encode() == "\n".join([*told, *again.lines]).encode()
    assert len({line.partition(", log ")[2] for line in told}) == 3
    assert [line.split(" garden")[0] for line in told] == ["large", "small", "large"]
    assert not one.failed


def test_what_was_broken_is_told_and_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("firmware_host.board.outputs.SETTLE_MS", 0)
    monkeypatch.setattr(campaign, "STRIKES", [strike for strike in STRIKES if strike.id in ("S1", "A6")])
    report = faults(1, 1, jobs=1)
    assert report.failed
    assert any("I2: valve" in line for line in report.lines)


def test_the_line_of_a_fault_says_how_often_it_struck_and_was_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaign, "STRIKES", [strike for strike in STRIKES if strike.id in ("S1", "M1")])
    report = faults(2, 1, jobs=1)
    assert not report.failed
    assert report.lines[0].startswith("S1   alone 2, in pairs 4; told 2 of 2, after ")
    assert report.lines[1].startswith("M1   alone 2, in pairs 4; nothing need be told")


def test_what_is_told_days_after_the_last_strike_is_a_false_alert() -> None:
    week = HardWeek(3, hard_hours=20 * 24.0)
    week._under_strikes = [(DAY_MS, 7 * DAY_MS)]
    week.judge.told = [(HOUR_MS, "leak:main"), (2 * DAY_MS, "pump-worn:main-pump"), (8 * DAY_MS, "valve-open:bed")]
    assert week.false_alerts() == ("leak:main", "valve-open:bed")
    assert week.quiet_ms == DAY_MS


def test_tests_with_real_parts_are_run_so_often_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "tests" / "unit").mkdir(parents=True)
    for package in ("tests", "tests/unit"):
        (tmp_path / package / "__init__.py").touch()
    shutil.copy(elsewhere_campaign.ROOT / "tests" / "repeated.py", tmp_path / "tests")
    test = "def test_good() -> None: ...\n\n\ndef test_odd(repetition: int) -> None:\n    assert repetition % 2 == 0\n"
    (tmp_path / "tests" / "unit" / "test_it.py").write_text(test)
    monkeypatch.setattr(elsewhere_campaign, "ROOT", tmp_path)
    monkeypatch.setattr(elsewhere_campaign, "TOLD_ELSEWHERE", {})
    monkeypatch.setattr(
        elsewhere_campaign, "ELSEWHERE", {"S7": "unit/test_it:test_good", "B1": "unit/test_it:test_good"}
    )
    report = elsewhere_campaign.elsewhere(7, jobs=2)
    assert report.lines == ("B1, S7: 7 times without a failure, 0 with one (tests/unit/test_it:test_good)",)
    assert not report.failed
    monkeypatch.setattr(elsewhere_campaign, "ELSEWHERE", {"S7": "unit/test_it:test_odd"})
    report = elsewhere_campaign.elsewhere(2, jobs=1)
    assert report.lines[-1].startswith("S7: 1 times without a failure, 1 with one")
    assert "assert (1 % 2) == 0" in report.lines[0]
    assert report.failed
