"""docs/trust.md repeats ids, bounds and promises of the code: here it is held to them."""

from __future__ import annotations

from pathlib import Path

from tests.scenario.planted import MISTAKES
from tests.scenario.promises import PROMISES
from tests.scenario.strikes import ELSEWHERE, STRIKES, TOLD_ELSEWHERE

PAGE = Path(__file__).resolve().parents[2] / "docs" / "trust.md"
TIMES = ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min"))


def said_s(seconds: float) -> str:
    """A bound as people say it: 90 s, 15 min, 24 h, 8 d."""
    for length_s, unit in TIMES:
        if seconds >= 2.0 * length_s and seconds % length_s == 0.0:
            return f"{seconds / length_s:g} {unit}"
    return f"{seconds:g} s"


def fault_rows() -> list[str]:
    """A line of the table for each way to strike."""
    rows = []
    for strike in STRIKES:
        told = ", ".join(f"`{finding}`" for finding in strike.told) or "nothing need be told"
        within = f"within {said_s(strike.within_s)}" if strike.told else ""
        rows.append(f"| {strike.id} | {strike.what} | {told} | {within} |")
    return rows


def test_every_way_to_strike_has_its_row_with_its_bound() -> None:
    text = PAGE.read_text()
    assert [row for row in fault_rows() if row not in text] == []
    listed = [line for line in text.splitlines() if line.startswith("| ") and line.split("|")[1].strip()[1:].isdigit()]
    faults = [line for line in listed if line.count("|") == 5]
    assert faults == fault_rows()


def test_every_promise_is_there_in_the_judge_s_words() -> None:
    text = PAGE.read_text()
    assert [name for name, promise in PROMISES.items() if f"| {name} | {promise} |" not in text] == []


def test_what_needs_real_parts_is_named_and_the_count_of_planted_mistakes_is_true() -> None:
    text = PAGE.read_text()
    (line,) = [line for line in text.splitlines() if line.startswith("Only real processes")]
    named = line.partition(":")[2].partition(".")[0].replace(",", " ").split()
    assert named == list(ELSEWHERE)
    (told,) = [line for line in text.splitlines() if line.startswith("Told by the service")]
    assert [word for word in told.replace(":", " ").split() if word in {strike.id for strike in STRIKES}] == list(
        TOLD_ELSEWHERE
    )
    assert f"{len(MISTAKES)} of {len(MISTAKES)} found" in text
