"""What to start next, and the plan that people see.

Runs by order come first, then fixed times that are due, then the plan by need. Whatever is wanted but may not start is
refused with every reason, and tried again.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core import balance, delivery, expected, pump_energy
from controller.core.caps import cap_left_l
from controller.core.context import Context
from controller.core.facts import hold_text
from controller.core.localclock import Opening
from controller.core.state import ManualRun, ZoneState
from controller.guard.interlocks import blocker
from controller.irrigate.plan import PlanLine, Supply, ZoneNeed, gross_l
from controller.irrigate.priced_plan import allocate_at_price
from controller.irrigate.ration import allocate_on_ration
from controller.irrigate.sunny import LaterWindow, PowerNow, lacks_sun, sun_is_high, window_to_wait_for
from controller.site.model import Zone

TRIES_PER_DAY = 3
LEAST_TIME_MS = 60_000
PLAN_MS = 30 * 60_000
"""A plan is acted on for this long, unless it rains or water is given: nothing dries out sooner (own choice). Every
start is checked against the interlocks afresh."""
NOTHING_WANTED_MS = 2 * PLAN_MS
"""The same of a plan in which no zone wants anything."""
LOOK_AGAIN_MS = 55_000
"""While a window is open or something waits; a little under a minute, so that each idle report serves."""
SLOW_AGAIN_MS = 5 * LOOK_AGAIN_MS
"""While all that waits is kept by what ends slowly, or by an order, which has everything looked at anew."""
SLOW = frozenset({"held", "cap-reached", "frost", "battery-charge"})
NOT_WAITING, WAITS_LONG, WAITS = 0, 1, 2
"""What keeps a zone whose turn has come from starting: nothing; one of those or a latch, whatever else; only what may
end at any moment."""
BETWEEN_RUNS_MS = 60_000
"""What a run takes beside its pumping: waking the board, settling, the rest before the next one (own choice)."""
LATE_LIMIT_MS = 2 * 3_600_000
"""A fixed time missed by more than this is left out: never a pile of old runs after an outage."""
MOST_DAYS_OF_SUPPLY = 365.0


def choose(ctx: Context, now: Now) -> None:
    """Start what is due, if it may start; else remember why not and when to look again."""
    state = ctx.state
    waiting = _choose(ctx, now)
    if state.delivery is None:
        state.choice_due_mono_ms = now.mono_ms + _look_again_ms(ctx, now, waiting)


def _choose(ctx: Context, now: Now) -> int:
    """Start the first thing that may start. Else what is wanted and has to wait: the most pressing of it."""
    state = ctx.state
    _drop_expired_orders(ctx, now)
    if state.manual and _start_manual(ctx, now, state.manual[0]):
        return NOT_WAITING
    if not ctx.calendar_known(now):
        return NOT_WAITING
    waiting = NOT_WAITING
    for zone in ctx.by_priority:
        if state.zones[zone.id].schedule.mode == "fixed":
            waiting = max(waiting, _start_fixed(ctx, now, zone))
            if state.delivery is not None:
                return NOT_WAITING
    fresh_plan = now.mono_ms >= state.plan_due_mono_ms
    if fresh_plan:
        make_plan(ctx, now)
    for zone_id in state.plan_order:
        if state.zones[zone_id].schedule.mode == "need":
            waiting = max(waiting, _start_by_need(ctx, now, ctx.zones[zone_id], fresh_plan))
            if state.delivery is not None:
                return NOT_WAITING
    # A plan that is no plan, for want of a level, is waiting too.
    return WAITS if now.mono_ms >= state.plan_due_mono_ms else waiting


def _look_again_ms(ctx: Context, now: Now, waiting: int) -> int:
    """A minute while something wanted waits; else until the plan gets old in an open window, or the next opening."""
    if waiting == WAITS or ctx.state.manual or not ctx.calendar_known(now):
        return LOOK_AGAIN_MS
    soonest_ms = SLOW_AGAIN_MS if waiting == WAITS_LONG else 3_600_000
    if ctx.state.held and ctx.state.hold_until_wall_ms is not None:
        soonest_ms = min(soonest_ms, max(ctx.state.hold_until_wall_ms - now.wall_ms, LOOK_AGAIN_MS))
    for zone_state in ctx.state.zones.values():
        schedule = zone_state.schedule
        if schedule.mode == "off":
            continue
        if zone_state.is_held(now.wall_ms):
            if zone_state.hold_until_wall_ms is not None:
                soonest_ms = min(soonest_ms, zone_state.hold_until_wall_ms - now.wall_ms)
            continue
        if schedule.mode == "need" and ctx.clock.opening_at(schedule.windows, now.wall_ms) is not None:
            soonest_ms = min(soonest_ms, max(ctx.state.plan_due_mono_ms - now.mono_ms, LOOK_AGAIN_MS))
            continue
        next_ms = next_start_ms(ctx, zone_state, now.wall_ms)
        if next_ms is not None:
            soonest_ms = min(soonest_ms, next_ms - now.wall_ms)
    return soonest_ms


def next_start_ms(ctx: Context, zone_state: ZoneState, after_wall_ms: int) -> int | None:
    """The next instant at which a zone's schedule gives it a chance."""
    schedule = zone_state.schedule
    if schedule.mode == "fixed":
        return ctx.clock.next_time_ms(schedule.fixed_times_min, after_wall_ms)
    if schedule.mode == "need":
        return ctx.clock.next_time_ms(tuple(window.start_min for window in schedule.windows), after_wall_ms)
    return None


