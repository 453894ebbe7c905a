"""One consistent picture of the site for people, made from the core's memory when somebody wants to look."""

from __future__ import annotations

from controller.contract import Finding, Now, Quality, Snapshot, TankView, ZoneView
from controller.core import balance, expected
from controller.core.choose import days_of_supply, expected_start_ms
from controller.core.context import Context
from controller.core.facts import facts_for
from controller.guard.catalogue import CATALOGUE, LATCHING
from controller.guard.interlocks import START_CHECKS, Blocker, board_blocker, objections
from controller.guard.interlocks import blocker as condition_blocker
from controller.irrigate.forecast import FRESH_MS
from controller.site.model import Tank, Zone

_PER_ZONE = frozenset({"cap-reached", "zone-held"})
_WORST_FIRST = {"fault": 0, "warning": 1, "info": 2}


def snapshot(ctx: Context, now: Now) -> Snapshot:
    """The picture of this instant. Asking changes nothing."""
    state = ctx.state
    coming = expected.forecast(ctx, now.wall_ms)
    return Snapshot(
        wall_ms=now.wall_ms,
        trust=now.trust,
        link_up=state.link_up,
        board_id=state.board_id or None,
        held=state.held,
        hold_until_wall_ms=state.hold_until_wall_ms,
        tanks=tuple(_tank_view(ctx, now, tank) for tank in ctx.site.tanks),
        battery_v=ctx.sensing.battery.voltage_v,
        battery_charge_percent=ctx.sensing.battery.charge_percent,
        battery_quality=_battery_quality(ctx, now),
        pump_on=state.pump_on != 0,
        temperature_c=ctx.sensing.temperature_c,
        rain_today_mm=ctx.sensing.rain_today_mm,
        et0_today_mm=expected.et0_mm(ctx, now.wall_ms) if state.weather.day else None,
        zones=tuple(_zone_view(ctx, now, zone) for zone in ctx.site.zones),
        findings=tuple(findings(ctx, now)),
        forecast_issued_wall_ms=None if coming is None else coming.issued_wall_ms,
        rain_to_come_mm=None if coming is None else expected.rain(ctx, now.wall_ms).expected_mm,
    )


def findings(ctx: Context, now: Now) -> list[Finding]:
    """Latched faults, standing blockers of any zone and the day's notices, worst first, each once."""
    found: dict[str, Finding] = {}
    for latch in [*ctx.state.latches.values(), *ctx.state.notices.values(), *ctx.state.standing.values()]:
        row = CATALOGUE[latch.condition]
        latched = latch.condition in LATCHING
        found[latch.id] = Finding(latch.id, row.severity, latch.text, latch.cure, latch.since_wall_ms, latched)
    for zone in ctx.site.zones:
        for blocker in objections(facts_for(ctx, now, zone, asleep=True), START_CHECKS):
            _add_blocker(found, blocker, zone)
    if now.trust == "unknown" and ctx.calendar_known(now):
        guess = condition_blocker("clock-guessed", {"guess": ctx.clock.text(now.wall_ms)})
        found[guess.id] = Finding(guess.id, guess.severity, guess.text, guess.cure)
    stored = ctx.state.forecast
    if stored is not None and expected.forecast(ctx, now.wall_ms) is None:
        issued = ctx.clock.text(stored.issued_wall_ms)
        old = condition_blocker("forecast-old", {"issued": issued})
        found[old.id] = Finding(old.id, old.severity, old.text, old.cure, stored.issued_wall_ms + FRESH_MS)
    for fault in ctx.state.board_faults:
        known = board_blocker(fault)
        found[fault] = Finding(fault, known.severity, known.text, known.cure, None, known.id in LATCHING)
    return sorted(found.values(), key=lambda item: _WORST_FIRST[item.severity])


def _add_blocker(found: dict[str, Finding], blocker: Blocker, zone: Zone) -> None:
    finding_id = f"{blocker.id}:{zone.id}" if blocker.id in _PER_ZONE else blocker.id
    found.setdefault(finding_id, Finding(finding_id, blocker.severity, blocker.text, blocker.cure))


def _battery_quality(ctx: Context, now: Now) -> Quality:
    return ctx.sensing.battery.reading(now.mono_ms).quality


def _tank_view(ctx: Context, now: Now, tank: Tank) -> TankView:
    reading = ctx.sensing.level(tank.id, now.mono_ms)
    measured = reading.measured_mono_ms
    return TankView(
        id=tank.id,
        level_mm=reading.level_mm,
        volume_l=reading.volume_l,
        volume_sd_l=reading.sd_l,
        capacity_l=ctx.sensing.capacity_l(tank.id),
        reserve_l=tank.reserve_l,
        quality=reading.quality,
        measured_wall_ms=None if measured is None else now.wall_ms - (now.mono_ms - measured),
        days_of_supply=days_of_supply(ctx, now, tank.id),
        at_or_above=reading.at_or_above,
    )


def _zone_view(ctx: Context, now: Now, zone: Zone) -> ZoneView:
    zone_state = ctx.state.zones[zone.id]
    present = ctx.state.delivery
    mine = present is not None and present.zone_id == zone.id
    return ZoneView(
        id=zone.id,
        name=zone.name,
        watering=mine and present is not None and present.phase in ("running", "relieving", "draining"),
        delivered_now_l=present.delivered_ml / 1000.0 if mine and present is not None else 0.0,
        applied_today_l=zone_state.applied_today_ml / 1000.0,
        depletion_mm=zone_state.depletion_mm,
        total_available_mm=zone.total_available_mm,
        schedule=zone_state.schedule,
        schedule_version=zone_state.schedule_version,
        next_start_wall_ms=expected_start_ms(ctx, now, zone) if ctx.calendar_known(now) else None,
        plan_l=zone_state.plan_l,
        why=zone_state.plan_why,
        last_refusal=zone_state.refusal,
        coefficient_factor=zone_state.trim.factor,
        last_look=zone_state.last_look,
        held=zone_state.is_held(now.wall_ms),
        hold_until_wall_ms=zone_state.hold_until_wall_ms if zone_state.is_held(now.wall_ms) else None,
        readily_mm=_readily_mm(ctx, now, zone),
    )


def _readily_mm(ctx: Context, now: Now, zone: Zone) -> float | None:
    if not ctx.state.weather.day:
        return None
    kc = balance.crop_coefficient(ctx, zone, now.wall_ms)
    return balance.readily_mm(ctx, zone, kc) if kc > 0.0 else None
