"""Does the pump run, does it draw water, does the water come out where it should, and does the meter count it?"""

from __future__ import annotations

from dataclasses import dataclass

from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.talk import Part, Script, choice, say, yes
from controller.commissioning.watering import Watering, water
from controller.site.model import Pump, Site, Zone

TRY_L = 2.0
LEAST_PULSES = 3
CURRENT_PART = 0.5
"""A pump that draws less than this part of its declared current, or more than twice of it, is named (own choice)."""


@dataclass(frozen=True, slots=True)
class Witnessed:
    """What the person saw and heard: which pumps ran, in which zones water came out."""

    pumps: tuple[str, ...]
    zones: tuple[str, ...]


def judge_pump(site: Site, pump: Pump, zone: Zone, run: Watering, seen: Witnessed) -> Outcome:
    """One watering of `zone` by `pump`, by the board and by the person."""
    measured = (_measured(site, pump, zone, run, seen),)
    if run.refused:
        text = f"{zone.name} was not watered: {run.refused}"
        return Outcome(measured, (Fault("run-refused", text, "mend what it says, then repeat this step"),))
    faults = [*_pump_faults(pump, run, seen), *_water_faults(site, zone, seen), *_shunt_faults(pump, run)]
    changes = _pump_changes(site, pump, seen)
    meter_faults, meter_changes = _meter(site, pump, run, watered=bool(seen.zones))
    return Outcome(measured, (*faults, *meter_faults), (*changes, *meter_changes))


def _pump_faults(pump: Pump, run: Watering, seen: Witnessed) -> list[Fault]:
    found = []
    if not run.pump_read:
        text = f"pump output {pump.output} never read on"
        found.append(Fault("pump-output-dead", text, "see the findings; the board refuses what its limits forbid"))
    elif not seen.pumps:
        cure = "S2 on? Fuse F2 in and whole? Does K1 click, and K2? Then the wires from K1 to the pump"
        found.append(Fault("pump-still", f"output {pump.output} is on, but no pump runs", cure))
    elif pump.id not in seen.pumps:
        ran = " and ".join(seen.pumps)
        text = f"output {pump.output}, declared as {pump.id}, runs {ran}"
        found.append(Fault("pumps-crossed", text, "take the corrected file below, or swap the wires", by_change=True))
    elif not seen.zones:
        cure = "water above the intake? Hand valve open? Pump filled and turning the right way (swap its two wires)?"
        found.append(Fault("pump-dry", f"{pump.id} runs but no water comes", cure))
    if run.others_on:
        text = f"valve outputs {', '.join(map(str, run.others_on))} read open as well"
        found.append(Fault("output-moved", text, "see board-output-mismatch in docs/faults.md"))
    if not run.ended:
        found.append(Fault("run-endless", "the run had to be stopped: it did not end by itself", "see the findings"))
    return found


def _water_faults(site: Site, zone: Zone, seen: Witnessed) -> list[Fault]:
    if not seen.zones or seen.zones == (zone.id,):
        return []
    names = " and ".join(site.zone(zone_id).name for zone_id in seen.zones)
    return [
        Fault(
            "water-elsewhere",
            f"{zone.name} was ordered and the water came in {names}",
            "the valves were seen right before? Then two pipes are crossed, or a valve does not close: look along "
            "them. Otherwise do the step with the valves again",
        )
    ]


def _shunt_faults(pump: Pump, run: Watering) -> list[Fault]:
    """What the shunt says of the pump: against the sense of charging, and about its declared current."""
    if run.rest_a is None or run.pumping_a is None or not run.pump_read:
        return []
    drawn_a = run.rest_a - run.pumping_a
    if drawn_a < -CURRENT_PART * pump.current_a:
        cure = "swap the shunt's two sense wires, or turn the sign of ua_per_bit in the pin file"
        return [Fault("shunt-reversed", f"the shunt says the battery gains {-drawn_a:.1f} A from pumping", cure)]
    if not CURRENT_PART * pump.current_a <= drawn_a <= pump.current_a / CURRENT_PART:
        text = f"{pump.id} draws {drawn_a:.1f} A by the shunt; the site file says {pump.current_a:g} A"
        return [Fault("pump-current", text, "does it turn freely and pump water? ua_per_bit of the shunt right?")]
    return []


