"""One season of the allotment under one rule for giving water, judged by what the plants truly drank.

Roots, roof and tank are the plant's own physics, hour by hour; the true crop factors, capacities, drip efficiencies and
the roof's coefficient differ from the declared ones by the seed. Hydraulics, battery and sensors are left out: here
only the sharing of the water is judged. The rule sees what a controller knows: its own FAO-56 balance, the gauge's
rain, the tank's volume.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from random import Random
from typing import NamedTuple, Protocol

from controller.contract import Look
from controller.irrigate.crop import usual_numbers, zone_depletion_fraction, zone_kc
from controller.irrigate.feedback import Trim, grown, looked
from controller.irrigate.plan import ZoneNeed, net_mm
from controller.irrigate.reference_et import hargreaves_mm
from controller.irrigate.root_zone import (
    adjusted_fraction,
    advance_depletion,
    effective_rain_mm,
    readily_available_mm,
    stress_coefficient,
)
from controller.site.model import Site, Zone
from simulator.allocation.climates import Season
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.evaporation import evaporation_mm_h
from simulator.plant.roof import RoofWater
from simulator.plant.root_zone import RootZone
from simulator.plant.tank import LevelTable

DECISION_HOURS = (6, 12, 18)
"""Beds and rows are looked at in the morning, containers three times a day."""
_SHARE_SINCE_LAST = {6: 0.05, 12: 0.45, 18: 0.50}
"""How much of a day's evapotranspiration falls in the hours before each decision (close to the sun's share)."""
EXPECT_DAYS = 5
KEPT_DAYS = 20
WEIGHTS = {1: 8.0, 2: 4.0, 3: 2.0, 4: 1.0}
"""What a zone's stress counts for, by its priority (own choice: each step of priority counts twice the next)."""
WILTED = 0.9
LOOK_HOUR, LOOK_EVERY_DAYS = 17, 7
LOOKS_DRY, LOOKS_WET = 0.6, 0.08
"""Parts of the true capacity that are gone when a zone looks dry, or hardly gone when it looks wet (invented)."""
FILL = 0.5


def stress_cost(stress: float) -> float:
    """Cost of a day on which a plant drank the part 1 - `stress` of what it would have: convex, 1 for a day with
    nothing. Two half-thirsty days cost half of one wilted one."""
    return stress * stress


class HourWeather(NamedTuple):
    rain_mm: float
    evaporation_mm: float


@dataclass(frozen=True, slots=True)
class SeasonWeather:
    """A season's weather ready for use: hours, and the days as recorded."""

    season: Season
    hours: tuple[HourWeather, ...]


def season_weather(season: Season, site: Site, seed: int) -> SeasonWeather:
    """Hours whose evaporation sums to each day's recorded reference evapotranspiration."""
    weather = weather_from_daily(season.rows, site.place, seed)
    hours = tuple(
        HourWeather(
            weather.rain_mm[i],
            evaporation_mm_h(
                weather.temperature_c[i],
                weather.humidity_percent[i],
                weather.wind_m_s[i],
                weather.radiation_w_m2[i],
                weather.cloud[i],
            ),
        )
        for i in range(len(weather))
    )
    return SeasonWeather(season, hours)


class Situation(NamedTuple):
    """What a rule sees at a decision."""

    day: date
    hour: int
    needs: tuple[ZoneNeed, ...]
    stored_l: float
    capacity_l: float
    et0_expected_mm: float
    recent_rain_mm: tuple[float, ...]
    """Of the last days, yesterday last."""


class Rule(Protocol):
    """A rule for giving water; litres by zone id, zones left out get none."""

    def decide(self, situation: Situation) -> Mapping[str, float]: ...


@dataclass(frozen=True, slots=True)
class Errors:
    """What the controller has wrong. `kc` are factors on its crop coefficients by zone; `thermometer` makes it use
    Hargreaves on the day's extremes instead of the station's reference evapotranspiration. With `owner_looks` somebody
    walks by once a week and says of each zone when it looks dry or wet."""

    kc: Mapping[str, float]
    thermometer: bool = False
    owner_looks: bool = False


NO_ERRORS = Errors({})


def coefficient_errors(site: Site, seed: int, owner_looks: bool = False) -> Errors:
    """Thermometer only, and every coefficient off by a normal 15 %."""
    rng = Random(f"{seed} coefficients")
    factors = {zone.id: max(0.5, 1.0 + rng.gauss(0.0, 0.15)) for zone in site.zones}
    return Errors(factors, thermometer=True, owner_looks=owner_looks)


@dataclass(slots=True)
class Outcome:
    """A season's result. `score` is 100 x the mean weighted cost of a growing zone-day: 0 never thirsty, 100 dead."""

    score: float
    used_l: float
    caught_l: float
    overflow_l: float
    wilted_container_days: int
    stress_days: dict[str, float]
    trace: list[DayTrace]


class DayTrace(NamedTuple):
    day: date
    stored_l: float
    depletion: dict[str, float]
    given_l: dict[str, float]


