"""A noisy cable and a board's clock that is off, through the whole chain: they are told, and stop no water."""

from __future__ import annotations

import pytest

from controller.contract import Finding
from controller.core import Core
from tests.scenario.broken_season import LineTrouble
from tests.scenario.directed import BED, GARDEN, Stretch
from tests.scenario.garden import MINUTE_MS


def finding(stretch: Stretch, finding_id: str) -> Finding | None:
    shown = stretch.season.core.snapshot(stretch.season.now()).findings
    return next((each for each in shown if each.id == finding_id), None)


def journalled(stretch: Stretch, finding_id: str) -> list[bool]:
    """Every time a finding came (True) or went (False)."""
    return [r.data["raised"] for _, r in stretch.records if r.kind == "fault" and r.key == finding_id]


def given_l(stretch: Stretch, zone_id: str) -> float:
    return stretch.season.plant.truth.zone(zone_id).applied_l


def noisy() -> Stretch:
    """One line in seven that the board sends is damaged, from mid-run on."""
    stretch = Stretch(journal=True)
    stretch.judge.explained = ("cable-noisy",)
    stretch.until_flowing(10.0)
    stretch.cable.weather = LineTrouble(damage=0.15, only="to_host")
    return stretch


def test_a_noisy_cable_is_told_with_its_numbers_stops_nothing_and_goes_when_it_is_mended() -> None:
    stretch = noisy()
    stretch.judge.expect(("cable-noisy",), 10 * MINUTE_MS)
    stretch.until("06:35")
    told = finding(stretch, "cable-noisy")
    assert told is not None
    assert told.severity == "warning"
    damaged, lines = [int(word) for word in told.text.split() if word.isdigit()]
    assert 0.05 * lines <= damaged <= 0.3 * lines
    stretch.must_have_given(BED, 8.0)
    stretch.cable.weather = LineTrouble()
    stretch.until("07:15")
    assert finding(stretch, "cable-noisy") is None
    assert journalled(stretch, "cable-noisy") == [True, False]
    stretch.check_books()


def test_what_the_shell_said_of_damage_is_in_the_journal() -> None:
    stretch = noisy()
    stretch.until("06:15")
    assert stretch.stored is not None
    stretch.stored.tidy()
    rows = stretch.stored.journal._connection.execute("SELECT count(*) FROM input WHERE kind = 'damaged'").fetchone()
    assert rows[0] >= 5
    stretch.check_books()


def test_torn_lines_as_the_board_is_reset_or_plugged_in_are_no_noisy_cable() -> None:
    stretch = Stretch()
    stretch.judge.explained = None
    for _ in range(4):
        stretch.go_on(20 * 60)
        stretch.cable.noise("to_host", b"report 7 boot=00\nboot: 3.2 ok\r\n")
        stretch.reset_board("power")
    stretch.go_on(20 * 60)
    assert journalled(stretch, "cable-noisy") == []


def test_a_noisy_cable_is_watched_afresh_when_the_controller_restarts() -> None:
    stretch = noisy()
    stretch.until("06:15")
    assert finding(stretch, "cable-noisy") is not None
    stretch.cable.weather = LineTrouble()
    stretch.restart(30.0)
    stretch.until("06:35")
    assert finding(stretch, "cable-noisy") is None


@pytest.mark.parametrize(("pace", "said"), [(0.03, "3.0 % fast"), (-0.04, "4.0 % slow")])
def test_a_board_s_clock_that_is_off_is_told_by_how_much_and_stops_nothing(pace: float, said: str) -> None:
    stretch = Stretch(journal=True)
    stretch.judge.explained = ("board-clock-off",)
    stretch.judge.expect(("board-clock-off",), 32 * MINUTE_MS)
    stretch.season.pace = pace
    stretch.until("06:30")
    told = finding(stretch, "board-clock-off")
    assert told is not None
    assert said in told.text
    assert told.severity == "warning"
    stretch.must_have_given(BED, 8.0)
    stretch.season.pace = 0.0
    stretch.until("07:15")
    assert journalled(stretch, "board-clock-off") == [True, False]
    stretch.check_books()


def test_a_clock_that_is_off_by_one_and_a_half_per_cent_is_not_told() -> None:
    stretch = Stretch()
    stretch.season.pace = 0.015
    stretch.until("07:30")
    assert journalled(stretch, "board-clock-off") == []
    assert given_l(stretch, BED) > 14.0


def test_a_memory_from_before_there_were_these_findings_is_taken_up() -> None:
    stretch = Stretch()
    stretch.until("05:55")
    memory = stretch.season.core.dump()
    del memory["sensing"]["line_noise"], memory["sensing"]["board_clock"]
    core = Core(GARDEN, memory)
    assert core.dump()["sensing"]["line_noise"]["lines"] == 0
