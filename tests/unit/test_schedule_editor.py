"""The schedule editor over HTTP: preview, save, what is wrong, what others changed meanwhile; all without a script."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from dashboards.app import build_app
from dashboards.feed import Message
from dashboards.gate import OpenDoor
from dashboards.order_book import OrderBook
from dashboards.store import HistoryStore
from tests import fake_site
from tests.unit.test_dashboards_http import FORM, LOOKING, NOW, NOW_MS, Browser, ListeningFeed

EDITOR = "/zone/bench/schedule"
INTENTION = {
    "next_start": "2026-06-14T18:00:00Z",
    "volume_l": 9.0,
    "zone_day_l": 9.0,
    "site_day_l": 66.0,
    "why": "0.7 mm short",
    "tanks": {
        "shed": {
            "days_of_supply": 26.5,
            "days_of_supply_low": 15.0,
            "days_of_supply_likely": 19.0,
            "days_of_supply_high": 33.0,
        }
    },
}


class Desk:
    """A browser at the desk, the feed it orders through, and the book of orders."""

    def __init__(self, folder: Path) -> None:
        self.store = HistoryStore(str(folder / "history.sqlite3"))
        self.feed = ListeningFeed(self.store)
        self.book = OrderBook(str(folder / "orders.sqlite3"))
        self.browser = Browser(build_app(self.feed, OpenDoor(), book=self.book))
        self.feed.take(Message("", b"", False, NOW_MS, "connected"))
        for topic, value in fake_site.tree(NOW, 1943.0, 0).items():
            self.say(topic, value)
        self.feed.drop_unheard()

    def say(self, topic: str, value: str) -> None:
        self.feed.take(Message(f"homie/5/{topic}", value.encode(), True, NOW_MS))

    def form(self, page: str | None = None) -> dict[str, str]:
        """What the editor's form holds as it stands."""
        text = page or self.browser.get(EDITOR).text
        inside = text.partition('id="schedule-form"')[2].partition("</form>")[0]
        fields: dict[str, str] = {}
        for tag in re.findall(r"<input [^>]*>", inside):
            attributes = dict(re.findall(r'([a-z]+)="([^"]*)"', tag))
            if attributes.get("type") != "radio" or " checked" in tag:
                fields[attributes["name"]] = html.unescape(attributes.get("value", ""))
        return fields

    def send(self, changes: dict[str, str], form: dict[str, str] | None = None) -> httpx.Response:
        return self.browser.post(EDITOR, data=(form or self.form()) | changes, headers=FORM)

    def close(self) -> None:
        self.book.close()
        self.store.close()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    opened = Desk(tmp_path)
    yield opened
    opened.close()


def text_of(page: str) -> str:
    """What a reader sees, roughly."""
    plain = " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page)).split())
    return re.sub(r" ([:.,])", r"\1", plain)


def test_the_form_holds_the_schedule_in_force(desk: Desk) -> None:
    form = desk.form()
    assert (form["mode"], form["start1"], form["end1"], form["cap"], form["doses"]) == (
        *("need", "05:00", "08:30", "18", "3"),
    )
    assert form["base_version"] == "0"


def test_saving_orders_the_schedule_once_and_shows_what_became_of_it(desk: Desk) -> None:
    answer = desk.send({"cap": "25", "do": "save"})
    assert answer.status_code == 303
    ((_, order),) = desk.feed.orders
    assert (order["order"], order["zone"], order["base_version"]) == ("set-schedule", "bench", 0)
    assert order["schedule"]["daily_cap_l"] == 25.0
    assert order["schedule"]["windows"][1] == {"start": "19:00", "end": "21:00"}
    page = desk.browser.get(answer.headers["location"]).text
    assert "Accepted: Change the schedule of Polytunnel bench" in text_of(page)


def test_a_change_that_is_in_force_can_be_undone_from_its_strip(desk: Desk) -> None:
    answer = desk.send({"cap": "25", "do": "save"})
    assert ">Undo<" not in desk.browser.get(answer.headers["location"]).text
    desk.say("riverside/zone-bench/schedule-version", "1")
    page = desk.browser.get(answer.headers["location"]).text
    assert ">Undo<" in page
    token = page.partition('name="token" value="')[2].partition('"')[0]
    undo = {"token": token, "site": "riverside", "order": "undo-schedule", "zone": "bench", "base_version": "1"}
    desk.browser.post("/orders", data=undo, headers=FORM)
    order = desk.feed.orders[-1][1]
    assert (order["order"], order["base_version"]) == ("undo-schedule", 1)


def test_the_preview_asks_the_controller_and_orders_nothing(desk: Desk) -> None:
    asked = INTENTION | {"zone_day_l": 64.0, "site_day_l": 121.0, "tanks": {"shed": later(16.0)}}
    desk.feed.answer = {"accepted": True, "reason": "", "preview": {"in_force": INTENTION, "asked": asked}}
    answer = desk.send({"cap": "64", "do": "preview"})
    said = text_of(answer.text)
    assert answer.status_code == 200
    assert "In the next 24 hours 64 L for Polytunnel bench (now: 9 L), 121 L for all zones (now: 66 L)." in said
    assert "would last 16 days instead of 19 days in likely weather" in said
    assert "Next start as now: today 19:00." in said
    assert desk.form(answer.text)["cap"] == "64", "what was typed stays"
    assert [order["ask"] for _, order in desk.feed.orders] == ["preview-schedule"]
    assert desk.book.recent("riverside") == []


