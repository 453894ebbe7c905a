"""docs/security.md promises what tests hold, and what the code does not do it does nowhere."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
PAGE = (PROJECT / "docs/security.md").read_text(encoding="utf-8")
RUNNING = [
    path for folder in ("controller", "dashboards", "firmware_host") for path in (PROJECT / folder).rglob("*.py")
]
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__"}
FORBIDDEN_IMPORTS = {"pickle", "marshal", "shelve", "dill", "cloudpickle"}
SUBPROCESS_ALLOWED = {"controller/commands/board_flash.py", "controller/service/firmware_files.py"}
"""Putting firmware on a board runs another program, with a list of words and no shell."""


def test_every_heading_of_the_standard_has_its_row() -> None:
    assert re.findall(r"^\| 5\.(\d+) ", PAGE, re.MULTILINE) == [str(number) for number in range(1, 14)]


def test_it_says_how_to_report_a_weakness_and_what_is_supported() -> None:
    for words in ("private report form", "within a week", "newest version is the one supported"):
        assert words in PAGE


@pytest.mark.parametrize("path", sorted(set(re.findall(r"`(tests/[\w/]+\.py)`", PAGE))))
def test_a_test_that_is_named_is_there_and_tests(path: str) -> None:
    text = (PROJECT / path).read_text(encoding="utf-8")
    assert re.search(r"^(async )?def test_", text, re.MULTILINE)


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            yield name, node


@pytest.mark.parametrize("path", RUNNING, ids=lambda path: str(path.relative_to(PROJECT)))
def test_nothing_that_runs_evaluates_text_unpickles_or_calls_a_shell(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imported = {
        alias.name.partition(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in (node.names if isinstance(node, ast.Import) else [ast.alias(node.module or "")])
    }
    assert not imported & FORBIDDEN_IMPORTS
    assert not {name for name, _ in calls(tree)} & FORBIDDEN_CALLS
    assert not [node for _, node in calls(tree) if any(keyword.arg == "shell" for keyword in node.keywords)]
    if "subprocess" in imported:
        assert str(path.relative_to(PROJECT)) in SUBPROCESS_ALLOWED


def test_no_secret_is_in_the_tree() -> None:
    """Private keys and passwords that look like ours, in anything that is shipped."""
    for path in RUNNING + list((PROJECT / "docs").rglob("*.md")) + list((PROJECT / "scripts").rglob("*")):
        if path.is_file() and path.suffix not in (".svg", ".webp"):
            assert "PRIVATE KEY-----" not in path.read_text(encoding="utf-8"), path
