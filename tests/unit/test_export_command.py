"""`pumphouse export`: what leaves the journal says what was in it, in each of three forms."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point, WritePrecision

from controller.cli import main
from controller.commands.export import export
from controller.contract import Record
from controller.service.journal import Journal
from controller.service.line_protocol import point_line
from controller.service.record_table import cell
from simulator.example import example_site_text
from tests.unit.journal_data import START_WALL_MS, now_at, result_with

SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""RFC 8428 section 4.5.1."""
SENML_LABELS = {"bn", "bt", "n", "u", "v", "vs", "vb", "t"}
RECORDS = [
    (0, Record("measure", "", {"tank.main.level_mm": 912.4, "tank.main.volume_l": 1640.25, "battery_v": 12.71})),
    (60, Record("delivery", "bench-south", {"volume_l": 6.125, "began_wall_ms": START_WALL_MS, "ended": "done"})),
    (120, Record("measure", "", {"battery_v": 12.7, "temperature_c": -0.5})),
    (
        180,
        Record(
            "ledger",
            "main",
            {
                "tank_id": "main",
                "local_date": "2026-05-14",
                "opening_ml": 900_000,
                "entries_ml": {"rain": 5001, "zone:bench-south": -6125},
                "closing_ml": 898_876,
                "evidence": {"rain": {"sd_ml": 120.5, "first_mono_ms": 0, "last_mono_ms": 1}},
            },
        ),
    ),
    (240, Record("order", "a-1", {"sender": '=HYPERLINK("x"),\nback\\slash', "accepted": True, "reason": None})),
]


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("export") / "journal.sqlite"
    journal = Journal.open(path)
    for second, record in RECORDS:
        journal.add_step(now_at(second), [], result_with(record))
    journal.add_checkpoint(now_at(300), example_site_text(), {})
    journal.close()
    return path


def exported(path: Path, form: str, what: str, *span: int | None) -> str:
    journal = Journal.read(path)
    try:
        return "".join(export(journal, form, what, *span))
    finally:
        journal.close()


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


# --- CSV --------------------------------------------------------------------------------------------------------------


def test_readings_stand_under_their_names_with_units_and_unknown_is_empty(path: Path) -> None:
    text = exported(path, "csv", "measurements")
    first, second = table(text)
    assert first == {
        "time_utc": "2026-05-14T05:30:00.000Z",
        "tank.main.level_mm": "912.4",
        "tank.main.volume_l": "1640.25",
        "battery_v": "12.71",
        "temperature_c": "",
    }
    assert (second["battery_v"], second["temperature_c"], second["tank.main.level_mm"]) == ("12.7", "-0.5", "")
    assert text.count("\r\n") == 3


def test_a_watering_s_instant_is_a_time_and_its_key_the_zone(path: Path) -> None:
    (row,) = table(exported(path, "csv", "deliveries"))
    assert row["zone"] == "bench-south"
    assert row["began_utc"] == "2026-05-14T05:30:00.000Z"
    assert float(row["volume_l"]) == 6.125


def test_the_books_add_up_in_the_table(path: Path) -> None:
    rows = table(exported(path, "csv", "ledger"))
    amounts = {row["account"]: int(row["into_tank_ml"]) for row in rows}
    assert amounts.pop("closing") == sum(amounts.values()) == 898_876
    assert [row["sd_ml"] for row in rows if row["account"] == "rain"] == ["120.5"]


def test_everything_comes_back_from_the_table_of_all_values(path: Path) -> None:
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in table(exported(path, "csv", "all")):
        value = row["value"].removeprefix("'") if row["value"][1:2] in ("=", "+", "-", "@") else row["value"]
        found.setdefault((row["kind"], row["seq"]), {})[row["field"]] = value
    assert len(found) == len(RECORDS)
    for (kind, _), values, (_, record) in zip(found, found.values(), RECORDS, strict=True):
        assert kind == record.kind
        for name, value in record.data.items():
            if not name.endswith("_wall_ms"):
                assert values[name] == read_back(value)


def read_back(value: Any) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, separators=(",", ":"))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_text_is_left_for_a_spreadsheet_to_work_out(text: str) -> None:
    assert cell(text) == f"'{text}"
    assert cell(-1.5) == "-1.5"


# --- SenML ------------------------------------------------------------------------------------------------------------


def resolved(text: str) -> list[dict[str, Any]]:
    """Records with the base fields worked in, as RFC 8428 section 4.6 defines the resolved form."""
    name, time_s, records = "", 0.0, []
    for entry in json.loads(text):
        assert set(entry) <= SENML_LABELS
        name, time_s = entry.get("bn", name), entry.get("bt", time_s)
        values = {label: entry[label] for label in ("v", "vs", "vb", "u") if label in entry}
        records.append({"n": name + entry["n"], "t": time_s + entry.get("t", 0.0), **values})
    return records


