"""docs/page.md tells the owner what the page really shows and does."""

from __future__ import annotations

import re
from pathlib import Path

from controller.core.orders import LOOK_REST_MS
from controller.core.state import KEPT_SCHEDULES
from dashboards import commands, log_page, page, periods, routes_shared
from dashboards.frame import PLACES
from dashboards.schedule_form import MODES
from dashboards.strip import MARKS, STATE_WORDS
from tests.unit.test_dashboards_page import text_of, view_of

DOCS = Path(__file__).parents[2] / "docs"
TEXT = (DOCS / "page.md").read_text(encoding="utf-8")
NUMBERS = {2: "two", 5: "five", 6: "six", 10: "ten", 20: "20", 30: "thirty", 40: "forty"}


def test_every_state_of_an_order_is_explained() -> None:
    rows = re.findall(r"^\| (.) (\w[\w ]*) \|", TEXT, re.MULTILINE)
    assert set(rows) == {(MARKS[state], words) for state, words in STATE_WORDS.items()}


def test_places_and_lengths_of_time_have_their_names() -> None:
    for _, name in PLACES:
        assert f"## {name}" in TEXT or f"**{name}**" in TEXT or f"## {name}, " in TEXT, name
    assert "a day, a week, a month, a season or a year" in TEXT
    assert len(periods.SPANS) == 5
    for words in MODES.values():
        assert words.lower() in TEXT, words


def test_numbers_are_those_of_the_code() -> None:
    flowing = TEXT.replace("\n", " ")
    assert f"within {NUMBERS[commands.SHORT_LIFE_MS // 60_000]} minutes for what acts at once" in flowing
    assert f"within {NUMBERS[commands.LONG_LIFE_MS // 3_600_000]} hours for schedules" in flowing
    assert f"up to {NUMBERS[KEPT_SCHEDULES]}" in TEXT
    assert f"lists the last {NUMBERS[routes_shared.RECENT_ORDERS]}" in TEXT
    assert f"{NUMBERS[log_page.PER_PAGE]} lines a page" in TEXT
    assert f"After {NUMBERS[page.STALE_AFTER_MS // 60_000]} minutes it is called old" in TEXT
    assert f"Once in {LOOK_REST_MS // 3_600_000} hours it counts" in TEXT


def test_what_the_table_of_the_first_page_explains_is_on_the_first_page() -> None:
    shown = text_of(page.present(view_of(), page.Desk("t")))
    for wanted in ("Thirst today", "Next", "Findings", "Stop everything", "Hold watering", "Battery"):
        assert f"| {wanted} |" in TEXT
        assert wanted in shown


def test_every_picture_of_the_page_is_there() -> None:
    pictures = re.findall(r"images/([a-z-]+\.webp)", TEXT)
    assert len(pictures) == 5
    for name in pictures:
        assert 5_000 < (DOCS / "images" / name).stat().st_size < 200_000
