"""The price of water counts on what zones may take now: what is switched off, held for long or capped otherwise."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from controller.contract import HoldZone, Now, Order, ResumeZone, SetSchedule, ZoneLooks
from controller.core import Core, takers
from controller.core.context import remembered
from controller.core.state import Latch
from controller.irrigate.outlook import NOTHING_TAKEN, Use, Uses, day_of_year, declared_uses, outlook, use_of
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.service.prospects import Prospects
from controller.service.replay import replay
from controller.site.model import Schedule, Window
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.season_command import season_weather
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS, MINUTE_MS, Garden, fixed, only

BEDS, BERRIES = "salad-bed-east", "berry-row"
SITE = only(EXAMPLE, BEDS, BERRIES)
JULY = day_of_year(date(2026, 7, 10))
OFF = Schedule("off", (), 0.0)
QUARTER_H = 0.25


def price(uses: Uses | None, part: float = 0.3) -> float:
    known = outlook(SITE, uses)
    assert known is not None
    table = known.tables["main"]
    return table.at(JULY, 0.0, part * table.capacity_l)


def taking(**changed: Use) -> Uses:
    """The declared uses with some changed; `_` in a name stands for `-`."""
    new = {zone_id.replace("_", "-"): use for zone_id, use in changed.items()}
    return tuple((zone_id, new.get(zone_id, use)) for zone_id, use in declared_uses(SITE))


def counted(garden: Garden) -> dict[str, list[float | None]]:
    """What the price counts on where it is not what is declared, as the memory has it."""
    uses: dict[str, list[float | None]] = json.loads(json.dumps(garden.season.core.dump()))["state"]["priced_uses"]
    return uses


# --- the table --------------------------------------------------------------------------------------------------------


def test_what_is_declared_is_what_holds_without_further_word() -> None:
    assert price(None) == price(declared_uses(SITE))


def test_water_is_cheaper_when_a_thirsty_zone_is_off_and_dearer_when_another_takes_a_fixed_volume_in_any_case() -> None:
    assert price(taking(berry_row=NOTHING_TAKEN)) < 0.9 * price(None)
    assert price(taking(berry_row=Use(60.0, 60.0))) > 1.1 * price(None)


def test_a_small_cap_counts_as_the_little_it_lets_through() -> None:
    off, small, declared = (
        price(taking(berry_row=use)) for use in (NOTHING_TAKEN, Use(5.0), use_of(SITE.zone(BERRIES).schedule))
    )
    assert off < small < declared


def test_water_that_nobody_takes_is_worth_nothing() -> None:
    assert price(taking(salad_bed_east=NOTHING_TAKEN, berry_row=NOTHING_TAKEN)) == 0.0


@pytest.mark.parametrize(
    ("schedule", "use"),
    [
        (OFF, NOTHING_TAKEN),
        (Schedule("need", (Window(300, 480),), 25.0), Use(25.0)),
        (fixed(8.0, 360, 1080, cap_l=40.0), Use(40.0, 16.0)),
        (fixed(8.0, 360, 1080, cap_l=10.0), Use(10.0, 10.0)),
    ],
)
def test_a_schedule_takes_its_cap_or_its_fixed_volumes_or_nothing(schedule: Schedule, use: Use) -> None:
    assert use_of(schedule) == use


@pytest.mark.parametrize("part", [0.5, 0.7, 0.9])
@pytest.mark.parametrize("zone_id", [BEDS, BERRIES])
def test_water_is_dearer_the_thirstier_a_zone_has_proved_to_be(zone_id: str, part: float) -> None:
    """With half a tank or more; with less a thirstier zone may be given up, which makes water cheaper."""
    cap_l = SITE.zone(zone_id).schedule.daily_cap_l
    prices = [price(taking(**{zone_id: Use(cap_l, None, need_part)}), part) for need_part in (0.8, 1.0, 1.2)]
    assert prices == sorted(prices)
    assert prices[0] < 0.95 * prices[1] < 0.95 * 0.97 * prices[2]


@pytest.mark.parametrize(("factor", "need_part"), [(1.0, 1.0), (1.04, 1.0), (1.06, 1.1), (0.83, 0.8)])
def test_the_need_counts_in_tenths_of_the_declared_one(factor: float, need_part: float) -> None:
    assert use_of(SITE.zone(BEDS).schedule, factor).need_part == need_part


def test_a_fixed_volume_is_no_thirstier() -> None:
    assert use_of(fixed(8.0, 360, cap_l=40.0), 1.3) == use_of(fixed(8.0, 360, cap_l=40.0))


# --- following --------------------------------------------------------------------------------------------------------


def test_a_zone_switched_off_stops_counting_half_an_hour_later_at_most_and_counts_again_when_it_is_on() -> None:
    garden = Garden(SITE)
    garden.run_hours(10.1)
    assert counted(garden) == {}
    assert garden.order(SetSchedule(BERRIES, OFF, 0)).accepted
    garden.run_hours(QUARTER_H)
    assert counted(garden) == {}
    assert garden.season.core.coming_uses() == taking(berry_row=NOTHING_TAKEN)
    garden.run_hours(QUARTER_H)
    assert counted(garden) == {BERRIES: [0.0, 0.0, 1.0]}
    assert garden.season.core.coming_uses() is None
    assert garden.order(SetSchedule(BERRIES, SITE.zone(BERRIES).schedule, 1)).accepted
    # Each change after a restart is worked out anew, so there are few a day.
    garden.run_hours(3)
    assert counted(garden) == {BERRIES: [0.0, 0.0, 1.0]}
    garden.run_hours(1.5)
    assert counted(garden) == {}


def test_what_is_changed_back_within_a_quarter_of_an_hour_changes_no_price() -> None:
    garden = Garden(SITE)
    garden.run_hours(10.1)
    garden.order(SetSchedule(BERRIES, OFF, 0))
    garden.run_hours(0.3)
    assert garden.season.core.coming_uses() is not None
    garden.order(SetSchedule(BERRIES, SITE.zone(BERRIES).schedule, 1))
    garden.run_hours(1)
    assert counted(garden) == {}
    assert garden.season.core.coming_uses() is None


def test_a_hold_counts_while_more_than_a_fortnight_of_it_is_left() -> None:
    garden = Garden(SITE)
    garden.run_hours(10.1)
    now_ms = garden.season.now().wall_ms
    garden.order(HoldZone(BEDS, now_ms + 3 * DAY_MS))
    garden.run_hours(1)
    assert counted(garden) == {}
    garden.order(HoldZone(BEDS, now_ms + 14 * DAY_MS + 6 * HOUR_MS))
    garden.run_hours(1)
    assert counted(garden) == {BEDS: [0.0, 0.0, 1.0]}
    garden.run_hours(5)
    assert counted(garden) == {}
    garden.order(HoldZone(BEDS, None))
    garden.run_hours(5)
    assert counted(garden) == {BEDS: [0.0, 0.0, 1.0]}
    garden.order(ResumeZone(BEDS))
    garden.run_hours(5)
    assert counted(garden) == {}


def test_what_the_owner_says_of_a_zone_counts_for_the_price() -> None:
    garden = Garden(SITE, tmax_c=28.0)
    garden.run_hours(30)
    for _ in range(3):
        assert garden.order(ZoneLooks(BEDS, "dry")).accepted
        garden.run_hours(24)
    factor = garden.season.core.dump()["state"]["zones"][BEDS]["trim"][0]
    assert factor > 1.05
    assert counted(garden) == {BEDS: list(use_of(SITE.zone(BEDS).schedule, factor))}


@pytest.mark.parametrize(("barred", "zones"), [(BEDS, {BEDS}), ("", {BEDS, BERRIES}), ("house-pump", {BEDS, BERRIES})])
@pytest.mark.parametrize(("days", "counts_as_off"), [(13, False), (14, True)])
def test_what_a_fault_has_barred_for_a_fortnight_counts_as_off(
    barred: str, zones: set[str], days: int, counts_as_off: bool
) -> None:
    barred = SITE.pumps[0].id if barred == "house-pump" else barred
    ctx, begins = remembered(SITE, None), Now(0, 1_780_000_000_000, "synchronised")
    ctx.state.latches["no-flow"] = Latch("no-flow", "no-flow", barred, "nothing flows", "look", begins.wall_ms)
    takers.follow(ctx, begins)
    assert ctx.state.coming_uses is None
    takers.follow(ctx, Now(days * DAY_MS, begins.wall_ms + days * DAY_MS, "synchronised"))
    assert ctx.state.coming_uses == (dict.fromkeys(zones, NOTHING_TAKEN) if counts_as_off else None)


def test_what_a_site_file_no_longer_has_or_now_declares_itself_is_not_counted_twice() -> None:
    garden = Garden(SITE)
    garden.run_hours(10.1)
    garden.order(SetSchedule(BERRIES, OFF, 0))
    garden.run_hours(0.5)
    memory = json.loads(json.dumps(garden.season.core.dump()))
    assert memory["state"]["priced_uses"] == {BERRIES: [0.0, 0.0, 1.0]}
    assert Core(only(EXAMPLE, BEDS), memory).dump()["state"]["priced_uses"] == {}


def test_the_bed_that_is_left_is_watered_further_once_the_other_is_off() -> None:
    """Nearer to full on each of five days; how much it got in all depends on how full it was at the end."""

    def least_short_mm(*, berries: bool) -> list[float]:
        garden = Garden(SITE, fill=0.25, tmax_c=31.0)
        if not berries:
            garden.order(SetSchedule(BERRIES, OFF, 0))
        garden.run_hours(24)
        days = []
        for _ in range(5):
            short_mm = []
            for _ in range(24):
                garden.run_hours(1)
                short_mm.append(garden.season.core.dump()["state"]["zones"][BEDS]["depletion_mm"])
            days.append(min(short_mm))
        return days

    left_alone, shared = least_short_mm(berries=False), least_short_mm(berries=True)
    assert all(alone < both - 1.0 for alone, both in zip(left_alone, shared, strict=True))


# --- exactly again, and in time ---------------------------------------------------------------------------------------


def test_a_replay_from_the_midst_of_a_change_decides_the_same(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite", bulk=True)
    weather, start = season_weather(SITE, date(2026, 7, 1), 3, 1, None)
    began_ms = local_midnight_wall_ms(start, SITE.place)
    season = SeasonRun(SITE, weather, 1, began_ms, log=journal, encode=encode_input, fill=0.25)
    season.run_until(10 * HOUR_MS + 5 * MINUTE_MS)
    season.order(Order("off", "test", None, SetSchedule(BERRIES, OFF, 0)))
    season.run_until(10 * HOUR_MS + 20 * MINUTE_MS)
    assert season.core.coming_uses() is not None
    journal.add_checkpoint(season.now(), "the site", season.core.dump())
    season.run_until(2 * DAY_MS)
    assert season.core.dump()["state"]["priced_uses"] == {BERRIES: NOTHING_TAKEN}
    journal.close()
    result = replay(tmp_path / "j.sqlite", Core, lambda _: SITE)
    assert result.steps > 1000
    assert result.difference is None


def test_the_service_works_the_table_out_before_the_core_needs_it() -> None:
    site = replace(SITE, id="another")
    uses = taking(berry_row=NOTHING_TAKEN)
    worker = Prospects(site)
    worker.start()
    worker.work_out_prices(uses)
    worker.work_out_prices(uses)
    worker.stop(30.0)
    before = outlook.cache_info()
    outlook(site, uses)
    after = outlook.cache_info()
    assert (after.hits, after.misses) == (before.hits + 1, before.misses)
