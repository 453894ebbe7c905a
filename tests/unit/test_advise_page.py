"""Pictures and page of the advice: marks, hatches, words that cannot break out."""

from __future__ import annotations

import re

import pytest

from simulator.advise.page import Section, Table, Warnings, report_html
from simulator.advise.pictures import Band, Bars, Chart, Line, draw_bars, draw_chart, log_ticks, nice_ticks


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 1.0), (0.0, 97.0), (3.0, 12_000.0), (0.0, 0.004), (-20.0, 35.0), (5.0, 5.0)]
)
def test_marks_are_round_even_and_hold_the_values(low: float, high: float) -> None:
    ticks = nice_ticks(low, high)
    assert ticks[0] <= low
    assert ticks[-1] >= high
    assert 2 <= len(ticks) <= 9
    step = ticks[1] - ticks[0]
    assert float(f"{step:.0e}"[0]) in (1.0, 2.0, 5.0)


def test_marks_of_a_logarithmic_axis() -> None:
    assert log_ticks(190.0, 17_000.0) == [200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0]


def test_a_chart_puts_values_where_they_belong() -> None:
    drawn = draw_chart(Chart("t", "x", "y", (Line("a", ((0.0, 0.0), (10.0, 100.0))),)))
    found = re.search(r'<polyline points="([\d.]+),([\d.]+) ([\d.]+),([\d.]+)"', drawn)
    assert found is not None
    left, bottom, right, top = map(float, found.groups())
    assert left < 100 < right
    assert top < 20 < bottom


def test_two_lines_differ_in_their_dash_and_a_band_has_a_hatch() -> None:
    drawn = draw_chart(
        Chart(
            "t", "x", "y",
            (Line("a", ((0.0, 1.0), (1.0, 2.0)), 0), Line("b", ((0.0, 2.0), (1.0, 1.0)), 1)),
            (Band("range", ((0.0, 0.5, 2.5), (1.0, 0.5, 2.5))),),
        )
    )  # fmt: skip
    assert 'stroke-dasharray="none"' in drawn
    assert 'stroke-dasharray="7 3"' in drawn
    assert 'fill="url(#h2)"' in drawn
    assert drawn.count("<li>") == 3


def test_bars_are_as_long_as_their_values() -> None:
    drawn = draw_bars(Bars("t", "L", ("one", "two"), (("rain", (10.0, 20.0)), ("tank", (0.0, 20.0)))))
    wide = [float(text) for text in re.findall(r'<rect x="[\d.]+" y="\d+" width="([\d.]+)" height="19"', drawn)]
    assert wide[2] == pytest.approx(2.0 * wide[0], abs=0.3)
    assert wide[1] == 0.0


def test_words_of_the_owner_stay_words() -> None:
    evil = '<script>alert("x")</script>'
    section = Section(
        "k", evil, (evil, Table(evil, (evil,), ((evil,),)), Warnings((evil,))), found=(evil,), rests=(evil,)
    )
    page = report_html(evil, (evil,), (section,))
    assert "<script" not in page
    assert page.count("&lt;script&gt;") == 11
