"""The core's memory: plain data that survives a restart, written to JSON and read back without loss.

Times named `..._mono_ms` live on the monotonic clock and are shifted when it begins anew; `..._wall_ms` are UTC.
Volumes that are added up are integer millilitres, so that sums are exact.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

from controller.contract import Forecast, ForecastDay, Look
from controller.irrigate.feedback import Trim
from controller.irrigate.heat_stages import Warmth
from controller.irrigate.outlook import Use
from controller.irrigate.soil_probe import ProbeMemory
from controller.site.model import DEFAULT_SOAK_MIN, Schedule, Site, Window

KEPT_SCHEDULES = 5
NEVER_MS = -(10**12)
"""A monotonic time before all others: "has not happened"."""

Phase = Literal["waking", "running", "relieving", "draining", "stopping"]
Trigger = Literal["need", "fixed", "order", "relief", "drain"]


@dataclass(slots=True)
class Delivery:
    """The one watering under way. `key` makes it happen once: zone, local date and slot, or the order's id."""

    zone_id: str
    trigger: Trigger
    key: str
    target_ml: int
    why: str
    phase: Phase
    phase_mono_ms: int
    began_wall_ms: int
    started_mono_ms: int = NEVER_MS
    """When the outputs were first wanted."""
    pump_seen_mono_ms: int = NEVER_MS
    """When the board's read-back first showed the pump on."""
    flow_seen_mono_ms: int = NEVER_MS
    pulses: int = 0
    meter_part: float = 0.0
    """What is added to the metered volume, as part of it: the meter is known to count too little."""
    meter_sd: float = 0.0
    unmetered_ms: int = 0
    reported_mono_ms: int = NEVER_MS
    """When the board last reported during this watering."""
    delivered_ml: int = 0
    ended: str = ""
    recent: list[tuple[int, int]] = field(default_factory=list)
    """(mono_ms, pulses) of the last seconds, for the present flow."""
    current_a: float | None = None
    """The battery's current in the newest report, positive while charging; None without a shunt."""
    rest_a: float | None = None
    """The last one before the pump started."""
    pumping_a: float | None = None
    """The last one while the pump read as on."""
    pumping_l_min: float = 0.0
    """The flow just before the stop."""
    holds_valve: bool = False
    """Is the valve kept open after the pump, until the flow has ended?"""
    drain_ms: int = 0
    """For how long the valve is open to empty the line."""
    off_mono_ms: int = NEVER_MS
    """When the pump first read as off after the stop, with `off_pulses` counted by then."""
    off_pulses: int = 0


@dataclass(slots=True)
class ZoneState:
    """What is remembered of one zone."""

    schedule: Schedule
    schedule_version: int
    depletion_mm: float
    rain_credited_mm: float = 0.0
    applied_today_ml: int = 0
    etc_today_mm: float = 0.0
    doses: list[str] = field(default_factory=list)
    """Run keys served today and yesterday; each begins with its local date."""
    fixed_left_ml: dict[str, int] = field(default_factory=dict)
    """What an interrupted fixed run still owes, by run key."""
    tries: int = 0
    retry_mono_ms: int = NEVER_MS
    plan_l: float = 0.0
    wanted_l: float = 0.0
    plan_why: str = ""
    planned_l: float = -1.0
    """The last plan written to the journal."""
    refused_ids: list[str] = field(default_factory=list)
    refusal: str = ""
    mean_gross_l: float = -1.0
    """Running mean of the daily need at the emitters; below zero before the first day."""
    surface_mm: float = 0.0
    """What has dried out of the wet part of the surface, for dual crop coefficients."""
    surface_rained: bool = False
    """Was it rain that wetted the surface last?"""
    trim: Trim = field(default_factory=Trim)
    """What was learned from the owner's words."""
    last_look: Look | None = None
    looked_mono_ms: int = NEVER_MS
    """When the owner's last word counted."""
    held: bool = False
    hold_until_wall_ms: int | None = None
    earlier_schedules: list[Schedule] = field(default_factory=list)
    """What an undo goes back to, the newest last; at most `KEPT_SCHEDULES`."""

    def is_held(self, wall_ms: int) -> bool:
        """Whether the zone's own hold stands at an instant."""
        return self.held and (self.hold_until_wall_ms is None or wall_ms < self.hold_until_wall_ms)


@dataclass(slots=True)
class ManualRun:
    """A run by order that waits for its turn; it must not begin after either instant, whatever the wall clock does."""

    order_id: str
    zone_id: str
    volume_l: float
    not_after_wall_ms: int
    not_after_mono_ms: int


