"""The facts that the interlocks look at, gathered for one zone at one instant."""

from __future__ import annotations

import math

from controller.contract import Now
from controller.core.caps import cap_l
from controller.core.context import Context
from controller.guard.interlocks import BATTERY_AGE_S, LEVEL_START_AGE_S, Facts
from controller.site.model import Zone
from firmware_host.board.faults import NOTICES

STALE_REPORTS = 2.5
"""Readings older than this many idle report intervals are not taken for the present."""


def facts_for(ctx: Context, now: Now, zone: Zone, *, asleep: bool = False) -> Facts:
    """All of `Facts` for `zone`, until the next call; ages count from the newest accepted reading.

    `asleep`: readings as young as the idle report interval allows count as fresh. A start then asks the board for fast
    reports and checks again with true ages.
    """
    state, mono_ms = ctx.state, now.mono_ms
    facts = ctx.facts_of_zone.get(zone.id)
    if facts is None:
        facts = ctx.facts_of_zone[zone.id] = _standing_facts(ctx, zone)
    level = ctx.sensing.level(zone.tank_id, mono_ms)
    battery = ctx.sensing.battery
    level_age_s = _age_s(mono_ms, level.measured_mono_ms)
    battery_age_s = _age_s(mono_ms, battery.voltage_mono_ms)
    if asleep:
        bound_s = STALE_REPORTS * ctx.site.idle_report_s
        level_age_s = _as_fresh(level_age_s, bound_s, LEVEL_START_AGE_S)
        battery_age_s = _as_fresh(battery_age_s, bound_s, BATTERY_AGE_S)
    known = ctx.calendar_known(now)
    facts.clock_known = known
    facts.month_can_freeze = ctx.month_can_freeze[ctx.day_facts(now.wall_ms).date.month - 1 if known else 0]
    facts.held = state.held
    facts.hold_text = hold_text(ctx, state.hold_until_wall_ms) if state.held else ""
    facts.link_up, facts.link_reason = state.link_up, state.link_reason
    faults = state.board_faults
    facts.board_faults = tuple([fault for fault in faults if fault not in NOTICES]) if faults else ()
    facts.level_quality, facts.level_age_s = level.quality, level_age_s
    facts.volume_l = math.nan if level.volume_l is None else level.volume_l
    facts.volume_sd_l = math.nan if level.sd_l is None else level.sd_l
    facts.float_dry = state.float_dry.get(zone.tank_id, False)
    facts.battery_v = 0.0 if battery.voltage_v is None else battery.voltage_v
    facts.battery_age_s = battery_age_s
    facts.battery_frozen = battery.is_frozen()
    facts.battery_low = battery.low_reason != ""
    facts.battery_charge_percent = battery.charge_percent
    facts.temperature_c = ctx.sensing.temperature_c
    facts.temperature_age_s = _age_s(mono_ms, ctx.sensing.temperature_mono_ms)
    zone_state = state.zones[zone.id]
    facts.zone_held = zone_state.is_held(now.wall_ms)
    facts.zone_hold_text = hold_text(ctx, zone_state.hold_until_wall_ms) if facts.zone_held else ""
    facts.applied_today_l = zone_state.applied_today_ml / 1000.0
    facts.daily_cap_l = cap_l(ctx, zone)
    return facts


def _standing_facts(ctx: Context, zone: Zone) -> Facts:
    """What is declared, in force for good; all that may change says no until `facts_for` has filled it in."""
    site = ctx.site
    return Facts(
        zone_id=zone.id,
        zone_name=zone.name,
        tank_id=zone.tank_id,
        clock_known=False,
        held=True,
        hold_text="",
        zone_held=True,
        zone_hold_text="",
        link_up=False,
        link_reason="",
        board_faults=(),
        level_quality="unknown",
        level_age_s=math.inf,
        volume_l=math.nan,
        volume_sd_l=math.nan,
        capacity_l=ctx.sensing.capacity_l(zone.tank_id),
        reserve_l=ctx.tanks[zone.tank_id].reserve_l,
        float_dry=True,
        battery_v=0.0,
        battery_age_s=math.inf,
        battery_frozen=True,
        battery_low=True,
        battery_charge_percent=0.0,
        minimum_charge_percent=site.battery.minimum_charge_percent,
        disconnect_v=site.battery.disconnect_v,
        resume_v=site.battery.resume_v,
        maximum_v=site.battery.maximum_v,
        temperature_c=None,
        temperature_age_s=math.inf,
        frost_c=site.frost_c,
        month_can_freeze=True,
        applied_today_l=0.0,
        daily_cap_l=0.0,
    )


def _age_s(mono_ms: int, measured_mono_ms: int | None) -> float:
    return math.inf if measured_mono_ms is None else (mono_ms - measured_mono_ms) / 1000.0


def _as_fresh(age_s: float, bound_s: float, limit_s: float) -> float:
    return min(age_s, limit_s) if age_s <= bound_s else age_s


def hold_text(ctx: Context, until_wall_ms: int | None) -> str:
    """ " until 2026-05-14 06:00" in local time, or nothing for a hold without end."""
    return "" if until_wall_ms is None else f" until {ctx.clock.text(until_wall_ms)}"
