"""Every zone against its pump: what flows, how evenly, for how long, and what does not go together.

Where the site file declares no pipes, usual ones are assumed, and the report says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import ceil

from controller.site.geometry import volume_l
from controller.site.model import Line, Pump, Site, UnitSystem, Zone
from controller.site.show import Show
from simulator.advise.drip_line import DripLine, Emitter, longest_line
from simulator.advise.friction import velocity_m_s
from simulator.advise.measures import measures
from simulator.advise.network import Source, ZonePipes, ZoneState, operate, together
from simulator.plant.hydraulics import Filter, PumpCurve

CLEAN_FILTER_M = 1.0
"""Loss of a clean mesh filter at the pump's greatest flow; common practice, no source."""
FITTINGS = 16.0
"""Entrance 0.5, one valve 10, four bends 0.9 each, a tee 1.8: EPANET users manual, table 3.3 (from memory)."""
ASSUMED_SPACING_M, ASSUMED_EMITTERS, ASSUMED_BORE_MM = 0.3, 24, 13.6
ASSUMED_FEED_M, ASSUMED_RISE_M, ASSUMED_HEAD_M = 10.0, 0.5, 10.0
_BORES_MM = (9.0, 13.6, 15.8, 20.9, 26.6, 35.1, 52.5)
FASTEST_M_S = 1.5
"""Velocity above which a pipe is thin for its flow: 5 ft/s, a common limit."""
USUAL_M_S = 0.8
MADE_VARIATION = 0.05
"""Coefficient of variation between new emitters; usual classes go from 0.03 to 0.10 (ASABE EP405, second-hand)."""
EMITTER_HEADS_M = (7.0, 21.0)
"""Heads that emitters are usually made for: 10 to 30 psi."""
WEAK_PART, SHARED_PART = 0.8, 0.9


@dataclass(frozen=True, slots=True)
class ZoneWater:
    """One zone alone; `low` and `high` with the tank at the suction and at the overflow, `usual` with it half full.

    longest_m    length at which the flows along a line would differ by the usual allowance
    cap_min      minutes for the daily cap; window_min: minutes of the windows (0: none)
    """

    zone: Zone
    pipes: ZonePipes
    assumed: bool
    usual: ZoneState
    low: ZoneState
    high: ZoneState
    uniformity: float
    longest_m: float
    cap_min: float
    window_min: float
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PairFlow:
    """Two zones open at once: what part of its own flow each keeps."""

    names: tuple[str, str]
    kept: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PumpWater:
    """One pump and the zones of its tank."""

    pump: Pump
    source: Source
    zones: tuple[ZoneWater, ...]
    pairs: tuple[PairFlow, ...]


def pipes_of(zone: Zone) -> ZonePipes:
    """The declared pipes of a zone, or usual ones."""
    line = zone.line or assumed_line(zone)
    feed_bore_mm = line.feed_bore_mm or usual_bore_mm(zone.rated_flow_l_min)
    emitters = max(1, round(zone.emitter_count / line.count))
    emitter = Emitter(zone.emitter_l_h / 60.0, line.nominal_head_m, line.exponent)
    drip = DripLine(emitter, emitters, line.length_m / emitters, line.bore_mm)
    return ZonePipes(line.feed_length_m, feed_bore_mm, FITTINGS, line.count, drip, line.rise_m, line.regulated_head_m)


def assumed_line(zone: Zone) -> Line:
    """Lines of at most 24 emitters, 0.3 m apart, on a usual tube."""
    count = ceil(zone.emitter_count / ASSUMED_EMITTERS)
    return Line(
        count=count,
        length_m=ASSUMED_SPACING_M * max(1, round(zone.emitter_count / count)),
        bore_mm=ASSUMED_BORE_MM,
        feed_length_m=ASSUMED_FEED_M,
        feed_bore_mm=None,
        exponent=0.5,
        nominal_head_m=ASSUMED_HEAD_M,
        regulated_head_m=None,
        rise_m=ASSUMED_RISE_M,
    )


def usual_bore_mm(flow_l_min: float) -> float:
    """The smallest common bore in which a flow is not faster than `USUAL_M_S`."""
    return next((bore for bore in _BORES_MM if velocity_m_s(flow_l_min, bore) <= USUAL_M_S), _BORES_MM[-1])


def study_water(site: Site) -> tuple[PumpWater, ...]:
    """All pumps that feed zones, with these."""
    watered = {zone.tank_id for zone in site.zones}
    feeding = [pump for pump in site.pumps if pump.tank_id in watered and site.pump_for_tank(pump.tank_id) is pump]
    return tuple(_of_pump(site, pump) for pump in feeding)


