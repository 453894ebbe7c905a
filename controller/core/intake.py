"""What arrives from the board and the shell, put into the core's memory."""

from __future__ import annotations

from controller.contract import LinesDamaged, LinkChanged, Now, Restarted
from controller.core import delivery, run_down
from controller.core.context import Context
from controller.core.standing import update_standing
from controller.core.state import NEVER_MS, shift_mono
from controller.guard.interlocks import board_blocker
from firmware_host.messages import Report

REST_FLOW_ML = 1_000
"""Flow with everything off: a litre, over a minute or more, is a fault (a few pulses are a meter shaken)."""
REST_FLOW_MS = 60_000
REST_FLOW_FORGET_MS = 3_600_000


def take_report(ctx: Context, now: Now, report: Report) -> None:
    """Feed the estimators, follow the outputs, and book what flowed."""
    state, mono_ms = ctx.state, now.mono_ms
    boot_id, pump_on, float_wet, faults = report.boot_id, report.pump_on, report.float_wet, report.faults
    if boot_id != state.boot_id:
        if state.boot_id and state.delivery is not None:
            # The board restarted in mid-run: book what came, think again later.
            _end_what_was_cut(ctx, now)
        state.boot_id = boot_id
    sensing = ctx.sensing
    sensing.line_noise.heard()
    pulses = sensing.take(report, mono_ms)
    if sensing.board_clock.note(boot_id, report.uptime_ms, mono_ms):
        update_standing(ctx, now)
    if mono_ms >= sensing.extremes_due_mono_ms:
        sensing.note_extremes(mono_ms, ctx.clock.minute(now.wall_ms))
    if mono_ms >= sensing.battery.sun_due_mono_ms:
        sensing.battery.note_sun(mono_ms, None if now.trust == "unknown" else now.wall_ms)
    on_meanwhile = pump_on | state.pump_on
    state.pump_on, state.valve_open = pump_on, report.valve_open
    if float_wet is not ctx.float_wet_seen:
        # The same words of a report are read into the same mapping: what it says is known.
        ctx.float_wet_seen = float_wet
        _follow_switches(ctx, float_wet)
    if (faults or state.board_faults) and faults != tuple(state.board_faults):
        _follow_board_faults(ctx, report)
    present = state.delivery
    if present is not None:
        run_down.note_current(present, report.current_a, pump_on)
    if present is not None and present.phase != "waking":
        pump = ctx.pump_of_zone[present.zone_id]
        if pump.flow_meter is None:
            if on_meanwhile & (1 << pump.output) or present.phase == "relieving":
                delivery.count_time(ctx, now, present)
        elif present.phase != "stopping" or state.shut_mono_ms == NEVER_MS:
            # What is counted after all has read shut is no watering's: it is looked at as flow at rest.
            counted = pulses.pop(pump.id, 0)
            delivery.count_flow(ctx, now, present, counted, pump.flow_meter.pulses_per_l)
        present.reported_mono_ms = mono_ms
    if pulses:
        _flow_at_rest(ctx, now, pulses)


def _follow_switches(ctx: Context, float_wet: dict[int, bool]) -> None:
    for channel, tank_id in ctx.float_switches:
        if channel in float_wet:
            ctx.state.float_dry[tank_id] = not float_wet[channel]
        elif float_wet:
            ctx.state.float_dry[tank_id] = False


def _follow_board_faults(ctx: Context, report: Report) -> None:
    before, after = set(ctx.state.board_faults), set(report.faults)
    ctx.state.board_faults = list(report.faults)
    for fault in sorted(after ^ before):
        known = board_blocker(fault)
        data = {"raised": fault in after, "zone": "", "text": known.text, "cure": known.cure}
        ctx.record("fault", fault, data)


def _flow_at_rest(ctx: Context, now: Now, pulses: dict[str, int]) -> None:
    state = ctx.state
    if now.mono_ms - state.rest_flow_mono_ms > REST_FLOW_FORGET_MS:
        state.rest_flow_ml = 0
    if state.rest_flow_ml == 0:
        state.rest_flow_mono_ms = now.mono_ms
    for pump in ctx.site.pumps:
        if pump.id in pulses and pump.flow_meter is not None:
            state.rest_flow_ml += round(pulses[pump.id] * 1000.0 / pump.flow_meter.pulses_per_l)
    if state.rest_flow_ml >= REST_FLOW_ML and now.mono_ms - state.rest_flow_mono_ms >= REST_FLOW_MS:
        ctx.latch(now, "flow-at-rest", "", {"volume_l": state.rest_flow_ml / 1000.0})


def take_damage(ctx: Context, now: Now, damage: LinesDamaged) -> None:
    """Lines from the board were dropped: a noisy cable is told of at once, and stops nothing."""
    if ctx.sensing.line_noise.damaged(damage.count, now.mono_ms):
        update_standing(ctx, now)


def take_link(ctx: Context, now: Now, change: LinkChanged) -> None:
    """The serial link came up or was lost. A run in progress is ended by the interlocks in the same step."""
    state = ctx.state
    if change.up != state.link_up:
        ctx.record("link", "", {"up": change.up, "reason": change.reason})
    state.link_up, state.link_reason = change.up, change.reason
    if change.up and state.delivery is not None and state.delivery.phase != "waking":
        # A board that restarted is lost and found in one step.
        _end_what_was_cut(ctx, now)
    if change.up and state.delivery is not None and state.delivery.phase == "stopping":
        # What the outputs read before the loss says nothing now: give the board time to report.
        state.delivery.phase_mono_ms = now.mono_ms
        state.shut_mono_ms = NEVER_MS
    if change.up:
        # Not at once where a board boots again and again.
        delivery.choose_when_rested(ctx, now)


def _end_what_was_cut(ctx: Context, now: Now) -> None:
    """The board has shut by itself, and nothing of what ran is opened again, not even a valve to let the flow end."""
    delivery.stop(ctx, now, "blocked")
    if ctx.state.delivery is not None:
        ctx.state.delivery.holds_valve = False


def take_restart(ctx: Context, now: Now, restart: Restarted) -> None:
    """The shell was away: move all monotonic times, end the run that was under way, measure afresh.

    The board shut itself when its lease lapsed. What it pumped until then is still in its counter: the next report
    books it, so that nothing of the day's water is repeated or forgotten.
    """
    state = ctx.state
    if state.mono_ms != NEVER_MS:
        shift_ms = now.mono_ms - state.mono_ms - restart.away_ms
        shift_mono(state, shift_ms)
        ctx.sensing.restarted(shift_ms)
    if restart.away_ms == 0:
        # Without a clock chip nobody counted the hours without power: then the date alone says that a day is over.
        state.weather.began_mono_ms = NEVER_MS
    state.link_up, state.link_reason = False, "the controller has just started"
    _end_what_was_cut(ctx, now)
    if state.delivery is not None:
        state.delivery.phase_mono_ms = now.mono_ms
    state.rest_until_mono_ms = state.choice_due_mono_ms = now.mono_ms + delivery.REST_BETWEEN_RUNS_MS
