"""The page's pictures, drawn from the history store in the owner's units."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from dashboards import words
from dashboards.history import MM_PER_M, LedgerMonth, litres, rain_by_day, start_of
from dashboards.periods import BIN_DAYS, Period, known_bins, summed, values
from dashboards.senml import StreamRecord
from dashboards.series import Column
from dashboards.store import DAY_MS, HOUR_MS, HistoryStore
from dashboards.svg import (
    Band,
    Bars,
    Level,
    Line,
    Marks,
    Picture,
    TimeFrame,
    line_chart,
    number,
    stacked_bars,
    two_way_bars,
)
from dashboards.view import SiteView, TankStatus, ZoneStatus

COLUMNS = 200
DAILY_FROM_DAYS = 20
ZONE_HATCHES = 6
TWO_SIGMA = 2.0
L_PER_M3 = 1000.0
MOST_MARKS = 120
"""More waterings than this in one picture are a fence, not marks."""
MOST_DELIVERIES = 40_000
LABELS = 5

Runs = list[list[Column]]


def tank_chart(store: HistoryStore, view: SiteView, tank: TankStatus, frame: TimeFrame, tall: bool = True) -> str:
    """Volume with its uncertainty, the overflow and the reserve."""
    units = view.units
    runs = _runs(store, view, f"tank.{tank.id}.volume", frame, lambda m3: words.volume_value(m3 * L_PER_M3, units))
    spreads = _runs(
        store,
        view,
        f"tank.{tank.id}.volume_sd",
        frame,
        lambda m3: words.volume_value(m3 * L_PER_M3 * TWO_SIGMA, units),
    )
    margins = {column.index: column.mean for run in spreads for column in run}
    band = [
        [(c.index, c.mean - margins[c.index], c.mean + margins[c.index]) for c in run if c.index in margins]
        for run in runs
    ]
    levels = []
    if tank.capacity_l:
        capacity = words.volume_value(tank.capacity_l, units)
        levels.append(Level("overflow", f"overflow {words.volume(tank.capacity_l, units)}", capacity))
    if tank.reserve_l:
        reserve = words.volume_value(tank.reserve_l, units)
        levels.append(Level("reserve", f"reserve {words.volume(tank.reserve_l, units)}", reserve))
    picture = Picture(
        f"tank-{tank.id}",
        f"Water in {tank.id}",
        _sentence("Volume", runs, words.volume_unit(units)),
        height_px=190 if tall else 130,
        unit=words.volume_unit(units),
    )
    lines = [Line("water", "volume", runs)]
    return line_chart(picture, frame, COLUMNS, lines, [Band("water", band)], levels, (0.0, None))


def battery_chart(store: HistoryStore, view: SiteView, frame: TimeFrame) -> str:
    """Battery voltage: the line is the mean, the shade reaches from lowest to highest. Long stretches go day by day,
    or the swing of each day's sun would hide what the battery does."""
    count = _daily_columns(frame)
    runs = _runs(store, view, "battery", frame, float, count)
    picture = Picture("battery", "Battery voltage", _sentence("Battery", runs, "V", 0.1), height_px=120, unit="V")
    return line_chart(picture, frame, count, [Line("power", "battery", runs)])


def temperature_chart(store: HistoryStore, view: SiteView, frame: TimeFrame) -> str:
    """Air temperature, from lowest to highest."""
    count = _daily_columns(frame)
    runs = _runs(store, view, "temperature", frame, lambda c: words.temperature_value(c, view.units), count)
    unit = words.temperature_unit(view.units)
    picture = Picture("temperature", "Air temperature", _sentence("Air", runs, unit), height_px=120, unit=unit)
    return line_chart(picture, frame, count, [Line("air", "air", runs)])


def rain_bars(store: HistoryStore, view: SiteView, period: Period) -> Bars:
    """Rain per bar of the period."""
    bins = period.bins()
    amounts = _rain_amounts(store, view, period)
    totals = {n: words.depth_value(mm, view.units) for n, mm in summed(bins, amounts).items()}
    return Bars("rain", "rain", values(bins, totals, known_bins(bins, [at_ms for at_ms, _ in amounts])))


def rain_chart(view: SiteView, rain: Bars, period: Period) -> str:
    """Rain as bars."""
    wet, seen = sum((v or 0.0) > 0.0 for v in rain.values), sum(v is not None for v in rain.values)
    unit = words.depth_unit(view.units)
    what = _bar_word(period)
    said = f"{number(sum(v or 0.0 for v in rain.values), 0.1)} {unit} of rain, in {wet} of {seen} recorded {what}s."
    picture = Picture("rain", f"Rain per {what}", said if seen else "Nothing recorded.", height_px=100, unit=unit)
    return _bar_picture(picture, [rain], period)


