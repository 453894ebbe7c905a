"""Short scripts, each of one thing that goes wrong: the stage for planted mistakes, and for the catalogue's faults.

Every script ends with the garden mended, cleared once and watered again, and with closed books. Every one is played
with the sound program too, which must keep all promises in it.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

from controller.contract import ClearFault, HoldAll, RunZone, SetSchedule
from controller.site.model import Schedule, Site
from firmware_host.wire import SEQ_MODULUS, frame
from simulator.plant.faults import SensorTrouble
from tests.scenario.broken_season import LineTrouble, Way
from tests.scenario.directed import BED, GARDEN, POT, Stretch, small_garden
from tests.scenario.garden import EXAMPLE, HOUR_MS, MINUTE_MS, fixed, with_zones

BED_OUTPUT, POT_OUTPUT = GARDEN.zone(BED).valve.output, GARDEN.zone(POT).valve.output
RESERVE_L = GARDEN.tanks[0].reserve_l


def end(stretch: Stretch, wait_min: float = 3.0) -> Stretch:
    stretch.judge.explained = None
    stretch.recover(wait_min)
    stretch.check_books()
    return stretch


def flowing(for_s: float = 25.0, **how: object) -> Stretch:
    """The first bed has been watered for so long; from now on diagnoses have a cause."""
    stretch = Stretch(**how)  # type: ignore[arg-type]
    stretch.until_flowing(for_s)
    stretch.judge.explained = None
    return stretch


def resting(**how: object) -> Stretch:
    """Some minutes before the first bed is due; from now on diagnoses have a cause."""
    stretch = Stretch(**how)  # type: ignore[arg-type]
    stretch.until("05:55")
    stretch.judge.explained = None
    return stretch


# --- nothing at all -------------------------------------------------------------------------------------------


def nothing_happens() -> None:
    stretch = Stretch(twin=True)
    stretch.until("07:00")
    stretch.must_have_given(BED, 16.0)
    stretch.must_have_given(POT, 6.0)
    end(stretch)


def nothing_happens_and_all_is_stored() -> None:
    stretch = Stretch(journal=True)
    stretch.until("07:00")
    end(stretch)


def over_midnight() -> None:
    stretch = Stretch(begins="2026-07-01T22:50")
    stretch.until("01:00")
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    stretch.until("01:00")
    end(stretch)


# --- the cable ------------------------------------------------------------------------------------------------


def the_cable_is_pulled() -> None:
    stretch = flowing()
    stretch.judge.expect(("board-lost",), 5_000)
    stretch.cable.weather = LineTrouble(drop=1.0)
    stretch.go_on(60)
    end(stretch)


def another_board_is_plugged_in() -> None:
    stretch = resting()
    stretch.season.link._faithful = True
    stretch.reset_board("power")
    stretch.go_on(5)
    stretch.cable.tamper["to_host"] = lambda line: reframed(line, rb"board=\w+", b"board=0123456789ab")
    stretch.reset_board("power")
    stretch.judge.expect(("board-lost",), 10_000)
    stretch.judge.board_is_unfit("another board was plugged in")
    stretch.until("06:05")
    end(stretch)


def words_to_the_board_are_damaged() -> None:
    stretch = flowing()
    stretch.cable.tamper["to_board"] = lambda line: line.replace(b" valves=1 ", b" valves=3 ")
    stretch.go_on(30)
    end(stretch)


def words_to_the_host_are_damaged() -> None:
    stretch = flowing()
    stretch.cable.tamper["to_host"] = lambda line: re.sub(rb" flow0=(\d)", rb" flow0=1\1", line)
    stretch.go_on(2)
    stretch.cable.tamper.clear()
    stretch.until("07:00")
    end(stretch)


def words_are_repeated_and_overtaken() -> None:
    stretch = flowing()
    stretch.cable.weather = LineTrouble(repeat=1.0, late_ms=1_800, only="to_board")
    stretch.go_on(90)
    end(stretch)


def words_come_late() -> None:
    stretch = flowing()
    stretch.cable.weather = LineTrouble(late_ms=20_000, only="to_board")
    stretch.go_on(60)
    end(stretch)


def words_are_held_up_and_come_all_together() -> None:
    """By then the run has long been given up."""
    stretch = flowing()
    stretch.cable.hold_up("to_board")
    stretch.go_on(15)
    stretch.cable.let_go("to_board")
    stretch.go_on(60)
    end(stretch)


def reports_come_late() -> None:
    stretch = flowing()
    stretch.cable.weather = LineTrouble(late_ms=2_500, repeat=0.5, only="to_host")
    stretch.go_on(60)
    stretch.cable.weather = LineTrouble()
    stretch.until("07:00")
    end(stretch)


def noise_on(way: Way) -> None:
    """Text of a boot, half a line, empty lines, and twice as much as any buffer holds."""
    stretch = resting()
    for noise in (b"boot: 3.2 ok\r\n", b"set 7 boo", b"\n\n\n", b"\xff\x00\xfe", b"x" * 9_000):
        stretch.cable.noise(way, noise)
        stretch.go_on(61)
    stretch.cable.noise(way, b"\n")
    stretch.until("06:10")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def noise_on_the_way_to_the_board() -> None:
    noise_on("to_board")


def noise_on_the_way_to_the_host() -> None:
    noise_on("to_host")


def the_board_is_deaf() -> None:
    stretch = flowing()
    stretch.judge.expect(("board-lost",), 8_000)
    stretch.cable.weather = LineTrouble(drop=1.0, only="to_board")
    stretch.go_on(60)
    end(stretch)


def the_board_speaks_another_protocol() -> None:
    stretch = resting()
    stretch.cable.tamper["to_host"] = lambda line: reframed(line, rb"protocol=1\b", b"protocol=2")
    stretch.reset_board("power")
    stretch.judge.expect(("board-lost",), 10_000)
    stretch.judge.board_is_unfit("it spoke another protocol")
    stretch.until("06:05")
    end(stretch)


def reframed(line: bytes, pattern: bytes, by: bytes) -> bytes:
    """A hello with something in it changed by its sender: its checksum is right."""
    if not line.startswith(b"hello"):
        return line
    return frame(re.sub(pattern, by, line.rpartition(b"*")[0]).decode())


# --- the board ------------------------------------------------------------------------------------------------


def the_board_browns_out() -> None:
    stretch = flowing()
    stretch.reset_board()
    stretch.go_on(120)
    stretch.until("07:00")
    stretch.must_have_given(BED, 14.0)
    end(stretch)


def the_board_hangs() -> None:
    stretch = flowing()
    stretch.hang_board()
    stretch.go_on(120)
    end(stretch)


def a_limit_changes_in_memory() -> None:
    stretch = flowing()
    stretch.board.limits.open_max_ms ^= 1 << 30
    stretch.judge.expect(("board-self-test",), 3_000)
    stretch.judge.board_is_unfit("a limit changed in its memory")
    stretch.go_on(30)
    stretch.board.limits.open_max_ms ^= 1 << 30
    end(stretch)


def a_lease_changes_in_memory() -> None:
    stretch = flowing()
    stretch.board.outputs.lease_end_ms ^= 1 << 40
    stretch.cable.weather = LineTrouble(drop=1.0)
    stretch.judge.board_is_unfit("the end of its lease changed in its memory")
    stretch.go_on(30)
    stretch.reset_board("power")
    end(stretch)


def the_board_s_clock_is_off(pace: float) -> None:
    stretch = Stretch()
    stretch.judge.explained = ("board-clock-off",)
    stretch.judge.expect(("board-clock-off",), 35 * MINUTE_MS)
    stretch.season.pace = pace
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def the_board_s_clock_is_fast() -> None:
    the_board_s_clock_is_off(0.05)


def the_board_s_clock_is_slow() -> None:
    the_board_s_clock_is_off(-0.05)


def the_numbers_wrap() -> None:
    """Lines are numbered from 0 to 2^32 and on from 0."""
    stretch = flowing()
    for _ in range(2):
        stretch.season.link._seq = (stretch.season.link._seq + SEQ_MODULUS // 2 - 4) % SEQ_MODULUS
        stretch.board.talk._seq = (stretch.board.talk._seq + SEQ_MODULUS // 2 - 4) % SEQ_MODULUS
        stretch.go_on(3)
    stretch.go_on(30)
    stretch.must_have_given(BED, 3.0)
    end(stretch)


def the_board_boots_again_and_again() -> None:
    stretch = flowing()
    for _ in range(5):
        stretch.reset_board()
        stretch.go_on(20)
    stretch.judge.expect(("board-reboots", "board-reboots-latched"), 30_000)
    stretch.go_on(20 * 60)
    end(stretch, wait_min=31)


def the_settings_are_damaged() -> None:
    stretch = resting()
    stretch.season.wrong_settings = {"opening_ms": 1}
    stretch.reset_board("power")
    stretch.judge.expect(("board-settings-bad",), 75_000)
    stretch.judge.board_is_unfit("its settings were damaged")
    stretch.until("06:10")
    stretch.season.wrong_settings = None
    stretch.reset_board("power")
    end(stretch)


def a_pin_does_not_follow() -> None:
    stretch = flowing()
    hardware = stretch.season.hardware
    sound = hardware.outputs_on
    hardware.outputs_on = lambda pump_count, valve_count: sound(pump_count, valve_count) ^ 1  # type: ignore[method-assign]
    stretch.judge.expect(("board-output-mismatch",), 4_000)
    stretch.judge.board_is_unfit("a pin did not follow")
    stretch.go_on(30)
    hardware.outputs_on = sound  # type: ignore[method-assign]
    end(stretch)


# --- sensors --------------------------------------------------------------------------------------------------


def the_level_freezes() -> None:
    stretch = resting(fill=0.4)
    stretch.faults.echo_frozen.add(0)
    stretch.judge.expect(("level-frozen",), 35 * MINUTE_MS)
    stretch.until("07:00")
    end(stretch, wait_min=20)


def low_ranger() -> Site:
    """A ranger so near to the overflow that it is blind to a full tank."""
    return small_garden(tanks=(replace(GARDEN.tanks[0], sensor_height_mm=1200.0),))


def the_tank_is_fuller_than_the_ranger_sees() -> None:
    stretch = Stretch(low_ranger(), fill=0.97)
    stretch.judge.expect(("level-too-near",), 20 * MINUTE_MS)
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def the_level_jumps_for_a_moment() -> None:
    """Far up and down, two seconds each time: no single spike stops a watering."""
    stretch = flowing(10)
    stretch.judge.explained = ()
    for further_mm in (640.0, -300.0, 640.0):
        stretch.faults.echo_jump_mm[0] = further_mm
        stretch.go_on(2)
        stretch.faults.echo_jump_mm.clear()
        stretch.go_on(20)
    stretch.until("06:05")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def the_ranger_falls_silent() -> None:
    stretch = flowing(dose_l=40.0)
    stretch.faults.echo_silent.add(0)
    stretch.judge.expect(("level-unknown",), 75_000)
    stretch.go_on(180)
    end(stretch)


def the_thermometer_is_dead_in_summer() -> None:
    stretch = Stretch()
    stretch.faults.temperature_bad.add(0)
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def the_meter_dies() -> None:
    stretch = flowing()
    stretch.faults.flow_meter_dead.add(0)
    stretch.felt()
    stretch.judge.expect(("no-flow",), 8_000)
    stretch.go_on(60)
    end(stretch)


def the_meter_makes_up_pulses() -> None:
    stretch = flowing(15)
    stretch.faults.sensor["flow", 0] = SensorTrouble("garbage", 4_000.0)
    stretch.judge.expect(("meter-impossible", "burst-flow"), 15_000)
    stretch.go_on(20)
    stretch.judge.expect(("flow-at-rest", "board-flow-at-rest"), 150_000)
    stretch.go_on(160)
    end(stretch)


def the_voltage_stands_still() -> None:
    stretch = resting()
    stretch.faults.sensor["battery", 0] = SensorTrouble("stuck")
    stretch.judge.expect(("battery-frozen",), 35 * MINUTE_MS)
    stretch.until("06:45")
    end(stretch)


def the_voltage_is_gone() -> None:
    stretch = resting()
    stretch.faults.battery_bad = True
    stretch.judge.expect(("battery-unknown",), 5 * MINUTE_MS)
    stretch.until("06:10")
    end(stretch)


def the_thermometer_says_frost() -> None:
    stretch = resting()
    stretch.faults.temperature_frozen[0] = -3.0
    stretch.judge.expect(("frost",), 2 * MINUTE_MS)
    stretch.until("06:10")
    end(stretch)


def the_thermometer_dies_before_a_frosty_morning() -> None:
    stretch = Stretch(begins="2026-01-10T18:00", warmth_c=(-6.0, 3.5))
    stretch.faults.temperature_bad.add(0)
    stretch.judge.explained = None
    stretch.until("06:30")
    stretch.mend_all()
    stretch.check_books()


def a_frosty_morning() -> None:
    stretch = Stretch(begins="2026-01-10T18:00", warmth_c=(-6.0, 3.5))
    stretch.judge.expect(("frost",), 8 * HOUR_MS)
    stretch.until("06:30")
    stretch.check_books()


def the_rain_gauge_is_cleaned() -> None:
    stretch = resting()
    stretch.faults.sensor["rain", 0] = SensorTrouble("garbage", 4_000.0)
    stretch.go_on(150)
    stretch.faults.sensor.clear()
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def a_schedule_makes_no_sense() -> None:
    stretch = resting()
    for schedule in (
        Schedule("fixed", (), math.nan, 1, 5.0, (365,)),
        Schedule("fixed", (), 20.0, 1, math.inf, (365,)),
        Schedule("fixed", (), 20.0, 1, 5.0, (1500, -3)),
    ):
        stretch.order(SetSchedule(BED, schedule, 0))
    stretch.until("06:10")
    end(stretch)


# --- pump, valves, pipes --------------------------------------------------------------------------------------


def the_pump_s_contact_welds() -> None:
    stretch = flowing()
    stretch.faults.pump_welded.add(0)
    stretch.felt()
    stretch.until_pump(on=False)
    stretch.judge.expect(("pump-runs-on",), 10_500)
    stretch.go_on(240)
    stretch.faults.pump_welded.clear()
    stretch.felt()
    stretch.go_on(60)
    end(stretch, wait_min=5)


def the_pump_is_dead() -> None:
    stretch = resting()
    stretch.faults.pump_dead.add(0)
    stretch.until_pump(on=True)
    stretch.judge.expect(("no-flow",), 20_000)
    stretch.until("06:45")
    end(stretch)


def a_valve_does_not_open() -> None:
    stretch = resting()
    stretch.faults.valve_stuck[BED_OUTPUT] = False
    stretch.until_pump(on=True)
    stretch.judge.expect(("no-flow",), 20_000)
    stretch.until("06:30")
    stretch.must_have_given(POT, 6.0)
    end(stretch)


def another_bed_s_valve_does_not_shut() -> None:
    stretch = flowing()
    stretch.faults.valve_stuck[POT_OUTPUT] = True
    stretch.felt()
    stretch.judge.expect(("burst-flow",), 25_000)
    stretch.go_on(120)
    end(stretch)


def a_valve_is_slow() -> None:
    stretch = resting()
    stretch.faults.valve_slow_s[BED_OUTPUT] = 10.0
    stretch.until("06:10")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def valves_are_declared_slow() -> None:
    zones = [replace(zone, valve=replace(zone.valve, opening_s=15.0)) for zone in GARDEN.zones]
    stretch = Stretch(with_zones(GARDEN, zones))
    for zone in zones:
        stretch.faults.valve_slow_s[zone.valve.output] = 15.0
    stretch.until("06:30")
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def a_pipe_bursts() -> None:
    stretch = flowing()
    stretch.faults.pipe_burst[BED] = 3.0
    stretch.felt()
    stretch.judge.expect(("burst-flow",), 11_000)
    stretch.go_on(60)
    end(stretch)


def a_pipe_weeps() -> None:
    """A third more than usual is no burst; all of it is booked."""
    stretch = resting()
    stretch.faults.pipe_burst[BED] = 1.35
    stretch.until("06:10")
    end(stretch)


def the_filter_clogs() -> None:
    stretch = resting()
    stretch.faults.filter_clogged["main-pump"] = 0.9
    stretch.until_pump(on=True)
    stretch.judge.expect(("slow-delivery",), 7 * MINUTE_MS)
    stretch.go_on(8 * 60)
    end(stretch)


def the_tank_leaks() -> None:
    """After two days, in which the ranger's usual errors are learned."""
    stretch = Stretch(days=6)
    stretch.go_on(50 * 3600)
    stretch.judge.explained = None
    stretch.faults.leak_l_h["main"] = 12.0
    stretch.felt()
    stretch.judge.expect(("leak",), 24 * HOUR_MS)
    stretch.go_on(25 * 3600)
    end(stretch)


