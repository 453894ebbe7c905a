"""Journal records as SenML JSON (RFC 8428): numbered, dated, in the units of the IANA SenML registry.

One journal record is a SenML record named `seq` followed by the journal record's values, all with the same time.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from typing import Any

from controller.service.journal import StoredRecord

PACK_BYTES = 16 * 1024

# Ending of a field's name, SenML unit, factor to it. Longer endings first: `_l_min` would else be taken for nothing.
_UNITS: tuple[tuple[str, str, float], ...] = (
    ("_wall_ms", "", 0.001),
    ("_percent", "/", 0.01),
    ("_l_min", "m3/s", 1.0 / 60_000.0),
    ("_mm", "m", 0.001),
    ("_ml", "m3", 0.000001),
    ("_ms", "s", 0.001),
    ("_wh", "J", 3600.0),
    ("_l", "m3", 0.001),
    ("_v", "V", 1.0),
    ("_a", "A", 1.0),
    ("_w", "W", 1.0),
    ("_c", "Cel", 1.0),
    ("_s", "s", 1.0),
)
UNIT_ENDINGS: dict[str, tuple[str, float]] = {ending: (unit, factor) for ending, unit, factor in _UNITS}
_SIGNIFICANT_DECIMALS = 12
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9:._-]")

_encode = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


def entries_of(record: StoredRecord) -> list[dict[str, Any]]:
    """SenML records of one journal record, without times: its number, then one per value."""
    stem = _name_part(record.kind)
    if record.key:
        stem = f"{stem}/{_name_part(record.key)}"
    entries: list[dict[str, Any]] = [{"n": "seq", "v": record.seq}]
    for field, value in record.data.items():
        entry = _entry(f"{stem}/", field, value)
        if entry is not None:
            entries.append(entry)
    return entries


def _entry(stem: str, field: str, value: Any) -> dict[str, Any] | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return {"n": stem + _name_part(field), "vb": value}
    if isinstance(value, (int, float)):
        return _number(stem, field, value)
    text = value if isinstance(value, str) else _encode(value)
    return {"n": stem + _name_part(field), "vs": text}


def _number(stem: str, field: str, value: float) -> dict[str, Any]:
    for ending, unit, factor in _UNITS:
        if field.endswith(ending) and len(field) > len(ending):
            name = stem + _name_part(field[: -len(ending)])
            scaled = value if factor == 1.0 else round(value * factor, _SIGNIFICANT_DECIMALS)
            return {"n": name, "u": unit, "v": scaled} if unit else {"n": name, "v": scaled}
    return {"n": stem + _name_part(field), "v": value}


def _name_part(text: str) -> str:
    return _NOT_IN_NAMES.sub("-", text)


def packs(
    site_id: str, records: Iterable[StoredRecord], limit_bytes: int = PACK_BYTES
) -> Iterator[tuple[int, int, bytes]]:
    """(first number, last number, payload) for runs of records, each payload at most `limit_bytes` long.

    A record that alone is longer goes as its bare number: the stream must not stop at it.
    """
    head = f'{{"bn":{_encode(site_id + "/")},"bt":'
    parts: list[str] = []
    size = first = last = base_ms = 0
    for record in records:
        text = _timed_text(record, base_ms) if parts else ""
        if not parts or size + len(text.encode()) + 1 > limit_bytes:
            if parts:
                yield first, last, _joined(parts)
            base_ms = record.wall_ms
            first = record.seq
            text = _opening_text(head, record)
            if len(text.encode()) + 2 > limit_bytes:
                text = f'{head}{_encode(base_ms / 1000.0)},"n":"seq","v":{record.seq}}}'
            parts, size = [], 2
        parts.append(text)
        size += len(text.encode()) + 1
        last = record.seq
    if parts:
        yield first, last, _joined(parts)


def _opening_text(head: str, record: StoredRecord) -> str:
    entries = entries_of(record)
    start = f"{head}{_encode(record.wall_ms / 1000.0)},{_encode(entries[0])[1:]}"
    return ",".join([start, *(_encode(entry) for entry in entries[1:])])


def _timed_text(record: StoredRecord, base_ms: int) -> str:
    offset_s = (record.wall_ms - base_ms) / 1000.0
    entries = entries_of(record)
    if offset_s:
        entries = [{**entry, "t": offset_s} for entry in entries]
    return ",".join(_encode(entry) for entry in entries)


def _joined(parts: list[str]) -> bytes:
    return f"[{','.join(parts)}]".encode()
