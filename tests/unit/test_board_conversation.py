"""Which lines from the host may act, and what the board says."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_host.wire import encode
from tests.board_stand_in import FITTED, BoardRig, FakeHardware

SLACK_MS = 200
"""Valves close so much before their lease ends."""


def test_the_board_introduces_itself_at_boot_with_what_is_fitted() -> None:
    hello = BoardRig().last("hello")
    assert hello["boot"] == "0000b001"
    assert (hello["protocol"], hello["cause"], hello["heard"]) == ("1", "power", "-1")
    assert (hello["pump"], hello["valve"], hello["float"]) == ("1", "3", "1")


def test_who_is_answered_at_any_sequence_number_but_not_as_fast_as_it_comes() -> None:
    rig = BoardRig()
    rig.run(1000)
    rig.lines.clear()
    for _ in range(10):
        rig.send(encode("who", 0, {"protocol": 1}))
    assert [kind for kind, _, _ in rig.lines] == ["hello"]
    rig.run(400)
    rig.send(encode("who", 0, {"protocol": 1}))
    assert [kind for kind, _, _ in rig.lines].count("hello") == 2


def test_now_brings_a_report_at_once() -> None:
    rig = BoardRig()
    rig.run(1000)
    lines = rig.send(rig.command("now"))
    assert [(kind, fields["ack"]) for kind, _, fields in lines] == [("report", str(rig.seq))]


def test_a_command_that_changes_something_is_answered_and_its_repetition_dropped() -> None:
    rig = BoardRig()
    line = rig.set_line(0, 1)
    assert [kind for kind, _, _ in rig.send(line)] == ["ack", "report"]
    assert rig.send(line) == []
    assert rig.board.talk.dropped == 1


def test_a_repeated_line_does_not_extend_the_lease() -> None:
    rig = BoardRig()
    line = rig.set_line(0, 1)
    rig.send(line)
    for _ in range(30):
        rig.run(200)
        rig.send(line)
    assert rig.safe


def test_a_line_overtaken_by_a_newer_one_never_acts() -> None:
    rig = BoardRig()
    opening, shutting = rig.set_line(0, 1), rig.set_line(0, 0)
    rig.send(shutting)
    rig.send(opening)
    assert rig.safe
    assert rig.board.talk.dropped == 1


@pytest.mark.parametrize("delay_ms", [2501, 5001, 60_000])
def test_a_line_older_than_two_and_a_half_seconds_never_acts_and_the_answer_says_why(delay_ms: int) -> None:
    rig = BoardRig()
    late = rig.set_line(0, 1)
    rig.run(delay_ms, 500)
    rig.send(late)
    assert rig.last("ack")["refusal"] == "stale"
    assert rig.safe


@pytest.mark.parametrize("delay_ms", [500, 2000, 2500])
def test_a_delayed_line_acts_only_for_what_is_left_of_its_lease(delay_ms: int) -> None:
    rig = BoardRig()
    delayed = rig.set_line(0, 1)
    rig.run(delay_ms, 100)
    rig.send(delayed)
    assert rig.hw.valves == {0}
    assert rig.time_to_safe_ms(renew=False) == 5000 - SLACK_MS - delay_ms


def test_a_line_from_the_future_is_refused() -> None:
    rig = BoardRig()
    rig.send(rig.set_line(0, 1, at=10_000))
    assert rig.last("ack")["refusal"] == "ahead"
    assert rig.safe


def test_a_line_addressed_to_the_boot_before_is_refused() -> None:
    rig = BoardRig()
    rig.send(rig.set_line(0, 1, boot="0000b000"))
    assert rig.last("ack")["refusal"] == "other-boot"
    assert rig.safe


def test_a_line_that_names_no_boot_is_refused() -> None:
    rig = BoardRig()
    rig.send(encode("set", 1, {"at": 0, "pumps": 0, "valves": 1, "lease": 5000, "report": 1000}))
    assert rig.last("ack")["refusal"] == "other-boot"
    assert rig.safe


def test_a_refused_old_line_leaves_what_runs_alone() -> None:
    rig = BoardRig()
    rig.start()
    rig.send(rig.set_line(0, 0, boot="0000b000"))
    rig.run(100)
    assert rig.hw.pumps == {0}


def test_an_unknown_kind_is_dropped() -> None:
    rig = BoardRig()
    assert rig.send(rig.command("reboot")) == []
    assert rig.board.talk.dropped == 1


def test_reports_come_at_the_interval_the_host_asked_for_and_the_board_sleeps_between() -> None:
    rig = BoardRig()
    rig.set(0, 0, report=60_000)
    rig.lines.clear()
    ticks = 0
    while rig.hw.now_ms < 600_000:
        rig.hw.advance_to(rig.next_ms)
        rig.next_ms = rig.board.tick()
        ticks += 1
    rig.collect()
    times = [int(fields["up"]) for kind, _, fields in rig.lines if kind == "report"]
    assert [later - earlier for earlier, later in pairwise(times)] == [60_000] * (len(times) - 1)
    assert ticks <= 12


def test_while_an_output_is_on_the_board_never_sleeps_longer_than_a_second() -> None:
    rig = BoardRig()
    rig.set(0, 1, report=60_000)
    assert rig.next_ms - rig.hw.now_ms <= 1000


def test_a_report_holds_raw_values_and_a_dash_for_a_bad_reading() -> None:
    rig = BoardRig()
    rig.hw.temperature = None
    rig.hw.battery = None
    rig.send(rig.command("now"))
    report = rig.last("report")
    assert report["echo0"] == "5400,5401,0,5402,5399"
    assert (report["temp0"], report["battery"], report["panel"]) == ("-", "-", "18200")
    assert (report["current"], report["flow0"], report["rain"], report["wet0"]) == ("-350", "0", "12", "1")


def test_a_part_that_is_not_fitted_is_missing_from_the_report() -> None:
    rig = BoardRig(fitted={**dict.fromkeys(FITTED, 0), "valve": 1})
    assert set(rig.last("report")) == {"boot", "up", "battery", "pumps", "valves", "ack", "lease"}


def test_a_burst_that_never_ends_delays_the_report_by_a_second_and_a_half_at_most() -> None:
    rig = BoardRig()
    rig.set(0, 0, report=1000)
    rig.run(2000)
    rig.hw.burst = None
    rig.lines.clear()
    rig.run(4000)
    reports = [fields for kind, _, fields in rig.lines if kind == "report"]
    assert reports
    assert all(report["echo0"] == "-" for report in reports)
    assert rig.hw.feeds > 100


def test_an_output_that_moves_is_reported_at_once() -> None:
    rig = BoardRig()
    rig.set(1, 1, report=60_000)
    assert rig.last("report")["valves"] == "1"
    rig.run(2000)
    assert (rig.last("report")["up"], rig.last("report")["pumps"]) == ("2000", "1")


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=200), max_size=10))
def test_no_noise_from_the_host_raises_or_moves_an_output(noise: list[bytes]) -> None:
    rig = BoardRig()
    rig.hw.history.clear()
    for data in noise:
        rig.send(data + b"\n")
        rig.run(100, 50)
    assert rig.hw.history == []


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_damaged_opening_command_moves_an_output(data: st.DataObject) -> None:
    rig = BoardRig()
    rig.hw.history.clear()
    line = bytearray(rig.set_line(1, 1))
    for place in data.draw(st.lists(st.integers(0, len(line) - 2), min_size=1, max_size=4, unique=True)):
        line[place] ^= data.draw(st.integers(1, 255))
    rig.send(bytes(line))
    rig.run(3000, 500)
    assert rig.hw.history == []


@settings(max_examples=200, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["boot", "at", "pumps", "valves", "lease", "report", "low_mv", "opening_ms", "x"]),
        st.one_of(st.integers(-5, 70_000).map(str), st.sampled_from(["nan", "inf", "1.5", "0000b001", "-", "1e3"])),
    )
)
def test_no_well_formed_command_with_odd_fields_raises_or_starts_a_pump_at_once(odd: dict[str, str]) -> None:
    rig = BoardRig()
    rig.send(encode("set", 1, odd))
    rig.run(1900, 100)
    assert not rig.hw.pumps
    assert rig.time_to_safe_ms(renew=False) <= 5000


def test_a_megabyte_of_noise_is_worked_off_in_well_under_a_second_and_the_next_command_acts() -> None:
    rig = BoardRig()
    rig.send(b"\xff" * 1_000_000)
    rig.send(b"\n" + rig.set_line(0, 1))
    assert rig.hw.valves == {0}


def test_fakes_offer_everything_the_board_uses() -> None:
    assert set(FakeHardware().fitted()) == set(FITTED)
