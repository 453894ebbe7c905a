"""Records of the journal as tables for a spreadsheet: CSV by RFC 4180, units at the end of each column's name.

What is not known is an empty cell; truths are `true` and `false`; times are UTC. A text that a spreadsheet would take
for a formula gets an apostrophe before it: some texts come from whoever may send orders.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

from controller.service.journal import StoredRecord

TIME = "time_utc"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
LEDGER_COLUMNS = (TIME, "date", "tank", "account", "into_tank_ml", "sd_ml")
ALL_COLUMNS = (TIME, "seq", "kind", "key", "field", "value")


class _Lines(list[str]):
    """What `csv` writes to."""

    def write(self, text: str) -> None:
        self.append(text)

    def taken(self) -> str:
        text = "".join(self)
        self.clear()
        return text


def csv_lines(rows: Iterable[Iterable[Any]]) -> Iterator[str]:
    """Rows as text, one after the other, each with its line end."""
    lines = _Lines()
    writer = csv.writer(lines, lineterminator="\r\n")
    for row in rows:
        writer.writerow([cell(value) for value in row])
        yield lines.taken()


def cell(value: Any) -> str:
    """One value as it stands in a table."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def wide_rows(records: Iterable[StoredRecord], columns: list[str], key_name: str | None) -> Iterator[list[Any]]:
    """One row a record under the columns that `wide_columns` found; an instant in milliseconds becomes a time."""
    yield [TIME, *([key_name] if key_name else []), *(_column(name) for name in columns)]
    for record in records:
        data = record.data
        values = [_value(name, data.get(name)) for name in columns]
        yield [utc(record.wall_ms), *([record.key] if key_name else []), *values]


def wide_columns(records: Iterable[StoredRecord]) -> list[str]:
    """All names that occur in the records, in the order in which they first do."""
    names: dict[str, None] = {}
    for record in records:
        names.update(dict.fromkeys(record.data))
    return list(names)


def _column(name: str) -> str:
    return f"{name.removesuffix('_wall_ms')}_utc" if name.endswith("_wall_ms") else name


def _value(name: str, value: Any) -> Any:
    return utc(value) if name.endswith("_wall_ms") and isinstance(value, int) else value


def ledger_rows(records: Iterable[StoredRecord]) -> Iterator[Iterable[Any]]:
    """The books: a row for each day's opening, every entry, and the closing."""
    yield LEDGER_COLUMNS
    for record in records:
        data, time = record.data, utc(record.wall_ms)
        evidence = data.get("evidence", {})
        yield (time, data["local_date"], record.key, "opening", data["opening_ml"], data.get("opening_sd_ml"))
        for account, into_tank_ml in data["entries_ml"].items():
            sd_ml = evidence.get(account, {}).get("sd_ml")
            yield (time, data["local_date"], record.key, account, into_tank_ml, sd_ml)
        yield (time, data["local_date"], record.key, "closing", data["closing_ml"], data.get("closing_sd_ml"))


def all_rows(records: Iterable[StoredRecord]) -> Iterator[Iterable[Any]]:
    """Everything, one value a row: what does not fit one table."""
    yield ALL_COLUMNS
    for record in records:
        time = utc(record.wall_ms)
        for name, value in record.data.items():
            yield (time, record.seq, record.kind, record.key, _column(name), _value(name, value))


def utc(wall_ms: int) -> str:
    """RFC 3339 to the millisecond."""
    moment = datetime.fromtimestamp(wall_ms // 1000, UTC).replace(microsecond=wall_ms % 1000 * 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
