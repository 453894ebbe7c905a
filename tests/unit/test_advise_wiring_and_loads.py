"""Circuits and fuses of a site; weight, overflow and drain of its tanks."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sqrt

import pytest

from controller.site.load import parse_site
from controller.site.model import Rectangle, Valve, VerticalCylinder
from simulator.advise.loads import (
    base_m2,
    drain_time_s,
    hole_l_s,
    overflow_bore_mm,
    overflow_l_s,
    study_loads,
)
from simulator.advise.loads_section import loads_section
from simulator.advise.page import Table
from simulator.advise.wiring_section import CRITICAL_PART, NOMINAL_V, circuits_of, wiring_section
from simulator.example import example_site_text
from simulator.wiring import AWG, METRIC, largest_fuse_a, voltage_drop_v

SITE = parse_site(example_site_text(), "example")


def test_every_circuit_has_a_fuse_that_carries_it_and_wires_that_may_carry_the_fuse() -> None:
    for circuit in circuits_of(SITE):
        assert circuit.fuse_a is not None
        assert circuit.fuse_a >= 1.25 * circuit.current_a
        for distance in circuit.distances_m:
            for table in (METRIC, AWG):
                wire = circuit.conductor(table, distance)
                assert wire is not None
                assert voltage_drop_v(wire, circuit.current_a, distance, 40.0) <= circuit.allowed_part * NOMINAL_V
                most_a = largest_fuse_a(wire)
                assert most_a is not None
                assert circuit.fuse_a <= most_a


def test_the_pump_gets_the_wire_of_the_hardware_page() -> None:
    # docs/hardware.md: 4 A over 6 m takes 4 mm2 or AWG 12.
    pump = next(circuit for circuit in circuits_of(SITE) if circuit.name == "pump main-pump")
    assert pump.allowed_part == CRITICAL_PART
    wires = (pump.conductor(METRIC, 6.0), pump.conductor(AWG, 6.0))
    assert [wire.name for wire in wires if wire is not None] == ["4 mm2", "AWG 12"]


def test_latching_valves_count_with_their_pulse() -> None:
    zones = tuple(replace(zone, valve=Valve("latching", zone.valve.output, 2.0)) for zone in SITE.zones)
    names = [circuit.name for circuit in circuits_of(replace(SITE, zones=zones))]
    assert "a latching valve's pulse" in names
    assert "a held valve" not in names


def test_a_current_beyond_common_fuses_is_said_and_nothing_is_advised() -> None:
    strong = replace(SITE, pumps=(replace(SITE.pumps[0], current_a=35.0),))
    section = wiring_section(strong)
    assert "ask an electrician" in section.found[0]
    assert section.data["pump main-pump"]["fuse_a"] is None
    assert section.data["pump main-pump"]["conductors"]["4 m"] == ["none", "none"]


def test_wires_and_tanks_come_with_their_cautions() -> None:
    wires, loads = wiring_section(SITE), loads_section(SITE, study_loads(SITE))
    assert any("licensed person decides" in text for text in wires.rests)
    words = " ".join(str(block) for block in loads.blocks)
    for caution in ("Never enter a tank", "air gap", "Do not drink", "structural engineer"):
        assert caution in words


def test_a_tank_weighs_what_it_holds_to_the_top_and_presses_on_its_base() -> None:
    box = replace(SITE.tanks[0], shape=Rectangle(1000.0, 1000.0, 1000.0))
    (found,) = study_loads(replace(SITE, tanks=(box,)))
    assert found.water_kg == pytest.approx(1000.0)
    assert found.base_kpa == pytest.approx(9.80665)


def test_a_lying_tank_does_not_say_on_what_it_stands() -> None:
    assert base_m2(SITE.tanks[0].shape) is None
    assert base_m2(VerticalCylinder(1000.0, 1200.0)) == pytest.approx(pi / 4.0)
    assert base_m2(VerticalCylinder(1000.0, 1200.0, bottom_head="elliptical")) is None


def test_draining_a_box_takes_twice_its_volume_by_the_first_flow() -> None:
    # Closed form for straight walls: t = 2 V / Q0.
    box = Rectangle(1000.0, 1000.0, 1000.0)
    assert drain_time_s(box, 900.0, 25.0) == pytest.approx(2.0 * 900.0 / hole_l_s(25.0, 0.9), rel=0.02)


def test_a_hole_lets_through_by_torricelli() -> None:
    assert hole_l_s(20.0, 1.0) == pytest.approx(0.6 * pi / 4.0 * 0.02**2 * sqrt(2.0 * 9.80665) * 1000.0)
    assert hole_l_s(20.0, -0.1) == 0.0


def test_the_overflow_takes_the_design_rain() -> None:
    (found,) = study_loads(SITE)
    assert found.inflow_l_s == pytest.approx((0.5, 1.0))
    for flow, bore in zip(found.inflow_l_s, found.overflow_mm, strict=True):
        assert bore is not None
        assert overflow_l_s(bore) >= flow
    assert overflow_bore_mm(1000.0) is None


def test_american_sites_read_inches_feet_and_gallons() -> None:
    """A cloudburst of 150 mm is 5.9 in, 0.5 L/s 7.9 gal/min, 1500 lb/ft2 71.8 kPa (NIST SP 811)."""
    american = replace(SITE, units="us")
    loads, wiring = loads_section(american, study_loads(american)), wiring_section(american)
    cells = [cell for block in (*loads.blocks, *wiring.blocks) if isinstance(block, Table) for cell in told(block)]
    assert {"3.0 in/h", "5.9 in/h", "7.93 gal/min", "15.85 gal/min", "1500", "lb/ft2"} <= set(cells)
    assert "within 7 in of the battery's terminal" in wiring.found[0]
    assert any(cell == "13 ft" for cell in cells)
    assert not [cell for cell in cells if cell.endswith((" m", " mm", " mm/h", " L/s", " kPa", "L/min at first"))]


def told(table: Table) -> tuple[str, ...]:
    return (table.caption, *table.head, *(cell for row in table.rows for cell in row))
