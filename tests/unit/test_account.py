"""The account of a season: books that close, uncertainty that adds up, faults charged with what they cost."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.account.days import fold
from controller.account.events import Event, Period
from controller.account.faults import fault_accounts, missed_waterings
from controller.account.made import Account, account_of
from controller.account.pictures import figures
from controller.account.tables import csv_tables, json_text
from controller.account.text import text_lines
from controller.account.water import NOT_RECORDED, books_of, day_ledgers, months_of
from controller.account.zones import waterings, zone_accounts, zone_days
from controller.commands.account import write_account
from controller.core.localclock import LocalClock
from controller.errors import OperatingError
from tests.unit.account_events import (
    BED,
    EXAMPLE,
    FIRST,
    POT,
    at,
    day,
    delivery,
    fault,
    ledger,
    measure,
    refusal,
    site_day,
    zone_day,
)

CLOCK = LocalClock(EXAMPLE.place.time_zone)
ALL = Period(date(2026, 1, 1), date(2026, 12, 31))
ACCOUNTS = ("rain", "top-up", "overflow", "leak", "evaporation", "unexplained", "zone:bench-south", "zone:berry-row")

millilitres = st.integers(-2_000_000, 2_000_000)
days_of_entries = st.lists(
    st.tuples(st.dictionaries(st.sampled_from(ACCOUNTS), millilitres), st.sampled_from((0, 0, 0, -1500, 700_000))),
    min_size=1,
    max_size=60,
)


def story(days: list[tuple[dict[str, int], int]]) -> list[Event]:
    """Days that follow one another; the second of each pair is by how much the next one opens elsewhere."""
    events, opening_ml = [], 900_000
    for n, (entries_ml, jump_ml) in enumerate(days):
        events.append(ledger(n, opening_ml, entries_ml))
        opening_ml += sum(entries_ml.values()) + jump_ml
    return events


def whole(events: list[Event], measures: list[Event] | None = None) -> Account:
    return account_of(EXAMPLE, events, measures or [])


# --- the books --------------------------------------------------------------------------------------------------------


@given(days_of_entries)
def test_opening_and_entries_make_the_closing_to_the_millilitre(days: list[tuple[dict[str, int], int]]) -> None:
    ledgers = day_ledgers(story(days), ALL)["main"]
    books = books_of("main", ledgers)
    assert books.opening_ml + sum(entry.into_tank_ml for entry in books.entries.values()) == books.closing_ml
    assert books.closing_ml == ledgers[-1].closing_ml


@given(days_of_entries)
def test_the_months_join_and_add_up_to_the_whole(days: list[tuple[dict[str, int], int]]) -> None:
    ledgers = day_ledgers(story(days), ALL)["main"]
    books, months = books_of("main", ledgers), list(months_of(ledgers).values())
    for before, after in itertools.pairwise(months):
        assert after.opening_ml == before.closing_ml
    for account, entry in books.entries.items():
        assert sum(month.of(account).into_tank_ml for month in months) == entry.into_tank_ml


def test_books_that_do_not_join_say_so_in_an_entry_of_their_own() -> None:
    ledgers = day_ledgers(story([({"rain": 5000}, -1500), ({"rain": 5000}, 0)]), ALL)["main"]
    assert books_of("main", ledgers).of(NOT_RECORDED).into_tank_ml == -1500
    joined = day_ledgers(story([({"rain": 5000}, 0), ({"rain": 5000}, 0)]), ALL)["main"]
    assert NOT_RECORDED not in books_of("main", joined).entries


def test_what_one_meter_counts_wrong_adds_up_and_what_levels_say_of_rain_adds_in_squares() -> None:
    events, opening_ml = [], 900_000
    for n in range(4):
        entries_ml = {"rain": 8000, "zone:bench-south": -5000, "zone:berry-row": -3000}
        events.append(
            ledger(n, opening_ml, entries_ml, {"rain": 100.0, "zone:bench-south": 60.0, "zone:berry-row": 30.0})
        )
    books = books_of("main", day_ledgers(events, ALL)["main"])
    assert books.of("rain").sd_ml == pytest.approx(math.sqrt(4) * 100.0)
    assert books.of("zone:bench-south").sd_ml == pytest.approx(4 * 60.0)
    assert books.to_zones.into_tank_ml == 4 * 8000
    assert books.to_zones.sd_ml == pytest.approx(4 * 90.0)


def test_rain_is_no_surer_than_what_of_it_is_believed_to_have_spilled() -> None:
    events = []
    for n in range(9):
        events.append(ledger(n, 900_000, {"rain": 50_000, "overflow": -50_000}, {"rain": 500.0, "overflow": 400.0}))
    books = books_of("main", day_ledgers(events, ALL)["main"])
    assert books.of("overflow").sd_ml == pytest.approx(9 * 400.0)
    assert books.of("rain").sd_ml == pytest.approx(math.hypot(3 * 300.0, 9 * 400.0))


def test_a_ledger_that_does_not_close_is_no_basis_for_an_account() -> None:
    event = ledger(0, 900_000, {"rain": 5000})
    event.data["closing_ml"] += 1
    with pytest.raises(OperatingError, match="opening and entries make 905000 mL, but the closing says 905001 mL"):
        whole([site_day(0), event])


def test_what_was_topped_up_counts_against_the_mains_water_spared() -> None:
    entries_ml = {"top-up": 30_000, f"zone:{BED}": -50_000}
    tank = whole([ledger(0, 900_000, entries_ml, {"top-up": 300.0, f"zone:{BED}": 400.0}), site_day(0)]).tanks[0]
    assert tank.spared.into_tank_ml == 20_000
    assert tank.spared.sd_ml == pytest.approx(500.0)


def test_what_came_beyond_the_rain_on_the_roof_is_named() -> None:
    area_m2 = sum(roof.area_m2 for roof in EXAMPLE.roofs)
    fallen_l = 5.0 * area_m2
    events = [site_day(0, 5.0), ledger(0, 300_000, {"rain": round(1000 * fallen_l)}, {"rain": 1000.0})]
    # The end of a storm that fell before midnight, then a hose in the rain.
    events += [site_day(1, 0.0), ledger(1, 420_000, {"rain": 20_000}, {"rain": 1000.0})]
    events += [site_day(2, 2.0), ledger(2, 440_000, {"rain": 400_000}, {"rain": 1000.0})]
    tank = whole(events).tanks[0]
    assert tank.more_than_fell == [(day(2), pytest.approx(400.0 - 2.0 * area_m2))]
    assert any("topped up while it rained?" in line for line in text_lines(whole(events)))


def test_books_and_waterings_are_held_against_each_other() -> None:
    booked = [ledger(0, 900_000, {f"zone:{BED}": -6000}), site_day(0)]
    assert whole([delivery(0.5), *booked]).tanks[0].unbooked_ml == {}
    assert whole([delivery(0.5), delivery(0.6, volume_l=2.5), *booked]).tanks[0].unbooked_ml == {BED: 2500}


def test_the_supply_is_what_lies_above_the_reserve_at_the_use_of_the_days_before() -> None:
    events = [site_day(0), ledger(0, 900_000, {f"zone:{BED}": -50_000}), site_day(1), ledger(1, 850_000, {})]
    first, second = whole(events, [measure(1.5, tank__main__volume_l=187.0)]).tanks[0].supply
    reserve_l = EXAMPLE.tanks[0].reserve_l
    assert first.days_left == pytest.approx((850.0 - reserve_l) / 50.0)
    assert second.days_left == pytest.approx((850.0 - reserve_l) / 25.0)
    assert not first.at_limit
    assert second.at_limit
    assert second.low_l == 187.0


# --- zones ------------------------------------------------------------------------------------------------------------


def test_a_day_is_strained_when_any_reading_of_it_was_beyond_what_is_drawn_with_ease() -> None:
    events = [site_day(0), zone_day(0), site_day(1), zone_day(1), site_day(2), zone_day(2, readily_mm=None)]
    dry_noon = [
        measure(1.5, **{f"zone__{BED}__depletion_mm": 13.0}),
        measure(2.5, **{f"zone__{BED}__depletion_mm": 30.0}),
    ]
    account = whole(events, dry_noon)
    assert [each.strained for each in account.zone_days] == [False, True, False]
    zone = next(zone for zone in account.zones if zone.zone_id == BED)
    assert (zone.season_days, zone.strained_days) == (2, 1)


def test_days_that_say_nothing_of_ease_are_unknown_and_not_without_strain() -> None:
    old = zone_day(0, depletion_mm=30.0)
    del old.data["readily_mm"]
    account = whole([site_day(0), old])
    zone = next(zone for zone in account.zones if zone.zone_id == BED)
    assert zone.need_met_part is None
    assert json.loads(json_text(account))["zones"][BED]["strained_days"] is None
    assert next(csv.DictReader(io.StringIO(csv_tables(account)["zones.csv"])))["strained"] == ""
    assert "unknown" in next(line for line in text_lines(account) if line.startswith("Salad bed, east"))


def test_a_zone_s_water_closes_with_what_drained() -> None:
    zone = EXAMPLE.zone(BED)
    given_l = 9.6
    events = [zone_day(0, depletion_mm=2.0, rain_mm=6.0, etc_mm=3.0, applied_l=given_l), site_day(0)]
    found = next(each for each in whole(events).zones if each.zone_id == BED)
    net_mm = given_l * zone.drip_efficiency / zone.area_m2
    assert found.net_mm == pytest.approx(net_mm)
    assert found.drained_mm is not None
    assert found.drier_mm is not None
    assert found.rain_mm + found.net_mm == pytest.approx(found.etc_mm + found.drained_mm - found.drier_mm)


def test_need_is_met_in_full_until_the_root_zone_lacks_more_than_is_drawn_with_ease() -> None:
    total_mm = EXAMPLE.zone(BED).total_available_mm
    easy = [zone_day(0, depletion_mm=12.0)]
    half = [zone_day(0, depletion_mm=12.0 + 0.5 * (total_mm - 12.0))]
    met = [zone_accounts(EXAMPLE, zone_days(events, ALL, {}), [])[0].need_met_part for events in (easy, half)]
    assert met == [pytest.approx(1.0), pytest.approx(0.5)]


def test_a_zone_that_the_site_no_longer_has_keeps_its_water() -> None:
    events = [
        delivery(0.5, "old-bed", 7.0),
        ledger(0, 900_000, {"zone:old-bed": -7000}),
        zone_day(0, "old-bed"),
        site_day(0),
    ]
    account = whole(events)
    assert next(zone for zone in account.zones if zone.zone_id == "old-bed").given_l == 7.0
    assert account.tanks[0].unbooked_ml == {}


def test_a_watering_knows_what_started_it_and_a_run_cut_short_what_it_owed() -> None:
    start = Event(at(0.49), "start", BED, {"volume_l": 6.0, "trigger": "order", "why": "", "run": f"{day(0)}/0/0"})
    events = [start, delivery(0.5, volume_l=2.0, wanted_l=6.0, ended="blocked"), zone_day(0), site_day(0)]
    runs = waterings(events, ALL, CLOCK)
    assert [run.trigger for run in runs] == ["order"]
    zone = zone_accounts(EXAMPLE, zone_days(events, ALL, {}), runs)[0]
    assert zone.short_l == pytest.approx(4.0)
    assert zone.ended == {"blocked": 1}


def test_an_emptied_line_is_no_watering_and_owes_nothing() -> None:
    start = Event(at(0.49), "start", BED, {"volume_l": 0.0, "trigger": "drain", "why": "", "run": f"{day(0)}/0/0"})
    stopped = [start, delivery(0.5, volume_l=0.2, wanted_l=40.0, ended="stopped"), zone_day(0), site_day(0)]
    zone = zone_accounts(EXAMPLE, zone_days(stopped, ALL, {}), waterings(stopped, ALL, CLOCK))[0]
    assert (zone.runs, zone.short_l, zone.given_l) == (0, 0.0, 0.2)


# --- faults -----------------------------------------------------------------------------------------------------------


def test_a_fault_stands_from_the_first_day_of_the_account_when_it_was_raised_before() -> None:
    events = [fault(0, "leak:main", True), fault(3.5, "leak:main", False)]
    found = fault_accounts(events, at(2), at(10))
    assert [(account.fault_id, account.severity, account.hours) for account in found] == [("leak:main", "fault", 36.0)]
    assert not found[0].stands
    assert fault_accounts(events, at(5), at(10)) == []


def test_a_fault_that_nobody_mended_stands_to_the_end() -> None:
    events = [fault(1, "charger-low", True), fault(2, "no-flow:bean-row", True), fault(3, "charger-low", False)]
    found = fault_accounts(events, at(0), at(4))
    assert [(account.fault_id, account.hours, account.stands) for account in found] == [
        ("no-flow:bean-row", 48.0, True),
        ("charger-low", 48.0, False),
    ]


def test_a_fault_told_again_each_day_is_one_finding_with_several_stretches() -> None:
    events = [fault(n + part, "slow-delivery:bean-row", part == 0.5) for n in range(3) for part in (0.5, 1.0)]
    found = fault_accounts(events, at(0), at(4))
    assert len(found) == 1
    assert len(found[0].stretches) == 3
    assert found[0].hours == 36.0


def test_what_waits_over_several_days_is_missed_once_and_charged_to_each_that_objected() -> None:
    days = [
        zone_day(n, refusal="no", planned_l=litres, depletion_mm=20.0 if n == 2 else 5.0)
        for n, litres in ((0, 4.0), (1, 9.0), (2, 7.0), (6, 5.0))
    ]
    objections = [
        refusal(n + 0.3, BED, "tank-reserve", *(("no-flow:bean-row",) if n == 1 else ())) for n in (0, 1, 2, 6)
    ]
    found = missed_waterings(objections, zone_days(days, ALL, {}), ALL, CLOCK)
    charged = {missed.condition: (missed.zone_days, missed.waiting_l, missed.strained_days) for missed in found}
    assert charged == {"tank-reserve": (4, 14.0, 1), "no-flow": (1, 9.0, 0)}


def test_a_refusal_that_was_overcome_the_same_day_cost_nothing() -> None:
    assert missed_waterings([refusal(0.3, BED, "level-unknown")], zone_days([zone_day(0)], ALL, {}), ALL, CLOCK) == []


# --- readings and energy ----------------------------------------------------------------------------------------------


def test_readings_are_folded_by_local_date() -> None:
    summer = [Event(at(0) + 181 * 86_400_000 - 1_800_000, "measure", "", {"battery_v": 12.5})]
    assert list(fold(summer, ALL, CLOCK)) == [date(2026, 7, 10)]
    readings = fold([measure(0.1, battery_v=12.0), measure(0.9, battery_v=13.0), measure(0.95)], ALL, CLOCK)[FIRST]
    assert (readings.low("battery_v"), readings.mean("battery_v"), readings.high("battery_v")) == (12.0, 12.5, 13.0)
    assert readings.known_part("battery_v") == pytest.approx(2 / 3)
    assert readings.low("temperature_c") is None


def test_the_pump_s_energy_is_its_time_by_its_current_and_the_day_s_voltage() -> None:
    events = [delivery(0.5, duration_s=1800.0, volume_l=100.0), site_day(0)]
    measures = [measure(0.2, battery_v=12.0, battery_charge_percent=48.0), measure(0.7, battery_charge_percent=80.0)]
    energy = whole(events, measures).energy
    assert energy.pump_wh == pytest.approx(0.5 * EXAMPLE.pumps[0].current_a * 12.0)
    taught = account_of(EXAMPLE, events, measures, learned_a={EXAMPLE.pumps[0].id: 3.0}).energy
    assert taught.pump_wh == pytest.approx(0.5 * 3.0 * 12.0)
    assert energy.wh_per_l == pytest.approx(energy.pump_wh / 100.0)
    assert (energy.lowest_charge_percent, energy.low_days) == (48.0, 1)
    assert whole([site_day(0)]).energy.lowest_charge_percent is None


def test_a_zone_s_flow_is_compared_between_its_first_and_its_last_runs() -> None:
    runs = [delivery(n + 0.5, POT, 6.0 if n < 15 else 4.5) for n in range(30)]
    flow = whole([*runs, site_day(0), site_day(29)]).flows[0]
    assert (flow.zone_id, flow.first_l_min, flow.last_l_min) == (POT, 6.0, 4.5)
    assert flow.change_part == pytest.approx(-0.25)
    assert whole([*runs[:19], site_day(0), site_day(29)]).flows == []


# --- the period -------------------------------------------------------------------------------------------------------


def test_the_account_is_of_the_closed_days_asked_for() -> None:
    events = [event for n in range(5) for event in (site_day(n, 2.0), ledger(n, 900_000, {}), delivery(n + 0.5))]
    account = account_of(EXAMPLE, events, [], date.fromisoformat(day(1)), date.fromisoformat(day(3)))
    assert (account.period.first.isoformat(), account.period.last.isoformat()) == (day(1), day(3))
    assert account.rain_mm == 6.0
    assert account.tanks[0].books.days == 3
    assert [run.date for run in account.runs] == [day(1), day(2), day(3)]
    assert (account.began_wall_ms, account.ended_wall_ms) == (at(1), at(4))


def test_a_period_without_a_closed_day_is_refused_with_what_there_is() -> None:
    with pytest.raises(OperatingError, match=f"it has {day(0)} to {day(2)}"):
        account_of(EXAMPLE, [site_day(0), site_day(2)], [], date(2026, 5, 1))
    with pytest.raises(OperatingError, match="the first is closed at midnight"):
        account_of(EXAMPLE, [], [])


# --- tables -----------------------------------------------------------------------------------------------------------


def test_the_table_of_entries_adds_up_to_the_document_s_sums() -> None:
    events = story([({"rain": 5000, f"zone:{BED}": -1}, 0), ({"rain": 7001}, 0)])
    account = whole([site_day(0), site_day(1), *events])
    document, rows = (
        json.loads(json_text(account)),
        list(csv.DictReader(io.StringIO(csv_tables(account)["ledger.csv"]))),
    )
    rain_ml = sum(int(row["into_tank_ml"]) for row in rows if row["account"] == "rain")
    tank = document["tanks"]["main"]
    assert rain_ml == 12_001 == tank["entries_ml"]["rain"]
    assert tank["opening_ml"] + sum(tank["entries_ml"].values()) == tank["closing_ml"]


def test_a_table_keeps_commas_quotes_and_what_is_not_known() -> None:
    account = whole([site_day(0), zone_day(0, refusal='tank "main", low', readily_mm=None)])
    text = csv_tables(account)["zones.csv"]
    row = next(csv.DictReader(io.StringIO(text)))
    assert row["refusal"] == 'tank "main", low'
    assert row["readily_available_mm"] == ""
    assert row["strained"] == "0"
    assert text.count("\r\n") == 2


def test_the_page_of_the_manual_names_every_file_that_is_written(tmp_path: Path) -> None:
    manual = (Path(__file__).resolve().parents[2] / "docs" / "account.md").read_text(encoding="utf-8")
    written = write_account(whole([site_day(0), ledger(0, 900_000, {})]), tmp_path / "out")
    assert re.findall(r"^\| `([a-z.]+)` \|", manual, re.M) == written
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(written)


def test_a_directory_that_cannot_be_written_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OperatingError, match=r"cannot be written .*name another --out"):
        write_account(whole([site_day(0)]), tmp_path / "file" / "out")


def test_the_text_names_every_entry_and_the_owner_s_units() -> None:
    events = [
        site_day(0),
        ledger(0, 900_000, {"rain": 5000, f"zone:{BED}": -6000, "leak": -300}, {"rain": 100.0}),
        zone_day(0),
    ]
    text = "\n".join(text_lines(whole(events)))
    for words in ("rain from the roof", "5.0 L ± 0.1 L", "Salad bed, east", "leaked", "closing", "899 L"):
        assert words in text


def test_an_american_site_s_pictures_are_in_inches() -> None:
    """25.4 mm is an inch: the axis of the rain ends at 1 and not at 30."""
    events = [site_day(0, 25.4), ledger(0, 900_000, {}), zone_day(0, readily_mm=12.7)]
    american = replace(EXAMPLE, units="us")
    for site, unit, top in ((EXAMPLE, "mm", 30.0), (american, "inches", 1.0)):
        by_name = {figure.name: figure for figure in figures(account_of(site, events, []))}
        assert by_name["weather"].caption.endswith(f"{unit} a day")
        marks = re.findall(r"<text[^>]*>([\d.]+)</text>", by_name["weather"].svg)
        assert float(max(marks, key=float)) == top
        assert f", {unit} (0 is full)" in by_name[f"zone-{BED}"].caption
