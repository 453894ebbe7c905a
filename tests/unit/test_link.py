"""The host's end of the cable: what it believes, what it sends, and when it stops."""

from __future__ import annotations

from itertools import product
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_host.board.limits import SETTINGS
from firmware_host.board_lines import parse_board_line
from firmware_host.link import (
    TRANSITIONS,
    BoardLimits,
    CommandUnanswered,
    Damaged,
    Event,
    Happening,
    Link,
    LinkDown,
    LinkUp,
    Received,
    State,
)
from firmware_host.messages import SHUT, Ack, Hello, Outputs, Report
from firmware_host.wire import Decoder, frame

BOOT = "0000b001"
OTHER = "0000b002"
ON = Outputs(pumps=1, valves=1)


def hello(seq: int = 0, boot: str = BOOT, up: int = 0, heard: int = -1, who: int = 0, **changed: str | int) -> bytes:
    fields: dict[str, str | int] = {
        "board": "e6614c311b", "protocol": 1, "firmware": "1.0", "cause": "power", "who": who, "heard": heard,
        "echo": 1, "float": 1, "flow": 1, "panel": 1, "pump": 1, "rain": 1, "shunt": 1, "temperature": 1, "valve": 3,
    }  # fmt: skip
    fields.update(changed)
    words = "".join(f" {key}={value}" for key, value in fields.items())
    return frame(f"hello {seq} boot={boot} up={up}{words}")


def report(seq: int, up: int, ack: int = -1, boot: str = BOOT, extra: str = "") -> bytes:
    return frame(f"report {seq} boot={boot} up={up} battery=12800 pumps=0 valves=0 ack={ack} lease=0{extra}")


def ack(seq: int, up: int, answered: int, refusal: str = "", boot: str = BOOT) -> bytes:
    return frame(f"ack {seq} boot={boot} up={up} ack={answered}" + (f" refusal={refusal}" if refusal else ""))


def sent(data: bytes) -> list[tuple[str, int, dict[str, str]]]:
    return Decoder().feed(data)


def asking(board_id: str | None = None) -> Link:
    """A link that has asked its first question, number 0."""
    link = Link(board_id=board_id)
    link.connected(0)
    assert sent(link.tick(0)) == [("who", 0, {"protocol": "1"})]
    return link


class Talk:
    """A link that came up at 0 ms; the board's uptime equals the host's time."""

    def __init__(self, limits: BoardLimits | None = None) -> None:
        self.link = Link(limits)
        self.link.connected(0)
        self.link.tick(0)
        self.board_seq = 0
        self.events = self.link.receive(hello(), 0)
        ((self.kind, self.seq, self.fields),) = sent(self.link.tick(0))
        self.link.receive(ack(self.next(), 0, self.seq), 0)

    def next(self) -> int:
        self.board_seq += 1
        return self.board_seq

    def report(self, mono_ms: int, acked: int | None = None, extra: str = "") -> list[Event]:
        return self.link.receive(
            report(self.next(), mono_ms, self.seq if acked is None else acked, extra=extra), mono_ms
        )

    def tick(self, mono_ms: int) -> list[tuple[str, int, dict[str, str]]]:
        lines = sent(self.link.tick(mono_ms))
        if lines:
            self.kind, self.seq, self.fields = lines[-1]
        return lines


# --- introductions ----------------------------------------------------------------------------------------------------


def test_an_open_port_is_asked_who_is_there_with_growing_pauses() -> None:
    link = Link()
    assert link.tick(0) == b""
    link.connected(0)
    asked = [mono for mono in range(0, 10_001, 100) if [k for k, _, _ in sent(link.tick(mono))] == ["who"]]
    assert asked == [0, 500, 1500, 3500, 5500, 7500, 9500]