def _pump_changes(site: Site, pump: Pump, seen: Witnessed) -> list[SiteChange]:
    """With two pumps that stand for each other the outputs are swapped."""
    if len(seen.pumps) != 1 or pump.id in seen.pumps:
        return []
    other = next(one for one in site.pumps if one.id == seen.pumps[0])
    where = {one.id: index for index, one in enumerate(site.pumps)}
    return [
        SiteChange(("pump", where[pump.id], "output"), pump.output, other.output),
        SiteChange(("pump", where[other.id], "output"), other.output, pump.output),
    ]


def _meter(site: Site, pump: Pump, run: Watering, *, watered: bool) -> tuple[list[Fault], list[SiteChange]]:
    if pump.flow_meter is None or not run.pump_read:
        return [], []
    if run.pulses is None:
        return [Fault("board-restarted", "the board started anew meanwhile", "its supply; then repeat this step")], []
    own = run.pulses.get(pump.flow_meter.channel, 0)
    counting = [n for n, pulses in run.pulses.items() if pulses >= LEAST_PULSES and n != pump.flow_meter.channel]
    if own >= LEAST_PULSES and not watered:
        text = f"meter {pump.flow_meter.channel} counted {own} pulses, but no water was seen"
        cure = "water somewhere unseen, or the pump's wire disturbs the meter's: part the two, shield the meter's"
        return [Fault("pulses-without-water", text, cure)], []
    if own >= LEAST_PULSES or not watered:
        return [], []
    if len(counting) == 1 and all(one.flow_meter is None or one is pump for one in site.pumps):
        index = next(index for index, one in enumerate(site.pumps) if one.id == pump.id)
        text = f"the meter counts on input {counting[0]}; the site file says {pump.flow_meter.channel}"
        change = SiteChange(("pump", index, "flow_meter", "channel"), pump.flow_meter.channel, counting[0])
        return [Fault("meter-elsewhere", text, "take the corrected file below, or move the wire", by_change=True)], [
            change
        ]
    if counting:
        text = f"the meter of {pump.id} counted nothing, input {counting[0]} did: meters swapped?"
        return [Fault("meters-swapped", text, "swap the meters' wires, then repeat this step")], []
    cure = "its three wires, 5 V at the meter, the arrow on it along the flow, dirt on its wheel"
    return [Fault("meter-dead", f"water came, and meter {pump.flow_meter.channel} counted {own} pulses", cure)], []


def _measured(site: Site, pump: Pump, zone: Zone, run: Watering, seen: Witnessed) -> str:
    if run.refused:
        return f"{pump.id}: refused"
    came = " and ".join(site.zone(zone_id).name for zone_id in seen.zones) or "nowhere"
    counted = "" if run.pulses is None else f", pulses {run.pulses}"
    return f"{pump.id} into {zone.name}: ran {' and '.join(seen.pumps) or 'nothing'}, water {came}{counted}"


def first_zone(site: Site, pump: Pump) -> Zone | None:
    """The zone to try a pump with: the one with the largest flow of its tank; None when it feeds none."""
    fed = [zone for zone in site.zones if zone.tank_id == pump.tank_id]
    return max(fed, key=lambda zone: zone.rated_flow_l_min, default=None)


def pump_script(site: Site, pump: Pump) -> Script:
    """Order a little water and ask what was heard and seen."""
    zone = first_zone(site, pump)
    if zone is None:
        return Outcome((f"{pump.id} feeds no zone",))
    yield from say(
        f"{TRY_L:g} L for {zone.name}. Put fuse F2 in and S2 on; nobody has a hand on pump or lines. Stand where you "
        "hear the pump and see the zone. You are asked when it is over; to stop it before, type stop and Enter."
    )
    run = yield from water(zone, pump, TRY_L)
    if run.refused:
        return judge_pump(site, pump, zone, run, Witnessed((), ()))
    pumps = yield from _pumps_that_ran(site)
    zones = yield from choice("Where did water come?", [one.name for one in site.zones], several=True)
    seen = Witnessed(pumps, tuple(site.zones[number].id for number in zones))
    return judge_pump(site, pump, zone, run, seen)


def _pumps_that_ran(site: Site) -> Part[tuple[str, ...]]:
    if len(site.pumps) == 1:
        return (site.pumps[0].id,) if (yield from yes("Did the pump run?")) else ()
    chosen = yield from choice("Which pump ran?", [pump.id for pump in site.pumps], several=True)
    return tuple(site.pumps[number].id for number in chosen)
