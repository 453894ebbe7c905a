"""The board's own limits, each as the time from the hazard to everything shut.

Bounds: house rules (proposed values, no standard behind them). The valve closes one second after the pump, so a limit
on the pump shows in the time the pump stopped.
"""

from __future__ import annotations

import pytest

from firmware_host.board.faults import DELIBERATE, SELF_CLEARING
from tests.board_stand_in import FITTED, BoardRig

TICK_MS = 20
SETTLE_MS = 1000


def pump_stops_after_ms(rig: BoardRig, limit_ms: int) -> int:
    """Milliseconds until the pump stops while the host keeps renewing; the rest must then be shut a second later."""
    began = rig.hw.now_ms
    rig.time_to_safe_ms(limit_ms)
    stopped = max(t for t, part, _, on in rig.hw.history if part == "pump" and not on)
    closed = max(t for t, part, _, on in rig.hw.history if part == "valve" and not on)
    assert SETTLE_MS <= closed - stopped <= SETTLE_MS + TICK_MS
    return stopped - began


def refusal(rig: BoardRig, pumps: int = 1, valves: int = 1) -> str:
    rig.lines.clear()
    rig.set(pumps, valves)
    answers = [fields for kind, _, fields in rig.lines if kind == "ack" and fields["ack"] == str(rig.seq)]
    assert len(answers) == 1
    return answers[0].get("refusal", "")


def test_no_flow_from_the_start_stops_the_pump_after_15_s() -> None:
    rig = BoardRig()
    rig.hw.pulses_per_s = 0
    rig.set(1, 1)
    rig.run(2000)
    assert rig.hw.pumps == {0}
    assert 15_000 - TICK_MS <= pump_stops_after_ms(rig, 20_000) <= 15_000 + TICK_MS
    assert rig.faults() == "board-no-flow"


def test_flow_that_ceases_stops_the_pump_after_5_s() -> None:
    rig = BoardRig()
    rig.start()
    rig.hold(1, 1, 20_000)
    rig.hw.pulses_per_s = 0
    assert 4800 <= pump_stops_after_ms(rig, 10_000) <= 5000 + TICK_MS
    assert rig.faults() == "board-no-flow"


def test_each_run_has_its_own_15_s_to_show_flow() -> None:
    rig = BoardRig()
    rig.start()
    rig.hold(1, 1, 5000)
    rig.set(0, 0)
    rig.run(3000)
    rig.hw.pulses_per_s = 0
    rig.start()
    rig.hold(1, 1, 12_000)
    assert rig.hw.pumps == {0}
    assert pump_stops_after_ms(rig, 10_000) <= 3000


def test_flow_below_the_minimum_the_host_set_counts_as_none() -> None:
    rig = BoardRig()
    rig.hw.pulses_per_s = 3
    rig.set(1, 1, flow_min_pulses=20)
    rig.hold(1, 1, 10_000)
    assert rig.hw.pumps == {0}
    assert pump_stops_after_ms(rig, 20_000) <= 15_000
    assert "board-no-flow" in rig.faults()


def test_enough_flow_runs_on() -> None:
    rig = BoardRig()
    rig.set(1, 1, flow_min_pulses=20)
    rig.hold(1, 1, 120_000, 500)
    assert rig.hw.pumps == {0}


def test_no_flow_stays_latched_until_it_is_cleared() -> None:
    rig = BoardRig()
    rig.hw.pulses_per_s = 0
    rig.start()
    rig.time_to_safe_ms()
    rig.hw.pulses_per_s = 10
    rig.run(3_600_000, 60_000)
    assert refusal(rig) == "board-no-flow"
    rig.send(rig.command("clear", fault="board-no-flow"))
    assert "refusal" not in rig.last("ack")
    assert refusal(rig) == ""
    rig.hold(1, 1, 3000)
    assert rig.hw.pumps == {0}
    assert rig.faults() == ""


def test_supply_below_the_limit_stops_the_pump_after_10_s() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.battery = 10_700
    assert 10_000 - TICK_MS <= pump_stops_after_ms(rig, 15_000) <= 10_000 + TICK_MS
    assert rig.faults() == "board-supply-low"


