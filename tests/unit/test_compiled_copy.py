"""`scripts/compile`: can the sources be made into machine code? `scripts/bench season` makes it and compares."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "compile"


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(SCRIPT.parent))
    return importlib.import_module("compiled_copy")


def test_mypyc_can_translate_the_busiest_modules() -> None:
    done = subprocess.run([sys.executable, SCRIPT, "--translate"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_module_that_is_translated_exists(script: ModuleType) -> None:
    named = [f"{folder}/{name}.py" for folder, names in script.TRANSLATED.items() for name in names.split()]
    assert [pattern for pattern in named if not list(ROOT.glob(pattern))] == []
    assert len(script.modules()) >= len(named)


def test_a_copy_of_other_sources_is_out_of_date(
    script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for package in script.PACKAGES:
        (tmp_path / package).mkdir(parents=True)
    (tmp_path / "controller" / "a.py").write_text("one = 1\n")
    (tmp_path / "controller" / "estimate").mkdir()
    monkeypatch.setattr(script, "ROOT", tmp_path)
    before = script._made_from()
    (tmp_path / "controller" / "a.py").write_text("one = 2\n")
    assert script._made_from() != before


def test_no_translated_module_asks_a_class_for_its_slots(script: ModuleType) -> None:
    """A class of machine code has none to ask for; mypyc does not say so, and it shows only when that line runs."""
    asks = [name for name in script.modules() if ".__slots__" in (ROOT / name).read_text()]
    assert asks == []


def test_what_the_campaign_plays_inherits_machine_code_only_as_machine_code(script: ModuleType) -> None:
    """An interpreted class cannot inherit from a translated one, which shows only when the first is made."""
    translated = {name.removesuffix(".py").replace("/", ".").removesuffix(".__init__") for name in script.modules()}
    waiting, seen, heirs = ["tests.scenario.campaign_command"], set[str](), []
    while waiting:
        module = waiting.pop()
        path = ROOT / f"{module.replace('.', '/')}.py"
        if module in seen or not path.is_file():
            continue
        seen.add(module)
        tree = ast.parse(path.read_text())
        imports = [node for node in tree.body if isinstance(node, ast.ImportFrom) and node.module]
        origins = {name.asname or name.name: str(node.module) for node in imports for name in node.names}
        waiting += origins.values()
        waiting += [f"{node.module}.{name.name}" for node in imports for name in node.names]
        if module not in translated:
            classes = [node for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
            bases = [(node.name, base.id) for node in classes for base in node.bases if isinstance(base, ast.Name)]
            heirs += [f"{module}.{name}" for name, base in bases if origins.get(base) in translated]
    assert "tests.scenario.seldom_heard" in seen
    assert heirs == []
