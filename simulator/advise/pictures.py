"""Pictures for paper: SVG in black and white, told apart by dashes and hatches, never by colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 640, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 14, 12, 46
DASHES = ("none", "7 3", "2 3", "9 3 2 3", "1 5", "12 4")
HATCHES = ("h0", "h1", "h2", "h3", "h4", "h5")

_PATTERNS = (
    '<pattern id="h0" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#222"/>'
    "</pattern>"
    '<pattern id="h1" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fff"/>'
    '<path d="M0 6L6 0" stroke="#222" stroke-width="1.1"/></pattern>'
    '<pattern id="h2" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fff"/>'
    '<circle cx="3" cy="3" r="1" fill="#222"/></pattern>'
    '<pattern id="h3" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fff"/>'
    '<path d="M0 3H6" stroke="#222" stroke-width="1"/></pattern>'
    '<pattern id="h4" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fff"/>'
    "</pattern>"
    '<pattern id="h5" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fff"/>'
    '<path d="M0 0L6 6M0 6L6 0" stroke="#222" stroke-width="0.9"/></pattern>'
)


@dataclass(frozen=True, slots=True)
class Line:
    """A curve; `dash` is an index into `DASHES`. A line of one point is a mark."""

    name: str
    points: tuple[tuple[float, float], ...]
    dash: int = 0
    heavy: bool = False


@dataclass(frozen=True, slots=True)
class Band:
    """The space between a low and a high curve."""

    name: str
    points: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """Curves over two axes. `marks` are uprights with words, `x_words` words at places of the first axis in place of
    numbers; `x_log` gives that axis a logarithmic scale."""

    title: str
    x_name: str
    y_name: str
    lines: tuple[Line, ...]
    bands: tuple[Band, ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    x_words: tuple[tuple[float, str], ...] = ()
    x_log: bool = False
    y_from: float | None = 0.0
    y_to: float | None = None


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars that lie, each made of parts: `parts` are (name, one value for each bar); hatches in order."""

    title: str
    x_name: str
    labels: tuple[str, ...]
    parts: tuple[tuple[str, tuple[float, ...]], ...]


def nice_ticks(low: float, high: float, wanted: int = 5) -> list[float]:
    """Round marks from at most `low` to at least `high`, in steps of 1, 2 or 5 times a power of ten."""
    if high - low < 1e-9:
        high = low + max(1.0, abs(low))
    raw = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(n * step, 10) for n in range(first, last + 1)]


