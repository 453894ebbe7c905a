"""What counted rain has given each zone, day by day, so that rain that was none can be taken back.

A gauge is hit by a sprinkler, cleaned, or knocked over: what it counted then keeps the zones dry for days. The owner
voids that day, or no roof gave a drop of it. What is taken back is what the root zone still has of
it: rain or water that drained since would have drained less.
"""

from __future__ import annotations

import math
from datetime import date, timedelta

from controller.contract import Now, VoidRain
from controller.core.context import Context
from controller.core.state import NEVER_MS

VOID_DAYS_BACK = 2
"""Older rain has been lived on: nobody knows what would have been watered without it (own choice)."""
LONGEST_REASON = 200


def void_problem(ctx: Context, now: Now, command: VoidRain) -> str:
    """Why a day's rain cannot be voided; empty when it can."""
    if not 1 <= len(command.reason.strip()) <= LONGEST_REASON:
        return f"reason is empty or longer than {LONGEST_REASON} characters; say in a few words what the gauge counted"
    try:
        day = date.fromisoformat(command.date)
    except ValueError:
        return f"date is {command.date!r}, which is no date; write it like 2026-07-01"
    if not ctx.calendar_known(now):
        return "the date is not known, so no day can be found; repeat it when the clock is right"
    age_days = ctx.state.weather.day - day.toordinal()
    if not 0 <= age_days <= VOID_DAYS_BACK:
        first = date.fromordinal(ctx.state.weather.day - VOID_DAYS_BACK)
        return f"date {command.date} is not today or one of the last {VOID_DAYS_BACK} days, from {first.isoformat()} on"
    if rain_mm(ctx, day) <= 0.0:
        return f"no rain was counted on {command.date}, so there is nothing to void"
    return ""


def rain_mm(ctx: Context, day: date) -> float:
    """What counts as the rain of today, or of one of the last days."""
    weather = ctx.state.weather
    age_days = weather.day - day.toordinal()
    if age_days == 0:
        return ctx.sensing.rain_today_mm
    return weather.recent_rain_mm[-age_days] if age_days <= len(weather.recent_rain_mm) else 0.0


def void(ctx: Context, day: date, most_mm: float = math.inf) -> float:
    """Let a day's rain be none, or so much less, for the zones and for what is expected of the tank; returns it, mm.

    The balance must be up to now. More rain on the same day counts again.
    """
    weather, counted_mm = ctx.state.weather, rain_mm(ctx, day)
    voided_mm = min(most_mm, counted_mm)
    if voided_mm <= 0.0:
        return 0.0
    part, age_days = voided_mm / counted_mm, weather.day - day.toordinal()
    if age_days == 0:
        ctx.sensing.void_rain_today(voided_mm)
        for zone_state in ctx.state.zones.values():
            zone_state.rain_credited_mm *= 1.0 - part
    else:
        weather.recent_rain_mm[-age_days] = counted_mm - voided_mm
    of_day = weather.rain_kept_mm.get(day.isoformat(), {})
    for zone_id in [zone_id for zone_id in of_day if zone_id in ctx.zones]:
        zone_state, kept_mm = ctx.state.zones[zone_id], part * of_day[zone_id]
        of_day[zone_id] -= kept_mm
        zone_state.depletion_mm = min(ctx.zones[zone_id].total_available_mm, zone_state.depletion_mm + kept_mm)
        zone_state.retry_mono_ms = NEVER_MS
    ctx.state.plan_due_mono_ms = NEVER_MS
    return voided_mm


def void_what_no_tank_caught(ctx: Context, now: Now) -> None:
    """Rain of which no roof gave a drop was none, as far as can be told: do not keep the beds dry for it.

    Once: when the next storm brings nothing either, it is the gutter, and rain counts.
    """
    watches = [watch for watch in ctx.sensing.watches.values() if watch.roofs is not None]
    doubted_mm = min((watch.take_doubted_mm() for watch in watches), default=0.0)
    if doubted_mm <= 0.0:
        return
    left_mm, today = doubted_mm, date.fromordinal(ctx.state.weather.day)
    for day in (today, today - timedelta(days=1)):
        left_mm -= void(ctx, day, left_mm)
    ctx.notice(now, "rain-doubtful", "", {"rain_mm": doubted_mm})


def note(ctx: Context, zone_id: str, rained_mm: float, drained_mm: float) -> None:
    """Rain came to a zone, or water drained from it: keep account of what the zone still has of each day's rain."""
    kept, today = ctx.state.weather.rain_kept_mm, date.fromordinal(ctx.state.weather.day).isoformat()
    if drained_mm > 0.0:
        for day, of_day in kept.items():
            if day != today and zone_id in of_day:
                of_day[zone_id] = max(0.0, of_day[zone_id] - drained_mm)
    if rained_mm > drained_mm:
        of_today = kept.setdefault(today, {})
        of_today[zone_id] = of_today.get(zone_id, 0.0) + rained_mm - drained_mm


def forget_old(ctx: Context) -> None:
    """A day is over: what is too old to be voided is forgotten."""
    kept = ctx.state.weather.rain_kept_mm
    first = (date.fromordinal(ctx.state.weather.day) - timedelta(days=VOID_DAYS_BACK)).isoformat()
    for old in [day for day in kept if day < first]:
        del kept[old]
