"""What the board answers, to which line, and what it is told by its settings and its host."""

from __future__ import annotations

from typing import Any

import pytest

from firmware_host.board.hardware import Hardware
from firmware_host.wire import SEQ_MODULUS, encode
from tests.board_stand_in import FITTED, BoardRig, FakeHardware

Fields = dict[str, str]


class RestartingHardware(FakeHardware):
    """`restarts`: how each restart was ordered, true when the program is to be off."""

    def __init__(self, fitted: dict[str, int] | None = None) -> None:
        super().__init__(fitted)
        self.restarts: list[bool] = []

    def restart(self, program_off: bool) -> None:
        self.restarts.append(program_off)


def answers(rig: BoardRig, line: bytes) -> list[Fields]:
    return [fields for kind, _, fields in rig.send(line) if kind == "ack"]


def restarting() -> tuple[BoardRig, RestartingHardware]:
    rig = BoardRig(hardware_class=RestartingHardware)
    assert isinstance(rig.hw, RestartingHardware)
    return rig, rig.hw


@pytest.mark.parametrize(
    ("kind", "fields", "refusal"),
    [
        ("set", {"pumps": 0, "valves": 0, "lease": 0, "report": 1000}, ""),
        ("set", {"pumps": 0, "valves": 1, "lease": 5000, "report": 1000}, ""),
        ("set", {"pumps": 0, "valves": 9, "lease": 5000, "report": 1000}, "bad-field"),
        ("set", {"pumps": 1, "valves": 0, "lease": 5000, "report": 1000}, "board-no-valve"),
        ("clear", {"fault": "board-no-flow"}, "not-latched"),
        ("clear", {}, "not-latched"),
        ("restart", {"program": 0}, ""),
        ("restart", {"program": 1}, ""),
        ("restart", {"program": 2}, "bad-field"),
        ("restart", {"program": -1}, "bad-field"),
        ("restart", {}, "bad-field"),
    ],
)
def test_an_answer_names_the_line_the_boot_and_the_uptime(kind: str, fields: dict[str, Any], refusal: str) -> None:
    rig = BoardRig()
    rig.run(1240)
    line = rig.command(kind, **fields)
    expected = {"boot": "0000b001", "up": "1240", "ack": str(rig.seq)}
    assert answers(rig, line) == [{**expected, "refusal": refusal} if refusal else expected]


@pytest.mark.parametrize("wrong", [{"boot": "0000b000"}, {"at": 9999}, {"at": "x"}, {"at": 499}])
def test_a_line_that_may_not_act_is_answered_by_its_number_too(wrong: dict[str, Any]) -> None:
    rig = BoardRig()
    rig.run(3000)
    line = rig.set_line(0, 1, **wrong)
    (answer,) = answers(rig, line)
    assert (answer["ack"], answer["up"]) == (str(rig.seq), "3000")
    assert answer["refusal"] in ("other-boot", "ahead", "bad-field", "stale")


def test_a_standing_fault_is_cleared_with_an_answer_and_the_report_names_the_line() -> None:
    rig = BoardRig()
    rig.start()
    rig.hw.stuck_pump = False
    rig.run(1100)
    rig.hw.stuck_pump = True
    rig.run(2000)
    assert rig.faults() == "board-output-mismatch"
    line = rig.command("clear", fault="board-output-mismatch")
    (answer,) = answers(rig, line)
    assert (answer["ack"], answer["up"], answer["refusal"]) == (str(rig.seq), str(rig.hw.now_ms), "still-present")
    assert int(rig.last("report")["ack"]) < rig.seq
    rig.hw.stuck_pump = None
    rig.run(40)
    line = rig.command("clear", fault="board-output-mismatch")
    (answer,) = answers(rig, line)
    assert answer == {"boot": "0000b001", "up": str(rig.hw.now_ms), "ack": str(rig.seq)}
    assert rig.last("report")["ack"] == str(rig.seq)
    assert rig.faults() == ""


@pytest.mark.parametrize(("program", "off"), [(0, True), (1, False)])
def test_a_restart_by_order_says_whether_the_program_stays_off(program: int, off: bool) -> None:
    rig, hardware = restarting()
    assert "refusal" not in answers(rig, rig.command("restart", program=program))[0]
    assert hardware.restarts == [off]
    rig.send(rig.command("now"))
    assert rig.last("report")["ack"] == str(rig.seq)


@pytest.mark.parametrize("fields", [{}, {"program": 2}, {"program": "x"}])
def test_a_restart_that_does_not_say_which_is_refused(fields: dict[str, Any]) -> None:
    rig, hardware = restarting()
    assert answers(rig, rig.command("restart", **fields))[0]["refusal"] == "bad-field"
    assert hardware.restarts == []


def test_nothing_restarts_while_an_output_is_on() -> None:
    rig, hardware = restarting()
    rig.set(0, 1)
    (answer,) = answers(rig, rig.command("restart", program=1))
    assert (answer["ack"], answer["up"], answer["refusal"]) == (str(rig.seq), "0", "not-shut")
    assert hardware.restarts == []