def dose_bars(view: SiteView, deliveries: Iterable[StreamRecord], seen_ms: Iterable[int], period: Period) -> list[Bars]:
    """Water given per zone and bar of the period. `seen_ms`: when anything was recorded."""
    bins = period.bins()
    known = known_bins(bins, seen_ms)
    given: dict[str, list[tuple[int, float]]] = {}
    for record in deliveries:
        volume_l = litres(record.fields.get("volume"))
        if volume_l is not None:
            given.setdefault(record.key, []).append((record.at_ms, words.volume_value(volume_l, view.units)))
    bars = []
    for index, zone in enumerate(view.zones):
        totals = summed(bins, given.get(zone.id, ()))
        bars.append(Bars(zone_class(index), zone.name, values(bins, totals, known | set(totals))))
    return bars


def dose_chart(view: SiteView, doses: Sequence[Bars], period: Period) -> str:
    """Water given, stacked, hatched by zone."""
    unit = words.volume_unit(view.units)
    said = [f"{bar.label} {number(sum(v or 0.0 for v in bar.values))} {unit}" for bar in doses]
    picture = Picture(
        "doses",
        f"Water given per {_bar_word(period)}",
        f"From {period.title}: {words.listing(said) or 'no zones'}.",
        height_px=150,
        unit=unit,
    )
    return _bar_picture(picture, doses, period)


def zone_chart(view: SiteView, doses: Bars, period: Period) -> str:
    """One zone's water as bars."""
    unit = words.volume_unit(view.units)
    said = f"{number(sum(v or 0.0 for v in doses.values), 0.1)} {unit} from {period.title}."
    picture = Picture("given", f"Water given to {doses.label} per {_bar_word(period)}", said, height_px=90, unit=unit)
    return _bar_picture(picture, [doses], period)


def _bar_picture(picture: Picture, bars: Sequence[Bars], period: Period) -> str:
    labels = [found.label for found in period.bins()]
    return stacked_bars(picture, labels, bars, label_every=_label_step(len(labels)))


def soil_chart(
    store: HistoryStore, view: SiteView, zone: ZoneStatus, deliveries: Iterable[StreamRecord], frame: TimeFrame
) -> str:
    """Water left in a zone's root zone: full at the top line, and the line below which the plants grow thirsty."""
    total_mm = zone.total_available_mm
    unit = words.depth_unit(view.units)
    if not total_mm:
        return line_chart(Picture("soil", "Water in the soil", "Nothing known."), frame, COLUMNS, [])

    def left(depletion_m: float) -> float:
        return words.depth_value(max(0.0, total_mm - depletion_m * MM_PER_M), view.units)

    missing = _runs(store, view, f"zone.{zone.id}.depletion", frame, float)
    # What is most missing is what is least left.
    runs = [[Column(c.index, left(c.high), left(c.mean), left(c.low)) for c in run] for run in missing]
    levels = [Level("overflow", f"full {words.depth(total_mm, view.units)}", words.depth_value(total_mm, view.units))]
    if zone.readily_mm is not None:
        thirst_mm = max(0.0, total_mm - zone.readily_mm)
        label = f"thirst begins {words.depth(thirst_mm, view.units)}"
        levels.append(Level("reserve", label, words.depth_value(thirst_mm, view.units)))
    waterings = [record.at_ms for record in deliveries if frame.start_ms <= record.at_ms <= frame.end_ms]
    step = 0.01 if view.units == "us" else 0.1
    counted = f" It was watered {len(waterings)} times." if waterings else ""
    picture = Picture(
        "soil",
        f"Water in the soil of {zone.name}",
        _sentence("Water left", runs, unit, step) + counted,
        height_px=170,
        unit=unit,
    )
    marks = [Marks("mark-water", waterings)] if len(waterings) <= MOST_MARKS else []
    return line_chart(picture, frame, COLUMNS, [Line("water", "left", runs)], (), levels, (0.0, None), marks)


