"""What is promised of `pumphouse watch`, measured: a long outage, a year's picture, a day's memory, hundreds of sites.

Rows for the table of `scripts/bench`. Broker, page and controllers are real processes; gardens are virtual.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from dashboards import points
from dashboards.senml import StreamRecord
from dashboards.store import DAY_MS, HistoryStore
from dashboards.svg import Line, Picture, TimeFrame, line_chart
from simulator.broker_process import free_port, start_broker
from simulator.silent_week import DELIVERY_EVERY, fill, week_site

Row = tuple[str, str, str, bool]
OUTAGE_S, OUTAGE_GROWTH_MB = 600.0, 32.0
YEAR_MS, YEAR_MB = 150.0, 10.0
WATCH_RSS_MB = 90.0
MINUTE_MS = 60_000
YEAR_DAYS = 365
COLUMNS = 200
END_MS = 1_778_800_000_000


def at_most(what: str, value: float, bound: float, unit: str) -> Row:
    return what, f"{value:.1f} {unit}", f"at most {bound:g} {unit}", value <= bound


def plain(what: str, value: str) -> Row:
    return what, value, "", True


def holds(what: str, value: str, wanted: str, good: bool) -> Row:
    return what, value, wanted, good


# --- processes ---


@dataclass(slots=True)
class Watch:
    """A page's process; its history is looked at directly, so that asking costs it nothing."""

    process: subprocess.Popen[bytes]
    port: int
    store: Path

    def get(self, path: str) -> str:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=30) as answer:
                return str(answer.read().decode())
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return ""

    def ask(self, sql: str) -> list[tuple[Any, ...]]:
        try:
            with contextlib.closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as db:
                return db.execute(sql).fetchall()
        except sqlite3.OperationalError:
            return [(0,)]

    def known(self) -> int:
        return int(self.ask("SELECT coalesce(sum(last - first + 1), 0) FROM covered")[0][0])


def start_watch(directory: Path, mqtt_port: int) -> Watch:
    port, store = free_port(), directory / "history.sqlite3"
    words = ["watch", "--mqtt", f"127.0.0.1:{mqtt_port}", "--http", f"127.0.0.1:{port}", "--open-on-loopback"]
    process = start(["-m", "controller.cli", *words, "--store", str(store)])
    watch = Watch(process, port, store)
    wait_for(lambda: store.exists(), "the page's history", 30.0)
    return watch