def test_a_hello_brings_the_link_up_and_the_first_command_shuts() -> None:
    talk = Talk(BoardLimits(low_mv=11_800, opening_ms=4000))
    up, received = talk.events
    assert up == LinkUp("e6614c311b", BOOT, "1.0")
    assert isinstance(received, Received)
    assert isinstance(received.message, Hello)
    assert talk.link.state == "up"
    assert (talk.fields["pumps"], talk.fields["valves"], talk.fields["boot"]) == ("0", "0", BOOT)
    assert (talk.fields["low_mv"], talk.fields["opening_ms"]) == ("11800", "4000")


@pytest.mark.parametrize("problem", ["SETTINGS:_opening_ms", "pin_7_is_used_twice", "1_000+1"])
def test_a_board_that_tells_of_a_problem_is_introduced_like_any_other(problem: str) -> None:
    link = asking()
    assert any(isinstance(event, LinkUp) for event in link.receive(hello(problem=problem), 10))
    assert link.state == "up"


def test_commands_continue_well_above_the_numbers_the_board_has_heard() -> None:
    link = asking()
    link.receive(hello(heard=5000), 0)
    ((_, seq, _),) = sent(link.tick(0))
    assert seq > 5100


def test_another_protocol_is_refused_with_both_versions_and_the_cure_and_never_commanded() -> None:
    link = asking()
    (down,) = link.receive(hello(protocol=2), 0)
    assert isinstance(down, LinkDown)
    assert link.state == "refused"
    for word in ("protocol 2", "protocol 1", "update this program"):
        assert word in down.reason
    link.want(ON, 1000, 100)
    assert not link.clear_fault("board-no-flow")
    kinds = {kind for mono in range(0, 20_000, 100) for kind, _, _ in sent(link.tick(mono))}
    assert kinds == {"who"}
    assert link.receive(report(1, 100), 100) == []


def test_a_newer_board_whose_hello_cannot_be_read_is_still_told_by_its_version() -> None:
    link = asking()
    (down,) = link.receive(frame("hello 0 protocol=9 firmware=4.0 shape=unknown"), 0)
    assert isinstance(down, LinkDown)
    assert "protocol 9" in down.reason
    assert link.receive(frame("hello 1 protocol=9 firmware=4.0 shape=unknown"), 10) == []


def test_an_older_board_is_told_to_be_updated() -> None:
    link = asking()
    link.receive(hello(protocol=0), 0)
    assert "update the board's firmware" in link.reason


def test_a_refused_board_that_comes_back_updated_is_accepted() -> None:
    link = asking()
    link.receive(hello(protocol=0), 0)
    ((_, who, _),) = sent(link.tick(9000))
    events = link.receive(hello(boot=OTHER, who=who), 9000)
    assert any(isinstance(event, LinkUp) for event in events)
    assert link.reason == ""


def test_a_board_other_than_the_expected_one_is_refused() -> None:
    link = asking("aaaaaaaa")
    (down,) = link.receive(hello(), 0)
    assert isinstance(down, LinkDown)
    assert "e6614c311b" in down.reason
    assert "aaaaaaaa" in down.reason


# --- renewing ---------------------------------------------------------------------------------------------------------


def test_a_change_is_sent_at_once_and_renewed_each_second() -> None:
    talk = Talk()
    times = []
    for mono in range(1000, 6000, 100):
        talk.link.want(ON, 1000, mono)
        for kind, _, fields in talk.tick(mono):
            assert (kind, fields["pumps"], fields["valves"], fields["lease"]) == ("set", "1", "1", "5000")
            times.append(mono)
        talk.report(mono)
    assert times == [1000, 2000, 3000, 4000, 5000]


def test_nothing_is_sent_while_everything_is_shut_and_answered() -> None:
    talk = Talk()
    assert [talk.tick(mono) for mono in range(100, 140_000, 1000)] == [[]] * 140


