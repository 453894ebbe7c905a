"""An extended Kalman filter for a battery: charge, what its voltage remembers, its own curve, size and resistance.

Ten states: part of its true capacity that is left; a fast and a slow polarisation in volts; rested voltage when full;
weights of the chart's two shapes; logarithms of capacity and of resistance as parts of what was declared; what the
known current leaves out; overvoltage of charging a full battery. What is left out is the part of a cloudless sky's
current that the panel gives, or with a shunt the error of its zero. Currents are per hour of the declared capacity,
positive while charging.
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Any, NamedTuple

from controller.estimate.battery_charts import Chart
from controller.site.model import Chemistry

CHARGE, FAST, SLOW, FULL_V, DEPTH, BEND, CAPACITY, RESISTANCE, UNSEEN, GASSING = range(10)
_SIZE = 10


class Habits(NamedTuple):
    """How a chemistry behaves. Common practice without a source unless said otherwise.

    resistance_h      ohmic part: volts per current of the declared capacity in one hour (ohm times ampere-hours)
    fast_h, slow_h    polarisation at its end, in the same unit, while discharging
    charging_h        slow polarisation at its end while charging (surface charge)
    fast_hours, slow_hours   time constants
    efficiency, full_loss   part of the charge put in that stays, and how much of that part is lost when full
    efficiency_doubt  standard deviation of the part, and the same again when full times five
    leak_per_h        self-discharge, part of capacity
    voltage_sd_v      what the model leaves over of a night's rested voltage
    gassing_v, gassing_from   overvoltage of charging a full battery, growing by the square from this charge on
    """

    resistance_h: float
    fast_h: float
    slow_h: float
    charging_h: float
    fast_hours: float
    slow_hours: float
    efficiency: float
    full_loss: float
    efficiency_doubt: float
    leak_per_h: float
    voltage_sd_v: float
    gassing_v: float
    gassing_from: float


HABITS: dict[Chemistry, Habits] = {
    "flooded": Habits(2.2, 0.8, 1.0, 3.0, 0.3, 3.0, 0.93, 0.4, 0.03, 6e-5, 0.010, 1.2, 0.7),
    "agm": Habits(1.8, 0.6, 0.8, 3.0, 0.3, 3.0, 0.96, 0.3, 0.03, 3e-5, 0.010, 1.1, 0.7),
    "lifepo4": Habits(1.2, 0.5, 0.5, 1.0, 0.3, 2.0, 0.99, 0.02, 0.01, 3e-5, 0.006, 0.7, 0.9),
}

FIRST_CAPACITY, CAPACITY_SD = 0.95, 0.05
"""A battery holds a little less than its label says (common practice, no source)."""
CAPACITY_DRIFT_PER_H = 0.012 / sqrt(24.0 * 30.0)
RESISTANCE_SD, RESISTANCE_DRIFT_PER_H = 0.35, 0.05 / sqrt(24.0 * 30.0)
USUAL_CLEARNESS, CLEARNESS_SD, CLEARNESS_HOURS = 0.45, 0.35, 4.0
_MOST_CLEARNESS = 1.2
ZERO_SD_A, ZERO_DRIFT_A = 0.02, 0.003
"""A shunt's zero, and how it wanders in a week (own choice: amplifiers for 20 A are off by about so much)."""
LOAD_DOUBT = 0.4
"""How far the electronics' declared load is taken to be wrong, as a part of it (own choice)."""
_LOAD_ERRORS_LAST_HOURS = 1000.0
_SIZE_SHOWS_BELOW = 0.9
"""Above this charge a fading surface charge looks like a smaller battery (own choice)."""
_HOURS_A_WEEK = 168.0
FULL_V_DRIFT_PER_H, DEPTH_DRIFT_PER_H, BEND_DRIFT_PER_H = (v / sqrt(_HOURS_A_WEEK) for v in (0.008, 0.015, 0.008))
"""Volts in a week. A rested voltage follows the seasons' warmth, about 1.2 mV for a kelvin (from memory); and no two
shapes are a whole curve: without a drift the filter would be surer of them than it can be (own choice)."""
GASSING_SD = 0.35
"""Part of the gassing overvoltage (own choice: it differs with age, acid and warmth)."""
_ERRORS_LAST_HOURS = 8.0
"""What the model leaves over stays for hours: a night's looks count about as one (own choice)."""
_CHARGING_SD_V, _GASSING_DOUBT = 0.06, 0.15
_LEAST_CHARGING = 0.004
"""Current, part of the capacity in an hour, at which half of the overvoltage of charging is there (own choice)."""
_CURRENT_DOUBT = 0.08
"""Part of what flowed in a stretch that may be wrong: declared loads, efficiency (own choice)."""
_CURRENT_DOUBT_SHUNT = 0.02
_POLARISATION_DOUBT = 0.25
_COLLAPSED_V = 10.8
"""Below this a 12 V battery has run empty under its load: 1.8 V a lead cell, the steep end of LiFePO4's curve. That is
no rested voltage, and says nothing of the curve (common practice, no source)."""
_COLLAPSED_CHARGE, _COLLAPSED_SD = 0.08, 0.10
"""Charge that is left then; the cold may lock up more than nothing (own choice)."""
_COLLAPSED_HOURS = 1.0
"""After so long of it the next voltage says what charge there is: the battery was charged, or is another one; or its
voltage was not measured (own choice)."""
_GATE = 9.0
"""An innovation beyond three standard deviations counts with its own size as its error."""
_LOST_HOURS = 6.0
"""Voltages beyond the gate for this long: the battery is not what was thought (own choice)."""
_LOST_SD = 0.25


