"""docs/commission.md says exactly what the code does: steps, what is named, limits and figures."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path

from controller.commands.commission import on_board
from controller.commissioning import battery, flows, last_check, leak, levels, meters, small_parts, volumes
from controller.commissioning.steps import steps_of
from controller.estimate.level import HAND_FILLING_L_MIN
from controller.site.model import SoilProbe
from tests.unit.commissioning import SITE

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/commission.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## ([^\n]+)\n(.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL))


def first_cells(section: str) -> list[str]:
    cells = [line.split("|")[1] for line in SECTIONS[section].splitlines() if line.startswith("| `")]
    return [word for cell in cells for word in re.findall(r"`([^`]+)`", cell)]


def test_the_page_names_the_steps_in_their_order() -> None:
    probed = replace(SITE, zones=(replace(SITE.zones[0], id="bed", soil_probe=SoilProbe(0, 2.4, 1.2)),))
    told = [step.id for step in steps_of(probed, on_board(None))]
    named = {"main-pump": "PUMP", "main": "TANK", "bed": "ZONE"}
    general = [re.sub(r"-(main-pump|main|bed)$", lambda found: f"-{named[found[1]]}", step) for step in told]
    assert first_cells("The steps") == general


def test_the_page_lists_everything_that_can_be_named() -> None:
    named = set()
    for path in (ROOT / "controller/commissioning").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Fault":
                named |= {one.value for one in ast.walk(node.args[0]) if isinstance(one, ast.Constant)}
    # Of two names one is chosen beforehand; a fault that the board holds has its own page.
    named |= {"part-missing", "part-unnamed"}
    assert set(first_cells("What it names")) == named


def test_the_page_gives_the_figures_and_limits_of_the_code() -> None:
    figures = SECTIONS["The figures"]
    assert f"level within {last_check.LEVEL_MM:g} mm" in figures
    assert f"volume within {100 * last_check.VOLUME_PART:g} % of the capacity" in figures
    assert re.search(rf"battery\s+within {last_check.VOLTAGE_V:g} V", figures)
    rows = {
        "battery voltage": f"{battery.AGREES_V:g} V | {100 * battery.REFUSE_PART:g} %",
        "sensor height": f"{levels.HEIGHT_AGREES_MM:g} mm | {levels.HEIGHT_REFUSE_MM:g} mm",
        "distance by tape and by sensor": f"{levels.TAPE_MM:g} mm or {100 * levels.TAPE_PART:g} % |",
        "pulses for a litre": f"{100 * meters.AGREES_PART:g} % | twice or half",
        "volume between two levels": (
            f"{100 * volumes.AGREES_PART:g} %, or what can be told | {100 * volumes.REFUSE_PART:g} %"
        ),
        "rain for a tip": f"{100 * small_parts.GAUGE_AGREES_PART:g} % | {100 * small_parts.GAUGE_REFUSE_PART:g} %",
        "thermometer": f"{small_parts.AGREES_C:g} °C |",
    }
    for name, limits in rows.items():
        assert f"| {name} | {limits}" in figures, name
    assert meters.REFUSE_FACTOR == 2.0
    assert leak.LEAST_H == 6.0
    assert f"rises faster than {HAND_FILLING_L_MIN:g} L/min without rain" in PAGE
    assert (flows.RATED_LOW, flows.RATED_HIGH) == (0.6, 1.5)
