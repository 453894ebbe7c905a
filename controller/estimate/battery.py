"""State of charge of the battery, and what can be known of its health, from voltage, loads, sun and a shunt if fitted.

Reports are gathered into stretches of twenty minutes under one load; each goes through `BatteryFilter` once. A
reading carries its standard deviation: LiFePO4 is flat in the middle, and without a shunt it says so. What protects the
battery is the disconnect (`VoltageLimits`), not the percentage. All voltages are those of a 12 V battery.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot
from typing import Any

from controller.contract import Quality
from controller.estimate.battery_charts import chart_of
from controller.estimate.battery_filter import CAPACITY, CHARGE, FULL_V, BatteryFilter
from controller.estimate.battery_limits import VoltageLimits
from controller.estimate.battery_watch import BatteryWatch, ChargerFault, Stretch
from controller.estimate.sunshine import clear_sky_a
from controller.site.model import Battery, Panel, Place

LOWEST_PLAUSIBLE_V = 6.0
HIGHEST_PLAUSIBLE_V = 20.0
STRETCH_MS = 20 * 60_000
"""How much time goes through the filter at once: it takes hours to charge or empty a battery (own choice)."""
LONGEST_STRETCH_MS = 6 * 3_600_000
"""After a longer silence the loads of the time between are not known."""
REST_AFTER_MS = 2 * 3_600_000
"""No pump and no charging for this long counts as rested; sources say 2 to 24 h."""
LOST_AFTER_MS = 180_000
"""Without a plausible voltage for this long the charge is unknown."""
GOOD_SD_PERCENT = 8.0
HONEST_SD = 1.4
"""The filter's own doubt of the charge times this: it takes errors for independent that go on for weeks (by trials)."""
CHARGING_CURRENT_FRACTION = 0.01
CHARGING_PANEL_MARGIN_V = 0.3
ELECTRONICS_W, NOMINAL_V = 2.0, 12.6
"""What controller and board take all day (site hardware's own figure)."""
HELD_VALVE_A = 0.3
"""A valve that is held open by its coil while the pump runs (common practice, no source)."""
SUN_EVERY_MS = 10 * 60_000
UNKNOWN_SUN_PART = 0.3
"""Part of the panel's power taken as a cloudless sky's while the time of day is not known."""
OTHER_CHARGER_FRACTION = 0.1
"""Without a panel, what another charger may give, part of the capacity in an hour."""
HELD_ABOVE_FULL_V = {"flooded": 0.5, "agm": 0.5, "lifepo4": 0.3}
"""A voltage below this above a full battery's rest says nothing about what the charger holds (own choice)."""
FULL_HELD_V = {"flooded": 13.9, "agm": 13.9, "lifepo4": 13.8}
"""A steady voltage from here on is a charger that holds it: a battery that it fills shows it no other way (common
practice, no source). Lower ones may be a dull day's."""
HELD_WITHIN_V = 0.03
HELD_FROM_HOURS = 0.5
MISSING_WHEN_HELD = {"flooded": 0.12, "agm": 0.12, "lifepo4": 0.04}
"""Part of the charge that is missing when a charger begins to hold its voltage; it falls away with about an hour's
time constant, as absorption of two to four hours makes full (common practice, no source)."""
ABSORPTION_HOURS = 1.2
TAIL_CURRENT = 0.03
"""At a held voltage, less than this part of the capacity in an hour means almost full (common practice, no source)."""
FADED_CAPACITY = 0.85
"""A capacity below this, by one and a half standard deviations, is called faded (own choice; makers call 80 % the end
of life). Without a shunt a heavier load than the declared one looks the same, and nothing is called so."""
STEP_A = 1.0
SUNNY_PART = 0.3
USUAL_LOAD_MS = 72 * 3_600_000
"""The usual load follows the real one over three days (own choice)."""


@dataclass(frozen=True, slots=True)
class BatteryReading:
    """What is known of the battery now.

    voltage_v         last plausible terminal voltage
    corrected_v       the same with the sag under the pump's load added back
    charge_percent    state of charge, part of the battery's true capacity
    quality           "unknown" without a voltage, "suspect" while unsure (above 8 % sd) or while the voltage is frozen
    rested_mono_ms    when the battery last was at rest
    low               pump not permitted: tripped, and not yet recovered for half an hour
    low_reason        "disconnect" or "floor" while low, else empty
    over_voltage      above the battery's maximum: pump not permitted
    charge_sd_percent, capacity_percent, capacity_sd_percent   capacity as a part of the declared one
    dark_days         days until the minimum charge at the usual load without any sun; dark_days_sd its sd
    faded             clearly less than 85 % of the declared capacity is left; never said without a shunt
    charger_fault     "dead" (sun but no charge), "low" (held voltage too low), else empty
    frozen            the voltage does not answer to loads: it is not measured
    """

    voltage_v: float | None
    corrected_v: float | None
    charge_percent: float | None
    quality: Quality
    rested_mono_ms: int | None
    low: bool
    low_reason: str
    over_voltage: bool
    charge_sd_percent: float | None = None
    capacity_percent: float | None = None
    capacity_sd_percent: float | None = None
    dark_days: float | None = None
    dark_days_sd: float | None = None
    faded: bool = False
    charger_fault: ChargerFault = ""
    frozen: bool = False


