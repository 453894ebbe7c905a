"""`pumphouse account`: what became of the water in a season or a year, by the journal."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path

from controller.account.events import Event
from controller.account.made import KINDS, Account, account_of
from controller.account.page import page_html
from controller.account.tables import csv_tables, json_text
from controller.account.text import text_lines
from controller.commands.arguments import add_days
from controller.errors import ConfigurationError, OperatingError
from controller.service.journal import Journal, StoredRecord
from controller.service.restore import stored_site

SUMMARY = "tell what became of the water in a season or a year, by the journal"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("journal", type=Path, help="the journal file")
    add_days(parser)
    parser.add_argument("--out", type=Path, help="write a page to print, JSON and CSV tables into this directory")


def run(args: argparse.Namespace) -> int:
    """Print the account, and write it when asked to. Raises OperatingError when no day in the period was closed."""
    if args.start is not None and args.end is not None and args.end < args.start:
        raise ConfigurationError(f"--to {args.end} is before --from {args.start}: give the earlier day first")
    account = account_in(args.journal, args.start, args.end)
    print("\n".join(text_lines(account)))
    if args.out is not None:
        print(f"\nwritten: {', '.join(write_account(account, args.out))} in {args.out}")
    return 0


def account_in(path: Path, first: date | None, last: date | None) -> Account:
    """The account of the days that a journal holds, under the site file it was last written with."""
    journal = Journal.read(path)
    try:
        checkpoint = journal.checkpoint_before()
        if checkpoint is None:
            raise OperatingError(f"{path}: holds nothing yet; the controller writes it from its first minute on")
        site = stored_site(checkpoint.site_text)
        events = list(events_of(journal.records_of(*KINDS)))
        learned_a = checkpoint.state.get("state", {}).get("pump_draw_a", {})
        return account_of(site, events, events_of(journal.records_of("measure")), first, last, learned_a)
    finally:
        journal.close()


def events_of(records: Iterable[StoredRecord]) -> Iterator[Event]:
    """Stored records as events."""
    for record in records:
        yield Event(record.wall_ms, record.kind, record.key, record.data)


def write_account(account: Account, directory: Path) -> list[str]:
    """Write all files; their names. Raises OperatingError when the directory cannot be written."""
    files = {"account.html": page_html(account), "account.json": json_text(account), **csv_tables(account)}
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (directory / name).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise OperatingError(
            f"{directory}: cannot be written ({error.strerror or error}); name another --out"
        ) from error
    return list(files)
