"""The facts that the interlocks look at, gathered for one zone at one instant."""

from __future__ import annotations

import math

from controller.contract import Now
from controller.core.context import Context
from controller.guard.interlocks import BATTERY_AGE_S, LEVEL_START_AGE_S, Facts
from controller.site.model import Zone
from firmware_host.board.faults import NOTICES

STALE_REPORTS = 2.5
"""Readings older than this many idle report intervals are not taken for the present."""


def facts_for(ctx: Context, now: Now, zone: Zone, *, asleep: bool = False) -> Facts:
    """All of `Facts` for `zone`; ages count from the newest accepted reading.

    `asleep`: readings as young as the idle report interval allows count as fresh. A start then asks the board for fast
    reports and checks again with true ages.
    """
    state, site = ctx.state, ctx.site
    zone_state = state.zones[zone.id]
    level = ctx.sensing.level(zone.tank_id, now.mono_ms)
    battery = ctx.sensing.battery
    level_age_s = _age_s(now, level.measured_mono_ms)
    battery_age_s = _age_s(now, battery.voltage_mono_ms)
    if asleep:
        bound_s = STALE_REPORTS * site.idle_report_s
        level_age_s = _as_fresh(level_age_s, bound_s, LEVEL_START_AGE_S)
        battery_age_s = _as_fresh(battery_age_s, bound_s, BATTERY_AGE_S)
    tank = ctx.tanks[zone.tank_id]
    month = ctx.clock.month(now.wall_ms) if ctx.calendar_known(now) else 1
    return Facts(
        zone_id=zone.id,
        zone_name=zone.name,
        tank_id=zone.tank_id,
        clock_known=ctx.calendar_known(now),
        held=state.held,
        hold_text=hold_text(ctx),
        link_up=state.link_up,
        link_reason=state.link_reason,
        board_faults=tuple(fault for fault in state.board_faults if fault not in NOTICES),
        level_quality=level.quality,
        level_age_s=level_age_s,
        volume_l=math.nan if level.volume_l is None else level.volume_l,
        volume_sd_l=math.nan if level.sd_l is None else level.sd_l,
        capacity_l=ctx.sensing.capacity_l(zone.tank_id),
        reserve_l=tank.reserve_l,
        float_dry=state.float_dry.get(zone.tank_id, False),
        battery_v=0.0 if battery.voltage_v is None else battery.voltage_v,
        battery_age_s=battery_age_s,
        battery_low=battery.low_reason != "",
        battery_charge_percent=battery.charge_percent,
        minimum_charge_percent=site.battery.minimum_charge_percent,
        disconnect_v=site.battery.disconnect_v,
        resume_v=site.battery.resume_v,
        maximum_v=site.battery.maximum_v,
        temperature_c=ctx.sensing.temperature_c,
        temperature_age_s=_age_s(now, ctx.sensing.temperature_mono_ms),
        frost_c=site.frost_c,
        month_can_freeze=ctx.month_can_freeze[month - 1],
        applied_today_l=zone_state.applied_today_ml / 1000.0,
        daily_cap_l=zone_state.schedule.daily_cap_l,
        mode_off=zone_state.schedule.mode == "off",
    )


def _age_s(now: Now, measured_mono_ms: int | None) -> float:
    return math.inf if measured_mono_ms is None else (now.mono_ms - measured_mono_ms) / 1000.0


def _as_fresh(age_s: float, bound_s: float, limit_s: float) -> float:
    return min(age_s, limit_s) if age_s <= bound_s else age_s


def hold_text(ctx: Context) -> str:
    """ " until 2026-05-14 06:00" in local time, or nothing for a hold without end."""
    until_wall_ms = ctx.state.hold_until_wall_ms
    return "" if until_wall_ms is None else f" until {ctx.clock.text(until_wall_ms)}"
