"""docs/hardware.md says what the pin file and the arithmetic say; its drawings are what the script draws."""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from firmware_host.board import limits, pins
from simulator.circuits import (
    Divider,
    Shunt,
    capacitor_for_pulse_f,
    coil_current_a,
    coil_energy_j,
    node_v,
    pull_down_v,
    watt_hours,
)
from simulator.wiring import AWG, METRIC, conductor, fuse_for, largest_fuse_a, smallest_conductor, voltage_drop_v

ROOT = Path(__file__).resolve().parents[2]
PINS: Any = pins.PINS
PAGE = (ROOT / "docs/hardware.md").read_text()
IMAGES = ROOT / "docs/images"
DRAWINGS = ("power", "protection", "signals", "wiring")
COPPER_C = 40.0
LARGEST_PUMP_DROP_V, LARGEST_VALVE_DROP_V = 0.03 * 12.0, 0.10 * 12.0

BATTERY = Divider(PINS["battery"]["top_ohm"], PINS["battery"]["bottom_ohm"])
PANEL = Divider(PINS["panel"]["top_ohm"], PINS["panel"]["bottom_ohm"])
LEVEL_SHIFT = Divider(10_000, 15_000)
SPARE_BATTERY = Divider(47_000, 10_000)
SHUNT = Shunt(10.0, 0.1)
FILTER_F = 100e-9
ADC_INPUT_OHM = 100_000.0
LEAKAGE_A = 1e-6
PULL_OHM = 50_000.0
"""The chip's own pull-up and pull-down at their strongest (data sheet: 50 to 80 kΩ)."""


def section(heading: str, with_tables: bool = True) -> str:
    """Text from one heading to the next of any level, as one line."""
    start = PAGE.index(f"\n{heading}\n") + len(heading) + 2
    end = re.search(r"^#{2,3} ", PAGE[start:], re.MULTILINE)
    lines = (PAGE[start : start + end.start()] if end else PAGE[start:]).split("\n")
    return " ".join(" ".join(line for line in lines if with_tables or not line.startswith("|")).split())


def table(first_cell: str, number: int = 0) -> list[list[str]]:
    """Cells of the rows of the table with that number among those whose heading begins with that cell."""
    start = [found.start() for found in re.finditer(rf"^\| {re.escape(first_cell)} \|", PAGE, re.MULTILINE)][number]
    lines = PAGE[start:].split("\n")
    return [
        [cell.strip() for cell in line.strip("|").split("|")] for line in lines[: lines.index("")] if "---" not in line
    ]


def unit_value(cell: str, unit: str) -> float:
    number, _, rest = cell.partition(" ")
    assert rest == unit, cell
    return float(number)


def declared_pins(part: str, declared: Any) -> Iterator[tuple[str, int]]:
    """Every pin of a part of the pin file, named like `pump 0, second`."""
    if isinstance(declared, tuple):
        for number, one in enumerate(declared):
            yield from declared_pins(f"{part} {number}", one)
    elif isinstance(declared, dict):
        for key, value in declared.items():
            if key in ("pin", "trigger", "echo", "uart", "tx", "rx", "sda", "scl", "second", "open", "close"):
                assert key != "uart"
                if value is not None:
                    yield (part if key == "pin" else f"{part}, {key}"), value


def pins_of_the_file() -> dict[str, int]:
    return {
        signal: pin
        for part, declared in PINS.items()
        if part != "taken"
        for signal, pin in declared_pins(part, declared)
    }


def pins_of_the_page() -> dict[str, int]:
    return {row[0].strip("`"): int(row[1].removeprefix("GP")) for row in table("signal")[1:]}


# --- pins -------------------------------------------------------------------------------------------------------------


def test_the_wiring_table_is_the_pin_file() -> None:
    assert pins_of_the_page() == pins_of_the_file()


