"""The page says what matters, says what it does not know, and lets nothing from outside become markup."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dashboards import words
from dashboards.events import event_words
from dashboards.frame import Completeness, Desk, Surroundings, head, waiting_page
from dashboards.history import ledger_days, ledger_months
from dashboards.history_page import history
from dashboards.homie import DeviceTree
from dashboards.ledger_page import ledger, month_of
from dashboards.log_page import before_of, log
from dashboards.order_book import STATES, Entry
from dashboards.page import now_page, present
from dashboards.periods import SPANS, period_of
from dashboards.senml import StreamRecord, Value, read_pack
from dashboards.store import HistoryStore
from dashboards.strip import strips
from dashboards.view import SiteView, ZoneSchedule, read_site
from dashboards.zone_page import zone_now, zone_past
from tests import fake_site

NOW = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
NOW_MS = int(NOW.timestamp() * 1000)


def view_of(changes: dict[str, str] | None = None, connected: bool = True, now_ms: int = NOW_MS) -> SiteView:
    """The invented site with some topics changed; an empty value deletes the topic."""
    tree = DeviceTree("homie")
    for topic, value in (fake_site.tree(NOW, 1943.0, 100) | (changes or {})).items():
        tree.take(f"homie/5/{topic}", value.encode(), True, now_ms)
    return read_site(tree, tree.sites()[0], now_ms, connected)


def shown(view: SiteView, desk: Desk | None = None) -> str:
    """Head and content of the first page."""
    return head(view) + present(view, desk)


def text_of(markup: str) -> str:
    """What a reader sees, roughly: tags dropped, blanks joined."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", markup)).split())


def test_one_look_tells_water_days_battery_what_runs_and_what_comes_next() -> None:
    text = text_of(shown(view_of()))
    for wanted in (
        "Riverside allotment",
        "1 943",
        "± 36 L",
        "78 % of 2 500 L",
        "300 L kept in reserve",
        "measured 20 s ago",
        "Lasts 24 to 55 days likely 33 days; 26 days without rain",
        "81 % 12.74 V, 20 s ago",
        "Watering Salad beds",
        "3.2 L so far",
        "today 15:00 Polytunnel bench, 9 L 0.7 of 14 mm missing",
    ):
        assert wanted in text


def test_a_zone_that_needs_nothing_is_not_announced_as_the_next_to_start() -> None:
    changes = {f"riverside/zone-{zone[0]}/plan": "0.0" for zone in fake_site.ZONES}
    changes |= {f"riverside/zone-{zone[0]}/why": "rain is enough" for zone in fake_site.ZONES}
    text = text_of(present(view_of(changes)))
    assert "Nothing else is planned. rain is enough" in text
    assert "next start" not in text


def test_a_finding_comes_with_its_cure_and_since_when() -> None:
    text = text_of(present(view_of()))
    assert "Warning The berry rows took 30 % longer than usual for their water." in text
    assert "Cure: rinse the filter" in text
    assert "Since today 06:00." in text


def test_each_zone_tells_state_plan_reason_and_schedule_in_words() -> None:
    text = text_of(present(view_of()))
    assert "Berry rows Soil moist: 10.1 of 48.0 mm missing Today 0 L given of at most 52 L" in text
    zone = next(zone for zone in view_of().zones if zone.id == "berries")
    own = text_of(zone_now(view_of(), zone, None))
    assert "As much as it needs, between 05:00–08:30 and 19:00–21:00, at most 52 L a day." in own
    assert "Plan 26 L, next start" in own


def test_a_zone_below_what_its_plants_draw_with_ease_is_called_thirsty_in_words() -> None:
    text = text_of(present(view_of()))
    assert text.count("plants are thirsty") == 1
    assert "Leek bed Soil dry, plants are thirsty: 18.0 of 30.0 mm missing" in text


def test_without_a_range_the_days_without_rain_are_shown_alone() -> None:
    gone = {f"riverside/tank-shed/days-of-supply-{which}": "" for which in ("low", "likely", "high")}
    assert "Lasts 26 days at expected use, without rain" in text_of(present(view_of(gone)))
    assert "Lasts unknown" in text_of(present(view_of(gone | {"riverside/tank-shed/days-of-supply": ""})))
    far = dict.fromkeys(gone, "120.0")
    assert "Lasts over 120 days likely over 120 days; 26 days without rain" in text_of(present(view_of(far)))


