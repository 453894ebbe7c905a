"""What goes onto a board: the firmware's files, as this package holds them, and the pin file of this garden."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

PACKAGE = "firmware_host"
START = "import firmware_host.board.main\n\nfirmware_host.board.main.run()\n"
"""The board's main.py: MicroPython runs it after boot."""


@dataclass(frozen=True, slots=True)
class BoardFile:
    """One file: its path on the board and its content."""

    path: str
    content: str


def firmware_files(pins: str | None = None) -> list[BoardFile]:
    """All files in the order in which they are copied; `pins` replaces the pin file that comes with the firmware.

    main.py is the last: a board whose copying was interrupted starts no program, and its outputs stay at rest.
    """
    root = files(PACKAGE)
    found = [BoardFile(f"{PACKAGE}/__init__.py", ""), _file(root, "wire.py")]
    for entry in sorted((root / "board").iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".py"):
            found.append(_file(root / "board", entry.name, f"{PACKAGE}/board"))
    if pins is not None:
        found = [BoardFile(file.path, pins) if file.path.endswith("/pins.py") else file for file in found]
    return [*found, BoardFile("main.py", START)]


def folders(board_files: list[BoardFile]) -> list[str]:
    """Folders to make first, parents before children."""
    found: list[str] = []
    for file in board_files:
        parts = file.path.split("/")[:-1]
        for depth in range(1, len(parts) + 1):
            folder = "/".join(parts[:depth])
            if folder not in found:
                found.append(folder)
    return found


def _file(folder: Traversable, name: str, path: str = PACKAGE) -> BoardFile:
    return BoardFile(f"{path}/{name}", (folder / name).read_text(encoding="utf-8"))
