"""Panel, charge controller and battery. Charge in Ah, currents in A, positive into the battery.

The terminal voltage is the rested voltage of the charge, plus current through the resistance, plus two overvoltages
that follow the current with time constants of minutes and of hours. The slow one is also the surface charge that
charging leaves behind. Everything that depends on charge or temperature stands from one `set_currents` to the next, so
that the size of the steps between them changes nothing and a look at the voltage costs a line through two points.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import exp, inf, log
from random import Random

from controller.site.model import Battery, Chemistry, Panel
from simulator.plant.open_circuit import draw_curve
from simulator.plant.sun import extraterrestrial_w_m2, irradiance_on_plane_w_m2, panel_normal, sun_direction

MS_PER_H = 3_600_000.0
_MS_PER_MONTH = 30.0 * 24.0 * MS_PER_H
_INRUSH_MS, _INRUSH_FACTOR = 150, 4.0
_EMPTY_V = 9.0
_RATED_C = 25.0
_BOX_LAG_H = 8.0
"""A battery follows the air around it in hours; own choice for 15 to 30 kg in a wooden box."""
_MOST_PART = 0.3
"""Charging current that a battery takes at most, in parts of its capacity; common practice."""
_NEWTON_STEPS = 3
_FAST_MS, _SLOW_MS = (4.0 * 60_000.0, 12.0 * 60_000.0), (2.0 * MS_PER_H, 4.0 * MS_PER_H)
_LOW_CHARGE_RISE, _LOW_CHARGE_PART = 1.5, 0.12
"""Resistance of an empty battery, and over what part of the charge it falls back; common practice, no source."""
_MOST_FADE = 0.95


@dataclass(frozen=True, slots=True)
class Kind:
    """What a chemistry is like; spreads are drawn uniformly. From memory and common practice unless noted."""

    absorb_v: float
    ohm_ah: tuple[float, float, float]
    """Resistance times rated capacity: at once (with leads and fuse), after minutes, after hours."""
    cold_ohm_per_k: float
    surface_v: float
    """Surface charge that lasting charging at a tenth of the capacity an hour leaves."""
    top_v: float
    """Overvoltage of charging a full battery, beyond the resistance, for each e-fold of current above `tail_part`; by
    it a full one takes about `tail_part` at `absorb_v`, as batteries are taken to be full when the current has tailed
    off to a hundredth or so of the capacity."""
    tail_part: float
    top_from: float
    """Part of the charge from which on it begins."""
    efficiency: tuple[float, float]
    """Ah kept per Ah taken in, below `top_from`."""
    full_loss: float
    """Part of the efficiency gone when full. Near the top only about half of the charge is kept by flooded lead (from
    memory, Stevens and Corey 1996 on lead-acid efficiency near top of charge)."""
    cold_part_per_k: tuple[float, float]
    """Part of the capacity that cannot be had, per kelvin below 25; lead about 1 % at the 20-hour rate (from memory),
    less at the small currents here."""
    monthly_loss: tuple[float, float]
    """Self-discharge at 25 degrees; it halves every 10 kelvins down."""
    volts_per_k: float
    """Of the rested voltage: lead 0.2 mV a cell (from memory)."""
    charges_below_freezing: bool


_KINDS: dict[Chemistry, Kind] = {
    "flooded": Kind(
        absorb_v=14.5,
        ohm_ah=(1.4, 0.4, 0.9),
        cold_ohm_per_k=0.015,
        surface_v=0.35,
        top_v=2.6,
        tail_part=0.008,
        top_from=0.7,
        efficiency=(0.91, 0.95),
        full_loss=0.5,
        cold_part_per_k=(0.004, 0.009),
        monthly_loss=(0.04, 0.08),
        volts_per_k=0.0012,
        charges_below_freezing=True,
    ),
    "agm": Kind(
        absorb_v=14.4,
        ohm_ah=(1.2, 0.4, 0.8),
        cold_ohm_per_k=0.012,
        surface_v=0.30,
        top_v=2.2,
        tail_part=0.006,
        top_from=0.75,
        efficiency=(0.94, 0.98),
        full_loss=0.35,
        cold_part_per_k=(0.004, 0.008),
        monthly_loss=(0.01, 0.03),
        volts_per_k=0.0012,
        charges_below_freezing=True,
    ),
    "lifepo4": Kind(
        absorb_v=14.2,
        ohm_ah=(0.7, 0.25, 0.3),
        cold_ohm_per_k=0.025,
        surface_v=0.12,
        top_v=1.2,
        tail_part=0.02,
        top_from=0.93,
        efficiency=(0.985, 0.998),
        full_loss=0.02,
        cold_part_per_k=(0.002, 0.006),
        monthly_loss=(0.01, 0.03),
        volts_per_k=0.0,
        charges_below_freezing=False,
    ),
}


class Bank:
    """The battery. Currents stand until `set_currents` is called again; `pass_time` integrates them."""

    def __init__(self, battery: Battery, rng: Random, air_c: float = _RATED_C) -> None:
        """`air_c` is how warm the air, and so the battery, is at the start."""
        self.kind = kind = _KINDS[battery.chemistry]
        self.new_capacity_ah = battery.capacity_ah * (0.97 - abs(rng.gauss(0.0, 0.03)))
        self.capacity_ah = self.new_capacity_ah
        """Of the battery as it is now, warm: what a fade leaves. Cold locks a part of it up."""
        self.charge_ah = 0.9 * self.capacity_ah
        spread = 1.0 + rng.gauss(0.0, 0.1)
        self._ohms = tuple(ohm_ah / battery.capacity_ah * spread for ohm_ah in kind.ohm_ah)
        self._fast_ms, self._rest_slow_ms = rng.uniform(*_FAST_MS), rng.uniform(*_SLOW_MS)
        self._efficiency = rng.uniform(*kind.efficiency)
        self._cold_part_per_k = rng.uniform(*kind.cold_part_per_k)
        self._monthly_loss = rng.uniform(*kind.monthly_loss)
        self.absorb_v = min(kind.absorb_v, battery.maximum_v - 0.1)
        curve = draw_curve(battery, rng)
        self._charges, self._volts = [charge for charge, _ in curve], [volts for _, volts in curve]
        self._low = self._high = 2.0
        self._low_v = self._span_v = 0.0
        self._span = 1.0
        self.charger_dead = False
        self.charger_stop_v = self.absorb_v
        self.panel_a = self.load_a = self.net_a = 0.0
        self.fast_v = self.slow_v = 0.0
        self._fast_goal_v = self._slow_goal_v = 0.0
        self._slow_ms = self._rest_slow_ms
        self._kept_ms = -1.0
        self._fast_kept = self._slow_kept = 1.0
        self._rate_ah_ms = self._lost_ah_ms = 0.0
        self._hold_v = inf
        self.charged_ah = self.discharged_ah = self.self_discharged_ah = 0.0
        self.battery_c = air_c
        self._warm()
        self.resistance_ohm = self._resistance_ohm()

    # --- what is so ---------------------------------------------------------------------------------------------------

    @property
    def soc(self) -> float:
        """Part of the true capacity that is left."""
        return self.charge_ah / self.capacity_ah

    @property
    def is_empty(self) -> bool:
        """Whether nothing more can be drawn, at this temperature."""
        return self.charge_ah <= self.locked_ah

    @property
    def usable_capacity_ah(self) -> float:
        """What a full battery would give at this temperature."""
        return self.capacity_ah - self.locked_ah

    def rested_v(self, soc: float) -> float:
        """Open-circuit voltage long after any current, at the battery's temperature."""
        charges, volts = self._charges, self._volts
        above = bisect_right(charges, soc)
        if above == 0:
            return volts[0] + self._warm_v
        if above == len(charges):
            return volts[-1] + self._warm_v
        self._low, self._high = low, high = charges[above - 1], charges[above]
        self._low_v, self._span, self._span_v = low_v, span, span_v = (
            volts[above - 1],
            high - low,
            volts[above] - volts[above - 1],
        )
        return low_v + span_v * ((soc - low) / span) + self._warm_v

    def terminal_v(self, extra_load_a: float = 0.0) -> float:
        """Voltage at the terminals now; an empty battery collapses under load."""
        net = self.net_a - extra_load_a
        soc = self.charge_ah / self.capacity_ah
        if self._low <= soc < self._high:
            # `rested_v` on the straight line it was on before.
            rested_v = self._low_v + self._span_v * ((soc - self._low) / self._span) + self._warm_v
        else:
            rested_v = self.rested_v(soc)
        volts = rested_v + net * self.resistance_ohm + self.fast_v + self.slow_v
        if self.charge_ah <= self.locked_ah and net < 0.0 and volts > _EMPTY_V:
            return _EMPTY_V
        return volts if volts < self._hold_v else self._hold_v

    # --- what changes -------------------------------------------------------------------------------------------------

    def set_fade(self, fade: float) -> None:
        """Let a part of the new battery's capacity be gone, 0 to 1, with its charge; the rest keeps its voltage."""
        capacity_ah = self.new_capacity_ah * (1.0 - min(fade, _MOST_FADE))
        if capacity_ah != self.capacity_ah:
            self.charge_ah *= capacity_ah / self.capacity_ah
            self.capacity_ah = capacity_ah
            self._warm()

    def pass_hour(self, air_c: float) -> None:
        """Follow the air of the hour that is over."""
        self.battery_c += (air_c - self.battery_c) * (1.0 - exp(-1.0 / _BOX_LAG_H))
        self._warm()

    def _warm(self) -> None:
        """What depends on how warm it is."""
        kind, below_k = self.kind, _RATED_C - self.battery_c
        self._warm_v = -kind.volts_per_k * below_k
        self.locked_ah = self.capacity_ah * min(0.5, self._cold_part_per_k * max(0.0, below_k))
        self._cold_ohm_factor = max(0.7, 1.0 + kind.cold_ohm_per_k * below_k) * self.new_capacity_ah / self.capacity_ah
        self._self_discharge_per_ms = self._monthly_loss * 0.5 ** (below_k / 10.0) / _MS_PER_MONTH

    def _resistance_ohm(self) -> float:
        usable = max(0.0, (self.charge_ah - self.locked_ah) / self.capacity_ah)
        low_factor = 1.0 + _LOW_CHARGE_RISE * exp(-usable / _LOW_CHARGE_PART)
        self._ohm_factor = self._cold_ohm_factor * low_factor
        return self._ohms[0] * self._ohm_factor

    def set_currents(self, panel_a: float, load_a: float) -> None:
        """What the panel offers and the loads take from now on; a nearly full battery takes in little of the rest."""
        self.panel_a, self.load_a = panel_a, load_a
        self.resistance_ohm = self._resistance_ohm()
        self._lost_ah_ms = self.charge_ah * self._self_discharge_per_ms
        spare_a = -load_a if self.charger_dead else panel_a - load_a
        if spare_a > 0.0:
            self._charge_at(spare_a)
        else:
            self._discharge_at(-spare_a)

    def _charge_at(self, spare_a: float) -> None:
        kind, soc, capacity = self.kind, self.soc, self.capacity_ah
        top = max(0.0, (soc - kind.top_from) / (1.0 - kind.top_from))
        top_v, tail_a = kind.top_v * top**3, kind.tail_part * capacity
        fast_ohm = self._ohms[1] * self._ohm_factor
        room_v = self.charger_stop_v - self.rested_v(soc) - self.slow_v
        if room_v <= 0.0 or (self.battery_c < 0.0 and not kind.charges_below_freezing):
            net = 0.0
        else:
            net = _held_a(min(spare_a, _MOST_PART * capacity), room_v, self.resistance_ohm + fast_ohm, top_v, tail_a)
        self.net_a = net
        self._rate_ah_ms = net * self._efficiency * (1.0 - kind.full_loss * top * top) / MS_PER_H
        self._fast_goal_v = net * fast_ohm + top_v * log(1.0 + net / tail_a)
        self._slow_goal_v = kind.surface_v * min(1.0, 10.0 * net / capacity)
        self._hold_v = self.charger_stop_v
        self._fade_in(self._rest_slow_ms)

    def _discharge_at(self, load_a: float) -> None:
        self.net_a = -load_a
        self._rate_ah_ms = -load_a / MS_PER_H
        self._fast_goal_v = -load_a * self._ohms[1] * self._ohm_factor
        self._slow_goal_v = -load_a * self._ohms[2] * self._ohm_factor
        self._hold_v = inf
        # A load eats the surface charge; rest only lets it fade.
        eaten = 200.0 * load_a / self.capacity_ah if self.slow_v > 0.0 else 0.0
        self._fade_in(self._rest_slow_ms / (1.0 + eaten))

    def _fade_in(self, slow_ms: float) -> None:
        if slow_ms != self._slow_ms:
            self._slow_ms = slow_ms
            self._kept_ms = -1.0

    def pass_time(self, elapsed_ms: float) -> None:
        """Let the standing currents run."""
        charge, lost = self.charge_ah, self._lost_ah_ms * elapsed_ms
        passed = self._rate_ah_ms * elapsed_ms
        if passed > 0.0:
            room = self.capacity_ah - charge + lost
            if passed > room:
                passed = room
            self.charged_ah += passed
        else:
            if charge - lost + passed < self.locked_ah:
                passed = -max(0.0, charge - lost - self.locked_ah)
            self.discharged_ah -= passed
        self.self_discharged_ah += lost
        self.charge_ah = charge - lost + passed
        if elapsed_ms != self._kept_ms:
            # Reports come at even distances, so mostly this stands.
            self._kept_ms = elapsed_ms
            self._fast_kept, self._slow_kept = exp(-elapsed_ms / self._fast_ms), exp(-elapsed_ms / self._slow_ms)
        goal_v = self._fast_goal_v
        self.fast_v = goal_v + (self.fast_v - goal_v) * self._fast_kept
        goal_v = self._slow_goal_v
        self.slow_v = goal_v + (self.slow_v - goal_v) * self._slow_kept


def _held_a(offered_a: float, room_v: float, ohm: float, top_v: float, tail_a: float) -> float:
    """The most of a charging current that stays within `room_v` (above 0) of overvoltage."""
    if offered_a * ohm + top_v * log(1.0 + offered_a / tail_a) <= room_v:
        return offered_a
    # What the resistance or the top alone would hold, and together; Newton's steps from there do not leave the root.
    amps = room_v / ohm
    if top_v > 0.01 * room_v:
        top_a = tail_a * (exp(room_v / top_v) - 1.0)
        amps = amps * top_a / (amps + top_a)
    for _ in range(_NEWTON_STEPS):
        over_v = amps * ohm + top_v * log(1.0 + amps / tail_a) - room_v
        amps = max(0.0, amps - over_v / (ohm + top_v / (tail_a + amps)))
    return min(offered_a, amps)


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
