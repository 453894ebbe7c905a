"""The house rule on who may import whom, read from the source with `ast`."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

IO_MODULES = {
    *("os", "io", "pathlib", "shutil", "tempfile", "glob", "sqlite3", "logging", "fcntl", "pty", "signal"),
    *("socket", "select", "http", "urllib", "serial", "paho"),
    *("threading", "multiprocessing", "subprocess", "asyncio"),
    *("time", "random", "secrets"),
}
TAKES_APART = "urllib.parse"
"""Reads addresses, and nothing from them."""
PURE = (
    "controller/site",
    "controller/estimate",
    "controller/irrigate",
    "controller/guard",
    "controller/core",
    "controller/account",
    "controller/commissioning",
)
ORDER = ["site", "estimate", "irrigate", "guard", "core", "account", "commissioning", "service", "commands", "cli"]
SHARED = frozenset({"contract", "errors"})
BOTH_PYTHONS = frozenset({"binascii", "firmware_host"})
# The files that drive the chip, and what each may ask of MicroPython. All other files of the board run anywhere.
OF_THE_CHIP = {
    "analogue.py": {"machine"},
    "clock.py": {"time"},
    "console.py": {"select", "sys"},
    "counters.py": {"machine"},
    "main.py": {"micropython"},
    "nonvolatile.py": {"struct"},
    "outputs_rp2.py": {"machine"},
    "ping_program.py": {"rp2"},
    "ranger_pulse.py": {"machine", "rp2"},
    "ranger_serial.py": {"machine"},
    "restart.py": {"machine"},
    "rp2_hardware.py": {"gc", "machine", "os"},
    "selftest.py": set(),
    "shunt.py": {"machine"},
    "thermometer.py": {"machine", "onewire"},
}


def modules_in(*folders: str) -> list[Path]:
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


def imported_names(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def layer_of(dotted: str) -> str:
    parts = dotted.split(".")
    return parts[1] if parts[0] == "controller" and len(parts) > 1 else ""


@pytest.mark.parametrize("path", modules_in(*PURE), ids=lambda path: str(path.relative_to(ROOT)))
def test_what_decides_does_no_input_or_output(path: Path) -> None:
    names = {name for name in imported_names(path) if not name.startswith(TAKES_APART)}
    wrong = {name for name in names if name.split(".")[0] in IO_MODULES}
    assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


@pytest.mark.parametrize("path", modules_in(*PURE), ids=lambda path: str(path.relative_to(ROOT)))
def test_what_decides_never_asks_for_the_time_or_opens_a_file(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                assert node.func.attr not in ("now", "today", "utcnow"), f"{path.name}:{node.lineno} asks for the time"
            elif isinstance(node.func, ast.Name):
                assert node.func.id not in ("open", "print", "input"), f"{path.name}:{node.lineno} does I/O"


@pytest.mark.parametrize("path", modules_in("controller"), ids=lambda path: str(path.relative_to(ROOT)))
def test_no_import_of_the_controller_runs_against_the_order(path: Path) -> None:
    dotted = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    own = layer_of(dotted)
    for name in imported_names(path):
        other = layer_of(name)
        if other == "" or other in SHARED:
            continue
        if own in SHARED:
            assert other == "site", f"{dotted} imports {name}"
        elif own not in ("", "__init__"):
            assert ORDER.index(other) <= ORDER.index(own), f"{dotted} imports {name}"


def test_the_wire_and_the_board_import_only_what_both_pythons_have() -> None:
    for path in [ROOT / "firmware_host/wire.py", *modules_in("firmware_host/board")]:
        chip = OF_THE_CHIP.get(path.name, set())
        for name in imported_names(path):
            if name.split(".")[0] in chip:
                continue
            assert name.split(".")[0] in BOTH_PYTHONS, f"{path.relative_to(ROOT)} imports {name}"
            allowed = ("firmware_host.wire", "firmware_host.board", "binascii")
            assert name.startswith(allowed), f"{path.relative_to(ROOT)} imports {name}"


def test_what_the_board_decides_with_imports_nothing_that_drives_the_chip() -> None:
    chip = {f"firmware_host.board.{Path(name).stem}" for name in OF_THE_CHIP}
    for path in modules_in("firmware_host/board"):
        if path.name not in OF_THE_CHIP:
            assert not chip & set(imported_names(path)), f"{path.relative_to(ROOT)}"


def test_the_plant_knows_nothing_of_how_the_controller_thinks() -> None:
    for path in modules_in("simulator/plant"):
        for name in imported_names(path):
            if name.startswith("controller"):
                allowed = ("controller.site.model", "controller.errors")
                assert name.startswith(allowed), f"{path.relative_to(ROOT)} imports {name}"


def test_the_page_knows_the_site_through_mqtt_alone() -> None:
    for path in modules_in("dashboards"):
        for name in imported_names(path):
            assert not name.startswith(("controller.core", "controller.service")), f"{path.name} imports {name}"


def test_neither_controller_nor_firmware_needs_the_simulator_or_the_page() -> None:
    # The commands may: `check --example` prints the simulator's example site.
    commands = set(modules_in("controller/commands"))
    for path in modules_in("controller", "firmware_host"):
        if path not in commands:
            for name in imported_names(path):
                assert name.split(".")[0] not in ("simulator", "dashboards"), f"{path.relative_to(ROOT)} imports {name}"


def test_number_crunching_libraries_stay_with_what_plans_and_judges() -> None:
    """The service runs on a very small computer: neither it nor the page may come to need them."""
    heavy = {"numpy", "scipy", "pandas"}
    may = {*modules_in("simulator/advise"), *modules_in("simulator/allocation")}
    for path in sorted({*modules_in("controller", "firmware_host", "dashboards", "simulator")} - may):
        assert not heavy & {name.split(".")[0] for name in imported_names(path)}, f"{path.relative_to(ROOT)}"


def test_planning_asks_neither_the_core_nor_the_service_but_in_its_command() -> None:
    for path in modules_in("simulator/advise"):
        if path.name not in ("command.py", "season_check.py"):
            for name in imported_names(path):
                assert not name.startswith(("controller.core", "controller.service", "simulator.season", "dashboards"))