def log_ticks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times the powers of ten between two positive values."""
    found = []
    for power in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        found += [m * 10.0**power for m in (1.0, 2.0, 5.0) if low <= m * 10.0**power <= high]
    return found


def draw_chart(chart: Chart) -> str:
    """The chart as an SVG element."""
    across = [x for line in chart.lines for x, _ in line.points] + [
        x for band in chart.bands for x, _, _ in band.points
    ]
    down = [y for line in chart.lines for _, y in line.points]
    down += [y for band in chart.bands for _, low, high in band.points for y in (low, high)]
    y_ticks = nice_ticks(
        min(down) if chart.y_from is None else chart.y_from, max(down) if chart.y_to is None else chart.y_to
    )
    low_x, high_x = min(across), max(across)
    if high_x <= low_x:
        high_x = low_x + 1.0
    x_ticks = (
        log_ticks(low_x, high_x) if chart.x_log else [t for t in nice_ticks(low_x, high_x) if low_x <= t <= high_x]
    )

    def x_of(value: float) -> float:
        log_part = math.log(value / low_x) / math.log(high_x / low_x) if chart.x_log else 0.0
        part = log_part if chart.x_log else (value - low_x) / (high_x - low_x)
        return round(_LEFT + part * (WIDTH - _LEFT - _RIGHT), 1)

    def y_of(value: float) -> float:
        held = min(max(value, y_ticks[0]), y_ticks[-1])
        part = (held - y_ticks[0]) / (y_ticks[-1] - y_ticks[0])
        return round(HEIGHT - _BOTTOM - part * (HEIGHT - _TOP - _BOTTOM), 1)

    body = []
    for band in chart.bands:
        there = [f"{x_of(x)},{y_of(high)}" for x, _, high in band.points]
        back = [f"{x_of(x)},{y_of(low)}" for x, low, _ in reversed(band.points)]
        body.append(f'<polygon points="{" ".join(there + back)}" fill="url(#h2)" stroke="#999" stroke-width="0.5"/>')
    for tick in y_ticks:
        y = y_of(tick)
        body.append(f'<path d="M{_LEFT} {y}H{WIDTH - _RIGHT}" stroke="#bbb" stroke-width="0.5"/>')
        body.append(f'<text x="{_LEFT - 5}" y="{y + 4}" text-anchor="end">{_number(tick)}</text>')
    for tick, name in chart.x_words or [(tick, _number(tick)) for tick in x_ticks]:
        x = x_of(tick)
        body.append(f'<path d="M{x} {HEIGHT - _BOTTOM}v4" stroke="#222"/>')
        body.append(f'<text x="{x}" y="{HEIGHT - _BOTTOM + 16}" text-anchor="middle">{escape(name)}</text>')
    body.append(
        f'<path d="M{_LEFT} {_TOP}V{HEIGHT - _BOTTOM}H{WIDTH - _RIGHT}" fill="none" stroke="#222" stroke-width="1"/>'
    )
    for value, words in chart.marks:
        x = x_of(value)
        body.append(
            f'<path d="M{x} {_TOP}V{HEIGHT - _BOTTOM}" stroke="#222" stroke-width="0.8" stroke-dasharray="1 3"/>'
        )
        anchor = "end" if x > 0.75 * WIDTH else "start"
        at = x + (4 if anchor == "start" else -4)
        words_y = HEIGHT - _BOTTOM - 6
        body.append(f'<text x="{at}" y="{words_y}" text-anchor="{anchor}">{escape(words)}</text>')
    for line in chart.lines:
        points = " ".join(f"{x_of(x)},{y_of(y)}" for x, y in line.points)
        if len(line.points) == 1:
            cx, cy = points.split(",")
            body.append(f'<circle cx="{cx}" cy="{cy}" r="5" fill="#fff" stroke="#000" stroke-width="2"/>')
            continue
        dash = DASHES[line.dash % len(DASHES)]
        width = 2.4 if line.heavy else 1.3
        body.append(
            f'<polyline points="{points}" fill="none" stroke="#000" stroke-width="{width}" stroke-dasharray="{dash}"/>'
        )
    middle = (_TOP + HEIGHT - _BOTTOM) / 2
    body.append(f'<text x="{(WIDTH + _LEFT) / 2}" y="{HEIGHT - 8}" text-anchor="middle">{escape(chart.x_name)}</text>')
    body.append(
        f'<text x="14" y="{middle}" text-anchor="middle" transform="rotate(-90 14 {middle})">'
        f"{escape(chart.y_name)}</text>"
    )
    return _svg(chart.title, HEIGHT, body) + _chart_key(chart)


def draw_bars(bars: Bars) -> str:
    """The bars as an SVG element."""
    row, left = 26, 170
    height = _TOP + row * len(bars.labels) + _BOTTOM
    totals = [sum(values[n] for _, values in bars.parts) for n in range(len(bars.labels))]
    ticks = nice_ticks(0.0, max([*totals, 1e-9]))

    def x_of(value: float) -> float:
        return round(left + value / ticks[-1] * (WIDTH - left - _RIGHT - 20), 1)

    body = []
    base = height - _BOTTOM
    for tick in ticks:
        x = x_of(tick)
        body.append(f'<path d="M{x} {_TOP}V{base}" stroke="#bbb" stroke-width="0.5"/>')
        body.append(f'<text x="{x}" y="{base + 16}" text-anchor="middle">{_number(tick)}</text>')
    for n, label in enumerate(bars.labels):
        y, at = _TOP + n * row + 3, 0.0
        body.append(f'<text x="{left - 6}" y="{y + 14}" text-anchor="end">{escape(label)}</text>')
        for index, (_, values) in enumerate(bars.parts):
            wide = x_of(at + values[n]) - x_of(at)
            body.append(
                f'<rect x="{x_of(at)}" y="{y}" width="{max(0.0, wide):.1f}" height="{row - 7}" '
                f'fill="url(#{HATCHES[index % len(HATCHES)]})" stroke="#222" stroke-width="0.8"/>'
            )
            at += values[n]
    body.append(f'<text x="{(WIDTH + left) / 2}" y="{height - 8}" text-anchor="middle">{escape(bars.x_name)}</text>')
    key = "".join(
        f'<li><svg width="26" height="13" aria-hidden="true">'
        f'<rect x="0.5" y="0.5" width="25" height="12" fill="url(#{HATCHES[n % len(HATCHES)]})" stroke="#222"/></svg> '
        f"{escape(name)}</li>"
        for n, (name, _) in enumerate(bars.parts)
    )
    return _svg(bars.title, height, body) + f'<ul class="key">{key}</ul>'


def _svg(title: str, height: int, body: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(title)}">'
        f"<title>{escape(title)}</title><defs>{_PATTERNS}</defs>{''.join(body)}</svg>"
    )


def _chart_key(chart: Chart) -> str:
    items = [
        f'<li><svg width="40" height="10" aria-hidden="true"><path d="M0 5H40" stroke="#000" '
        f'stroke-width="{2.4 if line.heavy else 1.3}" stroke-dasharray="{DASHES[line.dash % len(DASHES)]}"/></svg> '
        f"{escape(line.name)}</li>"
        if len(line.points) > 1
        else f'<li><svg width="14" height="12" aria-hidden="true"><circle cx="7" cy="6" r="4.5" fill="#fff" '
        f'stroke="#000" stroke-width="2"/></svg> {escape(line.name)}</li>'
        for line in chart.lines
        if line.name
    ]
    items += [
        f'<li><svg width="26" height="13" aria-hidden="true"><rect x="0.5" y="0.5" width="25" height="12" '
        f'fill="url(#h2)" stroke="#999"/></svg> {escape(band.name)}</li>'
        for band in chart.bands
    ]
    return f'<ul class="key">{"".join(items)}</ul>'


def _number(value: float) -> str:
    text = f"{value:,.0f}" if abs(value) >= 10 or value == round(value) else f"{value:g}"
    return text.replace(",", "\u202f").replace("-", "\u2212")
