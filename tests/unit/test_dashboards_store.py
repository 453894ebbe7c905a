"""The page's own history: complete, without duplicates, and honest about what is missing."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Iterator
from dataclasses import astuple
from itertools import chain, pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.errors import OperatingError
from dashboards.coverage import MOST_STRETCHES, Arrival, Coverage
from dashboards.refill import RefillPlanner
from dashboards.senml import PackError, StreamRecord, Value, read_pack
from dashboards.series import columns
from dashboards.store import HistoryStore

NOW_MS = 1_778_800_000_000
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000


def measure(seq: int, at_ms: int, volume_m3: float) -> StreamRecord:
    return StreamRecord(seq, at_ms, "measure", "", {"tank.shed.volume": Value(volume_m3, "m3")})


def delivery(seq: int, at_ms: int, volume_m3: float) -> StreamRecord:
    return StreamRecord(seq, at_ms, "delivery", "bench", {"volume": Value(volume_m3, "m3")})


def fold_now(store: HistoryStore) -> None:
    """Fold at a time that another site's newest record bears out."""
    store.add("clock", [delivery(1, NOW_MS, 0.001)])
    store.fold(NOW_MS)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[HistoryStore]:
    opened = HistoryStore(str(tmp_path / "history.sqlite3"))
    yield opened
    opened.close()


# --- coverage ---


def test_numbers_in_any_order_join_into_one_stretch() -> None:
    coverage = Coverage()
    for seq in (5, 1, 3, 2, 4):
        assert coverage.add(seq, NOW_MS) is Arrival.NEW
    assert [(s.first, s.last) for s in coverage.stretches] == [(1, 5)]


def test_holes_are_found_between_before_and_after_what_is_known() -> None:
    coverage = Coverage()
    for seq in (3, 4, 8):
        coverage.add(seq, NOW_MS)
    assert coverage.missing(1, 10) == [(1, 2), (5, 7), (9, 10)]
    assert coverage.missing(3, 4) == []


def test_a_number_seen_twice_is_a_duplicate() -> None:
    coverage = Coverage()
    coverage.add(1, NOW_MS)
    assert coverage.add(1, NOW_MS) is Arrival.DUPLICATE


def test_an_old_number_with_a_new_time_means_that_the_site_began_to_count_anew() -> None:
    coverage = Coverage()
    for seq in range(1, 11):
        coverage.add(seq, NOW_MS + seq * MINUTE_MS)
    assert coverage.add(1, NOW_MS + DAY_MS) is Arrival.CONTRADICTION


def test_a_bare_number_never_contradicts() -> None:
    coverage = Coverage()
    coverage.add(1, NOW_MS)
    assert coverage.add(1, None) is Arrival.DUPLICATE
    assert coverage.add(2, None) is Arrival.NEW
    assert coverage.add(2, NOW_MS - DAY_MS * 90) is not Arrival.NEW


def test_scattered_numbers_do_not_fill_the_memory_and_stay_missing() -> None:
    coverage = Coverage()
    for seq in range(1, 4 * MOST_STRETCHES, 2):
        coverage.add(seq, NOW_MS)
    assert len(coverage.stretches) == MOST_STRETCHES
    assert coverage.add(2 * MOST_STRETCHES + 1, NOW_MS) is Arrival.SCATTERED
    assert coverage.add(2, NOW_MS) is Arrival.NEW
    assert coverage.missing(2 * MOST_STRETCHES, 2 * MOST_STRETCHES + 9) == [
        (2 * MOST_STRETCHES, 2 * MOST_STRETCHES + 9)
    ]


# --- store ---


def test_a_record_delivered_twice_is_kept_once(store: HistoryStore) -> None:
    records = [delivery(1, NOW_MS, 0.006), measure(2, NOW_MS + 1000, 1.5)]
    assert store.add("site", records).new == 2
    again = store.add("site", records)
    assert (again.new, again.duplicate, again.restarted) == (0, 2, False)
    assert len(store.records("site", ("delivery",), 0, NOW_MS * 2)) == 1
    assert len(store.points("site", "tank.shed.volume", 0, NOW_MS * 2)) == 1


