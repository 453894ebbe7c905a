"""What the steps ask and order, in which order, and that what they propose is what mends what they found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from controller.commissioning.battery import Divider, battery_script, judge_battery
from controller.commissioning.flows import flows_script
from controller.commissioning.last_check import last_check_script
from controller.commissioning.levels import ByHand, judge_levels
from controller.commissioning.meters import judge_meter, meter_script
from controller.commissioning.outcome import Outcome
from controller.commissioning.pumps import Witnessed, judge_pump, pump_script
from controller.commissioning.readings import Readings
from controller.commissioning.record import verdict_of
from controller.commissioning.small_parts import (
    gauge_script,
    judge_float,
    judge_pour,
    temperature_script,
)
from controller.commissioning.talk import Look, Script
from controller.commissioning.valves import judge_valves, output_changes
from controller.commissioning.volumes import judge_volumes, volumes_script
from controller.commissioning.watering import Watering, water
from controller.estimate.sound import headspace_speed_m_s
from controller.site.geometry import LevelTable
from controller.site.model import FlowMeter, RainGauge, VerticalCylinder
from tests.unit.commissioning import PUMP, READING, SITE, TANK, ZONES, Scripted, ids, reading

DIVIDER = Divider(26, 100_000, 22_000, 1000)
METER = FlowMeter(0, 450.0)
ZONE = ZONES[0]
RAN = Watering(pulses={0: 0, 1: 900}, pump_read=True)
STANDING = LevelTable(VerticalCylinder(1150.0, 1200.0))


def crossed() -> Outcome:
    found = judge_valves(SITE, {ZONES[0].id: (ZONES[1].id,), ZONES[1].id: (ZONES[0].id,)})
    return Outcome((), found.faults, output_changes(SITE, found.outputs))


@pytest.mark.parametrize(
    "outcome",
    [
        judge_battery(12.2, 12.64, 18.0, DIVIDER),
        judge_battery(10.2, 12.64, 18.0, DIVIDER),
        crossed(),
        judge_levels(SITE, {"main": ByHand(725.0, 708.0)}, {0: 725.0}),
        judge_levels(SITE, {"main": ByHand(692.0, 708.0)}, {0: None, 1: 692.0}),
        judge_float(0, TANK, {0: False}, {0: True}, 0),
        judge_float(0, TANK, {0: True, 1: True}, {0: True, 1: False}, 0),
        judge_pump(SITE, PUMP, ZONE, RAN, Witnessed((PUMP.id,), (ZONE.id,))),
        judge_meter(0, METER, [(4.0, 1600), (4.0, 1602)]),
        judge_pour(RainGauge(0.2794), 0.5, 160.0, 100),
        judge_volumes(0, replace(TANK, shape=VerticalCylinder(1200.0, 1200.0)), [(300.0, 0.0), (900.0, 623.0)]),
    ],
    ids=lambda outcome: outcome.faults[0].id,
)
def test_what_is_proposed_mends_all_that_was_found(outcome: Outcome) -> None:
    assert outcome.changes or outcome.pin_lines
    assert verdict_of(outcome, accepted=True) == "corrected"
    assert verdict_of(outcome, accepted=False) == "open"


def test_the_battery_s_error_and_what_the_line_makes_of_it_are_told() -> None:
    outcome = judge_battery(11.60, 12.64, 18.0, DIVIDER)
    assert outcome.faults[0].text == "battery reads -8.2 %"
    assert "would read 12.64 V" in outcome.faults[0].cure
    assert "100 kΩ towards the battery, 22 kΩ towards ground" in judge_battery(6.0, 12.64, 1.0, DIVIDER).faults[0].cure


# --- battery ---


def test_a_battery_that_the_board_does_not_read_is_named() -> None:
    assert ids(Scripted(["12.64 V"], [reading(battery_v=None)]).play(battery_script(DIVIDER))) == ["battery-unread"]


def test_under_a_running_pump_or_a_moving_voltage_it_is_measured_again() -> None:
    class Restless(Scripted):
        def _answer(self, request: object) -> Any:
            seen = super()._answer(request)
            return (replace(READING, battery_v=12.1), *seen) if isinstance(request, Look) and self.looks() else seen

        def looks(self) -> bool:
            self.looked = getattr(self, "looked", 0) + 1
            return self.looked == 2

    person = Restless(["12.1 V", "12.64 V", "12.64 V", "", ""], [reading(pumps_on=1), READING, READING])
    assert person.play(battery_script(DIVIDER)).right
    said = " ".join(person.said)
    assert "The pump runs" in said
    assert "The voltage moved by 0.54 V" in said


# --- a watering by order ---


def run_of(pulses: int = 900) -> list[Readings]:
    """What a run looks like, two seconds apart: rest, valve, pump, shut."""
    moments: list[tuple[int, int, int]] = [(0, 0, 0), (0, 1, 0)]
    moments += [(1, 1, round(pulses * n / 10)) for n in range(1, 11)]
    moments += [(0, 1, pulses), (0, 0, pulses), (0, 0, pulses)]
    return [
        reading(up_s=100.0 + 2.0 * n, pumps_on=pump, valves_open=valve, flow_pulses={0: 1000 + counted},
                current_a=-4.2 if pump else -0.2)
        for n, (pump, valve, counted) in enumerate(moments)
    ]  # fmt: skip


def outcome_of(script: object) -> Script:
    """A part as a script of its own."""
    found = yield from script  # type: ignore[misc]
    return Outcome((repr(found),), keep={"found": found})


def test_a_watering_lets_one_zone_go_for_one_order_and_holds_it_again() -> None:
    person = Scripted([], run_of())
    run: Watering = person.play(outcome_of(water(ZONE, PUMP, 2.0))).keep["found"]
    assert [(order["order"], order["zone"]) for order in person.orders] == [
        ("resume-zone", ZONE.id),
        ("run-zone", ZONE.id),
        ("hold-zone", ZONE.id),
    ]
    assert run.pulses == {0: 900}
    assert run.pulses_s[0] == pytest.approx(45.0)
    assert run.rest_a == pytest.approx(-0.2)
    assert run.pumping_a == pytest.approx(-4.2)
    assert run.ended
    assert run.others_on == ()


def test_another_valve_that_opens_meanwhile_is_seen() -> None:
    moments = [replace(one, valves_open=one.valves_open | 8) if one.pumps_on else one for one in run_of()]
    run: Watering = Scripted([], moments).play(outcome_of(water(ZONE, PUMP, 2.0))).keep["found"]
    assert run.others_on == (3,)


def test_a_refused_watering_holds_the_zone_again() -> None:
    person = Scripted([], refuse="frost")
    run: Watering = person.play(outcome_of(water(ZONE, PUMP, 2.0))).keep["found"]
    assert run.refused == "frost"
    assert person.orders[-1] == {"order": "hold-zone", "zone": ZONE.id}


@pytest.mark.parametrize("stuck", [reading(), reading(valves_open=1, pumps_on=1)])
def test_a_watering_that_never_begins_or_never_ends_is_not_waited_for_for_ever(stuck: Readings) -> None:
    run: Watering = Scripted([], [reading(), stuck]).play(outcome_of(water(ZONE, PUMP, 2.0))).keep["found"]
    assert not run.ended


# --- scripts around it ---


def test_two_buckets_are_filled_and_weighed() -> None:
    person = Scripted(["", "4.00 L", "", "4 kg", "4.02 L"], [*run_of(1600), *run_of(1605)])
    outcome = person.play(meter_script(SITE, PUMP))
    assert outcome.changes[0].after == "399.6 pulses/L"
    assert "unknown unit" in " ".join(person.said)


def test_a_board_that_starts_anew_under_the_bucket_voids_it() -> None:
    moments = [replace(one, boot="00000001") if n > 5 else one for n, one in enumerate(run_of())]
    assert ids(Scripted([""], moments).play(meter_script(SITE, PUMP))) == ["board-restarted"]


def test_a_meter_that_counts_nothing_is_not_weighed() -> None:
    assert ids(Scripted([""], run_of(0)).play(meter_script(SITE, PUMP))) == ["meter-dead"]


def test_a_pump_is_tried_with_the_zone_of_the_largest_flow() -> None:
    person = Scripted(["yes", "1"], run_of())
    assert person.play(pump_script(SITE, PUMP)).right
    assert person.orders[1]["zone"] == max(ZONES, key=lambda zone: zone.rated_flow_l_min).id


def test_with_two_pumps_the_person_says_which_one_ran() -> None:
    site = replace(SITE, pumps=(PUMP, replace(PUMP, id="far-pump", tank_id="far", output=1, flow_meter=None)))
    person = Scripted(["3", "1", "1 2"], run_of())
    outcome = person.play(pump_script(site, PUMP))
    assert ids(outcome) == ["water-elsewhere"]
    assert "numbers from 0 to 2 are needed" in " ".join(person.said)


def echoing(level_mm: float) -> Readings:
    gap_mm = TANK.sensor_height_mm - level_mm
    return reading(echo_us={0: (round(gap_mm * 2000.0 / headspace_speed_m_s(15.0)),) * 5})


def test_each_zone_of_a_pump_is_watered_between_two_looks_at_the_level() -> None:
    site = replace(SITE, zones=(ZONE,))
    pulses = round(ZONE.rated_flow_l_min * 450.0 * 20.0 / 60.0)
    person = Scripted([], [echoing(700.0), *run_of(pulses), echoing(698.7)])
    outcome = person.play(flows_script(site, PUMP))
    assert outcome.right, outcome.faults
    assert any("level fell by" in line and "the meter says 2.1 L" in line for line in outcome.measured)


def level_looks(*levels: float) -> Sequence[Readings]:
    return [echoing(level) for level in levels]


def test_known_volumes_are_added_up_as_they_go_in_and_out() -> None:
    tank = replace(TANK, shape=VerticalCylinder(1150.0, 1200.0))
    up, down = (STANDING.volume_l(level) - STANDING.volume_l(400.0) for level in (700.0, 600.0))
    words = ["", "perhaps", "in", f"{up:.1f} L", "", "out", f"{up - down:.1f} L", "", "done"]
    outcome = Scripted(words, level_looks(400.0, 700.0, 600.0)).play(volumes_script(0, tank, []))
    assert outcome.right
    points = outcome.keep["points"]
    assert [round(litres) for _, litres in points] == [0, round(up), round(down)]


def test_known_volumes_go_on_where_the_water_stood_and_begin_afresh_where_it_does_not() -> None:
    kept = [(400.0, 0.0), (500.0, 104.0)]
    on = Scripted(["", "done"], level_looks(501.0)).play(volumes_script(0, TANK, kept))
    assert len(on.keep["points"]) == 2
    afresh = Scripted(["", "done"], level_looks(520.0)).play(volumes_script(0, TANK, kept))
    assert [litres for _, litres in afresh.keep["points"]] == [0.0]
    assert afresh.waiting


def test_a_thermometer_beside_the_probe_is_read() -> None:
    assert Scripted(["59.5 °F"]).play(temperature_script()).right


def test_the_last_check_takes_what_the_site_has_published() -> None:
    litres = LevelTable(TANK.shape).volume_l(708.0)
    values = {"tank-main/level": "0.712", "tank-main/volume": f"{litres:.1f}", "power/voltage": "12.60"}
    assert Scripted(["70.8 cm", "12.64 V"], values=values).play(last_check_script(SITE)).right


def test_a_gauge_is_poured_through_when_the_person_likes() -> None:
    looks = [reading(rain_tips=5), reading(rain_tips=15), reading(rain_tips=15), reading(rain_tips=104)]
    outcome = Scripted(["", "yes", "160 mm", "500 mL"], looks).play(gauge_script(RainGauge(0.2794)))
    assert outcome.right
    assert outcome.measured[1] == "gauge: 500 mL through 160 mm, 24.9 mm, 89 tips"
