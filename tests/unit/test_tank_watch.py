"""The rare looks at a tank: the causes of a day are handed to the ledger."""

from __future__ import annotations

import json
import math
from random import Random

import pytest

from controller.contract import Quality
from controller.estimate.ledger import LEAK, OVERFLOW, RAIN, TOP_UP, DayLedger, book
from controller.estimate.level import LevelReading
from controller.estimate.sound import headspace_speed_m_s
from controller.estimate.tank_watch import LOOK_EVERY_MS, Booking, TankWatch
from controller.site.geometry import LevelTable
from controller.site.model import Roof, Tank, VerticalCylinder

TANK = Tank("main", "Main", VerticalCylinder(1200.0, 1750.0), None, 0, 1980.0, 250.0, 1680.0, 80.0, 150.0)
TABLE = LevelTable(TANK.shape)
CAPACITY_L = TABLE.volume_l(TANK.overflow_mm)
ROOF = Roof("shed", "main", 20.0, 0.9, 0.5)
MM_PER_TIP = 0.28
PROBE_C = 12.0
HOUR_MS = 3_600_000


class Shed:
    """A tank behind a roof in steady air; the roof gives what is declared, the level is known to a litre."""

    def __init__(self, fill_l: float = 700.0, roofs: tuple[Roof, ...] = (ROOF,)) -> None:
        self.watch = TankWatch(TANK, TABLE, roofs, MM_PER_TIP)
        self._rng = Random(4)
        self.now_ms = 0
        self.volume_l = fill_l
        self.spilled_l = 0.0
        self._flush_mm = 0.8
        self._untipped_mm = 0.0

    def live(self, hours: float, *, rain_mm: float = 0.0, inflow_l: float = 0.0, leak_l_h: float = 0.0) -> None:
        steps = round(hours * HOUR_MS / LOOK_EVERY_MS)
        for _ in range(steps):
            self.now_ms += LOOK_EVERY_MS
            fallen_mm = rain_mm / steps
            flushed_mm = min(fallen_mm, self._flush_mm)
            self._flush_mm -= flushed_mm
            self.volume_l += (fallen_mm - flushed_mm) * ROOF.area_m2 * ROOF.runoff_coefficient + inflow_l / steps
            self.volume_l -= leak_l_h * LOOK_EVERY_MS / HOUR_MS
            self.spilled_l += max(0.0, self.volume_l - CAPACITY_L)
            self.volume_l = min(self.volume_l, CAPACITY_L)
            self._untipped_mm += fallen_mm
            tipped_mm = MM_PER_TIP * math.floor(self._untipped_mm / MM_PER_TIP)
            self._untipped_mm -= tipped_mm
            self.watch.add(tipped_mm, 0.0)
            self._look(rain_mm > 0.0)
        if rain_mm == 0.0 and hours >= 24.0:
            self._flush_mm = 0.8

    def _look(self, raining: bool, quality: Quality = "good") -> None:
        level_mm = TABLE.level_mm(self.volume_l)
        seen_mm = level_mm + self._rng.gauss(0.0, 0.6)
        us = round((TANK.sensor_height_mm - seen_mm) * 2000.0 / headspace_speed_m_s(PROBE_C))
        believed_l = self.volume_l + self._rng.gauss(0.0, 0.5)
        reading = LevelReading(level_mm, min(believed_l, CAPACITY_L), 1.0, quality, self.now_ms)
        self.watch.look(self.now_ms, reading, [us] * 5, PROBE_C, raining)

    def day(self) -> dict[str, int]:
        """Millilitres by account of the day that ends now."""
        return totals(self.watch.close_day(self.now_ms))


def totals(bookings: list[Booking]) -> dict[str, int]:
    ledger = DayLedger("main", "2026-06-01", 0)
    for account, into_tank_ml, evidence in bookings:
        ledger = book(ledger, account, into_tank_ml, evidence)
        assert evidence.first_mono_ms <= evidence.last_mono_ms
        assert evidence.sd_ml >= 0.0
    return dict(ledger.entries_ml)


def test_a_quiet_day_only_dries_a_little() -> None:
    shed = Shed()
    shed.live(24)
    entries = shed.day()
    assert list(entries) == ["evaporation"]
    assert -250 < entries["evaporation"] < 0


