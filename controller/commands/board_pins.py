"""`pumphouse board pins`: the pin file, checked, as the table one wires by."""

from __future__ import annotations

import argparse
import ast
from collections.abc import Mapping
from pathlib import Path

from controller.errors import ConfigurationError
from firmware_host.board import pins as shipped
from firmware_host.board.pins_check import problems

PIN_KEYS = ("pin", "trigger", "echo", "tx", "rx", "sda", "scl", "open", "close", "second")
NUMBERED = frozenset({"echo", "temperature", "flow", "float", "soil", "pump", "valve"})


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--file", type=Path, help="your own pin file (default: the one that comes with the firmware)")


def run(args: argparse.Namespace) -> int:
    """Print the table. Raises ConfigurationError naming every mistake in the file."""
    pins = shipped.PINS if args.file is None else read_pins(args.file)
    found = problems(pins)
    if found:
        name = args.file or "the firmware's own pin file"
        raise ConfigurationError(f"{name}:\n" + "\n".join(f"  {line}" for line in found))
    rows = list(table(pins))
    width = max(len(name) for _, name in rows)
    print(f"GPIO  {'wire'.ljust(width)}")
    for gpio, name in sorted(rows):
        print(f"{gpio:4d}  {name.ljust(width)}".rstrip())
    return 0


def table(pins: Mapping[str, object]) -> list[tuple[int, str]]:
    """(GPIO number, what is wired to it) of every declared part."""
    rows: list[tuple[int, str]] = []
    for part, declared in pins.items():
        entries = declared if part in NUMBERED and isinstance(declared, tuple) else (declared,)
        for number, entry in enumerate(entries):
            if isinstance(entry, dict):
                label = f"{part} {number}" if part in NUMBERED else part
                rows += [(entry[key], _wire(label, key)) for key in PIN_KEYS if isinstance(entry.get(key), int)]
    return rows


def _wire(label: str, key: str) -> str:
    return label if key == "pin" else f"{label}, {key}"


def read_pins(path: Path) -> dict[str, object]:
    """The PINS of a pin file. It is Python that the board runs too, so it is run here; only run files you trust."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigurationError(f"there is no pin file {path}; start from firmware_host/board/pins.py") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path} cannot be read as text: {error}") from error
    try:
        pins = _declared(ast.parse(text))
    except (SyntaxError, ValueError) as error:
        line = getattr(error, "lineno", None)
        raise ConfigurationError(f"{path}{f', line {line}' if line else ''}: {error}") from error
    if not isinstance(pins, dict):
        raise ConfigurationError(f"{path} declares no PINS = {{...}}; start from firmware_host/board/pins.py")
    return pins


def _declared(tree: ast.Module) -> object:
    """The value that the file gives PINS, read and not run; None without one. ValueError for more than plain values."""
    for statement in tree.body:
        targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
        value = getattr(statement, "value", None)
        if value is not None and any(isinstance(target, ast.Name) and target.id == "PINS" for target in targets):
            return ast.literal_eval(value)
    return None
