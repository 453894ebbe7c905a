"""A million lines that no host would send: none moves anything, none raises anything, none stays in memory.

`scripts/fuzz_board` does the same with as many lines as one has time for.
"""

from __future__ import annotations

import zlib

import pytest

from firmware_host import wire
from firmware_host.board import conversation, outputs
from firmware_host.wire import LINE_MAX, NEW
from tests.scenario.board_fuzz import Fuzz, Witness, framed

LINES_EACH = 250_000
BUFFER_BYTES = LINE_MAX + 1024
"""A half-received line, and a few numbers that have grown."""


@pytest.mark.parametrize("seed", range(4))
def test_a_quarter_of_a_million_odd_lines_move_nothing_raise_nothing_and_leave_nothing_behind(seed: int) -> None:
    findings = Fuzz(seed).run(LINES_EACH)
    assert findings.wrong == []
    assert findings.lines >= LINES_EACH
    assert findings.grown_bytes <= BUFFER_BYTES
    # It would be no proof if the board had been shut all the while, or deaf.
    assert findings.turns_on > 500
    assert findings.acted > 100
    # Nor without lines of every kind, and every kind of harm.
    assert set(findings.fed) == {"damaged", "torn", "spliced", "noise", "replayed", "delayed", "odd"}
    assert set(findings.acted_kinds) == {"set", "now", "restart"}


@pytest.mark.parametrize(
    ("module", "name", "broken"),
    [
        (conversation, "AGE_MAX_MS", 10_000),
        (conversation, "AHEAD_MAX_MS", 10_000),
        (wire.Sequence, "judge", lambda _self, _seq: NEW),
        (wire, "number", lambda text: 1 if text else None),
        (outputs.Outputs, "_end_lease", lambda _self, _now: None),
        (outputs.Outputs, "_close_valves", lambda _self, _now, _ready: None),
    ],
    ids=[
        "old lines act",
        "lines from the future act",
        "repeated lines act",
        "anything is a number",
        "leases never end",
        "valves never close",
    ],
)
def test_the_witness_notices_a_board_that_is_wrong(
    monkeypatch: pytest.MonkeyPatch, module: object, name: str, broken: object
) -> None:
    monkeypatch.setattr(module, name, broken)
    assert Fuzz(1).run(120_000).wrong != []


def test_the_witness_notices_a_board_that_does_not_look_at_checksums(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire.Decoder, "_checked", lambda _self, line: line[:-9].decode("ascii", "ignore") or None)
    assert Fuzz(1).run(120_000).wrong != []


def test_the_witness_lets_a_good_line_act_once_and_only_in_its_time() -> None:
    witness = Witness("0000b001")
    line = framed(b"set 7 boot=0000b001 at=1000 pumps=1 valves=2 lease=5000 report=1000")
    witness.hear(line + line, 3500)
    assert (witness.acted, witness.pumps, witness.valves, witness.lease_end_ms) == (1, 1, 2, 6000)
    late = Witness("0000b001")
    late.hear(line, 3501)
    assert late.acted == 0


def test_the_checksum_is_the_published_one() -> None:
    """CRC-32 (reflected polynomial 04C11DB7) of `123456789` is CBF43926: catalogue of parametrised CRC algorithms."""
    assert framed(b"123456789") == b"123456789*cbf43926\n"
    assert zlib.crc32(b"123456789") == 0xCBF43926


@pytest.mark.parametrize(
    ("module", "name", "broken", "words"),
    [
        (wire.Sequence, "judge", lambda _self, _seq: NEW, "acted twice"),
        (conversation, "AGE_MAX_MS", 10_000, "acted late"),
        (outputs.Outputs, "_end_lease", lambda _self, _now: None, "longer than 5 s"),
    ],
    ids=["numbers are ignored", "age is not looked at", "leases are not looked at"],
)
def test_the_judge_that_knows_only_when_lines_were_written_notices_it_too(
    monkeypatch: pytest.MonkeyPatch, module: object, name: str, broken: object, words: str
) -> None:
    monkeypatch.setattr(module, name, broken)
    monkeypatch.setattr(Fuzz, "_compare", lambda fuzz, data, now: fuzz.blame_outliving(data, now))
    assert any(words in wrong for wrong in Fuzz(1).run(LINES_EACH).wrong)
