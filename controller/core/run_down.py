"""Does a pump stand still after it was told to stop? What flows and what the battery gives tell it.

A contact that is welded reads as off. With a flow meter the valve waits for the flow to end, so that no pump is shut in
while it turns; with a current shunt the battery tells it behind shut valves too.
"""

from __future__ import annotations

from controller.contract import Now
from controller.core.context import Context
from controller.core.state import NEVER_MS, Delivery
from controller.site.model import Zone
from firmware_host.board.faults import NOTICES

RUNS_ON_MS = 5_000
"""A pump that reads as off and whose current or flow goes on for so long runs on: its contact is welded."""
LOOK_MS = 900
"""When the flow is looked at after a stop: with the next report, when the board would have shut the valve anyway."""
LONGEST_HOLD_MS = 10_000
RUNS_ON_PART = 0.7
"""What still flows is the pump's when it is this part of what flowed before: what runs down by its own weight is less
(own choice)."""
LEAST_RATE_MS = 2_000
"""A flow seen for less time than this is no rate."""
HOLDING_ENDS = frozenset({"done", "stopped", "blocked", "slow"})
"""Ends after which the valve waits for the flow to end. Where there was no flow, or too much, it shuts at once."""


def note_current(delivery: Delivery, current_a: float | None, pump_on: int) -> None:
    """Remember a report's battery current, for what it was before the pump, with it, and now."""
    delivery.current_a = current_a
    if pump_on:
        delivery.pumping_a = current_a
    elif delivery.pumping_a is None:
        delivery.rest_a = current_a


def draws_on(delivery: Delivery, much_a: float) -> bool:
    """Does the current say that the pump still runs: far below that before it, and hardly above that with it?

    Asking for both keeps a cloud, or a lamp that was switched on, from looking like a pump.
    """
    now_a, before_a, pumping_a = delivery.current_a, delivery.rest_a, delivery.pumping_a
    if now_a is None or before_a is None or pumping_a is None:
        return False
    return before_a - now_a > much_a and now_a - pumping_a < much_a


def hold_valve(ctx: Context, now: Now, delivery: Delivery, reason: str) -> None:
    """A run is being stopped: keep its valve open until the flow has ended, where a meter can tell."""
    meter = ctx.pump_of_zone[delivery.zone_id].flow_meter
    if meter is None or reason not in HOLDING_ENDS or delivery.pump_seen_mono_ms == NEVER_MS:
        return
    delivery.holds_valve = True
    delivery.pumping_l_min = ctx.zones[delivery.zone_id].rated_flow_l_min
    if delivery.recent:
        began_ms, pulses = delivery.recent[0]
        if now.mono_ms - began_ms >= LEAST_RATE_MS:
            delivery.pumping_l_min = _l_min(delivery.pulses - pulses, meter.pulses_per_l, now.mono_ms - began_ms)


def judge_hold(ctx: Context, now: Now, delivery: Delivery, zone: Zone) -> float | None:
    """Look at the flow after a stop; ends the hold when it is over. The flow of a pump that runs on, else None."""
    state, pump = ctx.state, ctx.pump_of_zone[zone.id]
    lost = not state.link_up or any(fault not in NOTICES for fault in state.board_faults)
    if lost or pump.flow_meter is None or now.mono_ms - delivery.phase_mono_ms > LONGEST_HOLD_MS:
        delivery.holds_valve = False
        return None
    if state.pump_on & (1 << pump.output):
        return None
    if delivery.off_mono_ms == NEVER_MS:
        delivery.off_mono_ms, delivery.off_pulses = delivery.reported_mono_ms, delivery.pulses
        return None
    off_ms = delivery.reported_mono_ms - delivery.off_mono_ms
    if off_ms < LOOK_MS:
        return None
    flow_l_min = _l_min(delivery.pulses - delivery.off_pulses, pump.flow_meter.pulses_per_l, off_ms)
    if flow_l_min < RUNS_ON_PART * delivery.pumping_l_min or delivery.pulses == delivery.off_pulses:
        delivery.holds_valve = False
        return None
    if off_ms < RUNS_ON_MS:
        return None
    if delivery.rest_a is not None and delivery.pumping_a is not None and not draws_on(delivery, 0.5 * pump.current_a):
        # The pump takes no current: either water flows by its own weight, or the meter counts what is not there.
        delivery.holds_valve = False
        return None
    return flow_l_min


def _l_min(pulses: int, pulses_per_l: float, elapsed_ms: int) -> float:
    return pulses / pulses_per_l * 60_000.0 / elapsed_ms