def ledger_chart(view: SiteView, months: Sequence[LedgerMonth]) -> str:
    """What came into all tanks month by month above the line, what left them below it. The oldest month is first."""
    unit = words.volume_unit(view.units)

    def bar(name: str, label: str, amount: Callable[[LedgerMonth], float]) -> Bars:
        return Bars(name, label, [max(0.0, words.volume_value(amount(m), view.units)) + 0.0 for m in months])

    above = [
        bar("rained", "rain", lambda m: m.rain_l),
        bar("topped-up", "topped up", lambda m: m.top_up_l),
        bar("unexplained", "unexplained gain", lambda m: m.unexplained_l),
    ]
    below = [
        bar("to-zones", "to zones", lambda m: m.zones_l),
        bar("overflowed", "overflow", lambda m: m.overflow_l),
        bar("lost", "leak and evaporation", lambda m: m.leak_l + m.evaporation_l),
        bar("unexplained", "unexplained loss", lambda m: -m.unexplained_l),
    ]
    said = "; ".join(
        f"{m.first:%B %Y}: in {words.volume(m.rain_l + m.top_up_l, view.units)}, "
        f"to zones {words.volume(m.zones_l, view.units)}, overflow {words.volume(m.overflow_l, view.units)}"
        for m in months
    )
    picture = Picture("ledger", "Water in and out, month by month", f"{said}.", height_px=200, unit=unit)
    labels = [f"{m.first:%b}" for m in months]
    return two_way_bars(picture, labels, above, below, label_every=1 if len(months) <= 12 else 2)


def zone_class(index: int) -> str:
    """The style of the zone at this place in the site's order."""
    return f"zone-{index % ZONE_HATCHES}"


def seen_instants(store: HistoryStore, view: SiteView, period: Period) -> list[int]:
    """An instant in each bar of the period of which anything is recorded: the running total of rain never pauses."""
    bins = period.bins()
    count = len(bins) * 2
    runs = store.columns(view.id, "rain_today", period.start_ms, period.end_ms, count, period.end_ms - period.start_ms)
    width_ms = (period.end_ms - period.start_ms) / count
    return [period.start_ms + round((c.index + 0.5) * width_ms) for run in runs for c in run]


def _rain_amounts(store: HistoryStore, view: SiteView, period: Period) -> list[tuple[int, float]]:
    """(instant, millimetres): for a day what each reading added, else one amount a day."""
    end_ms = min(period.end_ms, view.now_ms + HOUR_MS)
    if period.span == "day":
        amounts, before_mm = [], 0.0
        for point in store.points(view.id, "rain_today", period.start_ms, end_ms):
            now_mm = point.high * MM_PER_M
            # The running total begins anew at midnight.
            amounts.append((point.at_ms, now_mm - before_mm if now_mm >= before_mm else now_mm))
            before_mm = now_mm
        return amounts
    # A day is closed a moment after it has ended.
    closings = [r for r in store.records(view.id, ("day",), period.start_ms, end_ms + DAY_MS) if not r.key]
    closed_until = max((r.at_ms for r in closings), default=period.start_ms)
    running = store.points(view.id, "rain_today", max(period.start_ms, closed_until), end_ms)
    totals = rain_by_day(closings, running, period.zone)
    noon_ms = DAY_MS // 2
    return [(start_of(day, period.zone) + noon_ms, mm) for day, mm in sorted(totals.items())]


def _runs(
    store: HistoryStore,
    view: SiteView,
    series: str,
    frame: TimeFrame,
    convert: Callable[[float], float],
    count: int = COLUMNS,
) -> Runs:
    column_ms = (frame.end_ms - frame.start_ms) / count
    gap_ms = max(3 * HOUR_MS, int(1.5 * column_ms))
    runs = store.columns(view.id, series, frame.start_ms, frame.end_ms, count, gap_ms)
    return [[Column(c.index, convert(c.low), convert(c.mean), convert(c.high)) for c in run] for run in runs]


def _daily_columns(frame: TimeFrame) -> int:
    days = round((frame.end_ms - frame.start_ms) / DAY_MS)
    return min(COLUMNS, days) if days >= DAILY_FROM_DAYS else COLUMNS


def _sentence(what: str, runs: Sequence[Sequence[Column]], unit: str, step: float = 1.0) -> str:
    known = [c for run in runs for c in run]
    if not known:
        return f"{what}: nothing recorded."
    low, high = number(min(c.low for c in known), step), number(max(c.high for c in known), step)
    gaps = f" The record has {len(runs) - 1} gap{'s' if len(runs) > 2 else ''}." if len(runs) > 1 else ""
    return f"{what} between {low} and {high} {unit}, at the end {number(known[-1].mean, step)} {unit}.{gaps}"


def _bar_word(period: Period) -> str:
    return {0: "hour", 1: "day", 7: "week"}[BIN_DAYS[period.span]]


def _label_step(count: int) -> int:
    return 1 if count <= 7 else -(-count // LABELS)
