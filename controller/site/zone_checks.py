"""Whether the figures given for one zone can be true together; the schedule's part also judges orders from afar."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from controller.site.heat import day_index, usual_heat_c_day, usual_stage_days
from controller.site.model import Heat, MonthlyNormals, Schedule, Zone
from controller.site.problems import Path
from controller.site.schema import CropTable, ZoneTable
from controller.site.show import Show, clock
from controller.site.soils import MIXES_MM_PER_M, SOILS_MM_PER_M, SURFACE_MM

Complaint = tuple[Path, str]
LEAST_PROBE_SPAN_V = 0.1
_EXPLICIT = ("kc_initial", "kc_mid", "kc_end", "depletion_fraction")


def ground_complaints(table: ZoneTable, soil_name: str | None) -> Iterator[Complaint]:
    """A zone says once how much water its soil or mix holds; a container holds a mix, not a soil."""
    if table.soil is None and table.available_water is None:
        names = ", ".join(MIXES_MM_PER_M if table.kind == "container" else SOILS_MM_PER_M)
        yield ("soil",), f'missing; name the soil ({names}) or write available_water, for example "150 mm/m"'
    elif table.soil is not None and table.available_water is not None:
        yield ("available_water",), "given twice: write either soil or available_water"
    elif table.kind == "container" and soil_name is not None and soil_name.strip().lower() in SOILS_MM_PER_M:
        mixes = " or ".join(f'soil = "{name}"' for name in MIXES_MM_PER_M)
        yield ("soil",), f'a container holds a mix, not a field soil: write {mixes}, or available_water = "200 mm/m"'


def coefficient_complaints(table: ZoneTable, soil_name: str | None) -> Iterator[Complaint]:
    """Dual coefficients need what the tables know: how the surface dries, and what the plants transpire alone."""
    if table.coefficients != "dual":
        return
    if soil_name is None or soil_name.strip().lower() not in SURFACE_MM:
        soils = ", ".join(SURFACE_MM)
        yield (
            ("coefficients",),
            f'"dual" needs to know how the surface dries: name the soil ({soils}), or write "single"',
        )
    for i, crop in enumerate(table.crop):
        if crop.plant is None:
            yield ("crop", i, "plant"), 'coefficients = "dual" needs a plant from the table, for its basal coefficients'


def crop_complaints(table: ZoneTable) -> Iterator[Complaint]:
    """Every crop is complete, fits into a year, and the shares of a zone make up the whole."""
    for i, crop in enumerate(table.crop):
        for key, text in _one_crop(crop):
            yield ("crop", i, key), text
    if len(table.crop) == 1:
        share = table.crop[0].share
        if share is not None and abs(share - 100.0) > 0.5:
            yield ("crop", 0, "share"), 'the only crop of a zone has all of it: leave share out or write "100 %"'
        return
    missing = [i for i, crop in enumerate(table.crop) if crop.share is None]
    for i in missing:
        yield ("crop", i, "share"), "missing: with several crops each has a share, all together 100 %"
    total = sum(crop.share or 0.0 for crop in table.crop)
    if not missing and abs(total - 100.0) > 0.5:
        yield ("crop",), f"the shares of the crops add up to {total:g} %, they must make 100 %"


def _one_crop(crop: CropTable) -> Iterator[tuple[str, str]]:
    if crop.plant is None:
        if crop.name is None:
            yield "plant", 'missing: write plant = "lettuce" or another from the table, or name and the kc values'
        for key in _EXPLICIT:
            if getattr(crop, key) is None:
                yield (
                    key,
                    "missing: without a plant from the table, all three kc values and depletion_fraction are needed",
                )
    yield from _stages(crop)


def _stages(crop: CropTable) -> Iterator[tuple[str, str]]:
    if crop.stage_heat is not None:
        if crop.stage_days is not None:
            yield "stage_heat", "given twice: write either stage_days or stage_heat"
        if crop.base_temperature is None:
            yield "base_temperature", 'missing: the temperature from which on warmth counts, for example "7 °C"'
        elif crop.upper_temperature <= crop.base_temperature:
            yield "upper_temperature", "not above base_temperature: no warmth would ever count"
        return
    if crop.base_temperature is not None:
        yield "base_temperature", "belongs to stage_heat; stage_days count whatever the weather"
    if crop.stage_days is None:
        yield "stage_days", "missing: the four stages in days, or stage_heat in degree-days"
    elif sum(crop.stage_days) > 366:
        yield "stage_days", f"the four stages make {sum(crop.stage_days)} days; a year is the most"


def heat_complaints(table: ZoneTable, normals: MonthlyNormals | None) -> Iterator[Complaint]:
    """Stages by warmth need normals, for the days the thermometer does not know, in which the crop grows up."""
    for i, crop in enumerate(table.crop):
        heat = crop_heat(crop)
        if heat is None:
            continue
        first = day_index(*crop.planted)
        if normals is None:
            yield ("crop", i, "stage_heat"), "needs [place.normals], which say how warm days ahead usually are"
        elif usual_stage_days(heat, normals, first) is None:
            most = usual_heat_c_day(heat, normals, first, 365)
            yield (
                ("crop", i, "stage_heat"),
                f"add up to {sum(heat.stages_c_day):.0f} °C day; by the normals a usual year has {most:.0f} °C day "
                f"above {heat.base_c:g} °C; take an earlier variety's, or write stage_days",
            )


def crop_heat(table: CropTable) -> Heat | None:
    """A crop's growth by warmth; None when its stages are in days."""
    if table.stage_heat is None or table.base_temperature is None:
        return None
    first, development, middle, late = table.stage_heat
    return Heat(table.base_temperature, table.upper_temperature, (first, development, middle, late))


