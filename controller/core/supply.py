"""How long the water may last in likely weather, under the schedules in force: for people, nothing is decided by it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

from controller.contract import SupplyDays, TankView
from controller.irrigate.outlook import Use, basis, usable_l
from controller.irrigate.prospect import supply_days
from controller.site.model import Site


def usable_now_l(site: Site, tank: TankView) -> float | None:
    """Litres that can be drawn from a tank; None while its level is unknown."""
    if tank.volume_l is None or tank.quality == "unknown":
        return None
    return max(0.0, usable_l(site.tank(tank.id)) - (tank.capacity_l - tank.volume_l))


def likely_supply(site: Site, tanks: Iterable[TankView], uses: Mapping[str, Use], today: date) -> dict[str, SupplyDays]:
    """By tank id, where something is known of the water to come and of the water that is there; `uses` by zone id.

    Takes some 50 ms for each tank on a desk computer, so it is no business of the control loop.
    """
    found = {}
    for tank in tanks:
        known, stored_l = basis(site, tank.id), usable_now_l(site, tank)
        if known is not None and stored_l is not None:
            days = supply_days(known, today, stored_l, {zone_id: uses[zone_id] for zone_id in known.zones})
            found[tank.id] = SupplyDays(*days)
    return found
