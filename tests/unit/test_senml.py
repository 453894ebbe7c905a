"""Journal records as SenML JSON, checked against RFC 8428 (labels and names: sections 4.1 to 4.5, Table 1)."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from controller.service.journal import StoredRecord
from controller.service.senml import PACK_BYTES, packs

WALL_MS = 1_778_736_600_000
LABELS = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}
NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9\-:./_]*$")
REGISTERED_UNITS = {"m", "m3", "m3/s", "V", "A", "W", "J", "Cel", "s", "/"}


def _record(seq: int, kind: str, key: str, data: dict[str, Any], second: int = 0) -> StoredRecord:
    return StoredRecord(seq, 1, WALL_MS + 1000 * second, kind, key, json.dumps(data))


def _resolve(payload: bytes) -> list[dict[str, Any]]:
    """Records with the base fields worked in, as RFC 8428 section 4.6 defines the resolved form."""
    name, time_s, resolved = "", 0.0, []
    for entry in json.loads(payload):
        name, time_s = entry.get("bn", name), entry.get("bt", time_s)
        values = {key: value for key, value in entry.items() if key not in ("bn", "bt", "n", "t")}
        resolved.append({"n": name + entry.get("n", ""), "t": time_s + entry.get("t", 0), **values})
    return resolved


def _one(record: StoredRecord) -> list[dict[str, Any]]:
    ((_, _, payload),) = packs("hillfoot", [record])
    return _resolve(payload)


def test_a_delivery_becomes_its_number_and_its_values() -> None:
    data = {"volume_l": 6.0, "duration_s": 95, "ended": "done", "metered": True, "note": None}
    assert _one(_record(1204, "delivery", "bench", data)) == [
        {"n": "hillfoot/seq", "t": WALL_MS / 1000, "v": 1204},
        {"n": "hillfoot/delivery/bench/volume", "t": WALL_MS / 1000, "u": "m3", "v": 0.006},
        {"n": "hillfoot/delivery/bench/duration", "t": WALL_MS / 1000, "u": "s", "v": 95},
        {"n": "hillfoot/delivery/bench/ended", "t": WALL_MS / 1000, "vs": "done"},
        {"n": "hillfoot/delivery/bench/metered", "t": WALL_MS / 1000, "vb": True},
    ]


@pytest.mark.parametrize(
    ("field", "value", "name", "unit", "scaled"),
    [
        ("tank.butts.level_mm", 912.5, "tank.butts.level", "m", 0.9125),
        ("volume_l", 812.345, "volume", "m3", 0.812345),
        ("closing_ml", 812345, "closing", "m3", 0.812345),
        ("flow_l_min", 6, "flow", "m3/s", 0.0001),
        ("battery_v", 12.7, "battery", "V", 12.7),
        ("current_a", -0.25, "current", "A", -0.25),
        ("peak_w", 60, "peak", "W", 60),
        ("energy_wh", 2.5, "energy", "J", 9000.0),
        ("air_c", 11.5, "air", "Cel", 11.5),
        ("duration_s", 95, "duration", "s", 95),
        ("uptime_ms", 1500, "uptime", "s", 1.5),
        ("charge_percent", 62, "charge", "/", 0.62),
        ("until_wall_ms", 1_778_736_600_000, "until", None, 1_778_736_600.0),
        ("version", 3, "version", None, 3),
    ],
)
def test_the_unit_in_a_field_name_becomes_a_registered_unit(
    field: str, value: float, name: str, unit: str | None, scaled: float
) -> None:
    entry = _one(_record(1, "measure", "", {field: value}))[1]
    assert entry["n"] == f"hillfoot/measure/{name}"
    assert entry.get("u") == unit
    assert entry["v"] == pytest.approx(scaled, rel=1e-12)


def test_millilitres_of_the_ledger_stay_exact() -> None:
    for closing_ml in (1, 999_999, 812_345, 10_000_001):
        assert round(_one(_record(1, "ledger", "butts", {"closing_ml": closing_ml}))[1]["v"] * 1e6, 6) == closing_ml


def test_lists_and_objects_travel_as_json_text() -> None:
    entry = _one(_record(1, "refusal", "bench", {"blockers": [{"id": "frost"}]}))[1]
    assert json.loads(entry["vs"]) == [{"id": "frost"}]


def test_only_known_labels_units_and_names_are_used() -> None:
    records = [
        _record(1, "measure", "", {"tank.butts.level_mm": 1.5, "battery_v": 12.0}),
        _record(2, "fault", "tank butts/leak?", {"text": "läuft", "raised": True}, 5),
    ]
    ((_, _, payload),) = packs("hillfoot", records)
    for entry in json.loads(payload):
        assert entry.keys() <= LABELS
        assert len(entry.keys() & {"v", "vs", "vb"}) == 1
        assert entry.get("u", "m") in REGISTERED_UNITS
    assert all(NAME.match(entry["n"]) for entry in _resolve(payload))


def test_each_record_of_a_pack_keeps_its_own_time() -> None:
    records = [_record(1, "measure", "", {"battery_v": 12.0}), _record(2, "measure", "", {"battery_v": 12.1}, 60)]
    ((first, last, payload),) = packs("hillfoot", records)
    assert (first, last) == (1, 2)
    assert [entry["t"] - WALL_MS / 1000 for entry in _resolve(payload)] == [0, 0, 60, 60]


def test_packs_stay_below_their_limit_and_miss_nothing() -> None:
    records = [_record(n, "plan", "bench", {"why": "x" * (n % 700)}, n) for n in range(1, 400)]
    sent = list(packs("hillfoot", records))
    assert all(len(payload) <= PACK_BYTES for _, _, payload in sent)
    numbers = [e["v"] for _, _, payload in sent for e in _resolve(payload) if e["n"] == "hillfoot/seq"]
    assert numbers == list(range(1, 400))
    assert [first for first, _, _ in sent[1:]] == [last + 1 for _, last, _ in sent[:-1]]


def test_a_record_too_long_for_any_pack_goes_as_its_bare_number() -> None:
    records = [_record(1, "plan", "bench", {"why": "ü" * PACK_BYTES}), _record(2, "plan", "bench", {"why": "short"})]
    sent = list(packs("hillfoot", records))
    assert all(len(payload) <= PACK_BYTES for _, _, payload in sent)
    names = [entry["n"] for _, _, payload in sent for entry in _resolve(payload)]
    assert names == ["hillfoot/seq", "hillfoot/seq", "hillfoot/plan/bench/why"]
