"""The device tree obeys the Homie 5.0.0 specification (11 May 2025); its sections are named beside each check."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest

from controller.contract import Finding, Snapshot, TankView, ZoneView
from controller.errors import ConfigurationError
from controller.service.homie import DeviceTree, ServiceFacts, alert_id
from controller.site.model import Mqtt
from tests.unit.example_site import SITE
from tests.unit.journal_data import START_WALL_MS

TREE = DeviceTree(SITE)
ROOT, BOARD = "homie/5/hillfoot", "homie/5/hillfoot-board"
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
# Specification, "Units": the listed ones; others are allowed as free text.
FREE_UNITS = {"mm", "d"}
UNITS = {"°C", "°F", "°", "L", "gal", "V", "W", "kW", "A", "Hz", "%", "m", "m³", "s", "min", "h", "#"} | FREE_UNITS
TOPIC_ID = re.compile(r"^[a-z0-9-]+$")


def snapshot(**changes: Any) -> Snapshot:
    """A picture of the example site at rest."""
    tank = TankView("butts", 912.4, 867.1, 4.2, 1188.0, 100.0, "good", START_WALL_MS - 5000, 11.5)
    zones = tuple(
        ZoneView(zone.id, zone.name, False, 0.0, 3.25, 2.5, 51.0, zone.schedule, 2, START_WALL_MS, 6.0, "why", "")
        for zone in SITE.zones
    )
    base = Snapshot(
        START_WALL_MS,
        "synchronised",
        True,
        "b0a4d001",
        False,
        None,
        (tank,),
        12.71,
        88.0,
        "good",
        False,
        11.5,
        0.4,
        3.1,
        zones,
    )
    return replace(base, **changes)


def _documents() -> dict[str, dict[str, Any]]:
    return {topic.split("/")[2]: json.loads(text) for topic, text in TREE.descriptions().items()}


def _properties() -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (device, f"{node}/{name}", declared)
        for device, document in _documents().items()
        for node, nodes in document["nodes"].items()
        for name, declared in nodes["properties"].items()
    ]


def test_ids_use_only_the_allowed_characters() -> None:
    """Section "Topic IDs"."""
    for device, path, _ in _properties():
        assert all(TOPIC_ID.match(level) for level in (device, *path.split("/")))


def test_the_documents_have_what_is_required_and_nothing_null() -> None:
    """Section "Device attributes": homie and version required, version an integer, no field null."""
    for document in _documents().values():
        assert document["homie"] == "5.0"
        assert type(document["version"]) is int
        assert "null" not in json.dumps(document)


def test_root_and_child_name_each_other() -> None:
    """Section "Device attributes": root absent on the root, children are ids; parent written out for consumers."""
    documents = _documents()
    assert documents["hillfoot"]["children"] == ["hillfoot-board"]
    assert not {"root", "parent"} & documents["hillfoot"].keys()
    assert documents["hillfoot-board"]["root"] == documents["hillfoot-board"]["parent"] == "hillfoot"


def test_every_property_has_a_known_type_format_and_unit() -> None:
    """Sections "Property attributes", "Formats", "Units"."""
    for _, path, declared in _properties():
        assert declared.keys() <= {"datatype", "format", "name", "settable", "retained", "unit"}, path
        assert declared["datatype"] in DATATYPES, path
        assert declared.get("unit", "#") in UNITS, path
        if declared["datatype"] == "enum":
            options = declared["format"].split(",")
            assert len(set(options)) == len(options) > 0, path
            assert all(options), path
        elif declared["datatype"] == "boolean":
            assert len(declared["format"].split(",")) == 2, path
        elif "format" in declared:
            assert re.fullmatch(r"-?[0-9.]*:-?[0-9.]*", declared["format"]), path


def _fits(declared: dict[str, Any], payload: bytes) -> bool:
    """Section "Payload": whether a non-empty payload is legal for the declared type."""
    text = payload.decode()
    match declared["datatype"]:
        case "enum":
            return text in declared["format"].split(",")
        case "boolean":
            return text in ("true", "false")
        case "integer":
            return re.fullmatch(r"-?[0-9]+", text) is not None
        case "float":
            return re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", text) is not None and _in_range(declared, float(text))
        case "datetime":
            return re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", text) is not None
        case "json":
            return isinstance(json.loads(text), (dict, list))
        case _:
            return True


def _in_range(declared: dict[str, Any], value: float) -> bool:
    low, _, high = declared.get("format", ":").partition(":")
    return (not low or value >= float(low)) and (not high or value <= float(high))


def test_every_declared_property_has_a_value_that_fits_and_none_is_undeclared() -> None:
    values = TREE.values(snapshot(), ServiceFacts(last_seq=7, targets={"zone-bench/run": b"{}"}))
    declared = {f"homie/5/{device}/{path}": document for device, path, document in _properties()}
    published = {topic: v for topic, v in values.items() if "/$" not in topic.removeprefix("homie/5/")}
    assert published.keys() == declared.keys()
    for topic, payload in published.items():
        assert not payload or _fits(declared[topic], payload), topic


def test_what_is_unknown_is_deleted_never_zero() -> None:
    tank = TankView("butts", None, None, None, 1188.0, 100.0, "unknown", None, None)
    blind = snapshot(tanks=(tank,), battery_v=None, battery_charge_percent=float("nan"), temperature_c=None)
    values = TREE.values(blind, ServiceFacts())
    unknown = ("level", "volume", "volume-bound", "fill", "days-of-supply")
    for path in (f"tank-butts/{name}" for name in unknown):
        assert values[f"{ROOT}/{path}"] == b""
    for path in ("power/voltage", "power/state-of-charge", "power/measured-at", "weather/temperature"):
        assert values[f"{ROOT}/{path}"] == b""


@pytest.mark.parametrize(("too_near", "bound"), [(False, b"about"), (True, b"at-least")])
def test_a_volume_says_whether_it_is_a_lower_bound(too_near: bool, bound: bytes) -> None:
    (tank,) = snapshot().tanks
    values = TREE.values(snapshot(tanks=(replace(tank, at_or_above=too_near),)), ServiceFacts())
    assert values[f"{ROOT}/tank-butts/volume-bound"] == bound


def test_without_a_clock_no_time_is_shown() -> None:
    values = TREE.values(snapshot(trust="unknown"), ServiceFacts(battery_measured_wall_ms=5000))
    shown = [topic for _, path, d in _properties() if d["datatype"] == "datetime" for topic in [f"{ROOT}/{path}"]]
    assert len(shown) >= 6
    assert all(values[topic] == b"" for topic in shown)


def test_an_empty_string_is_one_zero_byte() -> None:
    """Section "Empty string values"."""
    assert TREE.values(snapshot(), ServiceFacts())[f"{ROOT}/zone-bench/last-refusal"] == b"\x00"


def test_each_finding_is_an_alert_with_its_cure() -> None:
    leak = Finding("flow-at-rest", "fault", "water flows with everything off", "look for a leak", START_WALL_MS, True)
    full = Finding("cap-reached:bench", "info", "had its day's water", "")
    values = TREE.values(snapshot(findings=(full, leak)), ServiceFacts())
    alert = values[f"{ROOT}/$alert/flow-at-rest"].decode()
    assert alert == "fault: water flows with everything off Cure: look for a leak"
    assert f"{ROOT}/$alert/cap-reached-bench" in values
    findings = json.loads(values[f"{ROOT}/site/findings"])
    assert [finding["id"] for finding in findings] == ["flow-at-rest", "cap-reached:bench"]
    assert findings[0]["since"] == "2026-05-14T05:30:00Z"


@pytest.mark.parametrize("finding_id", ["a", "Level_Unknown", "cap:bench", "::", "-x-"])
def test_alert_ids_are_legal_topic_levels(finding_id: str) -> None:
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", alert_id(finding_id))


def test_an_accepted_command_is_shown_byte_for_byte() -> None:
    """Section "Target attribute"."""
    payload = b'{ "id":"h-1",\n "volume_l": 3 }'
    values = TREE.values(snapshot(), ServiceFacts(targets={"zone-bench/run": payload}))
    assert values[f"{ROOT}/zone-bench/run/$target"] == payload
    assert values[f"{ROOT}/zone-bench/run"] == b""


def test_the_set_topics_are_those_declared_settable() -> None:
    settable = {f"{ROOT}/{path}/set" for _, path, declared in _properties() if declared.get("settable")}
    assert TREE.set_topics().keys() == settable


def test_a_zone_s_hold_words_and_the_forecast_are_shown() -> None:
    bench, salad = snapshot().zones
    held = replace(
        bench, held=True, hold_until_wall_ms=START_WALL_MS + 3_600_000, coefficient_factor=1.1234, last_look="dry"
    )
    shown = snapshot(zones=(held, salad), forecast_issued_wall_ms=START_WALL_MS, rain_to_come_mm=9.5)
    values = TREE.values(shown, ServiceFacts())
    names = ("mode", "hold-until", "coefficient-factor", "looks")
    assert [values[f"{ROOT}/zone-bench/{name}"] for name in names] == [
        b"hold",
        b"2026-05-14T06:30:00Z",
        b"1.123",
        b"dry",
    ]
    assert [values[f"{ROOT}/zone-salad/{name}"] for name in names] == [b"run", b"", b"1.000", b""]
    assert values[f"{ROOT}/weather/forecast-issued"] == b"2026-05-14T05:30:00Z"
    assert values[f"{ROOT}/weather/rain-to-come"] == b"9.5"


def test_the_version_changes_exactly_when_the_document_does() -> None:
    again = DeviceTree(SITE).descriptions()
    renamed = DeviceTree(replace(SITE, name="Another name")).descriptions()
    assert again == TREE.descriptions()
    assert json.loads(renamed[f"{ROOT}/$description"])["version"] != _documents()["hillfoot"]["version"]


@pytest.mark.parametrize("changes", [{"id": "Hill Foot"}, {"id": "a/b"}, {"mqtt": Mqtt(domain="home#")}])
def test_ids_the_convention_forbids_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError, match="a-z, 0-9"):
        DeviceTree(replace(SITE, **changes))


def test_the_board_is_quiet_about_its_pump_while_the_link_is_down() -> None:
    values = TREE.values(snapshot(link_up=False, board_id=None), ServiceFacts())
    assert values[f"{BOARD}/link/up"] == b"false"
    assert values[f"{BOARD}/pump/running"] == b""
