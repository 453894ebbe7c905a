"""Every limit of the board in every state, with held and with latching valves: the time from its cause to safe.

Safe is what the pins do: pump off, then every valve closed; a latching valve is closed once a whole closing pulse was
given. The flashed firmware runs on the simulated chip (see pump_house.py). Bounds are house rules without a standard
behind them; docs/protocol.md has them in words.

How to read TABLE: a row is a limit, a column a state. `Stops(p, v)`: the pump is off at most p ms after the cause and
every held valve closed at most v ms after it; latching ones have CLOSING_MS more, unless the limit counts that in.
`Refused(f)`: nothing is on, and from then on every order for water is refused with f. `Cannot(why)`: the limit does
not apply in this state, and the test shows that it does not strike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import pytest

from firmware_host.board import faults
from firmware_host.board.counters import _MASK as COUNTER_MASK
from firmware_host.wire import SEQ_MODULUS
from tests.fake_machine.chip import TICKS_MASK, WatchdogReset
from tests.fake_machine.flashed import PUMP, SECOND
from tests.scenario.pump_house import PULSE_MS, SPACING_MS, VALVES, Kind, PumpHouse, Shut

ALL = (1 << VALVES) - 1
WATCHDOG_MS = SETTLE_MS = 1000
TURN_MS = 25
"""A limit is noticed and obeyed at the next turn of the loop, or the one after it: two turns of at most 12 ms."""

CLOSING_MS = VALVES * (PULSE_MS + SPACING_MS + TURN_MS)
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Stops:
    """Bounds after the cause. closing_within: the valves' bound holds for latching ones too, their pulses included."""

    pump_ms: int
    valves_ms: int
    closing_within: bool = False

    def valves_bound_ms(self, kind: Kind) -> int:
        return self.valves_ms + (CLOSING_MS if kind == "latching" and not self.closing_within else 0)


@dataclass(frozen=True, slots=True)
class Refused:
    fault: str


@dataclass(frozen=True, slots=True)
class Cannot:
    """keep_flow: the cause is left out, because it is the cause of another limit in this state."""

    why: str
    keep_flow: bool = False


Cell = Stops | Refused | Cannot


# --- the states -------------------------------------------------------------------------------------------------------


def never_greeted(house: PumpHouse) -> None:
    house.begin()


def locked_out(house: PumpHouse) -> None:
    house.boots_before += 3
    house.begin()


def idle(house: PumpHouse) -> None:
    house.begin()
    house.want(0, 0)
    house.go_on(500)


def opening(house: PumpHouse) -> None:
    idle(house)
    house.want(1, ALL)
    house.go_on(1200)
    assert house.open_valves
    assert not house.pump_runs


def open_pump_off(house: PumpHouse) -> None:
    idle(house)
    house.want(0, ALL)
    house.go_on(3500)
    assert house.open_valves == {0, 1, 2}


def no_flow_yet(house: PumpHouse) -> None:
    house.flowing = False
    start(house, ALL)
    house.go_on(500)


def pumping(house: PumpHouse) -> None:
    start(house, ALL)
    house.go_on(2000)


def changing(house: PumpHouse) -> None:
    """The old zone waters on until the new ones are open."""
    start(house, 0b001)
    house.go_on(2000)
    house.want(1, 0b110)
    house.go_on(900)
    assert house.pump_runs
    assert 0 in house.open_valves


def stopping(house: PumpHouse) -> None:
    pumping(house)
    house.want(0, 0)
    house.go_on(100)
    assert house.open_valves


def closing(house: PumpHouse) -> None:
    """Of latching valves one is closed, the others still wait for their pulses; held ones have all closed."""
    pumping(house)
    house.want(0, 0)
    house.go_on(1200)
    assert house.open_valves == ({1, 2} if house.kind == "latching" else set())


def fault_latched(house: PumpHouse) -> None:
    no_flow_yet(house)
    house.go_on(18_000, turn_ms=20)
    house.want(0, 0)
    house.go_on(300)
    assert house.board.faults.text() == faults.NO_FLOW
    house.flowing = True


def start(house: PumpHouse, zones: int) -> None:
    idle(house)
    house.want(1, zones)
    while not house.pump_runs:
        house.turn(renewing=True)


