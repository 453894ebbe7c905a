"""The pump's circuit, with everything that stops it without software."""

from __future__ import annotations

from drawings.pin_numbers import gpio
from drawings.sheet import Sheet


def draw() -> Sheet:
    sheet = Sheet(1120, 620, "The pump's circuit with its independent limits")
    _power_path(sheet)
    _coil(sheet, 620, "K1", gpio("pump 0"), float_in_series=True)
    _coil(sheet, 960, "K2", gpio("pump 0, second"), float_in_series=False)
    return sheet


def _power_path(sheet: Sheet) -> None:
    x = 180
    sheet.words((30, 28), "What the pump's current runs through", "right", 14, bold=True)
    sheet.rail((x, 76), "12 V, behind main fuse F1")
    sheet.fuse((x, 76), (x, 150), "F2: pull it before\nyou touch the pump", "right")
    sheet.contact((x, 150), (x, 240), "S2: cut-off by hand,\nwithin reach", "right")
    sheet.contact((x, 240), (x, 330), "K2: second contact,\nif fitted", "right")
    sheet.contact((x, 330), (x, 420), "K1: main contact", "right")
    sheet.wire((x, 420), (x, 446))
    sheet.motor((x, 446), (x, 550), "pump", "left")
    sheet.dot((x, 450), (x, 546))
    sheet.wire((x, 450), (x + 80, 450), (x + 80, 470))
    sheet.diode((x + 80, 530), (x + 80, 470), "diode for at least\nthe pump's current", "right")
    sheet.wire((x + 80, 530), (x + 80, 546), (x, 546))
    sheet.wire((x, 550), (x, 580))
    sheet.ground((x, 580))


def _coil(sheet: Sheet, x: float, name: str, pin: str, float_in_series: bool) -> None:
    sheet.words((x - 190, 28), f"What makes {name} close", "right", 14, bold=True)
    sheet.rail((x, 76), "5 V")
    if float_in_series:
        sheet.float_switch((x, 76), (x, 210), "float switch A\nclosed while water\nstands above the suction", "left")
    else:
        sheet.wire((x, 76), (x, 210))
    sheet.box(x - 72, 210, 196, 360, dashed=True)
    sheet.words((x + 26, 548), f"relay module {name},\nactive-high input", "middle", 12, bold=True)
    sheet.wire((x, 210), (x, 260))
    sheet.dot((x, 234), (x, 366))
    sheet.coil((x, 260), (x, 340), "coil", "left")
    sheet.wire((x, 340), (x, 390))
    sheet.wire((x, 234), (x + 60, 234), (x + 60, 260))
    sheet.diode((x + 60, 340), (x + 60, 260), "diode", "right")
    sheet.wire((x + 60, 340), (x + 60, 366), (x, 366))
    gate, source = sheet.mosfet((x, 390), x - 100)
    sheet.wire(source, (x, 500))
    sheet.ground((x, 500))
    sheet.dot(gate)
    sheet.wire((gate[0] - 50, gate[1]), gate)
    sheet.terminal((gate[0] - 54, gate[1]), pin, "left", bold=True)
    sheet.resistor(gate, (gate[0], 500), "10 kΩ\npull-down", "left")
    sheet.ground((gate[0], 500))