def test_what_is_missing_survives_a_restart(tmp_path: Path) -> None:
    path = str(tmp_path / "history.sqlite3")
    first = HistoryStore(path)
    first.add("site", [measure(n, NOW_MS + n * MINUTE_MS, 1.0) for n in (1, 2, 5)])
    first.close()
    second = HistoryStore(path)
    try:
        assert second.missing("site", newest=7) == [(3, 4), (6, 7)]
        assert second.newest("site") == 5
    finally:
        second.close()


def test_sites_do_not_mix(store: HistoryStore) -> None:
    store.add("one", [measure(1, NOW_MS, 1.0)])
    store.add("two", [measure(1, NOW_MS, 2.0)])
    assert [p.mean for p in store.points("two", "tank.shed.volume", 0, NOW_MS * 2)] == [2.0]
    assert store.missing("three", newest=2) == [(1, 2)]


def test_a_journal_begun_anew_is_taken_in_beside_the_old_one(store: HistoryStore) -> None:
    store.add("site", [delivery(n, NOW_MS + n * MINUTE_MS, 0.001) for n in range(1, 6)])
    added = store.add("site", [delivery(1, NOW_MS + DAY_MS, 0.002)])
    assert added.restarted
    assert added.new == 1
    assert store.missing("site", newest=3) == [(2, 3)]
    assert len(store.records("site", ("delivery",), 0, NOW_MS * 2)) == 6


def test_records_come_newest_first_and_only_of_the_kind_asked_for(store: HistoryStore) -> None:
    link = StreamRecord(3, NOW_MS + 5, "link", "", {"up": Value(True)})
    store.add("site", [delivery(1, NOW_MS, 0.001), delivery(2, NOW_MS + 9, 0.002), link])
    found = store.records("site", ("delivery",), 0, NOW_MS * 2)
    assert [r.seq for r in found] == [2, 1]
    assert store.records("site", ("link",), 0, NOW_MS * 2)[0].fields["up"].value is True


def test_folding_keeps_extremes_count_and_mean_and_leaves_recent_readings_alone(store: HistoryStore) -> None:
    hour = (NOW_MS - 10 * DAY_MS) // HOUR_MS * HOUR_MS
    old = [measure(n, hour + n * MINUTE_MS, float(n)) for n in range(1, 11)]
    fresh = [measure(n, NOW_MS - n * MINUTE_MS, 7.0) for n in range(11, 14)]
    store.add("site", old + fresh)
    fold_now(store)
    points = store.points("site", "tank.shed.volume", 0, NOW_MS)
    assert [(p.low, p.mean, p.high, p.count) for p in points[:1]] == [(1.0, 5.5, 10.0, 10)]
    assert len(points) == 4


def test_an_old_reading_that_comes_late_is_folded_into_its_hour(store: HistoryStore) -> None:
    hour = (NOW_MS - 10 * DAY_MS) // HOUR_MS * HOUR_MS
    store.add("site", [measure(n, hour + n * MINUTE_MS, 1.0) for n in range(1, 4)])
    fold_now(store)
    store.add("site", [measure(4, hour + 4 * MINUTE_MS, 5.0)])
    fold_now(store)
    (point,) = store.points("site", "tank.shed.volume", 0, NOW_MS)
    assert (point.low, point.mean, point.high, point.count) == (1.0, 2.0, 5.0, 4)


def test_a_clock_far_ahead_does_not_fold_what_is_fresh(store: HistoryStore) -> None:
    store.add("site", [measure(n, NOW_MS + n * MINUTE_MS, float(n)) for n in range(1, 11)])
    store.fold(NOW_MS + 4000 * DAY_MS)
    assert len(store.points("site", "tank.shed.volume", 0, NOW_MS + DAY_MS)) == 10


def test_folding_twice_changes_nothing(store: HistoryStore) -> None:
    store.add("site", [measure(n, NOW_MS - 500 * DAY_MS + n * HOUR_MS, float(n)) for n in range(1, 60)])
    fold_now(store)
    before = store.points("site", "tank.shed.volume", 0, NOW_MS)
    fold_now(store)
    assert store.points("site", "tank.shed.volume", 0, NOW_MS) == before
    assert sum(p.count for p in before) == 59
    assert len(before) <= 4


