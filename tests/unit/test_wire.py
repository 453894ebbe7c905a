"""The line format: what one end writes the other reads, and nothing else gets through."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_host.wire import (
    DUPLICATE,
    LATE,
    LINE_MAX,
    NEW,
    SEQ_MODULUS,
    Decoder,
    Sequence,
    encode,
    frame,
    number,
    parse,
)

words = st.text(alphabet="abcdefghijklmnopqrstuvwxyz0123456789-,.", min_size=1, max_size=12)
keys = st.text(alphabet="abcdefghijklmnopqrstuvwxyz_0123456789", min_size=1, max_size=8)
fields = st.dictionaries(keys, words, max_size=12)
kinds = st.sampled_from(["report", "ack", "hello", "set", "who"])
sequences = st.integers(0, SEQ_MODULUS - 1)


def counts(decoder: Decoder) -> tuple[int, int, int, int]:
    return decoder.checked, decoder.bad_crc, decoder.malformed, decoder.too_long


@given(kinds, sequences, fields)
def test_what_is_encoded_is_decoded(kind: str, seq: int, content: dict[str, str]) -> None:
    assert Decoder().feed(encode(kind, seq, content)) == [(kind, seq, content)]


@given(st.lists(st.tuples(kinds, sequences, fields), max_size=6), st.binary(max_size=60), st.integers(1, 40))
def test_byte_by_byte_is_the_same_as_whole(
    messages: list[tuple[str, int, dict[str, str]]], junk: bytes, piece: int
) -> None:
    stream = junk.join(encode(*message) for message in messages) + junk
    whole, bytewise, pieces = Decoder(), Decoder(), Decoder()
    expected = whole.feed(stream)
    assert [m for byte in stream for m in bytewise.feed(bytes([byte]))] == expected
    cut = [stream[i : i + piece] for i in range(0, len(stream), piece)]
    assert [m for part in cut for m in pieces.feed(part)] == expected
    assert counts(whole) == counts(bytewise) == counts(pieces)


@settings(max_examples=400)
@given(st.binary(max_size=3000))
def test_no_bytes_raise_and_noise_is_never_a_message(noise: bytes) -> None:
    decoder = Decoder()
    assert decoder.feed(noise + b"\n") == []
    assert decoder.feed(encode("now", 1, {"a": "b"})) == [("now", 1, {"a": "b"})]


@settings(max_examples=400)
@given(st.data())
def test_a_line_changed_in_one_to_three_bytes_is_never_read(data: st.DataObject) -> None:
    line = bytearray(encode("set", 17, {"boot": "0000b001", "at": 61250, "pumps": 1, "valves": 3, "lease": 5000}))
    places = data.draw(st.lists(st.integers(0, len(line) - 2), min_size=1, max_size=3, unique=True))
    for place in places:
        line[place] ^= data.draw(st.integers(1, 255))
    decoder = Decoder()
    assert decoder.feed(bytes(line)) == []
    assert decoder.checked == 0


@given(st.integers(0, 80))
def test_a_torn_line_costs_only_itself_and_the_line_it_runs_into(kept: int) -> None:
    torn = encode("report", 1, {"up": 61250, "battery": 12840})[:kept]
    following = encode("report", 2, {"up": 62250})
    last = encode("report", 3, {"up": 63250})
    heard = [seq for _, seq, _ in Decoder().feed(torn + following + last)]
    assert heard[-1] == 3
    assert set(heard) <= {1, 2, 3}


def test_a_megabyte_without_newline_keeps_the_buffer_small_and_is_one_long_line() -> None:
    decoder = Decoder()
    for _ in range(256):
        assert decoder.feed(b"x" * 4096) == []
        assert len(decoder._partial) <= 4096
    assert decoder.too_long == 1
    assert decoder.feed(b"\n" + encode("now", 5, {})) == [("now", 5, {})]
    assert Decoder().feed(b"x" * 1_000_000) == []


def test_a_line_of_the_greatest_length_is_read_and_a_longer_one_is_counted() -> None:
    room = LINE_MAX - len("report 1 a=*12345678")
    decoder = Decoder()
    assert len(decoder.feed(encode("report", 1, {"a": "x" * room}))) == 1
    assert decoder.feed(encode("report", 1, {"a": "x" * (room + 1)})) == []
    assert decoder.too_long == 1


def test_carriage_returns_before_newlines_are_forgiven() -> None:
    assert Decoder().feed(encode("now", 1, {"a": "b"}).replace(b"\n", b"\r\n")) == [("now", 1, {"a": "b"})]


def test_empty_lines_are_not_counted_as_damage() -> None:
    decoder = Decoder()
    assert decoder.feed(b"\n\n\r\n") == []
    assert counts(decoder) == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("report", "no sequence number"),
        ("report x", "sequence number not a number"),
        ("report -1", "negative sequence number"),
        (f"report {SEQ_MODULUS}", "sequence number too great"),
        (" 1 a=b", "no kind"),
        ("report 1 a", "field without value"),
        ("report 1 a=", "field with an empty value"),
        ("report 1 =b", "field without key"),
        ("report 1  a=b", "two blanks"),
        ("report 1 a=b a=c", "the same key twice"),
        ("report 1 a=b ", "trailing blank"),
    ],
)
def test_a_line_with_a_right_checksum_but_a_wrong_form_is_dropped_and_counted(text: str, why: str) -> None:
    decoder = Decoder()
    assert decoder.feed(frame(text)) == [], why
    assert decoder.malformed == 1


def test_bytes_outside_ascii_are_dropped_even_with_a_right_checksum() -> None:
    decoder = Decoder()
    assert decoder.feed(frame("report 1 a=é")) == []
    assert decoder.malformed == 1


@pytest.mark.parametrize(
    "text", ["", "-", "+1", " 1", "1 ", "1.0", "1e3", "0x10", "1_000", "nan", "inf", "--1", "9" * 15]
)
def test_only_plain_whole_numbers_are_numbers(text: str) -> None:
    assert number(text) is None


@given(st.integers(-(10**12), 10**12))
def test_whole_numbers_survive(value: int) -> None:
    assert number(str(value)) == value


@given(st.text(max_size=30))
def test_no_text_makes_a_number_or_a_line_raise(text: str) -> None:
    value = number(text)
    assert value is None or abs(value) < 10**14
    line = parse(text)
    assert line is None or 0 <= line[1] < SEQ_MODULUS


def test_repeated_and_late_lines_are_told_from_new_ones() -> None:
    order = Sequence()
    assert [order.judge(seq) for seq in (5, 6, 6, 8, 7, 7, 5, 9)] == [
        NEW, NEW, DUPLICATE, NEW, LATE, DUPLICATE, DUPLICATE, NEW,
    ]  # fmt: skip


def test_sequence_numbers_wrap() -> None:
    order = Sequence()
    last = SEQ_MODULUS - 1
    assert [order.judge(seq) for seq in (last - 1, last, 0, last, 1)] == [NEW, NEW, NEW, DUPLICATE, NEW]


@given(st.lists(st.integers(0, 60), max_size=80))
def test_no_sequence_number_is_new_twice(sequence: list[int]) -> None:
    order = Sequence()
    new = [seq for seq in sequence if order.judge(seq) == NEW]
    assert new == sorted(set(new))
