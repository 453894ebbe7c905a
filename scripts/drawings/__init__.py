"""The drawings of docs/hardware.md, made of lines and words so that they stay editable."""

from __future__ import annotations

from collections.abc import Callable

from drawings import power, protection, signals, wiring
from drawings.sheet import Sheet

DRAWINGS: dict[str, Callable[[], Sheet]] = {
    "power": power.draw,
    "protection": protection.draw,
    "signals": signals.draw,
    "wiring": wiring.draw,
}
