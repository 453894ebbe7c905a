"""What is allowed in a site but worth knowing: shown by `pumphouse check`, never a reason to refuse."""

from __future__ import annotations

from collections.abc import Iterator

from controller.site.geometry import volume_l
from controller.site.model import Site, Tank, Zone
from controller.site.show import Show


def site_advice(site: Site) -> list[str]:
    """Warnings about a checked site, one sentence each, tanks before zones."""
    show = Show(site.units)
    lines: list[str] = []
    for tank in site.tanks:
        lines += _tank_advice(tank, show)
        if not any(roof.tank_id == tank.id for roof in site.roofs):
            lines.append(f'tank "{tank.id}": no roof drains into it; it must be filled by hand')
        if not any(zone.tank_id == tank.id for zone in site.zones):
            lines.append(f'tank "{tank.id}": no zone draws from it')
    for pump in site.pumps:
        if pump.flow_meter is None:
            lines.append(
                f'pump "{pump.id}": no flow meter; volumes rest on the emitters\' rated flow, and leaks stay unseen'
            )
    for zone in site.zones:
        lines += _zone_advice(zone, show)
    if site.rain_gauge is None and any(zone.rain_fed for zone in site.zones):
        lines.append("no rain gauge: rain on the beds is taken from the monthly normals, if any")
    if site.place.normals is None:
        lines.append("no monthly normals: when the thermometer fails, nothing is known about the season")
    if site.forecast is not None:
        lines.append(
            "a forecast is fetched from the web: as installed, the service may speak to this machine only; "
            "docs/install.md says how to allow it more"
        )
    if site.panel is None:
        lines.append("no panel: the battery is taken to be charged by other means")
    return lines


def _tank_advice(tank: Tank, show: Show) -> Iterator[str]:
    highest = tank.sensor_height_mm - tank.blind_zone_mm
    if highest < tank.overflow_mm:
        yield (
            f'tank "{tank.id}": levels from {show.depth(highest)} up to the overflow at '
            f"{show.depth(tank.overflow_mm)} lie in the sensor's blind zone; a full tank may read wrong; mount it "
            "higher"
        )
    below_suction = volume_l(tank.shape, tank.suction_mm)
    if tank.reserve_l < below_suction:
        yield (
            f'tank "{tank.id}": the reserve of {show.volume(tank.reserve_l)} lies below the suction, which leaves '
            f"{show.volume(below_suction)} behind anyway; watering by need stops at the suction"
        )
    if tank.float_switch_channel is None:
        yield f'tank "{tank.id}": no float switch; only the level sensor and the flow meter tell when the pump runs dry'


def _zone_advice(zone: Zone, show: Show) -> Iterator[str]:
    schedule = zone.schedule
    if schedule.mode == "off":
        yield f'zone "{zone.id}": its schedule is off; it gets no water by itself'
    elif zone.kind == "container" and schedule.mode == "need" and schedule.doses_per_day == 1:
        yield f'zone "{zone.id}": containers do better with several small doses; consider doses_per_day = 3'
    for crop in zone.crops:
        if crop.heat is not None:
            *first, late = crop.stage_days
            stages = f"{', '.join(str(days) for days in first)} and {late} days"
            yield f'zone "{zone.id}": {crop.name} goes by warmth; in a usual year its stages last {stages}'
    one_dose_l = zone.total_available_mm * zone.area_m2
    if schedule.mode == "fixed" and schedule.fixed_volume_l * zone.drip_efficiency > one_dose_l:
        yield f'zone "{zone.id}": one fixed watering is more than its ground can hold, {show.volume(one_dose_l)}'
    if zone.kind == "container" and zone.rain_fed:
        yield f'zone "{zone.id}": containers counted as rain-fed; under leaves or cover little rain reaches the mix'
