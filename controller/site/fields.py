"""The kinds of values a site file may hold: each reads one value, or says what is allowed and how to write it.

`written` is the same for editors, as JSON Schema: it takes whatever `read` takes, but leaves ranges of quantities and
the calendar to `read`.

They are attached to the fields of `controller.site.schema` with `Annotated`. `allowed` is the sentence the reference
page carries, so that page and program cannot drift apart.
"""

from __future__ import annotations

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from controller.site.problems import did_you_mean
from controller.site.units import Dimension, QuantityError, parse_quantity, quantity_pattern

_MONTHS = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
_LONGEST_MONTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_TIME = re.compile(r"(\d{1,2}):(\d{2})")
_CLOCK = "([01]?[0-9]|2[0-3]):[0-5][0-9]"
_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)+")
_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class Field(ABC):
    """A kind of value. `read` returns it in the program's units or raises ValueError with a text for people."""

    allowed: str

    @abstractmethod
    def read(self, value: object) -> Any: ...

    @abstractmethod
    def written(self) -> dict[str, Any]:
        """How the value is written in the file, as JSON Schema."""

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {**self.written(), "description": self.allowed}

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._validate)

    def _validate(self, value: object) -> Any:
        try:
            return self.read(value)
        except ValueError as error:
            raise PydanticCustomError("site_value", "{text}", {"text": str(error)}) from None


class Quantity(Field):
    """A number with a unit between two bounds, which are written as quantities themselves."""

    def __init__(self, dimension: Dimension, low: str, high: str) -> None:
        self._dimension = dimension
        self._low = parse_quantity(low, dimension)
        self._high = parse_quantity(high, dimension)
        self.allowed = f"{low} to {high}"

    def read(self, value: object) -> float:
        try:
            quantity = parse_quantity(value, self._dimension)
        except QuantityError as error:
            raise ValueError(f"{error}; allowed: {self.allowed}") from None
        if not self._low - 1e-9 <= quantity <= self._high + 1e-9:
            raise ValueError(f"out of range; allowed: {self.allowed}. Is the unit right?")
        return quantity

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": quantity_pattern(self._dimension)}


class Number(Field):
    """A plain number without a unit: a coefficient or a fraction."""

    def __init__(self, low: float, high: float) -> None:
        self._low, self._high = low, high
        self.allowed = f"a number from {low:g} to {high:g}"

    def read(self, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"expected {self.allowed}, without quotation marks and without a unit")
        if not self._low <= value <= self._high or math.isnan(value):
            raise ValueError(f"out of range; allowed: {self.allowed}")
        return float(value)

    def written(self) -> dict[str, Any]:
        return {"type": "number", "minimum": self._low, "maximum": self._high}


class Count(Field):
    """A whole number."""

    def __init__(self, low: int, high: int) -> None:
        self._low, self._high = low, high
        self.allowed = f"a whole number from {low} to {high}"

    def read(self, value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"expected {self.allowed}, without quotation marks and without a unit")
        if not self._low <= value <= self._high:
            raise ValueError(f"out of range; allowed: {self.allowed}")
        return value

    def written(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self._low, "maximum": self._high}


class Choice(Field):
    """One of a few words."""

    def __init__(self, *words: str) -> None:
        self._words = words
        self.allowed = "one of " + ", ".join(f'"{word}"' for word in words)

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            raise ValueError(f"expected {self.allowed}")
        if value not in self._words:
            raise ValueError(f"not known{did_you_mean(value, self._words)}; allowed: {self.allowed}")
        return value

    def written(self) -> dict[str, Any]:
        return {"type": "string", "enum": list(self._words)}


class Named(Field):
    """The name of an entry in a built-in table; reads as the entry itself."""

    def __init__(self, what: str, table: Mapping[str, Any]) -> None:
        self._what, self._table = what, table
        self.allowed = f"a {what} from the table below"

    def read(self, value: object) -> Any:
        if not isinstance(value, str):
            raise ValueError(f"expected the name of a {self._what} in quotation marks")
        entry = self._table.get(value.strip().lower())
        if entry is None:
            names = ", ".join(self._table)
            raise ValueError(
                f"this {self._what} is not in the built-in table{did_you_mean(value, self._table)}: {names}"
            )
        return entry

    def written(self) -> dict[str, Any]:
        # Capitals do not matter, and JSON Schema has no way to say so: only small letters are looked up.
        return {"type": "string", "anyOf": [{"enum": list(self._table)}, {"pattern": "[A-Z]|^\\s|\\s$"}]}


