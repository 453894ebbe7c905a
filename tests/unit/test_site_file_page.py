"""docs/site-file.md says of every key what the program does, and nothing else."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from controller.site.crops import CROPS
from controller.site.schema import LONGEST_LISTS, NormalsTable
from controller.site.soils import GROUNDS_MM_PER_M
from controller.site.units import DIMENSIONS, Dimension
from controller.site.vocabulary import Key, Names, vocabulary

PAGE = (Path(__file__).parents[2] / "docs" / "site-file.md").read_text(encoding="utf-8")
MONTHS = tuple(NormalsTable.model_fields)
PARTS: Names = ("tank", "shape", "stack", "parts")


def cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip().strip("|").split(" | ")]


def table_of(heading: str) -> Names:
    """`[tank.shape]` of kind "stack" stands for the keys of a stack; the points belong to the strapping table."""
    match = re.match(r'### `\[+([a-z_.]+)\]+`(?: of kind "([a-z ]+)")?', heading)
    assert match is not None, heading
    names = tuple(match.group(1).split("."))
    if match.group(2):
        return (*names, match.group(2))
    return ("tank", "shape", "strapping table", "points") if names == ("tank", "shape", "points") else names


def documented() -> dict[Names, list[str]]:
    """The row of every key on the page."""
    rows: dict[Names, list[str]] = {}
    table: Names = ()
    keys_section = PAGE.split("\n## Keys\n")[1].split("\n## Plants\n")[0]
    for line in keys_section.splitlines():
        if line.startswith("### "):
            table = table_of(line)
        elif line.startswith("| `"):
            for key in re.findall(r"`([a-z_]+)`", cells(line)[0]):
                assert (*table, key) not in rows, f"{table} {key} stands twice on the page"
                rows[(*table, key)] = cells(line)
    return rows


def in_schema() -> dict[Names, Key]:
    """All keys, with one month standing for twelve, and without the parts of a stack, which are shapes again."""
    return {
        names: key
        for names, key in vocabulary().items()
        if names[: len(PARTS)] != PARTS or len(names) == len(PARTS)
        if not (len(names) == 4 and names[:2] == ("place", "normals") and names[2] != "january")
    }


def test_the_page_has_every_key_and_no_other() -> None:
    assert set(documented()) == set(in_schema())


@pytest.mark.parametrize("names", list(in_schema()), ids=".".join)
def test_a_row_tells_what_a_key_takes_and_what_holds_without_it(names: Names) -> None:
    key, row = in_schema()[names], documented()[names]
    assert len(row) == 4
    assert row[3]
    if key.field is not None:
        assert row[1] == key.allowed
    if key.required:
        assert row[2] == "required"
    elif key.default is None:
        assert row[2] == "none"
    elif isinstance(key.default, list):
        assert row[2] == "`[]`"
        assert key.default == []
    else:
        written = tomllib.loads(f"value = {row[2].strip('`')}")["value"]
        assert key.field is not None
        assert key.field.read(written) == pytest.approx(key.default)


def test_one_month_takes_what_every_month_takes() -> None:
    months = [
        {names[3]: key for names, key in vocabulary().items() if names[:3] == ("place", "normals", month) and names[3:]}
        for month in MONTHS
    ]
    assert len(months) == 12
    assert all(month == months[0] for month in months)
    assert len(months[0]) == 5


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda dimension: dimension.name)
def test_the_page_lists_every_unit(dimension: Dimension) -> None:
    listed = ", ".join(f"`{name}`" for name in dimension.units)
    assert f"| {dimension.name} | {listed} |" in PAGE


def test_the_page_lists_every_plant_and_soil_with_its_values() -> None:
    for crop in CROPS.values():
        values = (crop.kc_initial, crop.kc_mid, crop.kc_end, crop.depletion_fraction)
        roots = f"{crop.root_depth_low_mm:g} to {crop.root_depth_high_mm:g}"
        assert f"| {crop.name} | {' | '.join(f'{value:g}' for value in values)} | {roots} |" in PAGE
    assert all(name in PAGE for name in CROPS)
    for name, held in GROUNDS_MM_PER_M.items():
        assert f"| {name} | {held:g} |" in PAGE


def test_the_page_tells_how_many_of_each_there_may_be() -> None:
    assert LONGEST_LISTS == {"roof": 8, "tank": 8, "pump": 8, "zone": 16}
    assert "8 roofs, 8 tanks and 8 pumps, and up to 16 zones" in PAGE