def two_beds_are_due_together() -> None:
    stretch = Stretch(with_zones(GARDEN, [replace(zone, schedule=fixed(5.0, 360)) for zone in GARDEN.zones]))
    stretch.until("06:20")
    stretch.must_have_given(BED, 5.0)
    stretch.must_have_given(POT, 5.0)
    end(stretch)


def unlike_beds() -> Site:
    """Two beds of unlike size, four doses a day for each."""
    times = [60 * hour for hour in (6, 10, 14, 18)]
    big = replace(EXAMPLE.zone(POT), emitter_count=72, schedule=fixed(5.0, *(time + 20 for time in times)))
    return with_zones(EXAMPLE, [replace(EXAMPLE.zone(BED), schedule=fixed(5.0, *times)), big])


def two_beds_are_crossed() -> None:
    stretch = Stretch(unlike_beds(), days=7)
    stretch.go_on(3 * 86_400)
    stretch.judge.explained = None
    stretch.faults.zones_crossed.add((BED_OUTPUT, POT_OUTPUT))
    stretch.felt()
    stretch.judge.expect(("zones-crossed",), 36 * HOUR_MS)
    stretch.go_on(37 * 3600)
    end(stretch)


# --- supply ---------------------------------------------------------------------------------------------------


def the_battery_sags_under_the_pump() -> None:
    """A battery a little above its lowest charge: each start of the pump pulls its voltage down."""
    stretch = Stretch(charge=0.75)
    stretch.sag_v = 1.2
    stretch.until("07:00")
    stretch.must_have_given(BED, 16.0)
    end(stretch)