STATES: dict[str, Callable[[PumpHouse], None]] = {
    "never greeted": never_greeted,
    "locked out": locked_out,
    "idle": idle,
    "opening": opening,
    "open, pump off": open_pump_off,
    "no flow yet": no_flow_yet,
    "pumping": pumping,
    "changing": changing,
    "stopping": stopping,
    "closing": closing,
    "fault latched": fault_latched,
}
ACTIVE = ("opening", "open, pump off", "no flow yet", "pumping", "changing", "stopping", "closing")
PUMP_ON = ("no flow yet", "pumping", "changing")


# --- the causes -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Limit:
    """cause: makes it so and gives the time it counts from. watch_ms: how long `Cannot` is watched. fault: its id."""

    cause: Callable[[PumpHouse], int]
    watch_ms: int
    fault: str = ""
    renewing: bool = True


def host_falls_silent(house: PumpHouse) -> int:
    if house.wanted != (0, 0):
        house.want(*house.wanted)
    return house.asked_ms if house.asked_ms else house.now_ms


def loop_hangs(house: PumpHouse) -> int:
    """With the reset and the boot after it, which takes no time here; on a chip it does."""
    since_ms = house.now_ms
    assert house.hang() <= WATCHDOG_MS
    restarted(house)
    return since_ms


def self_check_left_out(house: PumpHouse) -> int:
    """The loop turns, answers and asks for the watchdog to be fed, but without a whole step of the hardware."""
    since_ms = house.now_ms
    house.leave_out_self_check()
    with pytest.raises(WatchdogReset):
        house.go_on(5000)
    house.look()
    restarted(house)
    return since_ms


def restarted(house: PumpHouse) -> None:
    house.wanted = (0, 0)
    house.boot(reset=True)


def converter_sticks(house: PumpHouse) -> int:
    assert house.chip is not None
    house.chip.adc_counts[4] = lambda: 50_000
    return house.now_ms


def pump_without_valve(house: PumpHouse) -> int:
    house.want(1, 0)
    return house.asked_ms


def flow_never_comes(house: PumpHouse) -> int:
    house.flowing = False
    return next((ms for ms, part, _, on in reversed(house.moves) if part == "pump" and on), house.now_ms)


def flow_ceases(house: PumpHouse) -> int:
    house.flowing = False
    return house.last_pulse_ms or house.now_ms


def supply(mv: int) -> Callable[[PumpHouse], int]:
    def falls(house: PumpHouse) -> int:
        house.battery_mv = mv
        return house.now_ms

    return falls


def suction_dries(house: PumpHouse) -> int:
    house.dry_up()
    return house.now_ms


def water_runs_at_rest(house: PumpHouse) -> int:
    """Of latching valves one truly stands open, although its closing pulse was given."""
    if house.wanted == (0, 0):
        while not house.safe:
            house.turn(renewing=True)
        if house.kind == "latching":
            house.force_open(1)
    house.leaking = True
    return house.now_ms


LIMITS: dict[str, Limit] = {
    "lease": Limit(host_falls_silent, 8000, faults.LEASE_LAPSED, renewing=False),
    "watchdog: loop hangs": Limit(loop_hangs, 0, renewing=False),
    "watchdog: no self-check": Limit(self_check_left_out, 0, renewing=False),
    "self-test fails": Limit(converter_sticks, 5000, faults.SELF_TEST),
    "pump without valve": Limit(pump_without_valve, 2000, faults.NO_VALVE),
    "no flow from the start": Limit(flow_never_comes, 18_000, faults.NO_FLOW),
    "flow ceases": Limit(flow_ceases, 6500, faults.NO_FLOW),
    "supply low": Limit(supply(10_700), 12_000, faults.SUPPLY_LOW),
    "supply below the floor": Limit(supply(9900), 2000, faults.SUPPLY_LOW),
    "supply unreadable": Limit(supply(0), 12_000, faults.SUPPLY_UNKNOWN),
    "suction dry": Limit(suction_dries, 2000, faults.DRY),
    "flow at rest": Limit(water_runs_at_rest, 66_000, faults.FLOW_AT_REST),
}


# --- limit x state ----------------------------------------------------------------------------------------------------

