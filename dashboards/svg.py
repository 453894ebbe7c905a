"""A small writer of charts as SVG text: no script, no colours of its own, readable by a screen reader.

The picture stretches sideways with the page while its letters keep their size: labels are placed in pixels down and
percent across, and only lines and bars live in an inner drawing that is scaled across. Colours come from the style
sheet through class names, so that light and dark need no second picture; what tells two things apart is always also a
dash, a hatch or a word.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from html import escape

from dashboards.series import Column

PLOT_UNITS = 1000
"""Width of the inner drawing in its own units; height is in pixels."""

HATCHES = {"rained": "0", "topped-up": "3", "to-zones": "1", "overflowed": "2", "lost": "4", "unexplained": "5"}
"""Hatch of bars that stand for where water came from or went."""

LABELS_PX = 22
"""Room below a picture for its labels."""

TICK_STEPS_DAYS = (1, 2, 3, 7, 14, 28, 61, 91, 182)
DAY_MS = 86_400_000
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Scale:
    """Values from `low` at the bottom to `high` at the top, with round marks."""

    low: float
    high: float
    ticks: tuple[float, ...]
    height_px: int

    def y(self, value: float) -> float:
        """Pixels from the top; values outside are drawn at the edge."""
        span = self.high - self.low
        share = (min(max(value, self.low), self.high) - self.low) / span
        return round(self.height_px * (1.0 - share), 1)


def nice_scale(low: float, high: float, height_px: int, wanted_ticks: int = 4) -> Scale:
    """A scale whose marks are 1, 2 or 5 times a power of ten and which holds both values."""
    if high - low < 1e-9:
        high = low + max(1.0, abs(low) * 0.1)
    raw = (high - low) / wanted_ticks
    magnitude = 10.0 ** math.floor(math.log10(raw))
    step = next(m * magnitude for m in (1.0, 2.0, 5.0, 10.0) if m * magnitude >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    ticks = tuple(round(i * step, 10) for i in range(first, last + 1))
    return Scale(ticks[0], ticks[-1], ticks, height_px)


def number(value: float, step: float = 1.0) -> str:
    """A value for a label: as many decimals as the step needs, thin space between thousands."""
    decimals = 0 if step >= 1 else min(3, math.ceil(-math.log10(step) - 1e-9))
    value = round(value, decimals) + 0.0
    return f"{value:,.{decimals}f}".replace(",", "\u202f").replace("-", "\u2212")


@dataclass(frozen=True, slots=True)
class TimeFrame:
    """The stretch of time across a picture, and the zone its days are named in."""

    start_ms: int
    end_ms: int
    zone: tzinfo

    def share(self, at_ms: float) -> float:
        """Percent from the left edge."""
        return round(100.0 * (at_ms - self.start_ms) / (self.end_ms - self.start_ms), 2)

    def day_marks(self, most: int = 5) -> list[tuple[int, str]]:
        """Local midnights worth a label (of a single day: its hours), as (instant, words)."""
        days = (self.end_ms - self.start_ms) / DAY_MS
        if days < 1.2:
            return self._hour_marks()
        step = next((s for s in TICK_STEPS_DAYS if days / s <= most), TICK_STEPS_DAYS[-1])
        date = datetime.fromtimestamp(self.end_ms / 1000, self.zone).date()
        marks: list[tuple[int, str]] = []
        while True:
            midnight = datetime(date.year, date.month, date.day, tzinfo=self.zone)
            at_ms = int(midnight.timestamp() * 1000)
            if at_ms < self.start_ms:
                return marks[::-1]
            marks.append((at_ms, f"{date.day} {midnight:%b}"))
            date -= timedelta(days=step)

    def _hour_marks(self) -> list[tuple[int, str]]:
        """Every fourth hour of a day, or every hour of its first few."""
        hours = (self.end_ms - self.start_ms) / HOUR_MS
        step = 4 if hours > 8 else 2 if hours > 4 else 1
        first = -(-self.start_ms // HOUR_MS) * HOUR_MS
        instants = range(first, self.end_ms, HOUR_MS)
        local = [(at_ms, datetime.fromtimestamp(at_ms / 1000, self.zone)) for at_ms in instants]
        return [(at_ms, f"{moment:%H:%M}") for at_ms, moment in local if moment.hour % step == 0]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through runs of columns. `name` is a style class and says how it is dashed; `label` is for people."""

    name: str
    label: str
    runs: Sequence[Sequence[Column]]
    shade_extremes: bool = True