def the_battery_goes_flat() -> None:
    stretch = flowing(dose_l=40.0)
    bank = stretch.season.plant.bank
    bank.charge_ah = 0.015 * bank.capacity_ah
    stretch.felt()
    stretch.judge.expect(("battery-low", "board-supply-low"), 13_000)
    stretch.go_on(40)
    bank.charge_ah = 0.9 * bank.capacity_ah
    stretch.felt()
    stretch.go_on(20 * 60)
    end(stretch, wait_min=45)


def ten_dark_days() -> None:
    stretch = Stretch(days=13)
    stretch.faults.panel_shaded = 0.95
    stretch.felt()
    stretch.judge.explained = None
    stretch.judge.expect(("battery-falls",), 8 * 24 * HOUR_MS)
    stretch.go_on(10 * 86_400)
    end(stretch, wait_min=26 * 60)


def the_charger_drives_too_high() -> None:
    stretch = resting()
    stretch.faults.battery_frozen_mv = 15_600
    stretch.judge.expect(("battery-high",), 2 * MINUTE_MS)
    stretch.until("06:10")
    end(stretch)


def the_controller_loses_power(away_s: float = 10.0) -> None:
    stretch = flowing()
    stretch.restart(away_s)
    stretch.go_on(120)
    stretch.until("07:00")
    stretch.must_have_given(BED, 15.0)
    end(stretch)


