"""One consistent picture of a site as the page shows it, read from its device tree. None always means unknown."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dashboards.homie import Device, DeviceTree, json_or_none, without_surrogates

UnitSystem = Literal["metric", "us"]
SiteState = Literal["ready", "init", "disconnected", "sleeping", "lost", "absent"]
SEVERITIES = ("fault", "warning", "info")
MAX_FINDINGS = 50
CLOCKS_AGREE_WITHIN_MS = 120_000
Kind = TypeVar("Kind")


@dataclass(frozen=True, slots=True)
class TankStatus:
    id: str
    level_m: float | None = None
    volume_l: float | None = None
    uncertainty_l: float | None = None
    at_least: bool = False
    """Level, volume and fill are lower bounds: the water stands too near to the sensor."""
    fill_percent: float | None = None
    capacity_l: float | None = None
    reserve_l: float | None = None
    supply_days: float | None = None
    supply_low_days: float | None = None
    supply_likely_days: float | None = None
    supply_high_days: float | None = None
    quality: str = "unknown"
    measured_at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class PowerStatus:
    battery_v: float | None = None
    charge_percent: float | None = None
    quality: str = "unknown"
    measured_at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class WeatherStatus:
    temperature_c: float | None = None
    rain_today_mm: float | None = None
    et0_today_mm: float | None = None
    rain_to_come_mm: float | None = None
    measured_at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class ZoneSchedule:
    """A schedule as published: local times as minutes after midnight."""

    mode: Literal["need", "fixed", "off"]
    windows: tuple[tuple[int, int], ...]
    daily_cap_l: float | None
    doses_per_day: int
    fixed_volume_l: float | None
    fixed_times_min: tuple[int, ...]
    soak_min: int = 60


@dataclass(frozen=True, slots=True)
class ZoneStatus:
    id: str
    name: str
    watering: bool | None = None
    delivered_now_l: float | None = None
    applied_today_l: float | None = None
    daily_cap_l: float | None = None
    depletion_mm: float | None = None
    total_available_mm: float | None = None
    readily_mm: float | None = None
    plan_l: float | None = None
    next_start_ms: int | None = None
    why: str | None = None
    last_refusal: str | None = None
    schedule: ZoneSchedule | None = None
    schedule_version: int | None = None
    held: bool | None = None
    hold_until_ms: int | None = None
    looks: str | None = None
    coefficient_factor: float | None = None

    @property
    def wants_water(self) -> bool:
        """False only when it is known that nothing is planned."""
        return self.plan_l is None or self.plan_l > 0.0 or (self.schedule is not None and self.schedule.mode == "fixed")


@dataclass(frozen=True, slots=True)
class FindingStatus:
    id: str
    severity: Literal["info", "warning", "fault"]
    text: str
    cure: str
    since_ms: int | None = None
    latched: bool = False


@dataclass(frozen=True, slots=True)
class SiteView:
    """Everything the page says about the present. `now_ms` is the site's own time when it can be told."""

    id: str
    name: str
    now_ms: int
    state: SiteState
    broker_connected: bool
    heard_at_ms: int | None
    updated_at_ms: int | None
    clocks_apart_ms: int
    time_zone: ZoneInfo
    units: UnitSystem
    clock_trust: str | None
    held: bool | None
    hold_until_ms: int | None
    last_refusal: str | None
    newest_sequence: int | None
    unsent: int | None
    board_state: SiteState
    link_up: bool | None
    board_id: str | None
    pump_running: bool | None
    tanks: tuple[TankStatus, ...] = ()
    power: PowerStatus = field(default_factory=PowerStatus)
    weather: WeatherStatus = field(default_factory=WeatherStatus)
    zones: tuple[ZoneStatus, ...] = ()
    findings: tuple[FindingStatus, ...] | None = None

    @property
    def live(self) -> bool:
        """True while the controller is known to be there and heard."""
        return self.broker_connected and self.state in ("ready", "init")

    @property
    def running(self) -> tuple[ZoneStatus, ...]:
        return tuple(z for z in self.zones if z.watering)

    @property
    def upcoming(self) -> tuple[ZoneStatus, ...]:
        """Zones that shall get water at a known time, the soonest first."""
        waiting = [z for z in self.zones if z.next_start_ms is not None and not z.watering and z.wants_water]
        return tuple(sorted(waiting, key=lambda z: z.next_start_ms or 0))


