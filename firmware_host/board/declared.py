"""Takes single values out of a declaration of pins that has passed its check.

Written for MicroPython and CPython alike.
"""

NOTHING: dict[str, object] = {
    "taken": (),
    "echo": (),
    "temperature": (),
    "battery": None,
    "panel": None,
    "reference": None,
    "shunt": None,
    "flow": (),
    "rain": None,
    "float": (),
    "soil": (),
    "pump": (),
    "valve": (),
    "latch": {"pulse_ms": 60, "spacing_ms": 250},
}
"""A declaration without any parts: what a board falls back to whose own declaration is wrong."""


def optional(whole: dict[str, object], key: str) -> dict[str, object]:
    """The part under a key, empty when it is not fitted."""
    found = whole[key]
    return found if isinstance(found, dict) else {}


def part(whole: dict[str, object], key: str) -> dict[str, object]:
    """The part under a key, which must be there."""
    found = whole[key]
    if isinstance(found, dict):
        return found
    raise ValueError(key)


def parts(whole: dict[str, object], key: str) -> list[dict[str, object]]:
    """The parts under a key, in their order."""
    found = whole[key]
    if not isinstance(found, (list, tuple)):
        raise ValueError(key)
    return [entry for entry in found if isinstance(entry, dict)]


def number(of: dict[str, object], key: str) -> int:
    value = of[key]
    if isinstance(value, int):
        return value
    raise ValueError(key)


def text(of: dict[str, object], key: str) -> str:
    value = of[key]
    if isinstance(value, str):
        return value
    raise ValueError(key)


def pair(value: object) -> tuple[int, int] | None:
    """Two numbers, or None."""
    if value is None:
        return None
    if isinstance(value, (list, tuple)) and len(value) == 2:
        first, second = value
        if isinstance(first, int) and isinstance(second, int):
            return first, second
    raise ValueError("pair")


def pairs(of: dict[str, object], key: str) -> list[tuple[int, int]]:
    """A list of pairs of numbers."""
    found = of[key]
    if not isinstance(found, (list, tuple)):
        raise ValueError(key)
    taken = [pair(entry) for entry in found]
    return [entry for entry in taken if entry is not None]
