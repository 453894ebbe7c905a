"""What the coming weeks may bring: the garden run on from today through likely years of weather.

Every likely year gives one course of things under the price of water, and one in which every zone is refilled as if
water were free. The spread over the years is the range that people are shown; nothing is decided by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

from controller.irrigate.likely_weather import DAYS_PER_YEAR, LikelyYear
from controller.irrigate.outlook import Basis, Use, day_of_year, taking
from controller.irrigate.water_price import RECENT_DAYS, PriceTable, remembered_level_mm

FARTHEST_DAYS = 120
LOW_PART, HIGH_PART = 0.1, 0.9


class Range(NamedTuple):
    """The 10th, 50th and 90th percentile over the likely years."""

    low: float
    middle: float
    high: float


class Prospect(NamedTuple):
    """What may become of one tank and its zones.

    supply_days   until the water above the reserve is gone if every zone got all it drinks from now on;
                  `FARTHEST_DAYS` means longer
    stored_l      above the reserve by the plan, by days from now
    given_l       by zone id, litres a day over the next days, one range a day
    empty_part    of the likely years in which the plan runs out of water within `FARTHEST_DAYS`
    """

    supply_days: Range
    stored_l: dict[int, Range]
    given_l: dict[str, tuple[Range, ...]]
    empty_part: float


def percentiles(values: Sequence[float]) -> Range:
    """The 10th, 50th and 90th percentile, between the two nearest values linear. Raises ValueError without values."""
    if not values:
        raise ValueError("percentiles of nothing")
    ordered = sorted(values)

    def at(part: float) -> float:
        place = part * (len(ordered) - 1)
        low = int(place)
        high = min(low + 1, len(ordered) - 1)
        return ordered[low] + (place - low) * (ordered[high] - ordered[low])

    return Range(at(LOW_PART), at(0.5), at(HIGH_PART))


def prospect(
    basis: Basis,
    table: PriceTable,
    today: date,
    stored_l: float,
    depletion_mm: Mapping[str, float],
    recent_rain_mm: Sequence[float],
    *,
    days_ahead: int = 3,
    stored_after: Sequence[int] = (7, 14, 30),
    uses: Mapping[str, Use] | None = None,
) -> Prospect:
    """The prospect of one tank.

    basis           the tank's zones through a usual year, its likely years and catch
    table           its price table, made for the same uses
    stored_l        usable litres now; `depletion_mm` by zone id
    recent_rain_mm  of the last days, yesterday last
    uses            as for `supply_days`
    """
    first = day_of_year(today)
    known = _known_uses(basis, uses)
    thirsty = _as_thirsty(basis, known)
    courses = [
        _Course(thirsty, number, first, stored_l, depletion_mm, recent_rain_mm) for number in range(len(basis.years))
    ]
    planned = [course.run(table, known) for course in courses]
    return Prospect(
        supply_days=supply_days(basis, today, stored_l, uses),
        stored_l={days: percentiles([run.stored_l[days - 1] for run in planned]) for days in stored_after},
        given_l={
            zone_id: tuple(percentiles([run.given_l[n][zone_id] for run in planned]) for n in range(days_ahead))
            for zone_id in basis.zones
        },
        empty_part=sum(run.lasted_days < FARTHEST_DAYS for run in planned) / len(planned),
    )


def supply_days(basis: Basis, today: date, stored_l: float, uses: Mapping[str, Use] | None = None) -> Range:
    """Days until the water above the reserve is gone if every zone got all it drinks from now on, in likely weather.

    uses  by zone id, what the schedules in force take; the declared daily caps for zones that are not in it
    """
    first = day_of_year(today)
    known = _known_uses(basis, uses)
    # What is short today is a debt of the past; what zones need from now on is what they will drink.
    full = dict.fromkeys(basis.zones, 0.0)
    thirsty = _as_thirsty(basis, known)
    courses = [_Course(thirsty, number, first, stored_l, full, ()) for number in range(len(basis.years))]
    return percentiles([float(course.lasts_days(known)) for course in courses])


def _known_uses(basis: Basis, uses: Mapping[str, Use] | None) -> dict[str, Use]:
    return {zone_id: (uses or {}).get(zone_id, Use(zone.cap_l)) for zone_id, zone in basis.zones.items()}


def _as_thirsty(basis: Basis, uses: Mapping[str, Use]) -> Basis:
    return basis._replace(zones={zone_id: taking(zone, uses[zone_id]) for zone_id, zone in basis.zones.items()})


class _Run(NamedTuple):
    """One course of things: days until the tank was empty, and each day's stock and gifts."""

    lasted_days: int
    stored_l: list[float]
    given_l: list[dict[str, float]]