WITHIN_LEASE = Stops(5000, 5000, closing_within=True)
BY_RESET = Stops(WATCHDOG_MS, WATCHDOG_MS)
"""Pump and held valves fall together, as the pins do; latching valves get their closing pulses right after boot."""

NOTHING_LEASED = Cannot("nothing is on, so nothing is leased")
NO_PUMP = Cannot("no pump runs")
NO_PUMP_YET = Cannot("no pump runs yet: the time begins with it")
VALVE_ONLY = Cannot("supply and suction matter to a pump; an open valve has its lease and its longest time")
FLOW_SEEN = Cannot("flow was seen: when it goes, the shorter limit strikes", keep_flow=True)
FLOW_UNSEEN = Cannot("no flow was seen yet: the 15 s from the start are not over")
WATER_MAY_RUN = Cannot("a valve is open: water may run")


def stops_pump(pump_ms: int) -> Stops:
    """The valves follow a second later."""
    return Stops(pump_ms, pump_ms + SETTLE_MS)


def of_pump(pump_ms: int, fault: str) -> dict[str, Cell]:
    """A limit on supply or suction: stops a pump, and lets none start."""
    return {
        "never greeted": Refused(fault),
        "locked out": Refused(faults.REBOOTS),
        "idle": Refused(fault),
        "opening": Stops(0, 1000),  # The next renewal is refused before the pump starts.
        "open, pump off": VALVE_ONLY,
        **dict.fromkeys(PUMP_ON, stops_pump(pump_ms)),
        "stopping": Refused(fault),
        "closing": Refused(fault),
        "fault latched": Refused(faults.NO_FLOW),
    }


TABLE: dict[str, dict[str, Cell]] = {
    "lease": {
        **dict.fromkeys(("never greeted", "locked out", "idle", "fault latched"), NOTHING_LEASED),
        **dict.fromkeys(ACTIVE, WITHIN_LEASE),
    },
    "watchdog: loop hangs": dict.fromkeys(STATES, BY_RESET),
    "watchdog: no self-check": dict.fromkeys(STATES, BY_RESET),
    "self-test fails": {
        **dict.fromkeys(("never greeted", "idle"), Refused(faults.SELF_TEST)),
        "locked out": Refused(faults.REBOOTS),
        "fault latched": Refused(faults.NO_FLOW),
        **dict.fromkeys(ACTIVE, stops_pump(3000)),  # The third failed look, one a second.
    },
    "pump without valve": {
        **dict.fromkeys(("never greeted", "idle"), Refused(faults.NO_VALVE)),
        "locked out": Refused(faults.REBOOTS),
        "fault latched": Refused(faults.NO_FLOW),
        **dict.fromkeys(ACTIVE, stops_pump(0)),
    },
    "no flow from the start": {
        **dict.fromkeys(("never greeted", "locked out", "idle", "stopping", "closing", "fault latched"), NO_PUMP),
        "open, pump off": NO_PUMP,
        "opening": stops_pump(2000 + 15_000),
        "no flow yet": stops_pump(15_000),
        **dict.fromkeys(("pumping", "changing"), FLOW_SEEN),
    },
    "flow ceases": {
        **dict.fromkeys(("never greeted", "locked out", "idle", "stopping", "closing", "fault latched"), NO_PUMP),
        "open, pump off": NO_PUMP,
        "opening": NO_PUMP_YET,
        "no flow yet": FLOW_UNSEEN,
        **dict.fromkeys(("pumping", "changing"), stops_pump(5000)),
    },
    "supply low": of_pump(10_000, faults.SUPPLY_LOW),
    "supply below the floor": of_pump(200, faults.SUPPLY_LOW),
    "supply unreadable": of_pump(10_000, faults.SUPPLY_UNKNOWN),
    "suction dry": of_pump(500, faults.DRY),
    "flow at rest": {
        **dict.fromkeys(("never greeted", "locked out", "idle", "stopping", "closing"), Stops(0, 60_000)),
        "fault latched": Stops(0, 60_000),
        **dict.fromkeys(("opening", "open, pump off", "no flow yet", "pumping", "changing"), WATER_MAY_RUN),
    },
}

Build = Callable[..., PumpHouse]


@pytest.fixture
def build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Build:
    return lambda kind, **more: PumpHouse(tmp_path, monkeypatch, kind, **more)