def _of_pump(site: Site, pump: Pump) -> PumpWater:
    tank = site.tank(pump.tank_id)
    curve = PumpCurve(pump.max_flow_l_min, pump.max_head_m)
    mesh = Filter(CLEAN_FILTER_M, pump.max_flow_l_min)
    half_m = _level_of_half_m(site, pump)
    sources = [Source(curve, mesh, level) for level in (half_m, tank.suction_mm / 1000.0, tank.overflow_mm / 1000.0)]
    zones = tuple(_of_zone(zone, sources, site.units) for zone in site.zones if zone.tank_id == pump.tank_id)
    return PumpWater(pump, sources[0], zones, _pairs(sources[0], zones))


def _level_of_half_m(site: Site, pump: Pump) -> float:
    """Level at which the tank holds half of what it holds at the overflow."""
    tank = site.tank(pump.tank_id)
    wanted_l = 0.5 * volume_l(tank.shape, tank.overflow_mm)
    low, high = 0.0, tank.overflow_mm
    for _ in range(40):
        middle = 0.5 * (low + high)
        if volume_l(tank.shape, middle) < wanted_l:
            low = middle
        else:
            high = middle
    return low / 1000.0


def _of_zone(zone: Zone, sources: Sequence[Source], units: UnitSystem) -> ZoneWater:
    pipes = pipes_of(zone)
    usual, low, high = (operate(source, pipes) for source in sources)
    longest = longest_line(pipes.line, usual.line.inlet_m) if usual.flow_l_min > 0.0 else 0
    window_min = float(sum(window.end_min - window.start_min for window in zone.schedule.windows))
    cap_min = zone.schedule.daily_cap_l / usual.flow_l_min if usual.flow_l_min > 0.0 else float("inf")
    found = ZoneWater(
        zone=zone,
        pipes=pipes,
        assumed=zone.line is None,
        usual=usual,
        low=low,
        high=high,
        uniformity=usual.line.emission_uniformity(MADE_VARIATION),
        longest_m=longest * pipes.line.spacing_m,
        cap_min=cap_min,
        window_min=window_min,
        faults=(),
    )
    return replace(found, faults=tuple(_faults(found, units)))


def _faults(found: ZoneWater, units: UnitSystem) -> list[str]:
    """What is wrong with a zone, each a sentence with the cure, in the owner's units."""
    zone, pipes, usual = found.zone, found.pipes, found.usual
    name, line, show, by = zone.name, usual.line, Show(units), measures(units)
    if found.low.flow_l_min <= 0.0:
        return [f"{name}: with the tank nearly empty the pump does not lift water to it; it needs more head."]
    texts = []
    if usual.flow_l_min < WEAK_PART * zone.rated_flow_l_min:
        flow, _, unit = show.flow(usual.flow_l_min).partition(" ")
        texts.append(
            f"{name}: {flow} {unit} flow instead of the {show.flow(zone.rated_flow_l_min).partition(' ')[0]} its "
            "emitters are rated for; use a wider feed pipe, fewer emitters at once or a stronger pump."
        )
    least_m, most_m = EMITTER_HEADS_M
    if min(line.heads_m) < least_m or max(line.heads_m) > most_m:
        kind = "m of head" if units == "metric" else by.pressure.unit
        texts.append(
            f"{name}: emitters work at {by.pressure.number(min(line.heads_m))} to "
            f"{by.pressure.number(max(line.heads_m))} {kind}; usual ones are made for "
            f"{by.pressure.number(least_m, 0)} to {by.pressure.text(most_m, 0)}: see their data sheet"
            + (", or put in a pressure regulator." if max(line.heads_m) > most_m else ".")
        )
    if pipes.line.emitters * pipes.line.spacing_m > found.longest_m:
        texts.append(
            f"{name}: along a line of {by.length.text(pipes.line.emitters * pipes.line.spacing_m)} the flow differs by "
            f"{100.0 * line.flow_variation:.0f} %; up to {by.length.text(found.longest_m)} it would stay within 10 %."
        )
    speed = velocity_m_s(usual.flow_l_min, pipes.feed_bore_mm)
    if speed > FASTEST_M_S:
        texts.append(
            f"{name}: {by.speed.text(speed)} in the feed pipe; above {by.speed.text(FASTEST_M_S)} take a wider one."
        )
    if 0.0 < found.window_min < found.cap_min:
        texts.append(
            f"{name}: its daily cap takes {found.cap_min:.0f} min at this flow, its windows have "
            f"{found.window_min:.0f} min."
        )
    return texts


def _pairs(source: Source, zones: Sequence[ZoneWater]) -> tuple[PairFlow, ...]:
    found = []
    for one, other in combinations(zones, 2):
        lines = together(source, (one.pipes, other.pipes))
        kept = tuple(
            each.pipes.lines * line.inflow_l_min / each.usual.flow_l_min if each.usual.flow_l_min > 0.0 else 0.0
            for each, line in zip((one, other), lines, strict=True)
        )
        found.append(PairFlow((one.zone.name, other.zone.name), (kept[0], kept[1])))
    return tuple(found)
