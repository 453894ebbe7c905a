"""Storms measured by the tank, what roofs give, and which of gutter and gauge is to blame."""

from __future__ import annotations

import json
import math
from random import Random

import pytest

from controller.estimate.catch import RoofYield
from controller.estimate.storm import HOUR_MS, Storm, StormGauge
from controller.site.model import Roof

STEP_MS = 300_000
MM_PER_TIP = 0.28
ROOF = Roof("shed", "main", 20.0, 0.85, 0.5)


class Barrel:
    """A tank of which a storm gauge sees the volume every five minutes, with a litre of noise."""

    def __init__(self, volume_l: float = 400.0, seed: int = 1) -> None:
        self._rng = Random(seed)
        self.gauge = StormGauge()
        self.now_ms = 0
        self.volume_l = volume_l
        self.capacity_l = 1500.0
        self.storms: list[Storm] = []
        self._unsent_mm = 0.0

    def live(
        self, hours: float, *, rain_mm: float = 0.0, inflow_l: float = 0.0, drawn_l: float = 0.0, tips: bool = True
    ) -> None:
        """Hours in which rain and water come evenly."""
        steps = round(hours * HOUR_MS / STEP_MS)
        for _ in range(steps):
            self.now_ms += STEP_MS
            self.volume_l = min(self.capacity_l, self.volume_l + (inflow_l - drawn_l) / steps)
            self._unsent_mm += rain_mm / steps if tips else 0.0
            tipped_mm = MM_PER_TIP * math.floor(self._unsent_mm / MM_PER_TIP)
            self._unsent_mm -= tipped_mm
            seen_l = self.volume_l + self._rng.gauss(0.0, 1.0)
            full = self.volume_l > 0.985 * self.capacity_l
            storm = self.gauge.observe(self.now_ms, seen_l, tipped_mm, drawn_l / steps, full)
            if storm is not None:
                self.storms.append(storm)


def test_a_storm_is_what_the_tank_rose_by() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0)
    barrel.live(6)
    (storm,) = barrel.storms
    assert storm.caught_l == pytest.approx(130.0, abs=3.0 * storm.sd_l)
    assert storm.rain_mm == pytest.approx(8.4, abs=MM_PER_TIP)
    assert storm.rising_h == pytest.approx(2.0, abs=0.3)
    assert not storm.spilled


def test_what_is_drawn_meanwhile_is_added_back() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0, drawn_l=60.0)
    barrel.live(6)
    (storm,) = barrel.storms
    assert storm.caught_l == pytest.approx(130.0, abs=3.0 * storm.sd_l)


def test_water_that_came_before_the_first_tip_is_the_storm_s() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(0.5, inflow_l=4.0)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0)
    barrel.live(6)
    assert barrel.storms[0].caught_l == pytest.approx(134.0, abs=3.5)


def test_showers_with_an_hour_between_are_one_storm_and_with_a_night_between_two() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(1, rain_mm=3.0, inflow_l=40.0)
    barrel.live(1)
    barrel.live(1, rain_mm=3.0, inflow_l=45.0)
    barrel.live(8)
    barrel.live(1, rain_mm=3.0, inflow_l=45.0)
    barrel.live(8)
    assert [storm.rain_mm for storm in barrel.storms] == pytest.approx([6.0, 3.0], abs=0.6)
    assert barrel.storms[1].dry_h == pytest.approx(8.0, abs=0.5)


def test_a_tank_that_gets_full_gives_a_lower_bound() -> None:
    barrel = Barrel(volume_l=1450.0)
    barrel.live(12)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0)
    barrel.live(6)
    (storm,) = barrel.storms
    assert storm.spilled
    assert storm.caught_l == pytest.approx(50.0, abs=4.0)


def test_a_storm_without_a_level_before_it_is_not_measured() -> None:
    barrel = Barrel()
    barrel.live(0.2)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0)
    barrel.live(6)
    assert barrel.storms[0].caught_l is None


def test_a_rise_without_a_tip_is_measured_too() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(2, rain_mm=8.4, inflow_l=130.0, tips=False)
    barrel.live(6)
    (storm,) = barrel.storms
    assert storm.rain_mm == 0.0
    assert storm.caught_l == pytest.approx(130.0, abs=4.0)


def test_a_quiet_tank_has_no_storms() -> None:
    barrel = Barrel()
    barrel.live(24 * 20)
    assert barrel.storms == []


