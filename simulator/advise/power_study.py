"""Panel and battery through the dark weeks, day by day over years: what comes in, what goes out, what has to wait.

One balance of energy a day. The pump runs while the charge is above the declared minimum; computer and board run on
below it until nothing is left. Several panels and batteries are run side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import cos, radians
from random import Random

import numpy as np

from controller.irrigate.crop import usual_numbers, zone_depletion_fraction
from controller.irrigate.likely_weather import DAYS_PER_YEAR, month_of_day
from controller.site.model import Chemistry, Panel, Site, Zone
from simulator.advise.demand import Array
from simulator.advise.sunlight import day_light, day_on_panel_wh, global_from_span_wh
from simulator.advise.water_study import PumpWater
from simulator.plant.daily_records import DailyRecord
from simulator.plant.weather_generator import generate_days

NOMINAL_V = 12.0
ELECTRONICS_W = 2.25
"""Computer, board and converter, day and night; common practice for a small Raspberry Pi, measure yours."""
HELD_VALVE_A = 0.5
PERFORMANCE = 0.75
"""Of the panel's peak at 1000 W/m2: cells that warm up, dirt, wires, a plain charge controller; common practice."""
COLD_PART: dict[Chemistry, float] = {"flooded": 0.8, "agm": 0.85, "lifepo4": 0.95}
"""Part of the rated capacity that a battery gives at 5 degrees; lead about 1 % a kelvin below 25 (from memory)."""
CHARGE_KEPT: dict[Chemistry, float] = {"flooded": 0.85, "agm": 0.90, "lifepo4": 0.97}
"""Energy out per energy in; common practice, no source."""
PANEL_FACTORS, BATTERY_FACTORS = (1.0, 1.5, 2.0, 3.0), (1.0, 1.5, 2.0)
DARK_WEEK_DAYS = 7
_USUAL_YEAR = 2001
_MONTHS = np.array(month_of_day())


@dataclass(frozen=True, slots=True)
class PowerStudy:
    """Arrays: monthly ones `[month]`, those by year `[year, panel, battery]`. Energies in Wh a day.

    even_wh, hay_wh    what the panel brings on a mean day of each month, under an even sky and under Hay and Davies'
    dark_week_wh       mean day of the darkest week in ten years of such months, even sky
    electronics_wh, watering_wh   what is used; watering at most, by the daily caps
    waiting_days       in a season, with the charge below the minimum: watering waits; flat_days: with nothing left
    lowest             least charge of the year, parts of what the cold battery gives
    worst_year         charge through the year whose least was least, declared panel and battery
    """

    source: str
    panel: Panel | None
    usable_wh: float
    battery_wh: float
    minimum: float
    even_wh: Array
    hay_wh: Array
    dark_week_wh: Array
    electronics_wh: float
    watering_wh: Array
    waiting_days: Array
    flat_days: Array
    lowest: Array
    worst_year: Array

    @property
    def autonomy_days(self) -> tuple[float, float]:
        """Days on the battery alone, from full to the minimum: with the watering of the thirstiest month, without."""
        return (
            self.usable_wh / (self.electronics_wh + float(self.watering_wh.max())),
            self.usable_wh / self.electronics_wh,
        )

    @property
    def worst_month(self) -> int:
        """The month (0 to 11) in which least comes in for what is used."""
        return int(np.argmin(self.even_wh / (self.electronics_wh + self.watering_wh)))


def study_power(site: Site, water: Sequence[PumpWater], rows: Sequence[DailyRecord] | None, years: int) -> PowerStudy:
    """Run panel and battery through the years of the records, or invented ones."""
    light, source = _light(site, rows, years)
    panel, battery = site.panel, site.battery
    even, hay = _on_panel(site, light) if panel is not None else (np.zeros_like(light), np.zeros_like(light))
    watering = _watering_wh(water)
    daily_use = ELECTRONICS_W * 24.0
    cold = COLD_PART[battery.chemistry]
    battery_wh = battery.capacity_ah * NOMINAL_V * cold
    minimum = battery.minimum_charge_percent / 100.0
    run = _Run(even, watering, daily_use, battery_wh, minimum, CHARGE_KEPT[battery.chemistry])
    waiting, flat, lowest, charge = run.all()
    worst = int(np.argmin(lowest[:, 0, 0]))
    return PowerStudy(
        source=source,
        panel=panel,
        usable_wh=battery_wh * (1.0 - minimum),
        battery_wh=battery_wh,
        minimum=minimum,
        even_wh=_by_month(even.mean(axis=0)),
        hay_wh=_by_month(hay.mean(axis=0)),
        dark_week_wh=_dark_weeks(even),
        electronics_wh=daily_use,
        watering_wh=_by_month(watering),
        waiting_days=waiting,
        flat_days=flat,
        lowest=lowest,
        worst_year=charge[worst],
    )


