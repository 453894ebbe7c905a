"""Who gets how much water at today's price of it: every zone is watered up to the depletion that pays.

A pure function of its inputs. What the owner fixed comes first. When the tanks' water or the battery's energy does not
reach for all that pays, both are dealt with alike: prices are raised until it does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.irrigate.outlook import MonthRain, zone_day
from controller.irrigate.plan import SMALLEST_DOSE_L, PlanLine, Supply, ZoneNeed, gross_l, level_with_rain_mm
from controller.irrigate.ration import allocate_on_ration
from controller.irrigate.water_price import PriceTable, ZoneDay, priority_weight, remembered_level_mm
from controller.site.model import Zone

_HALVINGS = 12
"""Of the range in which the price that fits is sought."""
_DEAREST = 1e4
"""Nothing is watered any more at so many times a price of `_LEAST_PRICE`."""
_LEAST_PRICE = 0.002
"""From where a price is raised that is next to nothing, cost per litre."""
_PLENTY = 0.0005
"""Below this a litre more or less changes nothing to speak of: water is there to be used."""
_PRICE_STEP = 0.02
LEAST_SHORT_PART = 0.03
"""A zone is watered once it is short of its level by so much of its available water: a dose must be worth the valve's
stroke, and the few doses of a day are not to be used up by drops (own choice)."""


class Market(NamedTuple):
    """One tank's price of water today. `day` is 0 to 364; no price is below `least_price` (an owner who wants water
    spared for its own sake, and comparisons at equal stress)."""

    table: PriceTable
    month_rain: MonthRain
    day: int
    recent_rain_mm: float
    least_price: float = 0.0
    coming_l: float = 0.0
    """Catch of the next days that a forecast lets count as if it were stored."""

    def price(self, available_l: float) -> float:
        """Cost per litre with so much water above the reserve."""
        stored_l = min(self.table.capacity_l, available_l + self.coming_l)
        return max(self.least_price, self.table.at(self.day, self.recent_rain_mm, stored_l))


def allocate_at_price(
    needs: Sequence[ZoneNeed], supplies: Mapping[str, Supply], markets: Mapping[str, Market]
) -> list[PlanLine]:
    """Plan lines in order of service, as `allocate` gives them; zones of a tank without a market are on ration."""
    by_need: list[ZoneNeed] = []
    others: list[ZoneNeed] = []
    for need in needs:
        priced = need.schedule.mode == "need" and need.growing and need.zone.tank_id in markets
        (by_need if priced else others).append(need)
    lines = allocate_on_ration(others, supplies) if others else []
    purse = _Purse(supplies, others, lines)
    water = {
        tank_id: _price(market, supplies[tank_id].level_known, purse.water_l[tank_id])
        for tank_id, market in markets.items()
    }
    days = [_today(need, markets) for need in by_need]
    prices = [water[need.zone.tank_id] for need in by_need]
    asking = [_ask(need, day, price) for need, day, price in zip(by_need, days, prices, strict=True)]
    given_l = _given_l(by_need, days, asking, prices, purse)
    order = sorted(range(len(by_need)), key=lambda i: (by_need[i].zone.priority, -given_l[i], by_need[i].zone.id))
    return lines + [_line(by_need[i], asking[i], prices[i], given_l[i], supplies) for i in order]


def _today(need: ZoneNeed, markets: Mapping[str, Market]) -> ZoneDay:
    """The zone as the price looks at it, rounded so that the same is asked again and again."""
    zone = need.zone
    fraction = round(need.readily_mm / zone.total_available_mm, 2)
    return zone_day(zone, round(need.etc_day_mm, 1), fraction, markets[zone.tank_id].month_rain)


def _price(market: Market, level_known: bool, water_l: float) -> float:
    """A tank's price by what is left in it; while its level is not known, what zones would like in a full one."""
    return market.price(water_l if level_known else market.table.capacity_l)


class _Ask(NamedTuple):
    """What a zone takes at a price: the depletion it is watered up to, litres that takes, and litres within its cap."""

    level_mm: float
    wanted_l: float
    volume_l: float
    room_mm: float = 0.0
    """Part of the level that is left for rain."""


def _ask(need: ZoneNeed, day: ZoneDay, price: float) -> _Ask:
    zone = need.zone
    at_price_mm = remembered_level_mm(day, _rounded(price))
    level = level_with_rain_mm(need, at_price_mm)
    short_mm = need.depletion_mm - level
    wanted_l = gross_l(zone, short_mm) if short_mm >= LEAST_SHORT_PART * zone.total_available_mm else 0.0
    volume_l = min(wanted_l, max(0.0, need.schedule.daily_cap_l - need.applied_today_l))
    return _Ask(level, wanted_l, volume_l if volume_l >= SMALLEST_DOSE_L else 0.0, level - at_price_mm)


def _rounded(price: float) -> float:
    """A price to the nearest fiftieth."""
    return math.exp(round(math.log(price) / _PRICE_STEP) * _PRICE_STEP) if price >= _PLENTY else 0.0


