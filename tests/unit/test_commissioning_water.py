"""Level, volumes, meter, flows and the night: what is measured by hand against what the board reads."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning.flows import Fall, ZoneRun, fall_between, judge_flows
from controller.commissioning.last_check import Told, judge_told, told_by
from controller.commissioning.leak import Night, judge_night, leak_script
from controller.commissioning.levels import ByHand, judge_levels, levels_script
from controller.commissioning.meters import judge_meter
from controller.commissioning.outcome import SiteChange
from controller.commissioning.readings import echo_distance_mm
from controller.commissioning.volumes import judge_volumes
from controller.commissioning.watering import Watering
from controller.estimate.sound import headspace_speed_m_s
from controller.site.geometry import LevelTable
from controller.site.model import (
    FlowMeter,
    Frustum,
    HorizontalCylinder,
    Rectangle,
    StrappingTable,
    TankShape,
    VerticalCylinder,
)
from tests.unit.commissioning import EVENING, PUMP, SITE, TANK, ZONES, Scripted, ids, reading

HAND = {"main": ByHand(692.0, 708.0)}
METER = FlowMeter(0, 450.0)
TWO_TANKS = replace(SITE, tanks=(TANK, replace(TANK, id="far", name="Far tank", sensor_channel=1)))


# --- level ---


def test_the_median_of_all_echoes_at_the_air_s_temperature_is_the_distance() -> None:
    found = echo_distance_mm([reading(echo_us={0: (4000, 4001, 0, 9000, 3999)})], 0)
    assert found is not None
    assert found.value == pytest.approx(4000.5 * headspace_speed_m_s(15.0) / 2000.0)


def test_a_sensor_that_mostly_hears_nothing_has_no_distance() -> None:
    assert echo_distance_mm([reading(echo_us={0: (4000, 0, 0, 0, 4000)})], 0) is None


def test_tape_stick_and_echo_that_agree_are_right() -> None:
    assert judge_levels(SITE, HAND, {0: 693.0}).right


@pytest.mark.parametrize("off_mm", [-300.0, -20.0, 8.0, 60.0, 400.0])
def test_a_sensor_higher_or_lower_than_declared_gets_its_height(off_mm: float) -> None:
    outcome = judge_levels(SITE, {"main": ByHand(692.0 + off_mm, 708.0)}, {0: 692.0 + off_mm})
    assert ids(outcome) == ["sensor-height"]
    assert outcome.changes == (SiteChange(("tank", 0, "sensor_height"), "1400 mm", f"{1400 + off_mm:.0f} mm"),)


@pytest.mark.parametrize(
    ("hand", "echo_mm", "fault"),
    [
        (ByHand(692.0, 708.0), 640.0, "distance-wrong"),
        (ByHand(692.0, 708.0), None, "sensor-silent"),
        (ByHand(1692.0, 708.0), 1690.0, "height-refused"),
        (ByHand(200.0, 1180.0), 201.0, "water-too-near"),
    ],
)
def test_what_is_no_calibration_is_refused(hand: ByHand, echo_mm: float | None, fault: str) -> None:
    outcome = judge_levels(SITE, {"main": hand}, {0: echo_mm})
    assert ids(outcome) == [fault]
    assert outcome.changes == ()


def test_two_sensors_on_each_other_s_inputs_are_swapped_back() -> None:
    hand = {"main": ByHand(692.0, 708.0), "far": ByHand(1001.0, 399.0)}
    outcome = judge_levels(TWO_TANKS, hand, {0: 1001.0, 1: 692.0})
    assert ids(outcome) == ["sensors-swapped", "sensors-swapped"]
    assert outcome.changes == (
        SiteChange(("tank", 0, "sensor_channel"), 0, 1),
        SiteChange(("tank", 1, "sensor_channel"), 1, 0),
    )


def test_the_input_of_another_tank_that_is_right_is_not_taken_away_from_it() -> None:
    hand = {"main": ByHand(692.0, 708.0), "far": ByHand(690.0, 710.0)}
    outcome = judge_levels(TWO_TANKS, hand, {0: 900.0, 1: 691.0})
    assert ids(outcome) == ["distance-wrong"]


def test_a_measure_that_surprises_is_taken_twice() -> None:
    echo_us = round(725.0 * 2000.0 / headspace_speed_m_s(15.0))
    person = Scripted(["725 mm", "70.8 cm", "72.5 cm", "710 mm"], [reading(echo_us={0: (echo_us,) * 5})])
    outcome = person.play(levels_script(SITE))
    assert outcome.changes[0].after == "1434 mm"
    assert "Measure both once more" in " ".join(person.said)


def test_two_measures_that_disagree_are_not_averaged() -> None:
    words = ["725 mm", "708 mm", "660 mm", "708 mm", "692 mm", "708 mm"]
    echo_us = round(692.0 * 2000.0 / headspace_speed_m_s(15.0))
    assert Scripted(words, [reading(echo_us={0: (echo_us,) * 5})]).play(levels_script(SITE)).right


# --- known volumes ---

SHAPES: list[tuple[TankShape, TankShape]] = [
    (VerticalCylinder(1200.0, 1200.0), VerticalCylinder(1150.0, 1200.0)),
    (Rectangle(1300.0, 1000.0, 1200.0), Rectangle(1350.0, 1040.0, 1200.0)),
    (HorizontalCylinder(1150.0, 1480.0, "elliptical"), HorizontalCylinder(1150.0, 1620.0, "elliptical")),
    (Frustum(1000.0, 1200.0, 1200.0), Frustum(1050.0, 1260.0, 1200.0)),
]


def points_of(shape: TankShape, *levels_mm: float) -> list[tuple[float, float]]:
    table = LevelTable(shape)
    return [(level, table.volume_l(level) - table.volume_l(levels_mm[0])) for level in levels_mm]


@pytest.mark.parametrize(("declared", "true"), SHAPES)
def test_two_known_volumes_correct_a_measure_so_that_the_volume_is_within_one_per_cent(
    declared: TankShape, true: TankShape
) -> None:
    tank = replace(TANK, shape=declared)
    outcome = judge_volumes(0, tank, points_of(true, 300.0, 900.0))
    assert ids(outcome) == ["shape-off"]
    fields = {str(change.path[-1]) + "_mm": float(str(change.after).split()[0]) for change in outcome.changes}
    corrected = replace(declared, **fields)  # type: ignore[arg-type]
    capacity_l = LevelTable(true).volume_l(TANK.overflow_mm)
    for level in (200.0, 600.0, 1000.0):
        told, is_l = LevelTable(corrected).volume_l(level), LevelTable(true).volume_l(level)
        assert told == pytest.approx(is_l, abs=0.01 * capacity_l)


def test_a_bulging_tank_gets_a_strapping_table_of_its_own() -> None:
    """Declared straight; in truth narrow below, wide above."""
    true = StrappingTable((0.0, 400.0, 800.0, 1200.0), (0.0, 320.0, 760.0, 1320.0))
    tank = replace(TANK, shape=VerticalCylinder(1150.0, 1200.0))
    outcome = judge_volumes(0, tank, points_of(true, 200.0, 400.0, 600.0, 800.0, 1000.0))
    written = outcome.changes[0].after
    assert isinstance(written, dict)
    levels = tuple(float(row["level"].split()[0]) for row in written["points"])
    volumes = tuple(float(row["volume"].split()[0]) for row in written["points"])
    told = LevelTable(StrappingTable(levels, volumes))
    for low, high in ((200.0, 600.0), (400.0, 1000.0)):
        is_l = LevelTable(true).volume_l(high) - LevelTable(true).volume_l(low)
        assert told.volume_l(high) - told.volume_l(low) == pytest.approx(is_l, rel=0.01)


def test_a_shape_that_fits_is_left_alone_and_too_little_water_tells_nothing() -> None:
    assert judge_volumes(0, TANK, points_of(TANK.shape, 500.0, 700.0)).right
    assert judge_volumes(0, TANK, points_of(TANK.shape, 500.0, 510.0)).waiting
    assert judge_volumes(0, TANK, [(500.0, 0.0)]).waiting


@pytest.mark.parametrize(
    ("points", "fault"),
    [([(500.0, 0.0), (700.0, -300.0)], "volume-sense"), ([(500.0, 0.0), (700.0, 900.0)], "shape-refused")],
)
def test_volumes_that_cannot_be_are_refused(points: list[tuple[float, float]], fault: str) -> None:
    outcome = judge_volumes(0, TANK, points)
    assert ids(outcome) == [fault]
    assert outcome.changes == ()


# --- meter and flows ---


def test_two_buckets_that_agree_give_the_pulses_of_a_litre() -> None:
    outcome = judge_meter(0, METER, [(4.00, 1600), (4.10, 1650)])
    assert outcome.changes == (SiteChange(("pump", 0, "flow_meter", "pulses"), "450 pulses/L", "401.2 pulses/L"),)


def test_a_meter_that_a_bucket_confirms_is_left_alone() -> None:
    assert judge_meter(0, METER, [(4.00, 1805), (4.02, 1800)]).right


def test_one_spilt_bucket_does_not_count_once_two_others_agree() -> None:
    outcome = judge_meter(0, METER, [(3.2, 1800), (4.00, 1600), (4.00, 1602)])
    assert outcome.changes[0].after == "400.2 pulses/L"


@pytest.mark.parametrize(
    ("buckets", "fault"),
    [
        ([(4.0, 1800), (4.0, 1500), (4.0, 1200), (4.0, 900)], "buckets-disagree"),
        ([(4.0, 7000), (4.0, 7010)], "pulses-refused"),
        ([(4.0, 600), (4.0, 605)], "pulses-refused"),
    ],
)
def test_buckets_that_are_no_calibration_are_refused(buckets: list[tuple[float, int]], fault: str) -> None:
    outcome = judge_meter(0, METER, buckets)
    assert ids(outcome) == [fault]
    assert outcome.changes == ()


def run_of(index: int, part: float, pulses: int = 1350) -> ZoneRun:
    zone = ZONES[index]
    return ZoneRun(zone, Watering(pulses={0: pulses}, pulses_s={0: part * zone.rated_flow_l_min * 450.0 / 60.0}))


@pytest.mark.parametrize(
    ("part", "fault"),
    [(0.0, ["zone-no-flow"]), (0.5, ["zone-flow-low"]), (0.9, []), (1.2, []), (1.7, ["zone-flow-high"])],
)
def test_a_zone_that_gives_far_less_or_more_than_its_emitters_is_named(part: float, fault: list[str]) -> None:
    assert ids(judge_flows(PUMP, [run_of(0, part)], None)) == fault


def test_level_and_meter_that_disagree_are_named_with_both_figures() -> None:
    runs = [run_of(n, 1.0, 1350) for n in range(6)]
    assert judge_flows(PUMP, runs, Fall(20.0, 3.0)).right
    outcome = judge_flows(PUMP, runs, Fall(29.0, 3.0))
    assert ids(outcome) == ["meter-and-level"]
    assert "the level says 29.0 ± 3.1 L, the meter says 18.0 L" in outcome.faults[0].text


def test_zones_refused_for_one_reason_are_named_together() -> None:
    runs = [ZoneRun(zone, Watering(refused="frost")) for zone in ZONES[:2]]
    outcome = judge_flows(PUMP, runs, Fall(0.3, 3.0))
    assert [fault.text for fault in outcome.faults] == ["Salad bed, east, Salad bed, west: frost"]


def test_without_a_meter_only_the_level_speaks() -> None:
    unmetered = replace(PUMP, flow_meter=None)
    runs = [ZoneRun(zone, Watering(pulses={})) for zone in ZONES]
    outcome = judge_flows(unmetered, runs, Fall(17.5, 3.0))
    assert outcome.right
    assert outcome.measured == ("level fell by 17.5 ± 3.0 L over 6 runs",)


def test_a_level_not_heard_has_no_fall() -> None:
    table = LevelTable(TANK.shape)
    assert fall_between(TANK, table, None, 700.0) is None
    fall = fall_between(TANK, table, 690.0, 700.0)
    assert fall is not None
    assert fall.litres == pytest.approx(10.0 * table.area_m2(705.0), rel=0.01)


# --- the night ---


def echoing(gap_mm: float) -> dict[int, tuple[int, ...]]:
    return {0: (round(gap_mm * 2000.0 / headspace_speed_m_s(15.0)),) * 5}


def evening() -> dict[str, object]:
    outcome = Scripted([], [reading(echo_us=echoing(692.0))]).play(leak_script(SITE, {}))
    assert outcome.waiting
    return dict(outcome.keep)


def morning(gap_mm: float, hours: float = 10.0, findings: str = "[]", **changes: Any) -> tuple[str, list[str]]:
    now = EVENING.fromtimestamp(EVENING.timestamp() + 3600.0 * hours, EVENING.tzinfo)
    person = Scripted([], [reading(echo_us=echoing(gap_mm), **changes)], now=now, values={"site/findings": findings})
    outcome = person.play(leak_script(SITE, evening()))
    return " ".join((*outcome.measured, *person.said, outcome.waiting)), ids(outcome)


def test_a_night_in_which_the_level_stays_is_no_leak_and_says_what_would_have_shown() -> None:
    said, faults = morning(692.5)
    assert faults == []
    assert "a loss of more than" in said


def test_a_night_in_which_it_falls_is_a_leak() -> None:
    assert morning(720.0)[1] == ["leak"]


def test_a_leak_that_the_controller_has_found_is_one_whatever_the_level_says() -> None:
    assert morning(692.0, findings='[{"id": "leak:main"}]')[1] == ["leak"]


@pytest.mark.parametrize(
    ("changes", "why"),
    [({"rain_tips": 9}, "it rained"), ({"flow_pulses": {0: 1400}}, "water flowed"), ({"boot": "00000001"}, "anew")],
)
def test_a_disturbed_night_begins_again(changes: dict[str, Any], why: str) -> None:
    said, faults = morning(720.0, **changes)
    assert faults == []
    assert why in said
    assert "come back after 6 hours" in said


def test_dew_on_the_sensor_in_the_morning_only_puts_the_answer_off() -> None:
    now = EVENING.fromtimestamp(EVENING.timestamp() + 36_000.0, EVENING.tzinfo)
    kept = evening()
    outcome = Scripted([], [reading(echo_us={0: (0, 0, 0, 0, 0)})], now=now).play(leak_script(SITE, kept))
    assert "dew on its face" in outcome.waiting
    assert dict(outcome.keep) == kept


def test_too_short_a_night_says_nothing() -> None:
    said, faults = morning(720.0, hours=3.0)
    assert faults == []
    assert "only 3.0 of 6 hours" in said


def test_the_range_of_a_night_is_its_sd_over_its_hours() -> None:
    words, fault = judge_night(TANK, Night(10.0, 20.0, 3.0), [])
    assert fault is not None
    assert "loses 2.00 L an hour (between 1.40 and 2.60)" in fault.text
    assert "20.0 ± 3.0 L" in words


# --- the last check ---


def test_what_the_site_says_is_held_against_the_figures() -> None:
    is_l = LevelTable(TANK.shape).volume_l(708.0)
    good = Told({"main": 712.0}, {"main": is_l + 8.0}, 12.60)
    assert judge_told(SITE, good, {"main": 708.0}, 12.64).right
    bad = Told({"main": 730.0}, {"main": is_l + 40.0}, 12.80)
    assert ids(judge_told(SITE, bad, {"main": 708.0}, 12.64)) == ["level-off", "volume-off", "battery-off"]
    unknown = Told({"main": None}, {"main": None}, None)
    assert ids(judge_told(SITE, unknown, {"main": 708.0}, 12.64)) == ["level-unknown", "battery-unread"]


def test_published_values_are_read_as_they_are_published() -> None:
    told = told_by(SITE, {"tank-main/level": "0.712", "tank-main/volume": "1280.5", "power/voltage": ""})
    assert (told.level_mm["main"], told.volume_l["main"], told.voltage_v) == (712.0, 1280.5, None)
    assert math.isclose(told.level_mm["main"] or 0.0, 712.0)