def test_a_sag_shorter_than_10_s_stops_nothing() -> None:
    rig = BoardRig()
    rig.start()
    for _ in range(3):
        rig.hw.battery = 10_700
        rig.hold(1, 1, 9000)
        rig.hw.battery = 12_500
        rig.hold(1, 1, 1000)
    assert rig.hw.pumps == {0}


def test_supply_below_the_floor_stops_the_pump_within_a_quarter_second() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.battery = 9900
    assert 180 <= pump_stops_after_ms(rig, 2000) <= 250


def test_a_supply_that_cannot_be_read_stops_the_pump_after_10_s_and_is_not_called_low() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.battery = None
    assert pump_stops_after_ms(rig, 15_000) <= 10_000 + TICK_MS
    assert rig.faults() == "board-supply-unknown"
    rig.hw.battery = 12_800
    rig.run(61_000, 500)
    assert rig.faults() == ""


@pytest.mark.parametrize(("battery", "id_"), [(None, "board-supply-unknown"), (10_700, "board-supply-low")])
def test_a_pump_does_not_start_on_a_bad_supply(battery: int | None, id_: str) -> None:
    rig = BoardRig()
    rig.hw.battery = battery
    assert refusal(rig) == id_
    assert rig.safe


def test_a_low_supply_is_over_only_half_a_volt_above_the_limit_for_half_an_hour() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.battery = 10_700
    rig.time_to_safe_ms()
    rig.hw.battery = 11_299
    rig.run(4_000_000, 10_000)
    assert rig.faults() == "board-supply-low"
    rig.hw.battery = 11_300
    rig.run(1_780_000, 10_000)
    assert rig.faults() == "board-supply-low"
    rig.run(40_000, 10_000)
    assert rig.faults() == ""


def test_limits_from_the_host_are_kept_until_the_next_boot() -> None:
    rig = BoardRig()
    rig.set(0, 0, low_mv=12_000)
    rig.hw.battery = 11_900
    assert refusal(rig) == "board-supply-low"


def test_a_dry_float_switch_stops_the_pump_within_half_a_second() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.wet = False
    assert pump_stops_after_ms(rig, 2000) <= 500 + TICK_MS
    assert rig.faults() == "board-dry"
    assert refusal(rig) == "board-dry"


def test_a_switch_that_was_dry_at_the_end_of_a_run_does_not_shorten_the_next() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.wet = False
    rig.run(100)
    rig.set(0, 0)
    rig.run(5000)
    rig.hw.wet = True
    rig.set(1, 1)
    rig.hold(1, 1, 2000)
    rig.hw.wet = False
    rig.run(500)
    assert rig.hw.pumps == {0}
    rig.run(40)
    assert not rig.hw.pumps


def test_a_ripple_on_the_float_switch_stops_nothing() -> None:
    rig = BoardRig()
    rig.start()
    for _ in range(20):
        rig.hw.wet = not rig.hw.wet
        rig.hold(1, 1, 400)
    assert rig.hw.pumps == {0}


def test_after_running_dry_the_pump_may_start_once_the_switch_was_wet_for_a_minute() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.wet = False
    rig.time_to_safe_ms()
    rig.hw.wet = True
    rig.run(59_000, 500)
    assert refusal(rig) == "board-dry"
    rig.run(2000, 500)
    assert refusal(rig) == ""


def test_a_dry_switch_refuses_the_start() -> None:
    rig = BoardRig()
    rig.hw.wet = False
    assert refusal(rig) == "board-dry"


@pytest.mark.parametrize("limit_ms", [3_600_000, 600_000])
def test_no_valve_stays_open_longer_than_its_limit_whatever_the_host_says(limit_ms: int) -> None:
    rig = BoardRig()
    rig.set(1, 1, open_max_ms=limit_ms)
    rig.hold(1, 1, limit_ms - 10_000, 500)
    assert rig.hw.valves == {0}
    rig.time_to_safe_ms(20_000)
    assert limit_ms - 1500 <= rig.hw.now_ms <= limit_ms
    assert rig.faults() == "board-valve-too-long"
    assert refusal(rig) == "board-valve-too-long"
    rig.run(61_000, 500)
    assert refusal(rig) == ""