class _Belief:
    """The controller's own water balance of one zone."""

    def __init__(self, zone: Zone, kc_factor: float) -> None:
        self.zone, self._kc_factor = zone, kc_factor
        self._tabled_kc = 0.0
        self.trim = Trim()
        self.depletion_mm = 0.15 * zone.total_available_mm
        self.kc = 0.0
        self.fraction = 0.5
        self.growing = False

    def start_day(self, day: date) -> None:
        numbers = usual_numbers(self.zone, day)
        fraction = zone_depletion_fraction(self.zone, numbers)
        self.growing = fraction is not None
        self.fraction = fraction if fraction is not None else 0.5
        self._tabled_kc = zone_kc(self.zone, numbers) * self._kc_factor
        self.kc = self._tabled_kc * self.trim.factor

    def readily_mm(self, et0_mm: float) -> float:
        return readily_available_mm(self.zone.total_available_mm, adjusted_fraction(self.fraction, self.kc * et0_mm))

    def pass_time(self, et0_mm: float, et0_day_mm: float, rain_mm: float = 0.0) -> None:
        zone = self.zone
        fraction = adjusted_fraction(self.fraction, self.kc * et0_day_mm)
        ks = stress_coefficient(self.depletion_mm, zone.total_available_mm, fraction)
        etc_mm = ks * self.kc * et0_mm
        if etc_mm < 0.0:
            self.depletion_mm = max(0.0, self.depletion_mm + etc_mm)
            etc_mm = 0.0
        step = advance_depletion(self.depletion_mm, zone.total_available_mm, rain_mm, 0.0, etc_mm)
        self.depletion_mm = step.depletion_mm
        self.trim = grown(self.trim, etc_mm, step.depletion_mm)

    def look(self, look: Look, et0_mm: float) -> None:
        """Take the owner's word."""
        self.trim, self.depletion_mm = looked(
            self.trim, look, self.depletion_mm, self.readily_mm(et0_mm), self.zone.total_available_mm
        )
        self.kc = self._tabled_kc * self.trim.factor

    def water(self, volume_l: float) -> None:
        self.depletion_mm = max(0.0, self.depletion_mm - net_mm(self.zone, volume_l))


class Garden:
    """Runs seasons of one site. The same seed gives the same true garden whatever the rule."""

    def __init__(self, site: Site, seed: int, errors: Errors = NO_ERRORS) -> None:
        self.site, self.seed, self.errors = site, seed, errors
        tank = site.tanks[0]
        table = LevelTable(tank)
        self.dead_l = table.volume_l(tank.suction_mm)
        self.capacity_l = table.volume_l(tank.overflow_mm) - self.dead_l
        """Usable litres, from the suction to the overflow; the tank is counted from the suction up."""

    def run(self, weather: SeasonWeather, rule: Rule, keep_trace: bool = False) -> Outcome:
        """One season."""
        return _Run(self, weather, rule, keep_trace).run()


