"""The low-voltage disconnect: what protects the battery, whatever its charge is thought to be.

Two limits and a slow return. All voltages are those of a 12 V battery.
"""

from __future__ import annotations

from typing import Any

from controller.site.model import Battery, Chemistry

RESISTANCE_OHM_AH: dict[Chemistry, float] = {"flooded": 2.0, "agm": 1.2, "lifepo4": 1.0}
"""Internal resistance and leads, times capacity: 20 mOhm for 100 Ah flooded. Common practice, no source."""
INRUSH_MS = 2_000
DISCONNECT_AFTER_MS = 10_000
FLOOR_AFTER_MS = 200
RESUME_AFTER_MS = 30 * 60_000

_STATE = (
    "load_a",
    "load_since_ms",
    "corrected_v",
    "below_disconnect_since_ms",
    "below_floor_since_ms",
    "above_resume_since_ms",
    "low_reason",
)


class VoltageLimits:
    """Follows a battery's voltage against its limits. Give `follow` every believable voltage."""

    __slots__ = ("_disconnect_v", "_fine_v", "_floor_v", "_resistance_ohm", "_resume_v", *_STATE)

    corrected_v: float | None
    below_disconnect_since_ms: int | None
    below_floor_since_ms: int | None
    above_resume_since_ms: int | None

    def __init__(self, battery: Battery) -> None:
        self._disconnect_v = battery.disconnect_v
        self._floor_v = battery.floor_v
        self._resume_v = battery.resume_v
        self._fine_v = max(battery.disconnect_v, battery.floor_v)
        self._resistance_ohm = RESISTANCE_OHM_AH[battery.chemistry] / battery.capacity_ah
        self.low_reason = ""
        self.corrected_v = None
        self.restarted()

    def restarted(self) -> None:
        """Start every timer again. A low battery stays low until it has recovered."""
        self.load_a = 0.0
        self.load_since_ms = 0
        self.below_disconnect_since_ms = None
        self.below_floor_since_ms = None
        self.above_resume_since_ms = None

    def note_load(self, load_a: float, mono_ms: int) -> None:
        """The pumps' current has changed; the time since the first of them started goes on."""
        if self.load_a == 0.0:
            self.load_since_ms = mono_ms
        self.load_a = load_a

    def follow(self, battery_v: float, mono_ms: int) -> None:
        """Take one voltage, under the load that was noted last."""
        self.corrected_v = corrected_v = battery_v + self.load_a * self._resistance_ohm
        if battery_v < self._fine_v or self.low_reason:
            self._follow_disconnect(battery_v, corrected_v, mono_ms)
        else:
            # Above both limits and not low: what `_follow_disconnect` would do, without a call for every report.
            self.below_floor_since_ms = self.below_disconnect_since_ms = None

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, state[name])

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