def zone_complaints(zone: Zone, show: Show) -> Iterator[Complaint]:
    """Figures of a complete zone that contradict each other."""
    if zone.kind == "container" and zone.root_depth_mm > 1000.0:
        yield ("root_depth",), "deeper than any container: it is the depth of mix the roots have"
    probe = zone.soil_probe
    if probe is not None and abs(probe.full_v - probe.dry_v) < LEAST_PROBE_SPAN_V:
        yield ("soil_probe", "full"), "too near the voltage when dry: a probe moves by a few tenths of a volt at least"
    if zone.line is not None:
        if zone.line.count > zone.emitter_count:
            yield ("line", "count"), f"more lines than the zone's {zone.emitter_count} emitters"
        elif zone.line.feed_bore_mm is not None and zone.line.feed_bore_mm < zone.line.bore_mm and zone.line.count > 1:
            yield ("line", "feed_bore"), "narrower than the lines it feeds; are the two bores swapped?"
    for key, text in schedule_complaints(zone.schedule, zone.rated_flow_l_min, show):
        yield ("schedule", *key), text


def schedule_complaints(schedule: Schedule, rated_flow_l_min: float, show: Show) -> Iterator[Complaint]:
    """What keeps a schedule from ever being carried out; keys are those of [zone.schedule]."""
    yield from _window_complaints(schedule)
    if schedule.mode == "off":
        return
    if schedule.daily_cap_l <= 0.0:
        yield ("daily_cap",), 'the zone could never be watered: write the most it may get in a day, or mode = "off"'
    elif schedule.mode == "need":
        yield from _need_complaints(schedule, rated_flow_l_min, show)
    else:
        yield from _fixed_complaints(schedule, show)


def _window_complaints(schedule: Schedule) -> Iterator[Complaint]:
    for i, window in enumerate(schedule.windows):
        if not 0 <= window.start_min < window.end_min <= 1440:
            yield ("windows", i), "a window starts before it ends, within one day; write one across midnight as two"
    by_start = sorted(range(len(schedule.windows)), key=lambda i: schedule.windows[i].start_min)
    for earlier, later in pairwise(by_start):
        first, second = schedule.windows[earlier], schedule.windows[later]
        if second.start_min < first.end_min:
            yield (
                ("windows", later),
                f"overlaps the window {clock(first.start_min)}-{clock(first.end_min)}; write them as one",
            )


def _need_complaints(schedule: Schedule, rated_flow_l_min: float, show: Show) -> Iterator[Complaint]:
    minutes = sum(window.end_min - window.start_min for window in schedule.windows)
    if not schedule.windows:
        yield ("windows",), 'watering by need wants at least one window, like windows = ["05:30-08:00"]'
    elif schedule.daily_cap_l > rated_flow_l_min * minutes * 1.001:
        most = show.volume(rated_flow_l_min * minutes)
        yield (
            ("daily_cap",),
            f"cannot be reached: the emitters give {show.flow(rated_flow_l_min)}, that is {most} in the {minutes} "
            "minutes of the windows; lower the cap or lengthen the windows",
        )
    if schedule.fixed_times_min:
        yield ("fixed_times",), 'times belong to mode = "fixed"; by need, the windows say when'
    if schedule.fixed_volume_l > 0.0:
        yield ("fixed_volume",), 'a volume belongs to mode = "fixed"; by need, the plants say how much'


def _fixed_complaints(schedule: Schedule, show: Show) -> Iterator[Complaint]:
    times = schedule.fixed_times_min
    if not times:
        yield ("fixed_times",), 'a fixed schedule wants times, like fixed_times = ["06:00"]'
    if len(set(times)) != len(times):
        yield ("fixed_times",), "the same time is given twice"
    if any(not 0 <= minute < 1440 for minute in times):
        yield ("fixed_times",), 'a time is from "00:00" to "23:59"'
    if schedule.fixed_volume_l <= 0.0:
        yield ("fixed_volume",), 'a fixed schedule wants the volume of each watering, like "8 L"'
    elif schedule.fixed_volume_l * len(times) > schedule.daily_cap_l * 1.001:
        total = show.volume(schedule.fixed_volume_l * len(times))
        yield ("daily_cap",), f"less than the {total} that the fixed times ask for; raise it or water less"
