"""The board is there: what it has, what it reads, and what the site file says there is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome
from controller.commissioning.talk import Script, look, yes
from controller.site.model import Site

LOOK_S = 10.0
MOST_PULSES_AT_REST = 1
"""A wheel that stood on the edge of a pulse may give one."""
PIN_FILE = "the board's pin file (docs/hardware.md), flashed with: pumphouse board flash --serial PORT --pins FILE"

PARTS = {
    "echo": "level sensor",
    "temperature": "thermometer",
    "flow": "flow meter",
    "float": "float switch",
    "pump": "pump",
    "valve": "valve",
    "rain": "rain gauge",
    "shunt": "shunt",
    "panel": "panel divider",
}


def judge_board(site: Site, newest: reading.Readings, firmware: str) -> Outcome:
    """`firmware` is the version that belongs to this program."""
    fitted = newest.fitted
    parts = ", ".join(f"{int(n)} x {words}" for kind, words in PARTS.items() if (n := fitted.get(kind, 0)))
    measured = (f"board {newest.board}, firmware {newest.firmware}: {parts or 'nothing fitted'}",)
    faults = [*_counts(site, fitted), *_readings(site, newest)]
    if newest.firmware != firmware:
        cure = "flash it: pumphouse board flash --serial PORT"
        faults.append(Fault("firmware-other", f"firmware {newest.firmware}; this program brings {firmware}", cure))
    return Outcome(measured, tuple(faults))


def _counts(site: Site, fitted: dict[str, int]) -> list[Fault]:
    """What the site file names and the board lacks, and what the board has and nobody names."""
    floats = [t.float_switch_channel for t in site.tanks if t.float_switch_channel is not None]
    named = {
        "echo": ("level sensor input", [t.sensor_channel for t in site.tanks]),
        "flow": ("flow meter input", [p.flow_meter.channel for p in site.pumps if p.flow_meter is not None]),
        "float": ("float switch input", floats),
        "pump": ("pump output", [p.output for p in site.pumps]),
        "valve": ("valve output", [z.valve.output for z in site.zones]),
    }
    found: list[Fault] = []
    for kind, (words, numbers) in named.items():
        found += _count(words, numbers, int(fitted.get(kind, 0)))
    found += _one("rain", "rain gauge", site.rain_gauge is not None, fitted)
    if site.panel is not None:
        found += _one("panel", "panel divider", True, fitted)
    return found


def _count(words: str, named: Iterable[int], have: int) -> list[Fault]:
    wanted = sorted(set(named))
    missing = [n for n in wanted if n >= have]
    extra = [n for n in range(have) if n not in wanted]
    found = []
    if missing:
        text = f"the site file names {words} {_list(missing)}, the board has {have or 'none'} (the first is 0)"
        found.append(Fault("part-missing", text, f"correct the number in the site file, or {PIN_FILE}"))
    if extra:
        text = f"the board has {words} {_list(extra)}, which the site file does not name"
        found.append(Fault("part-unnamed", text, f"name it in the site file, or leave it out of {PIN_FILE}"))
    return found


def _one(kind: str, words: str, wanted: bool, fitted: dict[str, int]) -> list[Fault]:
    if wanted == bool(fitted.get(kind, 0)):
        return []
    text = f"the site file has a {words}, the board none" if wanted else f"the board has a {words}, the site file none"
    identity = "part-missing" if wanted else "part-unnamed"
    return [Fault(identity, text, f"correct the site file, or {PIN_FILE}")]


def _readings(site: Site, newest: reading.Readings) -> list[Fault]:
    found = []
    if newest.pumps_on or newest.valves_open:
        text = "an output reads on although nothing is being watered"
        found.append(
            Fault("output-on", text, "pull F2 and F3; is it driven the wrong way round (active in the pin file)?")
        )
    if newest.battery_v is None:
        found.append(Fault("battery-unread", "the board reads no battery voltage", "the divider and fuse F7"))
    if reading.air_c([newest]) is None:
        cure = "its three wires and 4.7 kΩ from data to 3.3 V"
        found.append(Fault("temperature-unread", "the board reads no air temperature", cure))
    for tank in site.tanks:
        if not any(newest.echo_us.get(tank.sensor_channel, ())):
            text = f"the level sensor of {tank.name} (input {tank.sensor_channel}) hears nothing"
            hearing = [n for n, burst in newest.echo_us.items() if any(burst) and n not in _named_echoes(site)]
            cure = f"input {hearing[0]} hears something: is it wired there?" if hearing else "its wires and its 5 V"
            found.append(Fault("sensor-silent", text, cure))
    found += [Fault(fault, f"the board holds {fault}", "see docs/faults.md") for fault in newest.faults]
    return found


def _named_echoes(site: Site) -> set[int]:
    return {tank.sensor_channel for tank in site.tanks}


def _list(numbers: Iterable[int]) -> str:
    return ", ".join(str(n) for n in numbers)


def judge_rest(first: reading.Readings, last: reading.Readings, *, still: bool) -> list[Fault]:
    """What moves or counts although every output is off; `still`: the person hears and sees nothing run."""
    found = []
    if not still:
        text = "something runs although every output is off"
        cure = (
            "pull F2 and F3 now. A relay module that switches on with a low input, a welded contact, or a wire on the "
            "wrong terminal: docs/hardware.md says which modules not to use"
        )
        found.append(Fault("runs-at-rest", text, cure))
    for channel, pulses in (reading.pulses_between(first, last) or {}).items():
        if pulses > MOST_PULSES_AT_REST:
            text = f"meter {channel} counts at rest: {pulses} pulses in {last.up_s - first.up_s:.0f} s"
            cure = "water that runs somewhere, or a wire that picks up noise: small circuit (a) of docs/hardware.md"
            found.append(Fault("pulses-at-rest", text, cure))
    return found


def board_script(site: Site, firmware: str) -> Script:
    """Look, listen, and compare."""
    still = yield from yes("Nothing is ordered now. Is all still: no pump runs, no valve hums, no water flows?")
    seen = yield from look(LOOK_S)
    outcome = judge_board(site, seen[-1], firmware)
    return replace(outcome, faults=(*judge_rest(seen[0], seen[-1], still=still), *outcome.faults))