def test_a_storm_goes_on_from_a_dump() -> None:
    barrel, copy = Barrel(), StormGauge()
    barrel.live(12)
    barrel.live(1, rain_mm=4.2, inflow_l=65.0)
    copy.load(json.loads(json.dumps(barrel.gauge.dump())))
    assert copy.dump() == barrel.gauge.dump()
    barrel.gauge = copy
    barrel.live(1, rain_mm=4.2, inflow_l=65.0)
    barrel.live(6)
    assert barrel.storms[0].caught_l == pytest.approx(130.0, abs=4.0)


def test_a_restarted_clock_gives_a_storm_up() -> None:
    barrel = Barrel()
    barrel.live(12)
    barrel.live(1, rain_mm=4.2, inflow_l=65.0)
    barrel.gauge.restarted()
    barrel.live(6)
    assert barrel.storms == []


# --- what roofs give ----------------------------------------------------------------------------------------------


def storm(rain_mm: float, caught_l: float | None, dry_h: float = 48.0, *, spilled: bool = False) -> Storm:
    return Storm(0, 1, dry_h, rain_mm, caught_l, 1.2, 3.0, spilled)


def given_l(rain_mm: float, coefficient: float = 0.9, loss_mm: float = 0.8) -> float:
    """What a true roof of 20 m2 gives after days without rain."""
    return 20.0 * coefficient * max(0.0, rain_mm - loss_mm)


def learned(coefficient: float = 0.9, storms: int = 12, seed: int = 2) -> RoofYield:
    """A yield after some storms over a roof that gives more or less than declared."""
    rng = Random(seed)
    roofs = RoofYield((ROOF,), MM_PER_TIP)
    for _ in range(storms):
        rain_mm = rng.uniform(3.0, 15.0)
        roofs.take(storm(rain_mm + rng.uniform(-0.1, 0.1), given_l(rain_mm, coefficient)))
    return roofs


def test_before_any_storm_the_declared_figures_hold() -> None:
    roofs = RoofYield((ROOF,), MM_PER_TIP)
    expected = roofs.expected(10.0, 1000.0)
    assert expected.volume_l == pytest.approx(20.0 * 0.85 * (10.0 - 0.5 - 0.3), rel=1e-6)
    assert expected.sd_l > 15.0


def test_after_rain_no_first_flush_is_due() -> None:
    roofs = RoofYield((ROOF,), MM_PER_TIP)
    assert roofs.expected(10.0, 0.0).volume_l == pytest.approx(20.0 * 0.85 * 10.0)


@pytest.mark.parametrize("coefficient", [0.78, 0.85, 0.92])
def test_storms_teach_what_the_roof_really_gives(coefficient: float) -> None:
    roofs = learned(coefficient)
    assert roofs.trouble == ""
    assert roofs.expected(10.0, 1000.0).volume_l == pytest.approx(given_l(10.0, coefficient), rel=0.02)
    assert roofs.reading().coefficient_sd < 0.03


def test_a_gutter_that_loses_a_third_is_found_by_one_good_storm() -> None:
    roofs = learned()
    roofs.take(storm(8.0, 0.7 * given_l(8.0)))
    reading = roofs.reading()
    assert reading.trouble == "gutter"
    assert reading.lost_part == pytest.approx(0.3, abs=3.0 * reading.lost_sd)
    assert reading.lost_l == pytest.approx(0.3 * given_l(8.0), rel=0.2)


def test_storms_too_small_to_say_it_alone_say_it_together() -> None:
    roofs = learned()
    roofs.take(storm(3.5, 0.7 * given_l(3.5)))
    assert roofs.trouble == ""
    roofs.take(storm(3.5, 0.7 * given_l(3.5)))
    assert roofs.trouble == "gutter"


def test_a_storm_that_is_far_off_teaches_nothing() -> None:
    roofs = learned()
    before = roofs.coefficient
    roofs.take(storm(8.0, 0.6 * given_l(8.0)))
    assert roofs.coefficient == before


def test_a_cleaned_gutter_clears_the_finding() -> None:
    roofs = learned()
    roofs.take(storm(8.0, 0.7 * given_l(8.0)))
    roofs.take(storm(9.0, 0.7 * given_l(9.0)))
    assert roofs.trouble == "gutter"
    roofs.take(storm(9.0, given_l(9.0)))
    roofs.take(storm(9.0, given_l(9.0)))
    assert roofs.trouble == ""
    assert roofs.reading().lost_l == 0.0