def test_the_wiring_table_uses_no_pin_twice_and_measures_on_measuring_pins() -> None:
    wired = pins_of_the_page()
    assert len(set(wired.values())) == len(wired)
    assert not set(wired.values()) & set(PINS["taken"])
    assert {wired["battery"], wired["panel"]} <= {26, 27, 28}


def test_the_drawn_wiring_is_the_wiring_table() -> None:
    drawn = re.findall(r">GP(\d+)</text>\n<text[^>]*>([a-z]+[^<]*)</text>", (IMAGES / "wiring.svg").read_text())
    assert {signal: int(pin) for pin, signal in drawn} == pins_of_the_page()


def test_every_output_is_active_high_as_the_page_demands() -> None:
    assert {part["active"] for part in (*PINS["pump"], *PINS["valve"])} == {1}
    assert "active-high" in section("### Switching")


# --- drawings ---------------------------------------------------------------------------------------------------------


def test_the_drawings_are_what_the_script_draws(tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(ROOT / "scripts/drawings"), str(tmp_path)], check=True)
    assert sorted(path.stem for path in tmp_path.iterdir()) == sorted(DRAWINGS)
    for path in tmp_path.iterdir():
        assert path.read_text() == (IMAGES / path.name).read_text(), f"run scripts/drawings: {path.name} is out of date"


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_is_sound_black_on_white_and_on_the_page(name: str) -> None:
    text = (IMAGES / f"{name}.svg").read_text()
    assert ElementTree.fromstring(text).find("{http://www.w3.org/2000/svg}title") is not None
    assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', text)) <= {"#000", "#fff", "none"}
    assert f"(images/{name}.svg)" in PAGE


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_word_of_a_drawing_lies_on_its_sheet(name: str) -> None:
    """Widths are guessed at 0.62 of the size for each letter, a little more than the font's."""
    root = ElementTree.fromstring((IMAGES / f"{name}.svg").read_text())
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        x, y, size = (float(text.attrib[key]) for key in ("x", "y", "font-size"))
        length = 0.62 * size * len(text.text or "")
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.attrib["text-anchor"]] * length
        assert left >= 0.0, text.text
        assert left + length <= width, text.text
        assert size <= y <= height, text.text


def test_the_drawings_name_every_fuse_of_the_table() -> None:
    drawn = (IMAGES / "power.svg").read_text()
    for row in table("fuse")[1:]:
        assert re.search(rf">{row[0]}\b", drawn), row[0]


def test_the_values_on_the_drawings_are_those_of_the_page() -> None:
    drawn = (IMAGES / "signals.svg").read_text()
    for ohm in (BATTERY.top_ohm, BATTERY.bottom_ohm, PANEL.bottom_ohm, LEVEL_SHIFT.top_ohm, LEVEL_SHIFT.bottom_ohm):
        assert f">{ohm / 1000:g} kΩ<" in drawn
    for pin in (PINS["battery"]["pin"], PINS["panel"]["pin"], PINS["rain"]["pin"], PINS["echo"][0]["echo"]):
        assert f">GP{pin}" in drawn


# --- fuses and wires --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", table("fuse")[1:], ids=lambda row: row[0])
def test_a_fuse_carries_its_load_and_protects_its_wire(row: list[str]) -> None:
    _, _, running, least, fitted, wire, ceiling = row
    copper = conductor(wire.replace("mm²", "mm2"))
    assert unit_value(least, "A") == fuse_for(copper, unit_value(running, "A")).rating_a
    assert unit_value(ceiling, "A") == largest_fuse_a(copper)
    assert unit_value(least, "A") <= unit_value(fitted, "A") <= unit_value(ceiling, "A")


def test_the_main_fuse_carries_all_loads() -> None:
    running = {row[0]: unit_value(row[2], "A") for row in table("fuse")[1:]}
    assert running["F1"] == running["F2"] + running["F3"] + running["F4"]