class _Run:
    def __init__(self, garden: Garden, weather: SeasonWeather, rule: Rule, keep_trace: bool) -> None:
        site, seed = garden.site, garden.seed
        self.site, self.garden, self.weather, self.rule, self.keep_trace = site, garden, weather, rule, keep_trace
        first = weather.season.rows[0].date
        self.roots = {z.id: RootZone(z, Random(f"{seed} zone {z.id}"), first) for z in site.zones}
        self.beliefs = {z.id: _Belief(z, garden.errors.kc.get(z.id, 1.0)) for z in site.zones}
        self.roofs = [RoofWater(roof, Random(f"{seed} roof {roof.id}")) for roof in site.roofs]
        self.stored_l = FILL * garden.capacity_l
        self.given_today = dict.fromkeys(self.roots, 0.0)
        self.cost = 0.0
        self.weighted_days = 0.0
        self.outcome = Outcome(0.0, 0.0, 0.0, 0.0, 0, dict.fromkeys(self.roots, 0.0), [])
        self.recent_et0: list[float] = []
        self.accrued_mm = 0.0
        self.rain_today_mm = 0.0
        self.rain_credited = dict.fromkeys(self.roots, 0.0)

    def run(self) -> Outcome:
        rows = self.weather.season.rows
        for index, row in enumerate(rows):
            self._start_day(row.date)
            expected = self._expected_mm()
            self.accrued_mm = self.rain_today_mm = 0.0
            for hour in range(24):
                if hour == LOOK_HOUR and self.garden.errors.owner_looks and index % LOOK_EVERY_DAYS == 0:
                    self._look(expected)
                if hour in DECISION_HOURS:
                    recent_mm = tuple(before.rain_mm for before in rows[max(0, index - KEPT_DAYS) : index])
                    self._decide(row.date, hour, expected, recent_mm)
                self._hour(24 * index + hour)
            self._end_day(row)
        outcome = self.outcome
        outcome.score = 100.0 * self.cost / self.weighted_days
        outcome.used_l = sum(roots.applied_l for roots in self.roots.values())
        outcome.caught_l = sum(roof.caught_l for roof in self.roofs)
        return outcome

    def _expected_mm(self) -> float:
        recent = self.recent_et0[-EXPECT_DAYS:]
        return sum(recent) / len(recent) if recent else 2.0

    def _start_day(self, day: date) -> None:
        for zone_id, roots in self.roots.items():
            roots.start_day(day)
            self.beliefs[zone_id].start_day(day)
            self.given_today[zone_id] = self.rain_credited[zone_id] = 0.0

    def _hour(self, index: int) -> None:
        rain_mm, evaporation_mm = self.weather.hours[index]
        self.rain_today_mm += rain_mm
        for roof in self.roofs:
            self.stored_l += roof.rain_hour(rain_mm)
        if self.stored_l > self.garden.capacity_l:
            self.outcome.overflow_l += self.stored_l - self.garden.capacity_l
            self.stored_l = self.garden.capacity_l
        for roots in self.roots.values():
            roots.pass_hour(rain_mm, evaporation_mm)

    def _look(self, expected_mm: float) -> None:
        """The owner walks by: leaves hang, or the soil is wet to the touch; between the two nothing is said."""
        for zone_id, roots in self.roots.items():
            if roots.growing:
                part = roots.depletion_mm / roots.capacity_mm
                if part > LOOKS_DRY:
                    self.beliefs[zone_id].look("dry", expected_mm)
                elif part < LOOKS_WET:
                    self.beliefs[zone_id].look("wet", expected_mm)

    def _decide(self, day: date, hour: int, expected_mm: float, recent_rain_mm: tuple[float, ...]) -> None:
        share_mm = _SHARE_SINCE_LAST[hour] * expected_mm
        self.accrued_mm += share_mm
        needs = []
        for zone in self.site.zones:
            belief = self.beliefs[zone.id]
            belief.pass_time(share_mm, expected_mm, self._new_rain_mm(zone, expected_mm))
            if zone.kind != "container" and hour != DECISION_HOURS[0]:
                continue
            next_mm = belief.kc * expected_mm * (1.0 if zone.kind != "container" else 0.5)
            needs.append(
                ZoneNeed(
                    zone,
                    zone.schedule,
                    belief.depletion_mm,
                    belief.readily_mm(expected_mm),
                    next_mm,
                    belief.kc * expected_mm,
                    belief.growing,
                    self.given_today[zone.id],
                )
            )
        situation = Situation(
            day, hour, tuple(needs), self.stored_l, self.garden.capacity_l, expected_mm, recent_rain_mm
        )
        for zone_id, volume_l in self.rule.decide(situation).items():
            self._water(zone_id, volume_l)

    def _water(self, zone_id: str, wanted_l: float) -> None:
        zone = self.beliefs[zone_id].zone
        room_l = zone.schedule.daily_cap_l - self.given_today[zone_id]
        volume_l = max(0.0, min(wanted_l, room_l, self.stored_l))
        if volume_l > 0.0:
            self.stored_l -= volume_l
            self.given_today[zone_id] += volume_l
            self.roots[zone_id].irrigate(volume_l)
            self.beliefs[zone_id].water(volume_l)

    def _end_day(self, row: DailyRecord) -> None:
        """Settle the day by what it truly asked for, as far as the controller can know it, and judge it."""
        et0_mm = self._known_et0_mm(row)
        self.recent_et0.append(et0_mm)
        for belief in self.beliefs.values():
            belief.pass_time(et0_mm - self.accrued_mm, et0_mm, self._new_rain_mm(belief.zone, et0_mm))
        depletion = {zone_id: roots.depletion_mm / roots.capacity_mm for zone_id, roots in self.roots.items()}
        for zone_id, roots in self.roots.items():
            if roots.growing:
                self._judge(roots, depletion[zone_id])
        if self.keep_trace:
            self.outcome.trace.append(DayTrace(row.date, self.stored_l, depletion, dict(self.given_today)))

    def _new_rain_mm(self, zone: Zone, et0_mm: float) -> float:
        """The day's rain that counts for a zone and has not been credited to it yet."""
        counts_mm = effective_rain_mm(self.rain_today_mm, et0_mm, zone.rain_fed)
        new_mm = max(0.0, counts_mm - self.rain_credited[zone.id])
        self.rain_credited[zone.id] += new_mm
        return new_mm

    def _known_et0_mm(self, row: DailyRecord) -> float:
        if self.garden.errors.thermometer or row.et0_mm is None:
            day_of_year = row.date.timetuple().tm_yday
            return hargreaves_mm(row.tmin_c, row.tmax_c, self.site.place.latitude_deg, day_of_year)
        return row.et0_mm

    def _judge(self, roots: RootZone, depleted_part: float) -> None:
        weight = WEIGHTS[min(len(WEIGHTS), roots.zone.priority)]
        self.cost += weight * stress_cost(roots.stress_today)
        self.weighted_days += weight
        self.outcome.stress_days[roots.zone.id] += roots.stress_today
        if roots.zone.kind == "container" and depleted_part > WILTED:
            self.outcome.wilted_container_days += 1
