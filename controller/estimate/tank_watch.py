"""All that is looked at rarely about one tank: loss, storms, what its roofs give, and the day's causes for the ledger.

Draws and rain are added as they are counted; every few minutes one burst is looked at with the level believed. At the
day's end the causes are handed out as bookings: rain and overflow by the storms measured (of one under way what it
brought so far), hoses, the leak, evaporation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from controller.estimate.apparent import apparent_volume
from controller.estimate.catch import RoofYield, filled_by_hand
from controller.estimate.leak import HOUR_MS, LeakReading, LeakWatch
from controller.estimate.ledger import EVAPORATION, LEAK, OVERFLOW, RAIN, TOP_UP, Evidence, millilitres
from controller.estimate.level import LevelReading
from controller.estimate.storm import Storm, StormGauge
from controller.site.geometry import LevelTable
from controller.site.model import Roof, Tank

LOOK_EVERY_MS = 480_000
"""Eight or seven looks an hour: with six a small leak is found an eighth later (tuned on trials)."""
FULL_WITHIN_L, FULL_WITHIN_SDS = 4.0, 3.0
"""A tank that is so near its overflow may be spilling: the level alone cannot tell (own choice)."""
EVAPORATION_MM_DAY = 0.1
"""From the surface of a closed tank, give or take as much (own choice)."""
DAY_MS = 24 * HOUR_MS


class Booking(NamedTuple):
    """An entry for the ledger: into the tank positive."""

    account: str
    into_tank_ml: int
    evidence: Evidence


class TankWatch:
    """One tank's rare looks. `add` at every report that counts something, `look` when `due_mono_ms` is reached."""

    def __init__(self, tank: Tank, table: LevelTable, roofs: Sequence[Roof], mm_per_tip: float) -> None:
        """`roofs` are those that drain into the tank, maybe none; `mm_per_tip` is 0 without a rain gauge."""
        self._tank, self._table = tank, table
        self._capacity_l = table.volume_l(tank.overflow_mm)
        self.leak = LeakWatch()
        self.storms = StormGauge()
        # Without a gauge nobody knows what the roofs should give.
        self.roofs = RoofYield(roofs, mm_per_tip) if roofs and mm_per_tip > 0.0 else None
        self.due_mono_ms = 0
        self._rain_mm = self._drawn_l = 0.0
        self._drew_unmetered = False
        self._bookings: list[Booking] = []
        self._begun_ml = self._begun_spilling_ml = 0
        """Of the storm under way, what earlier days were booked with."""
        self._day_began_ms: int | None = None
        self._looked_ms: int | None = None
        self._surface_m2 = 0.0
        self._doubted_mm = 0.0

    @property
    def leak_reading(self) -> LeakReading:
        return self.leak.reading()

    def add(self, rain_mm: float, drawn_l: float) -> None:
        """Count rain and metered draw."""
        self._rain_mm += rain_mm
        self._drawn_l += drawn_l

    def drawn_unmetered(self) -> None:
        """A pump without a meter ran since the last look: what is missing says nothing of a leak or a storm."""
        self._drew_unmetered = True

    def look(
        self, mono_ms: int, reading: LevelReading, burst_us: Sequence[int], probe_c: float | None, raining: bool
    ) -> None:
        """Look at a burst and at the level believed."""
        self.due_mono_ms = mono_ms + LOOK_EVERY_MS
        if self._day_began_ms is None:
            self._day_began_ms = mono_ms
        rain_mm, drawn_l = self._rain_mm, self._drawn_l
        self._rain_mm = self._drawn_l = 0.0
        good = reading.quality == "good" and not reading.at_or_above
        volume_l, level_mm = reading.volume_l, reading.level_mm
        seen = None
        if good and probe_c is not None and level_mm is not None:
            seen = apparent_volume(self._tank, self._table, burst_us, probe_c, level_mm)
            self._surface_m2 = self._table.area_m2(level_mm)
        seen_l, litres_per_k = (None, 0.0) if seen is None else seen
        unmetered, self._drew_unmetered = self._drew_unmetered, False
        if unmetered:
            self.storms.restarted()
        self.leak.observe(mono_ms, seen_l, litres_per_k, probe_c, drawn_l, raining or unmetered)
        near_l = max(FULL_WITHIN_L, FULL_WITHIN_SDS * (reading.sd_l or 0.0))
        full = volume_l is not None and volume_l > self._capacity_l - near_l
        left_l = drawn_l + self._leaked_l(mono_ms)
        storm = self.storms.observe(mono_ms, volume_l if good else None, rain_mm, left_l, full)
        if storm is not None:
            self._book_storm(storm)
            self._begun_ml = self._begun_spilling_ml = 0
            if self.roofs is not None:
                self.roofs.take(storm)
                self._doubted_mm += self.roofs.doubted_mm

    def _leaked_l(self, mono_ms: int) -> float:
        """What a known leak took since the last look."""
        elapsed_ms = mono_ms - self._looked_ms if self._looked_ms is not None else 0
        self._looked_ms = mono_ms
        return self.leak.rate_l_h * elapsed_ms / HOUR_MS if self.leak.state == "leaking" else 0.0

    def _book_storm(self, storm: Storm) -> None:
        """Book what a storm brought, and what of it spilled, beyond what an earlier day was booked with."""
        caught_l, sd_l, spilled_l, spilled_sd_l = storm.caught_l, storm.sd_l, 0.0, 0.0
        if self.roofs is not None and storm.rain_mm > 0.0:
            spilled_l, spilled_sd_l = self.roofs.spilled(storm)
            if caught_l is None:
                caught_l, sd_l = self.roofs.expected(storm.rain_mm, storm.dry_h)
                spilled_l = spilled_sd_l = 0.0
        if caught_l is None:
            return
        brought_ml, spilled_ml = millilitres(caught_l + spilled_l), millilitres(spilled_l)
        account = TOP_UP if storm.rain_mm <= 0.0 and filled_by_hand(storm) else RAIN
        brought_sd_ml = 1000.0 * math.hypot(sd_l, spilled_sd_l)
        self._book(account, brought_ml - self._begun_ml, brought_sd_ml, storm.began_ms, storm.ended_ms)
        if spilled_ml or self._begun_spilling_ml:
            more_ml = spilled_ml - self._begun_spilling_ml
            self._book(OVERFLOW, -more_ml, 1000.0 * spilled_sd_l, storm.began_ms, storm.ended_ms)
        self._begun_ml, self._begun_spilling_ml = brought_ml, spilled_ml

    def _book(self, account: str, into_tank_ml: int, sd_ml: float, first_ms: int, last_ms: int) -> None:
        self._bookings.append(Booking(account, into_tank_ml, Evidence(sd_ml, first_ms, last_ms)))

    def take_doubted_mm(self) -> float:
        """What was counted as rain since the last call and brought nothing into the tank, once."""
        doubted_mm, self._doubted_mm = self._doubted_mm, 0.0
        return doubted_mm

    def close_day(self, mono_ms: int) -> list[Booking]:
        """The bookings of the day that ends now; the next one begins."""
        began_ms = mono_ms if self._day_began_ms is None else self._day_began_ms
        so_far = self.storms.so_far(mono_ms)
        if so_far is not None:
            self._book_storm(so_far)
        leak = self.leak.reading()
        if leak.state == "leaking":
            since_ms = began_ms if leak.since_mono_ms is None else max(began_ms, leak.since_mono_ms)
            hours = max(0, mono_ms - since_ms) / HOUR_MS
            self._book(LEAK, -millilitres(leak.rate_l_h * hours), 1000.0 * leak.sd_l_h * hours, since_ms, mono_ms)
        dried_l = EVAPORATION_MM_DAY * self._surface_m2 * (mono_ms - began_ms) / DAY_MS
        if dried_l > 0.0:
            self._book(EVAPORATION, -millilitres(dried_l), 1000.0 * dried_l, began_ms, mono_ms)
        self._day_began_ms = mono_ms
        bookings, self._bookings = self._bookings, []
        return bookings

    def restarted(self) -> None:
        """After a restart of the monotonic clock: what was learned stays, what was under way is given up."""
        self.leak.restarted()
        self.storms.restarted()
        self.due_mono_ms = 0
        self._begun_ml = self._begun_spilling_ml = 0
        self._day_began_ms = self._looked_ms = None

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {
            "leak": self.leak.dump(),
            "storms": self.storms.dump(),
            "roofs": None if self.roofs is None else self.roofs.dump(),
            "due_mono_ms": self.due_mono_ms,
            "rain_mm": self._rain_mm,
            "drawn_l": self._drawn_l,
            "bookings": [
                [b.account, b.into_tank_ml, b.evidence.sd_ml, b.evidence.first_mono_ms, b.evidence.last_mono_ms]
                for b in self._bookings
            ],
            "begun_ml": [self._begun_ml, self._begun_spilling_ml],
            "day_began_ms": self._day_began_ms,
            "looked_ms": self._looked_ms,
            "surface_m2": self._surface_m2,
            "doubted_mm": self._doubted_mm,
            "drew_unmetered": self._drew_unmetered,
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self.leak.load(data["leak"])
        self.storms.load(data["storms"])
        if self.roofs is not None and data["roofs"] is not None:
            self.roofs.load(data["roofs"])
        self.due_mono_ms = data["due_mono_ms"]
        self._rain_mm, self._drawn_l = data["rain_mm"], data["drawn_l"]
        self._bookings = [
            Booking(account, ml, Evidence(sd_ml, first_ms, last_ms))
            for account, ml, sd_ml, first_ms, last_ms in data["bookings"]
        ]
        self._begun_ml, self._begun_spilling_ml = data["begun_ml"]
        self._day_began_ms, self._looked_ms = data["day_began_ms"], data["looked_ms"]
        self._surface_m2 = data["surface_m2"]
        self._doubted_mm = data.get("doubted_mm", 0.0)
        self._drew_unmetered = data.get("drew_unmetered", False)