def test_a_storm_of_which_nothing_came_is_doubted_once_and_then_it_is_the_gutter() -> None:
    roofs = learned()
    roofs.take(storm(9.0, 0.02 * given_l(9.0)))
    assert roofs.doubted_mm == 9.0
    assert roofs.trouble == ""
    roofs.take(storm(8.0, 0.0))
    assert roofs.doubted_mm == 0.0
    assert roofs.trouble == "gutter"


def test_a_storm_that_brought_what_it_should_makes_the_next_doubt_a_first_one() -> None:
    roofs = learned()
    for _ in range(3):
        roofs.take(storm(9.0, 0.0))
        assert roofs.doubted_mm == 9.0
        roofs.take(storm(9.0, given_l(9.0)))
        assert roofs.doubted_mm == 0.0
        assert roofs.trouble == ""


def test_a_gutter_that_loses_most_is_not_taken_for_a_splash() -> None:
    roofs = learned()
    roofs.take(storm(9.0, 0.15 * given_l(9.0)))
    assert roofs.doubted_mm == 0.0
    assert roofs.trouble == "gutter"


def test_a_full_tank_doubts_no_rain() -> None:
    roofs = learned()
    roofs.take(storm(9.0, 0.0, spilled=True))
    assert roofs.doubted_mm == 0.0


def test_a_full_tank_blames_nobody() -> None:
    roofs = learned()
    roofs.take(storm(8.0, 20.0, spilled=True))
    assert roofs.trouble == ""


def test_what_a_full_tank_spilled_is_what_the_roof_gave_less_what_it_caught() -> None:
    roofs = learned()
    spilled = roofs.spilled(storm(8.0, 20.0, spilled=True))
    assert spilled.volume_l == pytest.approx(given_l(8.0) - 20.0, abs=3.0 * spilled.sd_l)
    assert 0.0 < spilled.sd_l < 10.0
    assert roofs.spilled(storm(8.0, 20.0)).volume_l == 0.0
    assert roofs.spilled(storm(8.0, 200.0, spilled=True)).volume_l == 0.0


def test_a_gauge_that_counts_too_little_is_told_from_a_gutter() -> None:
    roofs = learned()
    roofs.take(storm(4.0, given_l(8.0)))
    roofs.take(storm(5.0, given_l(10.0)))
    assert roofs.trouble == "gauge"
    assert roofs.reading().lost_part < -0.25


def test_a_tank_that_rises_twice_without_a_tip_has_a_blocked_gauge() -> None:
    roofs = learned()
    roofs.take(storm(0.0, 100.0))
    assert roofs.trouble == ""
    roofs.take(storm(0.0, 60.0))
    assert roofs.trouble == "gauge"
    roofs.take(storm(8.0, given_l(8.0)))
    roofs.take(storm(8.0, given_l(8.0)))
    assert roofs.trouble == ""


def test_a_storm_between_two_rises_says_that_the_gauge_counts() -> None:
    roofs = learned()
    roofs.take(storm(0.0, 100.0))
    roofs.take(storm(6.0, given_l(6.0)))
    roofs.take(storm(0.0, 100.0))
    assert roofs.trouble == ""


def test_a_hose_is_no_rain() -> None:
    roofs = learned()
    for _ in range(3):
        roofs.take(Storm(0, 1, 48.0, 0.0, 300.0, 1.2, 0.5, False))
    assert roofs.trouble == ""


def test_drizzle_and_unmeasured_storms_say_nothing() -> None:
    roofs = learned()
    before = roofs.dump()
    roofs.take(storm(1.0, 0.0))
    roofs.take(storm(9.0, None))
    assert roofs.dump() == before


def test_a_yield_survives_as_plain_data() -> None:
    roofs, copy = learned(), RoofYield((ROOF,), MM_PER_TIP)
    roofs.take(storm(8.0, 0.7 * given_l(8.0)))
    copy.load(json.loads(json.dumps(roofs.dump())))
    assert copy.reading() == roofs.reading()
    assert copy.expected(7.0, 20.0) == roofs.expected(7.0, 20.0)


def test_a_yield_without_a_roof_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one roof"):
        RoofYield((), MM_PER_TIP)