def test_a_core_that_falls_silent_has_its_renewals_stopped_after_three_seconds() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    times = []
    for mono in range(1000, 20_000, 100):
        times += [mono for _ in talk.tick(mono)]
        talk.report(mono)
    assert times == [1000, 2000, 3000]


def test_a_core_that_speaks_again_is_obeyed_again() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    for mono in range(1000, 8000, 100):
        talk.tick(mono)
        talk.report(mono)
    talk.link.want(ON, 1000, 8000)
    assert any(talk.tick(mono) for mono in range(8000, 9100, 100))


def test_while_an_output_is_on_reports_are_asked_for_each_second_however_slow_the_core_wants_them() -> None:
    talk = Talk()
    talk.link.want(ON, 60_000, 1000)
    talk.tick(1000)
    assert talk.fields["report"] == "1000"
    talk.link.want(SHUT, 60_000, 1500)
    talk.tick(1500)
    assert talk.fields["report"] == "60000"


def test_limits_are_sent_until_the_board_has_answered_them() -> None:
    talk = Talk.__new__(Talk)
    talk.link = Link(BoardLimits(floor_mv=10_500))
    talk.link.connected(0)
    talk.tick(0)
    talk.link.receive(hello(), 0)
    talk.board_seq = 0
    (first,) = talk.tick(0)
    (again,) = talk.tick(1000)
    assert first[2]["floor_mv"] == again[2]["floor_mv"] == "10500"
    talk.link.receive(ack(1, 1000, talk.seq), 1000)
    talk.link.want(ON, 1000, 1100)
    ((_, _, later),) = talk.tick(1100)
    assert "floor_mv" not in later


def test_limits_have_the_names_the_board_knows() -> None:
    names = set(BoardLimits.__dataclass_fields__)
    assert names == {name for name, _, _, _ in SETTINGS}


# --- silence and deafness ---------------------------------------------------------------------------------------------


def test_three_seconds_of_silence_lose_the_link_while_an_output_is_on() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    talk.tick(1000)
    talk.report(1000)
    assert talk.link.receive(b"", 3900) == []
    (down,) = talk.link.receive(b"", 4000)
    assert isinstance(down, LinkDown)
    assert "3.0 s" in down.reason
    assert talk.link.state == "asking"
    assert [kind for kind, _, _ in talk.tick(4000)] == ["who"]


def test_while_idle_silence_is_judged_by_the_report_interval() -> None:
    talk = Talk()
    talk.report(60_000)
    assert talk.link.receive(b"", 60_000 + 149_000) == []
    (down,) = talk.link.receive(b"", 60_000 + 150_000)
    assert isinstance(down, LinkDown)


def test_switching_on_after_a_long_quiet_time_is_not_mistaken_for_silence() -> None:
    talk = Talk()
    talk.report(60_000)
    talk.link.want(ON, 1000, 110_000)
    talk.tick(110_000)
    assert talk.link.receive(b"", 110_000) == []
    assert talk.link.receive(b"", 111_900) == []


def test_after_a_loss_the_link_never_switches_on_again_by_itself() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    talk.tick(1000)
    talk.link.receive(b"", 5000)
    talk.tick(6000)
    talk.link.receive(hello(seq=10, up=6000, who=talk.seq), 6000)
    assert talk.link.state == "up"
    ((_, _, fields),) = talk.tick(6000)
    assert (fields["pumps"], fields["valves"]) == ("0", "0")


def test_a_board_that_is_heard_but_does_not_answer_is_reported_within_two_seconds_then_given_up() -> None:
    talk = Talk()
    answered = talk.seq
    talk.link.want(ON, 1000, 1000)
    events: list[tuple[int, Event]] = []
    for mono in range(1000, 8000, 100):
        talk.link.want(ON, 1000, mono)
        talk.tick(mono)
        happened = talk.report(mono, acked=answered) if mono % 1000 == 500 else talk.link.receive(b"", mono)
        events += [(mono, event) for event in happened if not isinstance(event, Received)]
    (unanswered_ms, unanswered), (down_ms, down) = events
    assert (unanswered_ms, unanswered) == (3000, CommandUnanswered("set", 2000))
    assert down_ms == 6000
    assert isinstance(down, LinkDown)
    assert "not answered" in down.reason


