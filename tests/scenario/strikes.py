"""Every fault of the catalogue that virtual time can show, as a strike: alone, and in pairs.

`STRIKES` has a row or more for each id; `ELSEWHERE` names the ids that only real processes, ports, brokers or disks can
show, with the test that does, and `TOLD_ELSEWHERE` those that strike here but are told by what is not here. `play` lets
strikes fall in a garden of a few hours, at the moment that matters to each, chosen by a seed; then all is mended,
cleared once by a person, and watered again.

What must be told is told within `within_s`: from the strike, or from the moment the fault can first be noticed, which
`begin` waits for. Bounds are house rules without a standard behind them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any, Literal

from controller.contract import HoldAll, ResumeAll, RunZone, SetSchedule
from controller.site.model import Schedule
from firmware_host.wire import SEQ_MODULUS
from simulator.plant.faults import SensorTrouble
from tests.scenario.broken_season import LineTrouble, Way
from tests.scenario.directed import BED, POT, OffStageError, Stretch, broken_promise
from tests.scenario.garden import DAY_MS
from tests.scenario.judge import IN_MEMORY, Awaited
from tests.scenario.scripts_of_faults import BED_OUTPUT, POT_OUTPUT, RESERVE_L, low_ranger, reframed, unlike_beds

Mend = Callable[[], object]
When = Literal["flowing", "resting", "known", "begins"]
"""When it strikes: in mid-run; some minutes before a bed is due; when the usual flows are known; from the first."""

ANYTHING = ("",)
"""A strike after which any diagnosis may be true."""


@dataclass(frozen=True, slots=True)
class Strike:
    """told: findings any one of which tells it; empty where nothing must be told. explains: beginnings of diagnoses
    that it may cause. lasts_s: how long it stays, where `begin` does not say. wait_min: what recovery takes after
    mending. how: what kind of garden it needs."""

    id: str
    what: str
    when: When
    begin: Callable[[Stretch], Mend | None]
    told: tuple[str, ...] = ()
    within_s: float = 0.0
    explains: tuple[str, ...] = ANYTHING
    lasts_s: float = 60.0
    wait_min: float = 4.0
    how: dict[str, Any] = field(default_factory=dict)
    pairs: bool = True
    """May it strike together with another? Not where it needs a garden of its own."""


# --- cable ----------------------------------------------------------------------------------------------------


def _line(**trouble: Any) -> Callable[[Stretch], Mend]:
    def begin(stretch: Stretch) -> Mend:
        stretch.cable.weather = LineTrouble(**trouble)
        return lambda: setattr(stretch.cable, "weather", LineTrouble())

    return begin


def _tamper(pattern: bytes, by: bytes, unfit: str) -> Callable[[Stretch], Mend]:
    """The board is changed for one that says something else of itself."""

    def begin(stretch: Stretch) -> Mend:
        stretch.season.link._faithful = True
        stretch.season.link._expected_board_id = stretch.season.hardware.board_id()
        stretch.cable.tamper["to_host"] = lambda line: reframed(line, pattern, by)
        stretch.reset_board("power")
        stretch.judge.board_is_unfit(unfit)

        def mend() -> None:
            stretch.cable.tamper.clear()
            stretch.judge.board_is_unfit("")

        return mend

    return begin


def _damage_for_a_moment(stretch: Stretch) -> None:
    """What a switch thrown nearby does to the lines of some seconds."""
    stretch.cable.weather = LineTrouble(damage=stretch.rng.uniform(0.1, 0.5))
    stretch.go_on(stretch.rng.uniform(5.0, 40.0))
    stretch.cable.weather = LineTrouble()


def _held_up(stretch: Stretch) -> None:
    stretch.cable.hold_up("to_board")
    stretch.go_on(stretch.rng.uniform(3.0, 30.0))
    stretch.cable.let_go("to_board")


def _noise(stretch: Stretch) -> None:
    rng = stretch.rng
    way: Way = rng.choice(("to_board", "to_host"))
    noises = (b"boot: 3.2 ok\r\n", b"set 7 boo", b"\n\n\n", b"\xff\x00\xfe", b"x" * 9_000, rng.randbytes(300))
    for noise in rng.sample(noises, 3):
        stretch.cable.noise(way, noise)
        stretch.go_on(rng.uniform(0.1, 5.0))
    stretch.cable.noise(way, b"\n")


# --- board ----------------------------------------------------------------------------------------------------


def _brown_out(stretch: Stretch) -> None:
    stretch.reset_board(stretch.rng.choice(("brownout", "power", "watchdog")))


def _hang(stretch: Stretch) -> None:
    stretch.hang_board()
    stretch.go_on(0.6)


def _bit_flip(stretch: Stretch) -> Mend:
    rng, limits = stretch.rng, stretch.board.limits
    name, bit = rng.choice(("open_max_ms", "low_mv", "flow_start_ms", "opening_ms")), 1 << rng.randrange(8, 30)
    setattr(limits, name, getattr(limits, name) ^ bit)
    stretch.judge.board_is_unfit(IN_MEMORY)
    return lambda: stretch.reset_board("power")


def _pace(least: float, most: float) -> Callable[[Stretch], Mend]:
    """The board's clock is fast or slow by such a part."""

    def begin(stretch: Stretch) -> Mend:
        stretch.season.pace = stretch.rng.choice((-1.0, 1.0)) * stretch.rng.uniform(least, most)
        return lambda: setattr(stretch.season, "pace", 0.0)

    return begin


