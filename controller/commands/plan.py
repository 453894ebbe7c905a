"""`pumphouse plan`: what is to be watered today and in the next days, why, and how long the water may last."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from controller.contract import Snapshot, TankView, ZoneView
from controller.core.localclock import LocalClock
from controller.core.supply import usable_now_l
from controller.errors import OperatingError
from controller.irrigate.crop import Numbers
from controller.irrigate.heat_stages import Warmth, numbers_on
from controller.irrigate.outlook import basis, outlook, use_of
from controller.irrigate.prospect import FARTHEST_DAYS, Prospect, Range, prospect
from controller.service.journal import Journal
from controller.service.replay import core_class
from controller.service.restore import restore, stored_site
from controller.site.model import Site, Zone
from controller.site.show import Show

SUMMARY = "show today's plan and the next days', with reasons, and how long the water may last"
DAYS_AHEAD = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--journal", type=Path, required=True, help="read this journal")
    parser.add_argument("--json", action="store_true", help="print values instead of text")


def run(args: argparse.Namespace) -> int:
    """Print the plan. Raises OperatingError when the journal holds nothing yet."""
    journal = Journal.read(args.journal)
    try:
        checkpoint = journal.checkpoint_before()
        if checkpoint is None:
            raise OperatingError(
                f"{args.journal}: holds nothing yet; the controller writes it from its first minute on"
            )
        site = stored_site(checkpoint.site_text)
        now = journal.last_now()
        core = restore(journal, site, checkpoint.site_text, core_class(), stored_site).core
        picture, state = core.snapshot(now), core.dump()["state"]
    finally:
        journal.close()
    today = date.fromordinal(LocalClock(site.place.time_zone).ordinal(now.wall_ms))
    recent_rain_mm = state["weather"]["recent_rain_mm"]
    prospects = {tank.id: _prospect(site, tank, picture, today, recent_rain_mm) for tank in picture.tanks}
    growth = numbers_on(site, today, {key: Warmth(*counted) for key, counted in state["warmth"].items()})
    if args.json:
        print(json.dumps(_data(picture, prospects, today), indent=2, ensure_ascii=False, sort_keys=True))
    else:
        print("\n".join(plan_lines(site, picture, prospects, growth, today)))
    return 0


def _prospect(
    site: Site, tank: TankView, picture: Snapshot, today: date, recent_rain_mm: Sequence[float]
) -> Prospect | None:
    """None where nothing is known of the water to come, or of the water that is there."""
    uses = tuple((zone.id, use_of(zone.schedule, zone.coefficient_factor)) for zone in picture.zones)
    known, priced, stored_l = basis(site, tank.id), outlook(site, uses), usable_now_l(site, tank)
    if known is None or priced is None or stored_l is None:
        return None
    depletion, table = {zone.id: zone.depletion_mm for zone in picture.zones}, priced.tables[tank.id]
    return prospect(known, table, today, stored_l, depletion, recent_rain_mm, days_ahead=DAYS_AHEAD, uses=dict(uses))


def plan_lines(
    site: Site,
    picture: Snapshot,
    prospects: dict[str, Prospect | None],
    growth: Mapping[str, Numbers],
    today: date,
) -> list[str]:
    """The page of text. `growth` says by zone id how far crops are that go by warmth."""
    show = Show(site.units)
    lines = [f"{site.name}, {today:%a %d %b %Y}", ""]
    for zone in picture.zones:
        lines += _zone_lines(site, zone, prospects[site.zone(zone.id).tank_id], today, show)
        lines += _growth_lines(site.zone(zone.id), growth.get(zone.id, ()))
    for tank in picture.tanks:
        lines += _tank_lines(site.tank(tank.id).name, tank, prospects[tank.id], show)
    return lines


def _zone_lines(site: Site, zone: ZoneView, outlook: Prospect | None, today: date, show: Show) -> list[str]:
    next_start = "no start planned"
    if zone.next_start_wall_ms is not None:
        next_start = f"next start {LocalClock(site.place.time_zone).text(zone.next_start_wall_ms)}"
    lines = [f"{zone.name}: {show.volume(zone.plan_l)}, {next_start}", f"    {zone.why or 'nothing planned yet'}"]
    if zone.schedule.mode == "need" and outlook is not None and zone.id in outlook.given_l:
        days = [
            f"{today + timedelta(days=n):%a} {show.volume(each.middle)} ({show.volume(each.low)} to "
            f"{show.volume(each.high)})"
            for n, each in enumerate(outlook.given_l[zone.id])
        ]
        lines.append("    by likely weather: " + ", ".join(days))
    return lines


def _growth_lines(zone: Zone, numbers: Numbers) -> list[str]:
    """How far the crops are that go by warmth and not by dates."""
    return [
        f"    {crop.name}: by its warmth as far as on day {number:.0f} of the {sum(crop.stage_days)} of a usual year"
        for crop, number in zip(zone.crops, numbers, strict=False)
        if crop.heat is not None and number is not None
    ]


def _tank_lines(name: str, tank: TankView, outlook: Prospect | None, show: Show) -> list[str]:
    lines = ["", f"{name}: {show.volume(tank.volume_l)} of {show.volume(tank.capacity_l)}"]
    if outlook is None:
        lines.append("    how long it lasts cannot be said: no monthly normals, no roof to this tank, or no level now")
        return lines
    lines.append(f"    if every zone got all it drinks from now on, the water would last {_days(outlook.supply_days)}")
    for days, stored in outlook.stored_l.items():
        lines.append(
            f"    by the plan in {days} days: {show.volume(stored.middle)} above the reserve "
            f"({show.volume(stored.low)} to {show.volume(stored.high)})"
        )
    part = f"{100.0 * outlook.empty_part:.0f} %"
    lines.append(f"    in {part} of likely years the plan itself runs out within {FARTHEST_DAYS} days")
    return lines


def _days(days: Range) -> str:
    def said(value: float) -> str:
        return f"more than {FARTHEST_DAYS}" if value >= FARTHEST_DAYS else f"{value:.0f}"

    if days.low >= FARTHEST_DAYS:
        return f"more than {FARTHEST_DAYS} days in nine likely years of ten"
    return f"{said(days.middle)} days (from {said(days.low)} in the driest tenth of likely years to {said(days.high)})"


def _data(picture: Snapshot, prospects: dict[str, Prospect | None], today: date) -> dict[str, Any]:
    return {
        "date": today.isoformat(),
        "zones": {
            zone.id: {"plan_l": zone.plan_l, "why": zone.why, "next_start_wall_ms": zone.next_start_wall_ms}
            for zone in picture.zones
        },
        "tanks": {
            tank_id: None
            if found is None
            else {
                "supply_days": found.supply_days._asdict(),
                "stored_l": {str(days): stored._asdict() for days, stored in found.stored_l.items()},
                "given_l": {zone_id: [day._asdict() for day in days] for zone_id, days in found.given_l.items()},
                "empty_part": found.empty_part,
            }
            for tank_id, found in prospects.items()
        },
    }