def test_columns_from_the_file_are_those_of_the_points(store: HistoryStore) -> None:
    rng = random.Random(4)
    start = NOW_MS - 40 * DAY_MS
    minutes = sorted(rng.sample(range(39 * 1440), 4000))
    store.add("site", [measure(n, start + m * MINUTE_MS, rng.uniform(0, 3)) for n, m in enumerate(minutes, start=1)])
    fold_now(store)
    for count in (1, 7, 200):
        gap_ms = 2 * 40 * DAY_MS // count
        wanted = columns(store.points("site", "tank.shed.volume", start, NOW_MS), start, NOW_MS, count, gap_ms)
        drawn = store.columns("site", "tank.shed.volume", start, NOW_MS, count, gap_ms)
        assert [[c.index for c in run] for run in drawn] == [[c.index for c in run] for run in wanted]
        for column, expected in zip(chain(*drawn), chain(*wanted), strict=True):
            assert astuple(column) == pytest.approx(astuple(expected))


def test_a_gap_in_the_record_parts_the_columns(store: HistoryStore) -> None:
    store.add("site", [measure(n, NOW_MS - (20 - n) * HOUR_MS, 1.0) for n in (1, 2, 3, 10, 11)])
    runs = store.columns("site", "tank.shed.volume", NOW_MS - 20 * HOUR_MS, NOW_MS, 20, 3 * HOUR_MS)
    assert [[c.index for c in run] for run in runs] == [[1, 2, 3], [10, 11]]


def test_a_reading_folded_by_the_site_weighs_what_stands_behind_it(store: HistoryStore) -> None:
    folded = StreamRecord(1, NOW_MS, "measure", "", {"battery": Value(12.5, "V"), "folded_readings": Value(4.0)})
    store.add("site", [folded])
    assert [p.count for p in store.points("site", "battery", 0, NOW_MS)] == [4]
    assert [s.name for s in store.series("site")] == ["battery"]


def test_what_passes_is_forgotten_after_a_year_and_water_given_is_not(store: HistoryStore) -> None:
    plan = StreamRecord(1, NOW_MS - 500 * DAY_MS, "plan", "bench", {"why": Value("4 mm missing")})
    store.add("site", [plan, delivery(2, NOW_MS - 500 * DAY_MS, 0.006)])
    fold_now(store)
    assert [r.kind for r in store.records("site", ("plan", "delivery"), 0, NOW_MS)] == ["delivery"]


def test_packs_of_several_sites_are_kept_together_or_not_at_all(store: HistoryStore) -> None:
    good = [measure(1, NOW_MS, 1.0)]
    store.also_keep = refuse_site_two
    with pytest.raises(RuntimeError, match="no room"):
        store.add_all([("one", good), ("two", good)])
    store.also_keep = None
    assert store.missing("one", newest=1) == [(1, 1)]
    assert [added.new for added in store.add_all([("one", good), ("two", good)])] == [1, 1]


def refuse_site_two(_db: sqlite3.Connection, site: str, _record: StreamRecord) -> None:
    if site == "two":
        raise RuntimeError("no room")


def test_a_file_of_the_first_layout_is_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    old = sqlite3.connect(path)
    old.executescript((Path(__file__).parent / "history_layout_1.sql").read_text(encoding="utf-8"))
    old.close()
    store = HistoryStore(str(path))
    try:
        kept = store.points("riverside", "battery", 0, NOW_MS)
        assert [(p.at_ms, p.mean, p.count) for p in kept] == [
            (1_778_700_600_000, 12.5, 3),
            (1_778_799_000_000, 12.7, 1),
        ]
        assert store.missing("riverside", newest=4) == [(3, 4)]
    finally:
        store.close()