@dataclass(frozen=True, slots=True)
class Band:
    """An area between two lines, run by run: for uncertainty."""

    name: str
    runs: Sequence[Sequence[tuple[int, float, float]]]


@dataclass(frozen=True, slots=True)
class Level:
    """A horizontal line with its words written on it."""

    name: str
    label: str
    value: float


@dataclass(frozen=True, slots=True)
class Marks:
    """Instants ticked at the foot of a picture, for example each watering."""

    name: str
    instants_ms: Sequence[int]


@dataclass(frozen=True, slots=True)
class Bars:
    """One value per day; None is a day nothing is known of, and stays visibly different from zero."""

    name: str
    label: str
    values: Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Picture:
    """What every chart has: an id unique on the page, what it is called, and what it says in a sentence."""

    id: str
    title: str
    description: str
    height_px: int = 150
    unit: str = ""
    format_tick: Callable[[float, float], str] = field(default=number)


def line_chart(
    picture: Picture,
    frame: TimeFrame,
    column_count: int,
    lines: Sequence[Line],
    bands: Sequence[Band] = (),
    levels: Sequence[Level] = (),
    limits: tuple[float | None, float | None] = (None, None),
    marks: Sequence[Marks] = (),
) -> str:
    """Lines over time. `limits` fix the lower and upper end of the scale where not None."""
    values = [v for line in lines for run in line.runs for c in run for v in (c.low, c.high)]
    values += [level.value for level in levels]
    values += [v for limit in limits if (v := limit) is not None]
    if not any(run for line in lines for run in line.runs):
        return _nothing_known(picture)
    low = limits[0] if limits[0] is not None else min(values)
    high = limits[1] if limits[1] is not None else max(values)
    scale = nice_scale(low, high, picture.height_px)
    across = PLOT_UNITS / column_count
    drawing = [_band_path(band, scale, across) for band in bands]
    drawing += [_extremes_path(line, scale, across) for line in lines if line.shade_extremes]
    drawing += [_line_path(line, scale, across) for line in lines]
    return _svg(
        picture,
        [
            *_grid(picture, scale),
            _plot(picture, drawing),
            *_ticks(picture, frame, marks),
            *_levels(levels, scale),
            *_days(picture, frame),
        ],
    )