def test_a_pump_without_flow_meter_has_no_flow_limit_but_a_bounded_run() -> None:
    rig = BoardRig(fitted={**FITTED, "flow": 0})
    rig.set(1, 1)
    rig.hold(1, 1, 1_795_000, 500)
    assert rig.hw.pumps == {0}
    assert pump_stops_after_ms(rig, 20_000) <= 7000 + TICK_MS
    assert rig.faults() == "board-pump-too-long"


def test_a_metered_pump_runs_its_longest_time_over_several_zones() -> None:
    rig = BoardRig()
    rig.set(1, 1, pump_max_ms=300_000)
    for zone in (0b001, 0b010, 0b100, 0b001):
        rig.hold(1, zone, 70_000, 500)
    assert rig.hw.pumps == {0}
    rig.hold(1, 0b001, 30_000, 500)
    assert rig.safe
    assert rig.faults() == "board-pump-too-long"


def test_a_pump_pin_that_stays_on_is_noticed_within_a_second() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.stuck_pump = True
    rig.set(0, 0)
    rig.run(2100)
    assert rig.faults() == "board-output-mismatch"
    assert rig.last("report")["pumps"] == "1"
    rig.send(rig.command("clear", fault="board-output-mismatch"))
    assert rig.last("ack")["refusal"] == "still-present"
    rig.hw.stuck_pump = None
    rig.run(100)
    rig.send(rig.command("clear", fault="board-output-mismatch"))
    assert "refusal" not in rig.last("ack")
    assert rig.faults() == ""


def test_a_pump_pin_that_does_not_follow_shuts_everything_within_a_second() -> None:
    rig = BoardRig()
    rig.hw.stuck_pump = False
    rig.set(1, 1)
    rig.hold(1, 1, 2000)
    assert 1000 <= rig.time_to_safe_ms(5000) <= 1000 + 2 * TICK_MS
    assert rig.faults() == "board-output-mismatch"


def test_a_valve_pin_that_stays_open_is_noticed_while_idle_and_driven_shut_again() -> None:
    rig = BoardRig()
    rig.hw.history.clear()
    rig.hw.stuck_valves = {2}
    rig.run(1100)
    assert rig.faults() == "board-output-mismatch"
    assert (1020, "valve", 2, False) in rig.hw.history


def test_a_glitch_of_the_read_back_shorter_than_a_second_stops_nothing() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.stuck_pump = False
    rig.hold(1, 1, 900)
    rig.hw.stuck_pump = None
    rig.hold(1, 1, 900)
    assert rig.hw.pumps == {0}


def test_shutting_is_never_refused_while_a_fault_stands() -> None:
    rig = BoardRig()
    rig.hw.pulses_per_s = 0
    rig.start()
    rig.time_to_safe_ms()
    assert refusal(rig, 0, 0) == ""


@pytest.mark.parametrize("fault", ["board-no-flow", "board-lease-lapsed", "board-no-valve", "nonsense", "-"])
def test_what_does_not_stand_cannot_be_cleared(fault: str) -> None:
    rig = BoardRig()
    rig.send(rig.command("clear", fault=fault))
    assert rig.last("ack")["refusal"] == "not-latched"


def test_a_standing_low_supply_is_cleared_early_only_when_the_supply_is_back() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.battery = 10_700
    rig.time_to_safe_ms()
    rig.send(rig.command("clear", fault="board-supply-low"))
    assert rig.last("ack")["refusal"] == "still-present"
    rig.hw.battery = 12_000
    rig.send(rig.command("clear", fault="board-supply-low"))
    assert refusal(rig) == ""


def test_every_fault_clears_either_deliberately_or_by_itself() -> None:
    assert not set(DELIBERATE) & set(SELF_CLEARING)


def test_jumping_to_the_announced_times_finds_every_limit_as_soon_as_ticking() -> None:
    """Virtual time may skip from one announced uptime to the next."""
    rig = BoardRig()
    rig.hw.pulses_per_s = 0
    for second in range(20):
        rig.set(1, 1)
        while rig.next_ms < (second + 1) * 1000:
            rig.hw.advance_to(rig.next_ms)
            rig.next_ms = rig.board.tick()
        rig.hw.advance_to((second + 1) * 1000)
    stops = [t for t, part, _, on in rig.hw.history if part == "pump" and not on]
    assert stops == [0, 17_000]
    closes = [t for t, part, output, on in rig.hw.history if (part, output, on) == ("valve", 0, False)]
    assert closes == [0, 18_000]