class _Purse:
    """What is left of the tanks' water and the battery's energy after some lines."""

    def __init__(self, supplies: Mapping[str, Supply], needs: Sequence[ZoneNeed], lines: Sequence[PlanLine]) -> None:
        self.water_l = {tank_id: max(0.0, supply.available_l) for tank_id, supply in supplies.items()}
        self._supplies = supplies
        # One battery drives all pumps.
        self.energy_wh = max((supply.energy_wh for supply in supplies.values()), default=0.0)
        zones = {need.zone.id: need.zone for need in needs}
        for line in lines:
            self.take(zones[line.zone_id], line.volume_l)

    def wh_per_l(self, zone: Zone) -> float:
        return self._supplies[zone.tank_id].wh_per_l_to(zone.id)

    def take(self, zone: Zone, volume_l: float) -> None:
        self.water_l[zone.tank_id] -= volume_l
        self.energy_wh -= volume_l * self.wh_per_l(zone)

    def most_l(self, zone: Zone) -> float:
        """Litres that a zone can still have."""
        water_l, per_l = self.water_l[zone.tank_id], self.wh_per_l(zone)
        by_energy_l = max(0.0, self.energy_wh) / per_l if per_l > 0.0 else water_l
        return max(0.0, min(water_l, by_energy_l))

    def holds(self, needs: Sequence[ZoneNeed], asking: Sequence[_Ask]) -> bool:
        """Does it reach for all that is asked?"""
        wanted_l = dict.fromkeys(self.water_l, 0.0)
        energy_wh = 0.0
        for need, ask in zip(needs, asking, strict=True):
            wanted_l[need.zone.tank_id] += ask.volume_l
            energy_wh += ask.volume_l * self.wh_per_l(need.zone)
        return energy_wh <= self.energy_wh and all(volume_l <= self.water_l[t] for t, volume_l in wanted_l.items())


def _given_l(
    needs: Sequence[ZoneNeed],
    days: Sequence[ZoneDay],
    asking: Sequence[_Ask],
    prices: Sequence[float],
    purse: _Purse,
) -> list[float]:
    """Litres for each zone: what it asks, or, where that is too much for all, what it asks at raised prices."""
    if purse.holds(needs, asking):
        return [ask.volume_l for ask in asking]
    too_cheap, fitting = list(asking), [_Ask(0.0, 0.0, 0.0) for _ in asking]
    low, high = 1.0, _DEAREST
    for _ in range(_HALVINGS):
        factor = (low * high) ** 0.5
        tried = [
            _ask(need, day, factor * max(_LEAST_PRICE, price))
            for need, day, price in zip(needs, days, prices, strict=True)
        ]
        if purse.holds(needs, tried):
            high, fitting = factor, tried
        else:
            low, too_cheap = factor, tried
    given_l = [ask.volume_l for ask in fitting]
    for need, volume_l in zip(needs, given_l, strict=True):
        purse.take(need.zone, volume_l)
    # Levels come in steps: what the last step leaves over goes to those that wanted it, by priority.
    for i in sorted(range(len(needs)), key=lambda i: (needs[i].zone.priority, needs[i].zone.id)):
        zone = needs[i].zone
        more_l = min(too_cheap[i].volume_l - given_l[i], purse.most_l(zone))
        if more_l > 0.0 and given_l[i] + more_l >= SMALLEST_DOSE_L:
            given_l[i] += more_l
            purse.take(zone, more_l)
    return given_l


def _line(need: ZoneNeed, ask: _Ask, price: float, volume_l: float, supplies: Mapping[str, Supply]) -> PlanLine:
    total_mm = need.zone.total_available_mm
    why = f"{max(0.0, need.depletion_mm):.1f} mm short of full ({total_mm:.0f} mm)"
    if price < _PLENTY:
        worth = "water is plentiful"
    else:
        days = 100.0 * price / priority_weight(1)
        worth = f"100 L kept now spare what is most important {days:.1f} days without water later"
    if ask.room_mm > 0.0:
        worth += (
            f", rain of {need.rain.expected_mm:.0f} mm is forecast and {ask.room_mm:.1f} mm of room are left for it"
        )
    if ask.wanted_l < SMALLEST_DOSE_L:
        from_mm = ask.level_mm + LEAST_SHORT_PART * total_mm
        why += f"; {worth}, so it waits until it is {from_mm:.1f} mm short"
    elif ask.level_mm < 0.5:
        why += f"; {worth}, {ask.wanted_l:.1f} L refill it"
    else:
        why += f"; {worth}, so it is watered up to {ask.level_mm:.1f} mm short: {ask.wanted_l:.1f} L"
    if volume_l < ask.wanted_l - 0.05 and ask.wanted_l >= SMALLEST_DOSE_L:
        why += f"; limited to {volume_l:.1f} L by {_limit(ask, volume_l, supplies[need.zone.tank_id])}"
    # Less than a dose is not wanted yet, and no refusal.
    return PlanLine(need.zone.id, volume_l, ask.wanted_l if ask.wanted_l >= SMALLEST_DOSE_L else 0.0, why)


def _limit(ask: _Ask, volume_l: float, supply: Supply) -> str:
    """Which limit it was, in the words of the plan without prices."""
    if not supply.level_known:
        return "the tank's level, which is not known now"
    if volume_l >= ask.volume_l:
        return "what is left of its daily cap"
    if supply.energy_wh < supply.available_l * supply.wh_per_l:
        return "the charge the battery can spare"
    return "the water above the reserve, which does not reach for all"
