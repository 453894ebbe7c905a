"""Reads the history stream: SenML JSON packs (RFC 8428) back into numbered records of the site's journal.

What arrives is untrusted: sizes, types and times are checked here, and the first thing wrong refuses the whole pack, so
that its sequence numbers stay missing and are asked for again.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field
from typing import Any

from dashboards.homie import without_surrogates

MAX_PACK_BYTES = 64 * 1024
MAX_TEXT_CHARS = 16_384
MAX_UNIT_CHARS = 32
RELATIVE_BELOW_S = 2**28
"""RFC 8428 section 4.5.3: a time below this is relative to now."""
NEWEST_VERSION = 10
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]{0,254}")
EARLIEST_S = 946_684_800.0
LATEST_S = 4_102_444_800.0
"""Years 2000 to 2100: a stamp outside comes from a clock nobody set."""

Scalar = float | str | bool


class PackError(ValueError):
    """A pack that cannot be used; the text says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value in the unit the pack gave (RFC 8428 names, "" = none)."""

    value: Scalar
    unit: str = ""


@dataclass(frozen=True, slots=True)
class StreamRecord:
    """One journal record: sequence number, its own time (UTC ms), kind, key ("" = none) and fields by name.

    `kind` "" is a bare number: the record existed, but its content is no longer kept by the site.
    """

    seq: int
    at_ms: int
    kind: str = ""
    key: str = ""
    fields: dict[str, Value] = field(default_factory=dict)


def read_pack(payload: bytes, now_ms: int) -> list[StreamRecord]:
    """All records of a pack, in its order.

    Raises PackError when the pack is too large, is not SenML, uses a mandatory-to-understand label (one that ends in an
    underscore), or does not begin with a sequence number.
    """
    if len(payload) > MAX_PACK_BYTES:
        raise PackError(f"pack of {len(payload)} bytes, allowed are {MAX_PACK_BYTES}")
    try:
        pack = json.loads(payload, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise PackError(f"not JSON: {error}") from error
    if not isinstance(pack, list) or not all(isinstance(entry, dict) for entry in pack):
        raise PackError("not a JSON array of objects")
    records: list[StreamRecord] = []
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": ""}
    for entry in pack:
        _check_labels(entry)
        base.update({label: entry[label] for label in ("bn", "bt", "bu") if label in entry})
        _read_entry(entry, base, now_ms, records)
    return records


def _read_entry(entry: dict[str, Any], base: dict[str, Any], now_ms: int, records: list[StreamRecord]) -> None:
    name = _text(entry.get("n", ""))
    if not NAME.fullmatch(_text(base["bn"]) + name):
        raise PackError(f"name {(_text(base['bn']) + name)[:80]!r} is not a SenML name")
    at_ms = _time_ms(_number(base["bt"]) + _number(entry.get("t", 0.0)), now_ms)
    value = Value(_value(entry), without_surrogates(_text(entry.get("u", base["bu"])))[:MAX_UNIT_CHARS])
    if name == "seq":
        records.append(StreamRecord(_sequence(value.value), at_ms))
        return
    if not records:
        raise PackError("the first record is not a sequence number")
    parts = name.split("/", 2)
    if len(parts) < 2:
        raise PackError(f"name {name[:80]!r} says no kind")
    kind, key, field_name = (parts[0], "", parts[1]) if len(parts) == 2 else (parts[0], parts[1], parts[2])
    last = records[-1]
    if last.kind and (last.kind, last.key) != (kind, key):
        raise PackError(f"record {last.seq} mixes {last.kind}/{last.key} and {kind}/{key}"[:200])
    fields = last.fields
    fields[field_name] = value
    records[-1] = StreamRecord(last.seq, last.at_ms, kind, key, fields)


def _check_labels(entry: dict[str, Any]) -> None:
    for label in entry:
        if label.endswith("_"):
            raise PackError(f"label {label[:40]!r} must be understood and is not")
    if "bver" in entry and (not isinstance(entry["bver"], int) or entry["bver"] > NEWEST_VERSION):
        raise PackError(f"SenML version {str(entry['bver'])[:20]}, known is up to {NEWEST_VERSION}")


def _value(entry: dict[str, Any]) -> Scalar:
    present = [label for label in ("v", "vs", "vb", "vd") if label in entry]
    if len(present) != 1:
        raise PackError(f"a record with {len(present)} values")
    value = entry[present[0]]
    if present[0] == "v":
        return _number(value)
    if present[0] == "vb":
        if not isinstance(value, bool):
            raise PackError("vb is neither true nor false")
        return value
    if not isinstance(value, str) or len(value) > MAX_TEXT_CHARS:
        raise PackError(f"{present[0]} is not text of at most {MAX_TEXT_CHARS} characters")
    return without_surrogates(value)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PackError(f"{str(value)[:40]!r} is not a number")
    try:
        number = float(value)
    except OverflowError:
        raise PackError("a number too large") from None
    if not math.isfinite(number):
        raise PackError("a number that is not finite")
    return number


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise PackError(f"{str(value)[:40]!r} is not text")
    return value


def _sequence(value: Scalar) -> int:
    if isinstance(value, bool | str) or value != int(value) or not 0 <= value < 2**53:
        raise PackError(f"sequence number {str(value)[:40]} is not a whole number from 0 to 2^53")
    return int(value)


def _time_ms(seconds: float, now_ms: int) -> int:
    absolute_s = seconds if seconds >= RELATIVE_BELOW_S else seconds + now_ms / 1000.0
    if not EARLIEST_S <= absolute_s <= LATEST_S:
        raise PackError(f"time {seconds:g} s is not between the years 2000 and 2100")
    return round(absolute_s * 1000.0)


def _refuse_constant(word: str) -> float:
    raise PackError(f"{word} is not a number in JSON")