def the_controller_dies_for_a_moment() -> None:
    the_controller_loses_power(1.5)


def the_controller_loses_power_between_orders() -> None:
    """The cap of a day is one, however often the controller dies."""
    zone = replace(GARDEN.zone(BED), schedule=fixed(5.0, 360, cap_l=11.0))
    stretch = Stretch(with_zones(GARDEN, [zone, GARDEN.zone(POT)]))
    for _ in range(4):
        stretch.until_rest()
        stretch.order(RunZone(BED, 5.0))
        stretch.go_on(200)
        stretch.restart(5.0)
        stretch.go_on(40)
    end(stretch)


# --- time -----------------------------------------------------------------------------------------------------


def the_time_is_not_known() -> None:
    stretch = Stretch(begins="2026-07-01T05:59", trust="unknown")
    stretch.judge.expect(("clock-unknown",), 2 * MINUTE_MS)
    stretch.until("06:30")
    end(stretch)


def the_clock_jumps(hours: float, back_h: float = 0.0) -> None:
    stretch = resting()
    stretch.judge.explained = ()
    stretch.step_clock(hours)
    stretch.go_on(30 * 60)
    stretch.step_clock(back_h)
    stretch.until("07:30")
    end(stretch)


def the_clock_jumps_ahead() -> None:
    the_clock_jumps(9.0)