def test_a_lost_shutting_command_is_sent_again_until_answered() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    talk.tick(1000)
    talk.report(1100)
    talk.link.want(SHUT, 60_000, 1200)
    assert len(talk.tick(1200)) == 1
    assert len(talk.tick(2200)) == 1
    talk.link.receive(ack(talk.next(), 2300, talk.seq), 2300)
    assert [talk.tick(mono) for mono in range(2400, 9000, 200)] == [[]] * 33


def test_a_command_too_old_for_the_board_is_sent_again_at_once_with_its_true_uptime() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 200_000)
    talk.link.receive(report(talk.next(), 100_000), 100_000)
    talk.tick(200_000)
    assert int(talk.fields["at"]) == 195_000
    assert talk.link.receive(ack(talk.next(), 200_050, talk.seq, "stale"), 200_050) == []
    talk.link.want(ON, 1000, 200_060)
    assert len(talk.tick(200_060)) == 1
    assert int(talk.fields["at"]) >= 200_050
    assert talk.link.line_counts()["stale_commands"] == 1


def test_the_first_lease_after_a_long_quiet_time_is_renewed_as_soon_as_the_answer_tells_the_true_uptime() -> None:
    talk = Talk()
    talk.report(10_000)
    talk.link.want(ON, 1000, 40_000)
    talk.tick(40_000)
    assert int(talk.fields["at"]) == 38_500
    talk.link.receive(ack(talk.next(), 40_020, talk.seq), 40_040)
    ((_, _, renewal),) = talk.tick(40_040)
    assert int(renewal["at"]) == 40_020


def test_a_report_that_was_long_on_its_way_does_not_spoil_the_believed_uptime() -> None:
    talk = Talk()
    talk.report(1000)
    talk.link.receive(report(talk.next(), 1500, talk.seq), 4000)
    talk.link.want(ON, 1000, 4000)
    talk.tick(4000)
    assert int(talk.fields["at"]) == 1000 + 3000 * 95 // 100


def test_a_board_that_calls_everything_stale_is_reported_in_the_end() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    answers: list[Event] = []
    for step in range(6):
        mono = 1000 + 50 * step
        talk.tick(mono)
        answers += talk.link.receive(ack(talk.next(), mono, talk.seq, "stale"), mono)
    assert any(isinstance(a, Received) and isinstance(a.message, Ack) and a.message.refusal == "stale" for a in answers)


@given(st.lists(st.tuples(st.integers(0, 90_000), st.integers(0, 4000)), min_size=1, max_size=20), st.integers(-45, 45))
def test_the_believed_uptime_is_never_above_the_true_one(pauses: list[tuple[int, int]], drift_per_mille: int) -> None:
    talk = Talk()
    true_ms, mono_ms = 0.0, 0
    for pause_ms, delay_ms in pauses:
        mono_ms += pause_ms
        true_ms += pause_ms * (1000 + drift_per_mille) / 1000
        wrote = int(true_ms)
        mono_ms += delay_ms
        true_ms += delay_ms * (1000 + drift_per_mille) / 1000
        talk.link.receive(report(talk.next(), wrote, talk.seq), mono_ms)
        assert talk.link._uptime_ms(mono_ms) <= true_ms


# --- damage -----------------------------------------------------------------------------------------------------------


def damaged(line: bytes) -> bytes:
    return line.replace(b"battery=12800", b"battery=12900")


def test_damaged_lines_are_told_of_together_ten_seconds_after_the_first() -> None:
    talk = Talk()
    for second in range(1, 10):
        assert talk.link.receive(damaged(report(talk.next(), 1000 * second, talk.seq)), 1000 * second) == []
        assert not any(isinstance(event, Damaged) for event in talk.report(1000 * second + 100))
    assert talk.link.receive(b"", 11_000) == [Damaged(9)]
    assert talk.link.receive(b"", 30_000) == []


