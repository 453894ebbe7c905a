"""The page's pictures, drawn from the history store in the owner's units."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dashboards import words
from dashboards.history import Days, doses_by_zone, rain_by_day, start_of
from dashboards.senml import StreamRecord
from dashboards.series import Column, Point, columns
from dashboards.store import DAY_MS, HOUR_MS, HistoryStore
from dashboards.svg import Band, Bars, Level, Line, Picture, TimeFrame, line_chart, number, spark_bars, stacked_bars
from dashboards.view import SiteView, TankStatus, ZoneStatus

COLUMNS = 200
STACKED_DAYS = 14
DAILY_FROM_DAYS = 30
HATCHES = 6
TWO_SIGMA = 2.0
L_PER_M3 = 1000.0


def frame_of(view: SiteView, day_count: int) -> TimeFrame:
    return TimeFrame(view.now_ms - day_count * DAY_MS, view.now_ms, view.time_zone)


def tank_volume_points(store: HistoryStore, site_id: str, tank_id: str, frame: TimeFrame) -> list[Point]:
    """Volume history in cubic metres."""
    return store.points(site_id, f"tank.{tank_id}.volume", frame.start_ms, frame.end_ms)


def tank_chart(store: HistoryStore, view: SiteView, tank: TankStatus, points: Sequence[Point], frame: TimeFrame) -> str:
    """Volume with its uncertainty, the overflow and the reserve."""
    units = view.units
    deviations = store.points(view.id, f"tank.{tank.id}.volume_sd", frame.start_ms, frame.end_ms)
    runs = _runs(points, frame, lambda m3: words.volume_value(m3 * L_PER_M3, units))
    spreads = _runs(deviations, frame, lambda m3: words.volume_value(m3 * L_PER_M3 * TWO_SIGMA, units))
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
        height_px=190,
        unit=words.volume_unit(units),
    )
    lines = [Line("water", "volume", runs)]
    return line_chart(picture, frame, COLUMNS, lines, [Band("water", band)], levels, (0.0, None))


def battery_chart(store: HistoryStore, view: SiteView, frame: TimeFrame) -> str:
    """Battery voltage: the line is the mean, the shade reaches from lowest to highest. Long stretches go day by day,
    or the swing of each day's sun would hide what the battery does."""
    points = store.points(view.id, "battery", frame.start_ms, frame.end_ms)
    day_count = round((frame.end_ms - frame.start_ms) / DAY_MS)
    column_count = min(COLUMNS, day_count) if day_count >= DAILY_FROM_DAYS else COLUMNS
    runs = _runs(points, frame, float, column_count)
    picture = Picture("battery", "Battery voltage", _sentence("Battery", runs, "V", 0.1), height_px=120, unit="V")
    return line_chart(picture, frame, column_count, [Line("power", "battery", runs)])


def rain_chart(store: HistoryStore, view: SiteView, days: Days) -> str:
    """Rain per local day."""
    start_ms = start_of(days.dates[0], days.zone)
    closings = [r for r in store.records(view.id, ("day",), start_ms, view.now_ms) if not r.key]
    running = store.points(view.id, "rain_today", start_ms, view.now_ms)
    totals = {d: words.depth_value(mm, view.units) for d, mm in rain_by_day(closings, running, days).items()}
    values = days.values(totals)
    known = [v for v in values if v is not None]
    unit = words.depth_unit(view.units)
    sentence = (
        f"{number(sum(known), 0.1)} {unit} of rain on {sum(v > 0 for v in known)} of {len(known)} recorded days."
        if known
        else "Nothing recorded."
    )
    picture = Picture("rain", "Rain per day", sentence, height_px=100, unit=unit)
    return stacked_bars(picture, _day_words(days), [Bars("rain", "rain", values)], label_every=_label_step(len(values)))


def dose_chart(view: SiteView, deliveries: Sequence[StreamRecord], days: Days) -> str:
    """Water given per zone and local day, stacked, hatched by zone."""
    doses = doses_by_zone(deliveries, days)
    bars = [
        Bars(
            zone_class(index),
            zone.name,
            days.values({d: words.volume_value(v, view.units) for d, v in doses.get(zone.id, {}).items()}),
        )
        for index, zone in enumerate(view.zones)
    ]
    unit = words.volume_unit(view.units)
    said = [f"{bar.label} {number(sum(v or 0.0 for v in bar.values))} {unit}" for bar in bars]
    picture = Picture(
        "doses",
        f"Water given per day, last {len(days.dates)} days",
        f"In {len(days.dates)} days: {words.listing(said) or 'no zones'}.",
        height_px=150,
        unit=unit,
    )
    return stacked_bars(picture, _day_words(days), bars, label_every=_label_step(len(days.dates)))


def zone_spark(view: SiteView, zone: ZoneStatus, index: int, deliveries: Sequence[StreamRecord], days: Days) -> str:
    """A zone's own water per day, small."""
    values = days.values(doses_by_zone(deliveries, days).get(zone.id, {}))
    known = [v for v in values if v is not None]
    most = words.volume(max(known), view.units) if known else words.UNKNOWN
    picture = Picture(
        f"spark-{zone.id}",
        f"Water given to {zone.name} per day",
        f"Last {len(values)} days, at most {most} on one day.",
        height_px=28,
    )
    return spark_bars(picture, values, zone_class(index))


def zone_class(index: int) -> str:
    """The style of the zone at this place in the site's order."""
    return f"zone-{index % HATCHES}"


def _runs(
    points: Sequence[Point], frame: TimeFrame, convert: Callable[[float], float], count: int = COLUMNS
) -> list[list[Column]]:
    column_ms = (frame.end_ms - frame.start_ms) / COLUMNS
    gap_ms = max(3 * HOUR_MS, int(1.5 * column_ms))
    runs = columns(points, frame.start_ms, frame.end_ms, count, gap_ms)
    return [[Column(c.index, convert(c.low), convert(c.mean), convert(c.high)) for c in run] for run in runs]


def _sentence(what: str, runs: Sequence[Sequence[Column]], unit: str, step: float = 1.0) -> str:
    known = [c for run in runs for c in run]
    if not known:
        return f"{what}: nothing recorded."
    low, high = number(min(c.low for c in known), step), number(max(c.high for c in known), step)
    gaps = f" The record has {len(runs) - 1} gap{'s' if len(runs) > 2 else ''}." if len(runs) > 1 else ""
    return f"{what} between {low} and {high} {unit}, at the end {number(known[-1].mean, step)} {unit}.{gaps}"


def _day_words(days: Days) -> list[str]:
    return [f"{d.day} {d:%b}" if len(days.dates) > 16 else f"{d:%a} {d.day}" for d in days.dates]


def _label_step(count: int) -> int:
    return max(1, -(-count // 4))
