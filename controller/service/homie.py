"""The site as a Homie 5.0 device tree: what exists, what it is worth now, which topic orders what.

Convention: https://homieiot.github.io/specification/spec-core-v5_0_0/ . Pure functions of the declaration and of one
snapshot; `controller.service.mqtt` does the publishing.
"""

from __future__ import annotations

import json
import math
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from controller.contract import Finding, Snapshot, TankView, ZoneView
from controller.errors import ConfigurationError
from controller.service.orders import schedule_to_values
from controller.site.model import Site

EMPTY_STRING = b"\x00"
"""How the convention sends a string without characters; a zero-length payload deletes the topic."""
UNKNOWN = b""
_TOPIC_ID = re.compile(r"^[a-z0-9]([a-z0-9-]*[a-z0-9])?$")
_SEVERITIES = {"fault": 0, "warning": 1, "info": 2}

_encode = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


@dataclass(frozen=True, slots=True)
class Property:
    """One property as `$description` declares it."""

    id: str
    datatype: str
    unit: str = ""
    format: str = ""
    settable: bool = False


_QUALITY = "good,suspect,unknown"

SITE_NODE = (
    Property("mode", "enum", format="run,hold", settable=True),
    Property("hold-until", "datetime"),
    Property("findings", "json"),
    Property("clear-fault", "string", settable=True),
    Property("last-refusal", "string"),
    Property("clock", "enum", format="synchronised,coasting,unknown"),
    Property("time-zone", "string"),
    Property("units", "enum", format="metric,us"),
    Property("updated-at", "datetime"),
    Property("sequence", "integer", "#", "0:"),
    Property("unsent", "integer", "#", "0:"),
)
TANK_NODE = (
    Property("level", "float", "m", "0:"),
    Property("volume", "float", "L", "0:"),
    Property("volume-uncertainty", "float", "L", "0:"),
    Property("volume-bound", "enum", format="about,at-least"),
    Property("fill", "float", "%", "0:100"),
    Property("capacity", "float", "L", "0:"),
    Property("reserve", "float", "L", "0:"),
    Property("days-of-supply", "float", "d", "0:"),
    Property("days-of-supply-low", "float", "d", "0:120"),
    Property("days-of-supply-likely", "float", "d", "0:120"),
    Property("days-of-supply-high", "float", "d", "0:120"),
    Property("quality", "enum", format=_QUALITY),
    Property("measured-at", "datetime"),
)
POWER_NODE = (
    Property("voltage", "float", "V", "0:"),
    Property("state-of-charge", "float", "%", "0:100"),
    Property("quality", "enum", format=_QUALITY),
    Property("measured-at", "datetime"),
)
WEATHER_NODE = (
    Property("temperature", "float", "°C"),
    Property("rain-today", "float", "mm", "0:"),
    Property("et0-today", "float", "mm", "0:"),
    Property("forecast-issued", "datetime"),
    Property("rain-to-come", "float", "mm", "0:"),
    Property("measured-at", "datetime"),
)
ZONE_NODE = (
    Property("name", "string"),
    Property("mode", "enum", format="run,hold", settable=True),
    Property("hold-until", "datetime"),
    Property("watering", "boolean", format="off,on"),
    Property("delivered-now", "float", "L", "0:"),
    Property("applied-today", "float", "L", "0:"),
    Property("daily-cap", "float", "L", "0:"),
    Property("depletion", "float", "mm", "0:"),
    Property("total-available", "float", "mm", "0:"),
    Property("readily-available", "float", "mm", "0:"),
    Property("plan", "float", "L", "0:"),
    Property("next-start", "datetime"),
    Property("why", "string"),
    Property("last-refusal", "string"),
    Property("looks", "enum", format="dry,wet", settable=True),
    Property("coefficient-factor", "float", format="0.5:1.6"),
    Property("schedule-version", "integer", "#", "0:"),
    Property("schedule", "json", settable=True),
    Property("run", "json", settable=True),
)
LINK_NODE = (Property("up", "boolean", format="lost,up"), Property("board-id", "string"))
PUMP_NODE = (Property("running", "boolean", format="off,on"),)

