"""What somebody who knew the whole season beforehand could not beat: a linear programme that bounds every rule.

Everything true of the garden is known: each day's rain, catch and evaporation, the roots' true factors. Where the
physics is not convex it is relaxed in the plant's favour, so the bound is valid, if a little too good:
uptake is bounded by the concave hull of the plant's uptake curve at the mean water content (Jensen's inequality covers
the four unlike parts); a day's water counts for the whole day; drainage is free to wait until the day is over; the
squared stress is bounded from below by tangents. Needs scipy (HiGHS), which the service never does.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix

from simulator.allocation.garden import FILL, WEIGHTS, Garden, SeasonWeather
from simulator.plant.roof import RoofWater
from simulator.plant.root_zone import RootZone

_COST_TANGENTS = tuple(i / 12.0 for i in range(1, 13))
_CURVE_POINTS = 7
_WET_ROOM, _DRY_ROOM = 1.5, 1.03
"""How full above field capacity a root zone may still be at midnight, after a day with rain and without."""

_Line = tuple[float, float]


def bound(garden: Garden, weather: SeasonWeather) -> float:
    """The lowest score that any rule could reach in this season in this garden."""
    programme = _Programme(garden, weather)
    return programme.solve()


def _uptake_lines(half_uptake: float) -> list[_Line]:
    """Tangents (slope, offset) whose minimum is the concave hull of the plant's uptake curve over its fullness."""

    def ease(m: float) -> float:
        return m**4 * (1.0 + half_uptake) / (m**4 + half_uptake)

    def slope(m: float) -> float:
        return 4.0 * m**3 * half_uptake * (1.0 + half_uptake) / (m**4 + half_uptake) ** 2

    # The line from the origin touches the curve where the chord's slope is the curve's: m^4 = 3 h.
    touch = min(1.0, float((3.0 * half_uptake) ** 0.25))
    lines = [(ease(touch) / touch, 0.0)]
    for i in range(1, _CURVE_POINTS + 1):
        m = touch + (1.0 - touch) * i / _CURVE_POINTS
        lines.append((slope(m), ease(m) - slope(m) * m))
    lines.append((0.0, 1.0))
    return lines


class _Programme:
    """Rows and columns. Per zone-day: litres given, uptake, content, drainage, cost; per day: stored, overflow."""

    def __init__(self, garden: Garden, weather: SeasonWeather) -> None:
        self.garden, self.weather = garden, weather
        self.rows = weather.season.rows
        self.zones = garden.site.zones
        self.days, self.count = len(self.rows), len(self.zones)
        self.columns = 5 * self.days * self.count + 2 * self.days
        self.objective = np.zeros(self.columns)
        self.upper = np.full(self.columns, np.inf)
        self._eq: list[tuple[list[int], list[float], float]] = []
        self._le: list[tuple[list[int], list[float], float]] = []
        self.weighted_days = 0.0

    def _at(self, kind: int, zone: int, day: int) -> int:
        return (kind * self.count + zone) * self.days + day

    def _tank(self, kind: int, day: int) -> int:
        return 5 * self.days * self.count + kind * self.days + day

    def solve(self) -> float:
        for index in range(self.count):
            self._add_zone(index)
        self._add_tank()
        eq, eq_right = _matrix(self._eq, self.columns)
        le, le_right = _matrix(self._le, self.columns)
        found = linprog(
            self.objective,
            A_ub=le,
            b_ub=le_right,
            A_eq=eq,
            b_eq=eq_right,
            bounds=np.column_stack([np.zeros(self.columns), self.upper]),
            method="highs",
        )
        if not found.success:
            raise RuntimeError(f"the bound of {self.weather.season.year} was not found: {found.message}")
        return 100.0 * float(found.fun) / self.weighted_days

    def _add_zone(self, index: int) -> None:
        zone = self.zones[index]
        roots = RootZone(zone, Random(f"{self.garden.seed} zone {zone.id}"), self.rows[0].date)
        weight = WEIGHTS[min(len(WEIGHTS), zone.priority)]
        per_l = roots.efficiency / zone.area_m2
        start_mm = roots.content_l / zone.area_m2
        for day, row in enumerate(self.rows):
            roots.start_day(row.date)
            hours = self.weather.hours[24 * day : 24 * day + 24]
            demand_mm = roots.kc * sum(hour.evaporation_mm for hour in hours)
            rain_mm = sum(hour.rain_mm for hour in hours) if zone.rain_fed else 0.0
            given, drunk, content, drained, cost = (self._at(kind, index, day) for kind in range(5))
            self.upper[given] = zone.schedule.daily_cap_l if roots.growing else 0.0
            self.upper[drunk] = demand_mm
            self.upper[content] = roots.capacity_mm * (_WET_ROOM if rain_mm > 0.0 else _DRY_ROOM)
            before = [] if day == 0 else [self._at(2, index, day - 1)]
            known_mm = rain_mm + (start_mm if day == 0 else 0.0)
            # What is in the roots is what was, and rain, and what is given, less what is drunk and what drains.
            self._eq.append(
                ([content, drunk, drained, given, *before], [1.0, 1.0, 1.0, -per_l, *[-1.0 for _ in before]], known_mm)
            )
            if demand_mm > 1e-6:
                for slope, offset in _uptake_lines(roots.half_uptake):
                    k = demand_mm * slope / roots.capacity_mm
                    columns, factors = [drunk, given, *before], [1.0, -k * per_l, *[-k for _ in before]]
                    self._le.append((columns, factors, demand_mm * offset + k * known_mm))
            if roots.growing:
                self.weighted_days += weight
                self.objective[cost] = weight
                if demand_mm > 1e-6:
                    for s in _COST_TANGENTS:
                        # A tangent of the squared stress, the stress being the part of the demand that is not drunk.
                        self._le.append(([cost, drunk], [-1.0, -2.0 * s / demand_mm], s * s - 2.0 * s))

    def _add_tank(self) -> None:
        roofs = [RoofWater(roof, Random(f"{self.garden.seed} roof {roof.id}")) for roof in self.garden.site.roofs]
        stored_l = FILL * self.garden.capacity_l
        for day in range(self.days):
            hours = self.weather.hours[24 * day : 24 * day + 24]
            caught_l = sum(roof.rain_hour(hour.rain_mm) for hour in hours for roof in roofs)
            stored, over = self._tank(0, day), self._tank(1, day)
            self.upper[stored] = self.garden.capacity_l
            columns = [stored, over, *(self._at(0, index, day) for index in range(self.count))]
            factors = [1.0] * len(columns)
            right = caught_l
            if day == 0:
                right += stored_l
            else:
                columns.append(self._tank(0, day - 1))
                factors.append(-1.0)
            self._eq.append((columns, factors, right))


def _matrix(lines: Sequence[tuple[list[int], list[float], float]], columns: int) -> tuple[Any, Any]:
    row_of = [row for row, (cols, _, _) in enumerate(lines) for _ in cols]
    column_of = [column for cols, _, _ in lines for column in cols]
    values = [value for _, factors, _ in lines for value in factors]
    matrix = coo_matrix((values, (row_of, column_of)), shape=(len(lines), columns))
    return matrix.tocsr(), np.array([right for _, _, right in lines])