def _wrap(stretch: Stretch) -> None:
    for _ in range(2):
        talk = getattr(stretch.board, "talk", None)
        if talk is None or not stretch.judge.flowing:
            # Numbers are put forward by as much as still counts as new, which needs lines that arrive.
            return
        stretch.season.link._seq = (stretch.season.link._seq + SEQ_MODULUS // 2 - 4) % SEQ_MODULUS
        talk._seq = (talk._seq + SEQ_MODULUS // 2 - 4) % SEQ_MODULUS
        stretch.go_on(3)


def _reboots(stretch: Stretch) -> None:
    for _ in range(5):
        stretch.reset_board()
        stretch.go_on(stretch.rng.uniform(2.0, 30.0))


def _wrong_settings(stretch: Stretch) -> Mend:
    wrong: Sequence[dict[str, int | list[int]]] = (
        {"opening_ms": 1},
        {"low_mv": 0xFFFF},
        {"flow_of_pump": [9]},
        {"poll_ms": 0},
        {"no_such_limit": 1},
    )
    stretch.season.wrong_settings = stretch.rng.choice(wrong)
    stretch.reset_board("power")
    stretch.judge.board_is_unfit("its settings were damaged")

    def mend() -> None:
        stretch.season.wrong_settings = None
        stretch.reset_board("power")
        stretch.judge.board_is_unfit("")

    return mend


def _pin(stretch: Stretch) -> Mend:
    hardware, bit = stretch.season.hardware, 1 << stretch.rng.randrange(3)
    sound = hardware.outputs_on
    hardware.outputs_on = lambda pump_count, valve_count: sound(pump_count, valve_count) ^ bit  # type: ignore[method-assign]
    stretch.judge.board_is_unfit("a pin did not follow")

    def mend() -> None:
        hardware.outputs_on = sound  # type: ignore[method-assign]
        stretch.judge.board_is_unfit("")

    return mend


# --- plant ----------------------------------------------------------------------------------------------------


def _fault(name: str, what: Any, key: Any = None) -> Callable[[Stretch], Mend]:
    """A field of the plant's faults: a value, an entry of a mapping under `key`, or a member of a set."""

    def begin(stretch: Stretch) -> Mend:
        wanted = what(stretch.rng) if callable(what) else what
        held = getattr(stretch.faults, name)
        if isinstance(held, set):
            held.add(wanted)
            undo: Mend = lambda: held.discard(wanted)  # noqa: E731
        elif isinstance(held, dict):
            held[key] = wanted
            undo = lambda: held.pop(key, None)  # noqa: E731
        else:
            setattr(stretch.faults, name, wanted)
            undo = lambda: setattr(stretch.faults, name, held)  # noqa: E731
        stretch.felt()

        def mend() -> None:
            undo()
            stretch.felt()

        return mend

    return begin


def _until_pump(begin: Callable[[Stretch], Mend | None]) -> Callable[[Stretch], Mend | None]:
    """It shows from the next start of the pump on."""

    def and_wait(stretch: Stretch) -> Mend | None:
        mend = begin(stretch)
        stretch.until_pump(on=True)
        return mend

    return and_wait


def _weld(stretch: Stretch) -> Mend:
    """Contacts weld while they carry current."""
    if not stretch.judge.flowing:
        raise OffStageError("the pump stands still")
    mend = _fault("pump_welded", 0)(stretch)
    stretch.until_pump(on=False)
    return mend


def _spikes(stretch: Stretch) -> None:
    for _ in range(3):
        stretch.faults.echo_jump_mm[0] = stretch.rng.choice((-1.0, 1.0)) * stretch.rng.uniform(200.0, 1000.0)
        stretch.go_on(2)
        stretch.faults.echo_jump_mm.clear()
        stretch.go_on(10)


def _volume(volume_l: Callable[[Random], float]) -> Callable[[Stretch], Mend]:
    """Somebody takes water out, or fills up."""

    def begin(stretch: Stretch) -> Mend:
        before_l = stretch.season.plant.truth.volume_l("main")
        stretch.season.plant.set_volume("main", volume_l(stretch.rng))
        stretch.felt()
        return lambda: stretch.season.plant.set_volume("main", max(before_l, 400.0))

    return begin


def _charge(part: float) -> Callable[[Stretch], Mend]:
    def begin(stretch: Stretch) -> Mend:
        bank = stretch.season.plant.bank
        bank.charge_ah = part * bank.capacity_ah
        stretch.felt()

        return stretch.put_in_a_charged_battery

    return begin


def _sag(stretch: Stretch) -> Mend:
    stretch.sag_v = stretch.rng.uniform(0.3, 0.9)
    return lambda: setattr(stretch, "sag_v", 0.0)


def _no_controller(stretch: Stretch) -> None:
    stretch.restart(math.exp(stretch.rng.uniform(math.log(0.3), math.log(600.0))))


def _flicker(stretch: Stretch) -> None:
    """The supply of board and controller comes and goes."""
    for _ in range(6):
        stretch.reset_board()
        stretch.restart(stretch.rng.uniform(1.0, 20.0))
        stretch.go_on(stretch.rng.uniform(1.0, 20.0))


# --- time and people ------------------------------------------------------------------------------------------


def _clock(*hours: float) -> Callable[[Stretch], Mend]:
    def begin(stretch: Stretch) -> Mend:
        stretch.step_clock(stretch.rng.choice(hours))
        return lambda: stretch.step_clock(0.0)

    return begin


def _clock_unknown(stretch: Stretch) -> Mend:
    stretch.season.trust = "unknown"
    stretch.step_clock(-stretch.rng.uniform(0.1, 20.0))
    stretch.restart(20.0)

    def mend() -> None:
        stretch.season.trust = "synchronised"
        stretch.step_clock(0.0)

    return mend


def _odd_orders(stretch: Stretch) -> None:
    rng = stretch.rng
    word = rng.choice(("NaN", "Infinity", "1e999", "-1"))
    stretch.message(
        f'{{"id": "odd", "sender": "a", "order": "run-zone", "zone": "{BED}", "volume_l": {word}}}'.encode()
    )
    if stretch.stored is not None:
        # What the door lets in can be written down; what it does not has just been tried.
        return
    stretch.order(RunZone(BED, rng.choice((math.nan, math.inf, -1.0, 0.0))))
    version = next(view.schedule_version for view in stretch.season.core.snapshot(stretch.season.now()).zones)
    schedule = rng.choice(
        (
            Schedule("fixed", (), math.nan, 1, 5.0, (365,)),
            Schedule("fixed", (), 20.0, 1, math.inf, (365,)),
            Schedule("fixed", (), 20.0, 1, 5.0, (1500, -3)),
            Schedule("need", (), 20.0, 0),
        )
    )
    stretch.order(SetSchedule(BED, schedule, version))
    stretch.order(SetSchedule("no-such-bed", schedule, 0))


def _huge_run(stretch: Stretch) -> None:
    stretch.order(RunZone(stretch.rng.choice((BED, POT)), 1e9))


def _all_at_once(stretch: Stretch) -> None:
    stretch.order(RunZone(POT, 2.0))
    stretch.order(RunZone(BED, 2.0))


def _two_at_once(stretch: Stretch) -> None:
    """Two people, in the same second: one holds, one waters."""
    stretch.order(HoldAll(None))
    stretch.order(RunZone(POT, 3.0))
    stretch.order(ResumeAll())
    stretch.order(RunZone(POT, 3.0))


def _messages(*, retained: bool = False, twice: bool = False, padded: int = 0) -> Callable[[Stretch], None]:
    def begin(stretch: Stretch) -> None:
        payload = b'{"order":"run-zone","id":"run-1","sender":"somebody","zone":"%s","volume_l":1.5}' % POT.encode()
        stretch.message(payload + b" " * padded, retained=retained, may_act=twice)
        if twice:
            stretch.go_on(1)
            stretch.message(payload, may_act=True)

    return begin


def _full_disk(stretch: Stretch) -> Mend:
    assert stretch.stored is not None
    stretch.stored.fill_disk()
    return stretch.stored.free_disk


def _lossy_broker(stretch: Stretch) -> None:
    assert stretch.stored is not None
    stretch.stored.broker_loses = True


def _nothing(_stretch: Stretch) -> None:
    """The garden itself is the stage."""


LOST = ("board-lost",)
LEVEL = ("level-frozen", "false-echo", "leak", "catch-lost", "rain-gauge-low", "level-too-near")
FLOW = (
    "no-flow",
    "burst-flow",
    "slow-delivery",
    "emitters",
    "flow-",
    "filter",
    "pump-",
    "supply-up",
    "meter-",
    "valve-",
)

STRIKES = (
    Strike("S1", "cable pulled", "flowing", _line(drop=1.0), LOST, 5.0, ()),
    Strike(
        "S2",
        "another board",
        "resting",
        _tamper(rb"board=\w+", b"board=0123456789ab", "it was another board"),
        LOST,
        10.0,
        (),
    ),
    Strike("S3", "bits flip", "flowing", _line(damage=0.3), ("cable-noisy",), 10 * 60.0, ANYTHING, 15 * 60.0),
    Strike("S3", "bits flip for a moment", "flowing", _damage_for_a_moment, explains=()),
    Strike("S4", "lines repeated", "flowing", _line(repeat=1.0, late_ms=1_500)),
    Strike("S5", "lines late", "flowing", _line(late_ms=20_000)),
    Strike("S5", "lines held up", "flowing", _held_up),
    Strike("S6", "noise", "flowing", _noise),
    Strike("S8", "board deaf", "flowing", _line(drop=1.0, only="to_board"), LOST, 8.0, ()),
    Strike("S8", "host deaf", "flowing", _line(drop=1.0, only="to_host"), LOST, 5.0, ()),
    Strike(
        "S9",
        "another protocol",
        "resting",
        _tamper(rb"protocol=1\b", b"protocol=2", "it spoke another protocol"),
        LOST,
        10.0,
        (),
    ),
    Strike("M1", "board resets", "flowing", _brown_out, explains=()),
    Strike("M2", "board hangs", "flowing", _hang, explains=()),
    Strike(
        "M3", "a limit changes in memory", "flowing", _bit_flip, ("board-self-test",), 3.0, ("board-self-test",), 20.0
    ),
    Strike(
        "M4",
        "board's clock off",
        "resting",
        _pace(0.03, 0.05),
        ("board-clock-off",),
        35 * 60.0,
        ("board-clock-off",),
        40 * 60.0,
    ),
    Strike("M4", "board's clock a little off", "flowing", _pace(0.005, 0.019), explains=(), lasts_s=40 * 60.0),
    Strike("M4", "board's clock off for a while", "flowing", _pace(0.02, 0.05), explains=(), lasts_s=300.0),
    Strike("M5", "numbers wrap", "flowing", _wrap, explains=()),
    Strike(
        "M6",
        "board boots on and on",
        "flowing",
        _reboots,
        ("board-reboots", "board-reboots-latched"),
        30.0,
        ("board-reboots",),
        120.0,
        32.0,
    ),
    Strike(
        "M7",
        "settings damaged",
        "resting",
        _wrong_settings,
        ("board-settings-bad",),
        75.0,
        ("board-settings-bad",),
        120.0,
    ),
    Strike(
        "M8",
        "a pin does not follow",
        "flowing",
        _pin,
        ("board-output-mismatch",),
        4.0,
        ("board-output-mismatch", "output-stuck"),
        20.0,
    ),
    Strike(
        "N1", "level frozen", "resting", _fault("echo_frozen", 0), ("level-frozen",), 40 * 60.0, LEVEL, 50 * 60.0, 20.0
    ),
    Strike(
        "N2",
        "tank fuller than the ranger sees",
        "begins",
        _nothing,
        ("level-too-near",),
        20 * 60.0,
        LEVEL,
        30 * 60.0,
        how={"site": low_ranger(), "fill": 0.97},
        pairs=False,
    ),
    Strike(
        "N3",
        "echoes lost",
        "flowing",
        _fault("echo_silent", 0),
        ("level-unknown",),
        75.0,
        (),
        180.0,
        6.0,
        {"dose_l": 40.0},
    ),
    Strike("N3", "level jumps", "flowing", _spikes, explains=()),
    Strike("N4", "no thermometer", "resting", _fault("temperature_bad", 0), explains=(), lasts_s=30 * 60.0),
    Strike(
        "N5",
        "meter dead",
        "flowing",
        _fault("flow_meter_dead", 0),
        ("no-flow",),
        8.0,
        ("no-flow", "board-no-flow", "meter-dead"),
    ),
    Strike(
        "N6",
        "pulses made up",
        "flowing",
        _fault("sensor", SensorTrouble("garbage", 4_000.0), ("flow", 0)),
        ("meter-impossible", "burst-flow"),
        15.0,
        (*FLOW, "flow-at-rest", "board-flow-at-rest"),
        20.0,
    ),
    Strike(
        "N6",
        "pulses at rest",
        "resting",
        _fault("flow_phantom_l_h", lambda rng: rng.uniform(200.0, 500.0), 0),
        ("flow-at-rest", "board-flow-at-rest"),
        130.0,
        (*FLOW, "flow-at-rest", "board-flow-at-rest"),
        140.0,
    ),
    Strike(
        "N7",
        "voltage stands still",
        "resting",
        _fault("sensor", SensorTrouble("stuck"), ("battery", 0)),
        ("battery-frozen",),
        40 * 60.0,
        ("battery-frozen", "charger"),
        50 * 60.0,
        10.0,
    ),
    Strike(
        "N7",
        "voltage gone",
        "resting",
        _fault("battery_bad", True),
        ("battery-unknown",),
        150.0,
        ("board-supply-unknown",),
        180.0,
        35.0,
    ),
    Strike(
        "N7",
        "voltage zero",
        "resting",
        _fault("battery_frozen_mv", 0),
        ("battery-unknown",),
        150.0,
        ("board-supply",),
        180.0,
        35.0,
    ),
    Strike(
        "N8",
        "thermometer says frost",
        "resting",
        _fault("temperature_frozen", lambda rng: rng.uniform(-20.0, 1.5), 0),
        ("frost",),
        130.0,
        LEVEL,
        180.0,
    ),
    Strike(
        "N9",
        "gauge bounces",
        "resting",
        _fault("sensor", SensorTrouble("garbage", 4_000.0), ("rain", 0)),
        explains=(),
        lasts_s=120.0,
    ),
    Strike(
        "N9",
        "gauge splashed",
        "resting",
        _fault("gauge_splash_mm_h", lambda rng: rng.uniform(5.0, 60.0)),
        explains=("rain-doubtful", "catch-lost"),
        lasts_s=300.0,
    ),
    Strike("N10", "orders without sense", "flowing", _odd_orders, explains=()),
    Strike(
        "A1",
        "pump welded",
        "flowing",
        _weld,
        ("pump-runs-on",),
        10.5,
        ("pump-runs-on", "flow-at-rest", "board-flow-at-rest"),
        120.0,
        8.0,
    ),
    Strike(
        "A2",
        "pump dead before the start",
        "resting",
        _until_pump(_fault("pump_dead", 0)),
        ("no-flow",),
        20.0,
        (*FLOW, "board-no-flow", "line-blocked", "ran-dry"),
    ),
    Strike(
        "A2",
        "pump dies",
        "flowing",
        _fault("pump_dead", 0),
        ("no-flow",),
        8.0,
        (*FLOW, "board-no-flow", "line-blocked", "ran-dry"),
    ),
    Strike(
        "A3",
        "valve stuck shut",
        "resting",
        _until_pump(_fault("valve_stuck", False, BED_OUTPUT)),
        ("no-flow",),
        20.0,
        (*FLOW, "board-no-flow", "line-blocked", "ran-dry"),
    ),
    Strike(
        "A4",
        "another valve stuck open",
        "flowing",
        _fault("valve_stuck", True, POT_OUTPUT),
        ("burst-flow",),
        25.0,
        (*FLOW, "flow-at-rest", "pump-runs-on"),
    ),
    Strike(
        "A5",
        "valve slow",
        "resting",
        _until_pump(_fault("valve_slow_s", lambda rng: rng.uniform(4.0, 13.0), BED_OUTPUT)),
        explains=(),
    ),
    Strike(
        "A6",
        "pipe bursts",
        "flowing",
        _fault("pipe_burst", lambda rng: rng.uniform(2.0, 4.0), BED),
        ("burst-flow",),
        11.0,
        FLOW,
    ),
    Strike(
        "A7",
        "filter clogged",
        "resting",
        _until_pump(_fault("filter_clogged", 0.9, "main-pump")),
        ("slow-delivery",),
        15 * 60.0,
        FLOW,
        16 * 60.0,
    ),
    Strike(
        "A8",
        "tank leaks",
        "known",
        _fault("leak_l_h", lambda rng: rng.uniform(5.0, 30.0), "main"),
        ("leak",),
        24 * 3600.0,
        LEVEL,
        25 * 3600.0,
        pairs=False,
        how={"days": 7},
    ),
    Strike(
        "A9",
        "beds crossed",
        "known",
        _fault("zones_crossed", (BED_OUTPUT, POT_OUTPUT)),
        # A bed that gets far more than its own flow is stopped before the swap is plain.
        ("zones-crossed", "burst-flow"),
        36 * 3600.0,
        (*FLOW, "zones-crossed"),
        37 * 3600.0,
        pairs=False,
        how={"days": 7, "site": unlike_beds()},
    ),
    Strike("A10", "all are due together", "flowing", _all_at_once, explains=(), lasts_s=300.0),
    Strike("P1", "sag at every start", "resting", _sag, explains=(), lasts_s=45 * 60.0),
    Strike(
        "P2",
        "battery flat in mid-run",
        "flowing",
        _charge(0.02),
        ("battery-low", "board-supply-low"),
        13.0,
        ("board-supply-low", "battery", "charger"),
        40.0,
        180.0,
    ),
    Strike(
        "P3",
        "dark week",
        "begins",
        _fault("panel_shaded", 0.95),
        ("battery-falls", "battery-charge"),
        9 * 86_400.0,
        ("battery", "charger"),
        10 * 86_400.0,
        26 * 60.0,
        {"days": 14, "charge": 0.85, "dose_l": 20.0},
        pairs=False,
    ),
    Strike(
        "P4",
        "voltage above the maximum",
        "resting",
        _fault("battery_frozen_mv", 15_600),
        ("battery-high",),
        130.0,
        ("charger", "battery"),
        180.0,
    ),
    Strike("P5", "controller without power", "flowing", _no_controller, explains=()),
    Strike(
        "P6",
        "supply comes and goes",
        "flowing",
        _flicker,
        ("board-reboots", "board-reboots-latched"),
        30.0,
        ("board-reboots",),
        120.0,
        32.0,
    ),
    Strike(
        "C1",
        "time not known after a boot",
        "resting",
        _clock_unknown,
        ("clock-guessed", "clock-unknown"),
        130.0,
        (),
        180.0,
    ),
    Strike(
        "C2",
        "clock jumps ahead",
        "resting",
        _clock(2.0, 9.0, 49.0, 24.0 * 400, 24.0 * 365 * 20),
        explains=("no-flow",),
        lasts_s=600.0,
    ),
    Strike("C3", "clock jumps back", "flowing", _clock(-0.5, -2.0, -26.0, -24.0 * 400), explains=(), lasts_s=600.0),
    Strike(
        "C5", "clock steps in mid-run", "flowing", _clock(-1.0, -1.0 / 3600, 1.0 / 3600, 1.0), explains=(), lasts_s=30.0
    ),
    Strike(
        "C4",
        "clocks put back",
        "begins",
        _nothing,
        explains=(),
        lasts_s=9 * 3600.0,
        how={"begins": "2026-10-24T23:30"},
        pairs=False,
    ),
    Strike(
        "C4",
        "clocks put forward",
        "begins",
        _nothing,
        explains=(),
        lasts_s=9 * 3600.0,
        how={"begins": "2026-03-28T23:30", "warmth_c": (8.0, 15.0)},
        pairs=False,
    ),
    Strike(
        "C7",
        "leap day",
        "begins",
        _nothing,
        explains=(),
        lasts_s=12 * 3600.0,
        how={"begins": "2028-02-29T20:00", "warmth_c": (8.0, 15.0)},
        pairs=False,
    ),
    Strike(
        "C7",
        "2^31 seconds after 1970",
        "begins",
        _nothing,
        explains=(),
        lasts_s=12 * 3600.0,
        how={"begins": "2038-01-18T20:00", "warmth_c": (8.0, 15.0)},
        pairs=False,
    ),
    Strike("D3", "disk full", "flowing", _full_disk, explains=(), lasts_s=15 * 60.0, how={"journal": True}),
    Strike(
        "B2",
        "broker away and forgetful",
        "flowing",
        _lossy_broker,
        explains=(),
        lasts_s=30 * 60.0,
        how={"journal": True},
    ),
    Strike("B8", "retained order", "flowing", _messages(retained=True), explains=()),
    Strike("B9", "order twice", "flowing", _messages(twice=True), explains=(), how={"journal": True}),
    Strike("B10", "order too long", "flowing", _messages(padded=5_000), explains=()),
    Strike("H5", "run without end by order", "flowing", _huge_run, explains=(), lasts_s=15 * 60.0, wait_min=20.0),
    Strike("H6", "two people at once", "flowing", _two_at_once, explains=(), lasts_s=120.0),
    Strike(
        "H11",
        "water taken with buckets",
        "flowing",
        _volume(lambda rng: rng.uniform(0.2, 0.9) * RESERVE_L),
        explains=LEVEL + FLOW + ("board-dry", "board-no-flow", "ran-dry"),
        lasts_s=300.0,
        wait_min=95.0,
    ),
)

ELSEWHERE = {
    "S7": "unit/test_board_conversation:"
    "test_a_megabyte_of_noise_is_worked_off_in_well_under_a_second_and_the_next_command_acts",
    "S10": "system/test_serve:test_a_second_controller_is_refused_and_the_first_goes_on",
    "S11": "unit/test_transport:test_a_far_end_that_reads_nothing_cannot_block_for_more_than_a_second",
    "C6": "unit/test_restore:test_a_changed_site_file_is_in_force_after_the_old_inputs",
    "C8": "unit/test_orders:test_a_malformed_order_is_refused_with_its_reason",
    "D1": "system/test_broken_storage:"
    "test_killed_at_any_instant_the_whole_controller_keeps_its_word_and_gives_the_day_s_water_once",
    "D2": "system/test_broken_storage:test_a_power_cut_at_any_instant_loses_nothing_that_was_safe",
    "D4": "unit/test_writer:test_a_failing_disk_is_told_and_nothing_is_lost_or_doubled_when_it_recovers",
    "D5": "system/test_broken_storage:test_a_call_that_fails_harms_nothing_that_was_safe",
    "D6": "system/test_serve:test_a_damaged_journal_holds_watering_until_tomorrow_and_says_so",
    "D7": "unit/test_writer:test_a_disk_that_stands_still_never_holds_up_the_caller",
    "D8": "unit/test_journal:test_readings_older_than_their_limit_go_and_the_ledger_stays",
    "D9": "system/test_serve:test_a_damaged_site_file_never_starts_anything",
    "B1": "system/test_mqtt_real_broker:test_without_a_broker_orders_and_watering_are_not_waited_for",
    "B3": "system/test_mqtt_real_broker:test_the_history_drains_after_a_broker_outage_and_refills_on_request",
    "B4": "system/test_outage:test_all_records_arrive_once_although_everybody_is_killed_on_the_way",
    "B5": "system/test_outage:test_all_records_arrive_once_although_everybody_is_killed_on_the_way",
    "B6": "system/test_broker_accounts:test_nobody_comes_in_without_an_account_or_with_anothers_password",
    "B7": "system/test_broker_accounts:test_beyond_this_machine_there_is_tls_and_nothing_else",
    "B11": "system/test_mqtt_real_broker:test_a_flood_of_orders_is_cut_to_the_burst",
    "B12": "system/test_broker_trouble:test_a_second_client_by_our_name_is_told_and_the_controller_goes_on_by_another",
    "B13": "system/test_stuck_subscriber:"
    "test_a_subscriber_that_reads_nothing_holds_up_neither_the_loop_nor_anybody_else",
    "B14": "system/test_broker_trouble:test_an_error_in_a_callback_costs_a_connection_and_nothing_else",
    "H1": "unit/test_orders_fuzz:test_the_worst_payloads_are_refused",
    "H2": "unit/test_site_wrong_files:test_the_mistake_is_named_where_it_was_made",
    "H3": "unit/test_tank_geometry:test_more_depth_is_never_less_water",
    "H4": "unit/test_orders:test_a_malformed_order_is_refused_with_its_reason",
    "H7": "unit/test_gate:test_every_route_that_changes_something_refuses_a_form_from_elsewhere",
    "H8": "system/test_hostile_network:test_under_every_attack_at_once_the_owner_is_served_and_nothing_changes",
    "H9": "unit/test_sign_in:test_guessing_is_slowed_and_the_owner_gets_in_all_the_same",
    "H10": "system/test_install:test_an_update_that_does_not_come_up_is_taken_back",
    "H12": "unit/test_core_state:test_a_new_zone_starts_fresh_beside_the_old_ones",
    "H13": "unit/test_sign_in:test_no_secret_is_written_into_the_log",
}
"""What virtual time cannot show, with the test that does: ports, processes, brokers, disks, files, pages."""

TOLD_ELSEWHERE = {
    "D3": "system/test_medium_takes_nothing:"
    "test_a_card_that_fills_up_is_told_and_a_start_on_it_waters_what_is_due_and_records_it_when_there_is_room",
}
"""What strikes here and is told by the service around the core, which is not here: with the test of the telling."""


@dataclass(frozen=True, slots=True)
class Played:
    """What came of one play. waited_s: how long the telling took, None where nothing had to be told or nothing was.

    broken    what promise was broken, and how; empty: all were kept
    false     diagnoses told that none of the strikes explains
    """

    ids: tuple[str, ...]
    seed: int
    days: float
    was_due: bool
    waited_s: float | None
    false: tuple[str, ...]
    broken: str
    off_stage: bool


class _Play:
    """One stretch with one strike or several."""

    def __init__(self, strikes: Sequence[Strike], seed: int) -> None:
        self.strikes, self.seed = strikes, seed
        self.rng = Random(f"{' '.join(strike.what for strike in strikes)} {seed}")
        how: dict[str, Any] = {"fill": self.rng.uniform(0.3, 0.8), "charge": self.rng.uniform(0.75, 0.95)}
        how |= {"seed": seed, "dose_l": self.rng.uniform(8.0, 20.0)}
        for strike in strikes:
            how |= strike.how
        if "site" in how:
            del how["dose_l"]
        self.how = how
        self.stretch: Stretch | None = None
        self.awaited: Awaited | None = None

    def run(self) -> None:
        stretch = self.stretch = Stretch(**self.how)
        stretch.judge.explained = None
        self._come_to(stretch, self.strikes[0].when)
        mends: list[Mend] = []
        alone = len(self.strikes) == 1
        for strike in self.strikes:
            mend = strike.begin(stretch)
            mends += [] if mend is None else [mend]
            if alone and strike.told:
                self.awaited = stretch.judge.expect(strike.told, round(1000.0 * strike.within_s))
            elif not alone:
                stretch.go_on(self.rng.uniform(0.0, 20.0))
        stretch.go_on(max(strike.lasts_s for strike in self.strikes))
        for mend in reversed(mends):
            mend()
        stretch.recover(max(strike.wait_min for strike in self.strikes))
        stretch.check_books()

    def _come_to(self, stretch: Stretch, when: When) -> None:
        if when == "flowing":
            stretch.until_flowing(self.rng.uniform(12.0, 40.0))
        elif when == "resting":
            stretch.go_on(self.rng.uniform(60.0, 420.0))
        elif when == "known":
            stretch.go_on(self.rng.uniform(50.0, 74.0) * 3600.0)

    def false_alerts(self) -> tuple[str, ...]:
        assert self.stretch is not None
        known = tuple(beginning for strike in self.strikes for beginning in strike.explains)
        return tuple(key for _, key in self.stretch.judge.told if not key.startswith(known))


def play(strikes: Sequence[Strike], seed: int) -> Played:
    """One stretch in which `strikes` fall, the first at its moment and the others soon after."""
    acted, off_stage, broken = _Play(strikes, seed), False, ""
    try:
        broken = broken_promise(acted.run)
    except OffStageError:
        off_stage = True
    awaited, stretch = acted.awaited, acted.stretch
    waited_s = None
    if awaited is not None and awaited.told_ms is not None:
        waited_s = (awaited.told_ms - awaited.since_ms) / 1000.0
    return Played(
        tuple(strike.id for strike in strikes),
        seed,
        0.0 if stretch is None else stretch.plant_ms / DAY_MS,
        awaited is not None,
        waited_s,
        () if stretch is None else acted.false_alerts(),
        broken,
        off_stage,
    )
