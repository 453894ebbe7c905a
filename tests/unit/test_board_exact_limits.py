"""Each of the board's limits acts at its very millisecond, and the board says beforehand when that will be.

The board is woken only when it asked to be and when the host speaks; it must never ask for a time that is over.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from firmware_host.board.limits import LAPSE_LEAD_MS, SETTINGS
from tests.board_stand_in import FITTED, BoardRig, FakeHardware

Trouble = Callable[[FakeHardware], None]

MINUTE_MS = 60_000
OPENING_MS = 2000
RENEWAL_MS = 970
"""No limit is a multiple of it, so that no renewal wakes the board just when a limit is over."""


def wake(rig: BoardRig, now_ms: int) -> None:
    rig.hw.advance_to(now_ms)
    rig.next_ms = rig.board.tick()
    rig.collect()


def go_on(rig: BoardRig, until_ms: int, pumps: int = 0, valves: int = 0, **fields: int) -> None:
    """The host renews, if it wants anything; the board is woken only when it asked to be."""
    renewal_ms = rig.hw.now_ms if pumps or valves else until_ms + 1
    while rig.hw.now_ms < until_ms:
        if rig.hw.now_ms == renewal_ms:
            rig.set(pumps, valves, report=300_000, **fields)
            renewal_ms += RENEWAL_MS
        assert rig.next_ms > rig.hw.now_ms, "the board asks to be woken in the past"
        wake(rig, min(rig.next_ms, renewal_ms, until_ms))


def started(pumps: int = 1, valves: int = 1, rig: BoardRig | None = None) -> BoardRig:
    """A watering that has gone on for a while."""
    rig = rig or BoardRig()
    go_on(rig, rig.hw.now_ms + OPENING_MS + 3000, pumps, valves)
    assert len(rig.hw.pumps) == bin(pumps).count("1")
    return rig


def stops(rig: BoardRig) -> list[int]:
    return [ms for ms, part, _, on in rig.hw.history if part == "pump" and not on and ms]


def time_of_fault(rig: BoardRig, within_ms: int, pumps: int = 0, valves: int = 0) -> int:
    """Milliseconds from now until a fault stands, while the host renews all the same."""
    began_ms = rig.hw.now_ms
    rig.next_ms = rig.board.tick()
    renewal_ms = began_ms + 1 if pumps or valves else began_ms + within_ms + 1
    while not rig.board.faults.standing:
        assert rig.hw.now_ms - began_ms <= within_ms, "no fault"
        if rig.hw.now_ms == renewal_ms:
            rig.set(pumps, valves, report=300_000)
            renewal_ms += RENEWAL_MS
            continue
        assert rig.next_ms > rig.hw.now_ms, "the board asks to be woken in the past"
        wake(rig, min(rig.next_ms, renewal_ms))
    return rig.hw.now_ms - began_ms


def battery(level_mv: int | None) -> Trouble:
    def change(hardware: FakeHardware) -> None:
        hardware.battery = level_mv

    return change


def float_falls(hardware: FakeHardware) -> None:
    hardware.wet = False


def flow_ceases(hardware: FakeHardware) -> None:
    hardware.pulses_per_s = 0


def pump_pin_fails(hardware: FakeHardware) -> None:
    hardware.stuck_pump = False


@pytest.mark.parametrize(
    ("trouble", "limit_ms", "fault"),
    [
        (battery(10_799), 10_000, "board-supply-low"),
        (battery(10_000), 10_000, "board-supply-low"),
        (battery(9_999), 200, "board-supply-low"),
        (battery(None), 10_000, "board-supply-unknown"),
        (float_falls, 500, "board-dry"),
        (flow_ceases, 5000, "board-no-flow"),
        (pump_pin_fails, 1000, "board-output-mismatch"),
    ],
)
def test_trouble_stops_the_pump_exactly_when_its_time_is_over(trouble: Trouble, limit_ms: int, fault: str) -> None:
    rig = started()
    trouble(rig.hw)
    assert time_of_fault(rig, 20_000, 1, 1) == limit_ms
    assert rig.board.faults.text() == fault
    assert stops(rig)[-1] == rig.hw.now_ms


def test_a_floor_that_was_set_above_the_limit_counts_all_the_same() -> None:
    rig = BoardRig()
    rig.set(0, 0, floor_mv=12_000)
    started(rig=rig)
    rig.hw.battery = 12_000
    go_on(rig, rig.hw.now_ms + MINUTE_MS, 1, 1)
    assert rig.board.faults.standing == []
    rig.hw.battery = 11_999
    assert time_of_fault(rig, 2000, 1, 1) == 200
    assert rig.board.faults.text() == "board-supply-low"


def test_below_a_floor_above_the_limit_no_pump_starts_and_no_fault_is_cleared() -> None:
    rig = BoardRig()
    rig.set(0, 0, floor_mv=12_000)
    rig.hw.battery = 11_999
    rig.set(1, 1)
    assert rig.last("ack")["refusal"] == "board-supply-low"
    rig.hw.battery = 12_000
    started(rig=rig)
    rig.hw.battery = 11_999
    time_of_fault(rig, 2000, 1, 1)
    rig.send(rig.command("clear", fault="board-supply-low"))
    assert rig.last("ack")["refusal"] == "still-present"
    rig.hw.battery = 12_000
    rig.send(rig.command("clear", fault="board-supply-low"))
    assert "refusal" not in rig.last("ack")


@pytest.mark.parametrize(("name", "least", "most"), [(name, least, most) for name, _, least, most in SETTINGS])
def test_a_host_may_tighten_each_limit_to_its_bounds_and_not_beyond(name: str, least: int, most: int) -> None:
    for value, refused in ((least - 1, True), (least, False), (most, False), (most + 1, True)):
        rig = BoardRig()
        rig.set(0, 0, **{name: value})
        assert ("refusal" in rig.last("ack")) == refused
        assert (getattr(rig.board.limits, name) == value) != refused


def test_the_limits_that_are_built_in_are_those_of_the_protocols_page() -> None:
    """docs/protocol.md, the table of limits: our own choice, as are the times it names."""
    assert SETTINGS == (
        ("opening_ms", 2000, 2000, 60_000),
        ("open_max_ms", 3_600_000, 60_000, 3_600_000),
        ("pump_max_ms", 14_400_000, 60_000, 14_400_000),
        ("pump_blind_max_ms", 1_800_000, 60_000, 1_800_000),
        ("flow_start_ms", 15_000, 2000, 15_000),
        ("flow_run_ms", 5000, 1000, 5000),
        ("flow_min_pulses", 1, 1, 10_000),
        ("low_mv", 10_800, 10_800, 13_500),
        ("floor_mv", 10_000, 10_000, 13_000),
    )


def test_a_supply_exactly_at_its_limit_is_not_low() -> None:
    rig = BoardRig()
    rig.hw.battery = 10_800
    started(rig=rig)
    go_on(rig, MINUTE_MS, 1, 1)
    assert rig.hw.pumps == {0}
    assert rig.board.faults.standing == []


def test_a_pump_that_never_brings_water_stops_exactly_15_s_after_its_start() -> None:
    rig = BoardRig()
    flow_ceases(rig.hw)
    rig.set(1, 1)
    assert time_of_fault(rig, MINUTE_MS, 1, 1) == OPENING_MS + 15_000
    assert rig.board.faults.text() == "board-no-flow"


@pytest.mark.parametrize("pulses", [7, 8])
def test_exactly_as_many_pulses_as_the_limit_asks_for_are_flow(pulses: int) -> None:
    rig = BoardRig()
    flow_ceases(rig.hw)
    go_on(rig, OPENING_MS + 100, 1, 1, flow_min_pulses=8)
    rig.hw._millipulses += pulses * 1000
    flowed_ms = rig.hw.now_ms
    time_of_fault(rig, MINUTE_MS, 1, 1)
    assert rig.hw.now_ms == (flowed_ms + 5000 if pulses == 8 else OPENING_MS + 15_000)


@pytest.mark.parametrize("metered", [True, False])
def test_the_longest_run_of_a_pump_ends_at_its_millisecond_and_may_be_repeated_a_minute_later(metered: bool) -> None:
    rig = BoardRig(fitted={**FITTED, "flow": int(metered)})
    limit = "pump_max_ms" if metered else "pump_blind_max_ms"
    rig.set(1, 1, report=300_000, **{limit: MINUTE_MS})
    go_on(rig, OPENING_MS + MINUTE_MS, 1, 1)
    assert rig.board.faults.text() == "board-pump-too-long"
    assert stops(rig) == [OPENING_MS + MINUTE_MS]
    wake(rig, rig.hw.now_ms + 1000)
    assert rig.safe
    wake(rig, rig.hw.now_ms + 1)
    rested_ms = rig.hw.now_ms + MINUTE_MS
    go_on(rig, rested_ms - 1)
    assert rig.board.faults.text() == "board-pump-too-long"
    go_on(rig, rested_ms)
    assert rig.board.faults.standing == []


@pytest.mark.parametrize("longest", [0, 1, 2])
def test_each_valve_has_its_own_longest_time(longest: int) -> None:
    """The others were opened later; they have time left when the first must shut."""
    rig = BoardRig()
    first = 1 << longest
    go_on(rig, 20_000, 0, first, open_max_ms=MINUTE_MS)
    go_on(rig, 30_000, 0, 0b111)
    assert time_of_fault(rig, MINUTE_MS, 0, 0b111) == MINUTE_MS - LAPSE_LEAD_MS - 30_000
    assert rig.board.faults.text() == "board-valve-too-long"
    assert rig.safe


@pytest.mark.parametrize("kept", [0, 1, 2])
def test_a_valve_that_was_shut_in_between_begins_anew(kept: int) -> None:
    rig = BoardRig()
    go_on(rig, 50_000, 0, 0b111, open_max_ms=MINUTE_MS)
    go_on(rig, 55_000, 0, 0b111 & ~(1 << kept))
    go_on(rig, 58_000, 0, 0b001 << kept)
    go_on(rig, 100_000, 0, 0b001 << kept)
    assert rig.hw.valves == {kept}
    assert time_of_fault(rig, MINUTE_MS, 0, 0b001 << kept) == 55_000 + MINUTE_MS - LAPSE_LEAD_MS - 100_000


@pytest.mark.parametrize(("sag_mv", "limit_ms"), [(10_500, 10_000), (9900, 200)])
def test_a_sag_at_the_end_of_a_run_does_not_shorten_the_time_of_the_next(sag_mv: int, limit_ms: int) -> None:
    rig = started()
    rig.hw.battery = sag_mv
    wake(rig, rig.hw.now_ms + 100)
    rig.set(0, 0)
    rig.hw.battery = 12_800
    go_on(rig, rig.hw.now_ms + 20_000)
    begun_ms = rig.hw.now_ms
    go_on(rig, begun_ms + 2 * RENEWAL_MS + 10, 1, 1)
    rig.hw.battery = sag_mv
    wake(rig, begun_ms + OPENING_MS)
    assert rig.hw.pumps == {0}
    wake(rig, begun_ms + OPENING_MS + 1)
    assert time_of_fault(rig, 20_000, 1, 1) == limit_ms


@pytest.mark.parametrize(
    ("fault", "bad_mv", "good_mv", "wait_ms"),
    [
        ("board-supply-low", 10_700, 11_300, 30 * MINUTE_MS),
        ("board-supply-unknown", None, 10_000, MINUTE_MS),
    ],
)
def test_a_supply_fault_is_over_exactly_when_its_time_is(
    fault: str, bad_mv: int | None, good_mv: int, wait_ms: int
) -> None:
    rig = started()
    rig.hw.battery = bad_mv
    time_of_fault(rig, 20_000, 1, 1)
    assert rig.board.faults.text() == fault
    go_on(rig, rig.hw.now_ms + 5000)
    rig.hw.battery = good_mv
    rig.next_ms = rig.board.tick()
    over_ms = rig.hw.now_ms + wait_ms
    go_on(rig, over_ms - 1)
    assert rig.board.faults.text() == fault
    go_on(rig, over_ms)
    assert rig.board.faults.standing == []


def test_a_dry_suction_is_over_after_exactly_a_minute_each_time() -> None:
    rig = started()
    for _ in range(2):
        rig.hw.wet = False
        time_of_fault(rig, 2000, 1, 1)
        go_on(rig, rig.hw.now_ms + 5000)
        rig.hw.wet = True
        rig.next_ms = rig.board.tick()
        over_ms = rig.hw.now_ms + MINUTE_MS
        go_on(rig, over_ms - 1)
        assert rig.board.faults.text() == "board-dry"
        go_on(rig, over_ms)
        assert rig.board.faults.standing == []
        started(rig=rig)


class BouncingFloat(FakeHardware):
    """`reads`: what the next looks at the float switch find, before `wet` counts again."""

    def __init__(self, fitted: dict[str, int] | None = None) -> None:
        super().__init__(fitted)
        self.reads: list[bool] = []

    def float_wet(self, channel: int) -> bool:
        return self.reads.pop(0) if self.reads else super().float_wet(channel)


def test_a_float_that_bounces_as_the_board_calls_it_dry_is_dry_for_a_minute_all_the_same() -> None:
    rig = BoardRig(hardware_class=BouncingFloat)
    hardware = rig.hw
    assert isinstance(hardware, BouncingFloat)
    started(rig=rig)
    for _ in range(2):
        hardware.wet = False
        rig.next_ms = rig.board.tick()
        hardware.advance_to(hardware.now_ms + 500)
        hardware.reads = [False, True]
        hardware.wet = True
        rig.next_ms = rig.board.tick()
        assert rig.board.faults.text() == "board-dry"
        go_on(rig, hardware.now_ms + MINUTE_MS)
        assert rig.board.faults.standing == []
        started(rig=rig)


def test_a_float_that_falls_in_the_millisecond_of_the_start_stops_the_pump_half_a_second_later() -> None:
    rig = BoardRig()
    go_on(rig, OPENING_MS, 1, 1)
    assert rig.hw.pumps == {0}
    rig.hw.wet = False
    rig.next_ms = rig.board.tick()
    assert time_of_fault(rig, 2000, 1, 1) == 500


def test_a_float_that_fell_at_the_end_of_a_run_does_not_shorten_the_half_second_of_the_next() -> None:
    rig = started()
    rig.hw.wet = False
    wake(rig, rig.hw.now_ms + 100)
    rig.set(0, 0)
    rig.hw.wet = True
    go_on(rig, rig.hw.now_ms + 20_000)
    begun_ms = rig.hw.now_ms
    go_on(rig, begun_ms + 2 * RENEWAL_MS + 10, 1, 1)
    rig.hw.wet = False
    wake(rig, begun_ms + OPENING_MS)
    assert rig.hw.pumps == {0}
    wake(rig, begun_ms + OPENING_MS + 1)
    assert time_of_fault(rig, 2000, 1, 1) == 500


@pytest.mark.parametrize(("supply_mv", "refusal"), [(10_800, None), (10_799, "still-present")])
def test_a_low_supply_may_be_cleared_exactly_from_its_limit_on(supply_mv: int, refusal: str | None) -> None:
    rig = started()
    rig.hw.battery = 10_700
    time_of_fault(rig, 20_000, 1, 1)
    rig.hw.battery = supply_mv
    rig.send(rig.command("clear", fault="board-supply-low"))
    assert rig.last("ack").get("refusal") == refusal


@pytest.mark.parametrize(("pumps", "lead_ms"), [(0, 200), (1, 1200)])
def test_a_lease_lapses_its_lead_before_its_end_to_the_millisecond(pumps: int, lead_ms: int) -> None:
    rig = BoardRig()
    rig.set(pumps, 1, report=300_000, lease=1777)
    while not rig.safe:
        assert rig.next_ms > rig.hw.now_ms, "the board asks to be woken in the past"
        wake(rig, rig.next_ms)
    assert rig.hw.now_ms == 1777 - lead_ms
    assert rig.board.faults.text() == "board-lease-lapsed"


# --- at rest ----------------------------------------------------------------------------------------------------------


def test_water_at_rest_is_a_fault_exactly_a_minute_after_it_was_seen() -> None:
    rig = BoardRig()
    wake(rig, 1000)
    for second in range(60):
        rig.hw._millipulses += 3000
        wake(rig, 2000 + 1000 * second)
        assert rig.board.faults.standing == []
        assert rig.hw.now_ms < rig.next_ms <= rig.hw.now_ms + 5000
    rig.hw._millipulses += 3000
    wake(rig, 2000 + MINUTE_MS)
    assert rig.board.faults.text() == "board-flow-at-rest"


@pytest.mark.parametrize("pulses", [4, 5])
def test_exactly_as_many_pulses_a_window_as_count_as_flow_are_flow_at_rest(pulses: int) -> None:
    rig = BoardRig()
    rig.set(0, 0, flow_min_pulses=5)
    for window in range(20):
        rig.hw._millipulses += pulses * 1000
        wake(rig, 10_000 + 5000 * window)
    assert rig.board.faults.text() == ("board-flow-at-rest" if pulses == 5 else "")


def test_a_watering_in_between_begins_the_minute_of_water_at_rest_anew() -> None:
    rig = BoardRig()
    wake(rig, 1000)

    def leak(until_ms: int) -> None:
        while rig.hw.now_ms < until_ms:
            rig.hw._millipulses += 3000
            wake(rig, rig.hw.now_ms + 1000)

    leak(50_000)
    go_on(rig, 80_000, 1, 1)
    rig.set(0, 0)
    go_on(rig, 82_000)
    leak(130_000)
    assert rig.board.faults.standing == []
    leak(150_000)
    assert rig.board.faults.text() == "board-flow-at-rest"


@pytest.mark.parametrize("fault", ["board-output-mismatch", "board-flow-at-rest"])
def test_what_stays_wrong_is_driven_shut_once_not_at_every_look(fault: str) -> None:
    rig = BoardRig()
    wake(rig, 1000)
    rig.hw.history.clear()
    if fault == "board-output-mismatch":
        rig.hw.stuck_valves = {1}
    for second in range(300):
        rig.hw._millipulses += 3000 * (fault == "board-flow-at-rest")
        wake(rig, 2000 + 1000 * second)
    assert rig.board.faults.text() == fault
    assert [(part, output) for _, part, output, _ in rig.hw.history] == [
        ("pump", 0),
        ("valve", 0),
        ("valve", 1),
        ("valve", 2),
    ]


def test_a_read_back_that_was_right_in_between_has_its_whole_second_again() -> None:
    rig = started()
    for _ in range(3):
        rig.hw.stuck_pump = False
        go_on(rig, rig.hw.now_ms + 999, 1, 1)
        rig.hw.stuck_pump = None
        rig.next_ms = rig.board.tick()
    assert rig.board.faults.standing == []


def test_at_rest_the_limits_are_summed_up_every_ten_minutes_and_not_more_often() -> None:
    rig = BoardRig()
    sums: list[int] = []
    intact = rig.board.limits.intact

    def counted() -> bool:
        sums.append(rig.hw.now_ms)
        return intact()

    rig.board.limits.intact = counted  # type: ignore[method-assign]
    for second in range(1, 3601):
        wake(rig, 1000 * second)
    assert sums == [600_000 * n for n in range(1, 7)]