def _light(site: Site, rows: Sequence[DailyRecord] | None, years: int) -> tuple[Array, str]:
    """Light on level ground, Wh/m2, `[year, day]`, and where it is from."""
    place = site.place
    if rows is not None:
        days = [row for row in rows if (row.date.month, row.date.day) != (2, 29)]
        first = next(n for n, row in enumerate(days) if (row.date.month, row.date.day) == (1, 1) or n == len(days) - 1)
        whole = (len(days) - first) // DAYS_PER_YEAR
        kept = days[first : first + whole * DAYS_PER_YEAR] if whole else _turned(days)
        found = [
            global_from_span_wh(row.tmin_c, row.tmax_c, place, min(365, row.date.timetuple().tm_yday)) for row in kept
        ]
        source = "the light of the recorded days is guessed from the span of their temperatures (FAO-56 equation 50)"
        return np.array(found).reshape(-1, DAYS_PER_YEAR), source
    panel = site.panel or Panel(1.0, 0.0, 180.0)
    start = date(_USUAL_YEAR, 1, 1)
    clear = [day_light(start + timedelta(days=n), place, panel).clear_wh for n in range(DAYS_PER_YEAR)]
    made = generate_days(place, start, years * DAYS_PER_YEAR, Random("light"))
    light = np.array([day.clearness for day in made]).reshape(years, DAYS_PER_YEAR) * np.array(clear)
    return light, f"{years} years of invented skies, brighter on dry days than on wet ones, by the monthly normals"


def _turned(days: Sequence[DailyRecord]) -> list[DailyRecord]:
    """A single year that begins elsewhere in the calendar, put in order of the calendar."""
    year = list(days[:DAYS_PER_YEAR])
    return sorted(year, key=lambda row: (row.date.month, row.date.day))


def _on_panel(site: Site, light: Array) -> tuple[Array, Array]:
    """What the panel brings each day, Wh, under either sky; by straight lines between ten brightnesses of each day."""
    panel = site.panel
    assert panel is not None
    tilt_up = cos(radians(panel.tilt_deg))
    even, hay = np.zeros_like(light), np.zeros_like(light)
    scale = panel.peak_w / 1000.0 * PERFORMANCE
    for n in range(DAYS_PER_YEAR):
        of_day = day_light(date(_USUAL_YEAR, 1, 1) + timedelta(days=n), site.place, panel)
        nodes = np.linspace(0.0, max(1.15 * of_day.clear_wh, float(light[:, n].max()), 1.0), 11)
        for found, bright in ((even, False), (hay, True)):
            on_panel = [day_on_panel_wh(node, of_day, tilt_up, bright) for node in nodes]
            found[:, n] = np.interp(light[:, n], nodes, on_panel) * scale
    return even, hay


def _watering_wh(water: Sequence[PumpWater]) -> Array:
    """Energy for every growing zone's daily cap, by day of the year."""
    found = np.zeros(DAYS_PER_YEAR)
    for pump in water:
        for each in pump.zones:
            flow = each.usual.flow_l_min
            if flow <= 0.0:
                continue
            valve_a = HELD_VALVE_A if each.zone.valve.kind == "held" else 0.0
            wh_per_l = (pump.pump.current_a + valve_a) * NOMINAL_V / (flow * 60.0)
            found += wh_per_l * each.zone.schedule.daily_cap_l * _growing(each.zone)
    return found


def _growing(zone: Zone) -> Array:
    start = date(_USUAL_YEAR, 1, 1)
    days = [start + timedelta(days=n) for n in range(DAYS_PER_YEAR)]
    return np.array([zone_depletion_fraction(zone, usual_numbers(zone, day)) is not None for day in days], float)


def _by_month(daily: Array) -> Array:
    return np.array([daily[month == _MONTHS].mean() for month in range(12)])


def _dark_weeks(daily: Array) -> Array:
    """Mean day of the week that one in ten years' darkest weeks of each month is darker than."""
    kernel = np.ones(DARK_WEEK_DAYS) / DARK_WEEK_DAYS
    weeks = np.array([np.convolve(year, kernel, mode="same") for year in daily])
    return np.array([np.percentile(weeks[:, month == _MONTHS].min(axis=1), 10) for month in range(12)])


class _Run:
    """All panels and batteries side by side, the years one after another; the first begins full."""

    def __init__(
        self, income: Array, watering: Array, electronics_wh: float, battery_wh: float, minimum: float, kept: float
    ) -> None:
        self._income, self._watering, self._electronics_wh = income, watering, electronics_wh
        self._minimum, self._kept = minimum, kept
        self._panels = np.array(PANEL_FACTORS)[:, None]
        self._batteries = battery_wh * np.array(BATTERY_FACTORS)[None, :]

    def all(self) -> tuple[Array, Array, Array, Array]:
        """Waiting days, flat days and least charge by year, and the declared set's charge by year and day."""
        shape = (len(self._income), len(PANEL_FACTORS), len(BATTERY_FACTORS))
        waiting, flat, lowest = np.zeros(shape), np.zeros(shape), np.ones(shape)
        charge = np.zeros(self._income.shape)
        stored = np.broadcast_to(self._batteries, shape[1:]).copy()
        for year, income in enumerate(self._income):
            for day in range(DAYS_PER_YEAR):
                part = stored / self._batteries
                waits = part < self._minimum
                used = self._electronics_wh + np.where(waits, 0.0, self._watering[day])
                spare = income[day] * self._panels - used
                stored = np.clip(stored + np.where(spare > 0.0, spare * self._kept, spare), 0.0, self._batteries)
                part = stored / self._batteries
                waiting[year] += waits & (self._watering[day] > 0.0)
                flat[year] += stored <= 0.0
                np.minimum(lowest[year], part, out=lowest[year])
                charge[year, day] = part[0, 0]
        return waiting, flat, lowest, charge
