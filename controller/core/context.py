"""What one step works on: the declaration, the memory, the estimators, and the results being collected."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.contract import Now, OrderAnswer, Record
from controller.core.localclock import LocalClock
from controller.core.sensing import Sensing
from controller.core.state import Latch, State, fresh_state, state_from_json
from controller.core.today import Today
from controller.guard.catalogue import CATALOGUE
from controller.guard.interlocks import Blocker, Facts, blocker
from controller.irrigate.forecast import expected_catch_l, fresh
from controller.irrigate.outlook import Outlook, Use, Uses, day_of_year, declared_uses, outlook
from controller.irrigate.priced_plan import Market
from controller.site.model import Pump, Site, Tank, Zone
from firmware_host.messages import Outputs


class Context:
    """Lookups made once, and the lists that a step fills."""

    def __init__(self, site: Site, state: State, sensing: Sensing) -> None:
        self.site = site
        self.state = state
        self.sensing = sensing
        self.clock = LocalClock(site.place.time_zone)
        self.zones: dict[str, Zone] = {zone.id: zone for zone in site.zones}
        self.by_priority = sorted(site.zones, key=lambda zone: (zone.priority, zone.id))
        self.tanks: dict[str, Tank] = {tank.id: tank for tank in site.tanks}
        self.roofs_of_tank = {
            tank.id: tuple(roof for roof in site.roofs if roof.tank_id == tank.id) for tank in site.tanks
        }
        self.pump_of_zone: dict[str, Pump] = {zone.id: site.pump_for_tank(zone.tank_id) for zone in site.zones}
        self.float_switches = [
            (tank.float_switch_channel, tank.id) for tank in site.tanks if tank.float_switch_channel is not None
        ]
        self.float_wet_seen: dict[int, bool] | None = None
        """What the float switches last said."""
        self.declared_uses = declared_uses(site)
        self._outlook: Outlook | None = None
        self._outlook_for: dict[str, Use] | None = None
        self.month_can_freeze = _freezing_months(site)
        self._today: Today | None = None
        self._today_wall_ms = 0
        self.outputs_of_zone = {
            zone.id: Outputs(1 << self.pump_of_zone[zone.id].output, 1 << zone.valve.output) for zone in site.zones
        }
        self.facts_of_zone: dict[str, Facts] = {}
        """Filled anew for each look of the interlocks, see `controller.core.facts`."""
        self.records: list[Record] = []
        self.answers: list[OrderAnswer] = []
        self.board_clears: list[str] = []

    @property
    def outlook(self) -> Outlook | None:
        """The price of water by the site's normals; worked out when first asked for, which takes a while."""
        if self._outlook_for is not self.state.priced_uses:
            self._outlook_for = self.state.priced_uses
            self._outlook = outlook(self.site, self.uses(self._outlook_for))
        return self._outlook

    def uses(self, changed: Mapping[str, Use]) -> Uses:
        """What all zones take, from what differs from the site file."""
        return tuple((zone_id, changed.get(zone_id, use)) for zone_id, use in self.declared_uses)

    def markets(self, wall_ms: int) -> dict[str, Market]:
        """Today's price of water in each tank; none without an outlook."""
        known = self.outlook
        if known is None:
            return {}
        today = self.day_facts(wall_ms).date
        rain_mm = sum(self.state.weather.recent_rain_mm) + self.sensing.rain_today_mm
        month_rain, day = known.month_rain[today.month - 1], day_of_year(today)
        coming = fresh(self.state.forecast, wall_ms)
        fallen_mm = self.sensing.rain_today_mm
        markets = {}
        for tank_id, table in known.tables.items():
            coming_l = (
                0.0 if coming is None else expected_catch_l(coming, today, fallen_mm, self.roofs_of_tank[tank_id])
            )
            markets[tank_id] = Market(table, month_rain, day, rain_mm, coming_l=coming_l)
        return markets

    def day_facts(self, wall_ms: int) -> Today:
        """Coefficients of the local date."""
        if wall_ms == self._today_wall_ms and self._today is not None:
            # A step asks for several zones at its one instant.
            return self._today
        self._today_wall_ms = wall_ms
        ordinal = self.clock.ordinal(wall_ms)
        if self._today is None or self._today.ordinal != ordinal:
            self._today = Today(self.site, ordinal, self.state.warmth)
        return self._today

    def forget_today(self) -> None:
        """The crops are further than was thought: look anew."""
        self._today = None

    def calendar_known(self, now: Now) -> bool:
        """Whether days and windows can be told: the clock is trusted, or it was once and time has gone on since."""
        return now.trust != "unknown" or self.state.weather.day != 0

    def record(self, kind: str, key: str, data: dict[str, Any]) -> None:
        self.records.append(Record(kind, key, data))

    def latch(self, now: Now, condition: str, zone_id: str, numbers: dict[str, Any]) -> None:
        """Latch a fault until a person clears it; latching it again changes nothing."""
        fault_id = f"{condition}:{zone_id}" if zone_id else condition
        if fault_id in self.state.latches:
            return
        found = blocker(condition, {**numbers, "fault": fault_id})
        self.state.latches[fault_id] = Latch(fault_id, condition, zone_id, found.text, found.cure, now.wall_ms)
        self.record("fault", fault_id, {"raised": True, "zone": zone_id, "text": found.text, "cure": found.cure})

    def notice(self, now: Now, condition: str, zone_id: str, numbers: dict[str, Any]) -> None:
        """Note a finding that goes away by itself at the end of the day; noted again it keeps its first time."""
        notice_id = f"{condition}:{zone_id}" if zone_id else condition
        found = blocker(condition, numbers)
        known = self.state.notices.get(notice_id)
        since_wall_ms = known.since_wall_ms if known else now.wall_ms
        self.state.notices[notice_id] = Latch(notice_id, condition, zone_id, found.text, found.cure, since_wall_ms)
        if known is None:
            self.record("fault", notice_id, {"raised": True, "zone": zone_id, "text": found.text, "cure": found.cure})

    def latched_blockers(self, zone_id: str) -> list[Blocker]:
        """Latches that concern a zone: its own, its pump's, and those of the whole site."""
        return [
            Blocker(latch.id, CATALOGUE[latch.condition].severity, latch.text, latch.cure)
            for latch in self.state.latches.values()
            if latch.zone_id in ("", zone_id, self.pump_of_zone[zone_id].id)
        ]


def remembered(site: Site, dumped: dict[str, Any] | None) -> Context:
    """A context that starts afresh, or exactly where `Core.dump` left off."""
    state = fresh_state(site) if dumped is None else state_from_json(dumped["state"], site)
    sensing = Sensing(site)
    if dumped is not None:
        sensing.load(dumped["sensing"])
    return Context(site, state, sensing)


def _freezing_months(site: Site) -> tuple[bool, ...]:
    """By month: may it freeze? Normal minimum under 5 °C; without normals any month outside the tropics."""
    if site.place.normals is None:
        return (abs(site.place.latitude_deg) > 23.5,) * 12
    return tuple(tmin_c < 5.0 for tmin_c in site.place.normals.tmin_c)