def wire_tables() -> Iterator[tuple[float, float, float, float, str]]:
    """Current, fuse, length, allowed drop and the cell of both tables."""
    for first_cell, allowed_v in (("running, fuse", LARGEST_PUMP_DROP_V), ("current, fuse", LARGEST_VALVE_DROP_V)):
        heading, *rows = table(first_cell)
        for row in rows:
            current, fuse = row[0].split(", ")
            for length, cell in zip(heading[1:], row[1:], strict=True):
                yield unit_value(current, "A"), unit_value(fuse, "A"), unit_value(length, "m"), allowed_v, cell


@pytest.mark.parametrize(("current_a", "fuse_a", "length_m", "allowed_v", "cell"), list(wire_tables()))
def test_a_wire_of_the_tables_is_the_smallest_that_will_do(
    current_a: float, fuse_a: float, length_m: float, allowed_v: float, cell: str
) -> None:
    metric, awg = (
        smallest_conductor(sizes, current_a, length_m, allowed_v, COPPER_C, fuse_a) for sizes in (METRIC, AWG)
    )
    assert metric is not None
    assert awg is not None
    assert cell == f"{metric.name.replace('mm2', 'mm²')}, {awg.name}"


# --- arithmetic in prose ----------------------------------------------------------------------------------------------


def pump_drop_v(name: str, current_a: float = 4.0) -> float:
    return voltage_drop_v(conductor(name), current_a, 6.0, COPPER_C)


def percent(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.1f} %"


LATCH_S, LATCH_GAP_S = PINS["latch"]["pulse_ms"] / 1000.0, PINS["latch"]["spacing_ms"] / 1000.0
PULSE_J = coil_energy_j(12.0, 8.0, LATCH_S)
HELD_J = coil_energy_j(12.0, 12.0 / 0.3, 1800.0)
ALL_SHUT_S = len(PINS["valve"]) * (LATCH_S + LATCH_GAP_S)
WORST_READING = BATTERY.highest_output_v(1.0, 0.01) / BATTERY.ratio - 1.0

