"""`pumphouse export`: records of the journal for other programs, as CSV, SenML or line protocol."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from pathlib import Path

from controller.commands.arguments import instant
from controller.errors import ConfigurationError, OperatingError
from controller.service.journal import Journal, StoredRecord
from controller.service.line_protocol import point_line
from controller.service.record_table import all_rows, csv_lines, ledger_rows, wide_columns, wide_rows
from controller.service.restore import stored_site
from controller.service.senml import packs
from controller.service.weather_table import weather_rows
from controller.site.model import Site

SUMMARY = "write the journal's records as CSV, SenML or line protocol"
WHAT = {
    "measurements": ("measure",),
    "deliveries": ("delivery",),
    "ledger": ("ledger",),
    "weather": ("measure", "day"),
    "all": (),
}
PACK_BYTES = 60 * 1024
"""Runs of records that share their base fields: longer than over the air, so that no record is too long for one."""
KEY_NAMES = {"deliveries": "zone"}

Ask = Callable[[], Iterator[StoredRecord]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("journal", type=Path, help="the journal file")
    parser.add_argument("--format", choices=tuple(FORMATS), default="csv", help="how to write them (csv)")
    parser.add_argument("--what", choices=tuple(WHAT), default="measurements", help="which records (measurements)")
    parser.add_argument("--from", dest="start", type=instant, help="from this time on, as 2026-05-14T05:00:00Z")
    parser.add_argument("--to", dest="end", type=instant, help="up to this time, itself not included")
    parser.add_argument("--out", type=Path, help="file to write; without it they go to the standard output")


def run(args: argparse.Namespace) -> int:
    """Write the records. Raises OperatingError when the journal is empty or the file cannot be written."""
    start_ms, end_ms = _wall_ms(args.start), _wall_ms(args.end)
    if start_ms is not None and end_ms is not None and end_ms <= start_ms:
        raise ConfigurationError("--to is not after --from: give the earlier time first")
    if args.what == "weather" and args.format != "csv":
        raise ConfigurationError(f"--what weather --format {args.format}: days of weather are written as csv only")
    journal = Journal.read(args.journal)
    try:
        chunks = export(journal, args.format, args.what, start_ms, end_ms)
        if args.out is None:
            _print(chunks)
        else:
            _write(chunks, args.out)
    finally:
        journal.close()
    return 0


def export(
    journal: Journal, form: str, what: str, start_ms: int | None = None, end_ms: int | None = None
) -> Iterator[str]:
    """The text of an export, piece by piece, so that years of readings are never in memory."""

    def ask() -> Iterator[StoredRecord]:
        return journal.records_of(*WHAT[what], from_wall_ms=start_ms, to_wall_ms=end_ms)

    return FORMATS[form](journal, what, ask)


def _csv(journal: Journal, what: str, ask: Ask) -> Iterator[str]:
    if what == "weather":
        return csv_lines(weather_rows(ask(), _site(journal).place.time_zone))
    if what == "all":
        return csv_lines(all_rows(ask()))
    if what == "ledger":
        return csv_lines(ledger_rows(ask()))
    return csv_lines(wide_rows(ask(), wide_columns(ask()), KEY_NAMES.get(what)))


def _senml(journal: Journal, _what: str, ask: Ask) -> Iterator[str]:
    """One array: each pack begins with base fields of its own, which hold from there on (RFC 8428 section 4.1)."""
    opening = "["
    for _, _, payload in packs(_site_id(journal), ask(), PACK_BYTES):
        yield opening + payload.decode()[1:-1]
        opening = ",\n"
    yield "[]\n" if opening == "[" else "]\n"


def _line_protocol(journal: Journal, _what: str, ask: Ask) -> Iterator[str]:
    """The points are those that the page writes to a database: what was loaded by file and what comes later agree."""
    from dashboards.export_points import points_of
    from dashboards.senml import read_pack

    site_id = _site_id(journal)
    for _, _, payload in packs(site_id, ask(), PACK_BYTES):
        # Stamps are absolute: the instant of reading plays no part.
        for record in read_pack(payload, 0):
            for point in points_of(site_id, record):
                line = point_line(point.measurement, point.tags, point.fields, point.time_ns)
                if line:
                    yield f"{line}\n"


FORMATS: dict[str, Callable[[Journal, str, Ask], Iterator[str]]] = {
    "csv": _csv,
    "senml": _senml,
    "line-protocol": _line_protocol,
}


def _site_id(journal: Journal) -> str:
    return _site(journal).id


def _site(journal: Journal) -> Site:
    checkpoint = journal.checkpoint_before()
    if checkpoint is None:
        raise OperatingError(f"{journal.path}: holds nothing yet; the controller writes it from its first minute on")
    return stored_site(checkpoint.site_text)


def _wall_ms(moment: datetime | None) -> int | None:
    return None if moment is None else int(moment.timestamp() * 1000)


def _print(chunks: Iterable[str]) -> None:
    """To the standard output as it is, line ends included."""
    for chunk in chunks:
        sys.stdout.buffer.write(chunk.encode())
    sys.stdout.buffer.flush()


def _write(chunks: Iterable[str], path: Path) -> None:
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(chunks)
    except OSError as error:
        raise OperatingError(f"{path}: cannot be written ({error.strerror or error}); name another --out") from error
