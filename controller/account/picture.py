"""A small writer of pictures as SVG text, for paper: black on white, no script, no style sheet, no colour.

What tells two things apart is a dash, a hatch or a word beside the line. Widths are in units of one pixel on a page
`WIDTH` wide; the page may scale it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape
from typing import NamedTuple

WIDTH = 900
LEFT, RIGHT, TOP, BOTTOM = 64, 150, 14, 24
DASHES = ("", "7 3", "2 3", "9 3 2 3", "12 4", "1 4")
HATCHES = ("solid", "rising", "falling", "dots", "level", "crossed")
LETTERS_PX = 12
LEAST_APART_PX = 13.0
"""Words beside lines keep this distance."""
TICKS = 4
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
LONGEST_IN_MONTHS = 800
"""A longer stretch of days has its years named in place of its months."""


class Point(NamedTuple):
    """A value on a day; None where nothing is known, which breaks the line."""

    day: date
    value: float | None


@dataclass(frozen=True, slots=True)
class Line:
    label: str
    points: Sequence[Point]
    dash: int = 0
    heavy: bool = False
    sticks: bool = False
    """An upright stroke for each day in place of a line: for what falls in days."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A level across the whole picture, with its word."""

    label: str
    value: float


@dataclass(frozen=True, slots=True)
class Bar:
    """One column: pieces above zero and pieces below, each with its hatch."""

    label: str
    pieces: Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Strip:
    """One row with stretches of days, as fractions of days from the first."""

    label: str
    stretches: Sequence[tuple[float, float]]


class Scale(NamedTuple):
    low: float
    high: float
    step: float

    def y(self, value: float, height: float) -> float:
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return TOP + height * (1.0 - share)

    def ticks(self) -> list[float]:
        count = round((self.high - self.low) / self.step)
        return [self.low + n * self.step for n in range(count + 1)]


def scale_for(values: Sequence[float], *, from_zero: bool = True) -> Scale:
    """Round marks that hold all values, and zero unless told otherwise."""
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    if from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low < 1e-9:
        high = low + 1.0
    raw = (high - low) / TICKS
    magnitude = 10.0 ** math.floor(math.log10(raw))
    step = next(times * magnitude for times in _STEPS if times * magnitude >= raw * 0.999)
    return Scale(step * math.floor(low / step + 1e-9), step * math.ceil(high / step - 1e-9), step)


def line_picture(
    title: str,
    first: date,
    last: date,
    lines: Sequence[Line],
    marks: Sequence[Mark] = (),
    *,
    height: int = 170,
    from_zero: bool = True,
) -> str:
    """Lines over days, each with its word at its end."""
    values = [p.value for line in lines for p in line.points if p.value is not None] + [mark.value for mark in marks]
    scale = scale_for(values, from_zero=from_zero)
    parts = [*_grid(scale, height), *_calendar(first, last, height)]
    words: list[_Word] = []
    for mark in marks:
        y = scale.y(mark.value, height)
        parts.append(
            f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#000" stroke-width="0.8" stroke-dasharray="1 3"/>'
        )
        words.append(_Word(y, mark.label))
    for line in lines:
        draw = _sticks if line.sticks else _polylines
        parts += draw(line, scale, first, last, height)
        ends = [point for point in line.points if point.value is not None]
        if ends and line.label:
            words.append(_Word(scale.y(ends[-1].value or 0.0, height), line.label, line))
    parts += _beside(words, height)
    return _svg(title, TOP + height + BOTTOM, parts)