def the_clock_jumps_ahead_by_days() -> None:
    the_clock_jumps(3 * 24.0)


def the_clock_jumps_back() -> None:
    stretch = Stretch()
    stretch.until("06:10")
    stretch.step_clock(-1.0)
    stretch.go_on(100 * 60)
    stretch.step_clock(0.0)
    stretch.until("08:00")
    end(stretch)


def the_clock_steps_in_a_run() -> None:
    stretch = Stretch()
    stretch.until_flowing()
    for hours in (0.5, -0.5, 1.0 / 3600.0, -1.0, 0.0):
        stretch.step_clock(hours)
        stretch.go_on(10)
    stretch.must_have_given(BED, 3.5)
    stretch.until("07:30")
    end(stretch)


def the_clock_is_put_on_and_back_again_and_again() -> None:
    """The cap of a day is not had again by putting the clock forward."""
    zone = replace(GARDEN.zone(BED), schedule=Schedule("off", (), 11.0))
    stretch = Stretch(with_zones(GARDEN, [zone, GARDEN.zone(POT)]))
    for days in range(4):
        stretch.step_clock(24.0 * days)
        stretch.go_on(20 * 60)
        stretch.until_rest()
        stretch.order(RunZone(BED, 10.0))
        stretch.go_on(400)
    end(stretch)