def later(likely_days: float) -> dict[str, Any]:
    return INTENTION["tanks"]["shed"] | {"days_of_supply_likely": likely_days}  # type: ignore[index]


def test_the_script_gets_the_same_preview_as_a_part(desk: Desk) -> None:
    desk.feed.answer = {"accepted": True, "reason": "", "preview": {"in_force": INTENTION, "asked": INTENTION}}
    said = text_of(desk.browser.post("/part/preview", data=desk.form(), headers=FORM).text)
    assert said.startswith("What it would do")
    assert "would last as long as now: 19 days in likely weather, 15 to 33 days in eight of ten years" in said


@pytest.mark.parametrize(
    "preview",
    [{}, {"asked": 3, "in_force": []}, {"asked": {"tanks": {"shed": "full"}, "why": 4, "zone_day_l": "much"}}],
)
def test_an_answer_that_says_nothing_of_use_breaks_nothing(desk: Desk, preview: object) -> None:
    desk.feed.answer = {"accepted": True, "reason": "", "preview": preview}
    answer = desk.browser.post("/part/preview", data=desk.form(), headers=FORM)
    assert answer.status_code == 200
    assert "unknown" in answer.text


def test_without_the_controller_there_is_no_preview_and_the_order_waits(desk: Desk) -> None:
    form = desk.form()
    desk.say("riverside/$state", "lost")
    assert "Cannot be told now." in desk.send({"do": "preview"}, form).text
    answer = desk.send({"cap": "25", "do": "save"}, form)
    assert desk.feed.orders == []
    page = text_of(desk.browser.get(answer.headers["location"]).text)
    assert "Waiting: Change the schedule of Polytunnel bench. The controller is not there." in page


def test_what_is_wrong_is_said_at_its_field_and_nothing_typed_is_lost(desk: Desk) -> None:
    answer = desk.send({"cap": "lots", "end1": "04:00", "do": "save"})
    assert answer.status_code == 422
    assert desk.feed.orders == []
    assert 'role="alert"' in answer.text
    assert 'aria-invalid="true" aria-describedby="p-cap"' in answer.text
    form = desk.form(answer.text)
    assert (form["cap"], form["end1"]) == ("lots", "04:00")


def test_a_change_by_somebody_else_is_shown_before_anything_is_sent(desk: Desk) -> None:
    form = desk.form()
    theirs = {"mode": "need", "windows": [{"start": "05:00", "end": "08:30"}], "daily_cap_l": 12, "doses_per_day": 3}
    desk.say("riverside/zone-bench/schedule", json.dumps(theirs))
    desk.say("riverside/zone-bench/schedule-version", "1")
    answer = desk.send({"cap": "25", "do": "save"}, form)
    assert answer.status_code == 409
    assert desk.feed.orders == []
    said = text_of(answer.text)
    assert "This schedule was changed since you opened it." in said
    assert "Hours: 05:00–08:30 instead of 05:00–08:30 and 19:00–21:00." in said
    assert "At most a day: 12 L instead of 18 L." in said
    kept = desk.form(answer.text)
    assert (kept["cap"], kept["base_version"]) == ("25", "1")
    assert desk.send({"do": "save"}, kept).status_code == 303
    assert desk.feed.orders[-1][1]["base_version"] == 1


def test_a_version_the_controller_refused_leads_back_to_what_was_typed(desk: Desk) -> None:
    desk.feed.answer = {"accepted": False, "reason": "the schedule of bench is at version 1"}
    answer = desk.send({"cap": "25", "do": "save"})
    page = desk.browser.get(answer.headers["location"]).text
    assert "Refused: Change the schedule of Polytunnel bench. The schedule of bench is at version 1." in text_of(page)
    again = html.unescape(re.search(r'href="([^"]*again=[^"]*)"', page)[1])  # type: ignore[index]
    theirs = {"mode": "off", "windows": [], "daily_cap_l": 18}
    desk.say("riverside/zone-bench/schedule", json.dumps(theirs))
    desk.say("riverside/zone-bench/schedule-version", "1")
    editor = desk.browser.get(again).text
    assert "Watered: never instead of as much as it needs." in text_of(editor)
    assert (desk.form(editor)["cap"], desk.form(editor)["base_version"]) == ("25", "1")


def test_who_may_only_look_gets_no_editor(desk: Desk) -> None:
    looking = Browser(build_app(desk.feed, LOOKING, book=desk.book))
    assert looking.get(EDITOR).status_code == 403
    assert "Change the schedule" not in looking.get("/zone/bench").text


@pytest.mark.parametrize("version", ["", "x", "-1", "99999999999"])
def test_a_form_without_its_version_changes_nothing(desk: Desk, version: str) -> None:
    assert desk.send({"base_version": version, "do": "save"}).status_code == 409
    assert desk.feed.orders == []


def test_an_order_that_cannot_be_noted_is_not_given_and_says_so(desk: Desk) -> None:
    form = desk.form()
    desk.book._db.execute("PRAGMA query_only = ON")
    answer = desk.browser.post(EDITOR, data=form | {"do": "save"}, headers=FORM | {"accept": "text/html"})
    assert answer.status_code == 503
    assert "cannot be noted" in answer.text
    assert desk.feed.orders == []


def test_a_schedule_nobody_has_heard_of_cannot_be_changed(desk: Desk) -> None:
    desk.say("riverside/zone-bench/schedule", "")
    assert desk.browser.get(EDITOR).status_code == 409
