"""Once a day, the soil probes' word on the depletion of their zones."""

from __future__ import annotations

from controller.core.context import Context
from controller.irrigate.plan import net_mm
from controller.irrigate.soil_probe import (
    ProbeMemory,
    day_older,
    followed,
    nudged,
    seen_depletion_mm,
    stands_still,
)
from controller.site.model import SoilProbe, Zone


def listen(ctx: Context) -> dict[str, str]:
    """Nudge each zone that has a probe, before its day is closed; returns by zone id why a probe was not believed."""
    doubts: dict[str, str] = {}
    for zone in ctx.site.zones:
        if zone.soil_probe is not None:
            doubt = _listen_to(ctx, zone, zone.soil_probe)
            if doubt:
                doubts[zone.id] = doubt
    return doubts


def _listen_to(ctx: Context, zone: Zone, probe: SoilProbe) -> str:
    zone_state, readings = ctx.state.zones[zone.id], ctx.sensing.soil[probe.channel]
    memory = day_older(ctx.state.probes.get(zone.id, ProbeMemory()))
    ctx.state.probes[zone.id] = memory
    volts, low_v, high_v = readings.volts, readings.low_v, readings.high_v
    if volts is None or low_v is None or high_v is None:
        return "no reading all day"
    water_mm = net_mm(zone, zone_state.applied_today_ml / 1000.0) + zone_state.rain_credited_mm
    memory = followed(memory, probe, low_v, high_v, water_mm)
    ctx.state.probes[zone.id] = memory
    seen_mm = seen_depletion_mm(probe, volts, zone.total_available_mm)
    if seen_mm is None:
        return f"{volts:.2f} V is far outside {probe.dry_v:.2f} V when dry and {probe.full_v:.2f} V when full"
    if stands_still(memory, zone.total_available_mm):
        return f"{volts:.2f} V for {memory.days} days, while {memory.water_mm:.0f} mm of water were given"
    ctx.state.probes[zone.id], zone_state.depletion_mm = nudged(memory, zone_state.depletion_mm, seen_mm)
    return ""
