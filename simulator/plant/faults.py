"""What may be broken. Plain attributes: set them, then call `Plant.refresh()` so that running water notices at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Quantity = Literal["echo", "flow", "battery", "temperature", "rain"]
TroubleKind = Literal["off", "stuck", "garbage", "wrong", "slow", "delayed", "intermittent"]


@dataclass(frozen=True, slots=True, eq=False)
class SensorTrouble:
    """How a sensor goes wrong. `amount` by kind: wrong: mm further (echo), kelvin, volts, or a factor (flow, rain);
    slow: time constant in seconds; delayed: seconds; intermittent: part of the reads that fails; garbage: most counts
    made up at a read (flow, rain); without meaning otherwise."""

    kind: TroubleKind
    amount: float = 1.0


@dataclass(slots=True)
class PlantFaults:
    """All healthy by default. Valves and pumps by output, sensors by channel, tanks, roofs and zones by id."""

    valve_stuck: dict[int, bool] = field(default_factory=dict)
    """True: stuck open; False: stuck shut."""
    valve_slow_s: dict[int, float] = field(default_factory=dict)
    """How long a valve takes to open or shut, in place of its usual time."""
    pump_dead: set[int] = field(default_factory=set)
    pump_welded: set[int] = field(default_factory=set)
    """The relay's contact stays closed: the motor runs whatever the pin says."""
    pump_worn: dict[str, float] = field(default_factory=dict)
    """Part of a pump's flow and head that is gone, 0 to 1, by pump id."""
    filter_clogged: dict[str, float] = field(default_factory=dict)
    """Part of the width of the holes in the mesh behind a pump that is coated, 0 to 1, by pump id."""
    leak_l_h: dict[str, float] = field(default_factory=dict)
    gutter_blocked: dict[str, float] = field(default_factory=dict)
    """Part of a roof's runoff that spills over the gutter, 0 to 1."""
    emitters_clogged: dict[str, float] = field(default_factory=dict)
    """Part of a zone's emitter capacity that is gone, 0 to 1."""
    emitters_popped: dict[str, int] = field(default_factory=dict)
    """How many of a zone's emitters came off and left an open hole."""
    zones_crossed: set[tuple[int, int]] = field(default_factory=set)
    """Pairs of valve outputs: the valve of one waters the other's zone."""
    pipe_burst: dict[str, float] = field(default_factory=dict)
    """Factor on a zone's outflow, above 1; the water still lands in the zone."""
    panel_shaded: float = 0.0
    """Part of the panel's power that is gone, 0 to 1."""
    charger_dead: bool = False
    """No charging current, whatever the sun."""
    charger_low_v: float | None = None
    """Terminal voltage at which the charger stops, too low for a full battery."""
    charger_high_v: float | None = None
    """Terminal voltage up to which the charger drives the battery, too high for it."""
    battery_fade: float = 0.0
    """Part of the battery's capacity that is gone, 0 to 1."""
    echo_silent: set[int] = field(default_factory=set)
    echo_frozen: set[int] = field(default_factory=set)
    """The ranger repeats its last burst for ever."""
    echo_jump_mm: dict[int, float] = field(default_factory=dict)
    """Distance added to what a ranger sees."""
    echo_drift_mm_day: dict[int, float] = field(default_factory=dict)
    """Distance that a ranger adds more of from day to day, from its first burst on with this fault."""
    echo_false_mm: dict[int, float] = field(default_factory=dict)
    """Distance of something over the water that most pings meet, such as a fallen branch or a web."""
    echo_lost_part: dict[int, float] = field(default_factory=dict)
    """Part of the pings that is lost, beyond the usual few."""
    sensor: dict[tuple[Quantity, int], SensorTrouble] = field(default_factory=dict)
    """Troubles that any sensor may have, by quantity and channel (battery and rain: channel 0)."""
    temperature_bad: set[int] = field(default_factory=set)
    temperature_frozen: dict[int, float] = field(default_factory=dict)
    soil_frozen_mv: dict[int, int | None] = field(default_factory=dict)
    """What a soil probe shows for ever, by channel; None: nothing."""
    battery_bad: bool = False
    battery_frozen_mv: int | None = None
    flow_meter_dead: set[int] = field(default_factory=set)
    flow_meter_slow: dict[int, float] = field(default_factory=dict)
    """Factor on a meter's pulses, below 1 for a wheel that drags."""
    flow_phantom_l_h: dict[int, float] = field(default_factory=dict)
    """Pulses without water, by meter channel."""
    rain_gauge_blocked: bool = False
    gauge_splash_mm_h: float = 0.0
    """Water that falls into the gauge and nowhere else: a sprinkler that reaches it."""
    float_stuck: dict[int, bool] = field(default_factory=dict)

    @property
    def any_stands(self) -> bool:
        """Whether anything is broken. Asked at every look: field by field this costs less than a comparison."""
        return bool(
            self.valve_stuck
            or self.valve_slow_s
            or self.pump_dead
            or self.pump_welded
            or self.pump_worn
            or self.filter_clogged
            or self.leak_l_h
            or self.gutter_blocked
            or self.emitters_clogged
            or self.emitters_popped
            or self.zones_crossed
            or self.pipe_burst
            or self.panel_shaded
            or self.charger_dead
            or self.charger_low_v is not None
            or self.charger_high_v is not None
            or self.battery_fade
            or self.echo_is_troubled
            or self.temperature_bad
            or self.temperature_frozen
            or self.soil_frozen_mv
            or self.battery_bad
            or self.battery_frozen_mv is not None
            or self.flow_meter_dead
            or self.flow_meter_slow
            or self.flow_phantom_l_h
            or self.rain_gauge_blocked
            or self.gauge_splash_mm_h
            or self.float_stuck
        )

    @property
    def echo_is_troubled(self) -> bool:
        """Whether any ranger may be at fault."""
        return bool(
            self.sensor
            or self.echo_silent
            or self.echo_frozen
            or self.echo_jump_mm
            or self.echo_drift_mm_day
            or self.echo_false_mm
            or self.echo_lost_part
        )
