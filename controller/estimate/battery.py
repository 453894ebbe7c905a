"""State of charge from rested voltage, and the low-voltage disconnect. All voltages are those of a 12 V battery.

Published charts differ by up to 0.24 V at half charge, and LiFePO4 is flat between: a charge from voltage is an
indication. The tables are replaceable in the site file; what protects the battery is the disconnect, not the
percentage.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Any

from controller.contract import Quality
from controller.site.model import Battery, Chemistry

RestTable = tuple[tuple[float, float], ...]
"""(rested volts, state of charge %) pairs, both strictly rising."""

REST_TABLES: dict[Chemistry, RestTable] = {
    # 25 to 75 %: upper column of a vehicle-battery "charge state" table; ends: the widely copied table, from memory.
    "flooded": ((11.89, 0.0), (12.06, 25.0), (12.24, 50.0), (12.45, 75.0), (12.65, 100.0)),
    # The flooded table raised by 0.15 V to a full rest of 12.8 V: from memory, makers' own tables differ.
    "agm": ((12.0, 0.0), (12.2, 25.0), (12.4, 50.0), (12.6, 75.0), (12.8, 100.0)),
    # Two web charts that contradict one another outright, the middle between them; full rest 13.35 V from memory.
    "lifepo4": ((10.0, 0.0), (12.0, 10.0), (12.65, 20.0), (12.9, 30.0), (13.2, 70.0), (13.35, 100.0)),
}

LOWEST_PLAUSIBLE_V = 6.0
HIGHEST_PLAUSIBLE_V = 20.0
RESISTANCE_OHM_AH: dict[Chemistry, float] = {"flooded": 2.0, "agm": 1.2, "lifepo4": 1.0}
"""Internal resistance and leads, times capacity: 20 mOhm for 100 Ah flooded. Common practice, no source."""
REST_AFTER_MS = 2 * 3_600_000
"""No pump and no charging for this long counts as rested; sources say 2 to 24 h."""
REBOUND_MS = 30 * 60_000
REST_EVERY_MS = 5 * 60_000
"""A rested battery's charge is looked at this often: it takes hours to change (own choice)."""
REST_WEIGHT = 0.4
"""How much each look counts against those before it: a rested voltage is smoothed over about ten minutes."""
RISING_V = 0.08
"""A quiet battery that rises by this much, once it has rebounded from its load, is being charged after all."""
HELD_GOOD_MS = 24 * 3_600_000
"""A rested voltage older than this makes the charge suspect."""
LOST_AFTER_MS = 180_000
"""Without a plausible voltage for this long the charge is unknown."""
CHARGING_CURRENT_FRACTION = 0.01
CHARGING_PANEL_MARGIN_V = 0.3
SURFACE_CHARGE_MARGIN_V = 0.1
STEADY_LOAD_MS = 60_000
LOAD_DOUBT_V = 0.3
"""How far the resistance of battery and leads is unknown under a pump's load (own choice: 5 A over 60 mOhm)."""
INRUSH_MS = 2_000
DISCONNECT_AFTER_MS = 10_000
FLOOR_AFTER_MS = 200
RESUME_AFTER_MS = 30 * 60_000


def rest_table(battery: Battery) -> RestTable:
    """The owner's own table, or the one for the chemistry."""
    return battery.rest_table or REST_TABLES[battery.chemistry]


def rest_charge_percent(table: RestTable, rested_v: float) -> float:
    """State of charge, %, for a rested voltage: straight lines between the table's points, its ends beyond them."""
    at = bisect_right(table, (rested_v, 101.0))
    if at == 0:
        return table[0][1]
    if at == len(table):
        return table[-1][1]
    low_v, low_percent = table[at - 1]
    high_v, high_percent = table[at]
    return low_percent + (high_percent - low_percent) * (rested_v - low_v) / (high_v - low_v)


@dataclass(frozen=True, slots=True)
class BatteryReading:
    """What is known of the battery now.

    voltage_v        last plausible terminal voltage
    corrected_v      the same with the sag under the pump's load added back
    charge_percent   from the last rested voltage, not above what the corrected voltage still allows
    low              pump not permitted: tripped, and not yet recovered for half an hour
    low_reason       "disconnect" or "floor" while low, else empty
    over_voltage     above the battery's maximum: pump not permitted
    """

    voltage_v: float | None
    corrected_v: float | None
    charge_percent: float | None
    quality: Quality
    rested_mono_ms: int | None
    low: bool
    low_reason: str
    over_voltage: bool