@pytest.mark.parametrize(
    ("topic", "gone"),
    [
        ("riverside/tank-shed/volume", "0 L"),
        ("riverside/power/state-of-charge", "0 %"),
        ("riverside/weather/temperature", "0 °C"),
        ("riverside/weather/rain-today", "0.0 mm"),
    ],
)
def test_unknown_is_a_word_and_never_zero(topic: str, gone: str) -> None:
    before, after = text_of(present(view_of())), text_of(present(view_of({topic: ""})))
    assert after.count("unknown") == before.count("unknown") + 1
    assert after.count(f" {gone}") <= before.count(f" {gone}")


def test_findings_nobody_has_sent_are_unknown_and_not_none() -> None:
    assert "Unknown: the controller has not said." in present(view_of({"riverside/site/findings": ""}))
    assert "None: nothing needs you." in present(view_of({"riverside/site/findings": "[]"}))


@pytest.mark.parametrize("value", ["NaN", "inf", "-5", "a lot", "1e999"])
def test_a_value_no_tank_can_have_is_unknown(value: str) -> None:
    assert view_of({"riverside/tank-shed/volume": value}).tanks[0].volume_l is None


@pytest.mark.parametrize(
    ("changes", "connected", "heading", "notice"),
    [
        ({"riverside/$state": "lost"}, True, "Controller lost", "The controller does not answer (lost)"),
        ({"riverside/$state": "disconnected"}, True, "Controller was stopped", "does not answer (disconnected)"),
        ({}, False, "Broker not reached", "no connection to the broker"),
        (
            {"riverside-board/$state": "lost"},
            True,
            "Controller is there",
            "The board in the pump house does not answer",
        ),
        ({"riverside/site/updated-at": "2026-06-14T11:30:00Z"}, True, "Controller silent", "was true 30 min ago"),
    ],
)
def test_what_may_no_longer_be_true_is_said_in_words(
    changes: dict[str, str], connected: bool, heading: str, notice: str
) -> None:
    text = text_of(shown(view_of(changes, connected)))
    assert heading in text
    assert "Careful:" in text
    assert notice in text


def test_a_tank_too_full_for_its_sensor_holds_at_least_what_is_shown() -> None:
    text = text_of(present(view_of({"riverside/tank-shed/volume-bound": "at-least"})))
    assert "at least 1 943 L at least 78 % of 2 500 L" in text
    assert "± 36" not in text


def test_an_old_reading_is_called_old() -> None:
    old = fake_site.iso(NOW - timedelta(hours=5))
    text = text_of(present(view_of({"riverside/tank-shed/measured-at": old})))
    assert "measured 5 h ago old reading" in text


def test_a_site_whose_clock_differs_is_judged_by_its_own_clock() -> None:
    tree = DeviceTree("homie")
    for topic, value in fake_site.tree(NOW, 1943.0, 100).items():
        tree.take(f"homie/5/{topic}", value.encode(), False, NOW_MS - 40 * 86_400_000)
    view = read_site(tree, tree.sites()[0], NOW_MS - 40 * 86_400_000 + 5000, True)
    assert "measured 25 s ago" in text_of(present(view))


def test_a_fresh_reading_is_never_from_the_future_although_the_site_renews_its_stamp_only_each_minute() -> None:
    ours_ms = NOW_MS - 40 * 86_400_000
    tree = DeviceTree("homie")
    for topic, value in fake_site.tree(NOW, 1943.0, 100).items():
        tree.take(f"homie/5/{topic}", value.encode(), False, ours_ms)
    later = fake_site.iso(NOW + timedelta(seconds=50))
    tree.take("homie/5/riverside/tank-shed/measured-at", later.encode(), False, ours_ms + 1000)
    view = read_site(tree, tree.sites()[0], ours_ms + 1000, True)
    assert "measured just now" in text_of(present(view))


HOSTILE = "<script>alert('x')</script><img src=x onerror=alert(1)>\"'&"


