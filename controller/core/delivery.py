"""One watering from the first thought to the last drop: waking, running, stopping.

waking    the board is asked for fast reports, so that the start is decided on fresh readings
running   the outputs are wanted; every step the interlocks are asked again and the flow is judged
stopping  the pump is off, then the valve; the last pulses are counted until the board has read its outputs off
relieving in place of these: a pump that runs although it is off is given a way out, see `controller.core.relief`
draining  in place of these: a line runs empty through its open valve, the pump off, see `controller.core.drain`

All times are monotonic: a step of the wall clock never changes a run.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core import pump_energy, run_down, surface
from controller.core.caps import cap_l
from controller.core.context import Context
from controller.core.facts import facts_for
from controller.core.state import NEVER_MS, Delivery, RunsOn, Trigger
from controller.estimate.flow_excess import BURST_FACTOR, CEILING_FACTOR
from controller.estimate.flow_run import FILLING_MS
from controller.guard.interlocks import RUN_CHECKS, START_CHECKS, Blocker, cap_reached, objections
from controller.irrigate.plan import net_mm
from controller.site.model import Zone
from firmware_host.board.faults import NO_FLOW
from firmware_host.messages import SHUT, Outputs

WAKE_LIMIT_MS = 20_000
CLOCK_SET_MS = 5_000
"""A wall clock that went on by so much more or less than time did has been set (own choice)."""
RUN_LIMIT_MS = 55 * 60_000
"""Under the board's own 60 min for one valve."""
NO_FLOW_START_MS = 15_000
NO_FLOW_RUNNING_MS = 5_000
PUMP_START_LIMIT_MS = 30_000
"""Valve opening time and start-up must be over by then, or the outputs do not follow."""
RUN_ON_MS = 2_000
"""Reports come each second: so late may a stop come after the last drop that was wanted."""
BURST_MS = 8_000
STEADY_MS = FILLING_MS + BURST_MS
"""A line that fills may take more than usual for a while."""
IMPOSSIBLE_MS = 4_000
"""Pulses that come faster than the pump can pump for so long, in one run, are no water."""
STOP_SETTLE_MS = 3_000
SILENT_SETTLE_MS = 9_000
"""After a run that ended without flow the level is watched a little longer: did the tank fall all the same?"""
STOP_LIMIT_MS = 10_000
LONGEST_UNSEEN_MS = 8_000
"""A link is given up after 3 s without a line; the board shuts within 5 s more."""
REST_BETWEEN_RUNS_MS = 30_000
RETRY_BLOCKED_MS = 60_000
RETRY_FAILED_MS = 10 * 60_000
AUTO_CLEARS_PER_DAY = 3
"""A board latch that one zone caused is cleared by itself this often a day, so that healthy zones are watered."""
FLOW_FAULTS = frozenset({NO_FLOW})

_WAITING = frozenset({"level-unknown", "battery-unknown"})


def begin(ctx: Context, now: Now, zone: Zone, trigger: Trigger, key: str, volume_l: float, why: str) -> None:
    """Take up a watering; nothing is open yet. What flows on for a moment after the stop must fit under the cap too."""
    target_ml = min(round(volume_l * 1000.0), room_ml(ctx, zone))
    begun = Delivery(zone.id, trigger, key, max(0, target_ml), why, "waking", now.mono_ms, now.wall_ms)
    begun.meter_part, begun.meter_sd = ctx.sensing.meter_correction(zone.tank_id)
    ctx.state.delivery = begun
    ctx.sensing.begin_run(zone.id)


def choose_when_rested(ctx: Context, now: Now) -> None:
    """Something may start that could not: look again, but not at once while the rest after a run or a reset lasts."""
    if ctx.state.delivery is None:
        ctx.state.choice_due_mono_ms = max(now.mono_ms, ctx.state.rest_until_mono_ms)


def room_ml(ctx: Context, zone: Zone) -> int:
    """What may still be aimed for under the zone's daily cap."""
    zone_state = ctx.state.zones[zone.id]
    run_on_ml = round(zone.rated_flow_l_min * RUN_ON_MS / 60.0)
    return round(cap_l(ctx, zone) * 1000.0) - zone_state.applied_today_ml - run_on_ml


