"""Who is told what and when: once, together, not at night unless it matters, and that it is over."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dashboards.alert_model import DAY_MS, HOUR_MS, MINUTE_MS, RULES, AlertSettings, Message, Observed, Open, Rule
from dashboards.alert_rules import AlertMachine
from dashboards.alert_words import compose

ZONE = ZoneInfo("Europe/London")
NOON_MS = int(datetime(2026, 6, 14, 12, 0, tzinfo=ZONE).timestamp() * 1000)
SETTINGS = AlertSettings(ZONE, quiet=(22 * 60, 7 * 60), daily_at=7 * 60 + 30)
FAULT = Open("flow-at-rest", "fault", "water flows although everything is shut", "look for a leak")
WARNING = Open("flow-low", "warning", "the berry rows took 30 % longer than usual", "rinse the filter")
INFO = Open("forecast-old", "info", "the forecast is 30 hours old")


class Watched:
    """One site, looked at every ten seconds of virtual time."""

    def __init__(self, settings: AlertSettings = SETTINGS, at_ms: int = NOON_MS) -> None:
        self.settings = settings
        self.machine = AlertMachine(settings)
        self.now_ms = at_ms
        self.open: tuple[Open, ...] = ()
        self.messages: list[Message] = []
        self.pass_time(10_000)

    def pass_time(self, ms: int) -> list[Message]:
        """What was said in the meantime."""
        end_ms, before = self.now_ms + ms, len(self.messages)
        while self.now_ms < end_ms:
            self.now_ms += 10_000
            self.look()
        return self.messages[before:]

    def look(self) -> None:
        self.machine.observe(self.now_ms, [Observed("upper", "Upper field", self.open)])
        self.messages += self.machine.tick(self.now_ms, site_count=1)

    def until(self, hour: int, minute: int = 0) -> list[Message]:
        """Time passes to the next such local time."""
        local = datetime.fromtimestamp(self.now_ms / 1000, ZONE)
        minutes = (hour * 60 + minute - local.hour * 60 - local.minute) % 1440
        return self.pass_time(minutes * MINUTE_MS)

    def restart(self) -> None:
        self.machine = AlertMachine(self.settings, json.loads(json.dumps(self.machine.dump())))


def told(messages: list[Message]) -> list[tuple[str, str]]:
    return [(note.what, note.finding) for message in messages if message.kind == "at-once" for note in message.notes]


def test_a_fault_is_told_once_and_its_end_once() -> None:
    site = Watched()
    site.open = (FAULT,)
    assert told(site.pass_time(50_000)) == []
    assert told(site.pass_time(3 * HOUR_MS)) == [("new", "flow-at-rest")]
    site.open = ()
    assert told(site.pass_time(3 * HOUR_MS)) == [("over", "flow-at-rest")]
    assert told(site.pass_time(HOUR_MS)) == []


def test_a_warning_has_to_stand_a_while_before_it_is_told() -> None:
    site = Watched()
    site.open = (WARNING,)
    assert told(site.pass_time(14 * MINUTE_MS)) == []
    assert told(site.pass_time(3 * MINUTE_MS)) == [("new", "flow-low")]


def test_at_night_a_fault_is_told_and_a_warning_waits_for_the_morning() -> None:
    site = Watched()
    site.until(23)
    site.open = (FAULT, WARNING)
    assert told(site.pass_time(2 * HOUR_MS)) == [("new", "flow-at-rest")]
    assert told(site.until(6, 59)) == []
    assert told(site.pass_time(5 * MINUTE_MS)) == [("new", "flow-low")]


def test_a_warning_that_came_and_went_in_the_night_is_only_in_the_daily_summary() -> None:
    site = Watched()
    site.until(23)
    site.open = (WARNING,)
    site.pass_time(HOUR_MS)
    site.open = ()
    assert told(site.until(7, 20)) == []
    (daily,) = site.until(7, 40)
    assert [(note.what, note.finding) for note in daily.notes] == [("over", "flow-low")]
    assert site.until(7, 20) == []
    (next_day,) = site.until(7, 40)
    assert next_day.notes == ()


def test_the_end_of_a_warning_in_the_night_is_told_in_the_morning() -> None:
    site = Watched()
    site.open = (WARNING,)
    site.until(23)
    site.open = ()
    assert told(site.until(6, 50)) == []
    assert told(site.until(7, 10)) == [("over", "flow-low")]


def test_a_finding_that_comes_and_goes_is_one_story() -> None:
    site = Watched()
    for _ in range(40):
        site.open = (FAULT,)
        site.pass_time(2 * MINUTE_MS)
        site.open = ()
        site.pass_time(3 * MINUTE_MS)
    assert told(site.messages) == [("new", "flow-at-rest")]
    (over,) = site.pass_time(HOUR_MS)
    assert [(note.what, note.returns) for note in over.notes] == [("over", 39)]


def test_one_that_returns_every_half_hour_is_told_ever_more_seldom() -> None:
    site = Watched()
    for _ in range(48):
        site.open = (FAULT,)
        site.pass_time(5 * MINUTE_MS)
        site.open = ()
        site.pass_time(25 * MINUTE_MS)
    assert 2 <= len(told(site.messages)) <= 6


def test_what_gets_worse_is_told_at_once() -> None:
    site = Watched()
    site.open = (WARNING,)
    site.pass_time(HOUR_MS)
    site.open = (replace(WARNING, severity="fault"),)
    assert told(site.pass_time(2 * MINUTE_MS)) == [("worse", "flow-low")]


def test_a_fault_that_stays_open_is_told_again_each_day_and_a_warning_is_not() -> None:
    site = Watched()
    site.open = (FAULT, WARNING)
    site.pass_time(HOUR_MS)
    assert told(site.pass_time(2 * DAY_MS)) == [("still", "flow-at-rest")] * 2


def test_what_happens_together_is_told_together() -> None:
    site = Watched()
    site.open = tuple(replace(FAULT, id=f"fault-{n}") for n in range(5))
    (message,) = site.pass_time(5 * MINUTE_MS)
    assert len(message.notes) == 5


def test_messages_keep_their_distance_and_lose_nothing() -> None:
    site = Watched()
    for number in range(20):
        site.open = (*site.open, replace(WARNING, id=f"warning-{number}", after_ms=0))
        site.pass_time(MINUTE_MS)
    site.pass_time(10 * MINUTE_MS)
    assert len(told(site.messages)) == 20
    assert len(site.messages) <= 6
    gaps = [b.made_ms - a.made_ms for a, b in zip(site.messages, site.messages[1:], strict=False)]
    assert min(gaps) >= 5 * MINUTE_MS


def test_the_daily_summary_comes_once_a_day_even_over_a_restart() -> None:
    site = Watched()
    site.open = (INFO,)
    (daily,) = site.until(7, 40)
    assert [(note.what, note.finding) for note in daily.notes] == [("still", "forecast-old")]
    site.restart()
    assert site.pass_time(HOUR_MS) == []


def test_a_summary_missed_while_the_page_was_off_is_made_up_for_the_same_day() -> None:
    site = Watched()
    site.until(6)
    kept = site.machine.dump()
    later = AlertMachine(SETTINGS, kept)
    later.observe(site.now_ms + 5 * HOUR_MS, [])
    assert [message.kind for message in later.tick(site.now_ms + 5 * HOUR_MS, 1)] == ["daily"]


def test_with_nothing_to_say_the_summary_may_be_left_out() -> None:
    site = Watched(replace(SETTINGS, daily_when_nothing=False))
    assert site.pass_time(2 * DAY_MS) == []


def test_what_is_never_told_is_not_in_the_summary_either() -> None:
    silent = {**RULES, "info": Rule("never", 0, 0, False)}
    site = Watched(replace(SETTINGS, rules=silent))
    site.open = (INFO,)
    (daily,) = site.until(7, 40)
    assert daily.notes == ()


def test_while_nothing_is_known_of_a_site_its_findings_stand() -> None:
    site = Watched()
    site.open = (FAULT,)
    site.pass_time(5 * MINUTE_MS)
    for _ in range(600):
        site.now_ms += 10_000
        site.machine.observe(site.now_ms, [Observed("upper", "Upper field", (), others_unknown=True)])
        site.messages += site.machine.tick(site.now_ms, 1)
    assert told(site.messages) == [("new", "flow-at-rest")]


def test_a_clock_that_is_set_back_neither_repeats_nor_delays() -> None:
    site = Watched()
    site.open = (FAULT,)
    site.pass_time(5 * MINUTE_MS)
    site.now_ms -= 400 * DAY_MS
    assert told(site.pass_time(HOUR_MS)) == []
    site.open = ()
    assert told(site.pass_time(HOUR_MS)) == [("over", "flow-at-rest")]


@pytest.mark.parametrize("seed", range(12))
def test_restarts_at_any_moment_neither_repeat_nor_forget(seed: int) -> None:
    rng = random.Random(seed)
    days = [
        [tuple(f for f in (FAULT, WARNING, INFO) if rng.random() < 0.3), rng.randrange(1, 90) * MINUTE_MS]
        for _ in range(60)
    ]
    steady, restarted = Watched(), Watched()
    for open_now, lasting_ms in days:
        steady.open = restarted.open = open_now
        steady.pass_time(lasting_ms)
        while restarted.now_ms < steady.now_ms:
            restarted.pass_time(min(rng.randrange(1, 60) * 10_000, steady.now_ms - restarted.now_ms))
            restarted.restart()
    assert restarted.messages == steady.messages
    assert len(told(steady.messages)) > 5


@pytest.mark.parametrize("seed", range(6))
def test_every_end_that_is_told_belongs_to_one_beginning_that_was_told(seed: int) -> None:
    rng = random.Random(seed)
    site = Watched()
    for _ in range(200):
        site.open = tuple(f for f in (FAULT, WARNING) if rng.random() < 0.4)
        site.pass_time(rng.randrange(1, 60) * MINUTE_MS)
    site.open = ()
    site.pass_time(2 * DAY_MS)
    for finding in ("flow-at-rest", "flow-low"):
        events = [what for what, name in told(site.messages) if name == finding and what in ("new", "over")]
        assert events == ["new", "over"] * (len(events) // 2)


# --- in words ---


def everybody(_note: object) -> bool:
    return True


def said(message: Message) -> tuple[str, str]:
    words = compose(message, everybody, ZONE)
    assert words is not None
    return words


def test_one_finding_is_the_title_and_the_text_has_its_cure() -> None:
    site = Watched()
    site.open = (FAULT,)
    title, text = said(site.pass_time(5 * MINUTE_MS)[0])
    assert title == "Upper field: water flows although everything is shut"
    assert text == "Fault: Water flows although everything is shut. Since 12:00. Cure: look for a leak."


def test_an_end_says_when_it_began_and_how_often_it_came_back() -> None:
    site = Watched()
    for _ in range(3):
        site.open = (FAULT,)
        site.pass_time(5 * MINUTE_MS)
        site.open = ()
        site.pass_time(5 * MINUTE_MS)
    title, text = said(site.pass_time(HOUR_MS)[0])
    assert title == "Upper field: over: water flows although everything is shut"
    assert text == "Over: Water flows although everything is shut. It began 12:00. It came back 2 times."


def test_whoever_wants_only_faults_is_not_told_of_warnings() -> None:
    site = Watched()
    site.open = (WARNING,)
    (message,) = site.pass_time(20 * MINUTE_MS)
    assert compose(message, lambda note: note.severity == "fault", ZONE) is None


def test_a_flood_is_cut_and_counted() -> None:
    machine = AlertMachine(SETTINGS)
    sites = [Observed(f"site-{n}", f"Site {n}", (replace(FAULT, after_ms=0),)) for n in range(200)]
    machine.observe(NOON_MS, sites)
    assert machine.tick(NOON_MS, 200) == []
    (message,) = machine.tick(NOON_MS + 30_000, 200)
    title, text = said(message)
    assert title == "200 sites: 200 open"
    assert text.endswith("and 170 more")
    assert len(text) < 5000


def test_the_summary_names_what_is_open_and_what_went() -> None:
    site = Watched()
    site.open = (FAULT,)
    message = site.until(7, 40)[-1]
    title, text = said(message)
    assert title == "Daily summary of 1 site: 1 open"
    assert text.startswith("Open:\nStill: Fault: Water flows although everything is shut. Since 14 Jun 12:00.")


def test_local_midnight_in_quiet_hours_is_reckoned_in_the_owners_zone() -> None:
    summer_night = int(datetime(2026, 6, 14, 21, 30, tzinfo=UTC).timestamp() * 1000)
    site = Watched(at_ms=summer_night)
    site.open = (WARNING,)
    assert told(site.pass_time(HOUR_MS)) == []
