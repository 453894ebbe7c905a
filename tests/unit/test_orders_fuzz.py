"""Whatever bytes arrive, the answer is an order or a refusal, quickly, and never an exception."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.contract import Order, RunZone
from controller.service.orders import Ground, Refusal, parse_order, parse_set
from tests.unit.example_site import SITE
from tests.unit.journal_data import START_WALL_MS
from tests.unit.test_orders import FORECAST, HOLD, LOOK, RUN, SET, UNDO, WEATHER

GROUND = Ground(SITE, START_WALL_MS)
JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


def _is_answer(answer: Order | Refusal) -> bool:
    return isinstance(answer, Order) or (0 < len(answer.reason) < 400)


@given(st.binary(max_size=300))
def test_any_bytes_get_an_answer(payload: bytes) -> None:
    assert isinstance(parse_order(payload, GROUND), Refusal)
    assert isinstance(parse_set(payload, "run-zone", "bench", GROUND), Refusal)


@given(st.sampled_from([RUN, HOLD, SET, WEATHER, LOOK, UNDO, FORECAST]), st.data())
@settings(max_examples=300)
def test_an_order_with_one_field_replaced_gets_an_answer(base: dict[str, Any], data: st.DataObject) -> None:
    field = data.draw(st.sampled_from(sorted(base)) | st.text(max_size=12))
    changed = {**base, field: data.draw(JSON_VALUES)}
    assert _is_answer(parse_order(json.dumps(changed).encode(), GROUND))


@given(st.integers(0, 200), st.integers(0, 255), st.integers(0, 6))
@settings(max_examples=500)
def test_a_damaged_order_gets_an_answer(position: int, byte: int, cut: int) -> None:
    payload = bytearray(json.dumps(SET).encode())
    payload[position % len(payload)] = byte
    assert _is_answer(parse_order(bytes(payload[: len(payload) - cut]), GROUND))


@given(st.floats() | st.integers())
def test_a_volume_that_passes_lies_within_the_cap(volume_l: float) -> None:
    answer = parse_order(json.dumps({**RUN, "volume_l": volume_l}).encode(), GROUND)
    if isinstance(answer, Order):
        assert isinstance(answer.command, RunZone)
        assert 0.0 < answer.command.volume_l <= 12.0
    else:
        assert not 0 < volume_l <= 12.0


def test_the_worst_payloads_are_refused() -> None:
    worst = [
        b"[" * 65_536,
        b'{"a":' * 13_000,
        b'{"order":"set-schedule","id":' + b"9" * 60_000 + b"}",
        b'{"order":"set-schedule","x":"' + b'\\"' * 30_000 + b'"}',
        b'{"order":"set-schedule","x":1' + b"0" * 400 + b"e" + b"9" * 400 + b"}",
        b'{"order":"set-schedule",' + b",".join(b'"k%d":0' % n for n in range(6000)) + b"}",
        b"\x00" * 20_000_000,
    ]
    for payload in worst:
        assert isinstance(parse_order(payload, GROUND), Refusal)