def start_blockers(ctx: Context, now: Now, zone: Zone) -> list[Blocker]:
    """All that speaks against a start now, before the board is asked for fresh readings."""
    facts = facts_for(ctx, now, zone, asleep=True)
    found = objections(facts, START_CHECKS) + ctx.latched_blockers(zone.id)
    if room_ml(ctx, zone) <= 0 and all(standing.id != "cap-reached" for standing in found):
        # What is left of the cap would run on after the stop: a valve is not stroked for nothing.
        found.append(cap_reached(facts))
    return found


def wanted_outputs(ctx: Context) -> Outputs:
    """What the board should drive for the present watering."""
    delivery = ctx.state.delivery
    if delivery is None or delivery.phase == "waking":
        return SHUT
    outputs = ctx.outputs_of_zone[delivery.zone_id]
    if delivery.phase == "running":
        return outputs
    by_valve_alone = delivery.phase in ("relieving", "draining") or delivery.holds_valve
    return Outputs(0, outputs.valves) if by_valve_alone else SHUT


def advance(ctx: Context, now: Now) -> None:
    """Carry the present watering one step on."""
    delivery = ctx.state.delivery
    assert delivery is not None
    zone = ctx.zones[delivery.zone_id]
    if delivery.phase == "waking":
        _wake(ctx, now, delivery, zone)
    elif delivery.phase == "running":
        _run(ctx, now, delivery, zone)
    else:
        _settle(ctx, now, delivery, zone)


def count_flow(ctx: Context, now: Now, delivery: Delivery, pulses: int, pulses_per_l: float) -> None:
    """Book pulses that the meter counted since the last report to the present watering."""
    if pulses <= 0:
        return
    delivery.pulses += pulses
    delivery.flow_seen_mono_ms = now.mono_ms
    _book(ctx, delivery, round(delivery.pulses * 1000.0 / pulses_per_l * (1.0 + delivery.meter_part)))


def count_time(ctx: Context, now: Now, delivery: Delivery) -> None:
    """Without a meter: book the emitters' rated flow for the time since the last report, which showed the pump on.

    Reports get lost, so it is not the time since the last step; without any, the board shuts within its lease.
    """
    since_ms = max(delivery.reported_mono_ms, delivery.started_mono_ms)
    delivery.unmetered_ms += min(now.mono_ms - since_ms, LONGEST_UNSEEN_MS)
    rate_l_min = ctx.zones[delivery.zone_id].rated_flow_l_min
    _book(ctx, delivery, round(rate_l_min * delivery.unmetered_ms / 60.0))


def _book(ctx: Context, delivery: Delivery, delivered_ml: int) -> None:
    # Booked as it flows, so that a crash in mid-run forgets nothing of the day's cap.
    ctx.state.zones[delivery.zone_id].applied_today_ml += delivered_ml - delivery.delivered_ml
    delivery.delivered_ml = delivered_ml


def stop(ctx: Context, now: Now, reason: str) -> None:
    """Stop the pump, then shut, and count the last drops. `reason`: as `ended` of a delivery record."""
    delivery = ctx.state.delivery
    if delivery is None or delivery.phase == "stopping":
        return
    if delivery.phase == "waking":
        _give_up(ctx)
        _no_longer_waits(ctx, delivery)
        return
    if delivery.phase == "running":
        run_down.hold_valve(ctx, now, delivery, reason)
    delivery.ended = reason
    ctx.state.shut_mono_ms = NEVER_MS
    delivery.phase = "stopping"
    delivery.phase_mono_ms = now.mono_ms


def _give_up(ctx: Context) -> None:
    """Nothing was opened yet."""
    ctx.state.delivery = None
    ctx.sensing.drop_run()


def _no_longer_waits(ctx: Context, delivery: Delivery) -> None:
    """A run by order waits until it begins, so that one refused on fresh readings is tried again while it may be."""
    ctx.state.manual = [run for run in ctx.state.manual if run.order_id != delivery.key]