NODES_BY_TEMPLATE: dict[str, tuple[Property, ...]] = {
    "site": SITE_NODE,
    "tank-<tank>": TANK_NODE,
    "power": POWER_NODE,
    "weather": WEATHER_NODE,
    "zone-<zone>": ZONE_NODE,
    "link": LINK_NODE,
    "pump": PUMP_NODE,
}


@dataclass(frozen=True, slots=True)
class ServiceFacts:
    """What the tree shows that the core does not know."""

    last_seq: int = 0
    unsent: int = 0
    last_refusal: str = ""
    last_cleared: str = ""
    battery_measured_wall_ms: int | None = None
    temperature_measured_wall_ms: int | None = None
    targets: Mapping[str, bytes] = field(default_factory=dict)
    """Accepted commands byte for byte, by `<node>/<property>`."""
    reached: Mapping[str, bytes] = field(default_factory=dict)
    """The same for `run` targets whose watering has ended."""


@dataclass(frozen=True, slots=True)
class SetTopic:
    """What a `set` topic orders."""

    kind: str
    zone_id: str | None
    property_path: str


class DeviceTree:
    """Topics of one site. Raises ConfigurationError for ids that the convention does not allow."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.root = f"{site.mqtt.domain}/5/{site.id}"
        self.board = f"{self.root}-board"
        for what, value in (
            ("mqtt.domain", site.mqtt.domain),
            ("site id", site.id),
            *(("tank id", tank.id) for tank in site.tanks),
            *(("zone id", zone.id) for zone in site.zones),
        ):
            if not _TOPIC_ID.match(value):
                raise ConfigurationError(f"{what} {value!r} cannot be a topic: use a-z, 0-9 and - inside")
        self._set_topics = self._make_set_topics()

    @property
    def state_topic(self) -> str:
        return f"{self.root}/$state"

    @property
    def board_state_topic(self) -> str:
        return f"{self.board}/$state"

    def descriptions(self) -> dict[str, bytes]:
        """`$description` of both devices, the child's first."""
        site = self._site
        child = {
            "homie": "5.0",
            "name": f"{site.name}: board",
            "root": site.id,
            "parent": site.id,
            "nodes": {"link": _node("Serial link", LINK_NODE), "pump": _node("Pump", PUMP_NODE)},
        }
        nodes = {"site": _node("Site", SITE_NODE)}
        nodes |= {f"tank-{tank.id}": _node(tank.name, TANK_NODE) for tank in site.tanks}
        nodes |= {"power": _node("Battery", POWER_NODE), "weather": _node("Weather", WEATHER_NODE)}
        nodes |= {f"zone-{zone.id}": _node(zone.name, ZONE_NODE) for zone in site.zones}
        root = {"homie": "5.0", "name": site.name, "children": [f"{site.id}-board"], "nodes": nodes}
        return {f"{self.board}/$description": _versioned(child), f"{self.root}/$description": _versioned(root)}

    def set_topics(self) -> dict[str, SetTopic]:
        """Every topic that takes commands, with what it orders."""
        return self._set_topics

    def alert_topic(self, finding_id: str) -> str:
        return f"{self.root}/$alert/{alert_id(finding_id)}"

    def values(self, snapshot: Snapshot, facts: ServiceFacts) -> dict[str, bytes]:
        """Every retained topic except `$state` and `$description`, with what is unknown as a zero-length payload."""
        dated = snapshot.trust != "unknown"
        nodes: dict[str, dict[str, bytes]] = {"site": self._site_values(snapshot, facts)}
        nodes |= {f"tank-{tank.id}": _tank_values(tank, dated) for tank in snapshot.tanks}
        nodes["power"] = {
            "voltage": _float(snapshot.battery_v, 2),
            "state-of-charge": _float(snapshot.battery_charge_percent, 0),
            "quality": snapshot.battery_quality.encode(),
            "measured-at": _time(facts.battery_measured_wall_ms, dated),
        }
        nodes["weather"] = {
            "temperature": _float(snapshot.temperature_c, 1),
            "rain-today": _float(snapshot.rain_today_mm, 1),
            "et0-today": _float(snapshot.et0_today_mm, 2),
            "forecast-issued": _time(snapshot.forecast_issued_wall_ms, dated),
            "rain-to-come": _float(snapshot.rain_to_come_mm, 1),
            "measured-at": _time(facts.temperature_measured_wall_ms, dated),
        }
        nodes |= {f"zone-{zone.id}": _zone_values(zone, dated, facts) for zone in snapshot.zones}
        topics = {f"{self.root}/{node}/{name}": v for node, values in nodes.items() for name, v in values.items()}
        topics |= {f"{self.root}/{path}/$target": payload for path, payload in facts.targets.items()}
        topics[f"{self.board}/link/up"] = _boolean(snapshot.link_up)
        topics[f"{self.board}/link/board-id"] = (snapshot.board_id or "").encode()
        topics[f"{self.board}/pump/running"] = _boolean(snapshot.pump_on) if snapshot.link_up else UNKNOWN
        topics |= {self.alert_topic(f.id): _alert_text(f).encode() for f in snapshot.findings}
        return topics

    def _site_values(self, snapshot: Snapshot, facts: ServiceFacts) -> dict[str, bytes]:
        dated = snapshot.trust != "unknown"
        return {
            "mode": b"hold" if snapshot.held else b"run",
            "hold-until": _time(snapshot.hold_until_wall_ms if snapshot.held else None, dated),
            "findings": _encode(findings_values(snapshot.findings)).encode(),
            "clear-fault": _string(facts.last_cleared),
            "last-refusal": _string(facts.last_refusal),
            "clock": snapshot.trust.encode(),
            "time-zone": _string(self._site.place.time_zone),
            "units": self._site.units.encode(),
            "updated-at": _time(snapshot.wall_ms - snapshot.wall_ms % 60_000, dated),
            "sequence": b"%d" % facts.last_seq,
            "unsent": b"%d" % facts.unsent,
        }

    def _make_set_topics(self) -> dict[str, SetTopic]:
        topics = {
            f"{self.root}/site/mode/set": SetTopic("mode", None, "site/mode"),
            f"{self.root}/site/clear-fault/set": SetTopic("clear-fault", None, "site/clear-fault"),
        }
        for zone in self._site.zones:
            node = f"zone-{zone.id}"
            topics[f"{self.root}/{node}/run/set"] = SetTopic("run-zone", zone.id, f"{node}/run")
            topics[f"{self.root}/{node}/mode/set"] = SetTopic("zone-mode", zone.id, f"{node}/mode")
            topics[f"{self.root}/{node}/looks/set"] = SetTopic("zone-looks", zone.id, f"{node}/looks")
            topics[f"{self.root}/{node}/schedule/set"] = SetTopic("set-schedule", zone.id, f"{node}/schedule")
        return topics


