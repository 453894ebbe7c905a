"""docs/mqtt.md says exactly what the code does: properties, orders, schedule fields and units."""

from __future__ import annotations

import re
from pathlib import Path

from controller.contract import Intention, Preview
from controller.service import asks, orders
from controller.service.homie import NODES_BY_TEMPLATE
from controller.service.readings import reading_values
from controller.service.senml import UNIT_ENDINGS
from tests.unit.test_readings import HELLO, REPORT

PAGE = (Path(__file__).parents[2] / "docs" / "mqtt.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^#+ ([^\n]+)\n(.*?)(?=^#+ |\Z)", PAGE, re.MULTILINE | re.DOTALL))


def _rows(section: str) -> list[list[str]]:
    """Cells of table rows whose first cell is code."""
    rows = [line.strip("|").split("|") for line in SECTIONS[section].splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in row] for row in rows]


def _code(cell: str) -> str:
    return cell.strip("`")


def test_the_page_lists_every_property_with_its_type_unit_and_format() -> None:
    rows = _rows("Properties of the root device") + _rows("Properties of the board device")
    written = {_code(r[0]): (r[1], _code(r[2]), _code(r[3]), r[4] == "yes") for r in rows}
    declared = {
        f"{node}/{p.id}": (p.datatype, p.unit, p.format, p.settable)
        for node, properties in NODES_BY_TEMPLATE.items()
        for p in properties
    }
    assert written == declared


def test_the_page_lists_every_field_of_every_order() -> None:
    rows = [row for row in _rows("Orders") if len(row) == 4]
    written = {_code(row[0]): row[2] for row in rows}
    kinds = orders.ORDER_SHAPES
    fields = {name for shape in kinds.values() for name in shape.model_fields}
    assert written.keys() == fields
    for name, where in written.items():
        having = {kind for kind, shape in kinds.items() if name in shape.model_fields}
        assert having == (kinds.keys() if where.startswith("all") else set(re.findall(r"`([a-z-]+)`", where))), name


def test_the_page_lists_every_field_of_a_schedule() -> None:
    rows = [row for row in _rows("Orders") if len(row) == 3]
    assert {_code(row[0]) for row in rows} >= orders.ScheduleShape.model_fields.keys()


def test_the_page_lists_every_field_of_a_question_and_its_answer() -> None:
    rows = {_code(row[0]) for row in _rows("Questions")}
    of_preview = {"zone" if name == "zone_id" else name for name in Preview.__dataclass_fields__}
    of_intention = {name.replace("_wall_ms", "") for name in Intention.__dataclass_fields__}
    assert rows == asks.AskShape.model_fields.keys() | of_preview | of_intention


def test_the_page_lists_every_reading() -> None:
    rows = {_code(row[0]) for row in _rows("Readings")}
    assert rows == reading_values(REPORT, HELLO, 0).keys()


def test_the_page_gives_the_units_of_the_stream() -> None:
    written = {_code(row[0]): (_code(row[1]), row[2]) for row in _rows("History stream") if row[0].startswith("`_")}
    declared = {ending: unit for ending, (unit, _) in UNIT_ENDINGS.items() if unit}
    assert {ending: unit for ending, (unit, _) in written.items()} == declared
    for ending, (_, factor) in written.items():
        number = 1 / 60_000 if factor == "1/60000" else float(factor)
        assert number == UNIT_ENDINGS[ending][1], ending


def test_the_page_gives_the_limits_of_the_code() -> None:
    assert f"{orders.ORDER_BYTES // 1024} KiB ({orders.SCHEDULE_BYTES // 1024} KiB with a schedule)" in PAGE
    assert f"without it {orders.DEFAULT_LIFE_MS // 1000} s after arrival" in PAGE
