"""Energy: what the battery showed, and what the pumping is reckoned to have taken.

Voltage and charge are measured or estimated by the controller. The pump's energy is reckoned: its running time, its
current as a shunt taught it (else the declared one), and the battery's voltage of the day.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from controller.account.days import DayReadings
from controller.account.zones import Watering
from controller.estimate.battery import ELECTRONICS_W, NOMINAL_V
from controller.site.model import Site


@dataclass(frozen=True, slots=True)
class EnergyAccount:
    """None where nothing was measured. `electronics_wh` is an assumption: so many watts for all hours with readings."""

    pump_hours: float
    pump_wh: float
    wh_per_l: float | None
    electronics_wh: float
    lowest_charge_percent: float | None
    lowest_charge_day: str | None
    lowest_v: float | None
    lowest_v_day: str | None
    mean_charge_percent: float | None
    low_days: int
    """Days on which the charge went under the declared minimum."""


def energy_account(
    site: Site, runs: Iterable[Watering], readings: Mapping[date, DayReadings], learned_a: Mapping[str, float]
) -> EnergyAccount:
    """Energy of the pumps and state of the battery over the days with readings; `learned_a` by pump id."""
    pumps = {zone.id: site.pump_for_tank(zone.tank_id) for zone in site.zones}
    current_a = {zone_id: learned_a.get(pump.id, pump.current_a) for zone_id, pump in pumps.items()}
    pump_hours = pump_wh = pumped_l = 0.0
    for run in runs:
        if run.zone_id in current_a and run.trigger != "drain":
            day = readings.get(date.fromisoformat(run.date))
            volts = (day.mean("battery_v") if day is not None else None) or NOMINAL_V
            hours = run.duration_s / 3600.0
            pump_hours += hours
            pump_wh += hours * current_a[run.zone_id] * volts
            pumped_l += run.volume_l
    charges = [
        (spread.low, spread.mean, day.date.isoformat())
        for day in readings.values()
        if (spread := day.spreads.get("battery_charge_percent")) is not None
    ]
    voltages = [(low, day.date.isoformat()) for day in readings.values() if (low := day.low("battery_v")) is not None]
    lowest, lowest_v = min(charges, default=None), min(voltages, default=None)
    return EnergyAccount(
        pump_hours,
        pump_wh,
        pump_wh / pumped_l if pumped_l > 0.0 else None,
        ELECTRONICS_W * 24.0 * len(readings),
        None if lowest is None else lowest[0],
        None if lowest is None else lowest[2],
        None if lowest_v is None else lowest_v[0],
        None if lowest_v is None else lowest_v[1],
        sum(mean for _, mean, _ in charges) / len(charges) if charges else None,
        sum(low < site.battery.minimum_charge_percent for low, _, _ in charges),
    )