class Text(Field):
    """A name for people: one line, not empty."""

    def __init__(self, longest: int) -> None:
        self._longest = longest
        self.allowed = f"text of 1 to {longest} characters"

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            raise ValueError(f"expected {self.allowed} in quotation marks")
        text = value.strip()
        if not 0 < len(text) <= self._longest or not text.isprintable():
            raise ValueError(f"expected {self.allowed} on one line")
        return text

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": rf"^\s*\S(.{{0,{self._longest - 2}}}\S)?\s*$"}


class Id(Field):
    """A short technical name; it becomes part of MQTT topics, which allow no more than this."""

    allowed = "1 to 32 small letters, digits and single hyphens inside"

    def read(self, value: object) -> str:
        if not isinstance(value, str) or len(value) > 32 or not _ID.fullmatch(value):
            raise ValueError(f'an id becomes part of MQTT topics: {self.allowed}, for example "bean-row"')
        return value

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{_ID.pattern}$", "maxLength": 32}


class JsonPointer(Field):
    """Where a value stands in a JSON document, RFC 6901."""

    allowed = 'a JSON Pointer, like "/daily/rain"'

    def read(self, value: object) -> str:
        if not isinstance(value, str) or len(value) > 200 or not _POINTER.fullmatch(value):
            raise ValueError(
                f"expected {self.allowed}: the keys on the way, each after a slash; list entries count from 0"
            )
        return value

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{_POINTER.pattern}$", "maxLength": 200}


class Flag(Field):
    """true or false."""

    allowed = "true or false"

    def read(self, value: object) -> bool:
        if not isinstance(value, bool):
            raise ValueError("expected true or false, without quotation marks")
        return value

    def written(self) -> dict[str, Any]:
        return {"type": "boolean"}


class DayOfYear(Field):
    """A day that returns every year, as (month, day)."""

    allowed = 'a day and a month, like "15 April"'

    def read(self, value: object) -> tuple[int, int]:
        words = value.replace(",", " ").lower().split() if isinstance(value, str) else []
        numbers = [word for word in words if word.isascii() and word.isdigit() and len(word) <= 2]
        names = [word for word in words if word not in numbers]
        if len(words) != 2 or len(names) != 1 or len(names[0]) < 3:
            raise ValueError(f"expected {self.allowed}, without a year")
        month = next((i for i, name in enumerate(_MONTHS, 1) if name.startswith(names[0])), None)
        if month is None:
            raise ValueError(f"no such month{did_you_mean(names[0], _MONTHS)}; expected {self.allowed}")
        if not 1 <= int(numbers[0]) <= _LONGEST_MONTHS[month - 1]:
            raise ValueError(f"no such day in every year; expected {self.allowed}")
        return month, int(numbers[0])

    def written(self) -> dict[str, Any]:
        between, day, month = r"[\s,]", r"[0-9]{1,2}", r"[A-Za-z]{3,9}"
        return {
            "type": "string",
            "pattern": f"^{between}*({day}{between}+{month}|{month}{between}+{day}){between}*$",
        }


class TimeOfDay(Field):
    """A time on the wall clock, as minutes after midnight."""

    allowed = 'a time from "00:00" to "23:59"'

    def read(self, value: object) -> int:
        if not isinstance(value, str):
            raise ValueError('expected a time in quotation marks, like "06:30"')
        minutes = read_clock(value.strip())
        if minutes is None or minutes >= 1440:
            raise ValueError(f"expected {self.allowed}, hours and minutes")
        return minutes

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": rf"^\s*{_CLOCK}\s*$"}


class TimeSpan(Field):
    """A stretch of the day, as (start, end) in minutes after midnight."""

    allowed = 'a start and an end within one day, like "05:30-08:00"; the day ends at "24:00"'

    def read(self, value: object) -> tuple[int, int]:
        parts = value.replace("–", "-").split("-") if isinstance(value, str) else []
        times = [read_clock(part.strip()) for part in parts]
        if len(times) != 2 or times[0] is None or times[1] is None:
            raise ValueError(f"expected {self.allowed}")
        start, end = times[0], times[1]
        if end < start:
            first, second = parts[0].strip(), parts[1].strip()
            raise ValueError(
                f'this window crosses midnight; write it as two windows: "{first}-24:00" and "00:00-{second}"'
            )
        if start == end:
            raise ValueError(f"this window has no length; expected {self.allowed}")
        return start, end

    def written(self) -> dict[str, Any]:
        return {"type": "string", "pattern": rf"^\s*{_CLOCK}\s*[-–]\s*({_CLOCK}|24:00)\s*$"}


def read_clock(text: str) -> int | None:
    """Minutes after midnight of "hh:mm", 24:00 included; None for anything else."""
    match = _TIME.fullmatch(text)
    if match is None or not text.isascii():
        return None
    hours, minutes = int(match.group(1)), int(match.group(2))
    if minutes > 59 or hours * 60 + minutes > 1440:
        return None
    return hours * 60 + minutes