_STATE = (
    "voltage_v",
    "voltage_mono_ms",
    "quiet_ms",
    "rested_mono_ms",
    "charge_percent",
    "usual_load_a",
    "held_v",
    "held_hours",
    "stretch_since_ms",
    "stretch_v",
    "stretch_count",
    "stretch_lit",
    "stretch_panel_lit",
    "stretch_a_ms",
    "stretch_load_a",
    "last_ms",
    "stood",
    "sun_a",
    "sun_due_mono_ms",
)


class BatteryEstimator:
    """Follows one battery. Call `observe` with every report, `reading` when it is asked for."""

    __slots__ = ("_battery", "_charging_a", "_due_ms", "_filter", "_limits", "_panel", "_place", "_watch", *_STATE)

    voltage_v: float | None
    voltage_mono_ms: int | None
    rested_mono_ms: int | None
    charge_percent: float | None

    def __init__(self, battery: Battery, panel: Panel | None = None, place: Place | None = None) -> None:
        self._battery, self._panel, self._place = battery, panel, place
        self._charging_a = CHARGING_CURRENT_FRACTION * battery.capacity_ah
        self._limits = VoltageLimits(battery)
        self._filter = BatteryFilter(battery.chemistry, chart_of(battery), battery.capacity_ah)
        self._watch = BatteryWatch(battery.chemistry)
        self.voltage_v = None
        self.charge_percent = None
        self.usual_load_a = ELECTRONICS_W / NOMINAL_V
        self.sun_a = self._unknown_sun_a()
        self.stood = False
        """Was the voltage frozen in the last stretch?"""
        self._forget_times()

    def _forget_times(self) -> None:
        self.voltage_mono_ms = None
        self.rested_mono_ms = None
        self.quiet_ms = 0
        self.held_v = self.held_hours = 0.0
        self.sun_due_mono_ms = 0
        self.last_ms = -1
        self._open_stretch(0)

    def _open_stretch(self, mono_ms: int) -> None:
        self.stretch_since_ms = mono_ms
        self.stretch_v = self.stretch_a_ms = 0.0
        self.stretch_count = self.stretch_lit = self.stretch_panel_lit = 0
        self.stretch_load_a = self._limits.load_a
        self._due_ms = mono_ms + STRETCH_MS

    def restarted(self) -> None:
        """After a restart of the monotonic clock: ages mean nothing. A low battery stays low until it has recovered."""
        self._limits.restarted()
        self._watch.restarted()
        self._forget_times()

    @property
    def low_reason(self) -> str:
        """Why the pump is not permitted: "disconnect", "floor" or nothing."""
        return self._limits.low_reason

    def note_sun(self, mono_ms: int, wall_ms: int | None) -> None:
        """How high the sun stands now; None while the time is not trusted. Call it when `sun_due_mono_ms` is past."""
        self.sun_due_mono_ms = mono_ms + SUN_EVERY_MS
        if wall_ms is None or self._panel is None or self._place is None:
            self.sun_a = self._unknown_sun_a()
        else:
            self.sun_a = clear_sky_a(self._panel, self._place, wall_ms)

    def _unknown_sun_a(self) -> float:
        if self._panel is None:
            return OTHER_CHARGER_FRACTION * self._battery.capacity_ah
        return UNKNOWN_SUN_PART * self._panel.peak_w / NOMINAL_V

    def update(
        self,
        battery_v: float | None,
        load_a: float,
        mono_ms: int,
        panel_v: float | None = None,
        current_a: float | None = None,
    ) -> BatteryReading:
        """`observe` a report and say what is known now."""
        self.observe(battery_v, load_a, mono_ms, panel_v, current_a)
        return self.reading(mono_ms)

    def observe(
        self,
        battery_v: float | None,
        load_a: float,
        mono_ms: int,
        panel_v: float | None,
        current_a: float | None,
    ) -> None:
        """Take one report: terminal voltage, the pumps' current (declared or measured), and what tells of charging.

        A voltage outside 6 to 20 V is a bad reading, not an empty battery. `current_a` is positive while charging.
        """
        last_ms = self.last_ms
        if mono_ms < last_ms:
            self.restarted()
            last_ms = -1
        limits = self._limits
        if load_a != limits.load_a:
            self._change_load(load_a, mono_ms)
        if battery_v is None or not LOWEST_PLAUSIBLE_V <= battery_v <= HIGHEST_PLAUSIBLE_V:
            return
        self.voltage_v = battery_v
        self.voltage_mono_ms = self.last_ms = mono_ms
        limits.follow(battery_v, mono_ms)
        self._watch.see_voltage(battery_v, mono_ms)
        if last_ms < 0 or mono_ms - last_ms > LONGEST_STRETCH_MS:
            self._begin_anew(battery_v, mono_ms, current_a)
            return
        self.stretch_v += battery_v
        self.stretch_count += 1
        if current_a is not None:
            self.stretch_a_ms += current_a * (mono_ms - last_ms)
            self.stretch_lit = -1
        elif panel_v is None:
            self.stretch_lit += 1
        if panel_v is not None and panel_v > battery_v + CHARGING_PANEL_MARGIN_V:
            self.stretch_panel_lit += 1
        if mono_ms >= self._due_ms:
            self._close_stretch(mono_ms)

    def reading(self, mono_ms: int) -> BatteryReading:
        """The estimate as of now, without a new report."""
        voltage_v, limits, tracked = self.voltage_v, self._limits, self._filter
        frozen = self.is_frozen()
        known = bool(tracked.state)
        capacity = exp(tracked.state[CAPACITY]) if known else 0.0
        capacity_sd = capacity * tracked.sd(CAPACITY) if known else 0.0
        days, days_sd = self._dark_days(capacity, capacity_sd) if known else (None, None)
        return BatteryReading(
            voltage_v,
            limits.corrected_v,
            self.charge_percent,
            self._quality(mono_ms, frozen),
            self.rested_mono_ms,
            limits.low_reason != "",
            limits.low_reason,
            voltage_v is not None and voltage_v > self._battery.maximum_v,
            100.0 * self._charge_sd() if known else None,
            100.0 * capacity if known else None,
            100.0 * capacity_sd if known else None,
            days,
            days_sd,
            self.faded() is not None,
            self.charger_fault,
            frozen,
        )

    def faded(self) -> tuple[float, float] | None:
        """Capacity and its sd as parts of the declared one, when it is surely lost; None otherwise."""
        tracked = self._filter
        if not tracked.state or not tracked.measured:
            return None
        capacity = exp(tracked.state[CAPACITY])
        capacity_sd = capacity * tracked.sd(CAPACITY)
        return (capacity, capacity_sd) if capacity + 1.5 * capacity_sd < FADED_CAPACITY else None

    @property
    def charger_fault(self) -> ChargerFault:
        return self._watch.charger_fault

    def is_frozen(self) -> bool:
        """Whether the voltage did not answer to loads for as long as it was heard: one that is lost is not frozen."""
        heard_ms = self.voltage_mono_ms
        return heard_ms is not None and self._watch.frozen(heard_ms)

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        parts = {"limits": self._limits.dump(), "filter": self._filter.dump(), "watch": self._watch.dump()}
        return {name: getattr(self, name) for name in _STATE} | parts

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        known = {"stood": False} | state
        for name in _STATE:
            setattr(self, name, known[name])
        self._limits.load(state["limits"])
        self._filter.load(state["filter"])
        self._watch.load(state["watch"])
        self._due_ms = self.stretch_since_ms + STRETCH_MS

    def _quality(self, mono_ms: int, frozen: bool) -> Quality:
        heard = self.voltage_mono_ms
        if heard is None or mono_ms - heard > LOST_AFTER_MS or self.charge_percent is None:
            return "unknown"
        return "suspect" if frozen or 100.0 * self._charge_sd() > GOOD_SD_PERCENT else "good"

    def _charge_sd(self) -> float:
        return HONEST_SD * self._filter.sd(CHARGE)

    def _dark_days(self, capacity: float, capacity_sd: float) -> tuple[float, float]:
        """Days down to the minimum charge at the usual load, and their sd: charge and capacity taken as independent.

        Peukert's law is left out: at loads of a fiftieth of the capacity in an hour and less, a battery gives what its
        label says or a little more.
        """
        spare = self._filter.state[CHARGE] - self._battery.minimum_charge_percent / 100.0
        full_days = self._battery.capacity_ah / (24.0 * self.usual_load_a)
        sd = full_days * hypot(capacity * self._charge_sd(), capacity_sd * spare)
        return max(0.0, spare * capacity * full_days), sd

    def _change_load(self, load_a: float, mono_ms: int) -> None:
        """A pump starts or stops: the stretch ends, so that every stretch is under one load."""
        if self.stretch_count and self._filter.state:
            self._close_stretch(mono_ms)
        if abs(load_a - self._limits.load_a) >= STEP_A:
            self._watch.see_load_step(mono_ms)
        self._limits.note_load(load_a, mono_ms)
        self.stretch_load_a = load_a

    def _begin_anew(self, battery_v: float, mono_ms: int, current_a: float | None) -> None:
        """The first voltage after a start or a long silence."""
        if not self._filter.state:
            known_a = -self._load_a() if current_a is None else current_a
            self._filter.begin(battery_v, known_a / self._battery.capacity_ah)
        else:
            self._filter.lose_track()
        self.charge_percent = 100.0 * self._filter.state[CHARGE]
        self._open_stretch(mono_ms)

    def _load_a(self) -> float:
        """All that is declared to be drawn."""
        pump_a = self.stretch_load_a
        return ELECTRONICS_W / NOMINAL_V + (pump_a + HELD_VALVE_A if pump_a else 0.0)

    def _close_stretch(self, mono_ms: int) -> None:
        """Put the stretch through the filter."""
        elapsed_ms = mono_ms - self.stretch_since_ms
        if elapsed_ms <= 0:
            return
        hours, mean_v = elapsed_ms / 3_600_000.0, self.stretch_v / self.stretch_count
        measured = self.stretch_lit < 0
        known_a = self.stretch_a_ms / elapsed_ms if measured else -self._load_a()
        sunny = self.stretch_panel_lit > 0
        clear_a = 0.0 if measured or not (sunny or self.stretch_lit) else self.sun_a
        held = self._follow_held(mean_v, hours, clear_a > 0.0 or known_a > 0.0)
        full = held and self.held_v >= FULL_HELD_V[self._battery.chemistry]
        self._filter_stretch(hours, mean_v, known_a, clear_a, measured, full)
        self._follow_rest(elapsed_ms, known_a, mono_ms)
        lit = sunny or clear_a > SUNNY_PART * self._unknown_sun_a()
        shunt_a = known_a if measured else None
        stretch = Stretch(hours, mean_v, self.stretch_load_a > 0.0, lit, sunny, shunt_a)
        self._watch.see_stretch(stretch, self._filter.state[FULL_V])
        self.charge_percent = 100.0 * self._filter.state[CHARGE]
        self._open_stretch(mono_ms)

    def _follow_held(self, mean_v: float, hours: float, may_charge: bool) -> bool:
        """Does the voltage stay the same high above a rested battery's?"""
        lowest_v = self._filter.state[FULL_V] + HELD_ABOVE_FULL_V[self._battery.chemistry]
        if not may_charge or mean_v < lowest_v:
            self.held_v = self.held_hours = 0.0
        elif abs(mean_v - self.held_v) <= HELD_WITHIN_V:
            self.held_hours += hours
        else:
            self.held_v, self.held_hours = mean_v, 0.0
        return self.held_hours >= HELD_FROM_HOURS

    def _filter_stretch(
        self, hours: float, mean_v: float, known_a: float, clear_a: float, measured: bool, held: bool
    ) -> None:
        tracked, capacity_ah = self._filter, self._battery.capacity_ah
        current = known_a / capacity_ah
        if held:
            missing = MISSING_WHEN_HELD[self._battery.chemistry] * exp(-self.held_hours / ABSORPTION_HOURS)
            if measured:
                missing = (
                    min(missing, max(0.0, 0.5 * current)) if current < TAIL_CURRENT else max(missing, 0.5 * current)
                )
            # What the sun would give does not go in: the charger holds it back.
            tracked.pass_time(hours, current if measured else 0.0, 0.0, measured)
            tracked.see_charge(1.0 - missing, 0.01 + 0.7 * missing)
            return
        clear = clear_a / capacity_ah
        tracked.pass_time(hours, current, clear, measured)
        if measured and not self.stretch_panel_lit and self.sun_a == 0.0:
            load_a = self._load_a()
            if not self.stretch_load_a and abs(known_a + load_a) < 2.0 * load_a:
                tracked.see_load(load_a / capacity_ah, current, hours)
        if self.is_frozen():
            # What does not answer to loads says nothing of the charge, nor of the battery's curve.
            self.stood = True
        elif self.stood:
            self.stood = False
            tracked.look_again(mean_v)
        else:
            tracked.see_voltage(mean_v, hours)

    def _follow_rest(self, elapsed_ms: int, known_a: float, mono_ms: int) -> None:
        quiet = not self.stretch_load_a and self._filter.current * self._battery.capacity_ah <= self._charging_a
        self.quiet_ms = self.quiet_ms + elapsed_ms if quiet else 0
        if self.quiet_ms >= REST_AFTER_MS:
            self.rested_mono_ms = mono_ms
        # With a shunt the load is what flows out in the dark; waterings count on the day they happen.
        drawn_a = self._load_a() if self.stretch_lit >= 0 else -known_a
        if drawn_a > 0.0:
            self.usual_load_a += (drawn_a - self.usual_load_a) * (1.0 - exp(-elapsed_ms / USUAL_LOAD_MS))
