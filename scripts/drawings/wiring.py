"""Which part goes to which pin of the board, and through which small circuit."""

from __future__ import annotations

from drawings.pin_numbers import gpio
from drawings.sheet import Sheet

_LEFT, _RIGHT = 520.0, 800.0
_TOP = 130.0

# signal, words on the part's end of the wire, small circuit between ("" for none)
_INPUTS = (
    ("echo 0, trigger", "trigger", ""),
    ("echo 0, echo", "echo", "(a)"),
    ("temperature 0", "data", ""),
    ("flow 0", "pulses", "(a)"),
    ("rain", "contact", "(d)"),
    ("float 0", "contact", "(d)"),
    ("battery", "plus", "(b)"),
    ("panel", "plus", "(c)"),
    ("shunt, sda", "SDA", ""),
    ("shunt, scl", "SCL", ""),
)
# words of the part's box, first and last of its rows
_PARTS = (
    ("ultrasonic ranger 0\n5 V, ground", 0, 1),
    ("temperature probe\n3.3 V, ground", 2, 2),
    ("flow meter 0\n5 V, ground", 3, 3),
    ("rain gauge\nground", 4, 4),
    ("float switch B\nground", 5, 5),
    ("battery\nbehind F7", 6, 6),
    ("panel\nbehind S3", 7, 7),
    ("current converter\n3.3 V, ground;\nto the shunt", 8, 9),
)
_PITCH = 58.0
_OUTPUT_PITCH = 72.5


def draw() -> Sheet:
    sheet = Sheet(1280, 810, "Parts and the pins of the board")
    bottom = _TOP + 10 * _PITCH
    sheet.box(_LEFT, _TOP - 40, _RIGHT - _LEFT, bottom - _TOP + 60)
    sheet.words((660, _TOP - 18), "board", "middle", 16, bold=True)
    sheet.wire((660, _TOP - 40), (660, 40), dashed=True)
    sheet.words((674, 62), "USB cable to the computer:\ndata and 5 V for the board", "right", 12)
    _inputs(sheet)
    _outputs(sheet)
    sheet.wire((580, bottom + 20), (580, bottom + 40))
    sheet.ground((580, bottom + 40))
    sheet.words((580, bottom + 8), "GND", "middle", 12, bold=True)
    sheet.words((740, bottom + 8), "3.3 V out", "middle", 12, bold=True)
    sheet.wire((740, bottom + 20), (740, bottom + 40))
    sheet.words((740, bottom + 44), "probes, contacts,\nconverter", "below", 12)
    sheet.words((60, bottom + 30), "Letters: see the small circuits; latching valves: (f).", "right", 12)
    sheet.words((60, bottom + 50), "5 V comes from behind F5, never from the board.", "right", 12)
    return sheet


def _inputs(sheet: Sheet) -> None:
    for text, first, last in _PARTS:
        top = _TOP + first * _PITCH
        sheet.box(60, top + 4, 190, (last - first + 1) * _PITCH - 12, text)
    for row, (signal, words, circuit) in enumerate(_INPUTS):
        y = _TOP + (row + 0.5) * _PITCH - 2
        sheet.wire((250, y), (_LEFT, y))
        sheet.words((258, y - 10), words, "right", 11)
        if circuit:
            sheet.box(370, y - 15, 56, 30, circuit)
        sheet.words((_LEFT + 8, y), gpio(signal), "right", 13, bold=True)
        sheet.words((_LEFT + 56, y), signal, "right", 12)
    y = _TOP + 2.5 * _PITCH - 2
    sheet.dot((450, y))
    sheet.resistor((450, y - 42), (450, y), "", "left")
    sheet.wire((440, y - 42), (460, y - 42))
    sheet.words((440, y - 22), "4.7 kΩ to 3.3 V", "left", 11)


def _outputs(sheet: Sheet) -> None:
    names = ["pump 0", "pump 0, second", *[f"valve {number}" for number in range(6)]]
    for row, signal in enumerate(names):
        y = _TOP + (row + 0.5) * _OUTPUT_PITCH - 2
        sheet.words((_RIGHT - 8, y), gpio(signal), "left", 13, bold=True)
        sheet.words((_RIGHT - 56, y), signal, "left", 12)
        if row < 2:
            sheet.wire((_RIGHT, y), (1040, y))
            sheet.dot((880, y))
            sheet.resistor((880, y), (880, y + 44), "10 kΩ", "right")
            sheet.ground((880, y + 44))
        else:
            sheet.wire((_RIGHT, y), (870, y))
            sheet.box(870, y - 15, 56, 30, "(e)")
            sheet.wire((926, y), (1040, y))
    top = _TOP + 0.5 * _OUTPUT_PITCH - 2
    sheet.box(1040, top - 27, 190, 54, "relay module K1\n5 V by float switch A")
    sheet.box(1040, top + _OUTPUT_PITCH - 27, 190, 54, "relay module K2\n5 V, ground")
    for number in range(6):
        y = top + (number + 2) * _OUTPUT_PITCH
        sheet.box(1040, y - 22, 190, 44, f"valve {number}\n12 V behind F3")
