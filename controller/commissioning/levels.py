"""Level sensors against tape and stick: the right input, the right distance, the right height of the sensor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.talk import Part, Script, look, quantity, say
from controller.site.model import Site, Tank
from controller.site.units import LENGTH

LOOK_S = 20.0
TAPE_MM, TAPE_PART = 20.0, 0.015
"""Tape and echo may differ by so much: the tape bends, the face has a depth (own choice)."""
HEIGHT_AGREES_MM = 5.0
HEIGHT_REFUSE_MM = 500.0
"""A declared height that is further off is another kind of mistake (own choice): a tape read in other units, a stick
that stood on a rib."""
RESTLESS_MM = 40.0


@dataclass(frozen=True, slots=True)
class ByHand:
    """What tape and stick say of one tank: sensor's face to the water, and the water's depth."""

    gap_mm: float
    depth_mm: float


def judge_levels(site: Site, hand: Mapping[str, ByHand], echo_mm: Mapping[int, float | None]) -> Outcome:
    """Every tank that was measured by hand against the distance that each input of the board hears."""
    measured: list[str] = []
    faults: list[Fault] = []
    changes: list[SiteChange] = []
    for index, tank in enumerate(site.tanks):
        if tank.id not in hand:
            continue
        channel, fault = _input_of(site, tank, hand, echo_mm)
        by_echo = echo_mm.get(tank.sensor_channel if channel is None else channel)
        measured.append(_measured(tank, hand[tank.id], by_echo))
        if fault is not None:
            faults.append(fault)
        if channel is None or by_echo is None:
            continue
        if channel != tank.sensor_channel:
            changes.append(SiteChange(("tank", index, "sensor_channel"), tank.sensor_channel, channel))
        wrong, change = _height(index, tank, hand[tank.id], by_echo)
        faults += wrong
        changes += change
    return Outcome(tuple(measured), tuple(faults), tuple(changes))


def _input_of(
    site: Site, tank: Tank, hand: Mapping[str, ByHand], echo_mm: Mapping[int, float | None]
) -> tuple[int | None, Fault | None]:
    """The board's input that hears this tank's distance; None when none does, and why."""
    gap_mm = hand[tank.id].gap_mm
    own = echo_mm.get(tank.sensor_channel)
    if own is not None and _agree(own, gap_mm):
        return tank.sensor_channel, None
    others = [channel for channel, mm in echo_mm.items() if mm is not None and _agree(mm, gap_mm)]
    if len(others) == 1 and not _another_fits(site, tank, others[0], hand, echo_mm):
        text = f"the sensor of {tank.name} is on input {others[0]}; the site file says {tank.sensor_channel}"
        return others[0], Fault(
            "sensors-swapped", text, "take the corrected file below, or swap the wires", by_change=True
        )
    if own is None:
        return None, Fault(
            "sensor-silent",
            f"the sensor of {tank.name} (input {tank.sensor_channel}) hears no water",
            "its four wires, 5 V at the sensor, the face clean and level, no rib or pipe below it",
        )
    return None, Fault(
        "distance-wrong",
        f"{tank.name}: tape {gap_mm:.0f} mm, sensor {own:.0f} mm; that far apart nothing may be calibrated",
        "something else answers (wall, pipe, rib, ladder), the sensor is tilted, the thermometer reads wrong, or the "
        "tape did not start at the sensor's face: look, then repeat this step",
    )


def _another_fits(
    site: Site, tank: Tank, channel: int, hand: Mapping[str, ByHand], echo_mm: Mapping[int, float | None]
) -> bool:
    """Is this input the right one of another tank?"""
    for other in site.tanks:
        if other.id != tank.id and other.sensor_channel == channel:
            heard = echo_mm.get(channel)
            return other.id not in hand or (heard is not None and _agree(heard, hand[other.id].gap_mm))
    return False


def _height(index: int, tank: Tank, hand: ByHand, by_echo: float) -> tuple[list[Fault], list[SiteChange]]:
    if hand.gap_mm < tank.blind_zone_mm:
        text = (
            f"{tank.name}: the water stands {hand.gap_mm:.0f} mm below the sensor, inside its blind zone of "
            f"{tank.blind_zone_mm:.0f} mm"
        )
        return [Fault("water-too-near", text, "let water out until it is further away, then repeat this step")], []
    height_mm = round(by_echo + hand.depth_mm)
    off_mm = height_mm - tank.sensor_height_mm
    if abs(off_mm) <= HEIGHT_AGREES_MM:
        return [], []
    text = (
        f"{tank.name}: the sensor's face is {height_mm} mm above the lowest point inside; the site file says "
        f"{tank.sensor_height_mm:g} mm, so every level is {abs(off_mm):.0f} mm too {'low' if off_mm > 0 else 'high'}"
    )
    if abs(off_mm) > HEIGHT_REFUSE_MM:
        cure = (
            f"more than {HEIGHT_REFUSE_MM:g} mm off is not corrected here: did the stick reach the lowest point, was "
            "the tape read in other units? Correct the site file by hand if it is so"
        )
        return [Fault("height-refused", text, cure)], []
    change = SiteChange(("tank", index, "sensor_height"), f"{tank.sensor_height_mm:g} mm", f"{height_mm} mm")
    return [Fault("sensor-height", text, "take the corrected file below", by_change=True)], [change]


def _measured(tank: Tank, hand: ByHand, by_echo: float | None) -> str:
    heard = "hears nothing" if by_echo is None else f"{by_echo:.0f} mm"
    return f"{tank.name}: sensor to water {hand.gap_mm:.0f} mm by tape, sensor {heard}; depth {hand.depth_mm:.0f} mm"


def _agree(one_mm: float, tape_mm: float) -> bool:
    return abs(one_mm - tape_mm) <= max(TAPE_MM, TAPE_PART * tape_mm)


def levels_script(site: Site) -> Script:
    """Tape and stick for each tank, then the board's echoes."""
    yield from say(
        "You need a tape and a straight stick. Work from outside, through the manhole: never lean in, never "
        "climb in, not even for a moment, and have somebody nearby. Nothing may run in or out meanwhile."
    )
    hand: dict[str, ByHand] = {}
    for tank in site.tanks:
        yield from say(f"{tank.name}:")
        hand[tank.id] = yield from _by_hand(tank)
    seen = yield from _still_water(site)
    echo_mm: dict[int, float | None] = {}
    for channel in sorted({channel for r in seen for channel in r.echo_us}):
        found = reading.echo_distance_mm(seen, channel)
        echo_mm[channel] = None if found is None else found.value
    return judge_levels(site, hand, echo_mm)


