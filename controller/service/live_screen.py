"""A page of text as a terminal shows it, renewed without flicker: only lines that changed are written again.

Pure: lines in, control sequences out (ECMA-48: cursor position, erase to end of line, graphic rendition).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J"
"""To a screen of our own, without a cursor."""
LEAVE = "\x1b[?25h\x1b[?1049l"
RESET = "\x1b[0m"
BOLD, RED, YELLOW, BLUE, DIM = "1", "1;31", "1;33", "1;34", "2"
NARROWEST, LOWEST = 20, 3
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f]")

_MARKED = (
    (re.compile(r"^FAULT\b"), RED),
    (re.compile(r"^(WARNING\b|The controller is |The board does not answer|No connection)"), YELLOW),
    (re.compile(r": WATERING\b"), BLUE),
    (re.compile(r"^(Tank |Battery: |On hold)"), BOLD),
    (re.compile(r"^    "), DIM),
)
"""What a line begins with or says, and how it then looks. The words say the same without any colour."""
_PLAIN_LOOKS = {RED: BOLD, YELLOW: BOLD, BLUE: BOLD, DIM: ""}


def laid_out(lines: Sequence[str], columns: int, rows: int, first: int, colour: bool) -> tuple[list[str], int]:
    """The lines of one screen from wrapped line `first` on, the last row a foot; and the furthest useful `first`."""
    columns, rows = max(NARROWEST, columns), max(LOWEST, rows)
    wrapped = [(text, _look(line, colour)) for line in lines for text in _wrapped(line, columns)]
    room = rows - 1
    furthest = max(0, len(wrapped) - room)
    first = min(max(0, first), furthest)
    shown = [f"\x1b[{look}m{text}{RESET}" if look else text for text, look in wrapped[first : first + room]]
    shown += [""] * (room - len(shown))
    more = f" {first + 1}-{min(len(wrapped), first + room)} of {len(wrapped)}, j and k move;" if furthest else ""
    return [*shown, f"{more} q leaves".strip()[:columns]], furthest


def difference(before: Sequence[str], now: Sequence[str]) -> str:
    """What to write so that a screen that shows `before` shows `now`; everything when its height has changed."""
    parts = []
    if len(before) != len(now):
        parts.append("\x1b[2J")
        before = [""] * len(now)
    for row, (old, new) in enumerate(zip(before, now, strict=True), start=1):
        if old != new:
            parts.append(f"\x1b[{row};1H{new}\x1b[K")
    return "".join(parts)


def _look(line: str, colour: bool) -> str:
    look = next((look for pattern, look in _MARKED if pattern.search(line)), "")
    return look if colour else _PLAIN_LOOKS.get(look, look)


def _wrapped(line: str, columns: int) -> list[str]:
    """Nothing that came over the network may steer the terminal."""
    plain = _UNPRINTABLE.sub(" ", line)
    indent = " " * (len(plain) - len(plain.lstrip()) + 2)
    indent = indent if len(indent) < columns // 2 else ""
    return textwrap.wrap(plain, columns, subsequent_indent=indent) or [""]