def test_a_caller_in_virtual_time_is_called_when_damage_is_to_be_told() -> None:
    talk = Talk()
    talk.tick(1000)
    talk.link.receive(damaged(report(talk.next(), 1000, talk.seq)), 1000)
    assert talk.link.due_ms() == 11_000
    assert talk.link.receive(b"", talk.link.due_ms()) == [Damaged(1)]
    assert talk.link.due_ms() > 11_000


def test_what_was_damaged_before_the_board_fell_silent_is_told() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    talk.tick(1000)
    for second in range(1, 6):
        talk.link.receive(damaged(report(talk.next(), 1000 * second, talk.seq)), 1000 * second)
    assert talk.link.state == "asking"
    assert talk.link.receive(b"", 11_000) == [Damaged(4)]


def test_what_is_torn_just_before_a_restart_is_not_told() -> None:
    talk = Talk()
    talk.link.receive(b"report 7 boot=00\nboot: 3.2 ok\r\n" + hello(boot=OTHER, up=10, who=-1), 1500)
    ((_, who, _),) = talk.tick(1500)
    talk.link.receive(hello(seq=1, boot=OTHER, up=40, who=who), 1530)
    events = talk.link.receive(report(2, 11_500, boot=OTHER), 13_000)
    assert [type(event) for event in events] == [Received]


@pytest.mark.parametrize(
    ("data", "lines"),
    [
        (b"boot: 3.2 ok\r\n", 1),
        (b"report 4 boot=0000b001 up=10", 0),
        (b"report 4 boot=0000b001 up=10report 5 boot=0000b001 up=1000\n", 1),
        (b"x" * 5_000 + b"\n", 1),
        (b"\n\n\r\n", 0),
    ],
    ids=["other text", "the beginning of a line", "a lost newline", "no newline for long", "empty lines"],
)
def test_what_counts_as_a_damaged_line(data: bytes, lines: int) -> None:
    talk = Talk()
    talk.link.receive(data, 1000)
    assert talk.link.receive(b"", 11_000) == ([Damaged(lines)] if lines else [])


def test_lines_that_are_missing_repeated_or_late_are_not_damaged() -> None:
    talk = Talk()
    first, last = report(2, 1000, talk.seq), report(20, 2000, talk.seq)
    talk.link.receive(last + first + last, 2000)
    assert talk.link.receive(b"", 13_000) == []


def test_what_comes_before_the_board_has_introduced_itself_says_nothing_of_the_cable() -> None:
    link = asking()
    link.receive(b"another device speaks\n" * 50, 100)
    link.receive(hello(), 200)
    assert link.state == "up"
    assert not any(isinstance(event, Damaged) for event in link.receive(report(1, 11_000), 11_000))


# --- duplicates, order, restarts --------------------------------------------------------------------------------------


def test_a_repeated_or_late_report_is_dropped_and_counted() -> None:
    talk = Talk()
    first, second = report(2, 1000, talk.seq), report(3, 2000, talk.seq)
    assert len(talk.link.receive(second + first + second, 2000)) == 1
    counts = talk.link.line_counts()
    assert (counts["late"], counts["duplicates"]) == (1, 1)


def test_a_restart_of_the_board_takes_the_link_down_and_up_without_resuming() -> None:
    talk = Talk()
    talk.link.want(ON, 1000, 1000)
    talk.tick(1000)
    assert talk.link.receive(hello(boot=OTHER, up=10, who=-1), 1500) == []
    ((kind, who, _),) = talk.tick(1500)
    assert kind == "who"
    events = talk.link.receive(hello(seq=1, boot=OTHER, up=40, who=who, cause="brownout"), 1530)
    assert [type(event) for event in events] == [LinkDown, LinkUp, Received]
    assert isinstance(events[0], LinkDown)
    assert "brownout" in events[0].reason
    ((_, _, fields),) = talk.tick(1530)
    assert (fields["boot"], fields["pumps"]) == (OTHER, "0")


