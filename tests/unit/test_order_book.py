"""Orders are never lost and never given twice: the book keeps them, the dispatch carries them."""

from __future__ import annotations

import json
import stat
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.errors import OperatingError
from dashboards.dispatch import AGAIN_AFTER_MS, Dispatch, NoAnswerError
from dashboards.order_book import KEPT_MS, Entry, OrderBook
from dashboards.view import SiteView
from tests.unit.test_dashboards_page import NOW_MS, view_of

HOLD = {"order": "hold"}
LIFE_MS = 120_000


def entry(order_id: str = "page-1", **changes: Any) -> Entry:
    base = Entry(order_id, "riverside", "ada", "Hold watering", HOLD | {"id": order_id}, NOW_MS, NOW_MS + LIFE_MS)
    return replace(base, **changes)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[OrderBook]:
    opened = OrderBook(str(tmp_path / "orders.sqlite3"))
    yield opened
    opened.close()


def test_an_order_survives_a_restart_with_all_that_is_known_of_it(tmp_path: Path) -> None:
    path = tmp_path / "orders.sqlite3"
    first = OrderBook(str(path))
    first.add(entry(context={"base": {"mode": "off"}}))
    first.sent("page-1", NOW_MS + 5)
    first.close()
    second = OrderBook(str(path))
    assert second.get("page-1") == entry(state="sent", sent_ms=NOW_MS + 5, context={"base": {"mode": "off"}})
    second.close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_first_answer_stands(book: OrderBook) -> None:
    book.add(entry())
    assert book.answered("riverside", "page-1", True, "", NOW_MS + 9)
    assert not book.answered("riverside", "page-1", False, "twice", NOW_MS + 10)
    found = book.get("page-1")
    assert found is not None
    assert (found.state, found.reason, found.settled_ms) == ("accepted", "", NOW_MS + 9)


def test_an_answer_from_another_site_or_to_a_strangers_order_changes_nothing(book: OrderBook) -> None:
    book.add(entry())
    assert not book.answered("hillside", "page-1", True, "", NOW_MS)
    assert not book.answered("riverside", "phone-7", True, "", NOW_MS)
    assert [found.id for found in book.open_entries()] == ["page-1"]


def test_an_order_lapses_and_a_late_answer_still_counts(book: OrderBook) -> None:
    book.add(entry())
    assert book.lapse(NOW_MS + LIFE_MS - 1) == 0
    assert book.lapse(NOW_MS + LIFE_MS) == 1
    assert book.open_entries() == []
    assert book.answered("riverside", "page-1", False, "too late", NOW_MS + 2 * LIFE_MS)
    found = book.get("page-1")
    assert found is not None
    assert (found.state, found.reason) == ("refused", "too late")


def test_an_id_is_used_once(book: OrderBook) -> None:
    book.add(entry())
    with pytest.raises(ValueError, match="known already"):
        book.add(entry())


def test_what_the_controller_has_forgotten_is_dropped(book: OrderBook) -> None:
    book.add(entry())
    book.forget(NOW_MS + KEPT_MS)
    assert book.recent("riverside")
    book.forget(NOW_MS + KEPT_MS + 1)
    assert not book.recent("riverside")


def test_waiting_ends_with_the_answer(book: OrderBook) -> None:
    book.add(entry())
    answering = threading.Timer(0.05, book.answered, ("riverside", "page-1", True, "", NOW_MS))
    answering.start()
    found = book.wait("page-1", 10.0)
    answering.join()
    assert found is not None
    assert found.state == "accepted"


def test_a_file_that_is_no_book_is_named_with_the_cure(tmp_path: Path) -> None:
    path = tmp_path / "orders.sqlite3"
    path.write_bytes(b"not a database, certainly not" * 50)
    with pytest.raises(OperatingError, match="Move it away"):
        OrderBook(str(path))


# --- dispatch ---


class Line:
    """The feed's side, played by the test: what was sent, and whether site and broker are there."""

    def __init__(self) -> None:
        self.connected = True
        self.site = view_of()
        self.sent: list[tuple[str, dict[str, Any]]] = []
        self.on_answer: Callable[[str, dict[str, Any]], None] | None = None
        self.on_duty: Callable[[], None] | None = None
        self.replies: dict[str, Any] | None = None
        self.now_ms = NOW_MS

    def publish(self, site_id: str, leaf: str, text: str) -> bool:
        if not self.connected:
            return False
        said = json.loads(text)
        self.sent.append((leaf, said))
        if self.replies is not None and self.on_answer is not None:
            self.on_answer(site_id, self.replies | {"id": said["id"]})
        return True

    def view(self, site_id: str) -> SiteView | None:
        return replace(self.site, broker_connected=self.connected) if site_id == "riverside" else None

    def lose_site(self) -> None:
        self.site = view_of({"riverside/$state": "lost"})

    def find_site(self) -> None:
        self.site = view_of()


@pytest.fixture
def line() -> Line:
    return Line()


@pytest.fixture
def dispatch(line: Line, book: OrderBook) -> Dispatch:
    return Dispatch(line, book, lambda: line.now_ms)


