"""Records as points of a time-series database: a measurement, tags, fields and a time, which never change.

The measurement is the record's kind. Tags are `site` and `key`; fields are numbers with their unit at the end of the
name, truths and texts. A point written twice is the same point, because its time is the record's own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from dashboards.senml import Scalar, StreamRecord

NS_PER_MS = 1_000_000
UNIT_WORDS = {"/": "ratio"}
NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9]+")


@dataclass(frozen=True, slots=True)
class ExportPoint:
    """`time_ns` since 1970, UTC."""

    measurement: str
    tags: tuple[tuple[str, str], ...]
    fields: tuple[tuple[str, Scalar], ...]
    time_ns: int


def points_of(site: str, record: StreamRecord) -> list[ExportPoint]:
    """A record's points. Readings are told apart by what they are of: `tank.butts.level` has the key `tank.butts`.

    Events of one kind and key may share a millisecond: their sequence number, below it, keeps them apart.
    """
    if record.kind != "measure":
        fields = {_field(name, value.unit): value.value for name, value in record.fields.items()}
        below_ms = record.seq % NS_PER_MS
        return [_point(record.kind, site, record.key, fields, record.at_ms * NS_PER_MS + below_ms)] if fields else []
    by_key: dict[str, dict[str, Scalar]] = {}
    for name, value in record.fields.items():
        key, _, last = name.rpartition(".")
        by_key.setdefault(key, {})[_field(last, value.unit)] = value.value
    return [_point("measure", site, key, fields, record.at_ms * NS_PER_MS) for key, fields in sorted(by_key.items())]


def _point(kind: str, site: str, key: str, fields: dict[str, Scalar], time_ns: int) -> ExportPoint:
    tags = (("key", key), ("site", site)) if key else (("site", site),)
    return ExportPoint(kind, tags, tuple(sorted(fields.items())), time_ns)


def _field(name: str, unit: str) -> str:
    word = UNIT_WORDS.get(unit, NOT_IN_NAMES.sub("_", unit).strip("_"))
    return f"{name}_{word}" if word else name