def bar_picture(title: str, bars: Sequence[Bar], legend: Sequence[str], *, height: int = 190) -> str:
    """Columns with hatched pieces up and down from zero; `legend` names the hatches in their order."""
    ups = [sum(value for _, value in bar.pieces if value > 0.0) for bar in bars]
    downs = [sum(value for _, value in bar.pieces if value < 0.0) for bar in bars]
    scale = scale_for([*ups, *downs])
    slot = (WIDTH - LEFT - RIGHT) / max(1, len(bars))
    parts = [_hatches(), *_grid(scale, height)]
    for n, bar in enumerate(bars):
        x, width = LEFT + n * slot + 0.15 * slot, 0.7 * slot
        up = down = 0.0
        for hatch, value in bar.pieces:
            base = up if value > 0.0 else down
            y0, y1 = scale.y(base, height), scale.y(base + value, height)
            parts.append(
                f'<rect x="{x:.1f}" y="{min(y0, y1):.1f}" width="{width:.1f}" height="{abs(y1 - y0):.1f}" '
                f'fill="{_fill(hatch)}" stroke="#000" stroke-width="0.6"/>'
            )
            if value > 0.0:
                up += value
            else:
                down += value
        if _is_named(n, len(bars)):
            parts.append(_text(x + width / 2.0, TOP + height + 16.0, bar.label, "middle"))
    zero = scale.y(0.0, height)
    parts.append(f'<path d="M{LEFT} {zero:.1f}H{WIDTH - RIGHT}" stroke="#000"/>')
    for n, label in enumerate(legend):
        y = TOP + 4 + 19 * n
        parts.append(
            f'<rect x="{WIDTH - RIGHT + 12}" y="{y}" width="18" height="12" fill="{_fill(n)}" stroke="#000" '
            'stroke-width="0.6"/>'
        )
        parts.append(_text(WIDTH - RIGHT + 36.0, y + 10.5, label))
    return _svg(title, TOP + max(height + BOTTOM, 19 * len(legend)), parts)


def strip_picture(title: str, first: date, last: date, strips: Sequence[Strip], *, row: int = 18) -> str:
    """One row for each, black where it stood."""
    height, left = row * len(strips), 250
    days = (last - first).days + 1
    scale = (WIDTH - left - 20) / days
    parts = []
    for n, strip in enumerate(strips):
        y = TOP + n * row
        parts.append(f'<path d="M{left} {y + row - 3}H{WIDTH - 20}" stroke="#bbb" stroke-width="0.5"/>')
        parts.append(_text(left - 8.0, y + row - 5.0, strip.label, "end"))
        for began, ended in strip.stretches:
            width = max(1.5, (ended - began) * scale)
            parts.append(f'<rect x="{left + began * scale:.1f}" y="{y + 3}" width="{width:.1f}" height="{row - 8}"/>')
    parts += _calendar(first, last, height, left, WIDTH - 20)
    return _svg(title, TOP + height + BOTTOM, parts)


class _Word(NamedTuple):
    """What stands at the right edge, with a sample of the line it names."""

    y: float
    label: str
    line: Line | None = None


def _stroke(line: Line) -> str:
    dash = f' stroke-dasharray="{DASHES[line.dash]}"' if DASHES[line.dash] else ""
    return f'fill="none" stroke="#000" stroke-width="{1.8 if line.heavy else 1.1}"{dash}'


def _sticks(line: Line, scale: Scale, first: date, last: date, height: int) -> list[str]:
    foot = scale.y(0.0, height)
    strokes = "".join(
        f"M{_x(point.day, first, last):.1f} {foot:.1f}V{scale.y(point.value, height):.1f}"
        for point in line.points
        if point.value
    )
    return [f'<path d="{strokes}" stroke="#000" stroke-width="1.4"/>'] if strokes else []


def _polylines(line: Line, scale: Scale, first: date, last: date, height: int) -> list[str]:
    runs: list[list[str]] = [[]]
    for point in line.points:
        if point.value is None:
            runs.append([])
        else:
            runs[-1].append(f"{_x(point.day, first, last):.1f},{scale.y(point.value, height):.1f}")
    return [
        # One day alone is a dot: a line through one point cannot be seen.
        f'<circle cx="{run[0].split(",")[0]}" cy="{run[0].split(",")[1]}" r="1.6"/>'
        if len(run) == 1
        else f'<polyline points="{" ".join(run)}" {_stroke(line)}/>'
        for run in runs
        if run
    ]


def _grid(scale: Scale, height: int) -> list[str]:
    parts = []
    decimals = max(0, -math.floor(math.log10(scale.step) + 1e-9)) if scale.step < 1.0 else int(scale.step % 1 > 0)
    for tick in scale.ticks():
        y = scale.y(tick, height)
        words = f"{round(tick, 9) + 0.0:,.{decimals}f}".replace(",", "\u202f").replace("-", "−")
        parts.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#ccc" stroke-width="0.5"/>')
        parts.append(_text(LEFT - 6.0, y + 4.0, words, "end"))
    return parts