CELLS = [(limit, state, kind) for limit in LIMITS for state in STATES for kind in KINDS]


def test_no_state_of_any_limit_is_left_out() -> None:
    assert {limit: set(row) for limit, row in TABLE.items()} == {limit: set(STATES) for limit in LIMITS}


@pytest.mark.parametrize(("limit", "state", "kind"), CELLS, ids=[" / ".join(cell) for cell in CELLS])
def test_each_limit_makes_safe_in_time_in_each_state(build: Build, limit: str, state: str, kind: Kind) -> None:
    house = build(kind)
    STATES[state](house)
    judge(house, LIMITS[limit], TABLE[limit][state], kind)
    house.pulses_are_spaced()


def judge(house: PumpHouse, limit: Limit, cell: Cell, kind: Kind) -> None:
    """Whether what truly happens after the cause is what the cell says."""
    if isinstance(cell, Stops):
        since_ms = limit.cause(house)
        stops_in_time(house, limit, cell, kind, since_ms)
    elif isinstance(cell, Refused):
        limit.cause(house)
        nothing_opens(house, limit, cell.fault)
    else:
        if not cell.keep_flow:
            limit.cause(house)
        does_not_strike(house, limit)


def stops_in_time(house: PumpHouse, limit: Limit, cell: Stops, kind: Kind, since_ms: int) -> Shut:
    valves_ms = cell.valves_bound_ms(kind)
    quick = valves_ms < 20_000
    if not quick:
        house.go_on(valves_ms - 10_000, renewing=limit.renewing, turn_ms=20)
    shut = house.until_shut(valves_ms + 1500 if quick else 12_000, since_ms, renewing=limit.renewing)
    slack_ms = 0 if cell.closing_within or limit.cause is loop_hangs else TURN_MS
    assert shut.pump_ms <= cell.pump_ms + slack_ms
    assert shut.valves_ms <= valves_ms + slack_ms
    if cell is not BY_RESET:
        house.order_is_kept(since_ms)
    if limit.fault and not (limit.fault == faults.LEASE_LAPSED and house.wanted == (0, 0)):
        assert limit.fault in told_faults(house)
    return shut


def told_faults(house: PumpHouse) -> set[str]:
    """All that the board has told to stand, or given as the reason for a refusal."""
    words = [fields.get("faults", fields.get("refusal", "")) for _, _, fields in house.lines]
    return {fault for word in words for fault in word.split(",")}


def nothing_opens(house: PumpHouse, limit: Limit, fault: str) -> None:
    """The host goes on asking for water."""
    house.go_on(limit.watch_ms // 2)
    since_ms = house.now_ms
    if limit.fault != faults.NO_VALVE:
        house.want(1, ALL)
    house.go_on(max(3500, limit.watch_ms))
    assert house.safe
    assert not [move for move in house.moves if move[0] >= since_ms and move[3]]
    assert house.last("ack")["refusal"] == fault


def does_not_strike(house: PumpHouse, limit: Limit) -> None:
    """All is at the end as the host wants it, and nothing was told to stand that did not stand before."""
    told, stood = len(house.lines), set(house.board.faults.standing)
    house.go_on(limit.watch_ms, renewing=limit.renewing, turn_ms=20)
    pumps, valves = house.wanted
    assert house.pump_runs == bool(pumps)
    assert house.open_valves == {n for n in range(VALVES) if valves >> n & 1}
    reports = [fields for kind, _, fields in house.lines[told:] if kind == "report"]
    assert {fault for report in reports if "faults" in report for fault in report["faults"].split(",")} <= stood
    if limit.fault == faults.LEASE_LAPSED:
        assert {report["lease"] for report in reports} <= {"0"}


# --- causes that need more telling ------------------------------------------------------------------------------------

PROGRAM_READ_MS = 60_000


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("place", ["first", "last"])
def test_a_bit_that_falls_over_in_the_program_is_found_within_a_minute(build: Build, place: str, kind: Kind) -> None:
    """The whole program is read again and again; at worst the bit falls just after its file was read."""
    house = build(kind)
    files = house.flash_program()
    pumping(house)
    damaged = files[0 if place == "first" else -1]
    since_ms = house.now_ms
    content = bytearray(damaged.read_bytes() or b" ")
    content[0] ^= 1
    damaged.write_bytes(content)
    house.go_on(PROGRAM_READ_MS - 10_000, turn_ms=20)
    shut = house.until_shut(12_000 + CLOSING_MS, since_ms)
    assert 0 < shut.pump_ms <= PROGRAM_READ_MS
    assert house.board.faults.text() == faults.SELF_TEST
    house.order_is_kept(since_ms)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("cause", "runs_ms"),
    [(supply(9900), 200), (suction_dries, 500), (supply(10_700), 5000), (supply(0), 5000)],
    ids=["supply below the floor", "suction dry", "supply low", "supply unreadable"],
)
def test_a_pump_that_starts_on_a_cause_because_the_host_fell_silent_runs_no_longer_than_the_limit(
    build: Build, cause: Callable[[PumpHouse], int], runs_ms: int, kind: Kind
) -> None:
    """A renewal would have been refused. What takes the limit longer than 5 s to see, the lease ends."""
    house = build(kind)
    idle(house)
    house.want(1, ALL)
    since_ms = house.asked_ms
    house.go_on(500)
    cause(house)
    shut = house.until_shut(8000, since_ms, renewing=False)
    assert shut.valves_ms <= 5000
    started_ms, stopped_ms = (ms for ms, part, _, _ in house.moves if part == "pump")
    assert stopped_ms - started_ms <= runs_ms + TURN_MS
    house.order_is_kept(since_ms)