def _by_hand(tank: Tank) -> Part[ByHand]:
    while True:
        gap_mm = yield from quantity(
            "  Tape from the sensor's face straight down to the water", LENGTH, 20.0, 8000.0, "692 mm"
        )
        depth_mm = yield from quantity(
            "  Stick: depth of the water at the lowest point inside", LENGTH, 0.0, tank.overflow_mm + 100.0, "742 mm"
        )
        off_mm = gap_mm + depth_mm - tank.sensor_height_mm
        if abs(off_mm) <= HEIGHT_AGREES_MM + TAPE_MM:
            return ByHand(gap_mm, depth_mm)
        yield from say(
            f"  Together {gap_mm + depth_mm:.0f} mm; the site file has the sensor's face at "
            f"{tank.sensor_height_mm:g} mm. Measure both once more, to be sure."
        )
        again_gap = yield from quantity("  Tape, again", LENGTH, 20.0, 8000.0, "692 mm")
        again_depth = yield from quantity("  Stick, again", LENGTH, 0.0, tank.overflow_mm + 100.0, "742 mm")
        if abs(again_gap - gap_mm) <= TAPE_MM / 2 and abs(again_depth - depth_mm) <= TAPE_MM / 2:
            return ByHand((gap_mm + again_gap) / 2.0, (depth_mm + again_depth) / 2.0)
        yield from say(f"  The two differ by more than {TAPE_MM / 2:g} mm. Begin again with this tank.")


def _still_water(site: Site) -> Part[Sequence[reading.Readings]]:
    """Readings over water that does not move; after three tries whatever there is."""
    seen: Sequence[reading.Readings] = ()
    for _ in range(3):
        seen = yield from look(LOOK_S)
        found = [reading.echo_distance_mm(seen, tank.sensor_channel) for tank in site.tanks]
        if all(one is None or one.spread <= RESTLESS_MM for one in found):
            break
        yield from say("  The water moves; measured once more.")
    return seen
