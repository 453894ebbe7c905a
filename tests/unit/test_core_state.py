"""The core's memory on its way through JSON, and what of it outlives a change of the site file."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from controller.contract import Forecast, ForecastDay, LinkChanged, Now, Order, Restarted, RunZone, SetSchedule
from controller.core import Core
from controller.core.state import (
    NEVER_MS,
    Delivery,
    Latch,
    ManualRun,
    fresh_state,
    shift_mono,
    state_from_json,
    state_to_json,
)
from controller.irrigate.feedback import Trim
from controller.site.model import Schedule, Site, Window
from tests.scenario.garden import EXAMPLE, HOUR_MS, Garden, fixed, only, with_schedule

BED, POT = "salad-bed-east", "bench-south"
SITE = only(EXAMPLE, BED, POT)
DRY = Schedule("fixed", (), 25.0, 1, 5.0, (7 * 60, 19 * 60))


def through_json(data: dict[str, Any]) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(json.dumps(data, allow_nan=False))
    return loaded


def lived_in(site: Site = SITE) -> Core:
    """A core that has seen a morning, with a run under way."""
    garden = Garden(site)
    garden.run_until_watering(limit_hours=48.0)
    core = garden.season.core
    assert core.dump()["state"]["delivery"] is not None
    return core


def reloaded(core: Core, site: Site) -> dict[str, Any]:
    state: dict[str, Any] = Core(site, through_json(core.dump())).dump()["state"]
    return state


def test_a_core_made_from_a_dump_dumps_the_same() -> None:
    core = lived_in()
    assert through_json(Core(SITE, through_json(core.dump())).dump()) == through_json(core.dump())


def test_every_part_of_the_state_survives_json() -> None:
    state = fresh_state(SITE)
    state.delivery = Delivery(BED, "fixed", "2026-07-01/06:00", 9000, "why", "running", 5, 6, recent=[(1, 2), (3, 4)])
    state.manual = [ManualRun("order", POT, 3.5, 7, 8)]
    state.latches = {"no-flow:x": Latch("no-flow:x", "no-flow", "x", "text", "cure", 9)}
    state.notices = {"order-expired": Latch("order-expired", "order-expired", "", "text", "cure", 9)}
    state.zones[BED].schedule, state.zones[BED].schedule_version = DRY, 3
    state.zones[BED].fixed_left_ml = {"2026-07-01/06:00": 1200}
    state.zones[BED].trim, state.zones[BED].last_look = Trim(1.2, 0.01, 8.5), "dry"
    state.zones[BED].earlier_schedules = [SITE.zone(BED).schedule, DRY]
    state.zones[POT].held, state.zones[POT].hold_until_wall_ms = True, 77
    state.forecast = Forecast(5, (ForecastDay("2026-07-01", 3.0, 9.0, 21.0),))
    state.plan_order = [POT, BED]
    state.float_dry = {"main": True}
    assert state_from_json(through_json(state_to_json(state)), SITE) == state


def test_a_dump_from_before_words_holds_undo_soak_and_forecasts_still_loads() -> None:
    dumped = through_json(lived_in().dump())
    for name in ("trim", "last_look", "looked_mono_ms", "held", "hold_until_wall_ms", "earlier_schedules"):
        for zone in dumped["state"]["zones"].values():
            del zone[name]
    for zone in dumped["state"]["zones"].values():
        del zone["schedule"]["soak_min"]
    del dumped["state"]["forecast"]
    del dumped["sensing"]["panel_v"]
    again = Core(SITE, dumped).dump()["state"]
    assert again["zones"][BED]["trim"] == Trim()
    assert again["zones"][BED]["earlier_schedules"] == []
    assert again["zones"][BED]["schedule"]["soak_min"] == 60
    assert again["forecast"] is None


def test_a_zone_that_is_gone_from_the_site_file_is_forgotten_with_all_that_concerns_it() -> None:
    core = lived_in()
    running = core.dump()["state"]["delivery"]["zone_id"]
    rest = only(SITE, *[zone.id for zone in SITE.zones if zone.id != running])
    state = reloaded(core, rest)
    assert running not in state["zones"]
    assert state["delivery"] is None
    assert running not in state["plan_order"]


def test_after_a_zone_was_removed_the_others_are_watered_on() -> None:
    garden = Garden(with_schedule(SITE, POT, windows=(Window(0, 1440),)), tmax_c=33.0)
    garden.run_hours(8)
    garden.season.site = only(garden.site, POT)
    garden.season.restart(30_000)
    before = len(garden.of_kind("delivery", POT))
    garden.run_hours(30)
    assert len(garden.of_kind("delivery", POT)) > before


def test_a_new_zone_starts_fresh_beside_the_old_ones() -> None:
    core = lived_in(only(SITE, BED))
    state = reloaded(core, SITE)
    assert set(state["zones"]) == {BED, POT}
    fresh = through_json(state_to_json(fresh_state(SITE)))["zones"][POT]
    assert through_json(state["zones"][POT]) == fresh


def test_schedule_version_0_follows_the_site_file() -> None:
    core = Core(SITE)
    edited = with_schedule(SITE, BED, daily_cap_l=11.0)
    assert reloaded(core, edited)["zones"][BED]["schedule"]["daily_cap_l"] == 11.0


def test_a_schedule_set_by_order_outlives_an_edit_of_the_site_file() -> None:
    core = Core(SITE)
    order = Order("one", "somebody", None, SetSchedule(BED, DRY, 0))
    (answer,) = core.step(Now(0, 1_780_000_000_000), [order]).answers
    assert answer.accepted
    zone = reloaded(core, with_schedule(SITE, BED, daily_cap_l=11.0))["zones"][BED]
    assert zone["schedule_version"] == 1
    assert zone["schedule"]["daily_cap_l"] == DRY.daily_cap_l


def test_a_float_switch_that_was_taken_out_of_the_site_file_no_longer_bars_its_tank() -> None:
    core = lived_in()
    dumped = through_json(core.dump())
    dumped["state"]["float_dry"] = {"main": True}
    without = replace(SITE, tanks=(replace(SITE.tanks[0], float_switch_channel=None),))
    assert Core(without, dumped).dump()["state"]["float_dry"] == {}
    assert Core(SITE, dumped).dump()["state"]["float_dry"] == {"main": True}


def test_when_the_monotonic_clock_begins_anew_every_time_on_it_moves_and_never_stays_never() -> None:
    state = fresh_state(SITE)
    state.mono_ms, state.choice_due_mono_ms = 1000, 2000
    state.zones[BED].retry_mono_ms = 3000
    state.manual = [ManualRun("order", POT, 3.5, 7, 4000)]
    state.delivery = Delivery(BED, "need", "key", 1, "why", "running", 5000, 6, recent=[(7000, 2)])
    shift_mono(state, -500)
    assert (state.mono_ms, state.choice_due_mono_ms, state.zones[BED].retry_mono_ms) == (500, 1500, 2500)
    assert state.manual[0].not_after_mono_ms == 3500
    assert state.delivery.phase_mono_ms == 4500
    assert state.delivery.recent == [(6500, 2)]
    assert state.zones[POT].retry_mono_ms == state.rest_flow_mono_ms == state.delivery.flow_seen_mono_ms == NEVER_MS


def test_a_waiting_run_by_order_does_not_outlive_its_patience_when_the_clock_is_put_back() -> None:
    garden = Garden(with_schedule(SITE, POT, mode="off"))
    garden.run_until_watering(limit_hours=48.0)
    assert garden.order(RunZone(POT, 3.0)).accepted
    # Something blocks it: the level sensor falls silent; meanwhile the clock is put back by two hours.
    garden.season.plant.faults.echo_silent.add(0)
    garden.season.clock_step_ms = -2 * HOUR_MS
    garden.run_seconds(15 * 60)
    garden.season.plant.faults.echo_silent.clear()
    garden.run_hours(1.5)
    assert garden.of_kind("delivery", POT) == []


def test_a_new_fixed_time_on_the_same_day_is_a_new_run_although_the_old_one_was_served() -> None:
    garden = Garden(only(with_schedule(SITE, BED, **_fields(fixed(5.0, 2 * 60))), BED))
    garden.run_hours(4)
    assert len(garden.of_kind("delivery", BED)) == 1
    assert garden.order(SetSchedule(BED, fixed(5.0, 6 * 60), 0)).accepted
    garden.run_hours(3)
    assert len(garden.of_kind("delivery", BED)) == 2


def _fields(schedule: Schedule) -> dict[str, Any]:
    return {name: getattr(schedule, name) for name in Schedule.__slots__}


def test_a_restart_forgets_no_latch_and_no_applied_water() -> None:
    core = lived_in()
    dumped = through_json(core.dump())
    dumped["state"]["latches"] = {"no-flow:x": vars_of(Latch("no-flow:x", "no-flow", BED, "text", "cure", 9))}
    dumped["state"]["zones"][BED]["applied_today_ml"] = 4321
    again = Core(SITE, dumped)
    last = dumped["state"]
    again.step(Now(17, last["wall_ms"] + 5000), [Restarted(5000), LinkChanged(False, "starting")])
    state = again.dump()["state"]
    assert set(state["latches"]) == {"no-flow:x"}
    assert state["zones"][BED]["applied_today_ml"] == 4321


def vars_of(latch: Latch) -> dict[str, Any]:
    return {name: getattr(latch, name) for name in Latch.__slots__}