def test_the_report_names_a_restart_that_acted_as_the_last_line_that_did() -> None:
    rig, _ = restarting()
    rig.send(rig.command("restart", program=1))
    acted = rig.seq
    rig.run(11_000)
    assert rig.last("report")["ack"] == str(acted)


def test_every_line_that_is_dropped_is_counted() -> None:
    rig = BoardRig()
    rig.send(rig.command("reboot"))
    rig.send(rig.command("reboot"))
    assert rig.board.talk.dropped == 2
    line = rig.set_line(0, 0)
    for _ in range(3):
        rig.send(line)
    assert rig.board.talk.dropped == 4


class TroubledHardware(FakeHardware):
    trouble = ""

    def problem(self) -> str:
        return self.trouble


@pytest.mark.parametrize(
    ("trouble", "settings", "said"),
    [
        ("PINS: pump 0", {}, "PINS:_pump_0"),
        ("PINS: pump 0", {"low_mv": 0, "x": 1}, "PINS:_pump_0;_SETTINGS:_low_mv_x"),
        ("", {"low_mv": 0, "x": 1}, "SETTINGS:_low_mv_x"),
        ("!a~b\n\u00e9=", {}, "!a~b__="),
        ("x" * 250, {}, "x" * 200),
    ],
)
def test_a_hello_says_what_is_wrong_in_one_word(
    monkeypatch: pytest.MonkeyPatch, trouble: str, settings: dict[str, Any], said: str
) -> None:
    monkeypatch.setattr(TroubledHardware, "trouble", trouble)
    hello = BoardRig(settings, hardware_class=TroubledHardware).last("hello")
    assert hello["problem"] == said
    assert hello["board"] == "e6614c311b"


# --- numbers of lines -------------------------------------------------------------------------------------------------


def test_the_boards_lines_are_numbered_from_nought_without_a_gap() -> None:
    rig = BoardRig()
    rig.run(30_000)
    assert [seq for _, seq, _ in rig.lines] == list(range(len(rig.lines)))
    assert len(rig.lines) > 3
    rig.board.talk._seq = SEQ_MODULUS - 2
    rig.lines.clear()
    rig.run(20_000)
    assert [seq for _, seq, _ in rig.lines] == [SEQ_MODULUS - 1, 0]


def test_the_boards_own_hello_comes_first_and_answers_nobody() -> None:
    rig = BoardRig()
    assert rig.lines[0][0] == "hello"
    assert (rig.lines[0][2]["up"], rig.lines[0][2]["who"], rig.lines[0][2]["heard"]) == ("0", "-1", "-1")


def test_who_is_answered_at_boot_and_again_after_exactly_300_ms() -> None:
    rig = BoardRig()
    who = encode("who", 77, {"protocol": 1})
    (kind, _, fields) = rig.send(who)[0]
    assert (kind, fields["who"], fields["up"], fields["heard"]) == ("hello", "77", "0", "-1")
    rig.run(299, 299)
    assert rig.send(who) == []
    rig.run(1, 1)
    assert [kind for kind, _, _ in rig.send(who)] == ["hello"]


def test_a_hello_tells_the_highest_number_heard() -> None:
    rig = BoardRig()
    rig.send(rig.command("now"))
    rig.send(rig.command("now"))
    rig.run(1000)
    (hello,) = rig.send(encode("who", 5, {"protocol": 1}))
    assert hello[2]["heard"] == str(rig.seq)


def test_a_hello_names_board_protocol_and_every_part_that_is_fitted() -> None:
    hello = BoardRig().last("hello")
    assert {key: hello["float" if key == "float_switch" else key] for key in FITTED} == {
        key: str(count) for key, count in FITTED.items()
    }
    named = {key: hello[key] for key in ("boot", "up", "board", "protocol", "firmware", "cause", "who", "heard")}
    assert named == {
        "boot": "0000b001",
        "up": "0",
        "board": "e6614c311b",
        "protocol": "1",
        "firmware": "1.0",
        "cause": "power",
        "who": "-1",
        "heard": "-1",
    }


class LivedHardware(FakeHardware):
    life: tuple[int, str, list[int], int] | None = None

    def lifetime(self) -> tuple[int, str, list[int], int] | None:
        return Hardware.lifetime(self) if self.life is None else self.life


@pytest.mark.parametrize(
    ("life", "rain", "said"),
    [
        (None, 1, {}),
        ((7, "watchdog", [], 3), 0, {"boots": "7", "before": "watchdog"}),
        (
            (7, "power", [10, 20], 3),
            1,
            {"boots": "7", "before": "power", "total0": "10", "total1": "20", "tips": "3"},
        ),
    ],
)
def test_a_hello_tells_of_the_boards_life_as_far_as_it_is_remembered(
    monkeypatch: pytest.MonkeyPatch, life: tuple[int, str, list[int], int] | None, rain: int, said: Fields
) -> None:
    monkeypatch.setattr(LivedHardware, "life", life)
    hello = BoardRig(fitted={**FITTED, "rain": rain}, hardware_class=LivedHardware).last("hello")
    of_life = ("boots", "before", "total", "tips")
    assert {key: value for key, value in hello.items() if key.startswith(of_life)} == said
    assert "problem" not in hello
    assert hello["valve"] == "3"


