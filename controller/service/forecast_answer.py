"""A forecast in anybody's JSON, turned into the values of the order `forecast`; where they stand is in the site file.

The answer comes from outside: everything is checked here for its form, and by the order's own rules afterwards.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, date, datetime, tzinfo
from typing import Any, NoReturn

from controller.contract import FORECAST_DAYS
from controller.site.model import ForecastFields, ForecastSource

MM_PER_INCH = 25.4
LONGEST_LIST = 400
"""More entries than this are no days."""
_LATEST_EPOCH_S = 4_102_444_800
"""The year 2100."""


class AnswerError(ValueError):
    """The answer does not hold what the site file says it does; the text says where."""


def read_json(body: bytes) -> Any:
    """The document in an answer. Raises AnswerError for what is no JSON, or JSON that nests without end."""
    try:
        return json.loads(body.decode("utf-8-sig"), parse_constant=_no_constant, parse_int=_whole)
    except (ValueError, RecursionError) as error:
        raise AnswerError(f"the answer is no JSON: {str(error)[:120]}") from None


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _whole(digits: str) -> float:
    # Long digits cost much time as whole numbers, and none of them is needed exactly.
    return int(digits) if len(digits) < 20 else float(digits)


def at(document: Any, pointer: str) -> Any:
    """What a JSON Pointer points at, RFC 6901. Raises AnswerError when there is nothing."""
    found = document
    for step in pointer.split("/")[1:]:
        key = step.replace("~1", "/").replace("~0", "~")
        if isinstance(found, dict) and key in found:
            found = found[key]
        elif isinstance(found, list) and key.isascii() and key.isdigit() and len(key) < 6 and int(key) < len(found):
            found = found[int(key)]
        else:
            raise AnswerError(f"{pointer}: there is no {key[:40]!r} in the answer")
    return found


def order_values(document: Any, source: ForecastSource, time_zone: tzinfo, now_wall_ms: int) -> dict[str, Any]:
    """Values of an order `forecast` from an answer, for `controller.service.orders.order_from_values`.

    Days before today are left out, and everything from the first day on that lacks a value. Raises AnswerError.
    """
    issued_ms = now_wall_ms
    if source.fields.issued is not None:
        issued_ms = _instant_ms(at(document, source.fields.issued), source.fields.issued)
    today = datetime.fromtimestamp(now_wall_ms / 1000.0, time_zone).date()
    days = [day for day in _days(document, source, time_zone) if day["date"] >= today.isoformat()]
    if not days:
        raise AnswerError("the answer has no day from today on")
    return {
        "order": "forecast",
        "id": f"forecast-{issued_ms}",
        "sender": "forecast",
        "issued": datetime.fromtimestamp(issued_ms / 1000.0, UTC).isoformat(),
        "days": days[:FORECAST_DAYS],
    }


def _days(document: Any, source: ForecastSource, time_zone: tzinfo) -> list[dict[str, Any]]:
    columns = _columns(document, source.fields)
    mm, celsius = _units(source)
    days: list[dict[str, Any]] = []
    for written, rain, low, high in zip(*columns, strict=True):
        if None in (written, rain, low, high):
            break
        day = _date(written, time_zone, source.fields.date)
        values = (_number(rain, source.fields.rain), _number(low, source.fields.night_low))
        days.append(
            {
                "date": day.isoformat(),
                "rain_mm": round(mm(values[0]), 2),
                "tmin_c": round(celsius(values[1]), 2),
                "tmax_c": round(celsius(_number(high, source.fields.day_high)), 2),
            }
        )
    return days


def _columns(document: Any, fields: ForecastFields) -> list[list[Any]]:
    """Dates, rain, lows and highs, equally long."""
    pointers = (fields.date, fields.rain, fields.night_low, fields.day_high)
    if fields.days is None:
        columns = [_list(document, pointer) for pointer in pointers]
        if len({len(column) for column in columns}) != 1:
            sizes = ", ".join(f"{pointer} {len(column)}" for pointer, column in zip(pointers, columns, strict=True))
            raise AnswerError(f"the lists are not equally long: {sizes}")
        return columns
    entries = _list(document, fields.days)
    return [[_entry(entry, pointer, n) for n, entry in enumerate(entries)] for pointer in pointers]


def _entry(entry: Any, pointer: str, number: int) -> Any:
    """None past the first entry where there is nothing: some forecasts get shorter for some figures."""
    try:
        return at(entry, pointer)
    except AnswerError:
        if number == 0:
            raise
        return None


def _list(document: Any, pointer: str) -> list[Any]:
    found = at(document, pointer)
    if not isinstance(found, list) or not 1 <= len(found) <= LONGEST_LIST:
        raise AnswerError(f"{pointer}: is no list of 1 to {LONGEST_LIST} entries")
    return found


def _units(source: ForecastSource) -> tuple[Callable[[float], float], Callable[[float], float]]:
    if source.units == "us":
        return lambda inches: inches * MM_PER_INCH, lambda fahrenheit: (fahrenheit - 32.0) / 1.8
    return lambda mm: mm, lambda celsius: celsius


def _number(value: Any, pointer: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise AnswerError(f"{pointer}: {str(value)[:40]!r} is no number")
    return float(value)


def _date(value: Any, time_zone: tzinfo, pointer: str) -> date:
    """A local date: written as one, at the start of a local date and time, or as seconds since 1970."""
    if isinstance(value, str):
        try:
            return date.fromisoformat(value[:10])
        except ValueError:
            raise AnswerError(f"{pointer}: {value[:40]!r} is no date like 2026-05-14") from None
    return datetime.fromtimestamp(_epoch_s(value, pointer), time_zone).date()


def _instant_ms(value: Any, pointer: str) -> int:
    if not isinstance(value, str):
        return round(_epoch_s(value, pointer) * 1000.0)
    try:
        instant = datetime.fromisoformat(value[:40])
        # Without a zone it is taken for UTC, as RFC 3339 wants times to say.
        return round((instant if instant.tzinfo else instant.replace(tzinfo=UTC)).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise AnswerError(f"{pointer}: {value[:40]!r} is no time like 2026-05-14T05:00:00Z") from None


def _epoch_s(value: Any, pointer: str) -> float:
    seconds = _number(value, pointer)
    if not 0.0 <= seconds <= _LATEST_EPOCH_S:
        raise AnswerError(f"{pointer}: {seconds:g} are no seconds since 1970")
    return seconds
