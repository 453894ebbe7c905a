"""Voltages, temperature probes and the current shunt on the simulated chip: good, dead, stuck, noisy, disconnected."""

from __future__ import annotations

from itertools import cycle
from random import Random

import pytest

from firmware_host.board.analogue import COUNTS, Reference, Voltage, chip_reference, full_scale_mv
from firmware_host.board.shunt import Shunt, bus
from firmware_host.board.thermometer import AnalogueProbe, OneWireBus
from tests.fake_machine.chip import Chip, I2cDevice, OneWireLine, OneWireProbe, mv_counts, power_up
from tests.fake_machine.modules import crc8

BATTERY_FULL_MV = full_scale_mv(100_000, 22_000, 1000)
ROM_A, ROM_B = bytes.fromhex("28ff641e8216035a"), bytes.fromhex("28ff641e821603f1")


@pytest.fixture
def board() -> Chip:
    return power_up()


# --- voltages ---------------------------------------------------------------------------------------------------------


def test_the_upper_end_of_a_divided_input_is_the_supply_times_its_ratio() -> None:
    # 3.3 V x (100 + 22) / 22 = 18.3 V, and 1 % more with a trim of 1010.
    assert BATTERY_FULL_MV == 18_300
    assert full_scale_mv(100_000, 22_000, 1010) == 18_483
    assert full_scale_mv(100_000, 12_000, 1000) == 30_800


@pytest.mark.parametrize("mv", [3000, 10_000, 11_600, 12_840, 14_700, 18_000])
def test_a_battery_reads_right_to_two_millivolts(board: Chip, mv: int) -> None:
    board.adc_counts[26] = lambda: mv_counts(mv, BATTERY_FULL_MV)
    reading = Voltage(26, BATTERY_FULL_MV, 3000).mv()
    assert reading is not None
    assert abs(reading - mv) <= 2


def test_noise_of_one_percent_moves_the_mean_by_less_than_half_a_percent(board: Chip) -> None:
    rng = Random("noise")
    board.adc_counts[26] = lambda: mv_counts(round(12_000 + rng.uniform(-120, 120)), BATTERY_FULL_MV)
    voltage = Voltage(26, BATTERY_FULL_MV, 3000)
    readings = [voltage.mv() for _ in range(200)]
    assert all(reading is not None and abs(reading - 12_000) < 60 for reading in readings)


def test_one_spike_in_sixteen_samples_does_not_show(board: Chip) -> None:
    samples = cycle([mv_counts(12_000, BATTERY_FULL_MV)] * 15 + [COUNTS])
    board.adc_counts[26] = lambda: next(samples)
    reading = Voltage(26, BATTERY_FULL_MV, 3000).mv()
    assert reading is not None
    assert abs(reading - 12_000) <= 2


@pytest.mark.parametrize("counts", [0, 20, 600, COUNTS])
def test_a_battery_wire_that_is_off_or_shorted_is_a_bad_reading_and_no_voltage(board: Chip, counts: int) -> None:
    board.adc_counts[26] = lambda: counts
    assert Voltage(26, BATTERY_FULL_MV, 3000).mv() is None


def test_a_panel_at_night_reads_nothing_and_is_not_bad(board: Chip) -> None:
    board.adc_counts[27] = lambda: 0
    assert Voltage(27, 30_800, 0).mv() == 0


def test_a_measurement_takes_less_than_a_millisecond(board: Chip) -> None:
    Voltage(26, BATTERY_FULL_MV, 3000).mv()
    assert board.now_us < 1000


@pytest.mark.parametrize(
    ("mv", "good"), [(706, True), (600, True), (790, True), (0, False), (3300, False), (400, False)]
)
def test_the_chips_own_sensor_tells_a_stuck_converter(board: Chip, mv: int, good: bool) -> None:
    board.adc_counts[4] = lambda: mv_counts(mv)
    assert chip_reference().good() is good


@pytest.mark.parametrize(("mv", "good"), [(1650, True), (1700, True), (1720, False), (1580, False)])
def test_a_known_voltage_is_looked_for_within_its_tolerance(board: Chip, mv: int, good: bool) -> None:
    board.adc_counts[28] = lambda: mv_counts(mv)
    assert Reference(28, 1590, 1710).good() is good


# --- temperature ------------------------------------------------------------------------------------------------------


