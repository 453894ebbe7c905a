"""The small circuits between a part and its pin, drawn once each."""

from __future__ import annotations

from drawings.pin_numbers import gpio
from drawings.sheet import Point, Sheet


def draw() -> Sheet:
    sheet = Sheet(1120, 720, "Small circuits between parts and pins")
    _divider(
        sheet,
        (40, 60),
        "(a) 5 V signal to a 3.3 V pin",
        "5 V signal",
        "10 kΩ",
        "15 kΩ",
        "",
        f"{gpio('echo 0, echo')},\n{gpio('flow 0')}",
    )
    _divider(sheet, (420, 60), "(b) battery", "12 V, by F7", "100 kΩ", "22 kΩ", "100 nF", gpio("battery"))
    _divider(sheet, (790, 60), "(c) panel", "panel plus", "100 kΩ", "12 kΩ", "100 nF", gpio("panel"))
    _contact(sheet, (40, 410))
    _held_valve(sheet, (420, 410))
    _latching_valve(sheet, (790, 410))
    return sheet


def _heading(sheet: Sheet, corner: Point, text: str) -> None:
    sheet.words((corner[0], corner[1] - 26), text, "right", 14, bold=True)


def _divider(
    sheet: Sheet, corner: Point, name: str, source: str, top: str, bottom: str, capacitor: str, pin: str
) -> None:
    x, y = corner[0] + 70, corner[1] + 30
    _heading(sheet, corner, name)
    sheet.rail((x, y), source)
    sheet.resistor((x, y), (x, y + 100), top, "left")
    sheet.dot((x, y + 100))
    sheet.resistor((x, y + 100), (x, y + 200), bottom, "left")
    sheet.ground((x, y + 200))
    if capacitor:
        sheet.dot((x + 80, y + 100))
        sheet.capacitor((x + 80, y + 100), (x + 80, y + 200), capacitor, "right")
        sheet.ground((x + 80, y + 200))
    sheet.wire((x, y + 100), (x + 150, y + 100))
    sheet.terminal((x + 154, y + 100), pin, "right", bold=True)


def _contact(sheet: Sheet, corner: Point) -> None:
    x, y = corner[0] + 70, corner[1] + 30
    _heading(sheet, corner, "(d) contact to ground")
    sheet.words((corner[0], corner[1] - 6), "rain gauge, float switch B", "right", 12)
    sheet.rail((x + 60, y + 16), "3.3 V")
    sheet.resistor((x + 60, y + 16), (x + 60, y + 100), "10 kΩ", "right")
    sheet.wire((x, y + 130), (x, y + 100), (x + 60, y + 100))
    sheet.contact((x, y + 130), (x, y + 200), "", "left")
    sheet.words((x - 14, y + 165), "reed", "left", 12)
    sheet.ground((x, y + 200))
    sheet.dot((x + 60, y + 100), (x + 150, y + 100))
    sheet.resistor((x + 60, y + 100), (x + 150, y + 100), "1 kΩ", "below")
    sheet.capacitor((x + 150, y + 100), (x + 150, y + 200), "100 nF", "right")
    sheet.ground((x + 150, y + 200))
    sheet.wire((x + 150, y + 100), (x + 180, y + 100))
    sheet.terminal((x + 184, y + 100), f"{gpio('rain')},\n{gpio('float 0')}", "right", bold=True)


def _held_valve(sheet: Sheet, corner: Point) -> None:
    x, y = corner[0] + 210, corner[1] + 30
    _heading(sheet, corner, "(e) held valve, normally closed")
    sheet.rail((x, y), "12 V, by F3")
    sheet.wire((x, y), (x, y + 30))
    sheet.dot((x, y + 14), (x, y + 106))
    sheet.coil((x, y + 24), (x, y + 96), "valve", "left")
    sheet.wire((x, y + 96), (x, y + 120))
    sheet.wire((x, y + 14), (x + 60, y + 14), (x + 60, y + 30))
    sheet.diode((x + 60, y + 90), (x + 60, y + 30), "diode", "right")
    sheet.wire((x + 60, y + 90), (x + 60, y + 106), (x, y + 106))
    gate, source = sheet.mosfet((x, y + 120), x - 70, "full on\nat 3 V gate")
    sheet.wire(source, (x, y + 230))
    sheet.ground((x, y + 230))
    sheet.dot(gate)
    sheet.resistor((gate[0] - 80, gate[1]), gate, "220 Ω", "above")
    sheet.terminal((gate[0] - 84, gate[1]), gpio("valve 0"), "left", bold=True)
    sheet.resistor(gate, (gate[0], y + 230), "10 kΩ", "left")
    sheet.ground((gate[0], y + 230))


def _latching_valve(sheet: Sheet, corner: Point) -> None:
    x, y = corner[0] + 110, corner[1] + 30
    _heading(sheet, corner, "(f) latching valve")
    sheet.rail((x + 60, y), "12 V, by F3")
    sheet.wire((x + 60, y), (x + 60, y + 60))
    sheet.box(x, y + 60, 120, 100, "bridge\n3 V inputs,\nactive-high")
    sheet.wire((x + 60, y + 160), (x + 60, y + 230))
    sheet.ground((x + 60, y + 230))
    for pin, pin_y, lead in (("open", y + 80, 40), ("close", y + 140, 80)):
        sheet.wire((x - 84, pin_y), (x, pin_y))
        sheet.terminal((x - 88, pin_y), pin, "left", bold=True)
        sheet.dot((x - lead, pin_y))
        sheet.wire((x - lead, pin_y), (x - lead, y + 160))
        sheet.resistor((x - lead, y + 160), (x - lead, y + 230), "", "left")
        sheet.ground((x - lead, y + 230))
    sheet.words((x - 60, y + 258), "10 kΩ each", "below", 12)
    sheet.wire((x + 120, y + 80), (x + 150, y + 80))
    sheet.coil((x + 150, y + 80), (x + 150, y + 140), "", "right")
    sheet.words((x + 150, y + 164), "valve", "below", 12)
    sheet.wire((x + 150, y + 140), (x + 120, y + 140))