def the_clocks_are_put_back_in_autumn() -> None:
    """Half past one comes twice."""
    zone = replace(GARDEN.zone(BED), schedule=fixed(8.0, 90))
    stretch = Stretch(with_zones(GARDEN, [zone, GARDEN.zone(POT)]), "2026-10-25T00:50")
    stretch.go_on(3 * 3600)
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def the_clocks_are_put_forward_in_spring() -> None:
    """Half past one does not come at all."""
    zone = replace(GARDEN.zone(BED), schedule=fixed(8.0, 90))
    stretch = Stretch(with_zones(GARDEN, [zone, GARDEN.zone(POT)]), "2026-03-29T00:30", warmth_c=(8.0, 15.0))
    stretch.go_on(3 * 3600)
    stretch.must_have_given(BED, 8.0)
    end(stretch)


def a_leap_day_begins() -> None:
    stretch = Stretch(begins="2028-02-29T22:00", warmth_c=(8.0, 15.0))
    stretch.go_on(9 * 3600)
    stretch.must_have_given(BED, 16.0)
    end(stretch)


def the_year_2038_comes() -> None:
    """2^31 seconds after 1970, on 19 January."""
    stretch = Stretch(begins="2038-01-18T22:00", warmth_c=(8.0, 15.0))
    stretch.go_on(9 * 3600)
    stretch.must_have_given(BED, 16.0)
    end(stretch)


# --- what is kept and sent ------------------------------------------------------------------------------------


def the_disk_is_full_for_a_while() -> None:
    stretch = Stretch(journal=True)
    stretch.until("05:58")
    assert stretch.stored is not None
    stretch.stored.fill_disk()
    stretch.until("06:35")
    stretch.stored.free_disk()
    stretch.until("07:00")
    stretch.must_have_given(BED, 16.0)
    end(stretch)


def the_broker_forgets_what_it_has_not_acknowledged() -> None:
    stretch = Stretch(journal=True)
    assert stretch.stored is not None
    stretch.stored.broker_loses = True
    stretch.until("07:00")
    end(stretch)


def the_controller_dies_while_a_fault_is_latched() -> None:
    stretch = resting(journal=True)
    stretch.faults.pump_dead.add(0)
    stretch.until("06:03")
    stretch.restart(10.0)
    stretch.go_on(60)
    end(stretch)


