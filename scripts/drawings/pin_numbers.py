"""Names and numbers of the board's pins, as the firmware's own pin file has them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from firmware_host.board.pins import PINS

_PIN_KEYS = ("pin", "trigger", "echo", "tx", "rx", "sda", "scl", "open", "close", "second")
_PART_ORDER = ("pump", "valve", "flow", "rain", "float", "echo", "shunt", "temperature", "battery", "panel")


def signals(pins: Mapping[str, Any] = PINS) -> dict[str, int]:
    """Signal -> GPIO number, like `valve 3` or `echo 0, trigger`, part by part."""
    parts = [part for part in _PART_ORDER if part in pins]
    parts += [part for part in pins if part not in _PART_ORDER]
    return {signal: number for part in parts for signal, number in _signals_of(part, pins[part])}


def _signals_of(part: str, declared: Any) -> Iterator[tuple[str, int]]:
    if isinstance(declared, Mapping):
        yield from _signals_of_one(part, declared)
    elif isinstance(declared, tuple):
        for number, one in enumerate(declared):
            if isinstance(one, Mapping):
                yield from _signals_of_one(f"{part} {number}", one)


def _signals_of_one(name: str, one: Mapping[str, Any]) -> Iterator[tuple[str, int]]:
    for key in _PIN_KEYS:
        if one.get(key) is not None:
            yield (name if key == "pin" else f"{name}, {key}"), one[key]


def gpio(signal: str) -> str:
    """`GP2` for the signal of that name."""
    return f"GP{signals()[signal]}"