def test_lines_of_another_boot_only_make_the_link_ask_and_not_more_often_than_twice_a_second() -> None:
    talk = Talk()
    asked = []
    for mono in range(1000, 3000, 50):
        assert talk.link.receive(report(mono, 50, boot=OTHER), mono) == []
        asked += [mono for kind, _, _ in talk.tick(mono) if kind == "who"]
    assert asked == [1000, 1500, 2000, 2500]
    assert talk.link.state == "up"


def test_a_hello_that_answers_no_question_of_the_last_five_seconds_is_not_believed() -> None:
    talk = Talk()
    assert talk.link.receive(hello(boot=OTHER, up=10, who=0), 5001) == []
    assert talk.link.receive(hello(boot=OTHER, up=10, who=77), 5001) == []
    assert talk.link.state == "up"
    link = asking()
    assert link.receive(hello(who=-1), 100) == []
    assert link.receive(hello(who=4), 100) == []
    assert link.state == "asking"
    assert link.line_counts()["before_hello"] == 2


def test_two_sessions_do_not_take_each_others_answers() -> None:
    link = Link(session=123_456)
    link.connected(0)
    ((_, who, _),) = sent(link.tick(0))
    assert link.receive(hello(who=0), 10) == []
    assert any(isinstance(event, LinkUp) for event in link.receive(hello(seq=1, who=who), 20))


def test_reports_before_the_hello_are_not_believed() -> None:
    link = asking()
    assert link.receive(report(4, 1000), 0) == []
    assert link.line_counts()["before_hello"] == 1


def test_a_closed_port_ends_the_link_and_its_reason_is_passed_on() -> None:
    talk = Talk()
    assert talk.link.disconnected(100, "the plug is out") == [LinkDown("the plug is out")]
    assert talk.link.receive(report(5, 200), 200) == []
    assert talk.link.tick(300) == b""
    assert talk.link.disconnected(400) == []


def test_half_a_line_from_before_the_port_closed_is_forgotten() -> None:
    talk = Talk()
    talk.link.receive(report(2, 100)[:30], 100)
    talk.link.disconnected(200)
    talk.link.connected(300)
    talk.tick(300)
    events = talk.link.receive(hello(seq=9, up=300, who=talk.seq), 300)
    assert any(isinstance(event, LinkUp) for event in events)


def test_every_state_knows_every_happening_that_can_reach_it() -> None:
    only_while_up = {"restarted", "silent", "deaf"}
    for state, happening in product(get_args(State), get_args(Happening)):
        reachable = not (
            (state == "closed" and happening not in ("connected", "disconnected"))
            or (state in ("asking", "refused") and happening in only_while_up)
        )
        assert ((state, happening) in TRANSITIONS) == reachable


# --- clearing faults --------------------------------------------------------------------------------------------------


def test_clearing_a_fault_is_asked_for_and_the_answer_delivered() -> None:
    talk = Talk()
    assert talk.link.clear_fault("board-no-flow")
    ((kind, seq, fields),) = talk.tick(1000)
    assert (kind, fields["fault"], fields["boot"]) == ("clear", "board-no-flow", BOOT)
    (event,) = talk.link.receive(ack(talk.next(), 1100, seq, "still-present"), 1100)
    assert isinstance(event, Received)
    assert event.message == Ack(talk.board_seq, BOOT, 1100, seq, "still-present")
    assert [talk.tick(mono) for mono in (2000, 3000, 4000)] == [[], [], []]