def test_senml_is_one_array_whose_records_say_what_the_journal_says(path: Path) -> None:
    records = resolved(exported(path, "senml", "all"))
    assert all(SENML_NAME.fullmatch(record["n"]) for record in records)
    named = {(record["n"], record["t"]): record for record in records}
    start_s = START_WALL_MS / 1000.0
    assert named["river-allotment/measure/tank.main.level", start_s]["v"] == pytest.approx(0.9124)
    assert named["river-allotment/measure/tank.main.level", start_s]["u"] == "m"
    assert named["river-allotment/measure/battery", start_s + 120]["v"] == 12.7
    assert named["river-allotment/delivery/bench-south/volume", start_s + 60]["v"] == pytest.approx(0.006125)
    assert named["river-allotment/order/a-1/accepted", start_s + 240]["vb"] is True
    assert [record["v"] for record in records if record["n"].endswith("/seq")] == [1, 2, 3, 4, 5]


def test_many_packs_are_still_one_array(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = resolved(exported(path, "senml", "all"))
    monkeypatch.setattr("controller.commands.export.PACK_BYTES", 400)
    text = exported(path, "senml", "all")
    assert text.count('"bn"') >= 3
    assert [(r["n"], r["t"]) for r in resolved(text) if r["n"].endswith("seq")] == [
        (r["n"], r["t"]) for r in whole if r["n"].endswith("seq")
    ]


def test_nothing_is_an_empty_array(path: Path) -> None:
    assert json.loads(exported(path, "senml", "deliveries", START_WALL_MS + 10**9)) == []


# --- line protocol ----------------------------------------------------------------------------------------------------

texts = st.text(st.characters(codec="utf-8"), max_size=12)
names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=8)
values = st.one_of(st.booleans(), st.floats(), texts)


@given(
    names.filter(lambda name: not name.startswith("#")),
    st.dictionaries(names, texts, max_size=3),
    st.dictionaries(names, values, max_size=3),
    st.integers(0, 2**62),
)
def test_a_line_is_what_the_database_s_own_library_writes(
    measurement: str, tags: dict[str, str], fields: dict[str, Any], time_ns: int
) -> None:
    point = Point(measurement).time(time_ns, WritePrecision.NS)
    for name, tag in tags.items():
        point.tag(name, tag)
    for name, value in fields.items():
        point.field(name, value)
    assert point_line(measurement, tags.items(), fields.items(), time_ns) == point.to_line_protocol()


def test_the_lines_carry_the_points_that_the_page_sends_to_a_database(path: Path) -> None:
    lines = exported(path, "line-protocol", "all").splitlines()
    start_ns = START_WALL_MS * 1_000_000
    assert lines[0] == f"measure,site=river-allotment battery_V=12.71 {start_ns}"
    assert lines[1] == f"measure,key=tank.main,site=river-allotment level_m=0.9124,volume_m3=1.64025 {start_ns}"
    assert "delivery,key=bench-south,site=river-allotment began=" in lines[2]
    assert lines[2].endswith(f'ended="done",volume_m3=0.006125 {start_ns + 60 * 10**9 + 2}')


# --- the command ------------------------------------------------------------------------------------------------------


def test_the_span_includes_its_first_instant_and_not_its_last(path: Path) -> None:
    rows = table(exported(path, "csv", "measurements", START_WALL_MS, START_WALL_MS + 120_000))
    assert [row["time_utc"] for row in rows] == ["2026-05-14T05:30:00.000Z"]


def test_file_and_standard_output_get_the_same_bytes(path: Path, tmp_path: Path, capfdbinary: Any) -> None:
    out = tmp_path / "all.csv"
    assert main(["export", str(path), "--what", "all", "--out", str(out)]) == 0
    assert main(["export", str(path), "--what", "all"]) == 0
    assert capfdbinary.readouterr().out == out.read_bytes()


def test_a_reader_that_has_had_enough_is_no_error(path: Path) -> None:
    words = [sys.executable, "-m", "controller.cli", "export", str(path), "--what", "all"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == b""
        assert process.wait() == 0


def test_what_cannot_be_done_is_told_in_words(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(path), "--out", str(tmp_path / "no" / "where.csv")]) == 1
    assert "name another --out" in capsys.readouterr().err
    assert main(["export", str(path), "--from", "2026-05-15", "--to", "2026-05-14"]) == 2
    assert "give the earlier time first" in capsys.readouterr().err