# --- longest times ----------------------------------------------------------------------------------------------------

OPEN_MAX_MS = PUMP_MAX_MS = 60_000
"""The shortest the host may set; the built-in hour has a test of its own."""

AGE_MS = 57_000


def first_opened_ms(house: PumpHouse) -> int:
    return next(ms for ms, part, _, on in house.moves if part == "valve" and on)


def aged(house: PumpHouse, pumps: int, valves: int, until_age_ms: int = AGE_MS, **limits: int) -> None:
    """Valves that have been open for long, their longest time tightened."""
    idle(house)
    house.want(pumps, valves, open_max_ms=OPEN_MAX_MS, **limits)
    house.go_on(2000)
    house.go_on(until_age_ms - (house.now_ms - first_opened_ms(house)), turn_ms=50)


def aged_before_flow(house: PumpHouse) -> None:
    aged(house, 0, ALL, 50_000)
    house.flowing = False
    house.want(1, ALL)
    house.go_on(AGE_MS - 50_000)
    assert house.pump_runs


def aged_changing(house: PumpHouse) -> None:
    aged(house, 1, 0b001)
    house.want(1, 0b110)
    house.go_on(900)
    assert 0 in house.open_valves


def aged_stopping(house: PumpHouse) -> None:
    aged(house, 1, ALL)
    house.go_on(1000)
    house.want(0, 0)
    house.go_on(100)
    assert house.open_valves


AGED: dict[str, Callable[[PumpHouse], None]] = {
    "opening": lambda house: aged(house, 1, ALL, opening_ms=60_000),
    "open, pump off": lambda house: aged(house, 0, ALL),
    "no flow yet": aged_before_flow,
    "pumping": lambda house: aged(house, 1, ALL),
    "pumping, one zone": lambda house: aged(house, 1, 0b001),
    "changing": aged_changing,
    "stopping": aged_stopping,
}
"""In the other states no valve is open, or it closes anyway before a second is over."""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("state", AGED)
def test_no_valve_is_open_longer_than_its_longest_time(build: Build, state: str, kind: Kind) -> None:
    house = build(kind)
    AGED[state](house)
    assert house.open_valves
    house.go_on(OPEN_MAX_MS - AGE_MS + 3000)
    assert longest_open_ms(house) <= OPEN_MAX_MS
    house.order_is_kept(first_opened_ms(house))
    house.pulses_are_spaced()
    if state not in ("changing", "stopping"):
        assert house.safe
        assert longest_open_ms(house) >= OPEN_MAX_MS - 1200 - CLOSING_MS
        assert house.board.faults.text() == faults.VALVE_TOO_LONG


def longest_open_ms(house: PumpHouse) -> int:
    opened: dict[int, int] = {}
    longest_ms = 0
    for ms, part, output, on in house.moves:
        if part == "valve" and on:
            opened[output] = ms
        elif part == "valve" and output in opened:
            longest_ms = max(longest_ms, ms - opened.pop(output))
    return max(longest_ms, *(house.now_ms - ms for ms in opened.values()), 0)


