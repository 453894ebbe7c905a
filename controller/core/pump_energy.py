"""What the pumping costs the battery: energy a litre for each zone, learned where it can be, and what may be spent.

Declared are the pump's current at full load and the emitters' rated flow. The flow meter teaches what a zone really
gets, a current shunt what the pump really draws; until then the declaration holds.
"""

from __future__ import annotations

import math

from controller.core.context import Context
from controller.core.state import Delivery
from controller.site.model import Zone

NOMINAL_BATTERY_V = 12.5
LEARNING = 0.3
"""How much a run's current counts in what is known of the pump's (own choice: clouds come and go during a run)."""
LEAST_DRAW, MOST_DRAW = 0.2, 1.5
"""Parts of the declared current between which a measured one is believed."""


def note_draw(ctx: Context, delivery: Delivery) -> None:
    """Learn the pump's current from a run that is over; without a shunt there is nothing to learn."""
    if delivery.rest_a is None or delivery.pumping_a is None:
        return
    pump = ctx.pump_of_zone[delivery.zone_id]
    draw_a = delivery.rest_a - delivery.pumping_a
    if LEAST_DRAW * pump.current_a <= draw_a <= MOST_DRAW * pump.current_a:
        known_a = ctx.state.pump_draw_a.get(pump.id, draw_a)
        ctx.state.pump_draw_a[pump.id] = known_a + LEARNING * (draw_a - known_a)


def usual_l_min(ctx: Context, zone: Zone) -> float:
    """What flows to a zone in its runs; until that is known, what its emitters are rated for."""
    flow = ctx.sensing.flows.get(ctx.pump_of_zone[zone.id].id)
    return zone.rated_flow_l_min if flow is None else flow.usual_l_min(zone.id)


def wh_per_l(ctx: Context, zone: Zone) -> float:
    """Energy that a litre takes to a zone, Wh."""
    pump = ctx.pump_of_zone[zone.id]
    draw_a = ctx.state.pump_draw_a.get(pump.id, pump.current_a)
    return draw_a * NOMINAL_BATTERY_V / (60.0 * usual_l_min(ctx, zone))


def spare_wh(ctx: Context) -> float:
    """What the battery has above its limit; infinite when its charge is not known but the voltage is fine."""
    battery, charge = ctx.site.battery, ctx.sensing.battery.charge_percent
    if charge is None:
        return math.inf
    return max(0.0, charge - battery.minimum_charge_percent) / 100.0 * battery.capacity_ah * NOMINAL_BATTERY_V