def stacked_bars(picture: Picture, days: Sequence[str], bars: Sequence[Bars], label_every: int = 1) -> str:
    """One bar per day, stacked in the given order from the bottom. `days` are the words below the bars."""
    totals = [sum(b.values[i] or 0.0 for b in bars) for i in range(len(days))]
    known = [any(b.values[i] is not None for b in bars) for i in range(len(days))]
    if not any(known):
        return _nothing_known(picture)
    scale = nice_scale(0.0, max(totals) or 1.0, picture.height_px)
    width = 100.0 / len(days)
    shapes = [_unknown_days(known, width, picture.height_px)]
    floors = [0.0] * len(days)
    for bar in bars:
        shapes.append(_bar_group(bar, floors, width, scale))
        floors = [floor + (value or 0.0) for floor, value in zip(floors, bar.values, strict=True)]
    labels = _bar_labels(picture, days, width, label_every)
    if not any(totals):
        labels.append(_text("nothing", "50%", picture.height_px // 2, "none in these days", anchor="middle"))
    return _svg(picture, [*_grid(picture, scale), *shapes, *labels])


def two_way_bars(
    picture: Picture, labels: Sequence[str], above: Sequence[Bars], below: Sequence[Bars], label_every: int = 1
) -> str:
    """What came in stacked upwards from a line, what went out stacked downwards; all values are positive."""
    known = [any(b.values[i] is not None for b in (*above, *below)) for i in range(len(labels))]
    if not any(known):
        return _nothing_known(picture)
    most = [
        max((sum(b.values[i] or 0.0 for b in bars) for i in range(len(labels))), default=0.0) for bars in (above, below)
    ]
    scale = nice_scale(-most[1], max(most[0], 1.0), picture.height_px)
    width = 100.0 / len(labels)
    shapes = [_unknown_days(known, width, round(scale.y(0.0)))]
    for bars, sign in ((above, 1.0), (below, -1.0)):
        edges = [0.0] * len(labels)
        for bar in bars:
            shapes.append(_two_way_group(bar, edges, sign, width, scale))
            edges = [edge + sign * (value or 0.0) for edge, value in zip(edges, bar.values, strict=True)]
    base = scale.y(0.0)
    line = f'<line class="level" stroke="currentColor" x1="0" x2="100%" y1="{base:g}" y2="{base:g}"/>'
    return _svg(picture, [*_grid(picture, scale), *shapes, line, *_bar_labels(picture, labels, width, label_every)])


def _two_way_group(bar: Bars, edges: Sequence[float], sign: float, width: float, scale: Scale) -> str:
    boxes = []
    for index, (value, edge) in enumerate(zip(bar.values, edges, strict=True)):
        if value:
            top, bottom = sorted((scale.y(edge), scale.y(edge + sign * value)))
            boxes.append(_rect(width * index, width, top, max(round(bottom - top, 1), 0.8)))
    return f'<g class="bar {bar.name}"{_hatch_fill(bar.name)}>{"".join(boxes)}</g>'


def _bar_labels(picture: Picture, labels: Sequence[str], width: float, label_every: int) -> list[str]:
    return [
        _text("day", f"{width * (i + 0.5):.2f}%", picture.height_px + 16, word, anchor="middle")
        for i, word in enumerate(labels)
        if (len(labels) - 1 - i) % label_every == 0
    ]


def hatches() -> str:
    """The hatch patterns bars are filled with, once per page; named hatch-0 to hatch-5."""
    marks = (
        '<rect width="8" height="8" class="ink"/>',
        '<path d="M-2 2l4-4M0 8l8-8M6 10l4-4" class="stroke"/>',
        '<path d="M0 2h8M0 6h8" class="stroke"/>',
        '<circle cx="2" cy="2" r="1.3" class="ink"/><circle cx="6" cy="6" r="1.3" class="ink"/>',
        '<path d="M2 0v8M6 0v8" class="stroke"/>',
        '<path d="M0 0l8 8M0 8l8-8" class="stroke"/>',
    )
    patterns = "".join(
        f'<pattern id="hatch-{i}" width="8" height="8" patternUnits="userSpaceOnUse" class="ink-{i}">'
        f'<rect width="8" height="8" class="ground"/>{mark}</pattern>'
        for i, mark in enumerate(marks)
    )
    return f'<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>{patterns}</defs></svg>'


def swatch(name: str) -> str:
    """A sample of a bar's hatch or a line's dash beside its words in a legend."""
    shape = f'<rect class="bar {name}" width="16" height="12"{_hatch_fill(name)}/>'
    if name.startswith("mark"):
        shape = f'<line class="{name}" x1="8" x2="8" y1="1" y2="11"/>'
    elif name not in HATCHES and not name.startswith("zone-"):
        shape = f'<line class="line {name}" x1="0" x2="16" y1="6" y2="6"/>'
    return f'<svg class="swatch" width="16" height="12" aria-hidden="true" focusable="false">{shape}</svg>'


def _svg(picture: Picture, parts: Sequence[str]) -> str:
    key = escape(picture.id)
    return (
        f'<svg class="chart" role="img" width="100%" height="{picture.height_px + LABELS_PX}" '
        f'aria-labelledby="{key}-t {key}-d"><title id="{key}-t">{escape(picture.title)}</title>'
        f'<desc id="{key}-d">{escape(picture.description)}</desc>{"".join(parts)}</svg>'
    )


def _nothing_known(picture: Picture) -> str:
    words = _text("nothing", "50%", picture.height_px // 2, "nothing recorded in this stretch of time", anchor="middle")
    return _svg(picture, [words])


def _plot(picture: Picture, drawing: Sequence[str]) -> str:
    return (
        f'<svg x="0" y="0" width="100%" height="{picture.height_px}" '
        f'viewBox="0 0 {PLOT_UNITS} {picture.height_px}" preserveAspectRatio="none">{"".join(drawing)}</svg>'
    )


def _grid(picture: Picture, scale: Scale) -> list[str]:
    step = scale.ticks[1] - scale.ticks[0]
    parts: list[str] = []
    for tick in scale.ticks:
        y = scale.y(tick)
        parts.append(f'<line class="grid" x1="0" x2="100%" y1="{y:g}" y2="{y:g}"/>')
        words = picture.format_tick(tick, step)
        if tick == scale.ticks[-1] and picture.unit:
            words = f"{words} {picture.unit}"
        parts.append(_text("tick", "-6", y + 4, words, anchor="end"))
    return parts


def _days(picture: Picture, frame: TimeFrame) -> list[str]:
    parts: list[str] = []
    for at_ms, words in frame.day_marks():
        share, foot = frame.share(at_ms), picture.height_px
        parts.append(f'<line class="grid" x1="{share:g}%" x2="{share:g}%" y1="{foot}" y2="{foot + 4}"/>')
        parts.append(_text("day", f"{share:g}%", picture.height_px + 17, words, anchor="middle"))
    return parts


def _ticks(picture: Picture, frame: TimeFrame, marks: Sequence[Marks]) -> list[str]:
    foot = picture.height_px
    return [
        f'<line class="mark {mark.name}" x1="{frame.share(at_ms):g}%" x2="{frame.share(at_ms):g}%" '
        f'y1="{foot - 9}" y2="{foot}"/>'
        for mark in marks
        for at_ms in mark.instants_ms
        if frame.start_ms <= at_ms <= frame.end_ms
    ]


def _levels(levels: Sequence[Level], scale: Scale) -> list[str]:
    parts: list[str] = []
    for level in levels:
        y = scale.y(level.value)
        parts.append(f'<line class="level {level.name}" stroke="currentColor" x1="0" x2="100%" y1="{y:g}" y2="{y:g}"/>')
        parts.append(_text(f"level-words {level.name}", "4", y - 4, level.label, "start"))
    return parts


def _line_path(line: Line, scale: Scale, across: float) -> str:
    """One path for all runs; a run of a single column becomes a dot, so that a lone reading is not lost."""
    parts: list[str] = []
    for run in line.runs:
        steps = [f"{(c.index + 0.5) * across:.0f} {scale.y(c.mean):g}" for c in run]
        if steps:
            parts.append(f"M{steps[0]}L{' '.join(steps[1:])}" if len(steps) > 1 else f"M{steps[0]}h2")
    look = 'fill="none" stroke="currentColor" vector-effect="non-scaling-stroke"'
    return f'<path class="line {line.name}" {look} d="{"".join(parts)}"/>'


def _extremes_path(line: Line, scale: Scale, across: float) -> str:
    edges = [[(c.index, c.low, c.high) for c in run] for run in line.runs]
    return _area(f"extremes {line.name}", edges, scale, across)


def _band_path(band: Band, scale: Scale, across: float) -> str:
    return _area(f"band {band.name}", band.runs, scale, across)


def _area(css: str, runs: Sequence[Sequence[tuple[int, float, float]]], scale: Scale, across: float) -> str:
    parts: list[str] = []
    for run in runs:
        if len(run) < 2:
            continue
        upper = [f"{(i + 0.5) * across:.0f} {scale.y(high):g}" for i, _, high in run]
        lower = [f"{(i + 0.5) * across:.0f} {scale.y(low):g}" for i, low, _ in reversed(run)]
        parts.append(f"M{' '.join(upper)} {' '.join(lower)}z")
    return f'<path class="{css}" fill-opacity=".2" d="{"".join(parts)}"/>' if parts else ""


def _unknown_days(known: Sequence[bool], width: float, height_px: int) -> str:
    """A low dashed box for each day nothing is known of: visibly not a bar of height zero."""
    boxes = [_rect(width * index, width, height_px - 4, 4) for index, is_known in enumerate(known) if not is_known]
    return f'<g class="bar unknown">{"".join(boxes)}</g>' if boxes else ""


def _bar_group(bar: Bars, floors: Sequence[float], width: float, scale: Scale) -> str:
    boxes: list[str] = []
    for index, (value, floor) in enumerate(zip(bar.values, floors, strict=True)):
        if value is not None and value > 0.0:
            top, bottom = scale.y(floor + value), scale.y(floor)
            boxes.append(_rect(width * index, width, top, max(round(bottom - top, 1), 0.8)))
    return f'<g class="bar {bar.name}"{_hatch_fill(bar.name)}>{"".join(boxes)}</g>'


def _hatch_fill(name: str) -> str:
    """A style sheet of its own cannot point at a hatch in the page everywhere, an attribute can."""
    number = HATCHES.get(name, name.removeprefix("zone-") if name.startswith("zone-") else "")
    return f' fill="url(#hatch-{number})"' if number else ""


def _rect(left: float, day_width: float, y: float, height: float) -> str:
    x, width = left + day_width * 0.12, day_width * 0.76
    return f'<rect x="{x:.2f}%" width="{width:.2f}%" y="{y:g}" height="{height:g}"/>'


def _text(css: str, x: str, y: float, words: str, anchor: str) -> str:
    return f'<text class="{css}" x="{x}" y="{y:g}" text-anchor="{anchor}">{escape(words)}</text>'
