"""What arrives from many sites: kept apart, bounded, and dropped again when the broker no longer says it."""

from __future__ import annotations

import json
import random
import sqlite3
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboards.connection import BrokerSettings, Connection, Inbox, Message
from dashboards.feed import Feed
from dashboards.homie import MAX_CHARS_PER_DEVICE, DeviceTree
from dashboards.refill import Hole, RefillDesk
from dashboards.senml import StreamRecord
from dashboards.standing import Standing, StandingBook, by_need, matching, need_of, read_standing
from dashboards.store import HistoryStore
from dashboards.view import FindingStatus
from simulator.broker_process import free_port
from tests import fake_site

NOW = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
NOW_MS = int(NOW.timestamp() * 1000)


def renamed(site_id: str) -> dict[str, str]:
    """The invented site's tree under another id."""
    tree = fake_site.tree(NOW, 1943.0, 100)
    return {topic.replace("riverside", site_id): value.replace("riverside", site_id) for topic, value in tree.items()}


def heard(*site_ids: str) -> DeviceTree:
    tree = DeviceTree("homie")
    for site_id in site_ids:
        say(tree, renamed(site_id))
    return tree


def say(tree: DeviceTree, topics: dict[str, str]) -> None:
    for topic, value in topics.items():
        tree.take(f"homie/5/{topic}", value.encode(), True, NOW_MS)


# --- the tree ---


def test_each_site_has_its_own_board_and_values() -> None:
    tree = heard("upper", "lower")
    say(tree, {"lower/power/voltage": "11.9"})
    assert [site.id for site in tree.sites()] == ["lower", "upper"]
    assert [board.id for site in tree.sites() if (board := tree.board_of(site))] == ["lower-board", "upper-board"]
    assert [site.text("power/voltage") for site in tree.sites()] == ["11.9", "12.74"]


def test_what_the_broker_does_not_say_again_after_a_reconnect_is_gone() -> None:
    tree = heard("upper", "lower")
    tree.begin_round()
    again = renamed("upper")
    del again["upper/tank-shed/volume"]
    say(tree, again)
    site = tree.site("upper")
    assert site is not None
    assert site.text("tank-shed/volume") == "1943.0"
    tree.end_round()
    assert site.text("tank-shed/volume") is None
    assert site.text("power/voltage") == "12.74"
    assert [site.id for site in tree.sites()] == ["upper"]
    assert sorted(tree.devices) == ["upper", "upper-board"]


def test_a_site_whose_description_is_taken_back_is_none_any_more() -> None:
    tree = heard("upper")
    say(tree, {"upper/$description": ""})
    assert tree.sites() == []
    say(tree, {"upper/$description": renamed("upper")["upper/$description"]})
    assert [site.id for site in tree.sites()] == ["upper"]


def test_one_device_cannot_fill_the_memory() -> None:
    tree = heard("upper")
    for number in range(100):
        say(tree, {f"upper/zone-bench/note-{number}": "x" * 60_000})
    site = tree.site("upper")
    assert site is not None
    assert sum(len(value.text) for value in site.values.values()) <= MAX_CHARS_PER_DEVICE
    say(tree, {f"upper/zone-bench/note-{number}": "" for number in range(100)})
    assert site.chars == sum(len(value.text) for value in site.values.values())


def drawn_message(rng: random.Random) -> tuple[str, str]:
    """Something a few devices may say, in any order: states, descriptions, values, alerts, deletions."""
    device = rng.choice(["upper", "upper-board", "lower", "other"])
    root = {"root": rng.choice(["upper", "lower", "other"])} if rng.random() < 0.4 else {}
    nodes: dict[str, object] = {name: {} for name in ("site", "link", "power") if rng.random() < 0.6}
    description = json.dumps({"homie": "5.0", "nodes": nodes, **root})
    return rng.choice(
        [
            (f"{device}/$state", rng.choice(["ready", "lost", "init", "", "dancing"])),
            (f"{device}/$description", rng.choice([description, description, "", "[1]", "{"])),
            (f"{device}/power/{rng.choice(['voltage', 'fill'])}", rng.choice(["12.5", "", "x" * 50])),
            (f"{device}/$alert/flow", rng.choice(["warning: low", ""])),
        ]
    )


