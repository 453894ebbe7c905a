"""Where the current comes from and goes to, and every fuse on its way."""

from __future__ import annotations

from drawings.sheet import Sheet

_BUS_Y = 90
_GROUND_Y = 550


def draw() -> Sheet:
    sheet = Sheet(1200, 620, "Battery, charging, fuses and supplies")
    _battery(sheet)
    _charging(sheet)
    _loads(sheet)
    sheet.wire((110, _GROUND_Y), (1170, _GROUND_Y), heavy=True)
    sheet.wire((620, _GROUND_Y), (620, _GROUND_Y + 16))
    sheet.ground((620, _GROUND_Y + 16))
    sheet.words(
        (640, _GROUND_Y + 26),
        "one common ground: every minus meets here, at the battery's minus",
        "right",
        12,
        bold=True,
    )
    return sheet


def _battery(sheet: Sheet) -> None:
    sheet.battery((110, 350), (110, 490), "12 V\nbattery", "left")
    sheet.wire((110, 490), (110, _GROUND_Y), heavy=True)
    sheet.wire((110, 260), (110, 350), heavy=True)
    sheet.dot((110, 340))
    sheet.resistor((110, 180), (110, 260), "shunt,\nif fitted", "left")
    sheet.wire((110, 180), (110, _BUS_Y), (300, _BUS_Y), heavy=True)
    sheet.words((20, 300), "F1, F6, F7:\nwithin 18 cm\nof the plus", "right", 11)
    sheet.dot((290, _BUS_Y))
    sheet.fuse((300, _BUS_Y), (360, _BUS_Y), "F1 main", "above")
    sheet.contact((360, _BUS_Y), (450, _BUS_Y), "S1 isolates\nall loads", "above")
    sheet.wire((450, _BUS_Y), (980, _BUS_Y), heavy=True)
    sheet.words((700, _BUS_Y - 14), "12 V for the loads", "above", 13, bold=True)


def _charging(sheet: Sheet) -> None:
    x = 290
    sheet.fuse((x, _BUS_Y), (x, 180), "F6", "left")
    sheet.box(x - 72, 180, 144, 70, "charge controller\nset for this\nbattery's kind")
    sheet.wire((x, 250), (x, 270))
    sheet.contact((x, 270), (x, 360), "S3 panel\noff", "left")
    sheet.box(x - 72, 360, 144, 60, "solar panel\nits plus to S3")
    sheet.wire((x, 420), (x, _GROUND_Y))
    sheet.wire((x + 72, 215), (x + 92, 215), (x + 92, _GROUND_Y))
    sheet.dot((x, _GROUND_Y), (x + 92, _GROUND_Y))
    sheet.wire((110, 340), (170, 340), (170, 370))
    sheet.fuse((170, 370), (170, 440), "", "right")
    sheet.words((186, 405), "F7", "right", 12)
    sheet.wire((170, 440), (170, 470))
    sheet.words((170, 474), "to battery divider", "below", 12)


def _loads(sheet: Sheet) -> None:
    for x, fuse, text in (
        (480, "F2", "pump circuit\nsee pump drawing"),
        (650, "F3", "valves\nand their drivers"),
        (820, "F4", "12 V to 5 V\nconverter, 3 A"),
    ):
        sheet.dot((x, _BUS_Y))
        sheet.fuse((x, _BUS_Y), (x, 180), fuse, "right")
        sheet.box(x - 72, 180, 144, 70, text)
        sheet.wire((x, 250), (x, _GROUND_Y))
        sheet.dot((x, _GROUND_Y))
    sheet.wire((892, 215), (960, 215))
    sheet.words((922, 208), "5 V", "above", 12, bold=True)
    sheet.dot((930, 215))
    sheet.box(960, 180, 150, 70, "computer\nRaspberry Pi, 5 V")
    sheet.wire((1035, 250), (1035, 320), dashed=True)
    sheet.words((1046, 286), "USB cable: data\nand the board's 5 V", "right", 11)
    sheet.box(960, 320, 150, 60, "board\nRP2040 class")
    sheet.wire((930, 215), (930, 440))
    sheet.fuse((930, 350), (930, 430), "F5", "left")
    sheet.wire((930, 430), (930, 465), (960, 465))
    sheet.box(960, 430, 150, 70, "5 V parts\nrangers, flow meter,\nrelay coils")
    sheet.wire((1035, 500), (1035, _GROUND_Y))
    sheet.wire((1110, 350), (1170, 350), (1170, _GROUND_Y))
    sheet.wire((1110, 215), (1170, 215), (1170, 350))
    sheet.dot((1170, 350), (1035, _GROUND_Y))
