"""What may be broken. Plain attributes: set them, then call `Plant.refresh()` so that running water notices at once."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class PlantFaults:
    """All healthy by default. Valves and pumps by output, sensors by channel, tanks, roofs and zones by id."""

    valve_stuck: dict[int, bool] = field(default_factory=dict)
    """True: stuck open; False: stuck shut."""
    pump_dead: set[int] = field(default_factory=set)
    pump_welded: set[int] = field(default_factory=set)
    """The relay's contact stays closed: the motor runs whatever the pin says."""
    leak_l_h: dict[str, float] = field(default_factory=dict)
    gutter_blocked: dict[str, float] = field(default_factory=dict)
    """Part of a roof's runoff that spills over the gutter, 0 to 1."""
    emitters_clogged: dict[str, float] = field(default_factory=dict)
    """Part of a zone's emitter capacity that is gone, 0 to 1."""
    pipe_burst: dict[str, float] = field(default_factory=dict)
    """Factor on a zone's outflow, above 1; the water still lands in the zone."""
    panel_shaded: float = 0.0
    """Part of the panel's power that is gone, 0 to 1."""
    echo_silent: set[int] = field(default_factory=set)
    echo_frozen: set[int] = field(default_factory=set)
    """The ranger repeats its last burst for ever."""
    echo_jump_mm: dict[int, float] = field(default_factory=dict)
    """Distance added to what a ranger sees."""
    temperature_bad: set[int] = field(default_factory=set)
    temperature_frozen: dict[int, float] = field(default_factory=dict)
    battery_bad: bool = False
    battery_frozen_mv: int | None = None
    flow_meter_dead: set[int] = field(default_factory=set)
    flow_phantom_l_h: dict[int, float] = field(default_factory=dict)
    """Pulses without water, by meter channel."""
    rain_gauge_blocked: bool = False
    float_stuck: dict[int, bool] = field(default_factory=dict)
