"""What a step can ask for: a word, a number, an order, a look at the board. Everything else is done by who runs it."""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from controller.commissioning.outcome import Outcome
from controller.commissioning.readings import Readings
from controller.site.units import Dimension, QuantityError, parse_quantity

LOOK_S = 2.0
PATIENT_TRIES = 8
SHUT_WITHIN_LOOKS = 60
"""Two minutes; the longest wait is that for a latching valve behind others (own choice)."""


@dataclass(frozen=True, slots=True)
class Say:
    """Show a line. Sent back: None."""

    text: str


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask the person. Sent back: what was typed, without blanks around it."""

    text: str


@dataclass(frozen=True, slots=True)
class Give:
    """Give an order, see docs/mqtt.md. Sent back: the reason why it was refused, empty when it was accepted."""

    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Look:
    """Look at the board for so long. Sent back: what it read since, one reading or more, the newest last."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Tree:
    """Sent back: the published values by path, see docs/mqtt.md."""


@dataclass(frozen=True, slots=True)
class TellTime:
    """Sent back: the time, in the site's own zone."""


Request = Say | Ask | Give | Look | Tree | TellTime
Script = Generator[Request, Any, Outcome]

T = TypeVar("T")
Part = Generator[Request, Any, T]


def say(text: str) -> Part[None]:
    yield Say(text)


def ask(text: str) -> Part[str]:
    word: str = yield Ask(text)
    return word


def give(**fields: Any) -> Part[str]:
    reason: str = yield Give(fields)
    return reason


def patiently(**fields: Any) -> Part[str]:
    """Give an order that may come a little too early: what was before it is still being ended."""
    reason = ""
    for _ in range(PATIENT_TRIES):
        reason = yield from give(**fields)
        if not reason:
            break
        yield from look(LOOK_S)
    return reason


def look(seconds: float) -> Part[tuple[Readings, ...]]:
    readings: tuple[Readings, ...] = yield Look(seconds)
    return readings


def tree() -> Part[Mapping[str, str]]:
    values: Mapping[str, str] = yield Tree()
    return values


def tell_time() -> Part[datetime]:
    now: datetime = yield TellTime()
    return now


def quantity(text: str, dimension: Dimension, least: float, most: float, example: str = "") -> Part[float]:
    """Ask for a quantity with its unit until it is one that can be; in the dimension's base unit."""
    while True:
        word = yield from ask(f"{text}, for example {example or dimension.example}: ")
        try:
            value = parse_quantity(word, dimension)
        except QuantityError as error:
            yield Say(f"  {word!r}: {error}")
            continue
        if least <= value <= most:
            return value
        base = dimension.base
        yield Say(f"  {word!r} cannot be here: allowed are {least:g} {base} to {most:g} {base}. Look again.")


def yes(text: str) -> Part[bool]:
    """Ask for yes or no until it is one of them."""
    while True:
        word = (yield from ask(f"{text} (yes or no): ")).lower()
        if word in ("y", "yes", "n", "no"):
            return word[0] == "y"
        yield Say(f"  {word!r}: yes or no is needed")


def choice(text: str, options: Sequence[str], *, several: bool = False) -> Part[tuple[int, ...]]:
    """Let one of the options be chosen by its number from 1, or several of them; 0 means none of them."""
    yield Say(text)
    for number, option in enumerate(options, 1):
        yield Say(f"    {number}  {option}")
    yield Say("    0  none of them")
    hint = "its number, or several with blanks between: " if several else "its number: "
    while True:
        words = (yield from ask(f"  {hint}")).split()
        good = [word for word in words if word.isascii() and word.isdigit() and int(word) <= len(options)]
        if words and len(good) == len(words) and (several or len(words) == 1):
            return tuple(sorted({int(word) - 1 for word in words if int(word)}))
        yield Say(f"  {' '.join(words)!r}: numbers from 0 to {len(options)} are needed")


def until_shut() -> Part[bool]:
    """Look until every output reads off; False when that does not happen."""
    for _ in range(SHUT_WITHIN_LOOKS):
        newest = (yield from look(LOOK_S))[-1]
        if not newest.pumps_on and not newest.valves_open:
            return True
    return False