def given(dispatch: Dispatch, life_ms: int = LIFE_MS) -> Entry:
    return dispatch.send("riverside", HOLD, "ada", "Hold watering", life_ms)


def state_of(dispatch: Dispatch, order: Entry) -> str:
    found = dispatch.book.get(order.id)
    assert found is not None
    return found.state


def test_an_order_goes_out_at_once_with_the_senders_name(line: Line, dispatch: Dispatch) -> None:
    order = given(dispatch)
    assert line.sent == [("order", {"order": "hold", "id": order.id, "sender": "ada"})]
    assert order.state == "sent"
    dispatch.answered("riverside", {"id": order.id, "accepted": False, "reason": "on hold already"})
    assert state_of(dispatch, order) == "refused"


def test_an_order_for_a_site_that_is_away_waits_and_goes_out_once_when_it_is_back(
    line: Line, dispatch: Dispatch
) -> None:
    line.lose_site()
    order = given(dispatch)
    for _ in range(5):
        line.now_ms += 1000
        dispatch.duty()
    assert line.sent == []
    assert state_of(dispatch, order) == "waiting"
    line.find_site()
    line.replies = {"accepted": True, "reason": ""}
    dispatch.duty()
    dispatch.duty()
    assert len(line.sent) == 1
    assert state_of(dispatch, order) == "accepted"


def test_an_order_without_answer_is_sent_again_with_the_same_id(line: Line, dispatch: Dispatch) -> None:
    order = given(dispatch)
    dispatch.duty()
    line.now_ms += AGAIN_AFTER_MS
    dispatch.duty()
    assert [said["id"] for _, said in line.sent] == [order.id, order.id]


def test_an_order_lost_with_the_connection_is_sent_again_when_the_site_is_back(line: Line, dispatch: Dispatch) -> None:
    given(dispatch)
    dispatch.duty()
    before = len(line.sent)
    line.connected = False
    line.now_ms += 2000
    dispatch.duty()
    line.connected = True
    line.now_ms += 2000
    dispatch.duty()
    assert len(line.sent) == before + 1


def test_what_waited_too_long_is_dropped_and_never_sent(line: Line, dispatch: Dispatch) -> None:
    line.lose_site()
    order = given(dispatch)
    line.now_ms += LIFE_MS
    dispatch.duty()
    line.find_site()
    dispatch.duty()
    assert line.sent == []
    assert state_of(dispatch, order) == "lapsed"


def test_an_order_given_before_a_restart_is_carried_on_after_it(line: Line, book: OrderBook) -> None:
    line.lose_site()
    order = given(Dispatch(line, book, lambda: line.now_ms))
    line.find_site()
    after = Dispatch(line, book, lambda: line.now_ms)
    after.duty()
    assert [said["id"] for _, said in line.sent] == [order.id]


def test_a_crowd_of_waiting_orders_is_not_let_loose_at_once(line: Line, dispatch: Dispatch) -> None:
    line.lose_site()
    for _ in range(20):
        given(dispatch)
    line.find_site()
    dispatch.duty()
    assert 0 < len(line.sent) < 8


def test_a_name_the_controller_would_not_take_is_made_one(line: Line, dispatch: Dispatch) -> None:
    dispatch.send("riverside", HOLD, "a\nb" + "x" * 60, "Hold", LIFE_MS)
    assert line.sent[0][1]["sender"] == "ab" + "x" * 38


def test_on_a_full_disk_a_stop_still_goes_out_and_water_does_not(line: Line, dispatch: Dispatch) -> None:
    dispatch.book._db.execute("PRAGMA query_only = ON")
    assert dispatch.send("riverside", {"order": "stop-all"}, "ada", "Stop everything", LIFE_MS).state == "sent"
    with pytest.raises(OperatingError, match="cannot be noted"):
        dispatch.send("riverside", {"order": "run-zone"}, "ada", "Give 3 L", LIFE_MS)
    assert [said["order"] for _, said in line.sent] == ["stop-all"]


# --- questions ---


def test_a_question_brings_the_controllers_answer(line: Line, dispatch: Dispatch) -> None:
    line.replies = {"accepted": True, "reason": "", "preview": {"zone": "bench"}}
    assert dispatch.preview("riverside", "bench", {"mode": "off"}, "ada") == {"zone": "bench"}
    ((leaf, asked),) = line.sent
    assert leaf == "ask"
    assert asked["ask"] == "preview-schedule"
    assert dispatch.book.recent("riverside") == [], "a question is no order"


def test_a_refused_question_says_why(line: Line, dispatch: Dispatch) -> None:
    line.replies = {"accepted": False, "reason": "the date is not known"}
    with pytest.raises(NoAnswerError, match="the date is not known"):
        dispatch.preview("riverside", "bench", {}, "ada")


def test_a_site_that_is_away_is_not_asked(line: Line, dispatch: Dispatch) -> None:
    line.lose_site()
    with pytest.raises(NoAnswerError, match="not there"):
        dispatch.preview("riverside", "bench", {}, "ada")
    assert line.sent == []
