"""Board, valves, pump, battery and small parts: what is wrong is named, what cannot be a calibration is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.commissioning.battery import Divider, battery_script, judge_battery, judge_shunt
from controller.commissioning.board_seen import board_script, judge_board, judge_rest
from controller.commissioning.outcome import SiteChange
from controller.commissioning.pumps import Witnessed, judge_pump
from controller.commissioning.small_parts import (
    float_script,
    gauge_script,
    judge_float,
    judge_pour,
    judge_temperature,
)
from controller.commissioning.soil_probes import soil_script
from controller.commissioning.valves import judge_valves, output_changes, valves_script
from controller.commissioning.watering import Watering
from controller.site.model import RainGauge, SoilProbe
from tests.unit.commissioning import PUMP, SITE, TANK, ZONES, Scripted, ids, reading

DIVIDER = Divider(26, 100_000, 22_000, 1000)
EAST, WEST, BERRY = (zone.id for zone in ZONES[:3])
AS_DECLARED: dict[str, tuple[str, ...]] = {zone.id: (zone.id,) for zone in ZONES}
FIRST = ZONES[0]
RAN = Watering(pulses={0: 900}, pump_read=True, pulses_s={0: 45.0}, rest_a=-0.2, pumping_a=-4.1)
SEEN = Witnessed((PUMP.id,), (FIRST.id,))


# --- board ---


def test_a_board_that_has_and_reads_what_is_declared_is_right() -> None:
    assert judge_board(SITE, reading(), "1.0").right


@pytest.mark.parametrize(
    ("changes", "fault", "says"),
    [
        ({"fitted": reading().fitted | {"valve": 4}}, "part-missing", "valve output 4, 5"),
        ({"fitted": reading().fitted | {"echo": 2}}, "part-unnamed", "level sensor input 1"),
        ({"fitted": reading().fitted | {"rain": 0}}, "part-missing", "rain gauge"),
        ({"firmware": "0.9"}, "firmware-other", "0.9"),
        ({"echo_us": {0: (0, 0, 0, 0, 0)}}, "sensor-silent", "hears nothing"),
        ({"temperature_c": {0: None}}, "temperature-unread", "temperature"),
        ({"battery_v": None}, "battery-unread", "voltage"),
        ({"valves_open": 4}, "output-on", "nothing is being watered"),
        ({"faults": ("board-no-flow",)}, "board-no-flow", "board-no-flow"),
    ],
)
def test_what_is_missing_silent_or_on_is_named(changes: dict[str, object], fault: str, says: str) -> None:
    outcome = judge_board(SITE, reading(**changes), "1.0")
    assert ids(outcome) == [fault]
    assert says in outcome.faults[0].text


def test_a_silent_sensor_is_sent_to_the_input_that_hears_something() -> None:
    echoes = {0: (0, 0, 0, 0, 0), 1: (4100, 4100, 4100, 4100, 4100)}
    outcome = judge_board(SITE, reading(echo_us=echoes, fitted=reading().fitted | {"echo": 2}), "1.0")
    assert "input 1 hears something" in next(f.cure for f in outcome.faults if f.id == "sensor-silent")


def test_a_board_at_rest_is_still_and_counts_nothing() -> None:
    assert Scripted(["yes"]).play(board_script(SITE, "1.0")).right
    first, last = reading(), reading(up_s=110.0, flow_pulses={0: 1040})
    assert [fault.id for fault in judge_rest(first, last, still=True)] == ["pulses-at-rest"]
    assert [fault.id for fault in judge_rest(first, first, still=False)] == ["runs-at-rest"]
    assert judge_rest(first, reading(boot="00000001", flow_pulses={0: 9}), still=True) == []


# --- valves ---


def test_valves_that_open_as_declared_need_no_change() -> None:
    found = judge_valves(SITE, AS_DECLARED)
    assert (found.faults, found.outputs) == ((), {})


def test_three_crossed_valves_get_the_outputs_they_hang_on() -> None:
    found = judge_valves(SITE, AS_DECLARED | {EAST: (WEST,), WEST: (BERRY,), BERRY: (EAST,)})
    assert output_changes(SITE, found.outputs) == (
        SiteChange(("zone", 0, "valve", "output"), 0, 2),
        SiteChange(("zone", 1, "valve", "output"), 1, 0),
        SiteChange(("zone", 2, "valve", "output"), 2, 1),
    )


def test_a_valve_nobody_saw_keeps_an_output_of_its_own() -> None:
    """East hangs on the output of west, and the output of east moves nothing: west is left with it."""
    found = judge_valves(SITE, AS_DECLARED | {EAST: (), WEST: (EAST,)})
    assert [fault.id for fault in found.faults] == ["valve-dead", "zones-crossed"]
    assert (found.outputs[EAST], found.outputs[WEST]) == (1, 0)
    assert sorted(found.outputs.values()) == [0, 1, 2, 3, 4, 5]


def test_with_two_valves_unseen_whose_outputs_are_taken_nothing_is_proposed() -> None:
    found = judge_valves(SITE, AS_DECLARED | {EAST: (BERRY,), WEST: (), BERRY: (), "bean-row": (WEST,)})
    assert found.outputs == {}


@pytest.mark.parametrize(
    ("moved", "fault"),
    [({EAST: ()}, "valve-dead"), ({EAST: (EAST, WEST)}, "valves-joined"), ({WEST: (EAST,)}, "valve-twice")],
)
def test_what_only_a_hand_can_mend_is_named_and_nothing_is_proposed(
    moved: dict[str, tuple[str, ...]], fault: str
) -> None:
    found = judge_valves(SITE, AS_DECLARED | moved)
    assert [one.id for one in found.faults] == [fault]
    assert found.outputs == {}


def test_each_valve_is_opened_alone_by_order_and_shut_before_the_next() -> None:
    looks = []
    for zone in ZONES:
        looks += [reading(valves_open=1 << zone.valve.output), reading()]
    person = Scripted([str(number) for number in range(1, 7)], looks)
    assert person.play(valves_script(SITE)).right
    assert [order["order"] for order in person.orders] == ["drain-zone", "stop-all"] * 6
    assert [order["zone"] for order in person.orders if "zone" in order] == [zone.id for zone in ZONES]


def test_an_output_that_does_not_read_back_is_named() -> None:
    outcome = Scripted(["1", "2", "3", "4", "5", "6"], [reading()]).play(valves_script(SITE))
    assert set(ids(outcome)) == {"output-dead"}


def test_an_output_that_cannot_be_shut_is_named() -> None:
    outcome = Scripted(["1"] + ["1"] * 5, [reading(valves_open=1)]).play(valves_script(SITE))
    assert "output-stays-on" in ids(outcome)


def test_a_refused_valve_is_named_with_the_reason() -> None:
    outcome = Scripted([], refuse="the board is not there").play(valves_script(SITE))
    assert "the board is not there" in outcome.faults[0].text


# --- pump ---


def test_a_pump_that_runs_and_waters_its_zone_is_right() -> None:
    assert judge_pump(SITE, PUMP, FIRST, RAN, SEEN).right


@pytest.mark.parametrize(
    ("run", "seen", "fault"),
    [
        (Watering(refused="frost"), Witnessed((), ()), "run-refused"),
        (replace(RAN, pump_read=False), SEEN, "pump-output-dead"),
        (replace(RAN, pulses={0: 0}, rest_a=None), Witnessed((), ()), "pump-still"),
        (replace(RAN, pulses={0: 0}), Witnessed((PUMP.id,), ()), "pump-dry"),
        (RAN, Witnessed((PUMP.id,), (WEST,)), "water-elsewhere"),
        (RAN, Witnessed((PUMP.id,), (FIRST.id, WEST)), "water-elsewhere"),
        (replace(RAN, pulses={0: 0}), SEEN, "meter-dead"),
        (replace(RAN, pulses=None), SEEN, "board-restarted"),
        (replace(RAN, rest_a=-0.2, pumping_a=3.7), SEEN, "shunt-reversed"),
        (replace(RAN, pumping_a=-1.0), SEEN, "pump-current"),
        (replace(RAN, others_on=(3,)), SEEN, "output-moved"),
        (replace(RAN, ended=False), SEEN, "run-endless"),
    ],
)
def test_what_is_wrong_with_a_pump_is_named(run: Watering, seen: Witnessed, fault: str) -> None:
    outcome = judge_pump(SITE, PUMP, FIRST, run, seen)
    assert ids(outcome) == [fault]
    assert outcome.changes == ()


def test_a_pump_without_a_meter_is_judged_by_what_is_seen() -> None:
    unmetered = replace(PUMP, flow_meter=None)
    assert judge_pump(SITE, unmetered, FIRST, replace(RAN, pulses={}), SEEN).right


def test_pulses_without_water_are_a_disturbed_wire() -> None:
    outcome = judge_pump(SITE, PUMP, FIRST, RAN, Witnessed((PUMP.id,), ()))
    assert ids(outcome) == ["pump-dry", "pulses-without-water"]


def test_a_meter_on_another_input_is_found_there() -> None:
    outcome = judge_pump(SITE, PUMP, FIRST, replace(RAN, pulses={0: 0, 1: 900}), SEEN)
    assert ids(outcome) == ["meter-elsewhere"]
    assert outcome.changes == (SiteChange(("pump", 0, "flow_meter", "channel"), 0, 1),)


def test_two_pumps_that_stand_for_each_other_swap_their_outputs() -> None:
    second = replace(PUMP, id="far-pump", tank_id="far", output=1, flow_meter=None)
    site = replace(SITE, pumps=(PUMP, second))
    outcome = judge_pump(site, PUMP, FIRST, replace(RAN, rest_a=None), Witnessed(("far-pump",), (FIRST.id,)))
    assert ids(outcome) == ["pumps-crossed"]
    assert outcome.changes == (SiteChange(("pump", 0, "output"), 0, 1), SiteChange(("pump", 1, "output"), 1, 0))


# --- battery ---


def test_a_voltage_within_what_a_hand_meter_tells_is_left_alone() -> None:
    assert judge_battery(12.60, 12.64, 18.0, DIVIDER).right


@pytest.mark.parametrize("board_v", [11.6, 12.2, 13.1, 13.9])
def test_up_to_ten_per_cent_the_trim_makes_it_right(board_v: float) -> None:
    outcome = judge_battery(board_v, 12.64, 18.0, DIVIDER)
    after = outcome.pin_lines[0].after
    trim = int(after.split('"trim_permille": ')[1].rstrip("},"))
    assert board_v * trim / 1000.0 == pytest.approx(12.64, abs=0.01)
    assert '"top_ohm": 100_000' in after


@pytest.mark.parametrize("board_v", [10.2, 15.5])
def test_further_off_another_resistor_must_be_there(board_v: float) -> None:
    outcome = judge_battery(board_v, 12.64, 18.0, DIVIDER)
    after = outcome.pin_lines[0].after
    top_ohm = int(after.split('"top_ohm": ')[1].split(",")[0])
    assert board_v / DIVIDER.factor * (top_ohm + 22_000) / 22_000 == pytest.approx(12.64, abs=0.02)
    assert '"trim_permille": 1000' in after


@pytest.mark.parametrize("board_v", [0.1, 2.3, 9.6, 18.3])
def test_more_than_thirty_per_cent_off_is_wiring_and_nothing_is_proposed(board_v: float) -> None:
    outcome = judge_battery(board_v, 12.64, 18.0, DIVIDER)
    assert ids(outcome) == ["divider-wiring"]
    assert outcome.pin_lines == ()


def test_a_panel_input_that_reads_the_battery_is_a_swapped_wire() -> None:
    assert ids(judge_battery(18.4, 12.64, 12.7, DIVIDER)) == ["dividers-swapped"]


def test_a_hand_meter_is_asked_again_until_it_can_be_a_battery() -> None:
    person = Scripted(["126", "126 V", "12,64 V", "12.64 V", "", ""])
    assert person.play(battery_script(DIVIDER)).right
    assert "'126': the unit is missing" in person.said[2]
    assert "cannot be here: allowed are 9 V to 16 V" in person.said[4]
    assert "decimals are written with a point" in person.said[6]


@pytest.mark.parametrize(("current_a", "right"), [(-0.2, True), (-0.9, True), (0.0, True), (0.3, False), (-4.0, False)])
def test_at_rest_without_sun_the_shunt_reads_a_little_drawn(current_a: float, right: bool) -> None:
    assert (judge_shunt(current_a) is None) == right


def test_a_shunt_that_reads_charging_without_a_panel_is_named_beside_a_right_voltage() -> None:
    outcome = Scripted(["12.64 V", "", ""], [reading(current_a=2.0)]).play(battery_script(DIVIDER))
    assert ids(outcome) == ["shunt-zero"]


# --- small parts ---


@pytest.mark.parametrize(
    ("by_probe", "says"),
    [(None, "three wires"), (85.0, "3.3 V wire"), (21.0, "sun on it"), (-40.0, "is it the right probe")],
)
def test_a_thermometer_that_is_wrong_says_where_to_look(by_probe: float | None, says: str) -> None:
    outcome = judge_temperature(by_probe, 16.5)
    assert says in outcome.faults[0].cure
    assert judge_temperature(17.5, 16.5).right


@pytest.mark.parametrize(
    ("lifted", "lowered", "fault"),
    [
        ({0: True}, {0: False}, []),
        ({0: False}, {0: True}, ["float-inverted"]),
        ({0: True}, {0: True}, ["float-dead"]),
        ({0: True, 1: True}, {0: True, 1: False}, ["float-elsewhere"]),
        ({}, {}, ["float-dead"]),
    ],
)
def test_a_float_is_known_by_what_moves_when_it_is_moved(
    lifted: dict[int, bool], lowered: dict[int, bool], fault: list[str]
) -> None:
    assert ids(judge_float(0, TANK, lifted, lowered, 0)) == fault


def test_a_float_the_wrong_way_round_gets_the_other_level_in_the_pin_file() -> None:
    outcome = Scripted(["", ""], [reading(float_wet={0: False}), reading()]).play(float_script(0, TANK, 0))
    assert outcome.pin_lines[0].after.startswith('"wet": 1')


@pytest.mark.parametrize(
    ("after", "fault"), [(15, []), (16, []), (5, ["gauge-dead"]), (25, ["gauge-bounces"]), (10, ["gauge-misses"])]
)
def test_ten_tips_by_hand_are_ten_tips(after: int, fault: list[str]) -> None:
    words = [""] if fault else ["", "no"]
    person = Scripted(words, [reading(), reading(rain_tips=after)])
    outcome = person.play(gauge_script(RainGauge(0.2794)))
    assert ids(outcome) == fault
    assert person.orders == [
        {"order": "void-rain", "date": "2026-06-02", "reason": "commissioning: the gauge was tipped by hand"}
    ]


def test_poured_water_gives_the_rain_of_a_tip() -> None:
    """Half a litre through 160 mm is 24.9 mm; over 100 tips 0.249 mm each."""
    outcome = judge_pour(RainGauge(0.2794), 0.5, 160.0, 100)
    assert outcome.changes == (SiteChange(("rain_gauge", "per_tip"), "0.2794 mm", "0.249 mm"),)
    assert judge_pour(RainGauge(0.2794), 0.5, 160.0, 89).right
    assert ids(judge_pour(RainGauge(0.2794), 0.5, 160.0, 30)) == ["gauge-refused"]
    assert ids(judge_pour(RainGauge(0.2794), 0.02, 160.0, 4)) == ["pour-short"]


# --- soil probes ---

PROBE = SoilProbe(1, 2.4, 1.2)


@pytest.mark.parametrize(
    ("in_air", "in_water", "fault"),
    [
        ({0: 2.5, 1: 2.6}, {0: 2.5, 1: 1.1}, []),
        ({0: 2.5, 1: 2.6}, {0: 1.1, 1: 2.6}, ["soil-elsewhere"]),
        ({0: 2.5, 1: 2.6}, {0: 2.5, 1: 2.5}, ["soil-dead"]),
        ({0: 2.5, 1: None}, {0: 2.5, 1: 1.1}, ["soil-dead"]),
        ({0: 2.5, 1: 1.0}, {0: 2.5, 1: 2.2}, ["soil-reversed"]),
        ({}, {}, ["soil-dead"]),
    ],
)
def test_a_soil_probe_is_known_by_the_input_that_moves_in_water(
    in_air: dict[int, float | None], in_water: dict[int, float | None], fault: list[str]
) -> None:
    person = Scripted(["", ""], [reading(soil_v=in_air), reading(soil_v=in_water)])
    outcome = person.play(soil_script(0, FIRST, PROBE))
    assert ids(outcome) == fault
    wanted = [SiteChange(("zone", 0, "soil_probe", "channel"), 1, 0)] if fault == ["soil-elsewhere"] else []
    assert list(outcome.changes) == wanted
