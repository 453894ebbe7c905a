"""At the end: what the site now says of itself beside tape, stick and hand meter, against the figures it must meet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller.commissioning.battery import LEAST_V, MOST_V
from controller.commissioning.outcome import Fault, Outcome
from controller.commissioning.talk import Script, look, quantity, say, tree
from controller.site.geometry import LevelTable
from controller.site.model import Site
from controller.site.units import LENGTH, VOLTAGE

LEVEL_MM = 10.0
VOLUME_PART = 0.01
VOLTAGE_V = 0.1
SETTLE_S = 90.0
"""So that the site's own estimate has followed."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the site publishes; None is unknown."""

    level_mm: Mapping[str, float | None]
    volume_l: Mapping[str, float | None]
    voltage_v: float | None


def judge_told(site: Site, told: Told, depth_mm: Mapping[str, float], hand_v: float) -> Outcome:
    """Level within 10 mm of the stick, volume within 1 % of capacity of what that depth holds, battery within 0.1 V."""
    measured: list[str] = []
    faults: list[Fault] = []
    for tank in site.tanks:
        table = LevelTable(tank.shape)
        level, volume = told.level_mm.get(tank.id), told.volume_l.get(tank.id)
        if level is None or volume is None:
            cure = "wait some minutes; then do the step with the levels again"
            faults.append(Fault("level-unknown", f"the site knows no level of {tank.name}", cure))
            continue
        depth = depth_mm[tank.id]
        measured.append(f"{tank.name}: {level:.0f} mm, {volume:.0f} L; stick {depth:.0f} mm")
        if abs(level - depth) > LEVEL_MM:
            text = f"the level of {tank.name} is {level - depth:+.0f} mm off, allowed are {LEVEL_MM:g} mm"
            faults.append(Fault("level-off", text, "the service restarted? Then do the step with the levels again"))
        allowed_l = VOLUME_PART * table.volume_l(tank.overflow_mm)
        off_l = volume - table.volume_l(depth)
        if abs(off_l) > allowed_l:
            text = f"the volume of {tank.name} is {off_l:+.0f} L off, allowed are {allowed_l:.0f} L"
            faults.append(Fault("volume-off", text, "do the steps with the levels and the known volumes again"))
    if told.voltage_v is None:
        faults.append(
            Fault("battery-unread", "the site knows no battery voltage", "do the step with the battery again")
        )
        return Outcome(tuple(measured), tuple(faults))
    measured.append(f"battery {told.voltage_v:.2f} V; by hand {hand_v:.2f} V")
    if abs(told.voltage_v - hand_v) > VOLTAGE_V:
        text = f"the battery reads {told.voltage_v - hand_v:+.2f} V off, allowed are {VOLTAGE_V:g} V"
        faults.append(Fault("battery-off", text, "the board flashed with the new pin file? Then do that step again"))
    return Outcome(tuple(measured), tuple(faults))


def told_by(site: Site, values: Mapping[str, str]) -> Told:
    """From the published values by path."""
    levels = {tank.id: _number(values.get(f"tank-{tank.id}/level")) for tank in site.tanks}
    return Told(
        {tank_id: None if metres is None else 1000.0 * metres for tank_id, metres in levels.items()},
        {tank.id: _number(values.get(f"tank-{tank.id}/volume")) for tank in site.tanks},
        _number(values.get("power/voltage")),
    )


def _number(text: str | None) -> float | None:
    try:
        return float(text or "")
    except ValueError:
        return None


def last_check_script(site: Site) -> Script:
    """Stick and hand meter once more, then the site's own figures."""
    yield from say("Once more by hand, so that what the site says from now on is known to be right.")
    depth_mm = {}
    for tank in site.tanks:
        most = tank.overflow_mm + 100.0
        depth_mm[tank.id] = yield from quantity(
            f"  Stick: depth of the water in {tank.name}", LENGTH, 0.0, most, "742 mm"
        )
    hand_v = yield from quantity("  The hand meter at the battery shows", VOLTAGE, LEAST_V, MOST_V, "12.64 V")
    yield from look(SETTLE_S)
    return judge_told(site, told_by(site, (yield from tree())), depth_mm, hand_v)
