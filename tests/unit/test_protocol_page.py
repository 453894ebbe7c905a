"""docs/protocol.md says what the code does: same kinds, fields, faults, refusals, limits; examples that decode."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from firmware_host.board import conversation, faults, limits, logic
from firmware_host.board.conversation import Conversation
from firmware_host.board_lines import parse_board_line
from firmware_host.link import BoardLimits, Link
from firmware_host.messages import Ack, Hello, Lifetime, Outputs, Report
from firmware_host.wire import LINE_MAX, PROTOCOL, Decoder, frame, parse
from tests.board_stand_in import FITTED, BoardRig, FakeHardware

PAGE = (Path(__file__).resolve().parents[2] / "docs/protocol.md").read_text()
KINDS = ("hello", "report", "ack", "who", "set", "clear", "now", "restart")


def section(heading: str) -> str:
    """Text from one heading to the next of the same or a higher level."""
    level = heading.split(" ")[0]
    start = PAGE.index(f"\n{heading}\n") + len(heading) + 2
    end = re.search(rf"^#{{2,{len(level)}}} ", PAGE[start:], re.MULTILINE)
    return PAGE[start : start + end.start()] if end else PAGE[start:]


def table(text: str, first_column: str) -> dict[str, list[str]]:
    """Rows of the table whose first column has that heading: name in the first column, without quotes -> the others."""
    lines = text[text.index(f"| {first_column} |") :].split("\n")
    rows = [line.strip("|").split(" | ") for line in lines[2 : lines.index("", 2) if "" in lines[2:] else None]]
    return {row[0].strip().strip("`"): [cell.strip() for cell in row[1:]] for row in rows if len(row) > 1}


def examples(text: str) -> list[str]:
    return [line for block in re.findall(r"```\n(.*?)```", text, re.DOTALL) for line in block.splitlines()]


class WithSoilProbes(FakeHardware):
    def soil_mv(self, channel: int) -> int | None:
        return 1200 + channel


def said_by_the_board() -> dict[str, set[str]]:
    """Every field of every kind that a fully fitted board has said in a short eventful life."""
    rig = BoardRig()
    rig.set(0, 1)
    rig.run(6000)
    rig.set(1, 0)
    rig.lines += BoardRig(settings={"low_mv": 0}, fitted={**FITTED, "soil": 2}, hardware_class=WithSoilProbes).lines
    said: dict[str, set[str]] = {}
    for kind, _, fields in rig.lines:
        said.setdefault(kind, set()).update(
            re.sub(r"^(echo|temp|flow|wet|soil|total)\d$", r"\1<n>", key) for key in fields
        )
    return said


def said_by_the_host() -> dict[str, set[str]]:
    link = Link(BoardLimits(*[2000] * 9))
    link.connected(0)
    data = link.tick(0)
    hardware = FakeHardware()
    Conversation(hardware, hardware.fitted()).hello(0, 0)
    link.receive(hardware.outbox, 0)
    link.want(Outputs(1, 1), 1000, 10)
    link.clear_fault("board-dry")
    link.report_now()
    link.restart(with_program=False)
    data += link.tick(10)
    return {kind: set(fields) for kind, _, fields in Decoder().feed(data)}


@pytest.mark.parametrize("kind", KINDS)
def test_the_fields_on_the_page_are_the_fields_in_the_lines(kind: str) -> None:
    assert set(table(section(f"### `{kind}`"), "field")) == (said_by_the_board() | said_by_the_host())[kind]


def test_a_hello_without_a_record_of_the_boards_life_reads_and_one_with_a_wrong_cause_does_not() -> None:
    hello = next(line for line in examples(section("### `hello`")))[:-9]
    read = parse_board_line(hello)
    assert isinstance(read, Hello)
    assert read.lifetime == Lifetime(57, "watchdog", {0: 310_452}, 4812)
    without = parse_board_line(re.sub(r" (boots|before|total0|tips)=\w+", "", hello))
    assert isinstance(without, Hello)
    assert without.lifetime is None
    assert parse_board_line(hello.replace("before=watchdog", "before=boredom")) is None
    assert parse_board_line(hello.replace("total0=310452", "total0=4294967296")) is None


def test_every_kind_has_a_section() -> None:
    assert set(re.findall(r"^### `(\w+)`$", PAGE, re.MULTILINE)) == set(KINDS)
    assert set(said_by_the_board()) | set(said_by_the_host()) == set(KINDS)


@pytest.mark.parametrize("line", examples(PAGE))
def test_every_example_line_has_a_right_checksum_and_reads(line: str) -> None:
    ((kind, _, fields),) = Decoder().feed(line.encode() + b"\n")
    assert kind in KINDS
    documented = set(table(section(f"### `{kind}`"), "field"))
    assert {re.sub(r"^(echo|temp|flow|wet|soil|total)\d$", r"\1<n>", key) for key in fields} <= documented
    if kind in ("hello", "report", "ack"):
        assert isinstance(parse_board_line(line[:-9]), Hello | Report | Ack)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_an_example(kind: str) -> None:
    assert any(line.startswith(kind + " ") for line in examples(section(f"### `{kind}`")))


def test_every_fault_of_the_board_is_on_the_page() -> None:
    known = {*faults.DELIBERATE, *faults.SELF_CLEARING, *faults.NOTICES, *faults.REFUSALS, faults.SETTINGS_BAD}
    page = table(section("## What the board stops by itself"), "fault")
    assert set(page) == known
    for fault in faults.DELIBERATE:
        assert page[fault][1].rstrip(" |") == "cleared"
    for fault in faults.SELF_CLEARING:
        assert page[fault][1].rstrip(" |").endswith(", or cleared")


def test_every_refusal_is_on_the_page() -> None:
    reasons = {conversation.OTHER_BOOT, conversation.STALE, conversation.AHEAD, conversation.BAD_FIELD}
    reasons |= {logic.NOT_LATCHED, logic.STILL_PRESENT, logic.NOT_SHUT, "a fault id"}
    assert set(table(section("### `ack`"), "refusal")) == reasons


def test_the_ranges_of_the_limits_are_on_the_page() -> None:
    page = table(section("### `set`"), "field")
    for name, value, least, most in limits.SETTINGS:
        if value == least:
            assert f"{least} (built in) to {most}" in page[name][0]
        else:
            assert value == most
            assert f"{least} to {most} (built in)" in page[name][0]


def test_the_figures_of_the_page_are_the_figures_of_the_code() -> None:
    assert f"protocol version {PROTOCOL}." in PAGE
    assert f"at most {LINE_MAX} bytes" in PAGE
    assert frame("123456789").decode().strip().split("*")[1] in PAGE
    assert f"milliseconds, 0 to {limits.LEASE_MAX_MS}" in PAGE
    assert f"milliseconds, {limits.REPORT_MIN_MS} to {limits.REPORT_MAX_MS}" in PAGE
    assert PAGE.count(f"older than {limits.AGE_MAX_MS / 1000} s") == 2
    assert f"The pump therefore stops {limits.LAPSE_LEAD_MS / 1000} s" in PAGE


def test_the_order_of_a_report_is_the_order_of_the_page() -> None:
    rig = BoardRig(fitted={**FITTED, "soil": 1}, hardware_class=WithSoilProbes)
    rig.set(0, 1)
    rig.hw.advance_to(6000)
    rig.board.tick()
    line = next(line for line in reversed(rig.hw.outbox.splitlines()) if line.startswith(b"report"))
    message = parse(line[:-9].decode())
    assert message is not None
    keys = [re.sub(r"\d$", "<n>", key) for key in message[2]]
    assert keys == list(table(section("### `report`"), "field"))
