"""What is wrong with the charging or the measuring of a battery: a dead or low charger, a voltage that is stuck.

Needs no time of day: days are stretches of 24 hours from the first report on.
"""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

from controller.site.model import Chemistry

ChargerFault = Literal["", "dead", "low"]

FROZEN_WITHIN_V = 0.002
FROZEN_AFTER_MS = 10 * 60_000
"""A voltage that stays the same for so long while a load comes or goes is stuck."""
FROZEN_QUIET_MS = 24 * 3_600_000
"""Without a load step a voltage that has not moved for a day is stuck as well (own choice)."""
STEP_SHOWS_AFTER_MS = 5_000
DAY_HOURS = 24.0
SUN_NEEDED_HOURS = 3.0
RISE_V = 0.03
"""A quiet battery that rises by this much above the day's lowest is being charged (own choice)."""
COLLAPSED_V = 10.8
"""A battery that has run empty jumps up and down with its load: such a rise is no charge."""
QUIET_HOURS = 2.0
"""So long after a pump a battery still comes back from its load."""
DARK_DAYS_SEEN, DARK_DAYS_GUESSED = 2, 7
"""Days with sun and no charge until the charger is called dead: with the panel's voltage, or with the calendar's sun
alone, where a dark week looks much the same (own choice)."""
LOWEST_HELD_V: dict[Chemistry, float] = {"flooded": 13.9, "agm": 13.9, "lifepo4": 13.9}
"""Absorption below this never fills the battery. Makers ask for 14.1 to 14.8 V; hot weather takes off 0.2 V (common
practice, no source)."""
LOW_DAYS = 4
HELD_WITHIN_V, HELD_HOURS = 0.02, 1.0
"""A charger that stops too early holds the same voltage every day; without one no two days' highest agree so well."""
ABOVE_FULL_V = 0.25
RISE_A = 0.1
"""A shunt that shows so much more than at the day's lowest shows charging (own choice)."""

_STATE = (
    "same_v",
    "same_since_ms",
    "step_ms",
    "day_hours",
    "sun_hours",
    "loadless_hours",
    "lowest_v",
    "charged",
    "panel_seen",
    "uncharged_days",
    "lowest_a",
    "top_v",
    "top_hours",
    "last_top_v",
    "low_days",
    "charger_fault",
)


class Stretch(NamedTuple):
    """Minutes under one load: their mean voltage, a pump's load, sun by whatever tells of it, sun by the panel's own
    voltage, mean current by a shunt (positive while charging; None without one)."""

    hours: float
    mean_v: float
    loaded: bool
    sunny: bool
    panel_lit: bool
    current_a: float | None


class BatteryWatch:
    """Follows one battery's voltage and days."""

    __slots__ = ("_lowest_held_v", *_STATE)

    step_ms: int | None
    lowest_v: float | None
    lowest_a: float | None
    top_v: float
    panel_seen: bool
    charged: bool
    charger_fault: ChargerFault

    def __init__(self, chemistry: Chemistry) -> None:
        self._lowest_held_v = LOWEST_HELD_V[chemistry]
        self.charger_fault = ""
        self.uncharged_days = self.low_days = 0
        self.last_top_v = 0.0
        self._begin_day()
        self.restarted()

    def restarted(self) -> None:
        """Ages mean nothing any more; what was found about the charger stays."""
        self.same_v = 0.0
        self.same_since_ms = 0
        self.step_ms = None
        self.loadless_hours = 0.0

    def see_voltage(self, battery_v: float, mono_ms: int) -> None:
        """Every believable voltage, as it was reported."""
        if not -FROZEN_WITHIN_V <= battery_v - self.same_v <= FROZEN_WITHIN_V:
            self.same_v = battery_v
            self.same_since_ms = mono_ms
            self.step_ms = None

    def see_load_step(self, mono_ms: int) -> None:
        """A pump was switched on or off: the voltage must answer."""
        self.step_ms = mono_ms

    def frozen(self, mono_ms: int) -> bool:
        """Whether the voltage has not answered to a load step, or has not moved at all for a day."""
        if self.same_v == 0.0:
            # Since the start none was heard.
            return False
        same_ms = mono_ms - self.same_since_ms
        stepped = self.step_ms is not None and mono_ms - self.step_ms >= STEP_SHOWS_AFTER_MS
        return same_ms >= FROZEN_QUIET_MS or (stepped and same_ms >= FROZEN_AFTER_MS)

    def see_stretch(self, stretch: Stretch, full_v: float) -> None:
        """A stretch that is over; `full_v` is the rested voltage of a full battery."""
        hours, mean_v = stretch.hours, stretch.mean_v
        self.day_hours += hours
        self.sun_hours += hours * stretch.sunny
        self.panel_seen = self.panel_seen or stretch.panel_lit
        self.loadless_hours = 0.0 if stretch.loaded else self.loadless_hours + hours
        if not stretch.loaded:
            if mean_v > self.top_v + HELD_WITHIN_V:
                self.top_v, self.top_hours = mean_v, 0.0
            if mean_v > self.top_v - HELD_WITHIN_V:
                self.top_hours += hours
        self._look_for_charge(stretch, full_v)
        if self.day_hours >= DAY_HOURS:
            self._end_day(full_v)

    def _look_for_charge(self, stretch: Stretch, full_v: float) -> None:
        """Charging shows in a voltage that no rested battery has, in a rise, or in a shunt."""
        if stretch.mean_v > full_v + ABOVE_FULL_V:
            self.charged = True
        if self.loadless_hours >= QUIET_HOURS and stretch.mean_v > COLLAPSED_V:
            if self.lowest_v is None or stretch.mean_v < self.lowest_v:
                self.lowest_v = stretch.mean_v
            self.charged = self.charged or stretch.mean_v > self.lowest_v + RISE_V
        current_a = stretch.current_a
        if current_a is not None and not stretch.loaded:
            if self.lowest_a is None or current_a < self.lowest_a:
                self.lowest_a = current_a
            self.charged = self.charged or current_a > self.lowest_a + RISE_A
        if self.charged and self.charger_fault == "dead":
            self.charger_fault = ""

    def _end_day(self, full_v: float) -> None:
        needed = DARK_DAYS_SEEN if self.panel_seen else DARK_DAYS_GUESSED
        if self.charged:
            self.uncharged_days = 0
        elif self.sun_hours >= SUN_NEEDED_HOURS:
            self.uncharged_days += 1
            if self.uncharged_days >= needed:
                self.charger_fault = "dead"
        if self.top_v >= self._lowest_held_v:
            self.low_days = 0
            if self.charger_fault == "low":
                self.charger_fault = ""
        elif self.top_v > full_v + ABOVE_FULL_V and self.top_hours >= HELD_HOURS:
            again = abs(self.top_v - self.last_top_v) <= HELD_WITHIN_V
            self.low_days = self.low_days + 1 if again else 1
            if self.low_days >= LOW_DAYS and not self.charger_fault:
                self.charger_fault = "low"
        self.last_top_v = self.top_v
        self._begin_day()

    def _begin_day(self) -> None:
        self.day_hours = self.sun_hours = 0.0
        self.lowest_v = self.lowest_a = None
        self.charged = self.panel_seen = False
        self.top_v = self.top_hours = 0.0

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, state[name])
