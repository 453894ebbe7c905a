"""The real board logic over the plant: pins move water, power and resets do what they do on a bench."""

from __future__ import annotations

from dataclasses import replace

import pytest

from firmware_host.board.sampling import ECHO_COUNT
from firmware_host.wire import Decoder, encode
from simulator.board import WATCHDOG_MS, PlantHardware, VirtualBoard, board_settings
from tests.unit.plant_site import SITE, START_WALL_MS, quiet_plant, steady_weather

Line = tuple[str, int, dict[str, str]]


def board(seed: int = 1, **options: object) -> VirtualBoard:
    made = VirtualBoard(SITE, steady_weather(), seed, START_WALL_MS, **options)  # type: ignore[arg-type]
    made.run_until(0)
    return made


def heard(subject: VirtualBoard) -> list[Line]:
    return Decoder().feed(subject.host_read())


class Host:
    """As much of a host as a lease needs: asks for outputs, numbered and dated."""

    def __init__(self, subject: VirtualBoard) -> None:
        self._subject = subject
        self._seq = 0

    def ask(self, pumps: int, valves: int, lease_ms: int = 5000) -> None:
        self._seq += 1
        hardware = self._subject.hardware
        fields: dict[str, str | int] = {
            "boot": hardware.boot_id(),
            "at": hardware.uptime_ms(),
            "pumps": pumps,
            "valves": valves,
            "lease": lease_ms,
            "report": 1000,
        }
        self._subject.host_write(encode("set", self._seq, fields))

    def keep_asking(self, pumps: int, valves: int, seconds: int) -> None:
        for _ in range(seconds):
            self.ask(pumps, valves)
            self._subject.run_until(self._subject.now_ms + 1000)


def test_at_boot_the_board_introduces_itself_and_reports_what_it_senses() -> None:
    (hello, report) = heard(board())
    assert hello[0] == "hello"
    assert hello[2]["valve"] == "3"
    assert report[0] == "report"
    assert len(report[2]["echo0"].split(",")) == ECHO_COUNT
    assert 12_000 < int(report[2]["battery"]) < 13_500


def test_leased_outputs_move_water_and_the_meter_counts_it() -> None:
    subject = board()
    Host(subject).keep_asking(1, 0b010, 60)
    truth = subject.plant.truth
    assert truth.zone("row").applied_l == pytest.approx(truth.drawn_l)
    assert truth.drawn_l > 1.0
    assert int(heard(subject)[-1][2]["flow0"]) == pytest.approx(450.0 * truth.drawn_l, rel=0.1)
    assert truth.pump(0).dead_head_ms == 0


def test_a_silent_host_loses_its_outputs_within_five_seconds() -> None:
    subject = board()
    Host(subject).keep_asking(1, 0b001, 10)
    assert subject.hardware.output_masks() == (1, 1)
    subject.run_until(subject.now_ms + 5000)
    assert subject.hardware.output_masks() == (0, 0)
    assert not subject.plant.truth.pump(0).running


def test_cutting_the_power_shuts_everything_at_once_and_silences_the_board() -> None:
    subject = board()
    Host(subject).keep_asking(1, 0b001, 10)
    subject.power_cut()
    assert not subject.plant.truth.pump(0).running
    subject.host_write(b"anything")
    subject.run_until(subject.now_ms + 600_000)
    assert heard(subject) == []
    assert not subject.plant.truth.valve_open(0)


def test_a_new_boot_has_a_new_id_and_counts_from_nothing() -> None:
    subject = board()
    Host(subject).keep_asking(1, 0b001, 60)
    before = subject.hardware.boot_id()
    subject.power_cut()
    subject.host_read()
    subject.run_until(subject.now_ms + 5000)
    subject.power_restore()
    subject.run_until(subject.now_ms)
    hello, report = heard(subject)
    assert hello[2]["boot"] != before
    assert hello[2]["cause"] == "power"
    assert report[2]["flow0"] == "0"
    assert report[2]["up"] == "0"


def test_a_new_boot_knows_what_the_board_has_counted_in_its_life() -> None:
    subject = board()
    Host(subject).keep_asking(1, 1, 30)
    pulses = subject.hardware.flow_pulses(0)
    assert pulses > 0
    subject.run_until(subject.now_ms + 10_000)
    pulses = subject.hardware.flow_pulses(0)
    subject.host_read()
    subject.reboot("watchdog")
    subject.run_until(subject.now_ms)
    told = heard(subject)[0][2]
    assert (told["boots"], told["before"], told["total0"]) == ("2", "power", str(pulses))