def measured(board: Chip, line: OneWireBus, duration_s: int = 35) -> list[int | None]:
    """Let a bus run as the main loop does; no step may take longer than a few milliseconds."""
    for _ in range(duration_s * 100):
        before_us = board.now_us
        line.step(board.now_us // 1000)
        assert board.now_us - before_us <= 7000
        board.spend(10_000)
    return line.centi_c


def test_the_one_wire_checksum_has_its_published_check_value() -> None:
    # CRC-8 of the one-wire bus over "123456789": A1.
    assert crc8(b"123456789") == 0xA1


@pytest.mark.parametrize(
    ("sixteenths", "centi_c"),
    # Register values and temperatures of the common one-wire probe's data sheet, without 85 degrees: it wakes up so.
    [(0x07D0, 12_500), (0x0191, 2506), (0x00A2, 1012), (0x0008, 50), (0, 0), (0xFFF8, -50), (0xFF5E, -1013)],
)
def test_a_probe_gives_hundredths_of_a_degree(board: Chip, sixteenths: int, centi_c: int) -> None:
    board.one_wire[22] = OneWireLine([OneWireProbe(ROM_A, sixteenths)])
    assert measured(board, OneWireBus(22, [None]), 2) == [centi_c]


def test_two_probes_on_a_pin_are_told_apart(board: Chip) -> None:
    board.one_wire[22] = OneWireLine([OneWireProbe(ROM_A, 160), OneWireProbe(ROM_B, 320)])
    assert measured(board, OneWireBus(22, [ROM_B, ROM_A]), 2) == [2000, 1000]


def test_a_probe_that_only_woke_up_reads_nothing_and_not_85_degrees(board: Chip) -> None:
    board.one_wire[22] = OneWireLine([OneWireProbe(ROM_A, 0x0550)])
    assert measured(board, OneWireBus(22, [None])) == [None]


def test_damaged_readings_keep_the_last_good_one_for_a_while_and_are_then_bad(board: Chip) -> None:
    probe = OneWireProbe(ROM_A, 160)
    board.one_wire[22] = OneWireLine([probe])
    line = OneWireBus(22, [None])
    assert measured(board, line, 2) == [1000]
    probe.damage = True
    assert measured(board, line, 15) == [1000]
    assert measured(board, line, 25) == [None]
    probe.damage = False
    assert measured(board, line, 12) == [1000]


@pytest.mark.parametrize("line", [OneWireLine(), OneWireLine(stuck_low=True)], ids=["disconnected", "stuck low"])
def test_a_line_without_a_probe_is_bad_and_not_zero_degrees(board: Chip, line: OneWireLine) -> None:
    board.one_wire[22] = line
    assert measured(board, OneWireBus(22, [None])) == [None]


def test_a_probe_that_goes_between_its_conversion_and_its_reading_is_bad_in_the_end(board: Chip) -> None:
    probe = OneWireProbe(ROM_A, 160)
    line = OneWireLine([probe])
    board.one_wire[22] = line
    wire = OneWireBus(22, [None])
    for _ in range(4):
        line.probes = [probe]
        wire.step(board.now_us // 1000)
        line.probes = []
        board.spend(900_000)
        wire.step(board.now_us // 1000)
        board.spend(11_000_000)
    assert wire.centi_c == [None]


def test_a_probe_taken_off_and_put_back_is_found_again(board: Chip) -> None:
    probe = OneWireProbe(ROM_A, 160)
    board.one_wire[22] = OneWireLine([probe])
    line = OneWireBus(22, [None])
    measured(board, line, 2)
    board.one_wire[22] = OneWireLine()
    assert measured(board, line) == [None]
    board.one_wire[22] = OneWireLine([probe])
    assert measured(board, line, 12) == [1000]


@pytest.mark.parametrize(("mv", "centi_c"), [(750, 2500), (500, 0), (400, -1000), (3290, None), (0, None)])
def test_an_analogue_probe_follows_its_line(board: Chip, mv: int, centi_c: int | None) -> None:
    board.adc_counts[28] = lambda: mv_counts(mv)
    reading = AnalogueProbe(28, 500, 10_000).centi_c()
    if centi_c is None:
        assert reading is None
    else:
        assert reading is not None
        assert abs(reading - centi_c) <= 10


# --- current ----------------------------------------------------------------------------------------------------------


def shunt(ua_per_bit: int = 1000, identity: tuple[int, int] | None = None) -> Shunt:
    return Shunt(bus(0, 20, 21), 0x40, [(5, 0x0200)], 4, ua_per_bit, identity)


@pytest.mark.parametrize(("counts", "ma"), [(350, 350), (0xFFFF - 349, -350), (0, 0), (0x7FFE, 32_766)])
def test_current_is_signed_and_scaled(board: Chip, counts: int, ma: int) -> None:
    board.i2c[0x40] = I2cDevice({4: counts})
    assert shunt().ma(0) == ma
    assert shunt(-2000).ma(0) == -2 * ma
    assert board.i2c[0x40].written[0] == (5, 0x0200)


@pytest.mark.parametrize("counts", [0x7FFF, 0x8000])
def test_a_clipped_current_is_bad(board: Chip, counts: int) -> None:
    board.i2c[0x40] = I2cDevice({4: counts})
    assert shunt().ma(0) is None


def test_a_missing_converter_is_bad_and_is_set_up_again_when_it_comes_back(board: Chip) -> None:
    converter = shunt()
    assert converter.ma(0) is None
    board.i2c[0x40] = I2cDevice({4: 100})
    assert converter.ma(4999) is None
    assert converter.ma(5000) == 100
    board.i2c[0x40].dead = True
    assert converter.ma(6000) is None
    board.i2c[0x40] = I2cDevice({4: 100})
    assert converter.ma(11_000) == 100
    assert board.i2c[0x40].written == [(5, 0x0200)]


def test_another_converter_at_the_address_is_not_believed(board: Chip) -> None:
    board.i2c[0x40] = I2cDevice({4: 100, 0xFE: 0x1234})
    assert shunt(identity=(0xFE, 0x5449)).ma(0) is None
    assert shunt(identity=(0xFE, 0x1234)).ma(0) == 100


def test_a_stuck_bus_costs_at_most_five_milliseconds_every_five_seconds(board: Chip) -> None:
    converter = shunt()
    board.i2c_stuck = True
    for now_ms in range(0, 20_000, 10):
        converter.ma(now_ms)
    assert board.now_us <= 4 * 5000
