"""Records on their way to a database: each arrives, over restarts of either side, and none blocks the others."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from dashboards import export_queue
from dashboards.export_points import ExportPoint, points_of
from dashboards.export_queue import ExportQueue
from dashboards.exporter import LONGEST_PAUSE_S, RECORDS_AT_ONCE, Exporter
from dashboards.influx import Refused, TryLater
from dashboards.senml import StreamRecord, Value
from dashboards.store import HistoryStore

NOW_MS = 1_778_800_000_000


def measure(seq: int) -> StreamRecord:
    fields = {"battery": Value(12.0 + seq % 10 / 10, "V"), "tank.shed.volume": Value(seq / 1000, "m3")}
    return StreamRecord(seq, NOW_MS + seq * 60_000, "measure", "", fields)


def delivery(seq: int) -> StreamRecord:
    fields = {"volume": Value(0.006, "m3"), "ended": Value("done"), "metered": Value(True)}
    return StreamRecord(seq, NOW_MS, "delivery", "bench", fields)


class Database:
    """Takes points as a database would: the same point twice is one."""

    def __init__(self) -> None:
        self.points: dict[tuple[object, ...], object] = {}
        self.writes = 0
        self.away = False
        self.never: str | None = None

    def write(self, points: Sequence[ExportPoint]) -> None:
        self.writes += 1
        if self.away:
            raise TryLater("connection refused")
        if self.never is not None and any(dict(p.tags).get("key") == self.never for p in points):
            raise Refused("field type conflict")
        for point in points:
            for name, value in point.fields:
                self.points[(point.measurement, point.tags, name, point.time_ns)] = value


class Chain:
    """History, queue and exporter on one file; `restart` opens all of it anew."""

    def __init__(self, path: Path, *names: str, most_waiting: int = 1_000_000) -> None:
        self.path, self.names, self.most_waiting = path, names or ("home",), most_waiting
        self.databases = {name: Database() for name in self.names}
        self.open()

    def open(self) -> None:
        self.store = HistoryStore(str(self.path))
        self.queue = ExportQueue(str(self.path), dict.fromkeys(self.names, self.most_waiting))
        self.store.also_keep = self.queue.note
        self.exporters = [Exporter(name, self.queue, self.databases[name].write) for name in self.names]

    def close(self) -> None:
        self.queue.close()
        self.store.close()

    def restart(self) -> None:
        self.close()
        self.open()

    def run(self, turns: int = 100) -> None:
        for exporter in self.exporters:
            for _ in range(turns):
                if exporter.turn() > 0.0:
                    break


@pytest.fixture
def chain(tmp_path: Path) -> Iterator[Chain]:
    chain = Chain(tmp_path / "history.sqlite3")
    yield chain
    chain.close()


def battery_times(database: Database) -> list[int]:
    return sorted(int(str(time)) // 60_000_000_000 for _, _, name, time in database.points if name == "battery_V")


def minutes(*seqs: int) -> list[int]:
    return [NOW_MS // 60_000 + seq for seq in seqs]


# --- points ---


def test_readings_are_told_apart_by_what_they_are_of() -> None:
    battery, tank = points_of("upper", measure(5))
    assert (battery.measurement, battery.tags, battery.fields) == (
        "measure",
        (("site", "upper"),),
        (("battery_V", 12.5),),
    )
    assert tank.tags == (("key", "tank.shed"), ("site", "upper"))
    assert tank.fields == (("volume_m3", 0.005),)
    assert battery.time_ns == (NOW_MS + 300_000) * 1_000_000


def test_events_of_one_kind_and_millisecond_stay_two_points() -> None:
    (first,), (second,) = points_of("upper", delivery(7)), points_of("upper", delivery(8))
    assert first.fields == (("ended", "done"), ("metered", True), ("volume_m3", 0.006))
    assert first.time_ns != second.time_ns
    assert first.time_ns // 1_000_000 == second.time_ns // 1_000_000 == NOW_MS
    assert points_of("upper", delivery(7)) == [first]


def test_units_are_part_of_the_field_s_name() -> None:
    fields = {"charge": Value(0.8, "/"), "flow": Value(0.1, "m3/s"), "count": Value(3.0)}
    (point,) = points_of("upper", StreamRecord(1, NOW_MS, "measure", "", fields))
    assert [name for name, _ in point.fields] == ["charge_ratio", "count", "flow_m3_s"]


# --- the way ---


def test_what_is_kept_is_written_and_leaves_the_queue(chain: Chain) -> None:
    chain.store.add("upper", [measure(1), delivery(2), measure(3)])
    assert chain.queue.waiting("home") == 3
    chain.run()
    assert battery_times(chain.databases["home"]) == minutes(1, 3)
    assert chain.queue.waiting("home") == 0


def test_a_database_that_is_away_is_asked_ever_more_seldom_and_then_gets_everything(chain: Chain) -> None:
    home, exporter = chain.databases["home"], chain.exporters[0]
    home.away = True
    chain.store.add("upper", [measure(1)])
    pauses = [exporter.turn() for _ in range(12)]
    assert pauses[:5] == [1.0, 2.0, 4.0, 8.0, 16.0]
    assert pauses[-1] == LONGEST_PAUSE_S
    assert exporter.problem == "connection refused"
    chain.store.add("upper", [measure(n) for n in range(2, 1500)])
    home.away = False
    chain.run()
    assert battery_times(home) == minutes(*range(1, 1500))
    assert exporter.problem == ""


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_lost_whatever_breaks_when(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    chain = Chain(tmp_path / "history.sqlite3")
    seq = 0
    for _ in range(60):
        chain.databases["home"].away = rng.random() < 0.4
        arrived = [measure(n) for n in range(seq + 1, seq + rng.randrange(1, 40))]
        seq += len(arrived)
        chain.store.add("upper", arrived + arrived[: rng.randrange(3)])
        chain.run(turns=rng.randrange(3))
        if rng.random() < 0.3:
            chain.restart()
    chain.databases["home"].away = False
    chain.run()
    assert battery_times(chain.databases["home"]) == minutes(*range(1, seq + 1))
    chain.close()


def test_a_write_that_was_confirmed_but_not_noted_is_repeated_without_harm(chain: Chain) -> None:
    chain.store.add("upper", [measure(1), delivery(2)])
    records = chain.queue.next_for("home", 10)
    chain.databases["home"].write([p for entry in records for p in points_of(entry.site, entry.record)])
    before = dict(chain.databases["home"].points)
    chain.restart()
    chain.run()
    assert chain.databases["home"].points == before


def test_one_record_a_database_will_never_take_is_left_out_alone_and_counted(chain: Chain) -> None:
    home = chain.databases["home"]
    home.never = "odd"
    odd = StreamRecord(300, NOW_MS, "fault", "odd", {"raised": Value(True)})
    chain.store.add("upper", [*(measure(n) for n in range(1, 300)), odd, *(measure(n) for n in range(301, 600))])
    chain.run()
    assert battery_times(home) == minutes(*range(1, 300), *range(301, 600))
    assert (chain.queue.waiting("home"), chain.queue.dropped("home")) == (0, 1)
    assert home.writes < 40


def test_two_databases_go_each_at_their_own_pace(tmp_path: Path) -> None:
    chain = Chain(tmp_path / "history.sqlite3", "home", "far")
    chain.databases["far"].away = True
    chain.store.add("upper", [measure(n) for n in range(1, 20)])
    chain.run()
    assert (chain.queue.waiting("home"), chain.queue.waiting("far")) == (0, 19)
    chain.databases["far"].away = False
    chain.run()
    assert chain.databases["far"].points == chain.databases["home"].points
    assert count(chain.path, "outgoing") == 0
    chain.close()


def count(path: Path, table: str) -> int:
    db = sqlite3.connect(path)
    number = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    db.close()
    return int(number)


def test_a_new_database_gets_all_the_history_there_is(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    store = HistoryStore(str(path))
    store.add("upper", [*(measure(n) for n in range(1, 20)), delivery(20)])
    store.close()
    chain = Chain(path)
    chain.store.add("upper", [measure(21)])
    chain.run()
    assert battery_times(chain.databases["home"]) == minutes(*range(1, 20), 21)
    assert ("delivery", (("key", "bench"), ("site", "upper")), "volume_m3", NOW_MS * 1_000_000 + 20) in chain.databases[
        "home"
    ].points
    chain.close()


def test_a_history_too_long_to_be_given_is_left_and_new_records_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export_queue, "MOST_POINTS_GIVEN", 10)
    path = tmp_path / "history.sqlite3"
    store = HistoryStore(str(path))
    store.add("upper", [measure(n) for n in range(1, 20)])
    store.close()
    chain = Chain(path)
    chain.store.add("upper", [measure(20)])
    chain.run()
    assert battery_times(chain.databases["home"]) == minutes(20)
    chain.close()


def test_a_database_that_was_taken_out_keeps_nothing_waiting(tmp_path: Path) -> None:
    chain = Chain(tmp_path / "history.sqlite3", "home", "far")
    chain.databases["far"].away = True
    chain.store.add("upper", [measure(1)])
    chain.run()
    chain.close()
    chain.names = ("home",)
    chain.open()
    assert count(chain.path, "outgoing") == 0
    chain.close()


def test_of_more_than_may_wait_the_oldest_are_dropped_and_counted(tmp_path: Path) -> None:
    chain = Chain(tmp_path / "history.sqlite3", most_waiting=10)
    chain.databases["home"].away = True
    chain.store.add("upper", [measure(n) for n in range(1, 26)])
    chain.run()
    assert chain.queue.waiting("home") == 10
    chain.databases["home"].away = False
    chain.run()
    assert battery_times(chain.databases["home"]) == minutes(*range(16, 26))
    assert chain.queue.dropped("home") == 15
    chain.close()


def test_a_record_that_is_not_kept_is_not_queued(chain: Chain) -> None:
    chain.store.add("upper", [measure(1)])
    chain.store.add("upper", [measure(1), StreamRecord(2, NOW_MS)])
    assert chain.queue.waiting("home") == 1
    assert len(chain.queue.next_for("home", RECORDS_AT_ONCE)) == 1