def expected_start_ms(ctx: Context, now: Now, zone: Zone) -> int | None:
    """When people may expect a zone's next water: now when its turn has come, else its schedule's next chance."""
    zone_state = ctx.state.zones[zone.id]
    schedule = zone_state.schedule
    if zone_state.is_held(now.wall_ms):
        until_wall_ms = zone_state.hold_until_wall_ms
        return None if until_wall_ms is None else next_start_ms(ctx, zone_state, until_wall_ms - 1)
    if schedule.mode == "need" and zone_state.plan_l > 0.0 and now.mono_ms >= zone_state.retry_mono_ms:
        opening = ctx.clock.opening_at(schedule.windows, now.wall_ms)
        if opening is not None and _dose_left(zone_state, opening, now):
            window = _sunnier_window(ctx, now, zone, opening)
            return now.wall_ms if window is None else window.start_wall_ms
    return next_start_ms(ctx, zone_state, now.wall_ms)


# --- runs by order ---------------------------------------------------------------------------------------


def _drop_expired_orders(ctx: Context, now: Now) -> None:
    for run in list(ctx.state.manual):
        if now.wall_ms > run.not_after_wall_ms or now.mono_ms > run.not_after_mono_ms:
            ctx.state.manual.remove(run)
            ctx.notice(now, "order-expired", run.zone_id, {"zone": ctx.zones[run.zone_id].name})


def _start_manual(ctx: Context, now: Now, run: ManualRun) -> bool:
    zone = ctx.zones[run.zone_id]
    if _kept_by(ctx, now, zone):
        return False
    limit_l = cap_left_l(ctx, zone)
    volume_l = min(run.volume_l, limit_l)
    why = f"ordered {run.volume_l:.1f} L"
    if volume_l < run.volume_l:
        why += f"; limited to {volume_l:.1f} L by what is left of its daily cap"
    delivery.begin(ctx, now, zone, "order", run.order_id, volume_l, why)
    return True


# --- fixed times -----------------------------------------------------------------------------------------


def _due_slot(ctx: Context, now: Now, zone_state: ZoneState) -> str | None:
    """Run key of the oldest fixed time that is due, not yet served and not too late."""
    for slot in ctx.clock.due_times(zone_state.schedule.fixed_times_min, now.wall_ms, LATE_LIMIT_MS):
        if slot.key not in zone_state.doses:
            return slot.key
    return None


