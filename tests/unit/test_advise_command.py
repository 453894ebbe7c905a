"""`pumphouse advise` as its user meets it: a report to print, the same numbers for programs, and what it refuses."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.site.load import parse_site
from controller.site.model import VerticalCylinder
from simulator.advise.command import add_arguments
from simulator.advise.report import make_report
from simulator.example import example_site_text


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict[str, Any], str]:
    """The page, the numbers, and the words on the terminal, of one likely year."""
    folder = tmp_path_factory.mktemp("advice")
    (folder / "site.toml").write_text(example_site_text(), encoding="utf-8")
    words = [str(folder / "site.toml"), "--years", "1", "--jobs", "1", "--out", str(folder / "plan")]
    assert main(["advise", *words]) == 0
    page = (folder / "plan" / "advice-river-allotment.html").read_text(encoding="utf-8")
    return page, json.loads((folder / "plan" / "advice-river-allotment.json").read_text(encoding="utf-8")), str(folder)


class Shape(HTMLParser):
    """Open elements and everything that would be fetched or run."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.pictures = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "link", "img", "iframe"):
            self.fetched.append(tag)
        self.pictures += tag == "svg" and ("role", "img") in attrs
        if tag not in ("meta", "rect", "path", "circle", "polyline", "polygon"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        if tag not in ("meta", "rect", "path", "circle", "polyline", "polygon"):
            assert self.open.pop() == tag


def test_the_page_is_well_formed_and_fetches_nothing(reported: tuple[str, dict[str, Any], str]) -> None:
    shape = Shape()
    shape.feed(reported[0].removeprefix("<!doctype html>\n"))
    assert shape.open == []
    assert shape.fetched == []
    assert shape.pictures >= 3


def test_the_page_has_no_colour_but_greys(reported: tuple[str, dict[str, Any], str]) -> None:
    page = reported[0]
    for word in page.replace('"', " ").replace(";", " ").replace(":", " ").split():
        if word.startswith("#") and len(word) in (4, 7):
            assert len(set(word[1:])) == 1, word


def test_every_zone_is_spoken_of_and_every_part_says_what_it_rests_on(
    reported: tuple[str, dict[str, Any], str],
) -> None:
    page, data, _ = reported
    for name in ("Polytunnel bench, south", "Bean row", "Berry row"):
        assert name in page
    assert page.count("What this rests on") == page.count("<section")
    assert "licensed person decides" in page
    assert "not drinking water" in page
    assert data["site"] == "river-allotment"


def test_the_numbers_are_those_of_the_page(reported: tuple[str, dict[str, Any], str]) -> None:
    page, data, _ = reported
    case = data["storage"]["main"]["cases"]["as declared"]
    assert f"makes up {100.0 * case['share_met'][0]:.0f} %" in page
    assert len(data["storage"]["main"]["capacity_l"]) == 40
    assert set(case["zones"]) >= {"bench-south", "berry-row"}


def test_own_records_take_the_place_of_likely_years(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = date(2022, 1, 1)
    rows = [f"{first + timedelta(days=n)},9.0,19.0,{8.0 if n % 5 == 0 else 0.0}" for n in range(365)]
    (tmp_path / "w.csv").write_text("date,tmin_c,tmax_c,rain_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "site.toml").write_text(example_site_text(), encoding="utf-8")
    words = [str(tmp_path / "site.toml"), "--weather", str(tmp_path / "w.csv"), "--jobs", "1", "--out", str(tmp_path)]
    assert main(["advise", *words]) == 0
    assert "advice-river-allotment.html" in capsys.readouterr().out
    page = (tmp_path / "advice-river-allotment.html").read_text(encoding="utf-8")
    assert "1 year of daily records" in page
    assert "1 year says little of a dry year in ten" in page


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["--years", "0"], "--years 0: allowed are 1 to 200"),
        (["--jobs", "0"], "--jobs 0: allowed are 1 to 64"),
        (["--weather", "no-such.csv"], "there is no weather file no-such.csv"),
    ],
)
def test_what_cannot_be_planned_is_refused_with_the_reason(
    words: list[str], part: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "site.toml").write_text(example_site_text(), encoding="utf-8")
    assert main(["advise", str(tmp_path / "site.toml"), *words]) == 2
    assert part in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.toml").write_text(example_site_text(), encoding="utf-8")
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    words = [str(tmp_path / "site.toml"), "--years", "1", "--jobs", "1", "--out", str(tmp_path / "file")]
    assert main(["advise", *words]) == 1
    assert "name another with --out" in capsys.readouterr().err


def test_the_page_about_it_names_every_option_and_default() -> None:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    page = (Path(__file__).parents[2] / "docs" / "advise.md").read_text(encoding="utf-8")
    rows = {line.split("`")[1].split()[0]: line for line in page.splitlines() if line.startswith("| `--")}
    options = {action.option_strings[0]: action.default for action in parser._actions if action.option_strings}
    assert set(rows) == set(options) - {"-h"}
    assert f"| {options['--years']} |" in rows["--years"]


def test_several_tanks_with_or_without_roof_and_zones_are_planned_one_by_one() -> None:
    site = parse_site(example_site_text(), "example")
    main_tank, pump = site.tanks[0], site.pumps[0]
    upright = replace(
        main_tank, id="upright", name="Upright tank", shape=VerticalCylinder(900.0, 1200.0), reserve_l=0.0
    )
    spare = replace(upright, id="spare", name="Spare tank")
    more = replace(
        site,
        tanks=(main_tank, upright, spare),
        roofs=(*site.roofs, replace(site.roofs[0], id="tunnel", tank_id="upright", area_m2=10.0)),
        pumps=(pump, replace(pump, id="second", tank_id="upright"), replace(pump, id="third", tank_id="spare")),
        zones=tuple(replace(z, tank_id="upright") if z.kind == "container" else z for z in site.zones),
    )
    report = make_report(more, None, 1, jobs=1)
    assert set(report.data["storage"]) == {"main", "upright"}
    assert set(report.data["water"]) == {"main-pump", "second"}
    assert set(report.data["loads"]) == {"main", "upright", "spare"}
    assert "Spare tank: no roof fills it or no zone drinks from it" in report.html
    assert sum("come off its roof" in text for text in report.found) == 2
