"""Zones against their pump: what is assumed, what is found wrong, what the report says of it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from controller.site.load import parse_site
from controller.site.model import Line, Pump, Site, Window, Zone
from simulator.advise.friction import velocity_m_s
from simulator.advise.page import Section, Table, Warnings
from simulator.advise.water_section import uniformity_class, water_section
from simulator.advise.water_study import ZoneWater, assumed_line, pipes_of, study_water, usual_bore_mm
from simulator.example import example_site_text

SITE = parse_site(example_site_text(), "example")
EAST = SITE.zone("salad-bed-east")
LINE = Line(4, 7.2, 13.6, 10.0, None, 0.5, 10.0, None, 0.5)


def with_zone(zone: Zone, pump: Pump | None = None) -> Site:
    return replace(SITE, zones=(zone,), pumps=SITE.pumps if pump is None else (pump,))


def found(line: Line, pump: Pump | None = None) -> ZoneWater:
    return study_water(with_zone(replace(EAST, line=line), pump))[0].zones[0]


def test_the_example_is_in_order_with_the_usual_pipes() -> None:
    (water,) = study_water(SITE)
    assert [zone.faults for zone in water.zones] == [()] * 6
    assert all(zone.assumed for zone in water.zones)
    section = water_section(SITE, [water])
    assert "in order" in section.found[0]
    assert "assumed for all zones" in section.rests[0]


def test_all_emitters_of_a_zone_are_on_its_assumed_lines() -> None:
    for zone in SITE.zones:
        pipes = pipes_of(zone)
        assert pipes.lines * pipes.line.emitters == pytest.approx(zone.emitter_count, abs=pipes.lines / 2)
        assert pipes.line.emitters <= 24
        assert assumed_line(zone).length_m == pytest.approx(pipes.line.emitters * 0.3)


def test_declared_pipes_take_the_place_of_assumed_ones() -> None:
    zone = found(LINE)
    assert not zone.assumed
    assert "Not declared" not in water_section(SITE, study_water(with_zone(replace(EAST, line=LINE)))).rests[0]


def test_a_fuller_tank_gives_more() -> None:
    zone = found(LINE)
    assert zone.low.flow_l_min < zone.usual.flow_l_min < zone.high.flow_l_min


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (replace(LINE, rise_m=26.0), "does not lift water to it"),
        (replace(LINE, rise_m=15.0), "instead of the 6.4 its emitters are rated for"),
        (replace(LINE, regulated_head_m=5.0), "emitters work at 5.0 to 5.0 m of head"),
        (replace(LINE, count=1, length_m=60.0, bore_mm=8.0), "up to"),
        (replace(LINE, feed_bore_mm=8.0, bore_mm=8.0, feed_length_m=1.0), "m/s in the feed pipe"),
    ],
)
def test_what_is_wrong_is_said_with_its_cure(line: Line, said: str) -> None:
    zone = found(line)
    assert any(said in text for text in zone.faults), zone.faults
    section = water_section(SITE, study_water(with_zone(replace(EAST, line=line))))
    assert any(isinstance(block, Warnings) for block in section.blocks)
    assert "to look at" in section.found[0]


def test_too_much_head_asks_for_a_regulator_and_with_one_all_is_well() -> None:
    strong = replace(SITE.pumps[0], max_head_m=60.0, max_flow_l_min=20.0)
    assert any("put in a pressure regulator" in text for text in found(LINE, strong).faults)
    regulated = found(replace(LINE, regulated_head_m=10.0), strong)
    assert regulated.usual.regulating
    assert regulated.faults == ()


def test_a_window_too_short_for_the_daily_cap_is_said() -> None:
    short = replace(EAST, line=LINE, schedule=replace(EAST.schedule, windows=(Window(330, 333),)))
    (zone,) = study_water(with_zone(short))[0].zones
    assert any("its windows have 3 min" in text for text in zone.faults)


def test_zones_that_share_a_small_pump_lose_flow_and_a_big_pump_serves_two() -> None:
    (small,) = study_water(SITE)
    assert len(small.pairs) == 15
    assert max(min(pair.kept) for pair in small.pairs) < 0.9
    strong = replace(SITE.pumps[0], max_flow_l_min=60.0)
    (big,) = study_water(replace(SITE, pumps=(strong,)))
    assert min(min(pair.kept) for pair in big.pairs) > 0.9


def test_the_usual_bore_keeps_water_slow() -> None:
    for flow in (0.5, 3.0, 8.0, 20.0, 45.0):
        bore = usual_bore_mm(flow)
        assert velocity_m_s(flow, bore) <= 0.8


@pytest.mark.parametrize(("uniformity", "word"), [(94.0, "excellent"), (85.0, "good"), (75.0, "fair"), (65.0, "poor")])
def test_classes_of_uniformity(uniformity: float, word: str) -> None:
    assert uniformity_class(uniformity) == word
    assert uniformity_class(50.0) == "unfit"


def test_the_pipes_in_the_examples_comment_are_right_as_they_stand() -> None:
    text = example_site_text()
    start = text.index("# [zone.line]")
    end = text.index("[zone.schedule]", start)
    lines = [line.removeprefix("# ") for line in text[start:end].splitlines()]
    site = parse_site(text[:start] + "\n".join(lines) + "\n" + text[end:], "example")
    assert site.zone("salad-bed-east").line == Line(4, 7.2, 13.6, 15.0, None, 0.5, 10.0, None, 0.5)
    assert study_water(site)[0].zones[0].faults == ()


def test_american_sites_read_feet_inches_and_psi() -> None:
    """1 m is 3.281 ft, 10 m of head 14.22 psi, 13.6 mm 0.54 in, 1 m/s 3.281 ft/s (NIST SP 811)."""
    line = replace(LINE, rise_m=15.0)
    american = replace(with_zone(replace(EAST, line=line)), units="us")
    (water,) = study_water(american)
    text = told(water_section(american, (water,)))
    assert "pump's head, ft" in text
    assert "pressure at emitters, psi" in text
    assert f"{water.zones[0].usual.pump_m * 3.28084:.1f}" in text
    assert f"{max(water.zones[0].usual.line.heads_m) / 0.70307:.1f}" in text
    assert "lines, ft, and bore, in" in text
    assert f"{line.count} x {line.length_m * 3.28084:.1f}, {line.bore_mm / 25.4:.2f}" in text
    assert not re.search(r"\d (m|mm|m/s|L/min)\b", text), re.search(r".{30}\d (m|mm|m/s|L/min)\b.{20}", text)


def test_metric_sites_read_metres() -> None:
    text = told(water_section(SITE, study_water(SITE)))
    assert "head at emitters, m" in text
    assert not re.search(r"\b(psi|ft|in/h)\b", text)


def told(section: Section) -> str:
    """All words of a section but those of its sources, which name figures as they were published."""
    parts = [*section.found]
    for block in section.blocks:
        if isinstance(block, Table):
            parts += [block.caption, *block.head, *(cell for row in block.rows for cell in row)]
        elif isinstance(block, Warnings):
            parts += block.texts
        elif isinstance(block, str):
            parts.append(block)
    return "\n".join(parts)
