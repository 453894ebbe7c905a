"""What is wrong with a site file, said so that the owner can put it right."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.errors import ConfigurationError

Path = tuple[str | int, ...]
"""Keys and list positions (from 0) that lead to a value, as the TOML reader nests them."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right. `key` counts list entries from 1: zone[2] is the second [[zone]] of the file."""

    file: str
    line: int
    key: str
    value: str
    text: str

    def __str__(self) -> str:
        where = f"{self.file}, line {self.line}"
        if not self.key:
            return f"{where}: {self.text}"
        written = f" = {self.value}" if self.value else ""
        return f"{where}: {self.key}{written}: {self.text}"


class SiteFileError(ConfigurationError):
    """A site file cannot be used. `problems` holds everything found, in the order of the file."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line))
        count = len(self.problems)
        heading = "one thing" if count == 1 else f"{count} things"
        counting = "; entries are counted from 1" if any("[" in problem.key for problem in self.problems) else ""
        lines = [f"{heading} to put right before this site can be watered{counting}:"]
        lines += [f"  {problem}" for problem in self.problems]
        super().__init__("\n".join(lines))


def dotted(path: Path) -> str:
    """A path as people read it: zone[2].emitter_rate, list entries counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def nearest(written: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like what was written, if any does."""
    by_lower = {word.lower(): word for word in known}
    near = difflib.get_close_matches(written.lower()[:60], by_lower, n=1, cutoff=0.55)
    return by_lower[near[0]] if near else None


def did_you_mean(written: str, known: Iterable[str]) -> str:
    """A half-sentence that names the nearest known word, or nothing."""
    near = nearest(written, known)
    return f'; did you mean "{near}"?' if near is not None else ""


def shown(value: object) -> str:
    """A value as it would be written in the file, cut to a length that fits a line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + _cut(value) + '"'
    if isinstance(value, int | float):
        return _cut(format(value, "g") if isinstance(value, float) else _digits(value))
    if isinstance(value, list):
        return "[...]" if any(isinstance(v, list | dict) for v in value) else _cut(f"[{', '.join(map(shown, value))}]")
    return "{...}" if isinstance(value, dict) else _cut(str(value))


def _digits(value: int) -> str:
    return str(value) if abs(value) < 10**30 else "a very large number"


def _cut(text: str) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in text[:80])
    return printable if len(text) <= 80 else printable + "..."
