"""What a schedule would do, answered by a copy of the controller's memory: the original is not touched."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from controller.contract import Intention, Now, Preview, PreviewSchedule, TankOutlook
from controller.core import choose
from controller.core.context import Context, remembered
from controller.core.order_checks import schedule_problem
from controller.core.state import NEVER_MS
from controller.core.supply import likely_supply
from controller.core.view import snapshot
from controller.irrigate.outlook import use_of
from controller.site.model import Site, Zone


class NoPreviewError(ValueError):
    """The question cannot be answered; the text says why."""


def preview(site: Site, dumped: dict[str, Any], now: Now, question: PreviewSchedule) -> Preview:
    """Plan with the schedules in force, then with the one asked about. `dumped` is what `Core.dump` gave at `now`.

    Raises NoPreviewError for a schedule that makes no sense, and while the date is not known.
    """
    ctx = remembered(site, dumped)
    problem = schedule_problem(question.schedule)
    if problem:
        raise NoPreviewError(problem)
    if not ctx.calendar_known(now):
        raise NoPreviewError("the date is not known, so nothing can be planned; ask again when the clock is right")
    zone_state = ctx.state.zones[question.zone_id]
    in_force = _intention(ctx, now, question.zone_id)
    zone_state.schedule, zone_state.tries, zone_state.retry_mono_ms = question.schedule, 0, NEVER_MS
    return Preview(question.zone_id, zone_state.schedule_version, in_force, _intention(ctx, now, question.zone_id))


def _intention(ctx: Context, now: Now, zone_id: str) -> Intention:
    choose.make_plan(ctx, now)
    picture = snapshot(ctx, now)
    uses = {zone.id: use_of(zone.schedule, zone.coefficient_factor) for zone in picture.zones}
    today = date.fromordinal(ctx.clock.ordinal(now.wall_ms))
    likely = likely_supply(ctx.site, picture.tanks, uses, today)
    day_l = {zone.id: _day_l(ctx, zone) for zone in ctx.site.zones}
    asked = next(zone for zone in picture.zones if zone.id == zone_id)
    return Intention(
        next_start_wall_ms=asked.next_start_wall_ms,
        volume_l=asked.plan_l,
        zone_day_l=day_l[zone_id],
        site_day_l=_within_supply(ctx, now, day_l),
        why=asked.why,
        tanks=tuple(TankOutlook(tank.id, tank.days_of_supply, likely.get(tank.id)) for tank in picture.tanks),
    )


def _day_l(ctx: Context, zone: Zone) -> float:
    """Litres over the next 24 hours: what is planned, for fixed times at each of them, within the daily cap."""
    zone_state = ctx.state.zones[zone.id]
    if ctx.state.held and ctx.state.hold_until_wall_ms is None:
        return 0.0
    times = len(zone_state.schedule.fixed_times_min) if zone_state.schedule.mode == "fixed" else 1
    return min(zone_state.schedule.daily_cap_l, zone_state.plan_l * times)


def _within_supply(ctx: Context, now: Now, day_l: Mapping[str, float]) -> float:
    """All zones together, no tank giving more than it can spare."""
    total_l = 0.0
    for tank in ctx.site.tanks:
        wanted_l = sum(day_l[zone.id] for zone in ctx.site.zones if zone.tank_id == tank.id)
        total_l += min(wanted_l, choose.supply_of(ctx, now, tank.id).available_l)
    return total_l