def start(words: list[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def end(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def wait_for(condition: Callable[[], object], what: str, within_s: float, every_s: float = 0.1) -> float:
    """Seconds until something holds; the end of the bench when it does not."""
    began_s = time.monotonic()
    while not condition():
        if time.monotonic() - began_s > within_s:
            raise SystemExit(f"{what} did not come within {within_s:.0f} s")
        time.sleep(every_s)
    return time.monotonic() - began_s


def memory_mb(pid: int, what: str = "VmRSS") -> float:
    """Resident memory now (VmRSS) or at its highest (VmHWM)."""
    found = re.search(rf"{what}:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found is not None
    return int(found[1]) / 1024.0


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# --- outage ---


def outage(directory: Path, count: int) -> list[Row]:
    """A week without a broker, then all of it at once; and again with everybody killed on the way."""
    rows = [plain("records of a week without a broker", str(count))]
    for name, killing in (("left alone", False), ("everybody killed on the way", True)):
        folder = directory / name.replace(" ", "-")
        folder.mkdir()
        rows += [(f"{name}: {what}", *rest) for what, *rest in after_outage(folder, count, killing)]
    return rows


def after_outage(folder: Path, count: int, killing: bool) -> list[Row]:
    port = free_port()
    fill(folder / "journal.sqlite", week_site(port), count)
    words = ["-m", "simulator.silent_week", "--journal", str(folder / "journal.sqlite"), "--port", str(port)]
    controller, watch = start(words), start_watch(folder, port)
    processes = [controller, watch.process]
    try:
        time.sleep(5.0)
        watch.get("/")
        before_mb = {process.pid: memory_mb(process.pid) for process in processes}
        broker = start_mosquitto(folder, port)
        processes.append(broker)
        began_s = time.monotonic()
        if killing:
            wait_for(lambda: watch.known() > count // 10, "a tenth", OUTAGE_S)
            kill(controller)
            controller = start(words)
            wait_for(lambda: watch.known() > count // 3, "a third", OUTAGE_S)
            kill(broker)
            broker = start_mosquitto(folder, port)
            wait_for(lambda: watch.known() > count // 2, "half", OUTAGE_S)
            kill(watch.process)
            watch = start_watch(folder, port)
            processes += [controller, broker, watch.process]
        wait_for(lambda: watch.known() >= count, "the last record", OUTAGE_S)
        took_s = time.monotonic() - began_s
        rows = [at_most("time until all were there", took_s, OUTAGE_S, "s"), *whole(watch, count)]
        if not killing:
            for process, who in ((watch.process, "page"), (controller, "controller")):
                grown_mb = memory_mb(process.pid, "VmHWM") - before_mb[process.pid]
                rows.append(at_most(f"most memory beyond before, {who}", grown_mb, OUTAGE_GROWTH_MB, "MiB"))
        return rows
    finally:
        for process in processes:
            kill(process)


def whole(watch: Watch, count: int) -> list[Row]:
    """Every number once, and every record's content once."""
    covered = watch.ask("SELECT first, last FROM covered")
    deliveries = count // DELIVERY_EVERY
    seqs = [seq for (seq,) in watch.ask("SELECT seq FROM record WHERE kind = 'delivery' ORDER BY at_ms")]
    wanted = [DELIVERY_EVERY * n for n in range(1, deliveries + 1)]
    readings = watch.ask("SELECT sum(count) FROM point JOIN series ON series.id = series WHERE name = 'battery'")
    return [
        holds("numbers without a hole", str(covered), f"[(1, {count})]", covered == [(1, count)]),
        holds("events once and in order", str(len(seqs)), str(len(wanted)), seqs == wanted),
        holds("readings once", str(readings[0][0]), str(count - deliveries), readings == [(count - deliveries,)]),
    ]


def start_mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    settings = folder / "mosquitto.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    program = next(path for path in ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto") if Path(path).exists())
    return subprocess.Popen([program, "-c", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def kill(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    process.wait()


# --- year ---


def year(directory: Path) -> list[Row]:
    """A year of minutes in four series, folded as time went on; then one picture of all four."""
    path = directory / "year.sqlite3"
    store = HistoryStore(str(path))
    rng = random.Random(4)
    names = [f"series-{n}" for n in range(4)]
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        ids = points.SeriesIds(db)
        for day in range(YEAR_DAYS, 0, -1):
            at_ms = END_MS - day * DAY_MS
            db.execute("BEGIN")
            for name in names:
                series = ids.of("garden", name, "V")
                assert series is not None
                level = rng.uniform(11.0, 13.0)
                minutes = ((series, at_ms + m * MINUTE_MS, v, v, v, 1) for m in range(1440) for v in (level + m / 1e4,))
                points.keep(db, minutes)
            db.execute("COMMIT")
            store.add("clock", [StreamRecord(YEAR_DAYS - day + 1, at_ms + DAY_MS, "link", "", {})])
            store.fold(at_ms + DAY_MS)
    size_mb = path.stat().st_size / 1e6
    spent_ms = []
    for _ in range(7):
        began_s = time.perf_counter()
        picture = year_picture(store, names)
        spent_ms.append(1000.0 * (time.perf_counter() - began_s))
    store.close()
    return [
        plain("readings", f"4 series x {YEAR_DAYS * 1440}"),
        at_most("size of the file", size_mb, YEAR_MB, "MB"),
        plain("the picture", f"{len(picture)} bytes, {picture.count('<path')} paths"),
        at_most("reading and drawing, first time", spent_ms[0], YEAR_MS, "ms"),
        at_most("reading and drawing, median", sorted(spent_ms)[3], YEAR_MS, "ms"),
    ]


def year_picture(store: HistoryStore, names: list[str]) -> str:
    start_ms = END_MS - YEAR_DAYS * DAY_MS
    lines = [
        Line("power", name, store.columns("garden", name, start_ms, END_MS, COLUMNS, 4 * DAY_MS)) for name in names
    ]
    picture = Picture("year", "A year of four series", "Four series.", height_px=190, unit="V")
    return line_chart(picture, TimeFrame(start_ms, END_MS, UTC), COLUMNS, lines)


# --- one site, one day ---


def watch_day(directory: Path) -> list[Row]:
    """One garden living a day in a minute and a half, with somebody looking at the page all the while."""
    with start_broker(directory) as broker:
        watch = start_watch(directory, broker.port)
        garden = start(["-m", "simulator.fleet", "--port", str(broker.port), "--pace", "960", "--past-hours", "24"])
        try:
            wait_for(lambda: watch.known() > 90, "the first day's records", 60.0)
            before, began_s = watch.known(), time.monotonic()
            while time.monotonic() - began_s < 90.0:
                for path in ("/", "/history", "/ledger", "/log", "/api/site"):
                    if not watch.get(path):
                        raise SystemExit(f"{path} was not answered")
                time.sleep(1.0)
            newest = json.loads(watch.get("/api/site"))
            return [
                plain("records in the day", str(watch.known() - before)),
                holds("records missing", str(newest["missing_records"]), "0", newest["missing_records"] == 0),
                at_most("resident memory of the page", memory_mb(watch.process.pid), WATCH_RSS_MB, "MB"),
                plain("its highest", f"{memory_mb(watch.process.pid, 'VmHWM'):.1f} MB"),
            ]
        finally:
            end(garden)
            end(watch.process)


# --- many sites ---


def sites(directory: Path, count: int, seconds: float, pace: float) -> list[Row]:
    """Some hundred gardens on one broker before one page: memory, processor, messages and page times."""
    processes = max(1, min(4, count // 25))
    with start_broker(directory) as broker:
        watch = start_watch(directory, broker.port)
        empty_mb = memory_mb(watch.process.pid)
        with fleet(directory, broker.port, count, processes, pace) as published:
            ready_s = wait_for(
                lambda: all(file.exists() and "ready" in file.read_text() for file in published), "the gardens", 1800.0
            )
            settled_s = wait_for(
                lambda: site_count(watch) == count and complete(watch), "every site's record", 300.0, 1.0
            )
            before = (total(published), cpu_s(watch.process.pid), time.monotonic())
            times_ms = page_times_ms(watch, seconds)
            spent_s = time.monotonic() - before[2]
            rate = (total(published) - before[0]) / spent_s
            percent = 100.0 * (cpu_s(watch.process.pid) - before[1]) / spent_s
            rss_mb = memory_mb(watch.process.pid)
    end(watch.process)
    records = watch.known()
    rows = [
        plain("gardens", f"{count} in {processes} processes, pace {pace:g}"),
        plain("time to start them", f"{ready_s:.0f} s, then {settled_s:.0f} s until every record was there"),
        plain("records kept", str(records)),
        plain("messages published", f"{rate:.0f} a second"),
        plain("page: resident memory", f"{rss_mb:.0f} MB, {1000.0 * (rss_mb - empty_mb) / count:.0f} kB a site"),
        plain("page: processor", f"{percent:.1f} % of a core, {10.0 * percent / count:.2f} ms a second and site"),
        plain("page: history file", f"{watch.store.stat().st_size / 1e6:.1f} MB"),
    ]
    return rows + [plain(f"answer of {path}", f"median {m:.0f} ms, longest {w:.0f} ms") for path, m, w in times_ms]


@contextlib.contextmanager
def fleet(directory: Path, port: int, count: int, processes: int, pace: float) -> Iterator[list[Path]]:
    """Processes of virtual gardens; the files into which they write how much they have published."""
    running, files = [], []
    try:
        for number in range(processes):
            first, last = (count * n // processes + 1 for n in (number, number + 1))
            words = ["-m", "simulator.fleet", "--port", str(port), "--first", str(first), "--count", str(last - first)]
            file = directory / f"fleet-{number}.txt"
            with file.open("w") as out:
                running.append(subprocess.Popen([sys.executable, *words, "--pace", str(pace)], stdout=out))
            files.append(file)
        yield files
    finally:
        for process in running:
            end(process)


def total(files: list[Path]) -> int:
    return sum(int(re.findall(r"(?:published|ready) (\d+)", file.read_text())[-1]) for file in files)


def site_count(watch: Watch) -> int:
    return int(watch.ask("SELECT count(DISTINCT site) FROM covered")[0][0])


def complete(watch: Watch) -> bool:
    """No site's record has a hole."""
    return watch.ask("SELECT count(*) FROM covered WHERE first > 1") == [(0,)]


def page_times_ms(watch: Watch, seconds: float) -> list[tuple[str, float, float]]:
    """(path, median, longest) of pages asked for again and again."""
    paths = ("/sites", "/sites?words=garden+7", "/?site=garden-0001", "/api/sites")
    spent: dict[str, list[float]] = {path: [] for path in paths}
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        for path in paths:
            began_s = time.perf_counter()
            if watch.get(path):
                spent[path].append(1000.0 * (time.perf_counter() - began_s))
        time.sleep(0.5)
    return [(path, sorted(times)[len(times) // 2], max(times)) for path, times in spent.items() if times]