class BatteryFilter:
    """Follows one battery, a stretch of minutes at a time: `pass_time`, then `see_voltage` or `see_full`."""

    __slots__ = (
        "_chart",
        "_habits",
        "_zero_drift",
        "_zero_sd",
        "collapsed_hours",
        "covariance",
        "current",
        "measured",
        "odd_hours",
        "share",
        "state",
    )

    def __init__(self, chemistry: Chemistry, chart: Chart, capacity_ah: float) -> None:
        self._zero_sd, self._zero_drift = ZERO_SD_A / capacity_ah, ZERO_DRIFT_A / capacity_ah / sqrt(_HOURS_A_WEEK)
        self._chart, self._habits = chart, HABITS[chemistry]
        self.state: list[float] = []
        """Empty until a first voltage was seen."""
        self.covariance: list[list[float]] = []
        self.current = self.share = 0.0
        """Net current of the last stretch, and how much of the unseen part was in it."""
        self.measured = False
        self.odd_hours = self.collapsed_hours = 0.0

    def begin(self, battery_v: float, current: float) -> None:
        """Start from one voltage under a known load."""
        chart = self._chart
        habits = self._habits
        self.state = [
            0.0,
            0.0,
            0.0,
            chart.full_v,
            0.0,
            0.0,
            log(FIRST_CAPACITY),
            0.0,
            USUAL_CLEARNESS,
            habits.gassing_v,
        ]
        sd = (
            *(0.3, 0.02, 0.05, chart.full_sd_v, chart.depth_sd, chart.bend_sd),
            *(CAPACITY_SD, RESISTANCE_SD, CLEARNESS_SD, GASSING_SD * habits.gassing_v),
        )
        self.covariance = [[sd[row] ** 2 if row == column else 0.0 for column in range(_SIZE)] for row in range(_SIZE)]
        self.current, self.measured = current, False
        self._look_up(battery_v)

    def _look_up(self, battery_v: float) -> None:
        """Take the charge whose rested voltage comes nearest to what is seen, by the curve as it is known."""
        x = self.state
        wanted_v = battery_v - x[FULL_V] - self.current * self._habits.resistance_h * exp(x[RESISTANCE])
        steps = len(self._chart.drop_v) - 1
        x[CHARGE] = min(range(steps + 1), key=lambda step: abs(self.rested_v(step / steps)[0] - wanted_v)) / steps

    def sd(self, index: int) -> float:
        """Standard deviation of one state."""
        return sqrt(max(0.0, self.covariance[index][index]))

    def lose_track(self) -> None:
        """Charge may have become anything: after a long silence, or when voltages contradict it for hours."""
        self.covariance[CHARGE][CHARGE] += _LOST_SD**2

    def look_again(self, battery_v: float) -> None:
        """The battery is not what was thought: take the charge from its voltage, by the curve as it is known."""
        self.odd_hours = self.collapsed_hours = 0.0
        self.lose_track()
        self._look_up(battery_v)

    def pass_time(self, hours: float, current: float, clear: float, measured: bool) -> None:
        """Let a stretch pass.

        `current` is the mean that is known (load as a negative, or the shunt's own), `clear` the mean a cloudless sky
        would add to it, nothing with a shunt or in the dark.
        """
        if measured is not self.measured:
            self._change_source(measured)
        habits, x, p = self._habits, self.state, self.covariance
        self.share = share = 1.0 if measured else clear
        net = current + share * x[UNSEEN]
        self.current = net
        charging = net > 0.0
        efficiency, doubt = 1.0, _CURRENT_DOUBT_SHUNT if measured else _CURRENT_DOUBT
        if charging:
            above = max(0.0, x[CHARGE] - habits.gassing_from) / (1.0 - habits.gassing_from)
            efficiency = habits.efficiency * (1.0 - habits.full_loss * above * above)
            doubt += habits.efficiency_doubt * (1.0 + 4.0 * above * above)
        per_charge = hours * efficiency * exp(-x[CAPACITY])
        gained = net * per_charge
        slow_h = habits.charging_h if charging else habits.slow_h
        grown = exp(x[RESISTANCE])
        fast_keep, slow_keep = exp(-hours / habits.fast_hours), exp(-hours / habits.slow_hours)
        fast_h, slow_h = (1.0 - fast_keep) * habits.fast_h * grown, (1.0 - slow_keep) * slow_h * grown
        x[CHARGE] += gained - habits.leak_per_h * hours
        x[FAST] = fast_keep * x[FAST] + fast_h * net
        x[SLOW] = slow_keep * x[SLOW] + slow_h * net
        keep = 1.0
        if clear and not measured:
            keep = exp(-hours / CLEARNESS_HOURS)
            x[UNSEEN] = USUAL_CLEARNESS + (x[UNSEEN] - USUAL_CLEARNESS) * keep
        charge_by_unseen, fast_by_unseen, slow_by_unseen = share * per_charge, share * fast_h, share * slow_h
        fast_by_grown, slow_by_grown = fast_h * net, slow_h * net
        # What goes in is less certain than what comes out: a battery's size is learned from discharges.
        by_capacity = 0.0 if charging else -gained
        capacity, resistance, unseen = p[CAPACITY], p[RESISTANCE], p[UNSEEN]
        p[CHARGE] = [
            a + by_capacity * b + charge_by_unseen * c for a, b, c in zip(p[CHARGE], capacity, unseen, strict=True)
        ]
        p[FAST] = [
            fast_keep * a + fast_by_grown * b + fast_by_unseen * c
            for a, b, c in zip(p[FAST], resistance, unseen, strict=True)
        ]
        p[SLOW] = [
            slow_keep * a + slow_by_grown * b + slow_by_unseen * c
            for a, b, c in zip(p[SLOW], resistance, unseen, strict=True)
        ]
        if keep < 1.0:
            p[UNSEEN] = [keep * a for a in unseen]
        for row in p:
            by_unseen = row[UNSEEN]
            row[CHARGE] += charge_by_unseen * by_unseen + by_capacity * row[CAPACITY]
            row[FAST] = fast_keep * row[FAST] + fast_by_grown * row[RESISTANCE] + fast_by_unseen * by_unseen
            row[SLOW] = slow_keep * row[SLOW] + slow_by_grown * row[RESISTANCE] + slow_by_unseen * by_unseen
            row[UNSEEN] = keep * by_unseen
        self._add_doubt(hours, doubt * gained, fast_h * net, slow_h * net, keep)
        if x[CHARGE] > 1.0:
            x[CHARGE] = 1.0
        elif x[CHARGE] < 0.0:
            x[CHARGE] = 0.0

    def _add_doubt(self, hours: float, doubt: float, fast_v: float, slow_v: float, keep: float) -> None:
        p = self.covariance
        # What is wrong about a current stays wrong for hours: its error adds up in step, not at random.
        p[CHARGE][CHARGE] += doubt * doubt * max(1.0, 8.0 / hours) + 1e-7 * hours
        p[FAST][FAST] += (_POLARISATION_DOUBT * fast_v) ** 2 + 1e-6 * hours
        p[SLOW][SLOW] += (_POLARISATION_DOUBT * slow_v) ** 2 * max(1.0, 1.0 / hours) + 2e-6 * hours
        p[CAPACITY][CAPACITY] += CAPACITY_DRIFT_PER_H**2 * hours
        p[FULL_V][FULL_V] += FULL_V_DRIFT_PER_H**2 * hours
        p[DEPTH][DEPTH] += DEPTH_DRIFT_PER_H**2 * hours
        p[BEND][BEND] += BEND_DRIFT_PER_H**2 * hours
        p[RESISTANCE][RESISTANCE] += RESISTANCE_DRIFT_PER_H**2 * hours
        if self.measured:
            p[UNSEEN][UNSEEN] += self._zero_drift**2 * hours
        elif keep < 1.0:
            p[UNSEEN][UNSEEN] += CLEARNESS_SD**2 * (1.0 - keep * keep)

    def _change_source(self, measured: bool) -> None:
        """A shunt speaks, or is silent from now on: what is unseen is another thing."""
        self.measured = measured
        for row in self.covariance:
            row[UNSEEN] = 0.0
        self.covariance[UNSEEN] = [0.0] * _SIZE
        self.covariance[UNSEEN][UNSEEN] = (self._zero_sd if measured else CLEARNESS_SD) ** 2
        self.state[UNSEEN] = 0.0 if measured else USUAL_CLEARNESS

    def see_load(self, load: float, current: float, hours: float) -> None:
        """In the dark a shunt shows the declared load and the error of its own zero."""
        carried = [row[UNSEEN] for row in self.covariance]
        noise = (LOAD_DOUBT * load) ** 2 * _LOAD_ERRORS_LAST_HOURS / hours
        self._correct(-load - current - self.state[UNSEEN], carried, carried[UNSEEN] + noise, (CAPACITY,))

    def _line(self, charge: float) -> tuple[float, float, float, float, float]:
        """The curve as a straight line through what the charge may be.

        Gives rested voltage less that of a full battery, its slope by charge, the two shapes, and how far the curve
        leaves the line. The tangent of a curve with a knee would promise too much.
        """
        reach = min(0.25, max(0.04, self.sd(CHARGE)))
        low, high = max(0.0, charge - reach), min(1.0, charge + reach)
        rest_v, depth_v, bend_v = self.rested_v(charge)
        low_v, high_v = self.rested_v(low)[0], self.rested_v(high)[0]
        slope = (high_v - low_v) / (high - low)
        bent_v = abs(rest_v - low_v - slope * (charge - low))
        return rest_v, max(slope, 0.02), depth_v, bend_v, bent_v

    def rested_v(self, charge: float) -> tuple[float, float, float]:
        """Rested voltage less that of a full battery, and the two shapes, at a charge."""
        chart, x = self._chart, self.state
        drop, depth, bend = chart.drop_v, chart.depth_v, chart.bend_v
        place = charge * (len(drop) - 1)
        low = min(int(place), len(drop) - 2)
        part = place - low
        depth_v = depth[low] + part * (depth[low + 1] - depth[low])
        bend_v = bend[low] + part * (bend[low + 1] - bend[low])
        return drop[low] + part * (drop[low + 1] - drop[low]) + x[DEPTH] * depth_v + x[BEND] * bend_v, depth_v, bend_v

    def see_voltage(self, battery_v: float, hours: float) -> None:
        """Learn from the mean voltage of the stretch that has passed."""
        if battery_v < _COLLAPSED_V:
            self._see_collapsed(hours)
            return
        if self.collapsed_hours > _COLLAPSED_HOURS:
            self.look_again(battery_v)
            return
        self.collapsed_hours = 0.0
        x, habits = self.state, self._habits
        rest_v, slope, depth_v, bend_v, bent_v = self._line(x[CHARGE])
        current = self.current
        ohmic_h = habits.resistance_h * exp(x[RESISTANCE])
        ohmic_v = ohmic_h * current
        by_unseen = ohmic_h * self.share
        noise_v, gassing = habits.voltage_sd_v + 0.1 * abs(ohmic_v) + bent_v, 0.0
        if current > 0.0:
            begun = current / (current + _LEAST_CHARGING)
            above = max(0.0, x[CHARGE] - habits.gassing_from) / (1.0 - habits.gassing_from)
            gassing = begun * above * above
            slope += 2.0 * begun * above / (1.0 - habits.gassing_from) * x[GASSING]
            noise_v += _CHARGING_SD_V + _GASSING_DOUBT * gassing * x[GASSING]
        innovation = battery_v - (rest_v + x[FULL_V] + x[FAST] + x[SLOW] + ohmic_v + gassing * x[GASSING])
        carried = [
            row[0] * slope
            + row[1]
            + row[2]
            + row[3]
            + row[4] * depth_v
            + row[5] * bend_v
            + row[7] * ohmic_v
            + row[8] * by_unseen
            + row[9] * gassing
            for row in self.covariance
        ]
        spread = (
            carried[0] * slope
            + carried[1]
            + carried[2]
            + carried[3]
            + carried[4] * depth_v
            + carried[5] * bend_v
            + carried[7] * ohmic_v
            + carried[8] * by_unseen
            + carried[9] * gassing
        )
        noise = noise_v * noise_v
        surprise = innovation * innovation / (spread + noise)
        noise *= max(1.0, _ERRORS_LAST_HOURS / hours)
        if surprise > _GATE:
            noise = max(noise, innovation * innovation / 3.0)
        if current <= 0.0:
            self.odd_hours = self.odd_hours + hours if surprise > _GATE else 0.0
            if self.odd_hours > _LOST_HOURS:
                self.look_again(battery_v)
                return
        sized = current <= 0.0 and x[CHARGE] < _SIZE_SHOWS_BELOW
        self._correct(innovation, carried, spread + noise, () if sized else self._kept_when_full())

    def _see_collapsed(self, hours: float) -> None:
        """It has run empty, whatever was thought to be left: somebody may have drawn from it behind the meter."""
        above = self.state[CHARGE] - _COLLAPSED_CHARGE
        surprise = above * above / (self.covariance[CHARGE][CHARGE] + _COLLAPSED_SD**2)
        self.collapsed_hours += hours
        if self.collapsed_hours > _COLLAPSED_HOURS and surprise > _GATE:
            self.lose_track()
        self.see_charge(_COLLAPSED_CHARGE, _COLLAPSED_SD * sqrt(max(1.0, _ERRORS_LAST_HOURS / hours)))

    def _kept_when_full(self) -> tuple[int, ...]:
        """What a full battery does not take in is lost: that says nothing of its size or of the shunt's zero."""
        return (CAPACITY, UNSEEN) if self.measured else (CAPACITY,)

    def see_charge(self, charge: float, sd: float) -> None:
        """Learn a charge that is known otherwise: a full battery on its charger."""
        carried = [row[CHARGE] for row in self.covariance]
        self._correct(charge - self.state[CHARGE], carried, carried[CHARGE] + sd * sd, self._kept_when_full())

    def _correct(self, innovation: float, carried: list[float], spread: float, kept: tuple[int, ...]) -> None:
        """One measurement into all states but the `kept` ones, whose doubt still counts (Schmidt's partial update)."""
        x, p = self.state, self.covariance
        before = [(index, x[index], p[index][:]) for index in kept]
        # Written out: a row takes half the time of one by `zip`.
        c0, c1, c2, c3, c4, c5, c6, c7, c8, c9 = carried
        for index, (p0, p1, p2, p3, p4, p5, p6, p7, p8, p9) in enumerate(p):
            gain = carried[index] / spread
            x[index] += gain * innovation
            p[index] = [
                *(p0 - gain * c0, p1 - gain * c1, p2 - gain * c2, p3 - gain * c3, p4 - gain * c4),
                *(p5 - gain * c5, p6 - gain * c6, p7 - gain * c7, p8 - gain * c8, p9 - gain * c9),
            ]
        for index, value, row in before:
            x[index] = value
            for other, _, _ in before:
                p[index][other] = row[other]
        x[CHARGE] = min(1.0, max(0.0, x[CHARGE]))
        if not self.measured:
            x[UNSEEN] = min(_MOST_CLEARNESS, max(0.0, x[UNSEEN]))

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {
            "state": list(self.state),
            "covariance": [list(row) for row in self.covariance],
            "current": self.current,
            "share": self.share,
            "measured": self.measured,
            "odd_hours": self.odd_hours,
            "collapsed_hours": self.collapsed_hours,
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self.state = list(data["state"])
        self.covariance = [list(row) for row in data["covariance"]]
        self.current = data["current"]
        self.share = data["share"]
        self.measured = data["measured"]
        self.odd_hours = data["odd_hours"]
        self.collapsed_hours = data.get("collapsed_hours", 0.0)
