"""The hydraulic part of the report: pump against pipes, zone by zone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.site.model import Site
from controller.site.show import Show
from controller.site.units import US_GALLON_L
from simulator.advise.drip_line import from_far_end
from simulator.advise.friction import (
    G_M_S2,
    PLASTIC_C,
    PLASTIC_ROUGHNESS_MM,
    TURBULENT_RE,
    christiansen_factor,
    colebrook,
    pipe_loss_m,
    reynolds,
    velocity_m_s,
)
from simulator.advise.measures import Measures, measures
from simulator.advise.network import feed_loss_m
from simulator.advise.page import Block, Section, Table, Warnings
from simulator.advise.pictures import Chart, Line
from simulator.advise.water_study import (
    ASSUMED_BORE_MM,
    ASSUMED_EMITTERS,
    ASSUMED_FEED_M,
    ASSUMED_HEAD_M,
    ASSUMED_RISE_M,
    ASSUMED_SPACING_M,
    CLEAN_FILTER_M,
    FITTINGS,
    MADE_VARIATION,
    SHARED_PART,
    PumpWater,
    ZoneWater,
)
from simulator.plant.hydraulics import friction_m

_CURVE_POINTS = 25


def water_section(site: Site, pumps: Sequence[PumpWater]) -> Section:
    """Section and data of all pumps."""
    show, by = Show(site.units), measures(site.units)
    blocks: list[Block] = []
    found: list[str] = []
    for water in pumps:
        faults = tuple(text for zone in water.zones for text in zone.faults)
        if faults:
            blocks.append(Warnings(faults))
        blocks += [
            _chart(water, show, by),
            _flow_table(water, show, by),
            _even_table(water, by),
            _friction_table(water, by),
        ]
        blocks.append(_pairs_words(water))
        found.append(_found(water, faults, show))
    zones = [zone for water in pumps for zone in water.zones]
    names = [zone.zone.name for zone in zones if zone.assumed]
    assumed = "all zones" if len(names) == len(zones) else ", ".join(names)
    data = {water.pump.id: _data(water) for water in pumps}
    return Section(
        "water", "Water on its way: pump, pipes, emitters", tuple(blocks), tuple(found), _rests(assumed, by), data
    )


def _found(water: PumpWater, faults: Sequence[str], show: Show) -> str:
    flows = [zone.usual.flow_l_min for zone in water.zones]
    text = f"Pump {water.pump.id} gives each zone alone {_span(show.flow(min(flows)), show.flow(max(flows)))}"
    if not faults:
        return text + "; pressures, line lengths and windows are in order."
    return text + f"; {len(faults)} thing{'s' if len(faults) > 1 else ''} to look at."


def _chart(water: PumpWater, show: Show, by: Measures) -> Chart:
    scale = 1.0 if show.units == "metric" else US_GALLON_L
    most = water.pump.max_flow_l_min
    flows = [most * n / _CURVE_POINTS for n in range(_CURVE_POINTS + 1)]
    curve = tuple(
        (flow / scale, by.head.value(max(0.0, water.source.head_m(flow) - water.source.surface_m))) for flow in flows
    )
    lines = [Line(f"pump {water.pump.id}, behind the filter", curve, 0, heavy=True)]
    for n, zone in enumerate(water.zones):
        points = [(flow / scale, by.head.value(head)) for flow, head in _system_curve(water, zone) if flow <= most]
        lines.append(Line(zone.zone.name, tuple(points), n + 1))
    marks = [
        (
            zone.usual.flow_l_min / scale,
            by.head.value(water.source.head_m(zone.usual.flow_l_min) - water.source.surface_m),
        )
        for zone in water.zones
    ]
    lines += [Line("where they meet", (mark,)) for mark in marks[:1]]
    lines += [Line("", (mark,)) for mark in marks[1:]]
    return Chart(
        title=f"Pump {water.pump.id} against its zones, the tank half full",
        x_name="flow, L/min" if show.units == "metric" else "flow, gal/min",
        y_name=f"head above the water, {by.head.unit}",
        lines=tuple(lines),
    )


def _system_curve(water: PumpWater, zone: ZoneWater) -> list[tuple[float, float]]:
    """(flow, head above the surface) that the pipes of a zone take, to a little beyond where they meet the pump."""
    points = []
    top_m = 1.6 * max(zone.usual.line.heads_m[-1], 0.1)
    for n in range(_CURVE_POINTS + 1):
        far_m = top_m * (n / _CURVE_POINTS) ** 2
        line = from_far_end(zone.pipes.line, far_m)
        flow = zone.pipes.lines * line.inflow_l_min
        loss = feed_loss_m(zone.pipes, flow)
        points.append((flow, zone.pipes.rise_m - water.source.surface_m + line.inlet_m + loss))
    return points


def _flow_table(water: PumpWater, show: Show, by: Measures) -> Table:
    rows = []
    for zone in water.zones:
        line = zone.usual.line
        window = f"{zone.window_min:.0f}" if zone.window_min > 0.0 else "fixed times"
        rows.append(
            (
                zone.zone.name,
                show.flow(zone.usual.flow_l_min),
                show.flow(zone.zone.rated_flow_l_min),
                _span(show.flow(zone.low.flow_l_min), show.flow(zone.high.flow_l_min)),
                by.head.number(zone.usual.pump_m),
                f"{by.pressure.number(min(line.heads_m))} to {by.pressure.number(max(line.heads_m))}"
                + (" (regulated)" if zone.usual.regulating else ""),
                f"{zone.cap_min:.0f} of {window}",
            )
        )
    return Table(
        "Each zone alone",
        (
            "zone",
            "flow, tank half full",
            "emitters' rating",
            "tank low to full",
            f"pump's head, {by.head.unit}",
            f"{'head' if by.pressure.unit == by.head.unit else 'pressure'} at emitters, {by.pressure.unit}",
            "minutes for the daily cap, of windows",
        ),
        tuple(rows),
    )


def _span(low: str, high: str) -> str:
    """Two quantities with one unit, on one line."""
    if low == high:
        return low
    number, _, unit = low.partition(" ")
    return f"{number} to {high}" if high.endswith(unit) else f"{low} to {high}"


def _even_table(water: PumpWater, by: Measures) -> Table:
    rows = []
    for zone in water.zones:
        line = zone.pipes.line
        length = line.emitters * line.spacing_m
        rows.append(
            (
                zone.zone.name,
                f"{zone.pipes.lines} x {by.length.number(length)}, {by.bore.number(line.bore_mm)}",
                f"{line.emitters} x {by.length.number(line.spacing_m, 2)}",
                f"{100.0 * zone.usual.line.flow_variation:.1f} %",
                f"{zone.uniformity:.0f} %, {uniformity_class(zone.uniformity)}",
                by.length.text(zone.longest_m),
            )
        )
    return Table(
        "How evenly along a line",
        (
            "zone",
            f"lines, {by.length.unit}, and bore, {by.bore.unit}",
            f"emitters, {by.length.unit} apart",
            "flow differs by",
            "emission uniformity",
            "longest for 10 %",
        ),
        tuple(rows),
    )


def uniformity_class(uniformity: float) -> str:
    """The word for a design emission uniformity (classes as a page citing ASABE EP405 has them)."""
    for least, word in ((90.0, "excellent"), (80.0, "good"), (70.0, "fair"), (60.0, "poor")):
        if uniformity >= least:
            return word
    return "unfit"


def _friction_table(water: PumpWater, by: Measures) -> Table:
    rows = []
    for zone in water.zones:
        flow, bore, length = zone.usual.flow_l_min, zone.pipes.feed_bore_mm, zone.pipes.feed_m
        if flow <= 0.0:
            continue
        line = zone.pipes.line
        per_line = zone.usual.line.inflow_l_min
        plain = pipe_loss_m(per_line, line.bore_mm, line.emitters * line.spacing_m)
        exact = zone.usual.line.inlet_m - zone.usual.line.heads_m[-1]
        rows.append(
            (
                zone.zone.name,
                f"{by.length.round(length).partition(' ')[0]}, {by.bore.number(bore)}",
                by.speed.number(velocity_m_s(flow, bore), 2),
                by.head.number(_colebrook_loss_m(flow, bore, length), 2),
                by.head.number(pipe_loss_m(flow, bore, length), 2),
                " / ".join(by.head.number(friction_m(flow, bore, length, c), 2) for c in PLASTIC_C),
                by.head.number(zone.usual.feed_loss_m - pipe_loss_m(flow, bore, length), 2),
                f"{by.head.number(exact, 3)} / {by.head.number(christiansen_factor(line.emitters) * plain, 3)}",
            )
        )
    return Table(
        f"What friction takes, {by.head.unit} of head: published formulas beside one another",
        (
            "zone",
            f"feed pipe, {by.length.unit}, and bore, {by.bore.unit}",
            by.speed.unit,
            "Darcy-Weisbach, Colebrook",
            "Darcy-Weisbach, as used",
            f"Hazen-Williams C {PLASTIC_C[0]:.0f} / {PLASTIC_C[1]:.0f}",
            "fittings",
            "one line: exact / Christiansen",
        ),
        tuple(rows),
    )


def _colebrook_loss_m(flow: float, bore: float, length: float) -> float:
    """With Colebrook's factor where flow is turbulent; elsewhere as used."""
    re = reynolds(flow, bore)
    if re < TURBULENT_RE:
        return pipe_loss_m(flow, bore, length)
    factor = colebrook(re, PLASTIC_ROUGHNESS_MM / bore)
    return factor * length * 1000.0 / bore * velocity_m_s(flow, bore) ** 2 / (2.0 * G_M_S2)


