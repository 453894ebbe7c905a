"""The chart writer: well-formed, to scale, honest about gaps."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from dashboards.series import Point, columns, reading
from dashboards.svg import (
    Bars,
    Level,
    Line,
    Marks,
    Picture,
    TimeFrame,
    hatches,
    line_chart,
    nice_scale,
    number,
    stacked_bars,
    two_way_bars,
)

HOUR_MS = 3_600_000
START_MS = int(datetime(2026, 5, 1, tzinfo=UTC).timestamp() * 1000)
FRAME = TimeFrame(START_MS, START_MS + 100 * HOUR_MS, ZoneInfo("UTC"))
PICTURE = Picture("p", "A tank", "Between 1 and 9 L.", height_px=100, unit="L")


def chart(values: list[float], hours: list[int] | None = None, gap_ms: int = 3 * HOUR_MS) -> ElementTree.Element:
    points = [reading(START_MS + h * HOUR_MS, v) for h, v in zip(hours or range(len(values)), values, strict=True)]
    runs = columns(points, FRAME.start_ms, FRAME.end_ms, 100, gap_ms)
    return ElementTree.fromstring(line_chart(PICTURE, FRAME, 100, [Line("water", "volume", runs)], limits=(0.0, 10.0)))


def line_path(root: ElementTree.Element) -> str:
    return next(e.get("d", "") for e in root.iter("path") if e.get("class") == "line water")


def test_a_picture_names_and_describes_itself_to_a_screen_reader() -> None:
    root = chart([1.0, 9.0])
    assert root.get("role") == "img"
    title, description = root.find("title"), root.find("desc")
    assert title is not None
    assert description is not None
    assert (title.text, description.text) == ("A tank", "Between 1 and 9 L.")
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"


def test_words_from_outside_cannot_break_out_of_the_picture() -> None:
    bad = '</svg><script>alert("1")</script>'
    text = line_chart(Picture(bad, bad, bad), FRAME, 10, [], levels=[Level("x", bad, 3.0)])
    text += stacked_bars(Picture("b", bad, bad), [bad], [Bars("zone-0", bad, [1.0])])
    assert "<script" not in text
    ElementTree.fromstring(f"<all>{text}</all>")


def test_values_are_drawn_to_scale_from_the_bottom() -> None:
    path = line_path(chart([0.0, 5.0, 10.0]))
    heights = [float(pair.split()[1]) for pair in re.findall(r"\d+ [\d.]+", path)]
    assert heights == [100.0, 50.0, 0.0]


def test_a_gap_in_the_readings_is_a_gap_in_the_line() -> None:
    path = line_path(chart([5.0, 5.0, 5.0, 5.0], hours=[0, 1, 40, 41]))
    assert path.split("M")[1:] == ["5 50L15 50", "405 50L415 50"]


def test_readings_closer_than_the_gap_are_one_line() -> None:
    assert line_path(chart([5.0, 5.0, 5.0], hours=[0, 2, 4])).count("M") == 1


def test_a_lone_reading_is_still_visible() -> None:
    assert re.fullmatch(r"M\d+ [\d.]+h2", line_path(chart([5.0], hours=[50])))


def test_nothing_recorded_is_said_in_words_and_draws_no_line() -> None:
    root = ElementTree.fromstring(line_chart(PICTURE, FRAME, 100, [Line("water", "volume", [])]))
    assert [e.text for e in root.iter("text")] == ["nothing recorded in this stretch of time"]
    assert list(root.iter("path")) == []


def test_a_peak_survives_being_squeezed_into_one_column() -> None:
    points = [reading(START_MS + i * 60_000, 9.0 if i == 30 else 1.0) for i in range(60)]
    (run,) = columns(points, START_MS, START_MS + 10 * HOUR_MS, 10, HOUR_MS)
    assert [(c.low, c.high) for c in run] == [(1.0, 9.0)]
    assert run[0].mean == pytest.approx((59 * 1.0 + 9.0) / 60)


def test_merging_weighs_the_mean_by_the_readings_behind_it() -> None:
    folded = Point(START_MS, 1.0, 1.0, 1.0, count=3)
    ((column,),) = columns([folded, reading(START_MS + 3, 5.0)], START_MS, START_MS + HOUR_MS, 1, 2 * HOUR_MS)
    assert column.mean == pytest.approx(2.0)


def test_the_reserve_line_stands_at_the_reserve_and_says_so() -> None:
    points = [reading(START_MS, 10.0), reading(START_MS + HOUR_MS, 0.0)]
    runs = columns(points, FRAME.start_ms, FRAME.end_ms, 100, 3 * HOUR_MS)
    levels = [Level("reserve", "reserve 2.5 L", 2.5)]
    root = ElementTree.fromstring(line_chart(PICTURE, FRAME, 100, [Line("water", "v", runs)], (), levels, (0.0, 10.0)))
    line = next(e for e in root.iter("line") if e.get("class") == "level reserve")
    assert line.get("y1") == "75"
    assert "reserve 2.5 L" in [e.text for e in root.iter("text")]


def test_bars_of_a_day_are_stacked_and_an_unknown_day_is_not_a_zero() -> None:
    bars = [Bars("zone-0", "bench", [2.0, 0.0, None]), Bars("zone-1", "salad", [3.0, 0.0, None])]
    root = ElementTree.fromstring(stacked_bars(PICTURE, ["Mon", "Tue", "Wed"], bars))
    groups = {e.get("class"): e for e in root.iter("g")}
    (bench,) = groups["bar zone-0"].findall("rect")
    (salad,) = groups["bar zone-1"].findall("rect")
    assert float(salad.get("y", "0")) + float(salad.get("height", "0")) == pytest.approx(float(bench.get("y", "0")))
    assert float(salad.get("height", "0")) == pytest.approx(1.5 * float(bench.get("height", "0")), abs=0.1)
    (unknown,) = groups["bar unknown"].findall("rect")
    assert float(unknown.get("x", "0%").rstrip("%")) > 66


def test_days_without_any_water_say_so() -> None:
    root = ElementTree.fromstring(stacked_bars(PICTURE, ["Mon"], [Bars("zone-0", "bench", [0.0])]))
    assert "none in these days" in [e.text for e in root.iter("text")]


def test_zones_differ_by_hatch_and_not_only_by_colour() -> None:
    patterns = [ElementTree.tostring(p[1]) for p in ElementTree.fromstring(hatches()).iter("pattern")]
    assert len(patterns) == 6
    assert len(set(patterns)) == 6


def bars_of(root: ElementTree.Element, name: str) -> list[tuple[float, float]]:
    """(top, height) of a group's boxes."""
    group = next(e for e in root.iter("g") if e.get("class") == f"bar {name}")
    return [(float(box.get("y", "")), float(box.get("height", ""))) for box in group.iter("rect")]


