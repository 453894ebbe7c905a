"""Which pictures an account has: supply, where water came from and went, zones, energy, drift, findings."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import NamedTuple

from controller.account.drift import monthly_flows
from controller.account.events import DAY_MS
from controller.account.made import Account, TankAccount
from controller.account.picture import Bar, Line, Mark, Point, Strip, bar_picture, line_picture, strip_picture
from controller.account.water import NOT_RECORDED, Books
from controller.estimate.ledger import EVAPORATION, LEAK, OVERFLOW, RAIN, TOP_UP, UNEXPLAINED
from controller.site.units import INCH_MM, US_GALLON_L

MOST_STRIPS = 24
"""More findings than these are in the table only."""
_PIECES = ("rain", "topped up", "to zones", "overflowed", "lost in the tank", "unexplained")


class Figure(NamedTuple):
    """One picture: a name for its file, a caption, and the SVG text."""

    name: str
    caption: str
    svg: str


def figures(account: Account) -> list[Figure]:
    """All pictures, in the order of the page."""
    return [
        *(figure for tank in account.tanks for figure in _tank(account, tank)),
        *_weather(account),
        *_zones(account),
        *_energy(account),
        *_drift(account),
        *_findings(account),
    ]


def _litres(account: Account) -> tuple[float, str]:
    """Factor from litres to the owner's unit, and its name."""
    return (1.0 / US_GALLON_L, "gallons") if account.site.units == "us" else (1.0, "litres")


def _depths(account: Account) -> tuple[float, str]:
    """Millimetres to the owner's unit of rain, and its name."""
    return (INCH_MM, "inches") if account.site.units == "us" else (1.0, "mm")


def _tank(account: Account, tank: TankAccount) -> Iterator[Figure]:
    first, last = account.period
    factor, unit = _litres(account)
    by_day = {date.fromisoformat(day.date): day for day in tank.supply}
    dates = account.period.dates()
    closing = [Point(day, by_day[day].closing_l * factor if day in by_day else None) for day in dates]
    marks = [Mark("at the overflow", tank.capacity_l * factor)] if tank.capacity_l else []
    marks += [Mark("reserve", tank.reserve_l * factor)] if tank.reserve_l else []
    caption = f"{tank.name}: {unit} stored at the end of each day"
    yield Figure(
        f"stored-{tank.tank_id}", caption, line_picture(caption, first, last, [Line("", closing, heavy=True)], marks)
    )
    left = [Point(day, by_day[day].days_left if day in by_day else None) for day in dates]
    if any(point.value is not None for point in left):
        caption = (
            f"{tank.name}: days that the water above the reserve would have lasted at the use of the fortnight before "
            "(120 means longer; no line: nothing was used)"
        )
        yield Figure(
            f"lasting-{tank.tank_id}", caption, line_picture(caption, first, last, [Line("", left)], height=110)
        )
    caption = f"{tank.name}: {unit} in (up) and out (down), month by month"
    bars = [Bar(_month(month), _pieces(books, factor)) for month, books in tank.months.items()]
    yield Figure(f"months-{tank.tank_id}", caption, bar_picture(caption, bars, _PIECES))


def _month(month: str) -> str:
    day = date.fromisoformat(f"{month}-01")
    return f"{day:%b} {day.year % 100:02d}"


def _pieces(books: Books, factor: float) -> list[tuple[int, float]]:
    lost_ml = books.of(LEAK).into_tank_ml + books.of(EVAPORATION).into_tank_ml
    moved_ml = sum(entry.into_tank_ml for name, entry in books.entries.items() if name.startswith("tank:"))
    unexplained_ml = books.of(UNEXPLAINED).into_tank_ml + books.of(NOT_RECORDED).into_tank_ml + moved_ml
    amounts_ml = (
        books.of(RAIN).into_tank_ml,
        books.of(TOP_UP).into_tank_ml,
        -books.to_zones.into_tank_ml,
        books.of(OVERFLOW).into_tank_ml,
        lost_ml,
        unexplained_ml,
    )
    return [(hatch, ml / 1000.0 * factor) for hatch, ml in enumerate(amounts_ml) if ml]