def read_site(
    tree: DeviceTree, site: Device, now_ms: int, broker_connected: bool, units: UnitSystem | None = None
) -> SiteView:
    """The picture of one root device. `units` overrides what the site prefers."""
    values = _Values(site)
    board = tree.board_of(site)
    board_values = _Values(board) if board is not None else _Values(Device(""))
    apart_ms = _clocks_apart_ms(site)
    state = read_state(site)
    return SiteView(
        id=site.id,
        name=site.name or site.id,
        now_ms=now_ms + apart_ms,
        state=state,
        broker_connected=broker_connected,
        heard_at_ms=site.heard_at_ms or None,
        updated_at_ms=values.time("site/updated-at"),
        clocks_apart_ms=apart_ms,
        time_zone=_zone(values.text("site/time-zone")),
        units=units or ("us" if values.text("site/units") == "us" else "metric"),
        clock_trust=values.one_of("site/clock", ("synchronised", "coasting", "unknown")),
        held={"hold": True, "run": False}.get(values.text("site/mode") or ""),
        hold_until_ms=values.time("site/hold-until"),
        last_refusal=values.text("site/last-refusal"),
        newest_sequence=values.whole("site/sequence"),
        unsent=values.whole("site/unsent"),
        board_state="absent" if board is None else "lost" if state == "lost" else read_state(board),
        link_up=board_values.truth("link/up"),
        board_id=board_values.text("link/board-id"),
        pump_running=board_values.truth("pump/running"),
        tanks=tuple(_tank(values, node) for node in values.nodes("tank-")),
        power=PowerStatus(
            values.number("power/voltage", 0.0, 1000.0),
            values.number("power/state-of-charge", 0.0, 100.0),
            values.one_of("power/quality", ("good", "suspect", "unknown")) or "unknown",
            values.time("power/measured-at"),
        ),
        weather=WeatherStatus(
            values.number("weather/temperature", -90.0, 90.0),
            values.number("weather/rain-today", 0.0),
            values.number("weather/et0-today", 0.0),
            values.number("weather/rain-to-come", 0.0),
            values.time("weather/measured-at"),
        ),
        zones=tuple(_zone_status(values, node) for node in values.nodes("zone-")),
        findings=read_findings(values.text("site/findings")),
    )


class _Values:
    """Typed access to a device's texts; whatever is not what it should be is unknown."""

    def __init__(self, device: Device) -> None:
        self._device = device

    def nodes(self, prefix: str) -> list[str]:
        return [node for node in self._device.nodes if node.startswith(prefix)]

    def text(self, path: str) -> str | None:
        return self._device.text(path)

    def one_of(self, path: str, allowed: tuple[str, ...]) -> str | None:
        text = self.text(path)
        return text if text in allowed else None

    def number(self, path: str, low: float = -math.inf, high: float = math.inf) -> float | None:
        return finite(self.text(path), low, high)

    def whole(self, path: str) -> int | None:
        number = self.number(path, 0.0, 2.0**53)
        return None if number is None else int(number)

    def truth(self, path: str) -> bool | None:
        return {"true": True, "false": False}.get(self.text(path) or "")

    def time(self, path: str) -> int | None:
        return time_ms(self.text(path))


def finite(text: str | None, low: float = -math.inf, high: float = math.inf) -> float | None:
    """A plain number within bounds, else None."""
    try:
        number = float(text or "")
    except ValueError:
        return None
    return number if math.isfinite(number) and low <= number <= high else None


def time_ms(text: object) -> int | None:
    """An ISO 8601 instant with its zone as UTC ms, else None."""
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text)
        return round(moment.timestamp() * 1000) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def read_state(device: Device) -> SiteState:
    states: dict[str, SiteState] = {
        "ready": "ready",
        "init": "init",
        "disconnected": "disconnected",
        "sleeping": "sleeping",
        "lost": "lost",
    }
    return states.get(device.state, "absent")


def _clocks_apart_ms(site: Device) -> int:
    """How far the site's clock is ahead of ours, told from its fresh stamps; 0 when they agree or none is fresh.

    No stamp is later than the moment it was sent, so the one furthest ahead is nearest to the site's clock.
    """
    stamps = (site.values[path] for path in site.values if path == "site/updated-at" or path.endswith("/measured-at"))
    ahead_ms = [said_ms - s.at_ms for s in stamps if not s.retained and (said_ms := time_ms(s.text)) is not None]
    apart_ms = max(ahead_ms, default=0)
    return apart_ms if abs(apart_ms) > CLOCKS_AGREE_WITHIN_MS else 0


def _zone(name: str | None) -> ZoneInfo:
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")


