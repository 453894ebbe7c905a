"""Which words a report holds, and how long it waits for echoes."""

from __future__ import annotations

import pytest

from tests.board_stand_in import FITTED, BoardRig, FakeHardware


class SilentRanger(FakeHardware):
    """Its bursts never end before `silent_until_ms`."""

    silent_until_ms = 1 << 40

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:
        return super().echo_burst_us(channel, count) if self.now_ms >= self.silent_until_ms else None


class SoilProbes(FakeHardware):
    def soil_mv(self, channel: int) -> int | None:
        return (1480, None)[channel]


def reports(rig: BoardRig) -> list[tuple[str, str]]:
    """Uptime and echoes of each report."""
    return [(fields["up"], fields["echo0"]) for kind, _, fields in rig.lines if kind == "report"]


def test_a_report_waits_for_echoes_that_do_not_come_for_a_second_and_a_half_each_time() -> None:
    rig = BoardRig(hardware_class=SilentRanger)
    rig.set(0, 0, report=60_000)
    rig.run(130_000)
    assert reports(rig) == [("1500", "-"), ("63000", "-"), ("124500", "-")]


@pytest.mark.parametrize("silent_ms", [20, 1000, 1480])
def test_a_report_goes_out_as_soon_as_its_echoes_are_there(silent_ms: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SilentRanger, "silent_until_ms", silent_ms)
    rig = BoardRig(hardware_class=SilentRanger)
    rig.run(1600)
    assert reports(rig) == [(str(silent_ms), "5400,5401,0,5402,5399")]


def test_while_echoes_are_out_the_board_asks_to_be_woken_every_20_ms() -> None:
    rig = BoardRig(hardware_class=SilentRanger)
    for now_ms in range(0, 1480, 20):
        assert rig.next_ms == now_ms + 20
        rig.run(20)


def test_echoes_are_told_once_and_asked_for_anew_for_the_next_report() -> None:
    rig = BoardRig()
    rig.hw.burst = [6000] * 5
    rig.send(rig.command("now"))
    assert reports(rig)[-1][1] == "6000,6000,6000,6000,6000"


@pytest.mark.parametrize(
    ("burst", "word"),
    [
        ([5400, 0, 5401], "5400,0,5401"),
        ([5400], "5400"),
        ([], "-"),
        ([1, 2, 3, 4, 5], "1,2,3,4,5"),
        ([1, 2, 3, 4, 5, 6, 7], "1,2,3,4,5"),
    ],
)
def test_a_burst_is_told_echo_by_echo_and_five_are_asked_for(burst: list[int], word: str) -> None:
    rig = BoardRig()
    rig.hw.burst = burst
    rig.send(rig.command("now"))
    assert rig.last("report")["echo0"] == word


class TwoThermometers(FakeHardware):
    def temperature_centi_c(self, channel: int) -> int | None:
        return (1534, -250)[channel]


def test_each_thermometer_is_told_by_its_own_number() -> None:
    report = BoardRig(fitted={**FITTED, "temperature": 2}, hardware_class=TwoThermometers).last("report")
    assert (report["temp0"], report["temp1"]) == ("1534", "-250")


@pytest.mark.parametrize(("wet", "word"), [(True, "1"), (False, "0")])
def test_a_report_says_what_the_float_switch_says(wet: bool, word: str) -> None:
    rig = BoardRig()
    rig.hw.wet = wet
    rig.send(rig.command("now"))
    assert rig.last("report")["wet0"] == word


def test_a_report_holds_a_word_for_each_soil_probe_and_a_dash_for_a_bad_one() -> None:
    report = BoardRig(fitted={**FITTED, "soil": 2}, hardware_class=SoilProbes).last("report")
    assert (report["soil0"], report["soil1"]) == ("1480", "-")
    assert "soil0" not in BoardRig().last("report")