COMPUTED = {
    "## Which wire: voltage drop": [
        f"3 % of 12 V, {LARGEST_PUMP_DROP_V:.2f} V",
        f"10 %, {LARGEST_VALVE_DROP_V:.1f} V",
        f"2.5 mm² loses {pump_drop_v('2.5 mm2'):.2f} V ({percent(pump_drop_v('2.5 mm2'), 12.0)})",
        f"4 mm² loses {pump_drop_v('4 mm2'):.2f} V ({percent(pump_drop_v('4 mm2'), 12.0)})",
        f"that is {pump_drop_v('4 mm2', 16.0):.2f} V",
    ],
    "### (a) From 5 V to 3.3 V": [
        f"{LEVEL_SHIFT.top_ohm / 1000:g} kΩ above {LEVEL_SHIFT.bottom_ohm / 1000:g} kΩ passes {LEVEL_SHIFT.ratio:g}",
        f"5 V becomes {LEVEL_SHIFT.output_v(5.0):.2f} V",
        f"5.25 V with both resistors 5 % off in the wrong direction {LEVEL_SHIFT.highest_output_v(5.25, 0.05):.2f} V",
        f"{1000 * LEVEL_SHIFT.current_a(5.0):.2f} mA while",
        f"Measure {LEVEL_SHIFT.output_v(5.0):.1f} V",
        f"echo still reaches {node_v((5.0, 10_000), (0.0, 15_000), (0.0, PULL_OHM)):.2f} V",
        f"flow meter's low {node_v((0.0, 10_000), (0.0, 15_000), (3.3, PULL_OHM)):.2f} V",
        f"through 10 kΩ of its own, gives {node_v((5.0, 20_000), (0.0, 15_000), (3.3, PULL_OHM)):.2f} V",
        f"take 22 kΩ and 33 kΩ: then the pin gets {node_v((5.0, 32_000), (0.0, 33_000), (3.3, PULL_OHM)):.2f} V",
        f"the low is {node_v((0.0, 22_000), (0.0, 33_000), (3.3, PULL_OHM)):.2f} V",
    ],
    "### (b) Battery divider": [
        f"{BATTERY.top_ohm / 1000:g} kΩ above {BATTERY.bottom_ohm / 1000:g} kΩ passes {BATTERY.ratio:.3f} of",
        *[f"| {volts:.1f} V | {BATTERY.output_v(volts):.2f} V" for volts in (10.0, 12.0, 12.6, 15.0)],
        f"| {BATTERY.full_scale_v():.1f} V | 3.30 V, the end of the range",
        f"15.0 V with 1 % resistors reaches {BATTERY.highest_output_v(15.0, 0.01):.2f} V at most",
        f"5 % ones {BATTERY.highest_output_v(15.0, 0.05):.2f} V",
        f"4096 steps of 3.3 V: one is {1000 * BATTERY.step_v():.1f} mV",
        f"9 good bits, {1000 * BATTERY.step_v(steps=2**9):.1f} mV",
        f"off by up to {100 * WORST_READING:.1f} %, {12.0 * WORST_READING:.2f} V at 12 V",
        f"lowers the reading by {100 * BATTERY.loading(ADC_INPUT_OHM):.1f} %",
        f"47 kΩ and 10 kΩ, at worst {100 * SPARE_BATTERY.loading(ADC_INPUT_OHM):.1f} %",
        f"{1000 * BATTERY.current_a(12.6):.2f} mA day and night at 12.6 V",
        f"{BATTERY.charge_ah_per_year(12.6):.1f} Ah in a year",
        f"{BATTERY.source_ohm / 1000:.1f} kΩ refill",
        f"within {1000 * BATTERY.time_constant_s(FILTER_F):.1f} ms",
    ],
    "### (c) Panel divider": [
        f"{PANEL.top_ohm / 1000:g} kΩ above {PANEL.bottom_ohm / 1000:g} kΩ passes {PANEL.ratio:.3f}",
        f"ends at {PANEL.full_scale_v():.1f} V",
        f"25 V in cold sun without load, {PANEL.output_v(25.0):.2f} V at the pin",
        f"more than {int(PANEL.full_scale_v())} V open-circuit",
    ],
    "### (d) Contact to ground": [
        f"{1000 * coil_current_a(3.3, 10_000):.2f} mA flow",
        f"holds the pin low, at {node_v((0.0, 3300), (3.3, PULL_OHM)):.2f} V",
        f"a time of {1000 * 1000 * FILTER_F:.1f} ms",
    ],
    "### (e) Held valve, and pull-downs": [
        f"a leakage of 1 µA with {pull_down_v(10_000, LEAKAGE_A):.2f} V",
        f"80 kΩ would leave {pull_down_v(80_000, LEAKAGE_A):.2f} V",
        f"costs {1000 * coil_current_a(3.3, 10_000):.2f} mA",
        f"from 3.3 V to {Divider(220, 10_000).output_v(3.3):.2f} V",
    ],
    "### (f) Latching valve": [
        f"8 Ω at 12 V takes {coil_current_a(12.0, 8.0):.1f} A; {1000 * LATCH_S:.0f} ms of it are {PULSE_J:.2f} J",
        f"takes {HELD_J:.0f} J, {watt_hours(HELD_J):.1f} Wh, for half an hour",
        f"as much as {HELD_J / PULSE_J:.0f} pulses",
        f"{1000 * LATCH_GAP_S:.0f} ms apart, so that six valves shut at start-up in {ALL_SHUT_S:.1f} s",
        f"1.5 A loses {voltage_drop_v(conductor('1.5 mm2'), 1.5, 60.0, COPPER_C):.1f} V of",
        f"from 12 V down to 9 V would need {1000 * capacitor_for_pulse_f(PULSE_J, 12.0, 9.0):.0f} mF",
    ],
    "### Shunt": [
        f"{1000 * SHUNT.ohm:.0f} mΩ, bolted",
        f"4 A drop {1000 * SHUNT.drop_v(4.0):.0f} mV and make {SHUNT.heat_w(4.0):.2f} W",
        f"all 7 A {1000 * SHUNT.drop_v(7.0):.0f} mV and {SHUNT.heat_w(7.0):.2f} W",
        f"81.9 mV tells up to {SHUNT.range_a(0.0819):.1f} A",
        f"2.5 µV is {1000 * SHUNT.step_a(2.5e-6):.2f} mA",
        f"One count of {PINS['shunt']['ua_per_bit'] // 1000} mA needs",
        f"the calibration word {SHUNT.calibration_word(0.001)}",
        f"(0x{PINS['shunt']['setup'][0][1]:04x})",
    ],
}
"""What each section must say, word for word, with the figures as computed here."""

