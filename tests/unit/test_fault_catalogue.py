"""The catalogue of conditions, its page, and the board's list of faults say the same."""

from __future__ import annotations

import ast
import string
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

from controller.guard.catalogue import CATALOGUE, LATCHING, Condition
from firmware_host.board import faults as board_faults

ROOT = Path(__file__).resolve().parents[2]


def page_script() -> ModuleType:
    loader = SourceFileLoader("faults_page", str(ROOT / "scripts" / "faults_page"))
    spec = spec_from_loader("faults_page", loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    return module


def test_the_page_of_faults_is_what_the_catalogue_says() -> None:
    page = (ROOT / "docs" / "faults.md").read_text(encoding="utf-8")
    assert page == page_script().page_text(), "run: .venv/bin/python scripts/faults_page"


def test_every_fault_a_board_can_hold_has_its_row() -> None:
    held = {
        *board_faults.DELIBERATE,
        *board_faults.SELF_CLEARING,
        *board_faults.NOTICES,
        board_faults.SETTINGS_BAD,
    }
    assert held <= set(CATALOGUE)


def test_what_the_board_latches_the_catalogue_calls_latched() -> None:
    assert set(board_faults.DELIBERATE) == {fault for fault in LATCHING if fault.startswith("board-")}


@pytest.mark.parametrize("row", CATALOGUE.values(), ids=lambda row: row.id)
def test_every_condition_says_what_why_and_how_it_ends(row: Condition) -> None:
    for text in (row.text, row.cause, row.cure, row.clears):
        assert len(text) > 3
        assert text == text.strip()
    assert row.severity in ("info", "warning", "fault")


@pytest.mark.parametrize("fault_id", sorted(LATCHING))
def test_a_latched_fault_says_which_id_to_clear(fault_id: str) -> None:
    fields = {name for _, name, _, _ in string.Formatter().parse(CATALOGUE[fault_id].cure) if name}
    assert "fault" in fields


def test_every_finding_the_service_raises_by_itself_has_its_row() -> None:
    named: set[str] = set()
    for path in (ROOT / "controller" / "service").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "_told":
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    named.add(first.value)
    assert {"journal-not-written", "board-deaf"} <= named
    assert named <= set(CATALOGUE)