@pytest.mark.parametrize("kind", KINDS)
def test_no_valve_is_open_for_more_than_an_hour_when_nobody_tightened_anything(build: Build, kind: Kind) -> None:
    house = build(kind)
    house.pulse_every_us = 2_000_000
    idle(house)
    house.want(1, ALL)
    house.go_on(3000)
    house.go_on(3_600_000 - 10_000, turn_ms=400)
    assert house.pump_runs
    house.go_on(10_000)
    assert house.safe
    assert 3_600_000 - 1200 - CLOSING_MS <= longest_open_ms(house) <= 3_600_000
    house.order_is_kept(first_opened_ms(house))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("state", "limit", "metered"),
    [("pumping", "pump_max_ms", True), ("changing", "pump_max_ms", True), ("no flow yet", "pump_blind_max_ms", False)],
)
def test_no_pump_runs_longer_than_its_longest_time(
    build: Build, state: str, limit: str, metered: bool, kind: Kind
) -> None:
    """A metered pump without flow stops sooner, whatever these limits are; a blind one is always `no flow yet`."""
    house = build(kind) if metered else build(kind, flow=())
    STATES[state](house)
    since_ms = max(ms for ms, part, _, on in house.moves if part == "pump" and on)
    house.want(*house.wanted, **{limit: PUMP_MAX_MS})
    house.go_on(PUMP_MAX_MS - 8000, turn_ms=20)
    assert house.pump_runs
    shut = house.until_shut(12_000, since_ms)
    assert PUMP_MAX_MS <= shut.pump_ms <= PUMP_MAX_MS + TURN_MS
    assert shut.valves_ms <= PUMP_MAX_MS + SETTLE_MS + TURN_MS + (CLOSING_MS if kind == "latching" else 0)
    house.order_is_kept(since_ms)


# --- pins that do not follow ------------------------------------------------------------------------------------------

MISMATCH_MS = 1000


@dataclass(frozen=True, slots=True)
class StuckPin:
    """A pin that cannot leave `level`, and what the host asks for then. never: what it keeps open or leaves unknown."""

    what: str
    kind: Kind
    state: str
    gpio: int
    level: int
    asked: tuple[int, int]
    never: frozenset[int] = frozenset()

    @property
    def name(self) -> str:
        return f"{self.what} / {self.state} / {self.kind}"


def stuck_pins() -> list[StuckPin]:
    """A stuck pin shows once it should be at the other level: the host's order that makes it so is part of the row."""
    rows = []
    for kind in KINDS:
        for state in ("idle", *ACTIVE, "fault latched"):
            rows.append(StuckPin("pump contact on", kind, state, PUMP, 1, (0, 0)))
            rows.append(StuckPin("second contact on", kind, state, SECOND, 1, (0, 0)))
        for state in PUMP_ON:
            for what, gpio in (("pump contact off", PUMP), ("second contact off", SECOND)):
                rows.append(StuckPin(what, kind, state, gpio, 0, (1, 0b110 if state == "changing" else ALL)))
        for what, gpio in (("pump contact off", PUMP), ("second contact off", SECOND)):
            rows.append(StuckPin(what, kind, "opening", gpio, 0, (1, ALL)))
    for state in ("idle", *ACTIVE, "fault latched"):
        rows.append(StuckPin("valve driver on", "held", state, 8, 1, (0, 0), frozenset({2})))
        rows.append(StuckPin("opening driver on", "latching", state, 10, 1, (0, 0), frozenset({2})))
    for state in ACTIVE:
        # Shows only as the pulse is due; at rest it is nowhere to be seen.
        rows.append(StuckPin("closing driver off", "latching", state, 11, 0, (0, 0), frozenset({2})))
    for state in ("opening", "open, pump off", *PUMP_ON):
        asked = (0 if state == "open, pump off" else 1, 0b110 if state == "changing" else ALL)
        rows.append(StuckPin("valve driver off", "held", state, 8, 0, asked))
    rows.append(StuckPin("valve driver off", "held", "idle", 8, 0, (1, ALL)))
    rows.append(StuckPin("opening driver off", "latching", "idle", 10, 0, (1, ALL)))
    rows.append(StuckPin("closing driver on", "latching", "idle", 11, 1, (1, ALL), frozenset({2})))
    return rows