def findings_values(findings: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """JSON-able findings, worst first; among equals the order of the core stands."""
    return [
        {
            "id": finding.id,
            "severity": finding.severity,
            "text": finding.text,
            "cure": finding.cure,
            "since": None if finding.since_wall_ms is None else iso_time(finding.since_wall_ms),
            "latched": finding.latched,
        }
        for finding in sorted(findings, key=lambda f: _SEVERITIES[f.severity])
    ]


def alert_id(finding_id: str) -> str:
    """A finding's id as a topic level: `a-z 0-9 -` only."""
    return re.sub(r"[^a-z0-9]+", "-", finding_id.lower()).strip("-") or "finding"


def iso_time(wall_ms: int) -> str:
    """UTC time to the second, with Z."""
    return datetime.fromtimestamp(wall_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _node(name: str, properties: tuple[Property, ...]) -> dict[str, Any]:
    return {"name": name, "properties": {p.id: _property(p) for p in properties}}


def _property(declared: Property) -> dict[str, Any]:
    document: dict[str, Any] = {"datatype": declared.datatype}
    if declared.unit:
        document["unit"] = declared.unit
    if declared.format:
        document["format"] = declared.format
    if declared.settable:
        document["settable"] = True
    return document


def _versioned(document: dict[str, Any]) -> bytes:
    """The version is a sum over the content: it changes exactly when the document does."""
    version = zlib.crc32(_encode(document).encode())
    return _encode({"homie": document["homie"], "version": version} | document).encode()


def _tank_values(tank: TankView, dated: bool) -> dict[str, bytes]:
    fill, likely = None, tank.likely_supply
    if tank.volume_l is not None and tank.capacity_l > 0:
        fill = min(100.0, 100.0 * tank.volume_l / tank.capacity_l)
    return {
        "level": _float(None if tank.level_mm is None else tank.level_mm / 1000.0, 3),
        "volume": _float(tank.volume_l, 1),
        "volume-uncertainty": _float(tank.volume_sd_l, 1),
        "volume-bound": b"" if tank.volume_l is None else b"at-least" if tank.at_or_above else b"about",
        "fill": _float(fill, 1),
        "capacity": _float(tank.capacity_l, 1),
        "reserve": _float(tank.reserve_l, 1),
        "days-of-supply": _float(tank.days_of_supply, 1),
        "days-of-supply-low": _float(likely and likely.low, 1),
        "days-of-supply-likely": _float(likely and likely.likely, 1),
        "days-of-supply-high": _float(likely and likely.high, 1),
        "quality": tank.quality.encode(),
        "measured-at": _time(tank.measured_wall_ms, dated),
    }


def _zone_values(zone: ZoneView, dated: bool, facts: ServiceFacts) -> dict[str, bytes]:
    return {
        "name": _string(zone.name),
        "mode": b"hold" if zone.held else b"run",
        "hold-until": _time(zone.hold_until_wall_ms, dated),
        "watering": _boolean(zone.watering),
        "delivered-now": _float(zone.delivered_now_l, 2),
        "applied-today": _float(zone.applied_today_l, 2),
        "daily-cap": _float(zone.schedule.daily_cap_l, 1),
        "depletion": _float(zone.depletion_mm, 2),
        "total-available": _float(zone.total_available_mm, 1),
        "readily-available": _float(zone.readily_mm, 1),
        "plan": _float(zone.plan_l, 1),
        "next-start": _time(zone.next_start_wall_ms, dated),
        "why": _string(zone.why),
        "last-refusal": _string(zone.last_refusal),
        "looks": UNKNOWN if zone.last_look is None else zone.last_look.encode(),
        "coefficient-factor": _float(zone.coefficient_factor, 3),
        "schedule-version": b"%d" % zone.schedule_version,
        "schedule": _encode(schedule_to_values(zone.schedule)).encode(),
        "run": facts.reached.get(f"zone-{zone.id}/run", UNKNOWN),
    }


def _alert_text(finding: Finding) -> str:
    cure = f" Cure: {finding.cure}" if finding.cure else ""
    return f"{finding.severity}: {finding.text}{cure}"


def _float(value: float | None, decimals: int) -> bytes:
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return f"{round(value, decimals) + 0.0:.{decimals}f}".encode()


def _time(wall_ms: int | None, dated: bool) -> bytes:
    return UNKNOWN if wall_ms is None or not dated else iso_time(wall_ms).encode()


def _boolean(value: bool) -> bytes:
    return b"true" if value else b"false"


def _string(text: str) -> bytes:
    return text.encode() or EMPTY_STRING