@dataclass(slots=True)
class RunsOn:
    """A pump that runs although it is told not to, as far as is known."""

    pump_id: str
    rest_a: float | None
    """The battery's current without it and with it, where that is measured."""
    pumping_a: float | None
    due_mono_ms: int
    """When a way out for its water is looked for, see `controller.core.relief`."""


@dataclass(slots=True)
class Latch:
    """A fault that stays until a person clears it."""

    id: str
    condition: str
    zone_id: str
    """The zone, or the pump, that it bars; empty: the whole site."""
    text: str
    cure: str
    since_wall_ms: int


@dataclass(slots=True)
class Weather:
    """The day's weather so far, and what is expected of it."""

    day: int = 0
    """Local date as a proleptic ordinal; 0 before the first step with a known clock."""
    began_wall_ms: int = 0
    began_mono_ms: int = NEVER_MS
    """When that date was taken up, by both clocks: what tells a day that is over from a clock that was put forward.
    By the clock that never steps `NEVER_MS` when nobody knows how long the machine was without power since."""
    renewed_mono_ms: int = NEVER_MS
    """When the day's caps last began anew."""
    et0_expected_mm: float = 0.0
    et0_source: str = ""
    et0_accrued_mm: float = 0.0
    accrued_wall_ms: int = 0
    rain_today_mm: float = 0.0
    closed_et0_mm: dict[str, float] = field(default_factory=dict)
    """What the last days were closed with, by ISO date."""
    reported: dict[str, dict[str, float]] = field(default_factory=dict)
    """Days reported by a station, by ISO date."""
    recent_rain_mm: list[float] = field(default_factory=list)
    """Of the last days, yesterday last; as many as the price of water looks at, less today."""
    rain_kept_mm: dict[str, dict[str, float]] = field(default_factory=dict)
    """What each zone still has of a day's rain, by ISO date and zone id."""


@dataclass(slots=True)
class State:
    """Everything. Estimators keep their own part, see `controller.core.sensing`."""

    zones: dict[str, ZoneState]
    mono_ms: int = NEVER_MS
    wall_ms: int = 0
    trust: str = "unknown"
    link_up: bool = False
    link_reason: str = "not connected yet"
    board_id: str = ""
    boot_id: str = ""
    board_faults: list[str] = field(default_factory=list)
    auto_clears_today: int = 0
    pump_on: int = 0
    valve_open: int = 0
    shut_mono_ms: int = NEVER_MS
    """Since when the board reads all outputs off while the core wants them off."""
    float_dry: dict[str, bool] = field(default_factory=dict)
    held: bool = False
    hold_until_wall_ms: int | None = None
    delivery: Delivery | None = None
    manual: list[ManualRun] = field(default_factory=list)
    latches: dict[str, Latch] = field(default_factory=dict)
    notices: dict[str, Latch] = field(default_factory=dict)
    """Findings of today that need no clearing, by condition and zone."""
    standing: dict[str, Latch] = field(default_factory=dict)
    """What the estimators have found and still find, by condition and what it is about."""
    runs_on: RunsOn | None = None
    rest_flow_ml: int = 0
    rest_flow_mono_ms: int = NEVER_MS
    slow_due_wall_ms: int = 0
    choice_due_mono_ms: int = NEVER_MS
    rest_until_mono_ms: int = NEVER_MS
    """Before this nothing begins by itself: a run has just ended, or the controller has just started."""
    plan_due_mono_ms: int = NEVER_MS
    """When the plan is too old to act on; past when something happened that changes it."""
    plan_order: list[str] = field(default_factory=list)
    """Zone ids in the order in which the plan serves them."""
    weather: Weather = field(default_factory=Weather)
    forecast: Forecast | None = None
    """The newest forecast that came, also when it is too old to count."""
    probes: dict[str, ProbeMemory] = field(default_factory=dict)
    """What is remembered of the soil probes, by zone id."""
    pump_draw_a: dict[str, float] = field(default_factory=dict)
    """What pumps draw, by id, as a current shunt measured it."""
    warmth: dict[str, Warmth] = field(default_factory=dict)
    """Degree-days of crops whose stages go by them, see `controller.core.stages`."""
    priced_uses: dict[str, Use] = field(default_factory=dict)
    """What the price of water counts on that zones take, by zone id, where it is not what the site file declares."""
    priced_wall_ms: int = 0
    """When that last changed."""
    coming_uses: dict[str, Use] | None = None
    """The same as it is to be soon, None when it is to stay; see `controller.core.takers`."""


def fresh_state(site: Site) -> State:
    """The first state of a site. Depletion is unknown then: half of the readily available water is assumed."""
    zones: dict[str, ZoneState] = {}
    for zone in site.zones:
        depletion = max((crop.depletion_fraction for crop in zone.crops), default=0.4)
        zones[zone.id] = ZoneState(zone.schedule, 0, 0.5 * depletion * zone.total_available_mm)
    return State(zones)


