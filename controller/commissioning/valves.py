"""Valves one at a time, the pump off: which output opens which valve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.talk import Part, Script, ask, choice, give, look, patiently, say, until_shut
from controller.site.model import Site, Zone

OPEN_MIN = 3.0
LOOKS = 10
MOST_TRIES = 3


@dataclass(frozen=True, slots=True)
class Map:
    """What the valves' outputs really open. `outputs` is the corrected map; empty when none can be proposed."""

    faults: tuple[Fault, ...]
    outputs: dict[str, int]


def judge_valves(site: Site, moved: Mapping[str, Sequence[str]]) -> Map:
    """`moved` says of each zone whose valve was ordered open, by id, the zones whose valves the person saw open."""
    declared = {zone.id: zone.valve.output for zone in site.zones}
    names = {zone.id: zone.name for zone in site.zones}
    faults: list[Fault] = []
    opens: dict[str, int] = {}
    twice: set[str] = set()
    for zone_id, seen in moved.items():
        output = declared[zone_id]
        if not seen:
            faults.append(_dead(output, names[zone_id]))
        elif len(seen) > 1:
            both = " and ".join(names[other] for other in seen)
            cure = "two wires hang on one driver, or the valves' plus wires touch: part them"
            faults.append(Fault("valves-joined", f"output {output} opens {both} together", cure))
        elif seen[0] in opens:
            text = f"outputs {opens[seen[0]]} and {output} both open {names[seen[0]]}"
            faults.append(Fault("valve-twice", text, "one valve hangs on two drivers: part them"))
            twice.add(seen[0])
        else:
            opens[seen[0]] = output
    wrong = [zone_id for zone_id, output in opens.items() if declared[zone_id] != output]
    faults += [
        Fault(
            "zones-crossed",
            f"{names[zone_id]} hangs on output {opens[zone_id]}; the site file says {declared[zone_id]}",
            "take the corrected file below, or swap the wires",
            by_change=True,
        )
        for zone_id in wrong
    ]
    return Map(tuple(faults), _corrected(declared, opens) if wrong and not twice else {})


def _dead(output: int, name: str) -> Fault:
    cure = "fuse F3, the driver's wire, the valve's two wires and its coil (a hand meter shows some ohms across it)"
    return Fault("valve-dead", f"output {output} ({name}) moved no valve", cure)


def _corrected(declared: Mapping[str, int], opens: Mapping[str, int]) -> dict[str, int]:
    """The whole map, if what was not seen still has an output of its own; one that is left over by elimination."""
    unseen = [zone_id for zone_id in declared if zone_id not in opens]
    free = sorted(set(declared.values()) - set(opens.values()))
    kept = {zone_id: declared[zone_id] for zone_id in unseen if declared[zone_id] in free}
    left = [zone_id for zone_id in unseen if zone_id not in kept]
    spare = [output for output in free if output not in kept.values()]
    if len(left) > 1:
        return {}
    return {**opens, **kept, **dict(zip(left, spare, strict=True))}


def output_changes(site: Site, outputs: Mapping[str, int]) -> tuple[SiteChange, ...]:
    """The site file's lines for another map of outputs."""
    return tuple(
        SiteChange(("zone", index, "valve", "output"), zone.valve.output, outputs[zone.id])
        for index, zone in enumerate(site.zones)
        if outputs.get(zone.id, zone.valve.output) != zone.valve.output
    )


def valves_script(site: Site) -> Script:
    """Open each valve in turn and ask which one moved."""
    yield from say(
        "Stand where you hear the valves. Each opens by itself, the pump off; a tank that stands higher may "
        "let some water out. Pull the pump's fuse (F2) if you want to be sure."
    )
    moved: dict[str, tuple[str, ...]] = {}
    faults: list[Fault] = []
    for zone in site.zones:
        seen, trouble = yield from _one_valve(site, zone)
        faults += trouble
        if seen is not None:
            moved[zone.id] = seen
    found = judge_valves(site, moved)
    names = {zone.id: zone.name for zone in site.zones}
    measured = tuple(
        f"output {site.zone(zone_id).valve.output} opened {' and '.join(names[one] for one in seen) or 'nothing'}"
        for zone_id, seen in moved.items()
    )
    return Outcome(measured, (*faults, *found.faults), output_changes(site, found.outputs))


def _one_valve(site: Site, zone: Zone) -> Part[tuple[tuple[str, ...] | None, list[Fault]]]:
    """The zones whose valves moved, None when it could not be tried; and what the board's own reading says."""
    for _ in range(MOST_TRIES):
        refused = yield from patiently(order="drain-zone", zone=zone.id, duration_min=OPEN_MIN)
        if refused:
            cure = "mend what it says, then repeat this step"
            return None, [Fault("valve-refused", f"{zone.name}: {refused}", cure)]
        faults = yield from _read_back(zone)
        chosen = yield from choice(
            f"Output {zone.valve.output}, declared as {zone.name}, is open now. Which valve opened?",
            [other.name for other in site.zones],
            several=True,
        )
        yield from give(order="stop-all")
        if not (yield from until_shut()):
            text = f"output {zone.valve.output} still reads open after the order to shut it"
            return None, [Fault("output-stays-on", text, "pull F3 and F2; see board-output-mismatch in docs/faults.md")]
        if chosen or (yield from ask("  Nothing moved. Enter to go on, a to open it again: ")).lower() != "a":
            return tuple(site.zones[number].id for number in chosen), faults
    return (), faults


def _read_back(zone: Zone) -> Part[list[Fault]]:
    """What the board reads back while the valve should be open."""
    wanted, before = 1 << zone.valve.output, None
    for _ in range(LOOKS):
        newest = (yield from look(1.0))[-1]
        before = newest if before is None else before
        if newest.valves_open & wanted:
            other = reading.outputs_in(newest.valves_open & ~wanted)
            cure = "see board-output-mismatch in docs/faults.md"
            return [Fault("output-moved", f"output {number} reads open as well", cure) for number in other]
    text = f"output {zone.valve.output} does not read open although {zone.name} was ordered open"
    return [Fault("output-dead", text, "its driver's wire on the board; see board-output-mismatch in docs/faults.md")]
