"""Soil probes: each dipped into water, to see which input moves. What its volts mean in soil is measured there."""

from __future__ import annotations

from collections.abc import Mapping

from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.talk import Script, ask, look, say
from controller.site.model import SoilProbe, Zone

MOVES_V = 0.2
"""Between air and water a capacitive probe moves by half a volt and more (common practice, no source)."""
LOOK_S = 4.0


def judge_soil(
    index: int, zone: Zone, probe: SoilProbe, in_air: Mapping[int, float | None], in_water: Mapping[int, float | None]
) -> Outcome:
    """A zone's probe, by what every soil input read while it hung in air and while it stood in water."""
    moved = {}
    for channel, air_v in in_air.items():
        water_v = in_water.get(channel)
        if air_v is not None and water_v is not None and abs(water_v - air_v) >= MOVES_V:
            moved[channel] = water_v - air_v
    measured = (f"probe of {zone.name}, air then water: {_words(in_air, in_water)}",)
    if probe.channel not in moved:
        if len(moved) != 1:
            text = f"the probe of {zone.name} moved no input, or several"
            cure = "its three wires, 3.3 V at the probe, a measuring pin of its own; dip it up to its mark, not further"
            return Outcome(measured, (Fault("soil-dead", text, cure),))
        found = next(iter(moved))
        text = f"the probe of {zone.name} is on soil input {found}; the site file says {probe.channel}"
        change = SiteChange(("zone", index, "soil_probe", "channel"), probe.channel, found)
        fault = Fault("soil-elsewhere", text, "take the corrected file below, or swap the wires", by_change=True)
        return Outcome(measured, (fault,), (change,))
    if (moved[probe.channel] > 0.0) != (probe.full_v > probe.dry_v):
        text = f"the probe of {zone.name} reads {'more' if moved[probe.channel] > 0.0 else 'less'} in water"
        declared = f"dry {probe.dry_v:g} V, full {probe.full_v:g} V"
        cure = f"the site file has it the other way round: {declared}; measure both anew"
        return Outcome(measured, (Fault("soil-reversed", text, cure),))
    return Outcome(measured)


def _words(in_air: Mapping[int, float | None], in_water: Mapping[int, float | None]) -> str:
    pairs = [f"input {n} {_volts(in_air[n])} then {_volts(in_water.get(n))}" for n in sorted(in_air)]
    return ", ".join(pairs) or "no input read"


def _volts(value: float | None) -> str:
    return "nothing" if value is None else f"{value:.2f} V"


def soil_script(index: int, zone: Zone, probe: SoilProbe) -> Script:
    """Have a probe hung in air and dipped into a glass of water."""
    yield from say(f"The soil probe of {zone.name}: pull it out and wipe it dry. You need a glass of water.")
    yield from ask("  Hold it in air and press Enter: ")
    in_air = (yield from look(LOOK_S))[-1].soil_v
    yield from ask("  Dip it into the water up to its mark and press Enter: ")
    in_water = (yield from look(LOOK_S))[-1].soil_v
    return judge_soil(index, zone, probe, in_air, in_water)