def test_clearing_is_tried_three_times_and_then_reported() -> None:
    talk = Talk()
    talk.link.clear_fault("board-no-flow")
    sent_at = [mono for mono in range(1000, 6000, 100) if talk.tick(mono)]
    assert sent_at == [1000, 2000, 3000]
    assert CommandUnanswered("clear board-no-flow", 3000) in talk.link.receive(b"", 6000)


def test_without_a_link_no_fault_can_be_cleared() -> None:
    assert not Link().clear_fault("board-no-flow")


def test_a_report_can_be_asked_for_at_once() -> None:
    talk = Talk()
    assert talk.link.report_now()
    ((kind, _, fields),) = talk.tick(1000)
    assert (kind, fields) == ("now", {"boot": BOOT, "at": "950"})
    assert talk.tick(1000) == []
    assert not Link().report_now()


# --- typed reading ----------------------------------------------------------------------------------------------------

FULL = (
    "report 7 boot=0000b001 up=61250 echo0=5400,0,5399 echo1=- temp0=1534 temp1=- battery=12840 panel=18200"
    " current=-350 soil0=1234 soil1=- flow0=12345 rain=12 wet0=1 wet1=0 pumps=1 valves=3 ack=1004 lease=4980"
    " faults=board-dry,board-lease-lapsed"
)


def test_a_full_report_is_read_into_its_units() -> None:
    assert parse_board_line(FULL) == Report(
        seq=7,
        boot_id="0000b001",
        uptime_ms=61_250,
        echo_us={0: (5400, 0, 5399), 1: ()},
        temperature_c={0: 15.34, 1: None},
        battery_v=12.84,
        panel_v=18.2,
        current_a=-0.35,
        flow_pulses={0: 12_345},
        rain_tips=12,
        float_wet={0: True, 1: False},
        pump_on=1,
        valve_open=3,
        acked_seq=1004,
        lease_ms=4980,
        faults=("board-dry", "board-lease-lapsed"),
        soil_v={0: 1.234, 1: None},
    )


def test_parts_not_fitted_are_missing_not_bad() -> None:
    message = parse_board_line("report 7 boot=0000b001 up=1 battery=- pumps=0 valves=0 ack=-1 lease=0")
    assert isinstance(message, Report)
    assert (message.echo_us, message.temperature_c, message.flow_pulses, message.float_wet) == ({}, {}, {}, {})
    assert (message.rain_tips, message.battery_v) == (None, None)


@pytest.mark.parametrize(
    ("old", "new", "field", "value"),
    [
        ("battery=12840", "battery=40001", "battery_v", None),
        ("soil0=1234", "soil0=3301", "soil_v", {0: None, 1: None}),
        ("battery=12840", "battery=-1", "battery_v", None),
        ("panel=18200", "panel=999999999", "panel_v", None),
        ("current=-350", "current=-500001", "current_a", None),
        ("temp0=1534", "temp0=12501", "temperature_c", {0: None, 1: None}),
        ("echo0=5400,0,5399", "echo0=60001,0,5399", "echo_us", {0: (0, 0, 5399), 1: ()}),
    ],
)
def test_a_sensor_value_out_of_range_is_bad_and_counted(old: str, new: str, field: str, value: object) -> None:
    assert getattr(parse_board_line(FULL.replace(old, new)), field) == value
    talk = Talk()
    talk.link.receive(frame(FULL.replace(old, new)), 61_250)
    assert talk.link.line_counts()["out_of_range"] == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("up=61250", "up=-1"),
        ("up=61250", "up=nan"),
        ("boot=0000b001", "boot=0000B001"),
        ("boot=0000b001", "boot=b001"),
        ("battery=12840", "battery=12.84"),
        ("battery=12840", "battery=nan"),
        ("battery=12840", "battery=1_0"),
        ("battery=12840 ", ""),
        ("echo1=-", "echo2=-"),
        ("echo0=5400,0,5399", "echo0=5400,,5399"),
        ("echo0=5400,0,5399", "echo0=" + ",".join(["1"] * 17)),
        ("flow0=12345", "flow0=-1"),
        ("flow0=12345", "flow0=-"),
        ("wet0=1", "wet0=2"),
        ("pumps=1", "pumps=65536"),
        ("valves=3", "valves=-1"),
        ("ack=1004", "ack=-2"),
        ("ack=1004", "ack=4294967296"),
        ("lease=4980", "lease=5001"),
        ("report 7", "report 4294967296"),
        ("faults=board-dry", "faults=Board"),
        ("faults=board-dry,", "faults=,"),
        ("lease=4980", "lease=4980 extra=1"),
    ],
)
def test_a_report_that_is_wrong_elsewhere_is_dropped_and_counted(old: str, new: str) -> None:
    text = FULL.replace(old, new)
    assert text != FULL
    assert parse_board_line(text) is None
    talk = Talk()
    assert talk.link.receive(frame(text), 61_250) == []
    assert talk.link.line_counts()["malformed"] == 1


