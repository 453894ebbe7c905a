"""A sheet of paper for circuit drawings: lines, words and the usual symbols, written as SVG in black on white.

Coordinates are pixels from the upper left corner. A part with two ends is drawn between two points that lie on one
horizontal or vertical line; its words stand beside its middle.
"""

from __future__ import annotations

import math
from html import escape

Point = tuple[float, float]

_LINE = 'fill="none" stroke="#000" stroke-width="1.6" stroke-linejoin="round" stroke-linecap="round"'
_SOLID = 'fill="#fff" stroke="#000" stroke-width="1.6" stroke-linejoin="round"'
_FONT = "DejaVu Sans, Verdana, Arial, sans-serif"
_LINE_HEIGHT = 1.3
_GAP = 18.0


class Sheet:
    """One drawing; `svg()` gives its text. `title` is read out by screen readers."""

    def __init__(self, width: int, height: int, title: str):
        self._size = (width, height)
        self._title = title
        self._shapes: list[str] = []

    def svg(self) -> str:
        width, height = self._size
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
            f'role="img" font-family="{_FONT}">\n<title>{escape(self._title)}</title>\n'
            f'<rect width="{width}" height="{height}" fill="#fff"/>\n'
        )
        return head + "\n".join(self._shapes) + "\n</svg>\n"

    # --- lines and words ---

    def wire(self, *points: Point, dashed: bool = False, heavy: bool = False) -> None:
        """Straight pieces from point to point; dashed for a cable with plugs, heavy for the largest currents."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        style = _LINE.replace('"1.6"', '"3"') if heavy else _LINE
        dash = ' stroke-dasharray="6 5"' if dashed else ""
        self._shapes.append(f'<polyline points="{path}" {style}{dash}/>')

    def dot(self, *points: Point) -> None:
        """Here wires that meet are joined; wires that cross without a dot are not."""
        self._shapes += [f'<circle cx="{x:g}" cy="{y:g}" r="3.6" fill="#000"/>' for x, y in points]

    def words(self, at: Point, text: str, side: str = "right", size: float = 13, bold: bool = False) -> None:
        """Lines of text beside a point: to its `right` or `left`, or centred `above`, `below` or on it (`middle`)."""
        lines = text.split("\n")
        step = size * _LINE_HEIGHT
        anchor = {"right": "start", "left": "end"}.get(side, "middle")
        x = at[0]
        first = at[1] + 0.36 * size - 0.5 * step * (len(lines) - 1)
        if side == "above":
            first = at[1] - step * (len(lines) - 1)
        elif side == "below":
            first = at[1] + 0.8 * size
        weight = ' font-weight="bold"' if bold else ""
        for number, line in enumerate(lines):
            y = first + number * step
            self._shapes.append(
                f'<text x="{x:g}" y="{y:.4g}" font-size="{size:g}" text-anchor="{anchor}"{weight}>{escape(line)}</text>'
            )

    def box(self, left: float, top: float, width: float, height: float, text: str = "", dashed: bool = False) -> None:
        """A part drawn as a box; the first line of its words is its name."""
        dash = ' stroke-dasharray="7 5"' if dashed else ""
        fill = _LINE if dashed else _SOLID
        self._shapes.append(f'<rect x="{left:g}" y="{top:g}" width="{width:g}" height="{height:g}" {fill}{dash}/>')
        name, _, rest = text.partition("\n")
        count = text.count("\n")
        middle = (left + width / 2, top + height / 2)
        step = 12 * _LINE_HEIGHT
        if name:
            self.words((middle[0], middle[1] - 0.5 * step * count), name, "middle", 13, bold=True)
        for number, line in enumerate(rest.split("\n") if rest else []):
            self.words((middle[0], middle[1] + step * (number + 1 - 0.5 * count)), line, "middle", 12)

    def ground(self, at: Point) -> None:
        """Joined to the one common ground."""
        x, y = at
        for half, down in ((11, 0), (7, 5), (3, 10)):
            self.wire((x - half, y + down), (x + half, y + down))

    def rail(self, at: Point, text: str) -> None:
        """Fed from the supply of that name."""
        x, y = at
        self.wire((x - 10, y), (x + 10, y))
        self.words((x, y - 6), text, "above", 12, bold=True)

    def terminal(self, at: Point, text: str = "", side: str = "left", bold: bool = False) -> None:
        x, y = at
        self._shapes.append(f'<circle cx="{x:g}" cy="{y:g}" r="4" {_SOLID}/>')
        if text:
            self.words((x - 9 if side == "left" else x + 9, y), text, side, 12, bold)

    # --- parts with two ends ---

    def _between(self, a: Point, b: Point, half: float, shape: str, text: str, side: str, away: float = _GAP) -> None:
        """Leads from both points to a shape of that half length, drawn lying and turned if the part stands."""
        length = math.dist(a, b)
        ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
        self.wire(a, (middle[0] - ux * half, middle[1] - uy * half))
        self.wire((middle[0] + ux * half, middle[1] + uy * half), b)
        turn = math.degrees(math.atan2(uy, ux))
        self._shapes.append(f'<g transform="translate({middle[0]:g} {middle[1]:g}) rotate({turn:g})">{shape}</g>')
        if text:
            offset = {"right": (away, 0), "left": (-away, 0), "above": (0, -away), "below": (0, away)}[side]
            self.words((middle[0] + offset[0], middle[1] + offset[1]), text, side, 12)

    def resistor(self, a: Point, b: Point, text: str, side: str) -> None:
        self._between(a, b, 18, f'<rect x="-18" y="-7" width="36" height="14" {_SOLID}/>', text, side)

    def coil(self, a: Point, b: Point, text: str, side: str) -> None:
        shape = f'<rect x="-14" y="-22" width="28" height="44" {_SOLID}/><path d="M-14 22 L14 -22" {_LINE}/>'
        self._between(a, b, 14, shape, text, side, 30)

    def fuse(self, a: Point, b: Point, text: str, side: str) -> None:
        shape = f'<rect x="-20" y="-8" width="40" height="16" {_SOLID}/><path d="M-20 0 H20" {_LINE}/>'
        self._between(a, b, 20, shape, text, side)

    def capacitor(self, a: Point, b: Point, text: str, side: str) -> None:
        self._between(a, b, 4, f'<path d="M-4 -12 V12 M4 -12 V12" {_LINE}/>', text, side)

    def diode(self, a: Point, b: Point, text: str, side: str) -> None:
        """Conducts from a to b."""
        shape = f'<path d="M-9 -9 L9 0 L-9 9 Z" {_SOLID}/><path d="M9 -9 V9" {_LINE}/>'
        self._between(a, b, 9, shape, text, side)

    def contact(self, a: Point, b: Point, text: str, side: str) -> None:
        """A switch or relay contact, drawn open."""
        shape = (
            f'<path d="M-20 0 L18 -14" {_LINE}/><circle cx="-20" cy="0" r="3" {_SOLID}/>'
            f'<circle cx="20" cy="0" r="3" {_SOLID}/>'
        )
        self._between(a, b, 23, shape, text, side, 24)

    def float_switch(self, a: Point, b: Point, text: str, side: str) -> None:
        """A contact that water holds closed: a ball on its lever."""
        shape = (
            f'<path d="M-20 0 L18 -14" {_LINE}/><path d="M0 -7 V-18" {_LINE}/><circle cx="0" cy="-24" r="6" {_SOLID}/>'
            f'<circle cx="-20" cy="0" r="3" {_SOLID}/><circle cx="20" cy="0" r="3" {_SOLID}/>'
        )
        self._between(a, b, 23, shape, text, side, 38)

    def motor(self, a: Point, b: Point, text: str, side: str) -> None:
        self._between(a, b, 24, f'<circle r="24" {_SOLID}/>', text, side, 32)
        self.words(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), "M", "middle", 18, bold=True)

    def battery(self, plus: Point, minus: Point, text: str, side: str) -> None:
        shape = "".join(
            f'<path d="M{x} -{half} V{half}" {_LINE.replace("1.6", width)}/>'
            for x, half, width in ((-12, 22, "1.6"), (-4, 11, "4"), (4, 22, "1.6"), (12, 11, "4"))
        )
        self._between(plus, minus, 12, shape, text, side, 32)
        ux = 1 if minus[0] > plus[0] else 0
        self.words(
            ((plus[0] + minus[0]) / 2 - 30 * ux + 14 * (1 - ux), (plus[1] + minus[1]) / 2 - 22), "+", "middle", 16, True
        )

    def mosfet(self, drain: Point, gate_x: float, text: str = "") -> tuple[Point, Point]:
        """An n-channel MOSFET with its drain on top; gives the points of its gate, at `gate_x`, and of its source."""
        x, y = drain
        self.wire(drain, (x, y + 14), (x - 16, y + 14))
        self.wire((x - 16, y + 8), (x - 16, y + 20))
        self.wire((x - 16, y + 24), (x - 16, y + 36))
        self.wire((x - 16, y + 40), (x - 16, y + 52))
        self.wire((x - 16, y + 46), (x, y + 46), (x, y + 60))
        self.wire((x - 16, y + 30), (x, y + 30), (x, y + 46))
        self._shapes.append(f'<path d="M{x - 14:g} {y + 30:g} l9 -4 v8 z" fill="#000"/>')
        self.wire((x - 22, y + 10), (x - 22, y + 50))
        self.wire((x - 22, y + 46), (gate_x, y + 46))
        self._shapes.append(f'<circle cx="{x - 9:g}" cy="{y + 30:g}" r="29" {_LINE}/>')
        if text:
            self.words((x + 28, y + 30), text, "right", 12)
        return (gate_x, y + 46), (x, y + 60)
