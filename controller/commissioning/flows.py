"""What flows in each zone, by the meter and by the fall of the level, beside what its emitters are rated for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome
from controller.commissioning.talk import Script, look, say
from controller.commissioning.watering import Watering, water
from controller.site.geometry import LevelTable
from controller.site.model import Pump, Site, Tank, Zone

RUN_L = 3.0
LEVEL_LOOK_S = 30.0
LEVEL_SD_MM = 1.0
"""Of the mean over half a minute of echoes (measured on the simulated ranger: below 1 mm)."""
TABLE_PART = 0.05
"""How far the area of a declared shape may be off (own choice)."""
RATED_LOW, RATED_HIGH = 0.6, 1.5
"""A zone that gives less or more than this part of its emitters' rating is named (own choice)."""
NOTHING_PART = 0.05
SURE_SDS = 2.5


@dataclass(frozen=True, slots=True)
class ZoneRun:
    zone: Zone
    run: Watering


@dataclass(frozen=True, slots=True)
class Fall:
    """What the level lost over all runs of a tank, and its standard deviation; None when the level was not known."""

    litres: float
    sd: float


def judge_flows(pump: Pump, runs: list[ZoneRun], fall: Fall | None) -> Outcome:
    """Each zone's rate against its rating, and all of them together against the level."""
    measured, faults, metered_l = [], _refusals(runs), 0.0
    watered = [one for one in runs if not one.run.refused]
    if not watered:
        return Outcome((), tuple(faults))
    for one in watered:
        meter = pump.flow_meter
        if meter is None:
            continue
        metered_l += (one.run.pulses or {}).get(meter.channel, 0) / meter.pulses_per_l
        rate = one.run.pulses_s.get(meter.channel, 0.0) * 60.0 / meter.pulses_per_l
        measured.append(f"{one.zone.name}: {rate:.2f} L/min; its emitters {one.zone.rated_flow_l_min:.2f} L/min")
        faults += _against_rating(one.zone, rate)
    if pump.flow_meter is not None and fall is not None and metered_l > 0.0:
        measured.append(f"level fell by {fall.litres:.1f} ± {fall.sd:.1f} L, the meter says {metered_l:.1f} L")
        faults += _against_level(fall, metered_l)
    elif fall is not None:
        measured.append(f"level fell by {fall.litres:.1f} ± {fall.sd:.1f} L over {len(watered)} runs")
    return Outcome(tuple(measured), tuple(faults))


def _refusals(runs: list[ZoneRun]) -> list[Fault]:
    """What was refused, the same reason once."""
    zones: dict[str, list[str]] = {}
    for one in runs:
        if one.run.refused:
            zones.setdefault(one.run.refused, []).append(one.zone.name)
    cure = "mend what it says, then repeat this step"
    return [Fault("run-refused", f"{', '.join(names)}: {reason}", cure) for reason, names in zones.items()]


def _against_rating(zone: Zone, rate: float) -> list[Fault]:
    rated = zone.rated_flow_l_min
    if rate < NOTHING_PART * rated:
        cure = "a valve that does not open, a closed hand valve, a blocked pipe: do the step with the valves again"
        return [Fault("zone-no-flow", f"no water came in {zone.name}", cure)]
    if rate < RATED_LOW * rated:
        cure = "blocked filter or emitters, a kinked pipe, a valve that opens halfway; or fewer emitters than declared"
        return [Fault("zone-flow-low", f"{zone.name} gives {rate:.2f} L/min of {rated:.2f} L/min rated", cure)]
    if rate > RATED_HIGH * rated:
        cure = "an end cap left open, a pipe come off, a second valve open; or more emitters than declared"
        return [Fault("zone-flow-high", f"{zone.name} gives {rate:.2f} L/min of {rated:.2f} L/min rated", cure)]
    return []


def _against_level(fall: Fall, metered_l: float) -> list[Fault]:
    off = fall.litres - metered_l
    sd = math.hypot(fall.sd, TABLE_PART * metered_l)
    if abs(off) <= SURE_SDS * sd:
        return []
    text = f"the level says {fall.litres:.1f} ± {sd:.1f} L, the meter says {metered_l:.1f} L"
    cure = "meter against a bucket, tank's shape against known volumes, and rain or a hose that ran in meanwhile"
    return [Fault("meter-and-level", text, cure)]


def fall_between(tank: Tank, table: LevelTable, before_mm: float | None, after_mm: float | None) -> Fall | None:
    """What was drawn from a tank whose sensor heard these distances before and after."""
    if before_mm is None or after_mm is None:
        return None
    upper, lower = tank.sensor_height_mm - before_mm, tank.sensor_height_mm - after_mm
    area_l_mm = table.area_m2((upper + lower) / 2.0)
    return Fall(table.volume_l(upper) - table.volume_l(lower), math.sqrt(2.0) * LEVEL_SD_MM * area_l_mm)


def flows_script(site: Site, pump: Pump) -> Script:
    """A little water for each zone of a pump, one after the other."""
    tank = site.tank(pump.tank_id)
    zones = [zone for zone in site.zones if zone.tank_id == tank.id]
    yield from say(
        f"Each zone of {tank.name} gets {RUN_L:g} L. Close the line's end again, and let nothing run into the tank."
    )
    table = LevelTable(tank.shape)
    before = reading.echo_distance_mm((yield from look(LEVEL_LOOK_S)), tank.sensor_channel)
    runs = []
    for zone in zones:
        yield from say(f"  {zone.name} ...")
        runs.append(ZoneRun(zone, (yield from water(zone, pump, RUN_L))))
    after = reading.echo_distance_mm((yield from look(LEVEL_LOOK_S)), tank.sensor_channel)
    fall = fall_between(tank, table, None if before is None else before.value, None if after is None else after.value)
    return judge_flows(pump, runs, fall)
