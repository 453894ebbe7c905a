"""Two pumps, each guarded by its own meter and float; latching valves, which move one after the other."""

from __future__ import annotations

import pytest

from tests.board_stand_in import FITTED, BoardRig, FakeHardware

OPENING_MS = 2000
SETTLE_MS = 1000
LEASE_MS = 5000
CLOSING_MS = 310
MOVING_MS = 460
TWO = {**FITTED, "pump": 2, "flow": 2, "float_switch": 2}


class TwoPumps(FakeHardware):
    """flows[n]: pulses a second of meter n while any pump runs. afloat[n]: what float switch n says."""

    def __init__(self, fitted: dict[str, int] | None = None) -> None:
        super().__init__(fitted)
        self.flows = [10, 10]
        self.afloat = [True, True]
        self._counted = [0, 0]

    def advance_to(self, now_ms: int) -> None:
        for channel in range(2):
            if channel in self.pumps:
                self._counted[channel] += (now_ms - self.now_ms) * self.flows[channel]
        super().advance_to(now_ms)

    def flow_pulses(self, channel: int) -> int:
        return self._counted[channel] // 1000

    def float_wet(self, channel: int) -> bool:
        return self.afloat[channel]


class LatchingValves(FakeHardware):
    def closing_ms(self) -> int:
        return CLOSING_MS

    def moving_ms(self) -> int:
        return MOVING_MS


def two_pumps(settings: dict[str, int | list[int]] | None = None) -> tuple[BoardRig, TwoPumps]:
    rig = BoardRig(settings, TWO, TwoPumps)
    assert isinstance(rig.hw, TwoPumps)
    return rig, rig.hw


def moves(rig: BoardRig, part: str, on: bool) -> list[tuple[int, int]]:
    """Uptime and number of every output that moved after boot."""
    return [(ms, output) for ms, kind, output, is_on in rig.hw.history if kind == part and is_on == on and ms > 0]


def refused(rig: BoardRig, pumps: int, valves: int = 0b111) -> str:
    rig.lines.clear()
    rig.set(pumps, valves)
    answers = [fields for kind, _, fields in rig.lines if kind == "ack" and fields["ack"] == str(rig.seq)]
    return answers[0].get("refusal", "") if answers else ""


# --- two pumps --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pump", [0, 1])
def test_each_pump_is_stopped_by_its_own_meter(pump: int) -> None:
    rig, hardware = two_pumps()
    hardware.flows[pump] = 0
    rig.set(0b11, 1)
    rig.hold(0b11, 1, OPENING_MS + 14_900)
    assert hardware.pumps == {0, 1}
    rig.hold(0b11, 1, 200)
    assert hardware.pumps == set()
    assert rig.board.faults.text() == "board-no-flow"


@pytest.mark.parametrize("pump", [0, 1])
def test_a_pump_that_rests_is_not_asked_for_flow(pump: int) -> None:
    rig, hardware = two_pumps()
    hardware.flows[1 - pump] = 0
    hardware.afloat[1 - pump] = False
    rig.set(1 << pump, 1)
    rig.hold(1 << pump, 1, 60_000)
    assert hardware.pumps == {pump}
    assert rig.board.faults.standing == []


@pytest.mark.parametrize("pump", [0, 1])
def test_only_the_float_of_a_pump_that_is_to_start_can_refuse_it(pump: int) -> None:
    rig, hardware = two_pumps()
    hardware.afloat[pump] = False
    assert refused(rig, 1 << pump) == "board-dry"
    assert refused(rig, 1 << (1 - pump)) == ""
    assert refused(rig, 0b11) == "board-dry"


@pytest.mark.parametrize("pump", [0, 1])
def test_a_pump_that_runs_dry_stops_them_all_until_its_own_float_is_wet_again(pump: int) -> None:
    rig, hardware = two_pumps()
    rig.set(0b11, 1)
    rig.hold(0b11, 1, 3000)
    hardware.afloat[pump] = False
    rig.hold(0b11, 1, 600)
    assert hardware.pumps == set()
    assert rig.board.faults.text() == "board-dry"
    rig.run(70_000, 500)
    assert rig.board.faults.text() == "board-dry"
    hardware.afloat[pump] = True
    rig.run(61_000, 500)
    assert rig.board.faults.standing == []


@pytest.mark.parametrize("pump", [0, 1])
def test_meters_and_floats_belong_to_the_pumps_that_the_settings_say(pump: int) -> None:
    rig, hardware = two_pumps({"flow_of_pump": [1, 0], "float_of_pump": [1, -1]})
    hardware.afloat[0] = False
    assert refused(rig, 0b11) == ""
    hardware.afloat = [True, False]
    assert refused(rig, 0b01) == "board-dry"
    assert refused(rig, 0b10) == ""
    hardware.afloat[1] = True
    rig.run(5000)
    rig.set(1 << pump, 1)
    rig.hold(1 << pump, 1, OPENING_MS + 14_900)
    assert hardware.pumps == {pump}
    rig.hold(1 << pump, 1, 200)
    assert rig.board.faults.text() == "board-no-flow"