def _start_fixed(ctx: Context, now: Now, zone: Zone) -> int:
    """Start the zone if its turn has come, or say how it waits."""
    zone_state = ctx.state.zones[zone.id]
    key = _due_slot(ctx, now, zone_state)
    if key is None or zone_state.tries >= TRIES_PER_DAY:
        return NOT_WAITING
    waits = _kept_by(ctx, now, zone) if _rested(zone_state, now) else WAITS
    if waits:
        return waits
    owed_l = zone_state.fixed_left_ml.get(key, round(zone_state.schedule.fixed_volume_l * 1000.0)) / 1000.0
    volume_l = min(owed_l, cap_left_l(ctx, zone), supply_of(ctx, now, zone.tank_id).available_l)
    why = f"fixed volume of {zone_state.schedule.fixed_volume_l:.0f} L"
    if volume_l < owed_l:
        why += f"; limited to {volume_l:.1f} L by the daily cap or the water above the reserve"
    delivery.begin(ctx, now, zone, "fixed", key, volume_l, why)
    return NOT_WAITING


# --- by need ---------------------------------------------------------------------------------------------


def make_plan(ctx: Context, now: Now) -> None:
    """The plan of this moment for all zones, kept for a few minutes; journalled where it changed by a litre or more."""
    balance.accrue(ctx, now)
    expected_mm: dict[int, float] = {}
    held = [zone for zone in ctx.site.zones if ctx.state.zones[zone.id].is_held(now.wall_ms)]
    needs = [_need_of(ctx, now, zone, expected_mm) for zone in ctx.site.zones if zone not in held]
    supplies = {tank.id: supply_of(ctx, now, tank.id) for tank in ctx.site.tanks}
    lines = _allocated(ctx, now, needs, supplies) + [_held_line(ctx, zone) for zone in held]
    ctx.state.plan_order = [line.zone_id for line in lines]
    # A plan made before the levels were read is no plan: look again as soon as they are.
    levels_known = all(supply.level_known for supply in supplies.values())
    lasts_ms = PLAN_MS if any(line.wanted_l > 0.0 for line in lines) else NOTHING_WANTED_MS
    ctx.state.plan_due_mono_ms = now.mono_ms + (lasts_ms if levels_known else 0)
    for line in lines:
        zone_state = ctx.state.zones[line.zone_id]
        zone_state.plan_l, zone_state.wanted_l, zone_state.plan_why = line.volume_l, line.wanted_l, line.why
        changed_l = abs(line.volume_l - zone_state.planned_l)
        if zone_state.planned_l < 0.0 or changed_l >= max(1.0, 0.1 * zone_state.planned_l):
            zone_state.planned_l = line.volume_l
            data = {"volume_l": line.volume_l, "wanted_l": line.wanted_l, "why": line.why}
            next_ms = next_start_ms(ctx, zone_state, now.wall_ms)
            ctx.record("plan", line.zone_id, {**data, "next_start_wall_ms": next_ms})


def _held_line(ctx: Context, zone: Zone) -> PlanLine:
    """What is on hold wants nothing, and so takes nothing from the others."""
    until = hold_text(ctx, ctx.state.zones[zone.id].hold_until_wall_ms)
    return PlanLine(zone.id, 0.0, 0.0, f"on hold{until}")


def _allocated(ctx: Context, now: Now, needs: list[ZoneNeed], supplies: dict[str, Supply]) -> list[PlanLine]:
    """By the price of water where the site's normals give one, else on ration."""
    if ctx.outlook is None:
        return allocate_on_ration(needs, supplies)
    return allocate_at_price(needs, supplies, ctx.markets(now.wall_ms))