@pytest.mark.parametrize("row", stuck_pins(), ids=lambda row: row.name)
def test_a_pin_that_does_not_follow_shuts_everything_that_can_be_shut(build: Build, row: StuckPin) -> None:
    """Within a second of the pin being wrong, plus, where they come first, opening time and pulses.

    What a stuck driver holds open no board can close: then the pump is off and everything else is shut.
    """
    house = build(row.kind)
    STATES[row.state](house)
    stood = set(house.board.faults.standing)
    house.short(row.gpio, row.level)
    house.want(*row.asked)
    since_ms = house.asked_ms
    latching_ms = CLOSING_MS if row.kind == "latching" else 0
    opening_ms = 2000 + latching_ms if row.asked[0] and row.state in ("idle", "opening") else 0
    house.go_on(opening_ms + 2 * SETTLE_MS + MISMATCH_MS + 2 * latching_ms + 2000)
    pump_ms = max((ms - since_ms for ms, part, _, _ in house.moves if part == "pump"), default=0)
    assert not house.pump_runs
    assert house.open_valves <= row.never
    assert pump_ms <= opening_ms + MISMATCH_MS + TURN_MS
    others = [ms - since_ms for ms, part, n, _ in house.moves if part == "valve" and n not in row.never]
    assert max(others, default=0) <= opening_ms + MISMATCH_MS + 2 * latching_ms + 2 * TURN_MS
    assert faults.MISMATCH in house.board.faults.standing
    house.want(1, ALL)
    house.go_on(1000)
    assert house.last("ack")["refusal"] in stood | {faults.MISMATCH}
    assert not house.pump_runs


# --- reboots ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("state", STATES)
def test_the_fourth_short_boot_is_safe_at_once_and_stays_so_whatever_state_the_reset_struck_in(
    build: Build, state: str, kind: Kind
) -> None:
    house = build(kind)
    house.boots_before = 2
    STATES[state](house)
    assert house.hang() <= WATCHDOG_MS
    restarted(house)
    since_ms = house.now_ms
    house.want(1, ALL)
    shut = house.until_shut(8000, since_ms)
    assert shut.pump_ms == 0
    assert shut.valves_ms <= (CLOSING_MS if kind == "latching" else 0)
    assert not [move for move in house.moves if move[0] >= since_ms and move[3]]
    assert house.last("ack")["refusal"] == faults.REBOOTS
    house.pulses_are_spaced()


# --- everything that wraps --------------------------------------------------------------------------------------------

WRAPPED: dict[str, str] = {
    "lease": "pumping",
    "self-test fails": "pumping",
    "pump without valve": "stopping",
    "no flow from the start": "no flow yet",
    "flow ceases": "pumping",
    "supply low": "pumping",
    "supply below the floor": "pumping",
    "supply unreadable": "changing",
    "suction dry": "pumping",
    "flow at rest": "idle",
}
"""A reset begins new ticks and new counters, so that the watchdog's rows have nothing that could wrap."""


def test_every_limit_that_can_see_a_wrap_is_in_that_table() -> None:
    assert set(LIMITS) - set(WRAPPED) == {limit for limit in LIMITS if limit.startswith("watchdog")}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("limit", WRAPPED)
def test_ticks_counters_and_line_numbers_that_wrap_between_cause_and_safe_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str, kind: Kind
) -> None:
    """Milliseconds and microseconds wrap in the middle of the limit's time, the others with its first pulse or line."""
    cell = TABLE[limit][WRAPPED[limit]]
    assert isinstance(cell, Stops)
    plain = PumpHouse(tmp_path / "plain", monkeypatch, kind)
    STATES[WRAPPED[limit]](plain)
    lines_before, cause_ms = plain.seq, plain.now_ms
    undisturbed = stops_in_time(plain, LIMITS[limit], cell, kind, LIMITS[limit].cause(plain))

    house = PumpHouse(tmp_path / "wrapping", monkeypatch, kind)
    house.ticks_offset_ms = TICKS_MASK + 1 - cause_ms - max(cell.pump_ms, 500) // 2
    house.first_seq = SEQ_MODULUS - lines_before
    STATES[WRAPPED[limit]](house)
    counter = house.hardware._flow[0]
    counter.total()
    counter._counted = counter._taken = COUNTER_MASK
    assert house.seq in (0, SEQ_MODULUS - 1)
    assert house.chip is not None
    ticks_before = house.chip.ticks_ms()
    wrapped = stops_in_time(house, LIMITS[limit], cell, kind, LIMITS[limit].cause(house))
    assert house.chip.ticks_ms() < ticks_before
    assert abs(wrapped.pump_ms - undisturbed.pump_ms) <= TURN_MS
    assert abs(wrapped.valves_ms - undisturbed.valves_ms) <= TURN_MS


