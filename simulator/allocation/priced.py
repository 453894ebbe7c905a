"""The rule of the controller itself, for the judge: the price of water looked up, every zone watered to its level."""

from __future__ import annotations

from collections.abc import Mapping

from controller.irrigate.outlook import Outlook, day_of_year
from controller.irrigate.plan import Supply
from controller.irrigate.priced_plan import Market, allocate_at_price
from controller.irrigate.water_price import RECENT_DAYS
from controller.site.model import Site
from simulator.allocation.garden import Situation


class ByPrice:
    """`least_price` is a floor under the price: 0 is the rule, more spares water (for comparing at equal stress)."""

    def __init__(self, site: Site, outlook: Outlook, least_price: float = 0.0) -> None:
        self._site, self._outlook, self._least_price = site, outlook, least_price

    def decide(self, situation: Situation) -> Mapping[str, float]:
        tank_id = self._site.tanks[0].id
        market = Market(
            table=self._outlook.tables[tank_id],
            month_rain=self._outlook.month_rain[situation.day.month - 1],
            day=day_of_year(situation.day),
            recent_rain_mm=sum(situation.recent_rain_mm[-RECENT_DAYS:]),
            least_price=self._least_price,
        )
        supply = Supply(situation.stored_l, float("inf"), 0.0)
        lines = allocate_at_price(situation.needs, {tank_id: supply}, {tank_id: market})
        return {line.zone_id: line.volume_l for line in lines}