def test_a_report_before_the_first_command_says_that_no_line_has_acted() -> None:
    assert BoardRig().last("report")["ack"] == "-1"


# --- how often --------------------------------------------------------------------------------------------------------


def test_a_new_interval_brings_the_next_report_after_it_and_not_at_once() -> None:
    rig = BoardRig()
    rig.run(3000)
    assert [kind for kind, _, _ in rig.set(0, 0, report=500)] == ["ack"]
    rig.lines.clear()
    rig.run(1100)
    assert [fields["up"] for kind, _, fields in rig.lines if kind == "report"] == ["3500", "4000"]


def test_a_longer_interval_does_not_put_off_a_report_that_is_due_sooner() -> None:
    rig = BoardRig()
    rig.set(0, 0, report=1000)
    rig.run(400)
    rig.set(0, 0, report=60_000)
    rig.lines.clear()
    rig.run(1000)
    assert [fields["up"] for kind, _, fields in rig.lines if kind == "report"] == ["1000"]


def test_until_the_host_says_otherwise_a_report_comes_every_ten_seconds() -> None:
    rig = BoardRig()
    rig.run(35_000)
    ups = [fields["up"] for kind, _, fields in rig.lines if kind == "report"]
    assert ups == ["0", "10000", "20000", "30000"]


@pytest.mark.parametrize(("report", "refused"), [(199, True), (200, False), (300_000, False), (300_001, True)])
def test_the_interval_has_bounds(report: int, refused: bool) -> None:
    rig = BoardRig()
    rig.set(0, 0, report=report)
    assert ("refusal" in rig.last("ack")) == refused


@pytest.mark.parametrize(("lease", "refused"), [(-1, True), (0, False), (5000, False), (5001, True)])
def test_a_lease_has_bounds(lease: int, refused: bool) -> None:
    rig = BoardRig()
    rig.set(0, 0, lease=lease)
    assert ("refusal" in rig.last("ack")) == refused


@pytest.mark.parametrize(("ahead_ms", "refused"), [(500, False), (501, True)])
def test_a_host_that_believes_the_board_half_a_second_older_is_still_heard(ahead_ms: int, refused: bool) -> None:
    rig = BoardRig()
    rig.send(rig.set_line(0, 1, at=rig.hw.now_ms + ahead_ms))
    assert ("refusal" in rig.last("ack")) == refused
    if not refused:
        assert rig.last("report")["lease"] == "5000"


def test_a_renewal_of_a_valve_alone_is_not_answered_each_time() -> None:
    rig = BoardRig()
    rig.set(0, 1)
    rig.lines.clear()
    rig.hold(0, 1, 10_000)
    assert "ack" not in {kind for kind, _, _ in rig.lines}


def test_a_change_of_one_output_alone_is_answered() -> None:
    rig = BoardRig()
    for pumps, valves in ((0, 0b001), (0, 0b010), (1, 0b010), (0, 0b010), (0, 0b011)):
        rig.lines.clear()
        rig.set(pumps, valves)
        assert rig.last("ack")["ack"] == str(rig.seq)


def test_a_renewal_that_tightens_a_limit_or_changes_the_interval_is_answered() -> None:
    rig = BoardRig()
    rig.set(0, 1)
    assert [kind for kind, _, _ in rig.set(0, 1, low_mv=11_000)] == ["ack"]
    assert [kind for kind, _, _ in rig.set(0, 1, report=2000)] == ["ack"]
    assert rig.set(0, 1, report=2000) == []


# --- settings ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "good"),
    [
        ({"float_of_pump": [0]}, True),
        ({"float_of_pump": [1]}, False),
        ({"float_of_pump": [-1]}, True),
        ({"flow_of_pump": [0]}, True),
        ({"valves_of_pump": [0]}, True),
        ({"valves_of_pump": [7]}, True),
        ({"valves_of_pump": [1, 1]}, False),
        ({"valves_of_pump": 7}, False),
        ({"poll_ms": 9}, False),
        ({"poll_ms": 10}, True),
        ({"poll_ms": 1000}, True),
        ({"poll_ms": 1001}, False),
    ],
)
def test_a_setting_is_good_up_to_its_bounds(settings: dict[str, Any], good: bool) -> None:
    rig = BoardRig(settings=settings)
    assert (rig.faults() == "") == good


@pytest.mark.parametrize(("poll_ms", "pause_ms"), [(10, 10), (250, 250), (1000, 1000)])
def test_while_an_output_is_on_the_board_asks_to_be_woken_as_often_as_its_settings_say(
    poll_ms: int, pause_ms: int
) -> None:
    rig = BoardRig(settings={"poll_ms": poll_ms})
    rig.set(0, 1, report=60_000)
    assert rig.next_ms == pause_ms


def test_at_rest_with_rare_reports_the_board_sleeps_for_a_minute_at_most() -> None:
    rig = BoardRig()
    rig.set(0, 0, report=300_000)
    rig.run(30_000)
    assert rig.next_ms == rig.hw.now_ms + 60_000
