"""Panel, charge controller and battery. Charge in Ah, currents in A, positive into the battery.

The terminal voltage is the rested voltage of the charge, plus current through the resistance, plus a surface charge
that builds up while charging and fades over hours. Rested-voltage curves differ between makes by a quarter of a volt,
so these are one plausible battery, not a norm; an owner's own table takes their place.
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp
from random import Random

from controller.site.model import Battery, Chemistry, Panel
from simulator.plant.sun import extraterrestrial_w_m2, irradiance_on_plane_w_m2, panel_normal, sun_direction

MS_PER_H = 3_600_000.0
_SURFACE_FADE_MS = 3.0 * MS_PER_H
_SURFACE_FULL_V = 0.35
_INRUSH_MS, _INRUSH_FACTOR = 150, 4.0
_EMPTY_V = 9.0

# (rested volts, part of full charge): one plausible battery of each kind, common practice, no single source.
_RESTED: dict[Chemistry, tuple[tuple[float, float], ...]] = {
    "flooded": ((10.8, 0.0), (11.75, 0.1), (11.92, 0.25), (12.08, 0.45), (12.24, 0.65), (12.45, 0.85), (12.66, 1.0)),
    "agm": ((11.0, 0.0), (11.8, 0.1), (12.0, 0.25), (12.2, 0.45), (12.4, 0.65), (12.65, 0.85), (12.88, 1.0)),
    "lifepo4": ((10.0, 0.0), (12.5, 0.08), (12.9, 0.2), (13.1, 0.4), (13.2, 0.65), (13.3, 0.9), (13.42, 1.0)),
}
_ABSORB_V: dict[Chemistry, float] = {"flooded": 14.5, "agm": 14.4, "lifepo4": 14.2}
_CHARGE_EFFICIENCY: dict[Chemistry, float] = {"flooded": 0.90, "agm": 0.94, "lifepo4": 0.99}


class Bank:
    """The battery. Currents stand until `set_currents` is called again; `pass_time` integrates them."""

    def __init__(self, battery: Battery, rng: Random) -> None:
        self.capacity_ah = battery.capacity_ah * (0.97 - abs(rng.gauss(0.0, 0.03)))
        self.charge_ah = 0.9 * self.capacity_ah
        self.efficiency = _CHARGE_EFFICIENCY[battery.chemistry]
        per_ah = 1.2 if battery.chemistry == "lifepo4" else 2.2
        self.resistance_ohm = per_ah / battery.capacity_ah * (1.0 + rng.gauss(0.0, 0.1))
        self.absorb_v = min(_ABSORB_V[battery.chemistry], battery.maximum_v - 0.1)
        table = _RESTED[battery.chemistry]
        if battery.rest_table is not None:
            table = tuple((volts, percent / 100.0) for volts, percent in battery.rest_table)
        self._volts = [volts for volts, _ in table]
        self._charges = [charge for _, charge in table]
        self._low = self._high = 2.0
        self._low_v = self._span = self._span_v = 0.0
        self.panel_a = 0.0
        self.load_a = 0.0
        self.net_a = 0.0
        self._surface_goal_v = 0.0
        self._fade_ms = _SURFACE_FADE_MS
        self.surface_v = 0.0
        self.charged_ah = 0.0
        self.discharged_ah = 0.0

    @property
    def soc(self) -> float:
        """Part of the true capacity that is left."""
        return self.charge_ah / self.capacity_ah

    def set_currents(self, panel_a: float, load_a: float) -> None:
        """What the panel offers and the loads take from now on; a nearly full battery takes in little of the rest."""
        self.panel_a, self.load_a = panel_a, load_a
        limit_a = self.capacity_ah * min(0.3, 0.004 + 0.8 * (1.0 - self.soc))
        self.net_a = net_a = min(panel_a - load_a, limit_a)
        if net_a > 0.0:
            self._surface_goal_v = _SURFACE_FULL_V * min(1.0, 10.0 * net_a / self.capacity_ah)
            self._fade_ms = _SURFACE_FADE_MS
        else:
            # A load eats the surface charge; rest only lets it fade.
            self._surface_goal_v = 0.0
            self._fade_ms = _SURFACE_FADE_MS / (1.0 + 200.0 * -net_a / self.capacity_ah)

    def pass_time(self, elapsed_ms: float) -> None:
        """Let the standing currents run."""
        net = self.net_a
        hours = elapsed_ms / MS_PER_H
        if net > 0.0:
            gained = min(net * hours * self.efficiency, self.capacity_ah - self.charge_ah)
            self.charge_ah += gained
            self.charged_ah += gained
            goal_v = self._surface_goal_v
            self.surface_v = goal_v + (self.surface_v - goal_v) * exp(-elapsed_ms / self._fade_ms)
        else:
            taken = -net * hours
            if taken > self.charge_ah:
                taken = self.charge_ah
            self.charge_ah -= taken
            self.discharged_ah += taken
            if self.surface_v:
                self.surface_v *= exp(-elapsed_ms / self._fade_ms)

    def rested_v(self, soc: float) -> float:
        """Open-circuit voltage long after any current."""
        charges, volts = self._charges, self._volts
        above = bisect_right(charges, soc)
        if above == 0:
            return volts[0]
        if above == len(charges):
            return volts[-1]
        self._low, self._high = low, high = charges[above - 1], charges[above]
        self._low_v, self._span, self._span_v = low_v, span, span_v = (
            volts[above - 1],
            high - low,
            volts[above] - volts[above - 1],
        )
        return low_v + span_v * ((soc - low) / span)

    def terminal_v(self, extra_load_a: float = 0.0) -> float:
        """Voltage at the terminals now; an empty battery collapses under load."""
        net = self.net_a - extra_load_a
        soc = self.charge_ah / self.capacity_ah
        if self._low <= soc < self._high:
            # `rested_v` on the straight line it was on before.
            rested_v = self._low_v + self._span_v * ((soc - self._low) / self._span)
        else:
            rested_v = self.rested_v(soc)
        volts = rested_v + net * self.resistance_ohm + self.surface_v
        if self.charge_ah <= 0.0 and net < 0.0:
            volts = min(volts, _EMPTY_V)
        return volts if volts < self.absorb_v else self.absorb_v


class SolarPanel:
    """A panel on a charge controller: current for the battery from an hour's radiation."""

    def __init__(self, panel: Panel, latitude_deg: float, longitude_deg: float, rng: Random) -> None:
        self.peak_w = panel.peak_w * (1.0 - abs(rng.gauss(0.0, 0.03)))
        self.chain_efficiency = 0.88
        self._normal = panel_normal(panel.tilt_deg, panel.azimuth_deg)
        self._latitude_deg, self._longitude_deg = latitude_deg, longitude_deg

    def current_a(self, wall_ms: int, global_w_m2: float, air_c: float, battery_v: float) -> float:
        """Charging current offered: plane-of-array irradiance, cells 25 K above the air in full sun, -0.4 %/K."""
        if global_w_m2 <= 0.0:
            return 0.0
        sun = sun_direction(wall_ms, self._latitude_deg, self._longitude_deg)
        facing = irradiance_on_plane_w_m2(global_w_m2, sun, self._normal, extraterrestrial_w_m2(wall_ms))
        cell_c = air_c + 0.025 * facing
        power = self.peak_w * facing / 1000.0 * (1.0 - 0.004 * (cell_c - 25.0)) * self.chain_efficiency
        return max(0.0, power) / max(battery_v, 10.0)


def inrush_a(running_a: float, since_start_ms: float) -> float:
    """Extra current of a motor that has just been switched on."""
    return running_a * (_INRUSH_FACTOR - 1.0) if since_start_ms < _INRUSH_MS else 0.0
