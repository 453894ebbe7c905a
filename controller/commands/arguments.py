"""Arguments that several commands share, and what they stand for."""

from __future__ import annotations

import argparse
import getpass
import os
from datetime import UTC, date, datetime
from pathlib import Path

LONGEST_SENDER = 40


def instant(text: str) -> datetime:
    """A date or time; without a time zone it is UTC."""
    try:
        value = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date or time; write 2026-05-14T05:30:00Z") from None
    return value if value.tzinfo else value.replace(tzinfo=UTC)


def local_day(text: str) -> date:
    """A date."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write 2026-05-14") from None


def add_days(parser: argparse.ArgumentParser) -> None:
    """The local days of a journal that a command looks at: `start` and `end`, None for all there is."""
    parser.add_argument(
        "--from", dest="start", type=local_day, help="first local day, as 2026-03-01 (the journal's first)"
    )
    parser.add_argument(
        "--to", dest="end", type=local_day, help="last local day, included (the journal's last closed one)"
    )


def sender(who: str | None) -> str:
    """The name that orders are given under: the one said, or the one logged in with."""
    return (who or getpass.getuser())[:LONGEST_SENDER]


def progress_file(name: str) -> Path:
    """Where a guided list is remembered between two sittings, in the person's home directory."""
    state = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(state) / "pumphouse" / f"{name}.json"