class TagCollector(HTMLParser):
    """Names of all elements and attributes in a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}


def hostile_order(state: str) -> Entry:
    command = {"order": "set-schedule", "zone": "bench", "base_version": 0}
    return Entry(f"page-{state}", "riverside", HOSTILE, HOSTILE, command, NOW_MS, NOW_MS, state, HOSTILE)  # type: ignore[arg-type]


def test_nothing_from_mqtt_becomes_markup(tmp_path: Path) -> None:
    findings = [{"id": HOSTILE, "severity": HOSTILE, "text": HOSTILE, "cure": HOSTILE, "latched": True}]
    changes = {
        "riverside/site/findings": json.dumps(findings),
        "riverside/zone-bench/name": HOSTILE,
        "riverside/zone-bench/why": HOSTILE,
        "riverside/zone-bench/last-refusal": HOSTILE,
        "riverside/site/last-refusal": HOSTILE,
        "riverside/site/time-zone": HOSTILE,
    }
    view = replace(view_of(changes), name=HOSTILE)
    store = HistoryStore(str(tmp_path / "h.sqlite3"))
    keys = ("fault", "order", "refusal", "link", "journal", "schedule", "delivery", "start", "look")
    fields = {n: Value(HOSTILE) for n in ("text", "reason", "sender", "command", "ended", "why", "trigger", HOSTILE)}
    records = [StreamRecord(n, NOW_MS, kind, HOSTILE, fields) for n, kind in enumerate(keys, start=1)]
    records += [StreamRecord(n, NOW_MS, kind, "bench", fields) for n, kind in ((20, "start"), (21, "delivery"))]
    store.add("riverside", records)
    week = period_of("week", None, NOW_MS, view.time_zone)
    desk, bench = Desk("t"), view.zones[0]
    entries = [hostile_order(state) for state in STATES]
    around = Surroundings([("other", HOSTILE)], Completeness(7, 1, HOSTILE), desk, HOSTILE)
    page = now_page(view, around, strips(view, entries, desk), history(store, view, week))
    page += zone_now(view, bench, desk) + zone_past(store, view, bench, week)
    page += log(store, view, "all", None) + ledger(store, view, None)
    store.close()
    collected = TagCollector()
    collected.feed(page)
    assert page.count("&lt;script&gt;") > 20
    assert collected.tags.count("script") == 1
    assert "img" not in collected.tags
    assert not any(name.startswith("on") or name == "style" for name in collected.attributes)


def test_half_characters_smuggled_through_json_can_still_be_sent() -> None:
    findings = '[{"id":"a","severity":"info","text":"\\ud800 odd","cure":""}]'
    assert "? odd" in present(view_of({"riverside/site/findings": findings})).encode().decode()


def test_no_page_needs_a_script_or_style_of_its_own() -> None:
    page = now_page(view_of(), Surroundings())
    assert re.findall(r"<script[^>]*>", page) == ['<script src="/static/page.js" defer>']
    assert "<style" not in page
    assert "javascript:" not in page


def test_the_foot_says_that_it_is_not_drinking_water_and_how_complete_the_record_is() -> None:
    text = text_of(now_page(view_of(), Surroundings(done=Completeness(1234, 0))))
    assert "Not drinking water." in text
    assert "All 1 234 records" in text
    assert "3 of 1 234 records" in text_of(now_page(view_of(), Surroundings(done=Completeness(1234, 3))))


def test_orders_are_offered_only_when_there_is_a_desk_for_them() -> None:
    assert "<form" not in present(view_of())
    zone = view_of().zones[0]
    assert "<form" not in zone_now(view_of(), zone, None)
    with_desk = present(view_of(), Desk("secret-token")) + zone_now(view_of(), zone, Desk("secret-token"))
    assert with_desk.count('value="secret-token"') == with_desk.count("<form")
    for wanted in ("Stop everything", "Hold watering", "Give it now", "Looks dry", "Hold this zone"):
        assert wanted in with_desk
    assert "Resume watering" in present(view_of({"riverside/site/mode": "hold"}), Desk("t"))
    held = view_of({"riverside/zone-bench/mode": "hold", "riverside/zone-bench/schedule-version": "3"})
    assert "Resume this zone" in zone_now(held, held.zones[0], Desk("t"))
    assert "Undo the last change" in zone_now(held, held.zones[0], Desk("t"))


def test_before_any_site_is_heard_the_page_says_what_it_waits_for() -> None:
    assert "no controller has introduced itself" in waiting_page("homie", "host:1883", True, "")
    assert "No connection to the broker at host:1883" in waiting_page("homie", "host:1883", False, "refused")


def test_us_units_are_shown_when_the_owner_wants_them() -> None:
    text = text_of(present(view_of({"riverside/site/units": "us"})))
    assert "513 gal ± 9.5 gal" in text
    assert "63 °F" in text
    assert "0.13 in" in text
    assert "0.03 of 0.55 in missing; a refill wants 2.4 gal" in text
    assert " mm" not in text
    assert " L" not in text.replace(" Leek", "").replace(" Lasts", "")


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("7.7 mm short of full (39 mm); 100 L kept now", "0.30 in short of full (1.54 in); 26.4 gal kept now"),
        ("0.7 of 14 mm missing", "0.03 of 0.55 in missing"),
        ("3.5 L/min at 4 °C", "0.92 gal/min at 39 °F"),
        (
            "271 mm below the sensor, 24 m2 of roof, v1.2",
            "10.67 in below the sensor, 24 m2 of roof, v1.2",
        ),
    ],
)
def test_the_controllers_own_words_are_put_into_us_units(said: str, shown: str) -> None:
    assert words.in_units(said, "us") == shown
    assert words.in_units(said, "metric") == said


# --- history half ---


def filled(tmp_path: Path) -> HistoryStore:
    store = HistoryStore(str(tmp_path / "history.sqlite3"))
    for payload in fake_site.packs(fake_site.history(NOW)):
        store.add("riverside", read_pack(payload, NOW_MS))
    store.fold(NOW_MS)
    return store


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HistoryStore]:
    """Sixty days of the invented site."""
    filled_store = filled(tmp_path_factory.mktemp("store"))
    yield filled_store
    filled_store.close()


def test_every_length_of_time_has_its_pictures_within_the_size_of_a_first_view(store: HistoryStore) -> None:
    view = view_of()
    static = Path(words.__file__).with_name("static")
    files = sum((static / name).stat().st_size for name in ("page.css", "page.js", "icon.svg"))
    for span in SPANS:
        markup = history(store, view, period_of(span, None, NOW_MS, view.time_zone))
        text = text_of(markup)
        assert len(markup.encode()) + files < 90_000, "before compression, to about a fifth"
        for wanted in ("Water stored", "overflow 2 500 L", "reserve 300 L", "Rain", "Battery", "Air temperature"):
            assert wanted in text, (span, wanted)
        assert "Earlier" in text
    assert "The record has 1 gap." in history(store, view, period_of("season", None, NOW_MS, view.time_zone))


def test_rain_and_doses_are_there_in_numbers_too(store: HistoryStore) -> None:
    view = view_of()
    week = period_of("week", "2026-06-10", NOW_MS, view.time_zone)
    table = history(store, view, week).partition('id="in-numbers"')[2].partition("</table>")[0]
    rows = [re.findall(r"<td>([^<]*)</td>", row) for row in table.split("<tr>")[2:]]
    assert len(rows) == 7
    assert all(len(row) == 1 + len(view.zones) for row in rows)
    bench_l = sum(float(row[1]) for row in rows)
    deliveries = store.records("riverside", ("delivery",), week.start_ms, week.end_ms - 1)
    given_m3 = [record.fields["volume"].value for record in deliveries if record.key == "bench"]
    assert bench_l == pytest.approx(1000.0 * sum(float(v) for v in given_m3), abs=0.4)


def test_a_zone_has_a_picture_of_its_soil_with_the_line_where_thirst_begins(store: HistoryStore) -> None:
    view = view_of()
    text = text_of(zone_past(store, view, view.zones[0], period_of("week", None, NOW_MS, view.time_zone)))
    assert "full 14.0 mm" in text
    assert "thirst begins 7.7 mm" in text
    assert "It was watered" in text
    assert "Last waterings today" in text


def test_ledger_days_close_on_their_entries(store: HistoryStore) -> None:
    closed = ledger_days(store.records("riverside", ("ledger",), 0, NOW_MS), fake_site.LOCAL)
    assert len(closed) >= 59
    assert closed[0].day.isoformat() == "2026-06-13"
    for day in closed:
        assert day.opening_l is not None
        assert day.closing_l is not None
        assert day.opening_l + sum(day.entries_l.values()) == pytest.approx(day.closing_l, abs=0.01)


def test_months_of_the_ledger_close_too_and_are_shown_as_table_and_picture(store: HistoryStore) -> None:
    months = ledger_months(ledger_days(store.records("riverside", ("ledger",), 0, NOW_MS), fake_site.LOCAL))
    assert [f"{month.first:%b}" for month in months] == ["Apr", "May", "Jun"]
    for month in months:
        into_l = month.rain_l + month.top_up_l + month.unexplained_l
        out_l = month.zones_l + month.overflow_l + month.leak_l + month.evaporation_l
        assert month.opening_l is not None
        assert month.opening_l + into_l - out_l == pytest.approx(month.closing_l, abs=0.1)
    markup = ledger(store, view_of(), None)
    text = text_of(markup)
    assert 'role="img"' in markup
    assert "May 2026" in text
    assert "April 2026: in" in text
    days = text_of(ledger(store, view_of(), month_of("2026-05")))
    assert "Sun 31 May" in days
    assert "1 Jun" not in days.replace("31 May", "")


def test_the_log_is_read_page_by_page_without_a_gap_or_a_repetition(store: HistoryStore) -> None:
    view, seen, address = view_of(), [], None
    for _ in range(100):
        markup = log(store, view, "water", before_of(address))
        seen += re.findall(r"<time>.*?</li>", markup)
        older = re.search(r'before=([0-9.]+)">Older', markup)
        if older is None:
            break
        address = older[1]
    deliveries = store.records("riverside", ("delivery",), 0, NOW_MS + 86_400_000)
    assert len(seen) == len(deliveries) > 150
    assert "given" in seen[0]
    assert before_of("1.x") is before_of("-1.2") is before_of(None) is None


@pytest.mark.parametrize(
    ("kind", "fields", "said"),
    [
        ("delivery", {"volume": Value(0.0065, "m3"), "ended": Value("done")}, "Bench: 6.5 L given."),
        (
            "delivery",
            {"volume": Value(0.002, "m3"), "ended": Value("slow")},
            "Bench: 2 L given, given up because the water came too slowly.",
        ),
        ("delivery", {"ended": Value("done")}, "Bench: unknown given."),
        ("refusal", {"text": Value("the reserve is kept")}, "Bench held back: the reserve is kept"),
        (
            "order",
            {"sender": Value("phone"), "command": Value("HoldAll"), "accepted": Value(True)},
            "phone ordered to hold watering, accepted.",
        ),
        ("look", {"look": Value("dry")}, "Bench: said to look dry."),
        ("look", {"look": Value("forgotten")}, "Bench: how it looked is forgotten."),
        ("refusal", {"text": Value("Bench gets nothing: full")}, "Bench gets nothing: full"),
        ("link", {"up": Value(False), "reason": Value("no answer")}, "The board is lost: no answer."),
        ("journal", {"opened_anew": Value(True), "dropped": Value(0)}, "The journal broke and was begun anew."),
        (
            "journal",
            {"opened_anew": Value(False), "dropped": Value(3)},
            "Entries of the journal were lost while the disk stood still.",
        ),
        (
            "journal",
            {"day_unknown": Value(True), "text": Value("What the day has had is not known: no journal")},
            "What the day has had is not known: no journal.",
        ),
    ],
)
def test_events_are_said_in_words(kind: str, fields: dict[str, Value], said: str) -> None:
    assert event_words(StreamRecord(1, NOW_MS, kind, "bench", fields), {"bench": "Bench"}, "metric") == said


# --- words ---


def test_ages_are_told_in_their_largest_whole_unit() -> None:
    ages = [0, 20, 99, 100, 3600, 7200, 50 * 3600]
    said = [words.age(NOW_MS - s * 1000, NOW_MS) for s in ages]
    assert said == ["just now", "20 s ago", "99 s ago", "1 min ago", "60 min ago", "2 h ago", "2 days ago"]
    assert words.age(None, NOW_MS) == "time unknown"
    assert words.age(NOW_MS + 3_600_000, NOW_MS) == "stamped in the future"


def test_schedules_are_told_in_words() -> None:
    fixed = ZoneSchedule("fixed", (), 30.0, 1, 12.0, (360, 1200))
    assert words.schedule(fixed, "metric") == "12 L at 06:00 and 20:00, at most 30 L a day."
    assert words.schedule(replace(fixed, mode="off"), "metric") == "Off: never watered."
    assert words.schedule(None, "metric") == "Schedule unknown."


def test_the_driest_root_zone_has_the_driest_word() -> None:
    said = [words.wetness(missing, 20.0) for missing in (0.0, 3.0, 7.0, 12.0, 19.0)]
    assert said == ["full", "moist", "drying", "dry", "very dry"]
    assert words.wetness(None, 20.0) == "unknown"
    assert words.wetness(3.0, 0.0) == "unknown"


def test_us_gallons_are_3_785411784_litres() -> None:
    """Exact by definition: 231 cubic inches (NIST Handbook 44, appendix C)."""
    litres = 231 * 25.4**3 / 1e6
    assert pytest.approx(litres, abs=1e-12) == words.L_PER_US_GAL