_STATE = (
    "voltage_v",
    "voltage_mono_ms",
    "corrected_v",
    "load_a",
    "load_since_ms",
    "quiet_since_ms",
    "quiet_lowest_v",
    "rested_v",
    "rested_mono_ms",
    "charge_percent",
    "below_disconnect_since_ms",
    "below_floor_since_ms",
    "above_resume_since_ms",
    "low_reason",
)


class BatteryEstimator:
    """Follows one battery. Call `update` with every report; it returns the reading."""

    __slots__ = (
        "_charging_a",
        "_disconnect_v",
        "_fine_v",
        "_flat_chemistry",
        "_floor_v",
        "_maximum_v",
        "_rest_due_ms",
        "_resistance_ohm",
        "_resume_v",
        "_table",
        *_STATE,
    )

    voltage_v: float | None
    voltage_mono_ms: int | None
    corrected_v: float | None
    quiet_since_ms: int | None
    rested_v: float | None
    rested_mono_ms: int | None
    charge_percent: float | None
    below_disconnect_since_ms: int | None
    below_floor_since_ms: int | None
    above_resume_since_ms: int | None

    def __init__(self, battery: Battery) -> None:
        self._table = rest_table(battery)
        self._flat_chemistry = battery.chemistry == "lifepo4"
        self._disconnect_v = battery.disconnect_v
        self._floor_v = battery.floor_v
        self._resume_v = battery.resume_v
        self._maximum_v = battery.maximum_v
        self._fine_v = max(battery.disconnect_v, battery.floor_v)
        self._charging_a = CHARGING_CURRENT_FRACTION * battery.capacity_ah
        self._resistance_ohm = RESISTANCE_OHM_AH[battery.chemistry] / battery.capacity_ah
        self.low_reason = ""
        self.voltage_v = None
        self.corrected_v = None
        self.rested_v = None
        self.charge_percent = None
        self._forget_times()

    def _forget_times(self) -> None:
        """Start every timer again. What was known is kept, without an age: the rested charge becomes suspect."""
        self._rest_due_ms = 0
        self.load_a = 0.0
        self.load_since_ms = 0
        self.voltage_mono_ms = None
        self.quiet_since_ms = None
        self.quiet_lowest_v = 0.0
        self.rested_mono_ms = None
        self.below_disconnect_since_ms = None
        self.below_floor_since_ms = None
        self.above_resume_since_ms = None

    def restarted(self) -> None:
        """After a restart of the monotonic clock: ages mean nothing. A low battery stays low until it has recovered."""
        self._forget_times()

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
        if self.voltage_mono_ms is not None and mono_ms < self.voltage_mono_ms:
            self.restarted()
        if load_a != self.load_a:
            if self.load_a == 0.0:
                self.load_since_ms = mono_ms
            self.load_a = load_a
        if battery_v is not None and LOWEST_PLAUSIBLE_V <= battery_v <= HIGHEST_PLAUSIBLE_V:
            self.voltage_v = battery_v
            self.voltage_mono_ms = mono_ms
            corrected_v = battery_v + load_a * self._resistance_ohm
            self.corrected_v = corrected_v
            if battery_v < self._fine_v or self.low_reason:
                self._follow_disconnect(battery_v, corrected_v, mono_ms)
            else:
                # Above both limits and not low: what `_follow_disconnect` would do, without a call for every report.
                self.below_floor_since_ms = self.below_disconnect_since_ms = None
            charging = current_a > self._charging_a if current_a is not None else self._charging(battery_v, panel_v)
            if load_a == 0.0 and not charging:
                lowest_v = self.quiet_lowest_v
                if mono_ms >= self._rest_due_ms or not lowest_v <= battery_v <= lowest_v + RISING_V:
                    self._follow_rest(battery_v, mono_ms)
            else:
                self.quiet_since_ms = None
                self._rest_due_ms = 0
                if load_a != 0.0:
                    self._lower_to_what_load_allows(mono_ms)

    def reading(self, mono_ms: int) -> BatteryReading:
        """The estimate as of now, without a new report."""
        voltage_v = self.voltage_v
        return BatteryReading(
            voltage_v,
            self.corrected_v,
            self.charge_percent,
            self._quality(mono_ms),
            self.rested_mono_ms,
            self.low_reason != "",
            self.low_reason,
            voltage_v is not None and voltage_v > self._maximum_v,
        )

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, state[name])
        # When to look next follows from the rest: a look too early changes nothing.
        self._rest_due_ms = 0

    def _quality(self, mono_ms: int) -> Quality:
        heard = self.voltage_mono_ms
        if heard is None or mono_ms - heard > LOST_AFTER_MS or self.charge_percent is None:
            return "unknown"
        rested = self.rested_mono_ms
        if rested is None or mono_ms - rested > HELD_GOOD_MS:
            return "suspect"
        return "suspect" if self._flat_chemistry and 20.0 < self.charge_percent < 100.0 else "good"

    def _charging(self, battery_v: float, panel_v: float | None) -> bool:
        """Is the sun pushing the voltage up? Without a shunt: by the panel, else a voltage no rested battery has."""
        if panel_v is not None:
            return panel_v > battery_v + CHARGING_PANEL_MARGIN_V
        return battery_v > self._table[-1][0] + SURFACE_CHARGE_MARGIN_V

    def _follow_rest(self, battery_v: float, mono_ms: int) -> None:
        """Follow a quiet battery to rest, and its rested voltage from then on; says when to look again."""
        since = self.quiet_since_ms
        if since is None or (mono_ms - since > REBOUND_MS and battery_v > self.quiet_lowest_v + RISING_V):
            self.quiet_since_ms = since = mono_ms
            self.quiet_lowest_v = battery_v
            self._rest_due_ms = 0
        elif battery_v < self.quiet_lowest_v or mono_ms - since <= REBOUND_MS:
            self.quiet_lowest_v = battery_v
        if mono_ms - since >= REST_AFTER_MS:
            looked_ms = self.rested_mono_ms
            if looked_ms is None or looked_ms <= since:
                self._note_rest(battery_v, mono_ms)
            elif self.rested_v is not None and mono_ms - looked_ms >= REST_EVERY_MS:
                self._note_rest(self.rested_v + REST_WEIGHT * (battery_v - self.rested_v), mono_ms)
        elif self.rested_v is None:
            # Never seen rested yet: what it shows now is better than nothing.
            self.charge_percent = rest_charge_percent(self._table, battery_v)
        elif mono_ms - since > REBOUND_MS:
            self._rest_due_ms = since + REST_AFTER_MS

    def _note_rest(self, rested_v: float, mono_ms: int) -> None:
        self.rested_v = rested_v
        self.rested_mono_ms = mono_ms
        self.charge_percent = rest_charge_percent(self._table, rested_v)
        self._rest_due_ms = mono_ms + REST_EVERY_MS

    def _lower_to_what_load_allows(self, mono_ms: int) -> None:
        """A voltage under steady load far below the held charge's lowers it; the inrush and small doubts do not."""
        if self.load_a == 0.0 or self.charge_percent is None or self.corrected_v is None:
            return
        if mono_ms - self.load_since_ms < STEADY_LOAD_MS:
            return
        allowed_percent = rest_charge_percent(self._table, self.corrected_v + LOAD_DOUBT_V)
        if allowed_percent < self.charge_percent:
            self.charge_percent = allowed_percent

    def _follow_disconnect(self, battery_v: float, corrected_v: float, mono_ms: int) -> None:
        """Two limits and a slow return; the inrush of a starting pump is forgiven by the first, never by the floor."""
        if battery_v >= self._floor_v:
            self.below_floor_since_ms = None
        elif self.below_floor_since_ms is None:
            self.below_floor_since_ms = mono_ms
        elif mono_ms - self.below_floor_since_ms >= FLOOR_AFTER_MS:
            self.low_reason = "floor"
        inrush = self.load_a > 0.0 and mono_ms - self.load_since_ms < INRUSH_MS
        if corrected_v >= self._disconnect_v or inrush:
            self.below_disconnect_since_ms = None
        elif self.below_disconnect_since_ms is None:
            self.below_disconnect_since_ms = mono_ms
        elif mono_ms - self.below_disconnect_since_ms >= DISCONNECT_AFTER_MS and not self.low_reason:
            self.low_reason = "disconnect"
        if not self.low_reason:
            return
        if corrected_v < self._resume_v:
            self.above_resume_since_ms = None
        elif self.above_resume_since_ms is None:
            self.above_resume_since_ms = mono_ms
        elif mono_ms - self.above_resume_since_ms >= RESUME_AFTER_MS:
            self.low_reason = ""
            self.above_resume_since_ms = None