GIVEN = {
    "## Which wire: voltage drop": "2 40 60228 5 9 8 4 6 10",
    "### (a) From 5 V to 3.3 V": "3.3 2 5 50 80 0.8 2.5",
    "### (b) Battery divider": "1 1000 100 10 0.2",
    "### (c) Panel divider": "12",
    "### (d) Contact to ground": "10 3.3 1 100 0 2.2",
    "### (e) Held valve, and pull-downs": "3 220 10 50 80",
    "### (f) Latching valve": "0.3 60 1.5 40 12",
    "### Shunt": "0.00512 0.001 0.01 1",
}
"""Figures in each section that are inputs of the arithmetic, not results."""


@pytest.mark.parametrize(
    ("heading", "phrase"), [(heading, phrase) for heading, phrases in COMPUTED.items() for phrase in phrases]
)
def test_a_computed_figure_of_the_page_is_right(heading: str, phrase: str) -> None:
    assert phrase in section(heading)


@pytest.mark.parametrize("heading", COMPUTED)
def test_every_figure_of_the_arithmetic_is_computed_or_given(heading: str) -> None:
    rest = section(heading, with_tables=False)
    for phrase in COMPUTED[heading]:
        rest = rest.replace(phrase, "")
    rest = re.sub(r"\bF\d|E-11|AWG \d+|\(images[^)]*\)", "", rest)
    unknown = [number for number in re.findall(r"\d+(?:\.\d+)?", rest) if number not in GIVEN[heading].split()]
    assert unknown == []


def test_the_calibration_word_of_the_page_is_that_of_the_pin_file() -> None:
    assert (5, SHUNT.calibration_word(PINS["shunt"]["ua_per_bit"] / 1e6)) in PINS["shunt"]["setup"]


def test_a_capacitor_that_does_not_fall_gives_nothing() -> None:
    with pytest.raises(ValueError, match=r"from 9.0 V to 12.0 V it does not"):
        capacitor_for_pulse_f(1.0, 9.0, 12.0)


# --- what the board's software says too -------------------------------------------------------------------------------


def test_the_readme_leads_to_the_page() -> None:
    assert "(docs/hardware.md)" in (ROOT / "README.md").read_text()


def test_the_faults_of_the_weekly_tests_exist() -> None:
    known = (ROOT / "docs/faults.md").read_text()
    for fault in re.findall(r"`(board-[a-z-]+)`", PAGE):
        assert f"| `{fault}` |" in known


def test_the_firmware_does_what_the_weekly_tests_count_on() -> None:
    text = section("## What stops the pump without software")
    assert (limits.BOOTS_MAX + 1, limits.STABLE_MS, limits.LOCK_OUT_MS) == (4, 10 * 60_000, 30 * 60_000)
    assert "boots four times without running for ten minutes in between" in text
    assert "locks itself out for half an hour (`board-reboots`)" in text
    assert "opens K2 half a second after K1" in text
    assert "\nSECOND_CONTACT_MS = 500\n" in (ROOT / "firmware_host/board/outputs_rp2.py").read_text()
