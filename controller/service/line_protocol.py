"""Points as lines for time-series databases: measurement, tags, fields and a time in nanoseconds.

The form is the line protocol of InfluxDB 2 (its reference, "Line protocol"): commas, spaces and equals signs are
escaped with a backslash in names and tags, quotation marks and backslashes in texts. A line ends a point, so a line
break inside a name is written as the two letters backslash and n.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

_BREAKS = {"\n": r"\n", "\t": r"\t", "\r": r"\r"}
_IN_MEASUREMENTS = str.maketrans({",": r"\,", " ": r"\ ", **_BREAKS})
_IN_KEYS = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", **_BREAKS})
_IN_TEXTS = str.maketrans({'"': r"\"", "\\": r"\\"})


def point_line(
    measurement: str, tags: Iterable[tuple[str, str]], fields: Iterable[tuple[str, float | str | bool]], time_ns: int
) -> str:
    """One line without its end; empty when no field has a value a database can hold (NaN and infinity are none)."""
    written = ",".join(text for name, value in sorted(fields) if (text := _field(name, value)))
    if not written:
        return ""
    named = "".join(f",{_key(name)}={_tag(value)}" for name, value in sorted(tags) if name and value)
    return f"{measurement.translate(_IN_MEASUREMENTS)}{named} {written} {time_ns}"


def _field(name: str, value: float | str | bool) -> str:
    if isinstance(value, bool):
        return f"{_key(name)}={'true' if value else 'false'}"
    if isinstance(value, str):
        return f'{_key(name)}="{value.translate(_IN_TEXTS)}"'
    # Always a floating-point number: a field that is whole today and not tomorrow would change its type.
    return f"{_key(name)}={str(float(value)).removesuffix('.0')}" if math.isfinite(value) else ""


def _key(text: str) -> str:
    return text.translate(_IN_KEYS)


def _tag(text: str) -> str:
    """A backslash at its end would escape the comma that follows."""
    written = _key(text)
    return f"{written} " if written.endswith("\\") else written