def state_to_json(state: State) -> dict[str, Any]:
    """A JSON-able copy; `state_from_json` gives the same state back."""
    return asdict(state)


def state_from_json(data: dict[str, Any], site: Site) -> State:
    """Read a dumped state. Zones the site no longer has are dropped, new ones start fresh."""
    fresh = fresh_state(site)
    plain = {item.name: data[item.name] for item in fields(State) if item.name in data}
    zones = {
        zone_id: _zone_from_json(data["zones"][zone_id]) if zone_id in data["zones"] else start
        for zone_id, start in fresh.zones.items()
    }
    for zone_id, zone_state in zones.items():
        # Version 0 is the site file's own schedule, also after the file was edited.
        if zone_state.schedule_version == 0:
            zone_state.schedule = fresh.zones[zone_id].schedule
    delivery = data.get("delivery")
    switched = {tank.id for tank in site.tanks if tank.float_switch_channel is not None}
    plain.update(
        zones=zones,
        delivery=_delivery_from_json(delivery) if delivery and delivery["zone_id"] in zones else None,
        manual=[ManualRun(**run) for run in data["manual"] if run["zone_id"] in zones],
        latches={key: Latch(**latch) for key, latch in data["latches"].items()},
        notices={key: Latch(**latch) for key, latch in data["notices"].items()},
        standing={key: Latch(**latch) for key, latch in data.get("standing", {}).items()},
        runs_on=RunsOn(**data["runs_on"]) if data.get("runs_on") else None,
        weather=Weather(**data["weather"]),
        forecast=forecast_from_json(data["forecast"]) if data.get("forecast") else None,
        # What a switch last said that is no longer fitted would bar its tank for ever.
        float_dry={tank_id: dry for tank_id, dry in data["float_dry"].items() if tank_id in switched},
        probes={
            zone.id: ProbeMemory(*data["probes"][zone.id])
            for zone in site.zones
            if zone.soil_probe is not None and zone.id in data.get("probes", {})
        },
        warmth={key: Warmth(*counted) for key, counted in data.get("warmth", {}).items()},
        priced_uses=_uses_from_json(data.get("priced_uses", {}), site),
        coming_uses=_uses_from_json(data["coming_uses"], site) if data.get("coming_uses") is not None else None,
        plan_order=[zone_id for zone_id in data["plan_order"] if zone_id in zones],
    )
    return State(**plain)


def schedule_from_json(data: dict[str, Any]) -> Schedule:
    """The inverse of `dataclasses.asdict` on a Schedule."""
    return Schedule(
        mode=data["mode"],
        windows=tuple(Window(window["start_min"], window["end_min"]) for window in data["windows"]),
        daily_cap_l=data["daily_cap_l"],
        doses_per_day=data["doses_per_day"],
        fixed_volume_l=data["fixed_volume_l"],
        fixed_times_min=tuple(data["fixed_times_min"]),
        soak_min=data.get("soak_min", DEFAULT_SOAK_MIN),
    )


def _uses_from_json(data: dict[str, Any], site: Site) -> dict[str, Use]:
    return {zone.id: Use(*data[zone.id]) for zone in site.zones if zone.id in data}


def forecast_from_json(data: dict[str, Any]) -> Forecast:
    """The inverse of `dataclasses.asdict` on a Forecast."""
    return Forecast(data["issued_wall_ms"], tuple(ForecastDay(**entry) for entry in data["days"]))


def _zone_from_json(data: dict[str, Any]) -> ZoneState:
    read: dict[str, Any] = {"schedule": schedule_from_json(data["schedule"])}
    read["earlier_schedules"] = [schedule_from_json(earlier) for earlier in data.get("earlier_schedules", ())]
    if "trim" in data:
        read["trim"] = Trim(*data["trim"])
    return ZoneState(**{**data, **read})


def _delivery_from_json(data: dict[str, Any]) -> Delivery:
    return Delivery(**{**data, "recent": [(int(mono), int(pulses)) for mono, pulses in data["recent"]]})


def shift_mono(state: State, shift_ms: int) -> None:
    """Move every remembered monotonic time by `shift_ms`: the clock began anew."""
    if shift_ms == 0:
        return
    owners: list[Any] = [state, *state.zones.values(), *state.manual, state.weather]
    if state.runs_on is not None:
        owners.append(state.runs_on)
    if state.delivery is not None:
        owners.append(state.delivery)
        state.delivery.recent = [(mono + shift_ms, pulses) for mono, pulses in state.delivery.recent]
    for owner in owners:
        for item in fields(owner):
            value = getattr(owner, item.name)
            if item.name.endswith("mono_ms") and value != NEVER_MS:
                setattr(owner, item.name, value + shift_ms)
