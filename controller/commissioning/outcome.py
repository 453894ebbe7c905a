"""What a step found: right or wrong, in words, with what should be changed where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.site.problems import Path, dotted

Value = str | int | float | dict[str, Any]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something is wrong that a hand must mend; `by_change`: what is proposed mends it. `id` keeps its meaning."""

    id: str
    text: str
    cure: str
    by_change: bool = False


@dataclass(frozen=True, slots=True)
class SiteChange:
    """Another value for a key of the site file. `before` and `after` are as written there."""

    path: Path
    before: Value | None
    after: Value

    @property
    def key(self) -> str:
        """The key as messages name it: list entries counted from 1."""
        return dotted(self.path)

    def line(self) -> str:
        """Before and after, for people and for the record."""
        return f"{self.key}: {_written(self.before)} -> {_written(self.after)}"


@dataclass(frozen=True, slots=True)
class PinFileLine:
    """Another line for the board's pin file, which is flashed; the cable cannot set it."""

    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """The end of a step.

    measured   what was seen and measured, for the record
    faults     what is wrong; empty when all was right
    changes    of the site file, proposed
    pin_lines  of the board's pin file, proposed
    keep       what the step wants to find again when it is taken up later
    waiting    it is not over: something has to happen first, and the words say what
    """

    measured: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
    changes: tuple[SiteChange, ...] = ()
    pin_lines: tuple[PinFileLine, ...] = ()
    keep: Mapping[str, Any] = field(default_factory=dict)
    waiting: str = ""

    @property
    def right(self) -> bool:
        return not self.faults and not self.changes and not self.pin_lines and not self.waiting


def _written(value: Value | None) -> str:
    if value is None:
        return "not set"
    if isinstance(value, dict):
        points = value.get("points")
        return (
            f"{value.get('kind', 'a table')} of {len(points)} points" if points else str(value.get("kind", "a table"))
        )
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