def test_what_came_in_stands_on_the_line_and_what_went_out_hangs_from_it() -> None:
    above = [Bars("rained", "rain", [60.0, 0.0]), Bars("topped-up", "topped up", [40.0, 0.0])]
    below = [Bars("to-zones", "to zones", [50.0, 100.0]), Bars("overflowed", "overflow", [50.0, 0.0])]
    root = ElementTree.fromstring(two_way_bars(PICTURE, ["May", "Jun"], above, below))
    line = next(e for e in root.iter("line") if e.get("class") == "level")
    base = float(line.get("y1", ""))
    assert base == 50.0
    assert bars_of(root, "rained") == [(base - 30.0, 30.0)]
    assert bars_of(root, "topped-up") == [(base - 50.0, 20.0)]
    assert bars_of(root, "to-zones") == [(base, 25.0), (base, 50.0)]
    assert bars_of(root, "overflowed") == [(base + 25.0, 25.0)]


def test_each_way_of_the_water_has_a_hatch_of_its_own() -> None:
    names = ("rained", "topped-up", "to-zones", "overflowed", "lost", "unexplained")
    bars = [Bars(name, name, [1.0]) for name in names]
    fills = re.findall(r'fill="(url\([^"]*\))"', two_way_bars(PICTURE, ["May"], bars[:2], bars[2:]))
    assert len(fills) == len(set(fills)) == len(names)


def test_waterings_are_ticked_where_they_were_and_none_outside() -> None:
    runs = columns([reading(START_MS, 1.0)], FRAME.start_ms, FRAME.end_ms, 100, HOUR_MS)
    marks = [Marks("mark-water", [START_MS + 25 * HOUR_MS, START_MS - 1, FRAME.end_ms + 1])]
    root = ElementTree.fromstring(line_chart(PICTURE, FRAME, 100, [Line("water", "left", runs)], marks=marks))
    ticks = [e.get("x1") for e in root.iter("line") if e.get("class") == "mark mark-water"]
    assert ticks == ["25%"]


def test_a_single_day_is_labelled_by_its_hours() -> None:
    day = TimeFrame(START_MS, START_MS + 24 * HOUR_MS, ZoneInfo("UTC"))
    assert [words for _, words in day.day_marks()] == ["00:00", "04:00", "08:00", "12:00", "16:00", "20:00"]
    morning = TimeFrame(START_MS, START_MS + 3 * HOUR_MS, ZoneInfo("UTC"))
    assert [words for _, words in morning.day_marks()] == ["00:00", "01:00", "02:00"]


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0.0, 2500.0, (0.0, 1000.0, 2000.0, 3000.0)),
        (12.1, 13.4, (12.0, 12.5, 13.0, 13.5)),
        (0.0, 0.0, (0.0, 0.5, 1.0)),
        (-3.0, 7.0, (-5.0, 0.0, 5.0, 10.0)),
    ],
)
def test_marks_are_round_and_hold_all_values(low: float, high: float, ticks: tuple[float, ...]) -> None:
    assert nice_scale(low, high, 100).ticks == ticks


def test_labels_stand_at_local_midnight_also_when_the_clocks_change() -> None:
    zone = ZoneInfo("Europe/London")
    start = int(datetime(2026, 3, 27, 12, tzinfo=zone).timestamp() * 1000)
    end = int(datetime(2026, 3, 31, 12, tzinfo=zone).timestamp() * 1000)
    marks = TimeFrame(start, end, zone).day_marks()
    assert [words for _, words in marks] == ["28 Mar", "29 Mar", "30 Mar", "31 Mar"]
    gaps_h = [(b[0] - a[0]) / HOUR_MS for a, b in pairwise(marks)]
    assert gaps_h == [24, 23, 24]


def test_a_number_is_grouped_and_never_minus_zero() -> None:
    assert number(12345.6) == "12\u202f346"
    assert number(-0.2) == "0"
    assert number(-3.26, 0.1) == "\u22123.3"