def _tank(values: _Values, node: str) -> TankStatus:
    return TankStatus(
        id=node.removeprefix("tank-"),
        level_m=values.number(f"{node}/level", 0.0),
        volume_l=values.number(f"{node}/volume", 0.0),
        uncertainty_l=values.number(f"{node}/volume-uncertainty", 0.0),
        at_least=values.text(f"{node}/volume-bound") == "at-least",
        fill_percent=values.number(f"{node}/fill", 0.0, 100.0),
        capacity_l=values.number(f"{node}/capacity", 0.0),
        reserve_l=values.number(f"{node}/reserve", 0.0),
        supply_days=values.number(f"{node}/days-of-supply", 0.0),
        supply_low_days=values.number(f"{node}/days-of-supply-low", 0.0),
        supply_likely_days=values.number(f"{node}/days-of-supply-likely", 0.0),
        supply_high_days=values.number(f"{node}/days-of-supply-high", 0.0),
        quality=values.one_of(f"{node}/quality", ("good", "suspect", "unknown")) or "unknown",
        measured_at_ms=values.time(f"{node}/measured-at"),
    )


def _zone_status(values: _Values, node: str) -> ZoneStatus:
    zone_id = node.removeprefix("zone-")
    return ZoneStatus(
        id=zone_id,
        name=values.text(f"{node}/name") or zone_id,
        watering=values.truth(f"{node}/watering"),
        delivered_now_l=values.number(f"{node}/delivered-now", 0.0),
        applied_today_l=values.number(f"{node}/applied-today", 0.0),
        daily_cap_l=values.number(f"{node}/daily-cap", 0.0),
        depletion_mm=values.number(f"{node}/depletion", 0.0),
        total_available_mm=values.number(f"{node}/total-available", 0.0),
        readily_mm=values.number(f"{node}/readily-available", 0.0),
        plan_l=values.number(f"{node}/plan", 0.0),
        next_start_ms=values.time(f"{node}/next-start"),
        why=values.text(f"{node}/why"),
        last_refusal=values.text(f"{node}/last-refusal"),
        schedule=read_schedule(json_or_none(values.text(f"{node}/schedule"))),
        schedule_version=values.whole(f"{node}/schedule-version"),
        held={"hold": True, "run": False}.get(values.text(f"{node}/mode") or ""),
        hold_until_ms=values.time(f"{node}/hold-until"),
        looks=values.one_of(f"{node}/looks", ("dry", "wet")),
        coefficient_factor=values.number(f"{node}/coefficient-factor", 0.0, 10.0),
    )


def read_schedule(document: object) -> ZoneSchedule | None:
    """A schedule from its JSON object (docs/mqtt.md); None for what is none."""
    if not isinstance(document, dict):
        return None
    mode = document.get("mode")
    if mode not in ("need", "fixed", "off"):
        return None
    windows = [
        (start, end)
        for window in _listed(document.get("windows"), dict)
        if (start := _minutes(window.get("start"))) is not None and (end := _minutes(window.get("end"))) is not None
    ]
    times = [minute for word in _listed(document.get("fixed_times"), str) if (minute := _minutes(word)) is not None]
    doses, soak = document.get("doses_per_day", 1), document.get("soak_min", 60)
    return ZoneSchedule(
        mode=mode,
        windows=tuple(windows),
        daily_cap_l=_json_number(document.get("daily_cap_l")),
        doses_per_day=doses if isinstance(doses, int) and not isinstance(doses, bool) else 1,
        fixed_volume_l=_json_number(document.get("fixed_volume_l")),
        fixed_times_min=tuple(times),
        soak_min=soak if isinstance(soak, int) and not isinstance(soak, bool) else 60,
    )


def read_findings(text: str | None) -> tuple[FindingStatus, ...] | None:
    """Open findings; None when the site has not said, which is not the same as none."""
    document = json_or_none(text)
    if not isinstance(document, list):
        return None
    return tuple(_finding(entry) for entry in _listed(document, dict)[:MAX_FINDINGS])


def _finding(entry: dict[str, Any]) -> FindingStatus:
    severity = entry.get("severity")
    return FindingStatus(
        id=_said(entry.get("id"), 64),
        severity=severity if severity in SEVERITIES else "warning",
        text=_said(entry.get("text"), 500),
        cure=_said(entry.get("cure"), 500),
        since_ms=time_ms(entry.get("since")),
        latched=entry.get("latched") is True,
    )


def _said(value: object, longest: int) -> str:
    return without_surrogates(value)[:longest] if isinstance(value, str) else ""


def _listed(value: object, kind: type[Kind]) -> list[Kind]:
    return [entry for entry in value if isinstance(entry, kind)] if isinstance(value, list) else []


def _json_number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _minutes(word: object) -> int | None:
    """`HH:MM` up to 24:00 as minutes after midnight."""
    if not isinstance(word, str) or len(word) != 5 or word[2] != ":" or not (word[:2] + word[3:]).isdigit():
        return None
    minutes = int(word[:2]) * 60 + int(word[3:])
    return minutes if minutes <= 1440 and int(word[3:]) < 60 else None


def utc_text(at_ms: int) -> str:
    """An instant as ISO 8601 in UTC."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