def test_a_storm_is_booked_as_rain_by_what_the_tank_rose() -> None:
    shed = Shed()
    shed.live(10)
    shed.live(2, rain_mm=9.8)
    shed.live(12)
    assert shed.day()[RAIN] == pytest.approx(1000.0 * 20.0 * 0.9 * 9.0, abs=3_500)


def test_a_storm_over_midnight_is_shared_between_the_days_and_booked_once() -> None:
    shed = Shed()
    shed.live(23)
    shed.live(1, rain_mm=4.9)
    first = shed.day()
    shed.live(1, rain_mm=4.9)
    shed.live(23)
    second = shed.day()
    assert first[RAIN] == pytest.approx(1000.0 * 20.0 * 0.9 * 4.1, abs=8_000)
    assert first[RAIN] + second[RAIN] == pytest.approx(1000.0 * 20.0 * 0.9 * 9.0, abs=3_500)


def test_what_finds_no_room_is_booked_as_rain_and_as_overflow() -> None:
    shed = Shed(fill_l=CAPACITY_L - 50.0)
    shed.live(10)
    shed.live(2, rain_mm=9.8)
    shed.live(12)
    entries = shed.day()
    assert entries[RAIN] + entries[OVERFLOW] == pytest.approx(50_000, abs=3_500)
    assert -entries[OVERFLOW] == pytest.approx(1000.0 * shed.spilled_l, rel=0.25)


def test_a_hose_without_rain_is_topping_up() -> None:
    shed = Shed()
    shed.live(10)
    shed.live(0.5, inflow_l=300.0)
    shed.live(12)
    entries = shed.day()
    assert entries[TOP_UP] == pytest.approx(300_000, abs=3_500)
    assert RAIN not in entries


def test_a_tank_without_a_roof_is_topped_up_and_never_asks_for_a_yield() -> None:
    shed = Shed(roofs=())
    shed.live(10)
    shed.live(0.5, inflow_l=300.0)
    shed.live(12)
    assert shed.watch.roofs is None
    assert shed.day()[TOP_UP] == pytest.approx(300_000, abs=3_500)


def test_a_leak_is_booked_for_the_hours_of_the_day() -> None:
    shed = Shed()
    shed.live(8 * 24)
    shed.day()
    shed.live(24, leak_l_h=1.0)
    first = shed.day()
    shed.live(24, leak_l_h=1.0)
    second = shed.day()
    assert shed.watch.leak_reading.state == "leaking"
    assert first[LEAK] == pytest.approx(-24_000, rel=0.2)
    assert second[LEAK] == pytest.approx(-24_000, rel=0.05)


def test_a_leak_that_goes_on_while_it_rains_is_no_loss_of_rain() -> None:
    shed = Shed()
    shed.live(8 * 24)
    shed.live(48, leak_l_h=1.0)
    shed.day()
    shed.live(10, leak_l_h=1.0)
    shed.live(4, rain_mm=9.8, leak_l_h=1.0)
    shed.live(10, leak_l_h=1.0)
    entries = shed.day()
    assert entries[RAIN] == pytest.approx(1000.0 * 20.0 * 0.9 * 9.0, abs=4_000)
    assert entries[LEAK] == pytest.approx(-24_000, rel=0.1)


def test_the_watch_goes_on_from_its_dump() -> None:
    shed = Shed()
    shed.live(23)
    shed.live(1, rain_mm=4.9)
    shed.day()
    shed.live(0.5, rain_mm=2.8)
    copy = TankWatch(TANK, TABLE, (ROOF,), MM_PER_TIP)
    copy.load(json.loads(json.dumps(shed.watch.dump())))
    assert copy.dump() == shed.watch.dump()
    assert copy.close_day(shed.now_ms) == shed.watch.close_day(shed.now_ms)


def test_after_a_restart_of_the_clock_a_day_begins_anew() -> None:
    shed = Shed()
    shed.live(10)
    shed.live(1, rain_mm=4.9)
    shed.watch.restarted()
    shed.now_ms = 0
    shed.live(12)
    assert list(shed.day()) == ["evaporation"]