def the_controller_dies_between_two_doses() -> None:
    stretch = Stretch()
    stretch.until("06:08")
    stretch.restart(10.0)
    stretch.until("07:00")
    stretch.must_have_given(BED, 16.0)
    end(stretch)


def a_dump_is_taken_in_mid_run() -> None:
    stretch = Stretch(twin=True)
    stretch.until_flowing(5)
    stretch.go_on(45 * 60)
    end(stretch)


def _run_message(order_id: str, **more: object) -> bytes:
    order = {"order": "run-zone", "id": order_id, "sender": "somebody", "zone": BED, "volume_l": 2.0, **more}
    return json.dumps(order).encode()


def an_order_is_retained() -> None:
    stretch = resting()
    stretch.message(_run_message("run-1"), retained=True)
    stretch.until("06:10")
    end(stretch)


def an_order_comes_twice() -> None:
    stretch = Stretch(journal=True)
    stretch.go_on(120)
    for _ in range(2):
        stretch.message(_run_message("run-1"), may_act=True)
        stretch.go_on(100)
    stretch.must_have_given(BED, 2.0)
    end(stretch)


def an_order_is_too_long() -> None:
    stretch = resting()
    stretch.message(_run_message("run-1") + b" " * 5_000)
    stretch.until("06:10")
    end(stretch)


def an_order_names_numbers_that_are_none() -> None:
    stretch = resting()
    for number in (b"NaN", b"1e999", b"-2", b"0"):
        stretch.message(_run_message("run-1").replace(b"2.0", number))
        stretch.go_on(30)
    stretch.until("06:10")
    end(stretch)


def an_order_arrives_too_late() -> None:
    stretch = resting()
    stretch.judge.must_not_act("run-1")
    now = stretch.season.now()
    stretch.order(RunZone(BED, 2.0), "run-1", now.wall_ms - 60_000)
    stretch.until("06:10")
    end(stretch)


def an_order_waits_for_a_board_that_is_gone() -> None:
    """It was accepted; by the time the board is back, nobody thinks of it any more."""
    stretch = flowing(5)
    stretch.order(RunZone(POT, 2.0))
    stretch.cable.weather = LineTrouble(drop=1.0)
    stretch.go_on(14 * 60)
    stretch.cable.weather = LineTrouble()
    stretch.until("06:18")
    end(stretch)


def an_order_asks_for_more_than_the_cap() -> None:
    zone = replace(GARDEN.zone(BED), schedule=Schedule("off", (), 11.0))
    stretch = Stretch(with_zones(GARDEN, [zone, GARDEN.zone(POT)]))
    for _ in range(3):
        stretch.order(RunZone(BED, 1e9))
        stretch.go_on(5 * 60)
    end(stretch)


def somebody_holds_the_site() -> None:
    stretch = resting()
    stretch.order(HoldAll(None))
    stretch.until("06:30")
    end(stretch)


def one_of_two_faults_is_cleared() -> None:
    stretch = resting()
    stretch.faults.valve_stuck.update({BED_OUTPUT: False, POT_OUTPUT: False})
    stretch.until("06:25")
    assert stretch.order(ClearFault(f"no-flow:{POT}")).accepted
    stretch.go_on(60)
    end(stretch)


def somebody_takes_water_with_a_bucket() -> None:
    stretch = resting(fill=0.3)
    stretch.season.plant.set_volume("main", 0.6 * RESERVE_L)
    stretch.until("06:45")
    stretch.season.plant.set_volume("main", 800.0)
    end(stretch, wait_min=90)


def the_tank_is_near_its_reserve() -> None:
    stretch = Stretch(fill=0.12)
    stretch.season.plant.set_volume("main", RESERVE_L + 42.0)
    stretch.until("07:00")
    stretch.order(RunZone(BED, 40.0))
    stretch.go_on(1200)
    stretch.season.plant.set_volume("main", 800.0)
    end(stretch, wait_min=90)


def somebody_empties_the_tank_in_mid_run() -> None:
    stretch = flowing(dose_l=40.0)
    stretch.season.plant.set_volume("main", 0.0)
    stretch.felt()
    stretch.judge.expect(("suction-dry", "board-dry"), 5_000)
    stretch.go_on(120)
    stretch.season.plant.set_volume("main", 800.0)
    end(stretch, wait_min=90)