def _calendar(first: date, last: date, height: int, left: float = LEFT, right: float = WIDTH - RIGHT) -> list[str]:
    """Months (or years) named under the picture, or days when it is short."""
    days = (last - first).days + 1
    parts = [f'<path d="M{left} {TOP + height}H{right}" stroke="#000" stroke-width="0.8"/>']
    for day, word in _dates(first, last):
        x = left + (right - left) * (day - first).days / days
        parts.append(f'<path d="M{x:.1f} {TOP + height}v5" stroke="#000" stroke-width="0.8"/>')
        parts.append(_text(x + 3.0, TOP + height + 16.0, word))
    return parts


def _dates(first: date, last: date) -> list[tuple[date, str]]:
    days = (last - first).days + 1
    every = [first + timedelta(days=n) for n in range(days)]
    if days <= 70:
        step = max(1, math.ceil(days / 10))
        return [(day, f"{day.day} {day:%b}") for day in every[::step]]
    if days > LONGEST_IN_MONTHS:
        return [(day, str(day.year)) for day in every if (day.month, day.day) == (1, 1)]
    return [(day, f"{day:%b}") for day in every if day.day == 1]


def _x(day: date, first: date, last: date) -> float:
    days = (last - first).days + 1
    return LEFT + (WIDTH - LEFT - RIGHT) * ((day - first).days + 0.5) / days


def _beside(words: Sequence[_Word], height: int) -> list[str]:
    """Words at the right edge, pushed apart where they would lie on one another, and back up from the foot."""
    placed = sorted(words, key=lambda word: (word.y, word.label))
    ys: list[float] = []
    for word in placed:
        ys.append(max(word.y, ys[-1] + LEAST_APART_PX) if ys else word.y)
    limit = float(TOP + height)
    for n in range(len(ys) - 1, -1, -1):
        ys[n] = min(ys[n], limit)
        limit = ys[n] - LEAST_APART_PX
    parts = []
    sampled = sum(word.line is not None for word in placed) > 1
    for y, word in zip(ys, placed, strict=True):
        x = WIDTH - RIGHT + 6.0
        if word.line is not None and sampled:
            stroke = 'stroke="#000" stroke-width="1.4"' if word.line.sticks else _stroke(word.line)
            drawn = "v-9m5 9v-6m5 6v-8" if word.line.sticks else "h24"
            parts.append(f'<path d="M{x:.1f} {y + (4.0 if word.line.sticks else 0.0):.1f}{drawn}" {stroke}/>')
            x += 30.0
        parts.append(_text(x, y + 4.0, word.label))
    return parts


def _is_named(n: int, count: int) -> bool:
    return count <= 14 or n % math.ceil(count / 14) == 0


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    side = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:.1f}" y="{y:.1f}"{side}>{escape(words)}</text>'


def _fill(hatch: int) -> str:
    return "#555" if hatch == 0 else f"url(#hatch-{HATCHES[hatch % len(HATCHES)]})"


def _hatches() -> str:
    strokes = {
        "rising": '<path d="M0 6L6 0" stroke="#000" stroke-width="0.9"/>',
        "falling": '<path d="M0 0L6 6" stroke="#000" stroke-width="0.9"/>',
        "dots": '<circle cx="3" cy="3" r="1.1"/>',
        "level": '<path d="M0 3H6" stroke="#000" stroke-width="0.9"/>',
        "crossed": '<path d="M0 6L6 0M0 0L6 6" stroke="#000" stroke-width="0.7"/>',
    }
    return (
        "<defs>"
        + "".join(
            f'<pattern id="hatch-{name}" width="6" height="6" patternUnits="userSpaceOnUse">'
            f'<rect width="6" height="6" fill="#fff"/>{stroke}</pattern>'
            for name, stroke in strokes.items()
        )
        + "</defs>"
    )


def _svg(title: str, height: int, parts: Sequence[str]) -> str:
    said = escape(title)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{said}" '
        f'font-family="sans-serif" font-size="{LETTERS_PX}"><title>{said}</title>\n' + "\n".join(parts) + "\n</svg>\n"
    )