@pytest.mark.parametrize("seed", range(20))
def test_whatever_is_said_in_whatever_order_the_lists_stay_true(seed: int) -> None:
    rng, tree = random.Random(seed), DeviceTree("homie")
    for _ in range(400):
        drawn = rng.random()
        if drawn < 0.02:
            tree.begin_round()
        elif drawn < 0.03:
            tree.end_round()
        else:
            say(tree, dict([drawn_message(rng)]))
        devices = tree.devices.values()
        sites = [d.id for d in devices if not d.root and d.state and "site" in d.nodes]
        assert [site.id for site in tree.sites()] == sorted(sites)
        for site in tree.sites():
            boards = {d.id for d in devices if d.root == site.id and "link" in d.nodes and d.state}
            board = tree.board_of(site)
            assert (board.id in boards) if board is not None else not boards
        for device in devices:
            held = [*device.values.values(), *device.alerts.values()]
            assert device.chars == sum(len(value.text) for value in held)


# --- sites in short ---


def test_a_standing_is_worked_out_anew_only_for_a_site_that_was_heard() -> None:
    tree, book = heard("upper", "lower"), StandingBook()
    lower, upper = book.of(tree)
    say(tree, {"lower/tank-shed/fill": "12.0"})
    lower_now, upper_now = book.of(tree)
    assert upper_now is upper
    assert (lower.fill_percent, lower_now.fill_percent) == (77.7, 12.0)


def test_a_standing_says_what_a_list_of_sites_needs() -> None:
    site = heard("upper").sites()[0]
    standing = read_standing(site)
    assert (standing.name, standing.state, standing.fill_percent) == ("Riverside allotment", "ready", 77.7)
    assert (standing.charge_percent, standing.newest_sequence) == (81.0, 100)
    assert [finding.id for finding in standing.worst("warning")] == ["flow-low"]


def standing(site_id: str, state: str = "ready", *severities: str, heard_ago_ms: int = 0) -> Standing:
    findings = tuple(FindingStatus(f"f-{n}", s, "the filter clogs", "rinse") for n, s in enumerate(severities))  # type: ignore[arg-type]
    return Standing(site_id, site_id.title(), state, findings, heard_at_ms=NOW_MS - heard_ago_ms)  # type: ignore[arg-type]


def test_whoever_needs_somebody_most_comes_first() -> None:
    sites = [
        standing("fine"),
        standing("warned", "ready", "warning"),
        standing("stopped", "disconnected"),
        standing("gone", "lost", "info"),
        standing("broken", "ready", "fault"),
        standing("twice-broken", "ready", "fault", "fault"),
        standing("quiet", heard_ago_ms=3_600_000),
        standing("noted", "ready", "info"),
    ]
    order = [(need, site.id) for need, site in by_need(sites, NOW_MS)]
    assert order == [
        ("lost", "gone"),
        ("fault", "twice-broken"),
        ("fault", "broken"),
        ("silent", "quiet"),
        ("warning", "warned"),
        ("stopped", "stopped"),
        ("none", "fine"),
        ("none", "noted"),
    ]


def test_numbered_names_stand_in_the_order_of_their_numbers() -> None:
    names = ["Weir", "Garden 10", "garden 9", "Allotment", "Garden 100"]
    sites = [Standing(f"site-{n}", name, "ready", (), heard_at_ms=NOW_MS) for n, name in enumerate(names)]
    assert [site.name for _, site in by_need(sites, NOW_MS)] == [
        "Allotment",
        "garden 9",
        "Garden 10",
        "Garden 100",
        "Weir",
    ]


def test_a_stopped_controller_is_not_called_silent() -> None:
    assert need_of(standing("off", "disconnected", heard_ago_ms=86_400_000), NOW_MS) == "stopped"


def test_sites_are_found_by_name_id_and_what_ails_them() -> None:
    sites = [standing("upper-field", "ready", "fault"), standing("lower-field")]
    assert [site.id for site in matching(sites, "FIELD clogs")] == ["upper-field"]
    assert [site.id for site in matching(sites, "")] == ["upper-field", "lower-field"]
    assert matching(sites, "orchard") == []


# --- whom to ask ---


def test_only_some_sites_are_asked_at_once_and_in_the_end_all_are_whole() -> None:
    desk, holes = RefillDesk(most_at_once=2), {f"site-{n}": [(1, 5000)] for n in range(5)}
    for site_id in holes:
        desk.note(site_id)
    served: list[str] = []
    for second in range(60):
        requests = desk.due(holes.get, second * 1000)
        assert len(requests) <= 2
        for site_id, hole in requests:
            served.append(site_id)
            holes[site_id] = without(holes[site_id], hole)
    assert sorted(served) == sorted(list(holes) * 3)
    assert not any(holes.values())


