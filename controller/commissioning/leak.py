"""The night: does the tank keep its water while nothing is drawn?"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome
from controller.commissioning.talk import Part, Script, look, say, tell_time, tree
from controller.site.geometry import LevelTable
from controller.site.model import Site, Tank

LOOK_S = 60.0
LEAST_H = 6.0
LEVEL_SD_MM = 1.5
"""Of one end: what the mean of a minute's echoes leaves, and what the air between sensor and probe does in a night
(own choice; over 44 simulated nights of 10 and 14 hours the error stayed within two of the standard deviations that it
makes)."""
SURE_SDS = 3.0


@dataclass(frozen=True, slots=True)
class Evening:
    """What was so when the test began; kept until it is taken up again."""

    at_s: float
    boot: str
    levels_mm: dict[str, float]
    pulses: dict[str, int]
    tips: int | None


@dataclass(frozen=True, slots=True)
class Night:
    """One tank over the test. `litres` lost, with its standard deviation."""

    hours: float
    litres: float
    sd: float


def judge_night(tank: Tank, night: Night, findings: Sequence[str]) -> tuple[str, Fault | None]:
    """What a tank lost, with its range, and whether that is a leak. `findings` are the controller's own, by id."""
    per_h, sd_h = night.litres / night.hours, night.sd / night.hours
    words = f"{tank.name}: lost {night.litres:.1f} ± {night.sd:.1f} L in {night.hours:.1f} h"
    own = [finding for finding in findings if finding.partition(":")[0] == "leak" and finding.endswith(tank.id)]
    if own:
        return words, Fault("leak", f"the controller finds a leak: {own[0]}", "docs/faults.md says where to look")
    if per_h > SURE_SDS * sd_h:
        text = f"{tank.name} loses {per_h:.2f} L an hour (between {per_h - 2 * sd_h:.2f} and {per_h + 2 * sd_h:.2f})"
        cure = "look at fittings, the pump's inlet, valves that drip, and the tank's outside for a wet line"
        return words, Fault("leak", text, cure)
    return f"{words}; a loss of more than {SURE_SDS * sd_h:.2f} L an hour would have shown", None


def disturbed(evening: Evening, newest: reading.Readings) -> str:
    """Why the night says nothing; empty when nothing disturbed it."""
    if newest.boot != evening.boot:
        return "the board started anew meanwhile, so it is not known what flowed or rained"
    if any(total != evening.pulses.get(str(channel), 0) for channel, total in newest.flow_pulses.items()):
        return "water flowed through a meter meanwhile"
    if newest.rain_tips is not None and newest.rain_tips != evening.tips:
        return "it rained meanwhile"
    return ""


def leak_script(site: Site, kept: Mapping[str, Any]) -> Script:
    """Begin in the evening; taken up again, say what became of the water."""
    newest, levels_mm = yield from _levels(site)
    now = yield from tell_time()
    if kept:
        evening = Evening(**kept)
        hours = (now.timestamp() - evening.at_s) / 3600.0
        why = disturbed(evening, newest)
        if not why and any(tank.id not in levels_mm for tank in site.tanks):
            words = "a sensor hears no water now, as with dew on its face; come back in an hour or two"
            return Outcome((), keep=kept, waiting=words)
        if not why:
            return (
                (yield from _morning(site, evening, levels_mm, hours))
                if hours >= LEAST_H
                else _too_early(evening, hours)
            )
        yield from say(f"  The night does not count: {why}. It begins again now.")
    unheard = [tank.name for tank in site.tanks if tank.id not in levels_mm]
    if unheard:
        cure = "do the step with the levels again"
        return Outcome((), (Fault("sensor-silent", f"no level is heard in {', '.join(unheard)}", cure),))
    yield from say("The site stays on hold, so nothing is watered tonight. Draw nothing, and let nothing run in.")
    return _begun(newest, levels_mm, now)


def _begun(newest: reading.Readings, levels_mm: Mapping[str, float], now: datetime) -> Outcome:
    pulses = {str(channel): total for channel, total in newest.flow_pulses.items()}
    evening = Evening(now.timestamp(), newest.boot, dict(levels_mm), pulses, newest.rain_tips)
    words = f"come back after {LEAST_H:g} hours or more, best tomorrow morning before the sun is on the tank"
    return Outcome((f"begun {now:%Y-%m-%d %H:%M}",), keep=json.loads(json.dumps(asdict(evening))), waiting=words)


def _too_early(evening: Evening, hours: float) -> Outcome:
    words = f"only {hours:.1f} of {LEAST_H:g} hours are over; come back later"
    return Outcome((), keep=asdict(evening), waiting=words)


def _morning(site: Site, evening: Evening, levels_mm: Mapping[str, float], hours: float) -> Part[Outcome]:
    findings = _finding_ids((yield from tree()).get("site/findings", "[]"))
    measured, faults = [], []
    for tank in site.tanks:
        words, fault = judge_night(tank, _night(tank, evening.levels_mm[tank.id], levels_mm[tank.id], hours), findings)
        measured.append(words)
        faults += [fault] if fault else []
    return Outcome(tuple(measured), tuple(faults))


def _night(tank: Tank, before_mm: float, after_mm: float, hours: float) -> Night:
    table = LevelTable(tank.shape)
    sd_l = math.sqrt(2.0) * LEVEL_SD_MM * table.area_m2((before_mm + after_mm) / 2.0)
    return Night(hours, table.volume_l(before_mm) - table.volume_l(after_mm), sd_l)


def _levels(site: Site) -> Part[tuple[reading.Readings, dict[str, float]]]:
    seen = yield from look(LOOK_S)
    found = {tank.id: (tank, reading.echo_distance_mm(seen, tank.sensor_channel)) for tank in site.tanks}
    return seen[-1], {tank_id: tank.sensor_height_mm - d.value for tank_id, (tank, d) in found.items() if d is not None}


def _finding_ids(text: str) -> list[str]:
    try:
        return [str(finding["id"]) for finding in json.loads(text)]
    except (ValueError, KeyError, TypeError):
        return []