def test_meters_and_floats_that_are_not_fitted_are_not_asked() -> None:
    fitted = {**TWO, "flow": 1, "float_switch": 1}
    rig = BoardRig({"pump_blind_max_ms": 60_000}, fitted, TwoPumps)
    assert isinstance(rig.hw, TwoPumps)
    rig.hw.flows[1] = 0
    rig.hw.afloat[1] = False
    rig.set(0b10, 1)
    rig.hold(0b10, 1, 50_000)
    assert rig.hw.pumps == {1}
    rig.hold(0b10, 1, 15_000)
    assert rig.board.faults.text() == "board-pump-too-long"


def test_when_one_pump_stops_the_other_runs_on() -> None:
    for stays in (0, 1):
        rig, hardware = two_pumps()
        rig.set(0b11, 1)
        rig.hold(0b11, 1, 3000)
        rig.set(1 << stays, 1)
        rig.hold(1 << stays, 1, 3000)
        assert hardware.pumps == {stays}
        assert moves(rig, "pump", on=False) == [(3000, 1 - stays)]


def test_a_pump_whose_own_valves_shut_stops_although_valves_of_the_other_stay_open() -> None:
    rig, hardware = two_pumps({"valves_of_pump": [0b001, 0b110]})
    rig.set(0b11, 0b011)
    rig.hold(0b11, 0b011, 3000)
    assert hardware.pumps == {0, 1}
    rig.set(0b10, 0b010)
    rig.run(900)
    assert (hardware.pumps, hardware.valves) == ({1}, {0, 1})
    rig.run(200)
    assert (hardware.pumps, hardware.valves) == ({1}, {1})


def test_a_pump_needs_a_valve_of_its_own_and_none_of_a_pump_that_rests() -> None:
    rig, _ = two_pumps({"valves_of_pump": [0b001, 0b110]})
    assert refused(rig, 0b10, 0b010) == ""
    assert refused(rig, 0b10, 0b001) == "board-no-valve"
    assert refused(rig, 0b01, 0b001) == ""
    assert refused(rig, 0b01, 0b110) == "board-no-valve"


def test_a_pump_starts_when_one_of_its_own_valves_is_ready_whatever_the_others_do() -> None:
    rig, _ = two_pumps({"valves_of_pump": [0b001, 0b110]})
    rig.set(0, 0b010)
    rig.hold(0, 0b010, 1000)
    rig.set(0b11, 0b011)
    rig.hold(0b11, 0b011, 3000)
    assert moves(rig, "pump", on=True) == [(OPENING_MS, 1), (1000 + OPENING_MS, 0)]


def test_a_valve_that_two_pumps_feed_waits_for_the_one_that_stopped_last() -> None:
    rig, _ = two_pumps({"valves_of_pump": [0b011, 0b001]})
    rig.set(0b11, 0b001)
    rig.hold(0b11, 0b001, 3000)
    rig.set(0b10, 0b001)
    rig.run(600)
    rig.set(0, 0)
    rig.run(3000)
    assert moves(rig, "pump", on=False) == [(3000, 0), (3600, 1)]
    assert moves(rig, "valve", on=False) == [(3600 + SETTLE_MS, 0)]


@pytest.mark.parametrize("earlier", [0, 1])
def test_each_pump_rests_for_its_own_two_seconds(earlier: int) -> None:
    rig, _ = two_pumps()
    rig.set(0b11, 1)
    rig.hold(0b11, 1, 3000)
    rig.set(0b11 & ~(1 << earlier), 1)
    rig.hold(0b11 & ~(1 << earlier), 1, 1000)
    rig.set(0, 1)
    rig.run(100)
    rig.hold(0b11, 1, 4000)
    assert moves(rig, "pump", on=True)[2:] == [(5000, earlier), (6000, 1 - earlier)]


def test_a_valve_waits_only_for_a_pump_that_feeds_it() -> None:
    rig, hardware = two_pumps({"valves_of_pump": [0b001, 0b010]})
    rig.set(0b01, 0b011)
    rig.hold(0b01, 0b011, 3000)
    rig.set(0, 0)
    assert (hardware.pumps, hardware.valves) == (set(), {0})
    rig.run(2000)
    assert moves(rig, "valve", on=False) == [(3000, 1), (3000 + SETTLE_MS, 0)]


@pytest.mark.parametrize("pump", [0, 1])
def test_on_shutting_the_valve_of_either_pump_waits_until_the_water_stands(pump: int) -> None:
    rig, _ = two_pumps({"valves_of_pump": [0b001, 0b010]})
    rig.set(1 << pump, 1 << pump)
    rig.hold(1 << pump, 1 << pump, 3000)
    rig.set(0, 0)
    rig.run(2000)
    assert moves(rig, "valve", on=False) == [(3000 + SETTLE_MS, pump)]


