"""The firmware from power-on: order of the boot, watchdog, resets, wrong pins, failed self-tests, a watering."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from firmware_host.board import main, pins
from firmware_host.board import rp2_hardware as hardware_module
from firmware_host.board.nonvolatile import SAVE_EVERY_MS
from firmware_host.board.restart import restart
from firmware_host.board.rp2_hardware import WATCHDOG_MS
from firmware_host.board.sampling import ECHO_COUNT
from firmware_host.wire import encode
from tests.fake_machine.chip import TICKS_MASK, Restart, WatchdogReset, mv_counts
from tests.fake_machine.flashed import ECHO, FLOW, PUMP, RAIN, SECOND, Flashed
from tests.fake_machine.world import frame

OUTPUT_PINS = {PUMP, SECOND, 6, 7, 8, 9, 10, 11}
LATCHING = tuple({"kind": "latching", "open": 6 + 2 * n, "close": 7 + 2 * n, "active": 1} for n in (0, 1, 2)) + tuple(
    {"kind": "held", "pin": gpio, "active": 1} for gpio in (18, 19, 0)
)


@pytest.fixture
def flashed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Flashed:
    return Flashed(tmp_path, monkeypatch)


# --- a good board -----------------------------------------------------------------------------------------------------


def test_a_good_board_introduces_itself_and_reports_what_hangs_on_its_pins(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(12_000)
    hello = flashed.last("hello")
    assert hello["cause"] == "power"
    assert hello["board"] == "e6614c311b7f3a21"
    assert hello["valve"] == "6"
    assert "problem" not in hello
    report = flashed.last("report")
    assert report["echo0"].count(",") == ECHO_COUNT - 1
    assert all(abs(int(time_us) - 5400) <= 2 for time_us in report["echo0"].split(","))
    assert abs(int(report["battery"]) - 12_840) <= 2
    assert abs(int(report["panel"]) - 18_200) <= 2
    assert report["temp0"] == "1531"
    assert report["current"] == "-350"
    assert (report["wet0"], report["pumps"], report["valves"]) == ("1", "0", "0")
    assert "faults" not in report


def test_a_watering_moves_the_pins_in_the_safe_order(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.hold(1, 0b10, 6000)
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == {PUMP, SECOND, 7}
    assert int(flashed.last("report")["flow0"]) > 200
    flashed.run(6000)
    assert flashed.chip.on_pins() == set()
    opened, closed = flashed.chip.changes(7)[-2][0], flashed.chip.changes(7)[-1][0]
    started, stopped = flashed.chip.changes(PUMP)[-2][0], flashed.chip.changes(PUMP)[-1][0]
    second_opened = flashed.chip.changes(SECOND)[-1][0]
    assert opened + 2000 <= started
    assert stopped + 500 <= second_opened <= stopped + 510 < closed
    assert stopped + 1000 <= closed <= stopped + 1050
    assert flashed.last("report")["faults"] == "board-lease-lapsed"


def test_rain_counts_and_the_meter_counts_only_what_flows(flashed: Flashed) -> None:
    flashed.boot()
    assert flashed.chip is not None
    for tip in range(5):
        flashed.chip.after(1_000_000 + 700_000 * tip, lambda: flashed.chip.pulse(RAIN, 30_000))  # type: ignore[union-attr]
    flashed.run(11_000)
    assert flashed.last("report")["rain"] == "5"
    assert flashed.last("report")["flow0"] == "0"


@pytest.mark.parametrize("offset_ms", [TICKS_MASK - 4000, (TICKS_MASK + 1) // 1000 - 4])
def test_a_watering_goes_on_while_ticks_wrap(flashed: Flashed, offset_ms: int) -> None:
    flashed.boot(offset_ms)
    flashed.run(500)
    flashed.hold(1, 1, 9000)
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == {PUMP, SECOND, 6}
    assert flashed.hardware.uptime_ms() == pytest.approx(flashed.chip.now_us // 1000, abs=2)
    assert "faults" not in flashed.last("report")
    flashed.run(6000)
    assert flashed.chip.on_pins() == set()


def test_no_turn_of_the_loop_takes_more_than_a_few_milliseconds(flashed: Flashed) -> None:
    flashed.boot()
    assert flashed.chip is not None
    longest_us = 0
    for _ in range(25):
        flashed.say("set", pumps=1, valves=1, lease=5000, report=1000)
        for _ in range(150):
            before_us = flashed.chip.now_us
            main.turn(flashed.hardware, flashed.board)
            longest_us = max(longest_us, flashed.chip.now_us - before_us)
            flashed.chip.spend(6000)
    assert longest_us <= 8000


# --- order of the boot, and the watchdog ------------------------------------------------------------------------------


def test_every_output_is_off_before_the_first_test_and_none_is_on_before_an_order(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[set[int], set[int]]] = []

    def look_then(really: Any) -> Any:
        def test(*given: Any) -> Any:
            assert flashed.chip is not None
            outputs = {gpio for gpio in OUTPUT_PINS if flashed.chip.pins[gpio].driven is not None}
            seen.append((outputs, flashed.chip.on_pins() & OUTPUT_PINS))
            assert flashed.chip.watchdog_us is None
            return really(*given)

        return test

    for name in ("processor_good", "memory_good"):
        monkeypatch.setattr(hardware_module, name, look_then(getattr(hardware_module, name)))
    flashed.boot()
    assert seen == [(OUTPUT_PINS, set())] * 2
    flashed.run(5000)
    assert flashed.chip is not None
    assert not [entry for entry in flashed.chip.levels if entry[1] in OUTPUT_PINS and entry[2]]


def test_the_watchdog_is_one_second_and_fed_once_each_turn_by_the_loop_alone(flashed: Flashed) -> None:
    flashed.boot()
    assert flashed.chip is not None
    assert flashed.chip.watchdog_us == WATCHDOG_MS * 1000 == 1_000_000
    turns = 0
    while flashed.chip.now_us < 5_000_000:
        main.turn(flashed.hardware, flashed.board)
        turns += 1
        flashed.chip.spend(5000)
    assert len(flashed.chip.feeds_us) == turns


def test_a_hung_loop_resets_the_chip_within_a_second_and_everything_is_off(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.hold(1, 1, 5000)
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == {PUMP, SECOND, 6}
    assert flashed.hang() <= WATCHDOG_MS
    assert flashed.chip.on_pins() == set()
    flashed.boot(reset=True)
    flashed.run(500)
    assert flashed.last("hello")["cause"] == "watchdog"
    assert flashed.chip.on_pins() == set()


def test_interrupts_and_background_work_alone_do_not_feed_the_watchdog(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    assert flashed.chip is not None
    fed = len(flashed.chip.feeds_us)
    chip = flashed.chip

    def all_but_the_loop() -> None:
        for _ in range(1000):
            flashed.hardware.feed_watchdog()
            chip.pulse(FLOW)
            chip.spend(5000)

    with pytest.raises(WatchdogReset):
        all_but_the_loop()
    assert len(flashed.chip.feeds_us) == fed


def test_a_program_that_fails_leaves_everything_off_and_is_reset(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch
) -> None:
    flashed.power()
    really = main.prepare
    monkeypatch.setattr(main, "prepare", lambda _: really(str(flashed.folder)))
    turns = 0

    def fail(hardware: Any, board: Any) -> None:
        nonlocal turns
        turns += 1
        hardware.step()
        board.tick()
        if turns == 3:
            hardware.set_pump(0, True)
            hardware.set_valve(0, True)
            raise MemoryError

    monkeypatch.setattr(main, "turn", fail)
    with pytest.raises(MemoryError):
        main.run()
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == set()
    assert flashed.hang() <= WATCHDOG_MS


def test_a_host_that_does_not_read_cannot_starve_the_watchdog(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.usb.host_reads = False
    flashed.hold(1, 1, 20_000)
    assert flashed.chip is not None
    assert len(flashed.chip.feeds_us) > 1000
    flashed.usb.host_reads = True
    flashed.run(3000)
    assert flashed.lines


def test_a_host_that_babbles_cannot_starve_the_watchdog(flashed: Flashed) -> None:
    flashed.boot()
    flashed.usb.incoming += b"\x00\xff set 1 boot= *\n" * 5000
    flashed.run(3000)
    assert flashed.last("report")["pumps"] == "0"


# --- wrong declarations and failed tests ------------------------------------------------------------------------------


def outputs_stay_shut(flashed: Flashed) -> None:
    flashed.run(500)
    flashed.say("set", pumps=1, valves=1, lease=5000, report=1000)
    flashed.run(3000)
    assert flashed.chip is not None
    assert not [entry for entry in flashed.chip.levels if entry[1] in OUTPUT_PINS and entry[2]]


def test_wrong_pins_keep_every_output_shut_and_are_named(flashed: Flashed) -> None:
    flashed.declared["pump"] = ({"pin": 2, "active": 1, "second": 6},)
    flashed.boot()
    outputs_stay_shut(flashed)
    hello = flashed.last("hello")
    assert hello["problem"] == "PINS:_valve_0_pin:_GPIO_6_is_already_used_by_pump_0_second"
    assert (hello["pump"], hello["valve"]) == ("0", "0")
    assert flashed.last("report")["faults"] == "board-settings-bad"
    assert flashed.chip is not None
    assert all(flashed.chip.pins[gpio].driven is None for gpio in OUTPUT_PINS)


@pytest.mark.parametrize("broken", [None, [], {"pump": 3}])
def test_a_file_that_holds_no_declaration_keeps_every_output_shut(flashed: Flashed, broken: Any) -> None:
    flashed.declared = broken
    flashed.boot()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"].startswith("PINS:")


def test_a_file_that_cannot_even_be_read_keeps_every_output_shut_and_is_named(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch
) -> None:
    flashed.power()
    monkeypatch.delattr(pins, "PINS")
    flashed.start()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"].startswith("pins.py:_")
    assert flashed.last("report")["faults"] == "board-settings-bad"


def test_a_laxer_limit_keeps_every_output_shut_and_is_named(flashed: Flashed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pins, "SETTINGS", {**pins.SETTINGS, "low_mv": 9000})
    flashed.boot()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"] == "SETTINGS:_low_mv"
    assert flashed.last("report")["faults"] == "board-settings-bad"


@pytest.mark.parametrize("failing", ["processor_good", "memory_good"])
def test_a_failed_test_at_boot_keeps_every_output_shut_and_is_named(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    monkeypatch.setattr(hardware_module, failing, lambda *_: False)
    flashed.boot()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"] == f"self-test:_{failing.split('_')[0]}"
    assert flashed.last("report")["faults"] == "board-self-test"


def test_a_damaged_program_file_keeps_every_output_shut_and_is_named(flashed: Flashed) -> None:
    (flashed.folder / "firmware_host/wire.py").write_bytes(b"b program" * 1000)
    flashed.boot()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"] == "self-test:_/firmware_host/wire.py_is_damaged"


def test_a_file_damaged_later_stops_a_watering_within_a_minute(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.hold(1, 1, 4000)
    (flashed.folder / "firmware_host/wire.py").write_bytes(b"b program" * 1000)
    flashed.hold(1, 1, 15_000)
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == set()
    assert flashed.last("report")["faults"] == "board-self-test"


def test_a_microsecond_clock_that_runs_wrong_stops_a_watering(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.hold(1, 1, 4000)
    assert flashed.chip is not None
    flashed.chip.slow_us_per_s = 100_000
    flashed.hold(1, 1, 5000)
    assert flashed.chip.on_pins() == set()


@pytest.mark.parametrize("gpio", sorted(OUTPUT_PINS))
def test_a_shorted_output_is_found_within_1200_milliseconds(flashed: Flashed, gpio: int) -> None:
    flashed.boot()
    flashed.run(2000)
    assert flashed.chip is not None
    flashed.chip.pins[gpio].shorted = 1
    flashed.run(1200)
    assert flashed.board.faults.text() == "board-output-mismatch"
    flashed.run(1000)
    assert flashed.last("report")["faults"] == "board-output-mismatch"


def test_an_echo_pin_that_sticks_costs_the_level_and_nothing_else(flashed: Flashed) -> None:
    flashed.boot()
    assert flashed.chip is not None
    flashed.chip.pins[ECHO].shorted = 1
    flashed.run(14_000)
    assert flashed.last("report")["echo0"] == ",".join(["0"] * ECHO_COUNT)


def test_every_other_kind_of_part_can_be_fitted(flashed: Flashed) -> None:
    flashed.declared.update(
        echo=(
            {"kind": "serial", "uart": 1, "tx": 4, "rx": 5, "ns_per_mm": 5882},
            {"kind": "pulse", "trigger": 16, "echo": 17},
        ),
        temperature=(
            {"kind": "onewire", "pin": 22, "rom": "28ff641e821603f1"},
            {"kind": "onewire", "pin": 22, "rom": "28ff641e8216035a"},
        ),
        panel=None,
        shunt=None,
        rain=None,
        reference={"pin": 28, "mv": 1650, "tolerance_mv": 60},
    )
    chip = flashed.power()
    chip.adc_counts[28] = lambda: mv_counts(1650)
    chip.uarts[1] = bytearray()

    def send() -> None:
        chip.uarts[1].extend(frame(927))
        chip.after(100_000, send)

    send()
    flashed.start()
    flashed.run(12_000)
    hello, report = flashed.last("hello"), flashed.last("report")
    assert (hello["echo"], hello["temperature"], hello["panel"], hello["rain"]) == ("2", "2", "0", "0")
    assert set(report["echo0"].split(",")) == {"5452"}
    assert all(abs(int(time_us) - 5400) <= 2 for time_us in report["echo1"].split(","))
    assert (report["temp0"], report["temp1"]) == ("-", "1531")
    assert "panel" not in report
    assert "faults" not in report


def test_an_analogue_probe_and_a_soil_probe_share_the_converter(flashed: Flashed) -> None:
    analogue = {"kind": "analogue", "pin": 27, "zero_mv": 500, "uv_per_c": 10_000}
    flashed.declared.update(panel=None, temperature=(analogue,), soil=({"pin": 28},))
    chip = flashed.power()
    chip.adc_counts[27] = lambda: mv_counts(720)
    chip.adc_counts[28] = lambda: mv_counts(1234)
    flashed.start()
    flashed.run(12_000)
    assert abs(int(flashed.last("report")["temp0"]) - 2200) <= 10
    assert abs(int(flashed.last("report")["soil0"]) - 1234) <= 1
    assert flashed.last("hello")["soil"] == "1"


def test_a_reference_that_is_wrong_at_boot_keeps_every_output_shut(flashed: Flashed) -> None:
    flashed.power().adc_counts[4] = lambda: 0
    flashed.start()
    outputs_stay_shut(flashed)
    assert flashed.last("hello")["problem"] == "self-test:_voltage_converter"


def test_what_the_cable_has_no_room_for_is_lost_line_by_line_and_counted(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.usb.host_reads = False
    flashed.hold(0, 1, 40_000)
    assert flashed.hardware._console.lost_bytes > 0
    flashed.usb.host_reads = True
    flashed.run(5000)
    numbers = [seq for _, seq, _ in flashed.lines]
    assert numbers == sorted(set(numbers))


# --- boots ------------------------------------------------------------------------------------------------------------


def test_the_fourth_boot_within_minutes_is_locked_out_and_the_board_remembers(flashed: Flashed) -> None:
    for number in range(4):
        flashed.boot(reset=number > 0)
        flashed.run(1500)
        flashed.say("set", pumps=0, valves=1, lease=5000, report=1000)
        flashed.run(500)
        assert flashed.last("ack").get("refusal", "") == ("board-reboots" if number == 3 else "")
        flashed.hang()


def test_the_boots_are_written_before_the_watchdog_runs(flashed: Flashed) -> None:
    flashed.boot()
    assert list(flashed.folder.glob("record.*"))


def test_a_restart_by_order_is_told_from_a_watchdog_reset_and_does_not_count(flashed: Flashed) -> None:
    for number in range(6):
        flashed.boot(reset=number > 0)
        flashed.run(500)
        assert flashed.last("hello")["cause"] == ("soft" if number else "power")
        assert flashed.last("report").get("faults", "") == ""
        with pytest.raises(Restart):
            restart(False)


def test_a_hello_tells_what_the_board_has_counted_in_its_life_and_why_it_booted_before(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    first = flashed.last("hello")
    assert (first["boots"], first["before"], first["total0"], first["tips"]) == ("1", "unknown", "0", "0")
    flashed.hold(1, 1, 6000)
    flashed.run(8000)
    flashed.hardware.save(SAVE_EVERY_MS)
    pulses = int(flashed.last("report")["flow0"])
    assert pulses > 200
    flashed.hang()
    flashed.boot(reset=True)
    flashed.run(500)
    second = flashed.last("hello")
    assert (second["boots"], second["before"], second["cause"]) == ("2", "power", "watchdog")
    flashed.hold(1, 1, 5000)
    flashed.usb.incoming += encode("who", 1, {"protocol": 1})
    flashed.run(100)
    more = flashed.hardware.flow_pulses(0)
    assert more > 0
    assert abs(int(flashed.last("hello")["total0"]) - pulses - more) <= 10
    flashed.hang()
    flashed.boot(reset=True)
    flashed.run(500)
    assert (flashed.last("hello")["boots"], flashed.last("hello")["before"]) == ("3", "watchdog")
    assert int(flashed.last("hello")["total0"]) == pulses


@pytest.mark.parametrize(
    ("reason", "chip_reset", "cause"),
    [(1, 1 << 8, "power"), (1, 1 << 16, "soft"), (3, 0, "watchdog"), (0, 0, "unknown")],
)
def test_the_chip_says_why_it_booted(flashed: Flashed, reason: int, chip_reset: int, cause: str) -> None:
    chip = flashed.power()
    chip.reset_reason = reason
    chip.registers[0x40064008] = chip_reset
    flashed.start()
    assert flashed.hardware.reset_cause() == cause


def test_the_boot_after_a_restart_for_replacing_the_program_leaves_the_chip_alone(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch
) -> None:
    flashed.boot()
    with pytest.raises(Restart):
        restart(True)
    flashed.power(reset=True)
    really = main.prepare
    monkeypatch.setattr(main, "prepare", lambda _: really(str(flashed.folder)))
    main.run()
    assert flashed.chip is not None
    assert flashed.chip.watchdog_us is None
    assert flashed.chip.on_pins() == set()
    assert all(flashed.chip.pins[gpio].driven == 0 for gpio in OUTPUT_PINS)
    flashed.boot(reset=True)
    assert flashed.chip.watchdog_us is not None


def order_restart(flashed: Flashed, program: int) -> dict[str, str]:
    flashed.say("restart", program=program)
    flashed.run(50)
    return flashed.last("ack")


def test_a_restart_is_answered_and_then_done(flashed: Flashed) -> None:
    flashed.boot()
    flashed.run(500)
    assert "refusal" not in order_restart(flashed, 1)
    with pytest.raises(Restart):
        flashed.run(400)
    flashed.boot(reset=True)
    flashed.run(500)
    assert flashed.last("hello")["cause"] == "soft"


def test_a_restart_without_the_program_is_one_boot_without_it(
    flashed: Flashed, monkeypatch: pytest.MonkeyPatch
) -> None:
    flashed.boot()
    flashed.run(500)
    order_restart(flashed, 0)
    with pytest.raises(Restart):
        flashed.run(400)
    flashed.power(reset=True)
    really = main.prepare
    monkeypatch.setattr(main, "prepare", lambda _: really(str(flashed.folder)))
    main.run()
    assert flashed.chip is not None
    assert flashed.chip.watchdog_us is None


@pytest.mark.parametrize(
    ("program", "refusal"), [(2, "bad-field"), (-1, "bad-field"), (1, "not-shut"), (0, "not-shut")]
)
def test_a_restart_is_refused_while_something_is_on_or_when_it_makes_no_sense(
    flashed: Flashed, program: int, refusal: str
) -> None:
    flashed.boot()
    flashed.run(500)
    flashed.hold(1, 1, 4000)
    assert order_restart(flashed, program)["refusal"] == refusal
    flashed.run(900)
    assert flashed.chip is not None
    assert flashed.chip.on_pins() == {PUMP, SECOND, 6}


# --- latching valves --------------------------------------------------------------------------------------------------


@pytest.fixture
def latching(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Flashed:
    return Flashed(tmp_path, monkeypatch, {"valve": LATCHING})


def pulses(flashed: Flashed) -> list[tuple[int, int]]:
    """When each pulse began, milliseconds, and its pin."""
    assert flashed.chip is not None
    return [(us // 1000, gpio) for us, gpio, level in flashed.chip.levels if level and 6 <= gpio <= 11]


def test_at_boot_every_latching_valve_is_driven_closed_one_after_the_other(latching: Flashed) -> None:
    latching.boot()
    latching.run(2000)
    given = pulses(latching)
    assert [gpio for _, gpio in given] == [7, 9, 11]
    assert all(later[0] - earlier[0] >= 310 for earlier, later in pairwise(given))
    assert latching.chip is not None
    assert latching.chip.on_pins() == set()
    assert "faults" not in latching.last("report")


def test_a_pump_waits_for_the_opening_time_of_a_latching_valve_whose_turn_comes_late(latching: Flashed) -> None:
    latching.boot()
    latching.run(20)
    latching.hold(1, 0b111, 6000)
    opened = [when for when, gpio in pulses(latching) if gpio in (6, 8, 10)]
    assert latching.chip is not None
    started = next(when for when, level in latching.chip.changes(PUMP) if level)
    assert started >= opened[0] + 2000
    assert latching.last("report")["valves"] == "7"