def without(holes: list[Hole], filled: Hole) -> list[Hole]:
    (first, last), *_ = holes
    assert filled[1] == last
    return [(first, filled[0] - 1)] if filled[0] > first else []


def test_a_site_that_answers_nothing_does_not_keep_others_waiting() -> None:
    desk = RefillDesk(most_at_once=1)
    holes: dict[str, list[Hole]] = {"mute": [(1, 500)], "other": [(1, 500)]}
    desk.note("mute")
    desk.note("other")
    asked = [site for second in range(30) for site, _ in desk.due(holes.get, second * 1000)]
    assert asked[0] == "mute"
    assert "other" in asked
    assert desk.unanswered("mute") >= 1


def test_a_site_that_is_not_there_is_not_asked_until_it_is_heard_again() -> None:
    desk, holes = RefillDesk(), {"away": [(1, 500)]}
    desk.note("away")
    assert desk.due(lambda _: None, 0) == []
    assert desk.due(holes.get, 1000) == []
    desk.note("away")
    assert desk.due(holes.get, 2000) == [("away", (1, 500))]


# --- the inbox ---


def test_a_full_inbox_lets_the_network_wait_and_loses_nothing() -> None:
    inbox = Inbox(limit_bytes=2000)
    messages = [Message("t", bytes(500), False, n) for n in range(20)]
    sender = threading.Thread(target=lambda: [inbox.put(message) for message in messages])
    sender.start()
    got: list[int] = []
    while len(got) < 20:
        taken = inbox.take(10, 5.0)
        assert 0 < sum(len(message.payload) for message in taken) <= 2000
        got += [message.at_ms for message in taken]
    sender.join()
    assert got == list(range(20))
    assert inbox.dropped == 0


def test_what_finds_no_room_in_time_is_dropped_and_counted_but_never_news_of_the_connection() -> None:
    inbox = Inbox(limit_bytes=1000, room_within_s=0.01)
    for number in range(3):
        inbox.put(Message("t", bytes(500), False, number))
    inbox.put(Message("", b"", False, 9, "connected"))
    assert [message.at_ms for message in inbox.take(10, 0.0)] == [0, 9]
    assert inbox.dropped == 2


@pytest.mark.parametrize(
    ("connected", "heard_ago_s", "dropped", "anew"),
    [(True, 10.0, 0, False), (False, 9999.0, 0, False), (True, 9999.0, 0, True), (True, 1.0, 3, True)],
)
def test_a_connection_is_built_anew_when_it_fell_silent_or_had_to_drop_something(
    connected: bool, heard_ago_s: float, dropped: int, anew: bool
) -> None:
    connection = Connection(BrokerSettings("127.0.0.1", free_port()), ("homie/5/#",), lambda: NOW_MS)
    connection.open()
    before = connection._network
    connection.inbox.dropped = dropped
    assert connection.supervise(connected, heard_ago_s) is anew
    assert (connection._network is not before) is anew
    assert connection.inbox.dropped == 0
    connection.close()


# --- the feed ---


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[Feed]:
    store = HistoryStore(str(tmp_path / "history.sqlite3"))
    feed = Feed(BrokerSettings("broker.invalid"), store, wall_ms=lambda: NOW_MS)
    feed.take(Message("", b"", False, NOW_MS, "connected"))
    yield feed
    store.close()


def test_a_pack_that_cannot_be_kept_holds_up_no_other(feed: Feed) -> None:
    def refuse_one_site(_db: sqlite3.Connection, site: str, _record: StreamRecord) -> None:
        if site == "odd":
            raise RuntimeError("cannot be kept")

    feed.store.also_keep = refuse_one_site
    for site in ("upper", "odd", "lower"):
        entries = [{"bn": f"{site}/", "bt": 1_778_736_600, "n": "seq", "v": 1}, {"n": "measure/battery", "v": 12.5}]
        feed._connection.inbox.put(Message(f"homie-log/{site}/senml", json.dumps(entries).encode(), False, NOW_MS))
    feed._take_waiting()
    assert [feed.store.newest(site) for site in ("upper", "odd", "lower")] == [1, None, 1]