# --- settings only tighten --------------------------------------------------------------------------------------------

LAXER: dict[str, int] = {
    "opening_ms": 1999,
    "open_max_ms": 3_600_001,
    "pump_max_ms": 14_400_001,
    "pump_blind_max_ms": 1_800_001,
    "flow_start_ms": 15_001,
    "flow_run_ms": 5001,
    "flow_min_pulses": 0,
    "low_mv": 10_799,
    "floor_mv": 9999,
    "lease": 5001,
}
"""One step laxer than built in. For a lease the built-in value is its ceiling; the pins' settings do not have it."""


@pytest.mark.parametrize("name", LAXER)
def test_a_laxer_limit_from_the_host_is_refused_and_makes_safe(build: Build, name: str) -> None:
    house = build("held")
    pumping(house)
    house.say("set", **{"pumps": 1, "valves": ALL, "lease": 5000, "report": 1000, name: LAXER[name]})
    shut = house.until_shut(4000, house.now_ms, renewing=False)
    assert house.last("ack")["refusal"] == "bad-field"
    assert shut.pump_ms <= TURN_MS
    assert shut.valves_ms <= SETTLE_MS + TURN_MS


@pytest.mark.parametrize("name", [name for name in LAXER if name != "lease"])
def test_a_laxer_limit_among_the_pins_settings_keeps_everything_shut(build: Build, name: str) -> None:
    house = build("held", settings={name: LAXER[name]})
    house.begin()
    house.want(1, ALL)
    house.go_on(5000)
    assert house.moves == []
    assert house.last("ack")["refusal"] == faults.SETTINGS_BAD


@dataclass(frozen=True, slots=True)
class Tightened:
    """Limits put in force in a state, and the bound on the pump from the cause."""

    limits: dict[str, int]
    state: str
    cause: Callable[[PumpHouse], int]
    pump_ms: int


def put_in_force(house: PumpHouse) -> int:
    return house.now_ms


TIGHTENED: dict[str, Tightened] = {
    "flow_start_ms": Tightened({"flow_start_ms": 2000}, "no flow yet", flow_never_comes, 2000),
    "flow_run_ms": Tightened({"flow_run_ms": 1000}, "pumping", flow_ceases, 1000),
    "flow_min_pulses": Tightened({"flow_min_pulses": 10_000}, "pumping", put_in_force, 5000),
    "low_mv": Tightened({"low_mv": 13_500}, "pumping", put_in_force, 10_000),
    "floor_mv": Tightened({"floor_mv": 13_000}, "pumping", put_in_force, 200),
    "low_mv and floor_mv": Tightened({"low_mv": 13_500, "floor_mv": 13_000}, "pumping", put_in_force, 200),
}
"""The longest times are tightened in their own tests above, the opening time in tests/unit/test_board_outputs.py."""


@pytest.mark.parametrize("name", TIGHTENED)
def test_a_tightened_limit_is_in_force_at_once(build: Build, name: str) -> None:
    """The supply is at 12.84 V."""
    row = TIGHTENED[name]
    house = build("held")
    STATES[row.state](house)
    since_ms = row.cause(house)
    # What the limit has shut must stay shut without the host's help: it asks once more, then only renews.
    house.want(1, ALL, **row.limits)
    house.go_on(row.pump_ms + SETTLE_MS + 500)
    stopped_ms = next(ms for ms, part, _, on in reversed(house.moves) if part == "pump" and not on)
    assert house.safe
    assert stopped_ms - since_ms <= row.pump_ms + 2 * TURN_MS