def _pairs_words(water: PumpWater) -> str:
    weak = [pair for pair in water.pairs if min(pair.kept) < SHARED_PART]
    if not water.pairs:
        return "One zone only."
    if not weak:
        return "Any two zones could run at once: each keeps more than nine tenths of its flow."
    if len(weak) == len(water.pairs):
        worst = min(min(pair.kept) for pair in weak)
        best = max(min(pair.kept) for pair in weak)
        return (
            f"No two zones should run at once: the weaker one of a pair would keep {100.0 * worst:.0f} to "
            f"{100.0 * best:.0f} % of its flow. The controller waters one zone of a pump at a time."
        )
    names = "; ".join(
        f"{pair.names[0]} with {pair.names[1]} ({100.0 * min(pair.kept):.0f} % of its flow left)" for pair in weak
    )
    return f"These should not run at once: {names}. The controller waters one zone of a pump at a time."


def _rests(assumed: str, by: Measures) -> tuple[str, ...]:
    texts = [
        "Pump: a parabola from the declared greatest head at no flow to no head at the greatest flow; its data "
        "sheet's curve comes first. A worn pump or a low battery gives less.",
        "Pipes: Darcy-Weisbach, friction factor by Swamee and Jain 1976, laminar 64/Re, Dunlop's cubic between, as "
        f"in EPANET 2; roughness {PLASTIC_ROUGHNESS_MM:g} mm, water of 15 °C. Hazen-Williams reads 10 to 15 % lower "
        "with C 150 in such tubes; C 140 comes nearer.",
        f"Fittings: {FITTINGS:g} velocity heads in the feed pipe (entrance 0.5, valve 10, four bends 3.6, tee 1.8; "
        f"EPANET users manual, table 3.3, from memory). Clean filter: {by.head.round(CLEAN_FILTER_M)} at the pump's "
        "greatest flow (common practice); a clogged one takes several times that.",
        "Emitters: q = k h^x on level lines. Emission uniformity 100 (1 - 1.27 CV) qmin/qavg with CV "
        f"{MADE_VARIATION:g} (ASABE EP405, second-hand); in the field 65 to 80 % are usual. A difference of flow of "
        "10 % along a line (20 % of head) is the usual allowance.",
        "Whole zones agree with the EPANET engine within 1 % (tests/reference/test_hydraulics_networks.py).",
    ]
    if assumed:
        texts.insert(
            0,
            f"Not declared, so assumed for {assumed}: lines of at most {ASSUMED_EMITTERS} emitters "
            f"{by.length.round(ASSUMED_SPACING_M)} apart, bore {by.bore.text(ASSUMED_BORE_MM)}; a feed pipe of "
            f"{by.length.round(ASSUMED_FEED_M)}; emitters {by.length.round(ASSUMED_RISE_M)} above the tank's floor, "
            f"plain turbulent (x 0.5), rated at {by.pressure.text(ASSUMED_HEAD_M, 0)}; no regulator. Write [zone.line] "
            "in the site file to have your own.",
        )
    return tuple(texts)


def _data(water: PumpWater) -> dict[str, Any]:
    return {
        "zones": {
            zone.zone.id: {
                "assumed_pipes": zone.assumed,
                "flow_l_min": zone.usual.flow_l_min,
                "flow_low_l_min": zone.low.flow_l_min,
                "flow_high_l_min": zone.high.flow_l_min,
                "rated_l_min": zone.zone.rated_flow_l_min,
                "pump_head_m": zone.usual.pump_m,
                "feed_loss_m": zone.usual.feed_loss_m,
                "emitter_heads_m": [min(zone.usual.line.heads_m), max(zone.usual.line.heads_m)],
                "flow_variation": zone.usual.line.flow_variation,
                "emission_uniformity_percent": zone.uniformity,
                "longest_line_m": zone.longest_m,
                "cap_minutes": zone.cap_min if zone.usual.flow_l_min > 0.0 else None,
                "faults": list(zone.faults),
            }
            for zone in water.zones
        },
        "pairs": [{"zones": list(pair.names), "part_of_flow_kept": list(pair.kept)} for pair in water.pairs],
    }