def _start_by_need(ctx: Context, now: Now, zone: Zone, fresh_plan: bool) -> int:
    """Start the zone if its turn has come, or say how it waits."""
    zone_state = ctx.state.zones[zone.id]
    if zone_state.wanted_l <= 0.0 or zone_state.tries >= TRIES_PER_DAY:
        return NOT_WAITING
    opening = ctx.clock.opening_at(zone_state.schedule.windows, now.wall_ms)
    if opening is None or not _dose_left(zone_state, opening, now):
        return NOT_WAITING
    if zone_state.plan_l <= 0.0:
        if fresh_plan:
            _explain_nothing_to_spare(ctx, now, zone)
        return NOT_WAITING
    waits = _kept_by(ctx, now, zone) if _rested(zone_state, now) else WAITS
    if waits:
        return waits
    window = _sunnier_window(ctx, now, zone, opening)
    if window is not None:
        _explain_wait(ctx, zone, window)
        return NOT_WAITING
    key = f"{opening.key}/{_doses_on(zone_state, opening) + 1}"
    delivery.begin(
        ctx, now, zone, "need", key, _fit_into_window(ctx, zone, zone_state.plan_l, opening, now), zone_state.plan_why
    )
    return NOT_WAITING


def _sunnier_window(ctx: Context, now: Now, zone: Zone, opening: Opening) -> LaterWindow | None:
    """The later window of this window's day that a start should wait for, if any."""
    zone_state, place, day = ctx.state.zones[zone.id], ctx.site.place, ctx.day_facts(now.wall_ms).day_of_year
    later = ctx.clock.later_openings(zone_state.schedule.windows, opening)
    if not later:
        return None
    battery = ctx.sensing.battery
    power = PowerNow(battery.charge_percent, battery.voltage_v, ctx.sensing.panel_v)
    if not lacks_sun(power, sun_is_high(place.latitude_deg, place.longitude_deg, day, now.wall_ms)):
        return None
    kc = balance.crop_coefficient(ctx, zone, now.wall_ms)
    windows = [
        LaterWindow(
            found.start_ms,
            found.end_ms,
            zone_state.depletion_mm + kc * balance.et0_between_mm(ctx, now.wall_ms, found.start_ms),
        )
        for found in later
    ]
    readily_mm = balance.readily_mm(ctx, zone, kc)
    return window_to_wait_for(windows, readily_mm, _planned_ms(ctx), place.latitude_deg, place.longitude_deg, day)


def _planned_ms(ctx: Context) -> int:
    """How long everything planned by need takes at the usual flows, with the rest between runs."""
    planned = [zone for zone in ctx.site.zones if ctx.state.zones[zone.id].plan_l > 0.0]
    minutes = sum(ctx.state.zones[zone.id].plan_l / pump_energy.usual_l_min(ctx, zone) for zone in planned)
    return round(minutes * 60_000.0) + len(planned) * BETWEEN_RUNS_MS


def _explain_wait(ctx: Context, zone: Zone, window: LaterWindow) -> None:
    charge = ctx.sensing.battery.charge_percent
    told = "the battery's charge is not known" if charge is None else f"the battery is at about {charge:.0f} %"
    numbers = {"zone": zone.name, "start": ctx.clock.text(window.start_wall_ms), "charge": told}
    delivery.refuse(ctx, zone.id, [blocker("waits-for-sun", numbers)])


def _dose_left(zone_state: ZoneState, opening: Opening, now: Now) -> bool:
    """Is there a dose left today, and time for it in the window?"""
    return (
        opening.end_ms - now.wall_ms > LEAST_TIME_MS
        and _doses_on(zone_state, opening) < zone_state.schedule.doses_per_day
    )


def _doses_on(zone_state: ZoneState, opening: Opening) -> int:
    """Doses already given on the local date of a window."""
    return sum(1 for key in zone_state.doses if key[:10] == opening.key[:10])


def _rested(zone_state: ZoneState, now: Now) -> bool:
    """Has the last dose soaked in, or, after a run that was cut short, is it time to try again?"""
    return now.mono_ms >= zone_state.retry_mono_ms


def _fit_into_window(ctx: Context, zone: Zone, volume_l: float, opening: Opening, now: Now) -> float:
    """What the usual flow can deliver before the window closes."""
    return min(volume_l, pump_energy.usual_l_min(ctx, zone) * (opening.end_ms - now.wall_ms) / 60_000.0)


def _explain_nothing_to_spare(ctx: Context, now: Now, zone: Zone) -> None:
    """A zone that asks and gets nothing is refused with the blockers that explain it."""
    blockers = delivery.start_blockers(ctx, now, zone)
    if not blockers:
        why = ctx.state.zones[zone.id].plan_why
        blockers = [blocker("nothing-to-spare", {"zone": zone.name, "why": why})]
    delivery.refuse(ctx, zone.id, blockers)


