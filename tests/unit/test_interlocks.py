"""Each interlock objects exactly when it should: at its boundary, beside it, and for readings that are no numbers."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from controller.guard.catalogue import CATALOGUE
from controller.guard.interlocks import (
    DRAIN_CHECKS,
    RELIEF_CHECKS,
    RUN_CHECKS,
    START_CHECKS,
    Blocker,
    Facts,
    battery_above_disconnect,
    battery_answers,
    battery_charged_to_go_on,
    battery_charged_to_start,
    battery_known,
    battery_not_overcharged,
    board_answers,
    board_blocker,
    board_without_fault,
    cap_left,
    clock_known,
    level_fresh_to_go_on,
    level_fresh_to_start,
    level_trusted,
    no_frost_to_go_on,
    no_frost_to_start,
    not_held,
    objections,
    reserve_kept_to_go_on,
    reserve_kept_to_start,
    since_text,
    suction_wet,
    temperature_known,
    zone_not_held,
)

NAN, INF = math.nan, math.inf

FINE = Facts(
    zone_id="bench",
    zone_name="Polytunnel bench",
    tank_id="butts",
    clock_known=True,
    held=False,
    hold_text="",
    zone_held=False,
    zone_hold_text="",
    link_up=True,
    link_reason="",
    board_faults=(),
    level_quality="good",
    level_age_s=1.0,
    volume_l=800.0,
    volume_sd_l=10.0,
    capacity_l=1000.0,
    reserve_l=150.0,
    float_dry=False,
    battery_v=12.7,
    battery_age_s=1.0,
    battery_frozen=False,
    battery_low=False,
    battery_charge_percent=80.0,
    minimum_charge_percent=50.0,
    disconnect_v=11.6,
    resume_v=12.4,
    maximum_v=15.0,
    temperature_c=14.0,
    temperature_age_s=60.0,
    frost_c=2.0,
    month_can_freeze=True,
    applied_today_l=5.0,
    daily_cap_l=20.0,
)

Check = Callable[[Facts], Blocker | None]


def facts(**changes: Any) -> Facts:
    return replace(FINE, **changes)


def test_when_all_is_well_nothing_objects() -> None:
    assert objections(FINE, START_CHECKS) == []
    assert objections(FINE, RUN_CHECKS) == []


# Volume 170 L above the reserve of 150 L with 10 L of doubt; the start margin is 2 % of 1000 L.
@pytest.mark.parametrize(
    ("check", "good", "bad", "expected"),
    [
        (clock_known, {"clock_known": True}, {"clock_known": False}, "clock-unknown"),
        (not_held, {"held": False}, {"held": True}, "held"),
        (zone_not_held, {"zone_held": False}, {"zone_held": True}, "zone-held"),
        (board_answers, {"link_up": True}, {"link_up": False, "link_reason": "no cable"}, "board-lost"),
        (board_without_fault, {"board_faults": ()}, {"board_faults": ("board-no-flow",)}, "board-no-flow"),
        (level_fresh_to_start, {"level_age_s": 15.0}, {"level_age_s": 15.001}, "level-unknown"),
        (level_fresh_to_go_on, {"level_age_s": 60.0}, {"level_age_s": 60.001}, "level-unknown"),
        (level_fresh_to_start, {"level_age_s": 0.0}, {"level_age_s": -0.001}, "level-unknown"),
        (level_fresh_to_start, {"volume_sd_l": 0.0}, {"volume_sd_l": -0.001}, "level-unknown"),
        (level_fresh_to_go_on, {"volume_l": 0.0}, {"volume_l": -0.001}, "level-unknown"),
        (level_fresh_to_start, {"level_quality": "suspect"}, {"level_quality": "unknown"}, "level-unknown"),
        (
            level_trusted,
            {"level_quality": "suspect", "volume_l": 260.0},
            {"level_quality": "suspect", "volume_l": 259.99},
            "level-doubtful",
        ),
        (reserve_kept_to_start, {"volume_l": 180.0}, {"volume_l": 179.99}, "tank-reserve"),
        (reserve_kept_to_go_on, {"volume_l": 160.0}, {"volume_l": 159.99}, "tank-reserve"),
        (reserve_kept_to_go_on, {"volume_l": 160.0}, {"volume_l": 160.0, "volume_sd_l": 10.01}, "tank-reserve"),
        (suction_wet, {"float_dry": False}, {"float_dry": True}, "suction-dry"),
        (battery_known, {"battery_age_s": 60.0}, {"battery_age_s": 60.001}, "battery-unknown"),
        (battery_known, {"battery_age_s": 0.0}, {"battery_age_s": -0.001}, "battery-unknown"),
        (battery_known, {"battery_v": 0.001}, {"battery_v": 0.0}, "battery-unknown"),
        (battery_answers, {"battery_frozen": False}, {"battery_frozen": True}, "battery-frozen"),
        (battery_above_disconnect, {"battery_low": False}, {"battery_low": True}, "battery-low"),
        (
            battery_charged_to_start,
            {"battery_charge_percent": 55.0},
            {"battery_charge_percent": 54.99},
            "battery-charge",
        ),
        (
            battery_charged_to_go_on,
            {"battery_charge_percent": 50.0},
            {"battery_charge_percent": 49.99},
            "battery-charge",
        ),
        (battery_not_overcharged, {"battery_v": 15.0}, {"battery_v": 15.001}, "battery-high"),
        (no_frost_to_start, {"temperature_c": 4.0}, {"temperature_c": 3.99}, "frost"),
        (no_frost_to_go_on, {"temperature_c": 2.0}, {"temperature_c": 1.99}, "frost"),
        (
            temperature_known,
            {"temperature_c": 25.0, "temperature_age_s": 21_600.0},
            {"temperature_c": 25.0, "temperature_age_s": 21_600.1},
            "temperature-unknown",
        ),
        (
            temperature_known,
            {"temperature_c": 5.0, "temperature_age_s": 3600.0},
            {"temperature_c": 5.0, "temperature_age_s": 3600.1},
            "temperature-unknown",
        ),
        (temperature_known, {"temperature_c": 5.0}, {"temperature_c": None}, "temperature-unknown"),
        (
            temperature_known,
            # Too cold to start anyway: that is told as frost.
            {"temperature_c": 3.99, "temperature_age_s": 7200.0},
            {"temperature_c": 4.0, "temperature_age_s": 7200.0},
            "temperature-unknown",
        ),
        (cap_left, {"applied_today_l": 19.999}, {"applied_today_l": 20.0}, "cap-reached"),
    ],
)
def test_a_check_objects_beyond_its_boundary_and_not_at_it(
    check: Check, good: dict[str, Any], bad: dict[str, Any], expected: str
) -> None:
    assert check(facts(**good)) is None
    found = check(facts(**bad))
    assert found is not None
    assert found.id == expected
    assert found.severity == CATALOGUE[expected].severity


@pytest.mark.parametrize(
    ("check", "changes"),
    [
        (level_fresh_to_start, {"level_age_s": NAN}),
        (level_fresh_to_start, {"level_age_s": INF}),
        (level_fresh_to_start, {"volume_l": NAN}),
        (level_fresh_to_start, {"volume_l": INF}),
        (level_fresh_to_start, {"volume_l": -INF}),
        (level_fresh_to_start, {"volume_sd_l": NAN}),
        (level_fresh_to_start, {"volume_sd_l": -1.0}),
        (level_fresh_to_go_on, {"volume_sd_l": INF}),
        (level_trusted, {"level_quality": "suspect", "volume_l": NAN}),
        (level_trusted, {"level_quality": "suspect", "capacity_l": INF}),
        (reserve_kept_to_start, {"volume_l": NAN}),
        (reserve_kept_to_go_on, {"volume_sd_l": NAN}),
        (reserve_kept_to_go_on, {"volume_sd_l": INF}),
        (reserve_kept_to_go_on, {"reserve_l": NAN}),
        (battery_known, {"battery_age_s": NAN}),
        (battery_known, {"battery_age_s": INF}),
        (battery_known, {"battery_age_s": -1.0}),
        (battery_known, {"battery_v": NAN}),
        (battery_known, {"battery_v": -INF}),
        (battery_charged_to_start, {"battery_charge_percent": NAN}),
        (battery_charged_to_go_on, {"battery_charge_percent": -INF}),
        (battery_not_overcharged, {"battery_v": NAN}),
        (battery_not_overcharged, {"battery_v": INF}),
        (no_frost_to_start, {"temperature_c": NAN}),
        (no_frost_to_go_on, {"temperature_c": -INF}),
        (no_frost_to_go_on, {"temperature_c": INF}),
        (temperature_known, {"temperature_age_s": NAN}),
        (temperature_known, {"temperature_age_s": INF}),
        (cap_left, {"applied_today_l": NAN}),
        (cap_left, {"applied_today_l": INF}),
        (cap_left, {"daily_cap_l": NAN}),
    ],
)
def test_a_reading_that_is_no_number_bars(check: Check, changes: dict[str, Any]) -> None:
    found = check(facts(**changes))
    assert found is not None
    assert "{" not in found.text + found.cure


def test_what_is_not_fitted_does_not_bar() -> None:
    assert battery_charged_to_start(facts(battery_charge_percent=None)) is None
    assert no_frost_to_start(facts(temperature_c=None)) is None
    assert temperature_known(facts(temperature_c=None, month_can_freeze=False)) is None


def test_an_unknown_level_is_told_once_and_not_as_an_empty_tank_too() -> None:
    blind = facts(level_quality="unknown", volume_l=NAN, volume_sd_l=NAN, level_age_s=INF)
    assert [found.id for found in objections(blind, START_CHECKS)] == ["level-unknown"]


@pytest.mark.parametrize(
    ("check", "changes", "numbers"),
    [
        (reserve_kept_to_start, {"volume_l": 171.0, "volume_sd_l": 12.0}, ("171 L", "12 L", "150 L", "butts")),
        (battery_above_disconnect, {"battery_low": True, "battery_v": 11.43}, ("11.43 V", "11.60 V", "12.40 V")),
        (battery_charged_to_start, {"battery_charge_percent": 51.0}, ("51 %", "50 %")),
        (battery_not_overcharged, {"battery_v": 15.62}, ("15.62 V", "15.00 V")),
        (no_frost_to_start, {"temperature_c": -1.25}, ("-1.2 °C", "2.0 °C")),
        (cap_left, {"applied_today_l": 21.0}, ("21 L", "20 L", "Polytunnel bench")),
        (level_fresh_to_start, {"level_age_s": 75.0}, ("for 75 s", "butts")),
        (battery_known, {"battery_age_s": 600.0}, ("for 10 min",)),
        (temperature_known, {"temperature_age_s": 8 * 3600.0}, ("for 8 h",)),
        (board_answers, {"link_up": False, "link_reason": "nothing for 3 s"}, ("nothing for 3 s",)),
        (not_held, {"held": True, "hold_text": " until 2026-05-14 06:00"}, ("until 2026-05-14 06:00",)),
        (
            zone_not_held,
            {"zone_held": True, "zone_hold_text": " until 2026-05-14 06:00"},
            ("Polytunnel bench", "until 2026-05-14 06:00"),
        ),
        (level_trusted, {"level_quality": "suspect", "volume_l": 200.0}, ("butts",)),
        (suction_wet, {"float_dry": True}, ("butts",)),
    ],
)
def test_an_objection_has_its_numbers_in_its_text(
    check: Check, changes: dict[str, Any], numbers: tuple[str, ...]
) -> None:
    found = check(facts(**changes))
    assert found is not None
    for part in numbers:
        assert part in found.text


def test_every_objection_is_reported_in_the_order_of_the_checks() -> None:
    worst = facts(
        clock_known=False,
        held=True,
        link_up=False,
        board_faults=("board-dry",),
        level_age_s=INF,
        volume_l=NAN,
        float_dry=True,
        battery_v=0.0,
        battery_age_s=INF,
        battery_low=True,
        battery_charge_percent=0.0,
        temperature_c=-5.0,
        temperature_age_s=INF,
        applied_today_l=20.0,
    )
    expected = [
        "clock-unknown",
        "held",
        "board-lost",
        "board-dry",
        "level-unknown",
        "tank-reserve",
        "suction-dry",
        "battery-unknown",
        "battery-low",
        "battery-charge",
        "frost",
        "temperature-unknown",
        "cap-reached",
    ]
    assert [found.id for found in objections(worst, START_CHECKS)] == expected
    start_only = {"clock-unknown", "temperature-unknown"}
    assert [found.id for found in objections(worst, RUN_CHECKS)] == [i for i in expected if i not in start_only]
    # A pump that cannot be stopped runs whatever the battery and the frost say.
    no_say = start_only | {"battery-unknown", "battery-low", "battery-charge", "frost"}
    assert [found.id for found in objections(worst, RELIEF_CHECKS)] == [i for i in expected if i not in no_say]
    # A line is emptied on a site on hold, with the pump off, because of frost.
    assert [found.id for found in objections(worst, DRAIN_CHECKS)] == ["board-lost", "board-dry", "cap-reached"]


def test_at_the_frost_limit_a_run_goes_on_and_none_begins() -> None:
    # Two degrees between the two: for the probe in the tank, and so that nothing stops and starts by turns.
    between = facts(temperature_c=2.5)
    assert no_frost_to_go_on(between) is None
    assert no_frost_to_start(between) is not None
    assert no_frost_to_start(facts(temperature_c=4.0)) is None
    assert no_frost_to_go_on(facts(temperature_c=1.9)) is not None


def test_a_zone_on_hold_takes_no_water_of_a_pump_that_cannot_be_stopped() -> None:
    assert [found.id for found in objections(facts(zone_held=True), RELIEF_CHECKS)] == ["zone-held"]
    assert objections(FINE, RELIEF_CHECKS) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"volume_l": 165.0},
        {"battery_charge_percent": 52.0},
        {"temperature_c": 2.5},
        {"level_age_s": 30.0},
        {"clock_known": False},
        {"temperature_c": None},
        {"level_quality": "suspect", "volume_l": 200.0},
    ],
)
def test_what_bars_a_start_by_its_margin_alone_does_not_stop_a_run(changes: dict[str, Any]) -> None:
    assert objections(facts(**changes), START_CHECKS) != []
    assert objections(facts(**changes), RUN_CHECKS) == []


@pytest.mark.parametrize("bad", [{"volume_l": 100.0}, {"temperature_c": 1.0}, {"battery_charge_percent": 40.0}])
def test_what_stops_a_run_bars_its_start_too(bad: dict[str, Any]) -> None:
    running = {found.id for found in objections(facts(**bad), RUN_CHECKS)}
    assert running
    assert running <= {found.id for found in objections(facts(**bad), START_CHECKS)}


def test_a_fault_that_only_a_newer_board_knows_is_named_as_it_came() -> None:
    found = board_blocker("board-moonlight")
    assert found.id == "board-fault"
    assert "board-moonlight" in found.text


def test_every_fault_of_the_board_that_is_in_the_catalogue_has_its_own_text() -> None:
    assert board_blocker("board-dry").text == CATALOGUE["board-dry"].text


@pytest.mark.parametrize(
    ("age_s", "text"),
    [
        (0.0, "for 0 s"),
        (299.0, "for 299 s"),
        (300.0, "for 5 min"),
        (7199.0, "for 120 min"),
        (7200.0, "for 2 h"),
        (5000 * 3600.0, "for 5000 h"),
        (INF, "yet"),
        (NAN, "yet"),
    ],
)
def test_an_age_is_told_in_the_unit_people_would_use(age_s: float, text: str) -> None:
    assert since_text(age_s) == text