def _wake(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    waited_ms = now.mono_ms - delivery.phase_mono_ms
    if abs(now.wall_ms - delivery.began_wall_ms - waited_ms) > CLOCK_SET_MS:
        # What was due by the clock before may not be due by this one.
        _give_up(ctx)
        ctx.state.choice_due_mono_ms = now.mono_ms
        return
    blockers = objections(facts_for(ctx, now, zone), START_CHECKS) + ctx.latched_blockers(zone.id)
    if blockers and waited_ms < WAKE_LIMIT_MS and all(found.id in _WAITING for found in blockers):
        return
    if blockers:
        _give_up(ctx)
        ctx.state.choice_due_mono_ms = now.mono_ms + RETRY_BLOCKED_MS
        refuse(ctx, zone.id, blockers)
        return
    zone_state = ctx.state.zones[zone.id]
    zone_state.refused_ids, zone_state.refusal = [], ""
    _no_longer_waits(ctx, delivery)
    delivery.phase = "running"
    delivery.phase_mono_ms = delivery.started_mono_ms = now.mono_ms
    data = {"volume_l": delivery.target_ml / 1000.0, "trigger": delivery.trigger, "why": delivery.why}
    ctx.record("start", zone.id, {**data, "run": delivery.key})


def _run(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    if delivery.delivered_ml >= delivery.target_ml:
        stop(ctx, now, "done")
        return
    if ctx.state.board_faults and FLOW_FAULTS.intersection(ctx.state.board_faults):
        _no_flow(ctx, now, delivery, zone)
        _clear_board_latch(ctx)
        return
    blockers = objections(facts_for(ctx, now, zone), RUN_CHECKS)
    if blockers:
        refuse(ctx, zone.id, blockers)
        stop(ctx, now, "blocked")
        return
    _judge_flow(ctx, now, delivery, zone)


def _judge_flow(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    elapsed_ms = now.mono_ms - delivery.phase_mono_ms
    if delivery.pump_seen_mono_ms == NEVER_MS:
        if ctx.state.pump_on & wanted_outputs(ctx).pumps:
            delivery.pump_seen_mono_ms = now.mono_ms
        elif elapsed_ms > PUMP_START_LIMIT_MS:
            _no_flow(ctx, now, delivery, zone)
            return
    pump = ctx.pump_of_zone[zone.id]
    if pump.flow_meter is not None and delivery.pump_seen_mono_ms != NEVER_MS:
        flowed = delivery.flow_seen_mono_ms != NEVER_MS
        since_ms = now.mono_ms - (delivery.flow_seen_mono_ms if flowed else delivery.pump_seen_mono_ms)
        if since_ms > (NO_FLOW_RUNNING_MS if flowed else NO_FLOW_START_MS):
            _no_flow(ctx, now, delivery, zone)
            return
        if ctx.sensing.ceilings[pump.id].beyond_ms >= IMPOSSIBLE_MS:
            numbers = {"pump": pump.id, "most_l_min": CEILING_FACTOR * pump.max_flow_l_min}
            ctx.latch(now, "meter-impossible", pump.id, numbers)
            stop(ctx, now, "fault")
            return
        flow_l_min = _present_flow_l_min(delivery, now, pump.flow_meter.pulses_per_l)
        if flow_l_min > 0.0 and _has_burst(ctx, now, delivery, zone, flow_l_min):
            stop(ctx, now, "fault")
            return
    if elapsed_ms > run_limit_ms(delivery, zone):
        delivered_l, wanted_l = delivery.delivered_ml / 1000.0, delivery.target_ml / 1000.0
        numbers = {"zone": zone.name, "delivered_l": delivered_l, "wanted_l": wanted_l}
        if elapsed_ms < RUN_LIMIT_MS:
            ctx.notice(now, "slow-delivery", zone.id, numbers)
        stop(ctx, now, "slow")


def _has_burst(ctx: Context, now: Now, delivery: Delivery, zone: Zone, flow_l_min: float) -> bool:
    """Latch a flow that is far above the zone's usual one; the rated one counts until that is known and steady."""
    watch, usual_l_min = ctx.sensing.flows[ctx.pump_of_zone[zone.id].id], zone.rated_flow_l_min
    limit_l_min = BURST_FACTOR * usual_l_min
    if now.mono_ms - delivery.pump_seen_mono_ms >= STEADY_MS:
        battery_v, level_mm = ctx.sensing.battery.voltage_v, ctx.sensing.level(zone.tank_id, now.mono_ms).level_mm
        learned = watch.burst_limit(zone.id, battery_v, level_mm)
        if learned is not None:
            limit_l_min, usual_l_min = learned
    if flow_l_min <= limit_l_min or watch.explained_by_a_valve(zone.id):
        return False
    watch.note_burst(zone.id, now.mono_ms)
    numbers = {"zone": zone.name, "flow_l_min": flow_l_min, "usual_l_min": usual_l_min}
    ctx.latch(now, "burst-flow", zone.id, numbers)
    return True


def run_limit_ms(delivery: Delivery, zone: Zone) -> int:
    """Twice the time the rated flow would need and a minute, at most 55 min: a clog never runs on without end."""
    rated_ms = delivery.target_ml / zone.rated_flow_l_min * 60.0
    return min(RUN_LIMIT_MS, round(2.0 * rated_ms) + 60_000)


def _present_flow_l_min(delivery: Delivery, now: Now, pulses_per_l: float) -> float:
    """Mean flow over the last `BURST_MS`; 0 before that much was seen, so that filling pipes are not a burst."""
    recent = delivery.recent
    recent.append((now.mono_ms, delivery.pulses))
    while len(recent) > 2 and now.mono_ms - recent[1][0] >= BURST_MS:
        recent.pop(0)
    elapsed_ms = now.mono_ms - recent[0][0]
    if elapsed_ms < BURST_MS:
        return 0.0
    return (delivery.pulses - recent[0][1]) / pulses_per_l * 60_000.0 / elapsed_ms


def _no_flow(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    _latch_no_flow(ctx, now, delivery, zone)
    stop(ctx, now, "fault")


def _latch_no_flow(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    elapsed_s = (now.mono_ms - delivery.started_mono_ms) / 1000.0
    ctx.latch(now, "no-flow", zone.id, {"zone": zone.name, "elapsed_s": elapsed_s})


def _clear_board_latch(ctx: Context) -> None:
    """The zone is latched out here; the board's own latch is lifted for the others, a few times a day."""
    if ctx.state.auto_clears_today >= AUTO_CLEARS_PER_DAY:
        return
    ctx.state.auto_clears_today += 1
    ctx.board_clears.extend(fault for fault in ctx.state.board_faults if fault in FLOW_FAULTS)


def _settle(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    state = ctx.state
    elapsed_ms = now.mono_ms - delivery.phase_mono_ms
    if delivery.holds_valve:
        flow_l_min = run_down.judge_hold(ctx, now, delivery, zone)
        if flow_l_min is not None:
            _runs_on(ctx, now, delivery, f"{flow_l_min:.1f} L/min still flow")
            finish(ctx, now, delivery, zone)
            return
    # Without a link the board shuts itself, and nothing else can run: its counter is read when it is back.
    heard = state.link_up and delivery.reported_mono_ms > delivery.phase_mono_ms
    shut = state.pump_on == 0 and state.valve_open == 0
    if shut and heard and state.shut_mono_ms == NEVER_MS:
        state.shut_mono_ms = now.mono_ms
    if not shut:
        state.shut_mono_ms = NEVER_MS
    settle_ms = SILENT_SETTLE_MS if delivery.ended == "fault" else STOP_SETTLE_MS
    settled = shut and heard and now.mono_ms - state.shut_mono_ms >= settle_ms
    if not settled and (not heard or elapsed_ms < STOP_LIMIT_MS):
        return
    if not shut:
        ctx.latch(now, "output-stuck", "", {})
    elif run_down.draws_on(delivery, 0.5 * ctx.pump_of_zone[zone.id].current_a):
        if now.mono_ms - state.shut_mono_ms < run_down.RUNS_ON_MS:
            return
        _runs_on(ctx, now, delivery, f"the battery still gives its current ({-(delivery.current_a or 0.0):.1f} A)")
    if FLOW_FAULTS.intersection(state.board_faults):
        # The board missed the flow in the same moment as this watering ended for another reason: it is this zone's.
        _latch_no_flow(ctx, now, delivery, zone)
        _clear_board_latch(ctx)
    finish(ctx, now, delivery, zone)


def _runs_on(ctx: Context, now: Now, delivery: Delivery, sign: str) -> None:
    """Tell it, bar everything, and let the water out where it does some good."""
    ctx.latch(now, "pump-runs-on", "", {"sign": sign})
    if delivery.trigger != "relief":
        pump_id = ctx.pump_of_zone[delivery.zone_id].id
        ctx.state.runs_on = RunsOn(pump_id, delivery.rest_a, delivery.pumping_a, now.mono_ms)


def finish(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    """Book the watering: depletion, doses, what is still owed, and the record."""
    state = ctx.state
    zone_state = state.zones[zone.id]
    delivered_l = delivery.delivered_ml / 1000.0
    zone_state.depletion_mm = max(0.0, zone_state.depletion_mm - net_mm(zone, delivered_l))
    if zone.surface is not None and delivered_l > 0.0:
        surface.watered(zone_state, zone.surface, net_mm(zone, delivered_l))
    if delivery.trigger not in ("relief", "drain"):
        _count_dose(ctx, now, delivery, zone)
        pump_energy.note_draw(ctx, delivery)
    state.delivery = None
    state.plan_due_mono_ms = NEVER_MS
    # What the plan wanted has been given; the next one is made in a moment.
    zone_state.plan_l = zone_state.wanted_l = 0.0
    given = f"{delivered_l:.1f} L just given"
    zone_state.plan_why = "its line was just emptied" if delivery.trigger == "drain" else given
    state.rest_until_mono_ms = state.choice_due_mono_ms = now.mono_ms + REST_BETWEEN_RUNS_MS
    tank = ctx.tanks[zone.tank_id]
    ctx.sensing.end_run(now.mono_ms, state.float_dry.get(tank.id) if tank.float_switch_channel is not None else None)
    ctx.sensing.note_delivery(zone.tank_id, zone.id, delivery.delivered_ml, delivery.meter_sd, now.mono_ms)
    ctx.record(
        "delivery",
        zone.id,
        {
            "volume_l": delivered_l,
            "wanted_l": delivery.target_ml / 1000.0,
            "duration_s": (now.mono_ms - delivery.started_mono_ms) / 1000.0,
            "began_wall_ms": delivery.began_wall_ms,
            "ended": delivery.ended,
            "metered": ctx.pump_of_zone[zone.id].flow_meter is not None,
            "meter_part": delivery.meter_part,
            "run": delivery.key,
        },
    )


def _count_dose(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> None:
    """Was it enough to be the dose that was due, or is something still owed, and when?"""
    zone_state = ctx.state.zones[zone.id]
    owed_ml = delivery.target_ml - delivery.delivered_ml
    enough = delivery.ended == "done" or owed_ml <= 0.1 * delivery.target_ml
    if enough:
        if delivery.trigger != "order":
            zone_state.doses.append(delivery.key)
        zone_state.fixed_left_ml.pop(delivery.key, None)
        zone_state.tries = 0
        soak_ms = zone_state.schedule.soak_min * 60_000 if delivery.trigger == "need" else 0
        zone_state.retry_mono_ms = now.mono_ms + soak_ms
    else:
        failed = delivery.ended in ("fault", "slow")
        zone_state.tries += failed
        zone_state.retry_mono_ms = now.mono_ms + (RETRY_FAILED_MS if failed else RETRY_BLOCKED_MS)
        if delivery.trigger == "fixed":
            zone_state.fixed_left_ml[delivery.key] = owed_ml


def refuse(ctx: Context, zone_id: str, blockers: list[Blocker]) -> None:
    """Remember why a wanted watering does not run, and record it when a reason is new since the last start or day: one
    that comes and goes every few minutes fills no journal."""
    zone_state = ctx.state.zones[zone_id]
    ids = [found.id for found in blockers]
    zone_state.refusal = "; ".join(found.text for found in blockers)
    if not set(ids) <= set(zone_state.refused_ids):
        zone_state.refused_ids = list(dict.fromkeys((*zone_state.refused_ids, *ids)))
        ctx.record("refusal", zone_id, {"blockers": ids, "text": zone_state.refusal})