@pytest.mark.parametrize("pump", [0, 1])
def test_zones_change_under_either_pump_only_once_the_new_valve_is_ready(pump: int) -> None:
    rig, hardware = two_pumps({"valves_of_pump": [0b111, 0b111]})
    rig.set(1 << pump, 0b010)
    rig.hold(1 << pump, 0b010, 3000)
    rig.set(1 << pump, 0b100)
    rig.hold(1 << pump, 0b100, 3000)
    assert hardware.pumps == {pump}
    assert moves(rig, "valve", on=False) == [(3000 + OPENING_MS, 1)]


def test_a_watering_is_renewed_through_a_sag_that_would_refuse_a_start() -> None:
    rig, hardware = two_pumps()
    rig.set(0b01, 1)
    rig.hold(0b01, 1, 3000)
    hardware.battery = 10_700
    assert refused(rig, 0b01, 1) == ""
    assert refused(rig, 0b11, 1) == "board-supply-low"


# --- latching valves --------------------------------------------------------------------------------------------------


def latching(settings: dict[str, int | list[int]] | None = None) -> BoardRig:
    return BoardRig(settings, hardware_class=LatchingValves)


def last_off(rig: BoardRig, part: str) -> int:
    return max(ms for ms, _ in moves(rig, part, on=False))


def test_an_opening_time_begins_when_the_last_latching_valve_has_moved() -> None:
    rig = latching()
    rig.set(1, 0b11)
    rig.hold(1, 0b11, 4000)
    assert moves(rig, "pump", on=True) == [(MOVING_MS + OPENING_MS, 0)]


@pytest.mark.parametrize("valves", [0b001, 0b011, 0b111])
def test_a_lapsing_lease_begins_to_close_one_pulse_earlier_for_each_open_valve(valves: int) -> None:
    settle_ms, slack_ms = SETTLE_MS, 200
    rig = latching()
    rig.set(1, valves)
    rig.hold(1, valves, 4000)
    last_word_ms = rig.hw.now_ms
    rig.set(1, valves)
    rig.run(LEASE_MS)
    pulses_ms = bin(valves).count("1") * CLOSING_MS
    assert 0 <= last_off(rig, "pump") - (last_word_ms + LEASE_MS - slack_ms - settle_ms - pulses_ms) < 20
    assert last_off(rig, "valve") + pulses_ms <= last_word_ms + LEASE_MS


@pytest.mark.parametrize("valves", [0b001, 0b111])
def test_the_longest_time_of_a_valve_leaves_room_for_the_closing_pulses(valves: int) -> None:
    rig = latching()
    rig.set(1, valves, open_max_ms=60_000)
    rig.hold(1, valves, 70_000)
    pulses_ms = bin(valves).count("1") * CLOSING_MS
    assert rig.board.faults.text() == "board-valve-too-long"
    assert 0 <= last_off(rig, "pump") - (MOVING_MS + 60_000 - 1200 - pulses_ms) < 20


def test_held_valves_need_no_room_for_pulses() -> None:
    rig = BoardRig()
    rig.start()
    assert rig.board.outputs.closing_lead_ms() == 0


# --- by themselves ---------------------------------------------------------------------------------------------------


def test_outputs_stop_a_pump_whose_valves_nobody_wants_although_others_are_wanted() -> None:
    """The board refuses such a command; the outputs do not rely on it."""
    rig = BoardRig({"valves_of_pump": [0b001]})
    rig.start()
    rig.board.outputs.ask(1, 0b010, rig.hw.now_ms + LEASE_MS)
    rig.run(20)
    assert rig.hw.pumps == set()


def test_at_rest_no_output_moves_and_the_board_knows_it_in_the_same_tick() -> None:
    rig = BoardRig()
    assert rig.board.outputs.step(0) is False
    rig.set(0, 1, report=300_000)
    rig.set(0, 0, report=300_000)
    assert rig.safe
    assert rig.board.outputs.at_rest is True
    assert rig.next_ms == rig.hw.now_ms + 60_000


# --- leases -----------------------------------------------------------------------------------------------------------


def test_a_report_says_how_much_of_the_lease_is_left_and_nought_when_nothing_is_wanted() -> None:
    rig = BoardRig()
    assert rig.last("report")["lease"] == "0"
    rig.set(0, 1)
    assert rig.last("report")["lease"] == str(LEASE_MS)
    rig.run(1500)
    rig.send(rig.command("now"))
    assert rig.last("report")["lease"] == str(LEASE_MS - 1500)
    rig.set(0, 0)
    rig.send(rig.command("now"))
    assert rig.last("report")["lease"] == "0"


def test_a_lease_damaged_in_memory_stays_damaged_until_the_next_boot() -> None:
    rig = BoardRig()
    rig.start()
    rig.board.outputs.lease_end_ms ^= 1
    rig.run(40)
    assert rig.board.outputs.intact is False
    rig.run(5000)
    rig.send(rig.command("clear", fault="board-self-test"))
    assert rig.last("ack")["refusal"] == "still-present"


def test_a_lease_that_lapses_while_the_valve_still_opens_ends_as_early_as_if_the_pump_ran() -> None:
    rig = BoardRig()
    rig.set(1, 1, lease=1500)
    assert rig.time_to_safe_ms(renew=False) == 300
    assert moves(rig, "pump", on=True) == []