def test_a_board_that_loses_its_power_again_and_again_is_locked_out_for_half_an_hour() -> None:
    subject = board()
    for _ in range(3):
        subject.run_until(subject.now_ms + 60_000)
        subject.power_cut()
        subject.power_restore()
    subject.run_until(subject.now_ms)
    assert heard(subject)[-1][2]["faults"] == "board-reboots"
    host = Host(subject)
    host.keep_asking(1, 0b001, 10)
    assert subject.hardware.output_masks() == (0, 0)
    subject.run_until(subject.now_ms + 1_800_000)
    host.keep_asking(1, 0b001, 10)
    assert subject.hardware.output_masks() == (1, 1)


def test_a_hung_board_is_reset_by_its_watchdog_with_outputs_off() -> None:
    subject = board()
    Host(subject).keep_asking(1, 0b001, 10)
    subject.host_read()
    subject.hang()
    subject.run_until(subject.now_ms + WATCHDOG_MS)
    assert subject.hardware.output_masks() == (0, 0)
    assert heard(subject)[0][2]["cause"] == "watchdog"


def test_a_hung_board_hears_nothing() -> None:
    subject = board()
    subject.hang()
    Host(subject).ask(1, 1)
    subject.run_until(subject.now_ms + WATCHDOG_MS - 1)
    assert subject.hardware.output_masks() == (0, 0)


def test_an_empty_battery_takes_the_board_down_until_the_sun_has_charged_it() -> None:
    subject = VirtualBoard(SITE, steady_weather(sun_w_m2=400.0), 1, START_WALL_MS)
    subject.plant.faults.panel_shaded = 1.0
    subject.plant.bank.charge_ah = 0.01
    subject.plant.refresh()
    subject.run_until(3_600_000)
    assert not subject.hardware.powered
    subject.host_read()
    subject.plant.faults.panel_shaded = 0.0
    subject.plant.refresh()
    subject.run_until(subject.now_ms + 24 * 3_600_000)
    assert subject.hardware.powered
    assert heard(subject)[0][2]["cause"] == "brownout"


def test_a_burst_takes_its_time_when_pings_do() -> None:
    hardware = PlantHardware(quiet_plant(), 1, ping_gap_ms=60)
    assert hardware.echo_burst_us(0, 7) is None
    hardware.plant.advance(419)
    assert hardware.echo_burst_us(0, 7) is None
    hardware.plant.advance(420)
    burst = hardware.echo_burst_us(0, 7)
    assert burst is not None
    assert len(burst) == 7


def test_what_does_not_fit_the_boards_buffers_is_lost() -> None:
    hardware = PlantHardware(quiet_plant(), 1)
    hardware.host_write(b"x" * 100_000)
    assert sum(map(len, iter(hardware.read, b""))) == 16_384
    for _ in range(1000):
        hardware.write(b"y" * 100)
    assert len(hardware.host_read()) == 16_300


def test_gaps_in_the_numbering_are_pins_with_nothing_on_them() -> None:
    moved = replace(SITE.zones[0], valve=replace(SITE.zones[0].valve, output=5))
    plant = quiet_plant(site=replace(SITE, zones=(moved, *SITE.zones[1:])))
    hardware = PlantHardware(plant, 1)
    assert hardware.fitted()["valve"] == 6
    hardware.set_valve(4, True)
    assert hardware.valve_open(4)
    plant.advance(10_000)
    assert plant.truth.valves_open == ()


def test_the_boards_settings_follow_the_site() -> None:
    settings = board_settings(SITE)
    assert settings == {
        "opening_ms": 5000,
        "low_mv": 11_800,
        "floor_mv": 11_200,
        "flow_of_pump": [0],
        "float_of_pump": [0],
        "valves_of_pump": [0b111],
    }


def test_unmetered_pumps_and_tanks_without_a_float_are_said_to_be_so() -> None:
    bare = replace(
        SITE,
        pumps=(replace(SITE.pumps[0], flow_meter=None),),
        tanks=(replace(SITE.tanks[0], float_switch_channel=None),),
    )
    settings = board_settings(bare)
    assert (settings["flow_of_pump"], settings["float_of_pump"]) == ([-1], [-1])
    assert PlantHardware(quiet_plant(site=bare), 1).fitted()["flow"] == 0


def test_the_same_seed_says_the_same_bytes() -> None:
    def day(seed: int) -> bytes:
        subject = board(seed)
        subject.run_until(86_400_000)
        return subject.host_read()

    assert day(3) == day(3)
    assert day(3) != day(4)