def _weather(account: Account) -> Iterator[Figure]:
    first, last = account.period
    by_day = {date.fromisoformat(day.date): day for day in account.weather}
    dates = account.period.dates()
    size_mm, unit = _depths(account)
    rain = [Point(day, by_day[day].rain_mm / size_mm if day in by_day else None) for day in dates]
    et0 = [Point(day, by_day[day].et0_mm / size_mm if day in by_day else None) for day in dates]
    caption = f"Rain, and reference evapotranspiration (ET0), {unit} a day"
    lines = [Line("rain", rain, sticks=True), Line("ET0", et0, heavy=True)]
    yield Figure("weather", caption, line_picture(caption, first, last, lines, height=120))


def _zones(account: Account) -> Iterator[Figure]:
    first, last = account.period
    size_mm, unit = _depths(account)
    for zone in account.zones:
        days = {date.fromisoformat(day.date): day for day in account.zone_days if day.zone_id == zone.zone_id}
        if not any(day.readily_mm is not None for day in days.values()):
            continue
        deepest = [
            Point(day, -days[day].deepest_mm / size_mm if day in days else None) for day in account.period.dates()
        ]
        readily = []
        for day in account.period.dates():
            known = days[day].readily_mm if day in days else None
            readily.append(Point(day, None if known is None else -known / size_mm))
        caption = f"{zone.name}: water missing from the root zone at the driest of each day, {unit} (0 is full)"
        lines = [Line("missing", deepest), Line("drawn with ease", readily, dash=1)]
        yield Figure(f"zone-{zone.zone_id}", caption, line_picture(caption, first, last, lines, height=90))


def _energy(account: Account) -> Iterator[Figure]:
    first, last = account.period
    dates = account.period.dates()

    def lows(name: str) -> list[Point]:
        return [Point(day, account.readings[day].low(name) if day in account.readings else None) for day in dates]

    charge, volts = lows("battery_charge_percent"), lows("battery_v")
    if any(point.value is not None for point in charge):
        caption = "Battery: lowest charge of each day, per cent"
        marks = [Mark("least allowed", account.site.battery.minimum_charge_percent)]
        yield Figure("charge", caption, line_picture(caption, first, last, [Line("", charge)], marks, height=100))
    if any(point.value is not None for point in volts):
        caption = "Battery: lowest voltage of each day, V"
        marks = [Mark("pump stops", account.site.battery.disconnect_v)]
        picture = line_picture(caption, first, last, [Line("", volts)], marks, height=100, from_zero=False)
        yield Figure("voltage", caption, picture)


def _drift(account: Account) -> Iterator[Figure]:
    first, last = account.period
    lines = []
    for n, zone in enumerate(account.site.zones):
        flows = monthly_flows(zone.id, account.runs)
        points = [
            Point(_middle(month, first, last), 100.0 * flow / zone.rated_flow_l_min) for month, flow in flows.items()
        ]
        if len(points) > 1:
            lines.append(Line(zone.id, points, dash=n % 6))
    if lines:
        caption = "Flow of each zone, the middle one of its runs in a month, per cent of the declared flow"
        yield Figure("flows", caption, line_picture(caption, first, last, lines, height=140, from_zero=False))


def _middle(month: str, first: date, last: date) -> date:
    return min(max(date.fromisoformat(f"{month}-15"), first), last)


def _findings(account: Account) -> Iterator[Figure]:
    strips = [
        Strip(
            fault.fault_id,
            [
                (
                    (stretch.began_wall_ms - account.began_wall_ms) / DAY_MS,
                    (stretch.ended_wall_ms - account.began_wall_ms) / DAY_MS,
                )
                for stretch in fault.stretches
            ],
        )
        for fault in account.faults[:MOST_STRIPS]
    ]
    if strips:
        first, last = account.period
        caption = "When each finding stood, the worst first"
        yield Figure("findings", caption, strip_picture(caption, first, last, strips))
