"""The live page on a terminal, seen through a terminal emulator: right, and with no more writing than needed."""

from __future__ import annotations

import pyte
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.service.live_screen import difference, laid_out

PAGE = [
    "hillfoot, Thu 14 May 06:30",
    "The controller is lost; what follows is what it said last",
    "Tank butts: 867 L of 1188 L",
    "Bench: WATERING, 2.0 L so far; 3.2 L today, plan 6.0 L",
    "    why: 2.6 mm short of full (44 mm), 10.2 L refill it",
    "FAULT flow-at-rest: water flows",
]


def seen(sequences: list[str], columns: int = 60, rows: int = 12) -> list[str]:
    screen = pyte.Screen(columns, rows)
    stream = pyte.Stream(screen)
    for text in sequences:
        stream.feed(text)
    return [line.rstrip() for line in screen.display]


def test_a_page_is_shown_line_by_line_with_the_way_out_below() -> None:
    lines, furthest = laid_out(PAGE, 60, 12, 0, colour=True)
    shown = seen([difference([], lines)])
    assert shown[: len(PAGE)] == PAGE
    assert shown[-1] == "q leaves"
    assert furthest == 0


def test_only_what_changed_is_written_again() -> None:
    before, _ = laid_out(PAGE, 60, 12, 0, colour=True)
    after, _ = laid_out([*PAGE[:3], PAGE[3].replace("2.0", "2.5"), *PAGE[4:]], 60, 12, 0, colour=True)
    text = difference(before, after)
    assert text.count("\x1b[K") == 1
    assert "\x1b[2J" not in text
    assert "2.5 L so far" in seen([difference([], before), text])[3]
    assert difference(after, after) == ""


@given(
    st.lists(st.lists(st.text(max_size=90), max_size=15), min_size=1, max_size=4),
    st.integers(20, 100),
    st.integers(3, 20),
)
def test_after_any_changes_the_screen_is_as_if_drawn_anew(pages: list[list[str]], columns: int, rows: int) -> None:
    before: list[str] = []
    written = []
    for page in pages:
        lines, _ = laid_out(page, columns, rows, 0, colour=False)
        written.append(difference(before, lines))
        before = lines
    assert seen(written, columns, rows) == seen([difference([], before)], columns, rows)


def test_a_long_page_is_scrolled_and_not_beyond_its_end() -> None:
    long = [f"line {n}" for n in range(30)]
    lines, furthest = laid_out(long, 40, 10, 99, colour=False)
    assert furthest == 21
    assert seen([difference([], lines)], 40, 10)[:9] == long[21:]
    assert lines[-1] == "22-30 of 30, j and k move; q leaves"


def test_a_long_line_is_wrapped_at_words_and_indented() -> None:
    lines, _ = laid_out(["    why: " + "water " * 12], 40, 8, 0, colour=False)
    assert all(len(line) <= 40 for line in lines)
    assert lines[1].startswith("      water")


@pytest.mark.parametrize("colour", [True, False])
def test_without_colour_faults_are_only_bold(colour: bool) -> None:
    text = "".join(laid_out(PAGE, 60, 12, 0, colour)[0])
    assert ("\x1b[1;31m" in text) is colour
    assert "\x1b[1m" in text


def test_nothing_from_the_network_steers_the_terminal() -> None:
    lines, _ = laid_out(["Bench\x1b[2J\x07\x9b31m: WATERING"], 60, 5, 0, colour=False)
    assert "\x1b[2J" not in lines[0]
    assert "\x07" not in lines[0]
    assert "\x9b" not in lines[0]
