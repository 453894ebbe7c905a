"""The plan: who gets how much water, by priority, within cap, reserve and energy."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.irrigate.plan import (
    CONTAINER_TRIGGER,
    SMALLEST_DOSE_L,
    Supply,
    ZoneNeed,
    allocate,
    gross_l,
    net_mm,
    wanted,
)
from controller.site.model import Schedule, ScheduleMode, Valve, Window, Zone, ZoneKind

ALL_DAY = (Window(0, 1440),)
PLENTY = Supply(1e6, math.inf, 0.1)
ROUNDING_L = 1e-6


def zone(
    zone_id: str = "beans", kind: ZoneKind = "bed", priority: int = 2, area_m2: float = 5.0, tank_id: str = "butts"
) -> Zone:
    return Zone(
        id=zone_id,
        name=zone_id,
        kind=kind,
        tank_id=tank_id,
        valve=Valve("held", 0, 2.0),
        area_m2=area_m2,
        crops=(),
        root_depth_mm=400.0,
        available_water_mm_per_m=150.0,
        emitter_count=50,
        emitter_l_h=2.0,
        drip_efficiency=0.9,
        rain_fed=True,
        priority=priority,
        schedule=Schedule("need", ALL_DAY, 50.0),
    )


def need(
    of: Zone | None = None,
    *,
    mode: ScheduleMode = "need",
    depletion_mm: float = 20.0,
    readily_mm: float = 18.0,
    until_next_mm: float = 4.0,
    growing: bool = True,
    applied_l: float = 0.0,
    cap_l: float = 500.0,
    fixed_l: float = 0.0,
) -> ZoneNeed:
    schedule = Schedule(mode, ALL_DAY, cap_l, 1, fixed_l, (360,) if mode == "fixed" else ())
    return ZoneNeed(of or zone(), schedule, depletion_mm, readily_mm, until_next_mm, until_next_mm, growing, applied_l)


# --- what a zone asks for ---------------------------------------------------------------------------------------


def test_litres_through_the_emitters_and_depth_in_the_soil_are_inverse() -> None:
    # 18 mm on 5 m2 are 90 L in the soil; at 90 % efficiency 100 L leave the emitters.
    assert gross_l(zone(), 18.0) == pytest.approx(100.0)
    assert net_mm(zone(), 100.0) == pytest.approx(18.0)


def test_a_bed_that_stays_moist_until_its_next_chance_asks_for_nothing() -> None:
    litres, why = wanted(need(depletion_mm=13.9, until_next_mm=4.0, readily_mm=18.0))
    assert litres == 0.0
    assert "17.9 mm by the next chance" in why
    assert "18.0 mm" in why


def test_a_bed_that_would_run_short_before_its_next_chance_asks_to_be_refilled() -> None:
    litres, why = wanted(need(depletion_mm=14.0, until_next_mm=4.0, readily_mm=18.0))
    assert litres == pytest.approx(gross_l(zone(), 14.0))
    assert "14.0 mm short of full (60 mm)" in why


def test_pots_ask_early_and_often() -> None:
    pots = zone(kind="container")
    trigger_mm = CONTAINER_TRIGGER * pots.total_available_mm
    assert wanted(need(pots, depletion_mm=trigger_mm - 0.01))[0] == 0.0
    assert wanted(need(pots, depletion_mm=trigger_mm))[0] == pytest.approx(gross_l(pots, trigger_mm))


def test_outside_its_season_switched_off_or_at_fixed_times_need_does_not_count() -> None:
    assert wanted(need(growing=False)) == (0.0, "nothing planted at this time of year")
    assert wanted(need(mode="off"))[0] == 0.0
    assert wanted(need(mode="fixed", fixed_l=12.0, growing=False)) == (12.0, "fixed volume of 12 L")


# --- who gets it --------------------------------------------------------------------------------------------------


def test_with_plenty_everybody_gets_what_they_ask_for() -> None:
    lines = allocate([need(zone("a")), need(zone("b"), mode="fixed", fixed_l=7.0)], {"butts": PLENTY})
    assert {line.zone_id: line.volume_l for line in lines} == {
        "a": pytest.approx(gross_l(zone(), 20.0)),
        "b": 7.0,
    }
    assert all("limited" not in line.why for line in lines)


@pytest.mark.parametrize(
    ("change", "supply", "reason"),
    [
        ({"cap_l": 30.0, "applied_l": 18.0}, PLENTY, "limited to 12.0 L by what is left of its daily cap"),
        ({}, Supply(40.0, math.inf, 0.1), "limited to 40.0 L by the water above the reserve"),
        ({}, Supply(1e6, 5.0, 0.1), "limited to 50.0 L by the charge the battery can spare"),
        ({}, Supply(0.0, math.inf, 0.1, level_known=False), "the tank's level, which is not known now"),
    ],
)
def test_a_limited_line_says_what_limits_it_in_litres(change: dict[str, float], supply: Supply, reason: str) -> None:
    (line,) = allocate([need(**change)], {"butts": supply})  # type: ignore[arg-type]
    assert reason in line.why
    assert line.volume_l < line.wanted_l


def test_the_tightest_of_several_limits_is_the_one_told() -> None:
    (line,) = allocate([need(cap_l=30.0)], {"butts": Supply(20.0, 1.0, 0.1)})
    assert line.volume_l == pytest.approx(10.0)
    assert line.why.endswith("limited to 10.0 L by the charge the battery can spare")


def test_among_equals_the_drier_zone_is_served_first() -> None:
    dry, drier = need(zone("a"), depletion_mm=18.0), need(zone("b"), depletion_mm=30.0)
    assert [line.zone_id for line in allocate([dry, drier], {"butts": PLENTY})] == ["b", "a"]


def test_a_dose_too_small_for_a_stroke_of_the_valve_is_left_out_and_stays_in_the_tank() -> None:
    first, second = need(zone("a", priority=1)), need(zone("b", priority=2))
    lines = allocate([first, second], {"butts": Supply(SMALLEST_DOSE_L - 0.01, math.inf, 0.1)})
    assert [line.volume_l for line in lines] == [0.0, 0.0]
    (line,) = allocate([first], {"butts": Supply(SMALLEST_DOSE_L, math.inf, 0.1)})
    assert line.volume_l == SMALLEST_DOSE_L


def test_one_battery_drives_the_pumps_of_all_tanks() -> None:
    first, second = need(zone("a", priority=1)), need(zone("b", priority=2, tank_id="cask"))
    wanted_l = gross_l(zone(), 20.0)
    spare = Supply(1e6, 0.1 * (wanted_l + 30.0), 0.1)
    lines = allocate([second, first], {"butts": spare, "cask": spare})
    assert [line.volume_l for line in lines] == [pytest.approx(wanted_l), pytest.approx(30.0)]


# --- for all inputs ----------------------------------------------------------------------------------------------

positive = st.floats(0.0, 300.0)
modes: st.SearchStrategy[ScheduleMode] = st.sampled_from(["need", "need", "fixed", "off"])


@st.composite
def needs(draw: st.DrawFn, tanks: tuple[str, ...] = ("butts",)) -> list[ZoneNeed]:
    made = []
    for number in range(draw(st.integers(1, 6))):
        of = zone(
            f"z{number}",
            draw(st.sampled_from(["bed", "row", "container"])),
            draw(st.integers(1, 4)),
            draw(st.floats(0.2, 40.0)),
            draw(st.sampled_from(tanks)),
        )
        made.append(
            need(
                of,
                mode=draw(modes),
                depletion_mm=draw(st.floats(0.0, 60.0)),
                readily_mm=draw(st.floats(0.0, 40.0)),
                until_next_mm=draw(st.floats(0.0, 12.0)),
                growing=draw(st.booleans()),
                applied_l=draw(positive),
                cap_l=draw(positive),
                fixed_l=draw(positive),
            )
        )
    return made


energies = st.one_of(st.just(math.inf), st.floats(0.0, 100.0))
supplies = st.builds(Supply, st.floats(-50.0, 500.0), energies, st.floats(0.0, 0.5), st.booleans())


@given(needs(("butts", "cask")), supplies, st.floats(-50.0, 500.0), st.floats(0.0, 0.5))
def test_no_line_exceeds_wish_cap_water_or_energy(
    asked: list[ZoneNeed], butts: Supply, cask_l: float, cask_wh_per_l: float
) -> None:
    cask = Supply(cask_l, butts.energy_wh, cask_wh_per_l)
    stock = {"butts": butts, "cask": cask}
    lines = allocate(asked, stock)
    assert sorted(line.zone_id for line in lines) == sorted(item.zone.id for item in asked)
    of = {item.zone.id: item for item in asked}
    for line in lines:
        item = of[line.zone_id]
        assert 0.0 <= line.volume_l <= line.wanted_l
        assert line.volume_l <= max(0.0, item.schedule.daily_cap_l - item.applied_today_l)
        assert line.volume_l == 0.0 or line.volume_l >= SMALLEST_DOSE_L
        assert line.why
    for tank_id, supply in stock.items():
        drawn_l = sum(line.volume_l for line in lines if of[line.zone_id].zone.tank_id == tank_id)
        assert drawn_l <= max(0.0, supply.available_l) + ROUNDING_L
    spent_wh = sum(line.volume_l * stock[of[line.zone_id].zone.tank_id].wh_per_l for line in lines)
    assert spent_wh <= butts.energy_wh + ROUNDING_L


@given(needs(), supplies, st.floats(0.0, 300.0), st.floats(0.0, 50.0))
def test_more_water_or_energy_never_makes_any_zone_s_line_smaller(
    asked: list[ZoneNeed], supply: Supply, more_l: float, more_wh: float
) -> None:
    richer = replace(supply, available_l=supply.available_l + more_l, energy_wh=supply.energy_wh + more_wh)
    before = {line.zone_id: line.volume_l for line in allocate(asked, {"butts": supply})}
    after = {line.zone_id: line.volume_l for line in allocate(asked, {"butts": richer})}
    for zone_id, volume_l in before.items():
        assert after[zone_id] >= volume_l - ROUNDING_L


@given(needs(), supplies)
def test_nobody_gets_a_smaller_share_of_a_possible_wish_than_a_zone_of_lower_priority(
    asked: list[ZoneNeed], supply: Supply
) -> None:
    lines = {line.zone_id: line for line in allocate(asked, {"butts": supply})}
    shares: list[tuple[int, float]] = []
    for item in asked:
        line = lines[item.zone.id]
        possible_l = min(line.wanted_l, max(0.0, item.schedule.daily_cap_l - item.applied_today_l))
        if possible_l >= SMALLEST_DOSE_L:
            shares.append((item.zone.priority, line.volume_l / possible_l))
    for priority, share in shares:
        for lower, lower_share in shares:
            if lower > priority:
                assert lower_share <= share + 1e-9


@given(needs(), supplies)
@settings(max_examples=30)
def test_the_plan_is_a_pure_function_of_its_inputs_in_any_order(asked: list[ZoneNeed], supply: Supply) -> None:
    first = allocate(asked, {"butts": supply})
    assert allocate(list(reversed(asked)), {"butts": supply}) == first
    assert allocate(asked, {"butts": supply}) == first


@given(needs())
@settings(max_examples=30)
def test_energy_without_end_limits_nobody(asked: list[ZoneNeed]) -> None:
    endless = allocate(asked, {"butts": Supply(1e9, math.inf, 0.2)})
    assert endless == allocate(asked, {"butts": Supply(1e9, math.inf, 0.0)})
    assert all("battery" not in line.why for line in endless)
