"""The wiring part of the report: currents, conductors for several distances in both systems, fuses, cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.site.model import Site
from simulator.advise.measures import Measures, measures
from simulator.advise.page import Block, Section, Table, Warnings
from simulator.wiring import (
    AWG,
    AWG_SOURCE,
    FUSE_CAUTIONS,
    FUSE_MARGIN,
    FUSE_RATINGS_A,
    METRIC,
    METRIC_SOURCE,
    Conductor,
    largest_fuse_a,
    smallest_conductor,
    voltage_drop_v,
)

NOMINAL_V = 12.0
COPPER_C = 40.0
"""How warm the copper is taken to be: a box in the sun."""
CRITICAL_PART, LESS_CRITICAL_PART = 0.03, 0.10
"""Allowed drop: ABYC E-11, a boat standard used as good practice ashore (quoted from memory)."""
HELD_VALVE_A, LATCHING_PULSE_A = 0.5, 1.5
CONVERTER_A = 2.0
"""What the 5 V converter of computer and board takes at most, from 12 V (common practice)."""
NEAR_M, FAR_M = (1.0, 2.0, 4.0, 6.0, 10.0), (10.0, 20.0, 40.0, 60.0, 100.0)


@dataclass(frozen=True, slots=True)
class Circuit:
    """One way from the fuses and back. `fuse_a` None: more than common fuses carry."""

    name: str
    current_a: float
    allowed_part: float
    distances_m: tuple[float, ...]

    @property
    def fuse_a(self) -> float | None:
        """The smallest common fuse that carries the current with margin."""
        needed_a = FUSE_MARGIN * self.current_a
        return next((rating_a for rating_a in FUSE_RATINGS_A if rating_a >= needed_a), None)

    def conductor(self, table: tuple[Conductor, ...], one_way_m: float) -> Conductor | None:
        """The thinnest conductor that loses no more than allowed and may carry the fuse."""
        allowed_v = self.allowed_part * NOMINAL_V
        if self.fuse_a is None:
            return None
        return smallest_conductor(table, self.current_a, one_way_m, allowed_v, COPPER_C, self.fuse_a)


def circuits_of(site: Site) -> tuple[Circuit, ...]:
    """The circuits that a site has, the main one first."""
    held = any(zone.valve.kind == "held" for zone in site.zones)
    latching = any(zone.valve.kind == "latching" for zone in site.zones)
    valve_a = max(HELD_VALVE_A if held else 0.0, LATCHING_PULSE_A if latching else 0.0)
    pumps_a = sum(pump.current_a for pump in site.pumps)
    found = [Circuit("all loads together", pumps_a + valve_a + CONVERTER_A, CRITICAL_PART, NEAR_M)]
    found += [Circuit(f"pump {pump.id}", pump.current_a, CRITICAL_PART, NEAR_M) for pump in site.pumps]
    found.append(Circuit("5 V converter", CONVERTER_A, CRITICAL_PART, NEAR_M))
    if site.panel is not None:
        found.append(Circuit("charging", site.panel.peak_w / NOMINAL_V, CRITICAL_PART, NEAR_M))
    if held:
        found.append(Circuit("a held valve", HELD_VALVE_A, LESS_CRITICAL_PART, FAR_M))
    if latching:
        found.append(Circuit("a latching valve's pulse", LATCHING_PULSE_A, LESS_CRITICAL_PART, FAR_M))
    return tuple(found)


def wiring_section(site: Site) -> Section:
    """Section and data of all circuits."""
    circuits, by = circuits_of(site), measures(site.units)
    near = [circuit for circuit in circuits if circuit.distances_m == NEAR_M]
    far = [circuit for circuit in circuits if circuit.distances_m == FAR_M]
    blocks: list[Block] = [
        Warnings(
            (
                "A wire without a fuse at the battery starts fires. Which cable and which fuse is right where you "
                "live, a licensed person decides; anything on mains voltage is that person's work.",
            )
        ),
        _table("Wires near the battery, by distance one way: at most 3 % of 12 V lost", near, NEAR_M, by),
        _table("Wires to the valves: at most 10 % of 12 V lost", far, FAR_M, by),
        _drop_table(circuits, by),
    ]
    main = circuits[0]
    found = (
        f"All loads together run at {main.current_a:g} A: "
        + (f"a fuse of {main.fuse_a:g} A" if main.fuse_a else "more than common blade fuses carry: ask an electrician")
        + f" within {by.near.text(18.0)} of the battery's terminal.",
    )
    data: dict[str, Any] = {
        circuit.name: {
            "current_a": circuit.current_a,
            "fuse_a": circuit.fuse_a,
            "allowed_drop_v": circuit.allowed_part * NOMINAL_V,
            "conductors": {
                f"{distance:g} m": [_name(circuit.conductor(METRIC, distance)), _name(circuit.conductor(AWG, distance))]
                for distance in circuit.distances_m
            },
        }
        for circuit in circuits
    }
    return Section("wiring", "Wires and fuses", tuple(blocks), found, _rests(), data)


def _table(caption: str, circuits: list[Circuit], distances_m: tuple[float, ...], by: Measures) -> Table:
    rows = []
    for circuit in circuits:
        cells = [
            f"{_name(circuit.conductor(METRIC, distance))}, {_name(circuit.conductor(AWG, distance))}"
            for distance in distances_m
        ]
        fuse = "none fits" if circuit.fuse_a is None else f"{circuit.fuse_a:g} A"
        rows.append((circuit.name, f"{circuit.current_a:g} A", fuse, *cells))
    head = ("circuit", "runs at", "fuse at least", *(by.length.text(distance, 0) for distance in distances_m))
    return Table(caption, head, tuple(rows))


def _drop_table(circuits: tuple[Circuit, ...], by: Measures) -> Table:
    """What the two standards make of the same distance."""
    rows = []
    for circuit in circuits:
        distance = circuit.distances_m[2]
        metric, awg = circuit.conductor(METRIC, distance), circuit.conductor(AWG, distance)
        if metric is None or awg is None:
            continue
        rows.append(
            (
                circuit.name,
                by.length.text(distance, 0),
                *(_drop(circuit, wire, distance) for wire in (metric, awg)),
                " / ".join(
                    "ask its maker" if (most := largest_fuse_a(w)) is None else f"{most:g} A" for w in (metric, awg)
                ),
            )
        )
    return Table(
        "What is lost on the way, and the largest fuse the wire may have",
        ("circuit", "one way", "mm2 (IEC 60228)", "AWG (NEC)", "largest fuse, each"),
        tuple(rows),
    )


def _drop(circuit: Circuit, wire: Conductor, distance_m: float) -> str:
    lost_v = voltage_drop_v(wire, circuit.current_a, distance_m, COPPER_C)
    return f"{wire.name}: {lost_v:.2f} V, {100.0 * lost_v / NOMINAL_V:.1f} %"


def _name(wire: Conductor | None) -> str:
    return "none" if wire is None else wire.name


def _rests() -> tuple[str, ...]:
    return (
        f"Drop: 2 I R L at copper of {COPPER_C:g} °C. Resistance: {METRIC_SOURCE}; {AWG_SOURCE}, each corrected with "
        "its own standard's coefficient.",
        "Allowed drop: 3 % where it counts, 10 % elsewhere (ABYC E-11, a boat standard used as good practice, from "
        f"memory). Fuses: {FUSE_MARGIN:g} x the running current, rounded up to a common blade fuse (common "
        "practice); never more than NEC 240.4(D) lets the wire carry, metric wires counted as the next thinner AWG.",
        f"Not declared, so assumed: a held valve {HELD_VALVE_A:g} A, a latching one's pulse {LATCHING_PULSE_A:g} A, "
        f"the converter {CONVERTER_A:g} A, charging the panel's peak at 12 V. A motor starts with several times its "
        "current for an instant.",
        *FUSE_CAUTIONS,
    )