class _Course:
    """One likely year from today on."""

    def __init__(
        self,
        basis: Basis,
        number: int,
        first: int,
        stored_l: float,
        depletion_mm: Mapping[str, float],
        recent_rain_mm: Sequence[float],
    ) -> None:
        self._basis, self._first, self._stored_l = basis, first, stored_l
        self._depletion_mm, self._recent_mm = depletion_mm, list(recent_rain_mm)
        self._year = basis.years[number]
        self._next = basis.years[(number + 1) % len(basis.years)]
        self._catch = (basis.caught_l[number], basis.caught_l[(number + 1) % len(basis.years)])

    def _day(self, n: int) -> tuple[LikelyYear, Sequence[float], int]:
        index = self._first + n
        if index < DAYS_PER_YEAR:
            return self._year, self._catch[0], index
        return self._next, self._catch[1], index - DAYS_PER_YEAR

    def run(self, table: PriceTable, uses: Mapping[str, Use]) -> _Run:
        """As the price of water plans it."""
        capacity_l = self._basis.capacity_l
        stored_l = min(capacity_l, self._stored_l)
        depletion = dict(self._depletion_mm)
        recent_mm = list(self._recent_mm)
        lasted = FARTHEST_DAYS
        stored_after: list[float] = []
        given_by_day: list[dict[str, float]] = []
        for n in range(FARTHEST_DAYS):
            year, caught_l, index = self._day(n)
            price = table.at(index, sum(recent_mm[-RECENT_DAYS:]), stored_l)
            # In hundredths, so that levels once worked out are met again.
            price = round(price, 2)
            given = self._asked_l(uses, index, price, depletion)
            asked_l = sum(given.values())
            if asked_l > stored_l:
                lasted = min(lasted, n)
                given = {zone_id: volume_l * stored_l / asked_l for zone_id, volume_l in given.items()}
            stored_l = min(capacity_l, stored_l - sum(given.values()) + caught_l[index])
            for zone_id, volume_l in given.items():
                self._advance(zone_id, index, volume_l, year, depletion)
            recent_mm.append(year.rain_mm[index])
            stored_after.append(stored_l)
            given_by_day.append(given)
        return _Run(lasted, stored_after, given_by_day)

    def lasts_days(self, uses: Mapping[str, Use]) -> int:
        """Days until the tank is empty when every zone is refilled as if water were free."""
        capacity_l = self._basis.capacity_l
        stored_l = min(capacity_l, self._stored_l)
        depletion = dict(self._depletion_mm)
        for n in range(FARTHEST_DAYS):
            year, caught_l, index = self._day(n)
            given = self._asked_l(uses, index, 0.0, depletion)
            asked_l = sum(given.values())
            if asked_l > stored_l:
                return n
            stored_l = min(capacity_l, stored_l - asked_l + caught_l[index])
            for zone_id, volume_l in given.items():
                self._advance(zone_id, index, volume_l, year, depletion)
        return FARTHEST_DAYS

    def _asked_l(
        self, uses: Mapping[str, Use], index: int, price: float, depletion: Mapping[str, float]
    ) -> dict[str, float]:
        """What each zone takes on a day at a price, as its schedule lets it."""
        return {
            zone_id: min(use.cap_l, self._wanted_l(zone_id, index, price, depletion[zone_id]))
            if use.fixed_l is None
            else use.fixed_l
            for zone_id, use in uses.items()
        }

    def _wanted_l(self, zone_id: str, index: int, price: float, depletion_mm: float) -> float:
        """What refills a zone to where it is watered at a price; nothing out of season."""
        day = self._basis.zones[zone_id].days[index]
        if day is None:
            return 0.0
        return max(0.0, depletion_mm - remembered_level_mm(day, price)) * day.l_per_mm

    def _advance(
        self, zone_id: str, index: int, volume_l: float, year: LikelyYear, depletion: dict[str, float]
    ) -> None:
        zone = self._basis.zones[zone_id]
        day, rain_mm = zone.days[index], year.rain_mm[index] if zone.rain_fed else 0.0
        if day is None:
            depletion[zone_id] = max(0.0, depletion[zone_id] - rain_mm)
            return
        after_mm = max(0.0, depletion[zone_id] - volume_l / day.l_per_mm)
        etc_mm = day.etc_mm * year.et0_mm[index] / self._basis.mean_et0_mm[index]
        readily_mm = day.fraction * day.total_mm
        if after_mm > readily_mm:
            etc_mm *= max(0.0, (day.total_mm - after_mm) / (day.total_mm - readily_mm))
        depletion[zone_id] = min(day.total_mm, max(0.0, after_mm + etc_mm - rain_mm))
