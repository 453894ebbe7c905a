"""The part of the report about weight, overflow, mains water and labels: what to ask locally."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.site.model import Site
from controller.site.show import Show
from simulator.advise.loads import (
    DESIGN_RAIN_MM_H,
    DRAIN_BORE_MM,
    FILL_BORES_MM,
    ORIFICE,
    SOILS_KPA,
    TankLoads,
)
from simulator.advise.measures import Measures, measures
from simulator.advise.page import Block, Section, Table, Warnings

US_LEAST_MM, UK_LEAST_MM = 25.0, 20.0
LB_PER_KG = 2.204622622


def loads_section(site: Site, tanks: Sequence[TankLoads]) -> Section:
    """Section and data."""
    show, by = Show(site.units), measures(site.units)
    blocks: list[Block] = [
        Warnings(
            (
                "Never enter a tank, not even an empty one: the air in it can kill. Lock the lid against children.",
                "No pipe joins rainwater and mains water. Topping up is open, with an air gap and the overflow "
                "below it; a valve is not enough. Who may do it, and how, your water supplier and local code say.",
            )
        ),
        _weight_table(tanks, show, by),
        _soil_table(by),
        _overflow_table(tanks, by),
        _gap_table(by),
        "Ask locally, before buying: whether the ground or the slab carries the tank (a structural engineer, above "
        "ground or on a roof always); whether a permit is needed and how near to the boundary it may stand; where "
        "the overflow may run, never toward a foundation or a neighbour; which protection against backflow is "
        "demanded and who tests it; whether collecting is limited; and what the insurance says of batteries.",
        'Label every outlet: "Rainwater. Do not drink." Label the pipes in the colour your code has for it, the '
        "battery with what it holds, and the switch that turns all off.",
    ]
    found = tuple(_found(tank, show, by) for tank in tanks)
    data = {tank.tank.id: _data(tank) for tank in tanks}
    return Section("loads", "Weight, overflow, mains water: what to ask", tuple(blocks), found, _rests(by), data)


def _found(tank: TankLoads, show: Show, by: Measures) -> str:
    weight = f"{tank.tank.name} holds {_weight(tank.water_kg, show)} of water when full to the top."
    if tank.inflow_l_s[0] <= 0.0:
        return weight
    bore = tank.overflow_mm[0]
    wide = "more than common pipes" if bore is None else f"at least {by.bore.text(bore)}"
    rain = f"At {by.rain.text(DESIGN_RAIN_MM_H[0])} of rain {by.stream.text(tank.inflow_l_s[0])} come off its roof"
    return f"{weight} {rain}: an overflow of {wide}."


def _weight(weight_kg: float, show: Show) -> str:
    return f"{weight_kg:.0f} kg" if show.units == "metric" else f"{weight_kg * LB_PER_KG:.0f} lb"


def _weight_table(tanks: Sequence[TankLoads], show: Show, by: Measures) -> Table:
    rows = []
    for tank in tanks:
        on = "as its feet or saddles are" if tank.base_kpa is None else by.bearing.text(tank.base_kpa)
        rows.append(
            (
                tank.tank.name,
                _weight(tank.water_kg, show),
                on,
                f"{by.trickle.text(tank.drain_l_min)} at first",
                f"{tank.drain_min:.0f} min",
            )
        )
    return Table(
        f"Weight of the water alone, and a drain of {by.bore.text(DRAIN_BORE_MM)} at the floor",
        ("tank", "full to the top", "on its base", "drain", "empty after"),
        tuple(rows),
    )


def _soil_table(by: Measures) -> Table:
    return Table(
        "What ground is presumed to carry where nobody has tested it",
        ("ground", by.bearing.unit),
        tuple((name, by.bearing.number(kpa)) for name, kpa in SOILS_KPA),
    )


def _overflow_table(tanks: Sequence[TankLoads], by: Measures) -> Table:
    rows = []
    for tank in [each for each in tanks if each.inflow_l_s[0] > 0.0]:
        for rain, flow, bore in zip(DESIGN_RAIN_MM_H, tank.inflow_l_s, tank.overflow_mm, strict=True):
            rows.append(
                (
                    tank.tank.name,
                    by.rain.text(rain),
                    by.stream.text(flow, 2),
                    "none" if bore is None else by.bore.text(bore),
                )
            )
    return Table(
        "Overflow: at least as wide as the inlet, and as this",
        ("tank", "rain", "from its roofs", "smallest pipe, inside"),
        tuple(rows),
    )


def _gap_table(by: Measures) -> Table:
    return Table(
        "Air gap above the spill level, where mains water fills a tank: two rules",
        (
            "bore of the filling pipe",
            f"twice the opening, at least {by.bore.text(US_LEAST_MM)}",
            f"twice the bore, at least {by.bore.text(UK_LEAST_MM)}",
        ),
        tuple(
            tuple(by.bore.text(size) for size in (bore, max(US_LEAST_MM, 2.0 * bore), max(UK_LEAST_MM, 2.0 * bore)))
            for bore in FILL_BORES_MM
        ),
    )


def _rests(by: Measures) -> tuple[str, ...]:
    water = "1 L of water is 1 kg" if by.length.unit == "m" else "1 gal of water is 8.35 lb"
    return (
        f"Weight: {water}; the tank, its stand and snow come on top. Soil: International Residential Code, table "
        "R401.4.1 (from memory); peat, fill and frozen ground carry less.",
        f"Design rain: {by.rain.text(75.0)} is what British gutters are laid out for (from memory); "
        f"{by.rain.text(150.0)} a cloudburst. All of it is taken to run off.",
        f"Overflow and drain: {ORIFICE:g} A sqrt(2 g h), a sharp hole (textbook), the overflow with water up to its "
        "crown; a long or bent pipe takes less.",
        "Air gap: first rule as American plumbing codes are quoted, second as British water regulations (both "
        "second-hand or from memory). Your local code decides.",
    )


def _data(tank: TankLoads) -> dict[str, Any]:
    return {
        "water_kg": tank.water_kg,
        "base_kpa": tank.base_kpa,
        "design_rain_mm_h": list(DESIGN_RAIN_MM_H),
        "inflow_l_s": list(tank.inflow_l_s),
        "overflow_bore_mm": list(tank.overflow_mm),
        "drain_l_min": tank.drain_l_min,
        "drain_min": tank.drain_min,
    }
