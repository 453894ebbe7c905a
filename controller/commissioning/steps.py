"""The steps of a commissioning, in the order in which each can rely on those before it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from controller.commissioning.battery import Divider, battery_script
from controller.commissioning.board_seen import board_script
from controller.commissioning.flows import flows_script
from controller.commissioning.last_check import last_check_script
from controller.commissioning.leak import leak_script
from controller.commissioning.levels import levels_script
from controller.commissioning.meters import meter_script
from controller.commissioning.pumps import first_zone, pump_script
from controller.commissioning.small_parts import float_script, gauge_script, temperature_script
from controller.commissioning.soil_probes import soil_script
from controller.commissioning.talk import Script
from controller.commissioning.valves import valves_script
from controller.commissioning.volumes import volumes_script
from controller.site.model import Site

CAUTIONS = (
    "Before you begin:",
    "  - Not drinking water. Label every outlet; nothing of it may be joined to the mains.",
    "  - 12 V burn and start fires: no live work. Fuses out (F2 pump, F3 valves) while a hand is on a wire.",
    "  - Never into a tank, not even for a moment. Have somebody nearby.",
    "  - Know where S2 is: it stops the pump without any software.",
    "  - Local codes and licensed people come first wherever they say otherwise.",
    "What the controller never does stays so: nothing below the reserve, nothing on a low battery, no pump against "
    "shut valves. This program stops what runs when it is left or its window is closed; if it dies without a word, a "
    "valve shuts after its minutes and a watering after its litres. If the controller itself dies, its leases end and "
    "the board shuts everything within 5 seconds.",
)


@dataclass(frozen=True, slots=True)
class OnBoard:
    """What belongs to the board and not to the site file.

    divider    of the battery, as in the board's pin file
    wet_level  what each float input reads while its float is up, by channel
    firmware   the version that belongs to this program
    """

    divider: Divider
    wet_level: Mapping[int, int]
    firmware: str


@dataclass(frozen=True, slots=True)
class Step:
    """`id` never changes its meaning. `wet`: water is given by order meanwhile, so the site is taken off hold for it.

    `script` begins it anew, with what an earlier, unfinished run of it kept.
    """

    id: str
    title: str
    script: Callable[[Mapping[str, Any]], Script]
    wet: bool = False


def _fresh(make: Callable[[], Script]) -> Callable[[Mapping[str, Any]], Script]:
    return lambda _kept: make()


def steps_of(site: Site, board: OnBoard) -> list[Step]:
    """All steps for a site; those for parts that are not fitted are left out."""
    steps = [
        Step("board", "The board and its parts", _fresh(partial(board_script, site, board.firmware))),
        Step("valves", "Valves, one at a time", _fresh(partial(valves_script, site))),
        Step("battery", "Battery voltage by hand meter", _fresh(partial(battery_script, board.divider))),
        Step("temperature", "Air temperature", _fresh(temperature_script)),
        Step("levels", "Level by tape and stick", _fresh(partial(levels_script, site))),
    ]
    for index, tank in enumerate(site.tanks):
        if tank.float_switch_channel is not None:
            wet = board.wet_level.get(tank.float_switch_channel)
            make = partial(float_script, index, tank, wet)
            steps.append(Step(f"float-{tank.id}", f"Float switch of {tank.name}", _fresh(make)))
    for pump in site.pumps:
        if first_zone(site, pump) is None:
            continue
        tried = _fresh(partial(pump_script, site, pump))
        steps.append(Step(f"pump-{pump.id}", f"Pump {pump.id}: does it run and draw water?", tried, wet=True))
        if pump.flow_meter is not None:
            bucket = _fresh(partial(meter_script, site, pump))
            steps.append(Step(f"meter-{pump.id}", f"Flow meter of {pump.id} by bucket", bucket, wet=True))
        flows = _fresh(partial(flows_script, site, pump))
        steps.append(Step(f"flows-{pump.id}", f"Flow of each zone of {pump.id}", flows, wet=True))
    for index, tank in enumerate(site.tanks):
        known = _volumes(partial(volumes_script, index, tank))
        steps.append(Step(f"volumes-{tank.id}", f"Known volumes in {tank.name}", known))
    for index, zone in enumerate(site.zones):
        if zone.soil_probe is not None:
            dipped = _fresh(partial(soil_script, index, zone, zone.soil_probe))
            steps.append(Step(f"soil-{zone.id}", f"Soil probe of {zone.name}", dipped))
    if site.rain_gauge is not None:
        steps.append(Step("gauge", "Rain gauge", _fresh(partial(gauge_script, site.rain_gauge))))
    steps.append(Step("last-check", "Everything once more by hand", _fresh(partial(last_check_script, site))))
    steps.append(Step("leak", "A night without water drawn", partial(leak_script, site)))
    return steps


def _volumes(make: Callable[[list[tuple[float, float]]], Script]) -> Callable[[Mapping[str, Any]], Script]:
    return lambda kept: make([(float(level), float(litres)) for level, litres in kept.get("points", [])])