def test_a_file_that_is_no_history_is_refused_with_a_cure(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    path.write_bytes(b"this is not a database, it only looks like a file" * 40)
    with pytest.raises(OperatingError, match="--store"):
        HistoryStore(str(path))


# --- packs ---


def pack(*entries: dict[str, Any]) -> bytes:
    return json.dumps(entries).encode()


def test_the_documented_pack_is_read() -> None:
    text = (
        b'[{"bn":"hillfoot/","bt":1778736600,"n":"seq","v":1204},'
        b'{"n":"delivery/bench/volume","u":"m3","v":0.006},{"n":"delivery/bench/ended","vs":"done"},'
        b'{"n":"seq","t":60,"v":1205},{"n":"measure/tank.butts.level","t":60,"u":"m","v":0.912}]'
    )
    first, second = read_pack(text, NOW_MS)
    assert (first.seq, first.at_ms, first.kind, first.key) == (1204, 1_778_736_600_000, "delivery", "bench")
    assert first.fields == {"volume": Value(0.006, "m3"), "ended": Value("done")}
    assert (second.seq, second.at_ms, second.key) == (1205, 1_778_736_660_000, "")
    assert second.fields == {"tank.butts.level": Value(0.912, "m")}


def test_a_bare_number_is_a_record_whose_content_is_gone() -> None:
    (record,) = read_pack(pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 7}), NOW_MS)
    assert (record.seq, record.kind) == (7, "")


def test_times_below_2_to_the_28_are_relative_to_now() -> None:
    """RFC 8428 section 4.5.3."""
    (record,) = read_pack(pack({"bn": "s/", "n": "seq", "t": -60, "v": 7}), NOW_MS)
    assert record.at_ms == NOW_MS - MINUTE_MS


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{}",
        b"[1]",
        b"\xff\xfe",
        b"[" * 100_000,
        b'[{"n":"seq","v":NaN}]',
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "measure/x", "v": 1}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 1.5}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": -1}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": True}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 1, "later_": 1}),
        pack({"bn": "s/", "bt": 1_778_736_600, "bver": 11, "n": "seq", "v": 1}),
        pack({"bn": "s/", "bt": 9e12, "n": "seq", "v": 1}),
        pack({"bn": "<b>/", "bt": 1_778_736_600, "n": "seq", "v": 1}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 1, "vs": "two values"}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 1}, {"n": "a/b/c", "v": 1}, {"n": "d/e/f", "v": 1}),
        pack({"bn": "s/", "bt": 1_778_736_600, "n": "seq", "v": 1}, {"n": "a/b", "vb": "yes"}),
        b" " * 70_000,
    ],
)
def test_a_damaged_pack_is_refused_as_a_whole(payload: bytes) -> None:
    with pytest.raises(PackError):
        read_pack(payload, NOW_MS)


# --- refills ---


def test_a_fresh_hole_is_given_time_to_close_by_itself() -> None:
    planner = RefillPlanner()
    assert planner.due([(5, 6)], 0) is None
    assert planner.due([(5, 6)], 1000) is None
    assert planner.due([(5, 6)], 2000) == (5, 6)


def test_the_newest_part_of_a_long_hole_is_asked_for_first_and_at_most_2000_at_a_time() -> None:
    planner = RefillPlanner()
    assert planner.due([(1, 10), (20, 9000)], 0) == (7001, 9000)
    assert planner.due([(1, 10), (20, 8000)], 500) is None
    assert planner.due([(1, 10), (20, 7000)], 1000) == (5001, 7000)


def test_a_request_without_answer_is_repeated_ever_later() -> None:
    planner = RefillPlanner()
    asked = [at for at in range(0, 200_000, 1000) if planner.due([(1, 500)], at)]
    gaps = [b - a for a, b in pairwise(asked)]
    assert gaps == [10_000, 20_000, 40_000, 80_000]
    assert planner.unanswered == 4


def test_an_answer_on_its_way_is_not_asked_for_again() -> None:
    planner = RefillPlanner()
    assert planner.due([(1, 1000)], 0) == (1, 1000)
    for second in range(1, 60):
        assert planner.due([(1, 1000 - second)], second * 1000) is None


def test_nothing_missing_asks_for_nothing() -> None:
    planner = RefillPlanner()
    assert [planner.due([], at) for at in range(0, 60_000, 1000)] == [None] * 60
