"""How much the journal writes to the flash in a day: its own code in virtual time, committed as the daemon commits.

Counted is what SQLite hands to the system (log, database, both ways of a checkpoint), commit by commit in whole pages,
since each is written back by itself; and for each commit the pages of the log's index, which is a file, too. What the
file system adds of its own (its journal, directories) is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from controller.contract import Now, StepResult
from controller.service.codec import Entry, encode_input
from controller.service.daemon import CHECKPOINT_EVERY_MS
from controller.service.journal import Journal
from controller.service.mqtt import CURSOR, SAVE_CURSOR_EVERY_S
from controller.service.writer import COMMIT_AT_REST_S, COMMIT_BUSY_S, is_urgent
from controller.site.load import parse_site
from controller.site.model import Site
from simulator.example import example_site_text
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.season_command import MS_PER_DAY, season_weather

WEAR_MB = 50.0
PAGE_BYTES = 4096
INDEX_PAGES = 2
"""Of the log's index: its head, and the part that takes the new pages."""

Row = tuple[str, str, str, bool]


@dataclass
class Wear:
    """What went out, and in how many commits."""

    bytes_handed_over: int = 0
    bytes_in_pages: int = 0
    commits: int = 0
    synced: int = 0


class CountedJournal:
    """A journal that takes steps and commits them when the daemon's writing thread would, by virtual time."""

    def __init__(self, path: Path) -> None:
        self.journal = Journal.open(path)
        self.wear = Wear()
        self._committed_ms = self._cursor_ms = self._checkpoint_ms = 0
        self._cursor = 0
        self.deliveries = 0
        self.run: SeasonRun | None = None

    def add_step(self, now: Now, entries: list[Entry], result: StepResult) -> None:
        self.journal.add_step(now, entries, result)
        self.deliveries += sum(record.kind == "delivery" for record in result.records)
        every_s = COMMIT_BUSY_S if result.outputs.any_on else COMMIT_AT_REST_S
        urgent = is_urgent(result)
        if urgent or now.mono_ms - self._committed_ms >= 1000 * every_s:
            self._count(now.mono_ms, urgent)
        if now.mono_ms - self._cursor_ms >= 1000 * SAVE_CURSOR_EVERY_S and self._cursor != self.journal.last_seq:
            self._cursor_ms, self._cursor = now.mono_ms, self.journal.last_seq
            self._counted(lambda: self.journal.set_cursor(CURSOR, self._cursor))
        if now.mono_ms - self._checkpoint_ms >= CHECKPOINT_EVERY_MS and self.run is not None:
            self._checkpoint_ms = now.mono_ms
            memory, site = self.run.core.dump(), self.run.site.history
            self._counted(lambda: self.journal.add_checkpoint(now, "the site file's text", memory))
            self._counted(
                lambda: self.journal.prune(now, inputs_days=site.inputs_days, measurements_days=site.measurements_days)
            )

    def _count(self, mono_ms: int, urgent: bool) -> None:
        self._committed_ms = mono_ms
        self.wear.synced += urgent
        self._counted(lambda: self.journal.commit(durable=urgent))

    def _counted(self, work: object) -> None:
        before = _handed_over()
        work()  # type: ignore[operator]
        handed_over = _handed_over() - before
        if handed_over:
            pages = -(-handed_over // PAGE_BYTES) + 1 + INDEX_PAGES
            self.wear.commits += 1
            self.wear.bytes_handed_over += handed_over
            self.wear.bytes_in_pages += pages * PAGE_BYTES


def _handed_over() -> int:
    """Bytes this process has given to write calls of any kind (proc(5), /proc/pid/io: wchar)."""
    return int(Path("/proc/self/io").read_text().split("wchar: ")[1].split()[0])


def wear(directory: Path, days: int) -> list[Row]:
    """Summer and winter of the example; and a summer in which the board reports every 10 s, water or not."""
    site = parse_site(example_site_text(), "example site")
    chatty = replace(site, idle_report_s=10)
    rows: list[Row] = []
    for season, start, declared in (
        ("summer", date(2026, 7, 1), site),
        ("winter", date(2026, 1, 5), site),
        ("summer, a report every 10 s", date(2026, 7, 1), chatty),
    ):
        rows += _season_rows(directory / f"{len(rows)}.sqlite", declared, season, start, days)
    return rows


def _season_rows(path: Path, site: Site, season: str, start: date, days: int) -> list[Row]:
    weather, first_day = season_weather(site, start, days, 1, None)
    log = CountedJournal(path)
    run = SeasonRun(site, weather, 1, local_midnight_wall_ms(first_day, site.place), log=log, encode=encode_input)
    log.run = run
    run.run_until(days * MS_PER_DAY)
    spent, mb = log.wear, log.wear.bytes_in_pages / 1e6 / days
    file_mb = (path.stat().st_size + Path(f"{path}-wal").stat().st_size) / 1e6 / days
    log.journal.close()
    return [
        (f"{season}: waterings a day", f"{log.deliveries / days:.1f}", "", True),
        (f"{season}: commits a day", f"{spent.commits / days:.0f}, {spent.synced / days:.0f} of them synced", "", True),
        (f"{season}: handed over to the system", f"{spent.bytes_handed_over / 1e6 / days:.1f} MB a day", "", True),
        (f"{season}: the file grows by", f"{file_mb:.1f} MB a day", "", True),
        (f"{season}: written to the flash", f"{mb:.1f} MB a day", f"at most {WEAR_MB:g} MB a day", mb <= WEAR_MB),
    ]