@pytest.mark.parametrize("change", [{"cause": "tired"}, {"board": "x"}, {"valve": 17}, {"rain": 2}, {"heard": -2}])
def test_a_hello_with_a_wrong_field_brings_nothing_up(change: dict[str, str | int]) -> None:
    link = asking()
    assert link.receive(hello(**change), 0) == []
    assert link.state == "asking"


def test_the_text_of_every_event_gives_the_same_message_again() -> None:
    talk = Talk()
    events = talk.events + talk.report(1000) + talk.link.receive(frame(FULL), 61_250)
    texts = [(event.text, event.message) for event in events if isinstance(event, Received)]
    assert len(texts) == 3
    for text, message in texts:
        assert parse_board_line(text) == message


@settings(max_examples=500)
@given(st.text(max_size=120))
def test_no_text_makes_the_typed_reading_raise(text: str) -> None:
    assert parse_board_line(text) is None


@settings(max_examples=500)
@given(st.data())
def test_a_changed_report_is_dropped_or_has_every_value_in_range(data: st.DataObject) -> None:
    text = list(FULL)
    for place in data.draw(st.lists(st.integers(0, len(text) - 1), max_size=4)):
        text[place] = data.draw(st.sampled_from("0123456789-,= abce.+_nif"))
    message = parse_board_line("".join(text))
    if isinstance(message, Report):
        assert 0 <= message.pump_on < 1 << 16
        assert 0 <= message.valve_open < 1 << 16
        assert message.battery_v is None or 0 <= message.battery_v <= 40
        assert all(0 <= us <= 60_000 for burst in message.echo_us.values() for us in burst)
        assert all(t is None or -60 <= t <= 125 for t in message.temperature_c.values())


@settings(max_examples=300)
@given(st.lists(st.one_of(st.binary(max_size=200), st.sampled_from([b"\n", hello(3), report(5, 10), b"x" * 5000]))))
def test_no_bytes_make_the_link_raise(stream: list[bytes]) -> None:
    link = asking()
    for mono, data in enumerate(stream):
        link.receive(data, mono * 700)
        link.want(ON, 1000, mono * 700)
        link.tick(mono * 700)
    assert link.state in get_args(State)


def test_a_megabyte_without_newline_leaves_the_link_up_and_the_next_line_is_read() -> None:
    talk = Talk()
    assert talk.link.receive(b"\x00" * 1_000_000, 100) == []
    talk.link.receive(b"\n", 100)
    assert len(talk.report(200)) == 1
    assert talk.link.line_counts()["too_long"] == 1


def test_the_announced_time_is_when_something_happens_next() -> None:
    talk = Talk()
    talk.report(1000)
    talk.tick(1000)
    assert 1000 < talk.link.due_ms() <= 151_000
    talk.link.want(ON, 1000, 2000)
    talk.tick(2000)
    assert talk.link.due_ms() == 3000