# --- shared ----------------------------------------------------------------------------------------------


def _kept_by(ctx: Context, now: Now, zone: Zone) -> int:
    """How a zone has to wait that would start now; its refusal is remembered."""
    blockers = delivery.start_blockers(ctx, now, zone)
    if not blockers:
        return NOT_WAITING
    delivery.refuse(ctx, zone.id, blockers)
    latches = ctx.state.latches
    return WAITS_LONG if any(found.id in SLOW or found.id in latches for found in blockers) else WAITS


def _need_of(ctx: Context, now: Now, zone: Zone, expected_mm: dict[int, float]) -> ZoneNeed:
    """`expected_mm` keeps the evapotranspiration expected until an instant: zones share their next chances."""
    zone_state = ctx.state.zones[zone.id]
    kc = balance.crop_coefficient(ctx, zone, now.wall_ms)
    until_next_mm = 0.0
    if kc > 0.0:
        next_ms = next_start_ms(ctx, zone_state, now.wall_ms) or now.wall_ms + 86_400_000
        if next_ms not in expected_mm:
            expected_mm[next_ms] = balance.et0_between_mm(ctx, now.wall_ms, next_ms)
        until_next_mm = kc * expected_mm[next_ms]
    return ZoneNeed(
        zone=zone,
        schedule=zone_state.schedule,
        depletion_mm=zone_state.depletion_mm,
        readily_mm=balance.readily_mm(ctx, zone, kc),
        until_next_mm=until_next_mm,
        etc_day_mm=kc * expected.et0_mm(ctx, now.wall_ms),
        growing=kc > 0.0,
        applied_today_l=zone_state.applied_today_ml / 1000.0,
        rain=expected.rain(ctx, now.wall_ms),
    )


def supply_of(ctx: Context, now: Now, tank_id: str) -> Supply:
    """What a tank and the battery can spare now."""
    level = ctx.sensing.level(tank_id, now.mono_ms)
    available_l = 0.0
    known = level.quality != "unknown"
    if known and level.volume_l is not None and level.sd_l is not None:
        available_l = max(0.0, level.volume_l - level.sd_l - ctx.tanks[tank_id].reserve_l)
    wh_per_l = {z.id: pump_energy.wh_per_l(ctx, z) for z in ctx.site.zones if z.tank_id == tank_id}
    return Supply(available_l, pump_energy.spare_wh(ctx), max(wh_per_l.values(), default=0.0), known, wh_per_l)


def days_of_supply(ctx: Context, now: Now, tank_id: str) -> float | None:
    """Days the water above the reserve lasts without rain at the mean daily need, as far as the schedules let zones
    have it; at most a year, None while either is unknown."""
    level = ctx.sensing.level(tank_id, now.mono_ms)
    if level.volume_l is None or level.quality == "unknown":
        return None
    daily_l = sum(_expected_daily_l(ctx, now, zone) for zone in ctx.site.zones if zone.tank_id == tank_id)
    if daily_l <= 0.0:
        return None
    return min(MOST_DAYS_OF_SUPPLY, max(0.0, level.volume_l - ctx.tanks[tank_id].reserve_l) / daily_l)


def _expected_daily_l(ctx: Context, now: Now, zone: Zone) -> float:
    """Litres a day a zone's schedule is expected to take."""
    zone_state = ctx.state.zones[zone.id]
    schedule = zone_state.schedule
    if schedule.mode == "off":
        return 0.0
    if schedule.mode == "fixed":
        return min(schedule.daily_cap_l, schedule.fixed_volume_l * len(schedule.fixed_times_min))
    need_l = zone_state.mean_gross_l
    if need_l < 0.0:
        kc = balance.crop_coefficient(ctx, zone, now.wall_ms)
        need_l = gross_l(zone, kc * expected.et0_mm(ctx, now.wall_ms))
    return min(schedule.daily_cap_l, need_l)
