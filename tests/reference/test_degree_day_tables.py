"""Stages by warmth of docs/site-file.md against the crop files of FAO's AquaCrop, as the package `aquacrop` has them.

Only its table of parameters is read, none of its code runs. Base and upper temperature, emergence, senescence and
maturity are taken as they are; where the ground is a tenth and where it is fully covered follows from the canopy's
growth, AquaCrop reference manual (FAO), chapter 3, canopy development: exponential up to half of the full cover, then
the mirrored decay towards it.
"""

from __future__ import annotations

import ast
import math
import re
from importlib.metadata import distribution
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

PAGE = (Path(__file__).parents[2] / "docs" / "site-file.md").read_text(encoding="utf-8")
NAMES = {"tomato": "TomatoGDD", "potato": "PotatoGDD", "sweet corn": "MaizeGDD", "dry bean": "DryBeanGDD"}
SMALL_COVER, FULL_PART = 0.10, 0.98


def crop_files() -> dict[str, dict[str, Any]]:
    path = Path(str(distribution("aquacrop").locate_file("aquacrop/entities/crops/crop_params.py")))
    tables = [
        ast.literal_eval(node.value)
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Dict)
    ]
    return {name: values for table in tables for name, values in table.items()}


CROP_FILES = crop_files()


def stages_c_day(crop: dict[str, Any]) -> list[float]:
    """Initial, development, mid-season and late, °C day."""
    first_cover = crop["PlantPop"] * crop["SeedSize"] / 1e8
    growth, full = crop["CGC"], crop["CCx"]
    small = crop["Emergence"] + math.log(SMALL_COVER / first_cover) / growth
    covered = crop["Emergence"] + math.log(0.25 * full * full / first_cover / (full - FULL_PART * full)) / growth
    ends = [small, covered, crop["Senescence"], crop["Maturity"]]
    return [ends[0], *(after - before for before, after in pairwise(ends))]


@pytest.mark.parametrize("plant", NAMES)
def test_the_page_s_stages_are_those_of_the_crop_files(plant: str) -> None:
    section = PAGE.split("\n## Stages by warmth\n")[1].split("\n## ")[0]
    row = re.search(rf"^\| {plant} \| (.*) \|$", section, re.MULTILINE)
    assert row is not None
    base, upper, *stages = row[1].split(" | ")
    crop = CROP_FILES[NAMES[plant]]
    assert (base, upper) == (f"{crop['Tbase']:g} °C", f"{crop['Tupp']:g} °C")
    assert [float(stage) for stage in stages] == pytest.approx(stages_c_day(crop), abs=0.6)


def test_the_page_has_no_other_plant() -> None:
    section = PAGE.split("\n## Stages by warmth\n")[1].split("\n## ")[0]
    assert set(re.findall(r"^\| ([a-z ]+) \| -?\d+ °C", section, re.MULTILINE)) == set(NAMES)
