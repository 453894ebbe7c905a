"""What an owner or a forecast says, in days in the garden: looks, holds, undone schedules, rain to come, sun."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from controller.contract import (
    Command,
    Forecast,
    ForecastDay,
    ForgetLooks,
    HoldZone,
    ResumeAll,
    ResumeZone,
    RunZone,
    SetSchedule,
    StopAll,
    UndoSchedule,
    ZoneLooks,
)
from controller.core import Core
from controller.irrigate.normal_et import local_correction
from controller.irrigate.reference_et import hargreaves_mm
from controller.site.model import Site, Window
from tests.scenario.garden import EXAMPLE, HOUR_MS, MINUTE_MS, Garden, at_fixed_times, fixed, only, with_schedule

POT = "bench-south"
BED = "salad-bed-east"
START = date(2026, 7, 1)


def forecast(garden: Garden, *rain_mm: float, tmin_c: float = 13.0, tmax_c: float = 27.0) -> Forecast:
    """Issued now, from today on."""
    days = [ForecastDay((START + timedelta(days=n)).isoformat(), mm, tmin_c, tmax_c) for n, mm in enumerate(rain_mm)]
    return Forecast(garden.season.now().wall_ms, tuple(days))


# --- the owner's word ------------------------------------------------------------------------------------------------


def test_a_word_that_surprises_trims_the_coefficient_and_is_in_the_journal_with_before_and_after() -> None:
    garden = Garden(with_schedule(only(EXAMPLE, BED), BED, mode="off"))
    garden.run_hours(40)
    before = garden.snapshot.zones[0]
    assert garden.order(ZoneLooks(BED, "wet")).accepted
    (word,) = [record.data for record in garden.of_kind("look", BED)]
    after = garden.snapshot.zones[0]
    assert word["look"] == after.last_look == "wet"
    assert (word["factor_before"], word["factor"]) == (1.0, after.coefficient_factor)
    assert word["depletion_before_mm"] == pytest.approx(before.depletion_mm, abs=0.2)
    assert word["depletion_mm"] == after.depletion_mm < before.depletion_mm
    assert 0.5 <= after.coefficient_factor < 0.99
    # A twin that nobody looked at: neither is short of water, so a whole day's evapotranspiration tells the factor.
    twin = Garden(with_schedule(only(EXAMPLE, BED), BED, mode="off"))
    twin.run_hours(40)
    for one in (garden, twin):
        dumped = one.season.core.dump()
        dumped["state"]["zones"][BED]["depletion_mm"] = 1.0
        one.season.core = Core(one.site, dumped)
        one.run_hours(32.1)
    day, plain = garden.of_kind("day", BED)[-1].data, twin.of_kind("day", BED)[-1].data
    assert day["etc_mm"] / plain["etc_mm"] == pytest.approx(after.coefficient_factor, rel=0.01)


def test_one_word_in_20_hours_counts_and_a_second_is_refused_with_the_reason() -> None:
    garden = Garden(with_schedule(only(EXAMPLE, BED, POT), BED, mode="off"))
    garden.run_hours(30)
    assert garden.order(ZoneLooks(BED, "dry")).accepted
    factor = garden.snapshot.zones[0].coefficient_factor
    garden.run_hours(19)
    again = garden.order(ZoneLooks(BED, "wet"))
    assert not again.accepted
    assert "once in 20 hours" in again.reason
    assert "1.0 h" in again.reason
    assert garden.snapshot.zones[0].coefficient_factor == factor
    assert garden.order(ZoneLooks(POT, "wet")).accepted
    garden.run_hours(1.01)
    assert garden.order(ZoneLooks(BED, "wet")).accepted


def test_forgotten_words_leave_the_declared_coefficient_also_after_a_restart() -> None:
    garden = Garden(with_schedule(only(EXAMPLE, BED), BED, mode="off"))
    garden.run_hours(40)
    garden.order(ZoneLooks(BED, "dry"))
    trimmed = garden.snapshot.zones[0].coefficient_factor
    garden.season.restart(30_000)
    assert garden.snapshot.zones[0].coefficient_factor == trimmed > 1.0
    assert garden.order(ForgetLooks(BED)).accepted
    assert garden.snapshot.zones[0].coefficient_factor == 1.0
    assert garden.snapshot.zones[0].last_look is None
    assert garden.of_kind("look", BED)[-1].data == {"look": "forgotten", "factor_before": trimmed, "factor": 1.0}
    assert not garden.order(ZoneLooks(BED, "dry")).accepted


def test_a_word_about_bare_ground_is_refused() -> None:
    garden = Garden(only(EXAMPLE, BED), date(2026, 12, 20), tmin_c=6.0, tmax_c=9.0)
    garden.run_hours(1)
    answer = garden.order(ZoneLooks(BED, "dry"))
    assert not answer.accepted
    assert "nothing is planted" in answer.reason


# --- one zone on hold ------------------------------------------------------------------------------------------------


def two_at_six() -> Site:
    zones = [
        replace(EXAMPLE.zone(BED), schedule=fixed(10.0, 6 * 60, 18 * 60)),
        replace(EXAMPLE.zone(POT), schedule=fixed(8.0, 6 * 60, 18 * 60)),
    ]
    return replace(EXAMPLE, zones=tuple(zones))


def test_a_zone_on_hold_waits_for_its_instant_while_the_others_are_watered() -> None:
    garden = Garden(two_at_six())
    garden.run_hours(1)
    assert garden.order(HoldZone(BED, garden.start_wall_ms + 12 * HOUR_MS)).accepted
    garden.run_hours(8)
    assert garden.given_l(BED) == 0.0
    assert garden.given_l(POT) == pytest.approx(8.0, rel=0.1)
    assert f"zone-held:{BED}" in garden.findings
    view = next(zone for zone in garden.snapshot.zones if zone.id == BED)
    assert view.held
    assert view.next_start_wall_ms == garden.start_wall_ms + 18 * HOUR_MS
    assert "zone-held" in garden.of_kind("refusal", BED)[0].data["blockers"]
    refused = garden.order(RunZone(BED, 5.0))
    assert not refused.accepted
    assert "on hold until 2026-07-01 12:00" in refused.reason
    garden.run_hours(10)
    assert garden.given_l(BED) == pytest.approx(10.0, rel=0.1)
    assert f"zone-held:{BED}" not in garden.findings


def test_a_hold_of_the_zone_that_runs_stops_it_and_a_resume_lets_it_finish() -> None:
    garden = Garden(at_fixed_times(EXAMPLE, BED, 40.0, 6 * 60))
    garden.run_until_watering()
    assert garden.order(HoldZone(BED, None)).accepted
    garden.run_seconds(10)
    assert garden.flow_l_min == 0.0
    garden.run_hours(0.5)
    assert garden.flow_l_min == 0.0
    assert garden.order(ResumeZone(BED)).accepted
    garden.run_hours(1)
    assert garden.given_l(BED) == pytest.approx(40.0, rel=0.06)


def test_the_site_s_hold_and_a_zone_s_stand_each_by_itself() -> None:
    garden = Garden(two_at_six())
    garden.run_hours(1)
    garden.order(HoldZone(BED, None))
    garden.order(StopAll())
    garden.order(ResumeAll())
    garden.season.restart(30_000)
    garden.run_hours(8)
    assert garden.given_l(BED) == 0.0
    assert garden.given_l(POT) > 7.0


def test_a_zone_on_hold_asks_for_nothing_and_its_plan_says_why() -> None:
    garden = Garden(only(EXAMPLE, BED, POT))
    garden.run_hours(1)
    garden.order(HoldZone(BED, None))
    garden.run_hours(24 * 3)
    assert garden.given_l(BED) == 0.0
    assert garden.given_l(POT) > 0.0
    view = next(zone for zone in garden.snapshot.zones if zone.id == BED)
    assert (view.plan_l, view.why, view.next_start_wall_ms) == (0.0, "on hold", None)


# --- schedules -------------------------------------------------------------------------------------------------------


def test_undo_goes_back_schedule_by_schedule_each_as_a_new_version() -> None:
    garden = Garden(only(EXAMPLE, BED))
    garden.run_hours(1)
    declared = EXAMPLE.zone(BED).schedule
    first, second = fixed(5.0, 7 * 60), fixed(6.0, 8 * 60)
    for version, schedule in enumerate((first, second)):
        assert garden.order(SetSchedule(BED, schedule, version)).accepted
    for version, expected in ((2, first), (3, declared)):
        assert garden.order(UndoSchedule(BED, version)).accepted
        view = garden.snapshot.zones[0]
        assert (view.schedule, view.schedule_version) == (expected, version + 1)
        assert garden.of_kind("schedule", BED)[-1].data["version"] == version + 1
    refused = garden.order(UndoSchedule(BED, 4))
    assert not refused.accepted
    assert "nothing to go back to" in refused.reason
    assert garden.snapshot.zones[0].schedule_version == 4


def test_five_earlier_schedules_are_kept_also_over_a_restart() -> None:
    garden = Garden(only(EXAMPLE, BED))
    garden.run_hours(1)
    for version in range(7):
        assert garden.order(SetSchedule(BED, fixed(1.0 + version, 7 * 60), version)).accepted
    garden.season.restart(30_000)
    for version in range(7, 12):
        assert garden.order(UndoSchedule(BED, version)).accepted
    assert garden.snapshot.zones[0].schedule.fixed_volume_l == 2.0
    assert not garden.order(UndoSchedule(BED, 12)).accepted


@pytest.mark.parametrize("soak_min", [0, 20, 90])
def test_a_zone_s_doses_are_as_far_apart_as_its_soak_says(soak_min: int) -> None:
    windows = (Window(0, 1440),)
    site = with_schedule(only(EXAMPLE, POT), POT, windows=windows, doses_per_day=12, daily_cap_l=60.0)
    garden = Garden(with_schedule(site, POT, soak_min=soak_min), tmax_c=34.0)
    garden.run_hours(48)
    runs = [(now.mono_ms, record.data) for now, record in garden.records if record.kind == "delivery"]
    starts = [now.mono_ms for now, record in garden.records if record.kind == "start"]
    gaps_ms = [begin - end for (end, _), begin in zip(runs, starts[1:], strict=False)]
    assert len(gaps_ms) >= 3
    assert min(gaps_ms) >= soak_min * MINUTE_MS


# --- orders that make no sense now -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "part"),
    [
        (ZoneLooks("rose-bed", "dry"), "no zone 'rose-bed'"),
        (ZoneLooks(BED, "thirsty"), "allowed are dry and wet"),  # type: ignore[arg-type]
        (ForgetLooks("rose-bed"), "no zone 'rose-bed'"),
        (HoldZone("rose-bed", None), "no zone 'rose-bed'"),
        (HoldZone(BED, 1), "already past"),
        (HoldZone(BED, 4 * 10**12), "400 days"),
        (ResumeZone("rose-bed"), "no zone 'rose-bed'"),
        (UndoSchedule("rose-bed", 0), "no zone 'rose-bed'"),
        (UndoSchedule(BED, 0), "nothing to go back to"),
        (UndoSchedule(BED, 3), "version 0"),
        (SetSchedule(BED, replace(fixed(1.0, 1), soak_min=-5), 0), "soak_min is -5"),
        (Forecast(1, (ForecastDay("2026-07-01", 0.0, 1.0, 2.0),)), "more than 24 hours ago"),
        (Forecast(1, ()), "0 days"),
        (Forecast(1, (ForecastDay("1 July", 0.0, 1.0, 2.0),)), "no date"),
        (Forecast(1, (ForecastDay("2026-07-01", float("nan"), 1.0, 2.0),)), "rain_mm of 2026-07-01 is nan"),
        (Forecast(1, (ForecastDay("2026-07-01", 0.0, 3.0, 2.0),)), "above tmax_c"),
    ],
)
def test_an_order_that_makes_no_sense_now_is_refused_and_changes_nothing(command: Command, part: str) -> None:
    garden = Garden(only(EXAMPLE, BED))
    garden.run_hours(1)
    before = garden.season.core.dump()["state"]
    answer = garden.order(command)
    assert not answer.accepted
    assert part in answer.reason
    after = garden.season.core.dump()["state"]
    assert (after["zones"], after["forecast"]) == (before["zones"], before["forecast"])


# --- forecast --------------------------------------------------------------------------------------------------------


def test_beds_leave_room_for_forecast_rain_and_the_plan_says_so_while_pots_drink_as_before() -> None:
    # Beds and pots with more water than they can use, so that without a forecast every bed is refilled.
    site = with_schedule(only(EXAMPLE, BED, POT), BED, windows=(Window(0, 1440),))
    wet, plain = Garden(site, START, fill=0.95), Garden(site, START, fill=0.95)
    for garden in (wet, plain):
        garden.run_hours(0.5)
    assert wet.order(forecast(wet, 0.0, 12.0)).accepted
    for garden in (wet, plain):
        garden.run_hours(20)
    assert any("rain of 12 mm is forecast" in record.data["why"] for record in wet.of_kind("plan", BED))
    assert wet.given_l(BED) <= plain.given_l(BED)
    assert wet.given_l(POT) >= plain.given_l(POT) - 0.5


def test_a_forecast_s_temperatures_say_what_evaporates_today() -> None:
    garden = Garden(only(EXAMPLE, BED), START)
    garden.run_hours(1)
    assert garden.order(forecast(garden, 0.0, 0.0, tmin_c=18.0, tmax_c=36.0)).accepted
    hot_mm = hargreaves_mm(18.0, 36.0, EXAMPLE.place.latitude_deg, 182)
    normals = EXAMPLE.place.normals
    assert normals is not None
    hot_mm *= local_correction(EXAMPLE.place, normals)[START.month - 1]
    assert garden.snapshot.et0_today_mm == pytest.approx(hot_mm)
    garden.run_hours(24.1)
    usual_mm = garden.snapshot.et0_today_mm
    assert usual_mm is not None
    assert usual_mm < hot_mm


def test_an_old_forecast_counts_for_nothing_says_so_and_is_forgotten_after_days() -> None:
    garden = Garden(only(EXAMPLE, BED), START)
    garden.run_hours(1)
    garden.order(forecast(garden, 0.0, 12.0, 12.0))
    assert garden.snapshot.rain_to_come_mm == 12.0
    assert "forecast-old" not in garden.findings
    garden.run_hours(24.1)
    assert "forecast-old" in garden.findings
    assert garden.snapshot.rain_to_come_mm is None
    assert garden.snapshot.forecast_issued_wall_ms is None
    newer = replace(forecast(garden, 0.0, 0.0, 5.0))
    assert garden.order(newer).accepted
    assert "forecast-old" not in garden.findings
    late = replace(newer, issued_wall_ms=newer.issued_wall_ms - HOUR_MS)
    refused = garden.order(late)
    assert not refused.accepted
    assert "known already" in refused.reason
    garden.run_hours(24 * 4)
    assert "forecast-old" not in garden.findings
    assert garden.season.core.dump()["state"]["forecast"] is None


def test_a_forecast_outlives_a_restart() -> None:
    garden = Garden(only(EXAMPLE, BED), START)
    garden.run_hours(1)
    garden.order(forecast(garden, 0.0, 12.0))
    dumped = garden.season.core.dump()
    again = Core(garden.site, dumped)
    assert again.dump()["state"]["forecast"] == dumped["state"]["forecast"]
    assert again.snapshot(garden.season.now()).rain_to_come_mm == 12.0


# --- sun -------------------------------------------------------------------------------------------------------------

NIGHT_AND_NOON = (Window(2 * 60, 4 * 60), Window(12 * 60, 14 * 60))


def dark_start(charge_part: float, windows: tuple[Window, ...] = NIGHT_AND_NOON) -> Garden:
    """A pot that wants water in a window by night, with a battery charged so far."""
    site = with_schedule(only(EXAMPLE, POT), POT, windows=windows, daily_cap_l=60.0)
    garden = Garden(site, START, fill=0.95)
    garden.season.plant.bank.charge_ah = charge_part * garden.season.plant.bank.capacity_ah
    return garden


def first_start_h(garden: Garden) -> float:
    return (garden.times_of("start", POT)[0].wall_ms - garden.start_wall_ms) / HOUR_MS


def test_a_start_by_night_waits_for_the_noon_window_when_the_battery_is_low_and_says_why() -> None:
    garden = dark_start(0.65)
    garden.run_hours(3.5)
    assert garden.given_l(POT) == 0.0
    refusal = garden.of_kind("refusal", POT)[0].data
    assert refusal["blockers"] == ["waits-for-sun"]
    assert "waits for the window at 2026-07-01 12:00" in refusal["text"]
    assert garden.snapshot.zones[0].next_start_wall_ms == garden.start_wall_ms + 12 * HOUR_MS
    garden.run_hours(10)
    assert 12.0 <= first_start_h(garden) < 13.0


def test_the_last_window_of_the_day_is_never_waited_past() -> None:
    garden = dark_start(0.65, (Window(2 * 60, 4 * 60),))
    garden.run_hours(4)
    assert 2.0 <= first_start_h(garden) < 2.5


def test_plants_that_cannot_wait_until_noon_are_watered_by_night() -> None:
    garden = dark_start(0.65)
    garden.run_hours(1)
    dumped = garden.season.core.dump()
    total_mm = EXAMPLE.zone(POT).total_available_mm
    dumped["state"]["zones"][POT]["depletion_mm"] = 0.7 * total_mm
    garden.season.core = Core(garden.site, dumped)
    garden.run_hours(3)
    assert 2.0 <= first_start_h(garden) < 2.5
