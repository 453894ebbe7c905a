"""The leak test on made-up volumes: what it finds, what it leaves alone, and when it is over."""

from __future__ import annotations

import json
import math
from random import Random

import pytest

from controller.estimate.leak import CLEAR_QUIET_H, HOUR_MS, LeakWatch, paired_loss
from controller.estimate.loss import TUNING, Tuning

STEP_MS = 300_000
LITRES_PER_K = 1.5
VOLUME_L = 1000.0


class Tank:
    """A tank whose seeming volume follows the temperature of the day, sampled every five minutes."""

    def __init__(self, seed: int = 1, tuning: Tuning = TUNING) -> None:
        self._rng = Random(seed)
        self.watch = LeakWatch(tuning)
        self.now_ms = 0
        self.volume_l = VOLUME_L

    def live(self, hours: float, leak_l_h: float = 0.0, *, raining: bool = False, blind: bool = False) -> None:
        for _ in range(round(hours * HOUR_MS / STEP_MS)):
            self.now_ms += STEP_MS
            self.volume_l -= leak_l_h * STEP_MS / HOUR_MS
            self._look(0.0, raining, blind)

    def draw(self, metered_l: float, true_l: float) -> None:
        self.now_ms += STEP_MS
        self.volume_l -= true_l
        self._look(metered_l, False, False)

    def _look(self, drawn_l: float, raining: bool, blind: bool) -> None:
        day = 2.0 * math.pi * self.now_ms / (24 * HOUR_MS)
        probe_c = 15.0 - 6.0 * math.cos(day)
        seen_l = self.volume_l - 2.0 * math.sin(day - 1.0) + self._rng.gauss(0.0, 0.8)
        self.watch.observe(self.now_ms, None if blind else seen_l, LITRES_PER_K, probe_c, drawn_l, raining)

    def hours_until(self, state: str, leak_l_h: float, longest_h: int) -> int:
        """Hours of this leak until the test is in a state; fails when that takes too long."""
        for hour in range(1, longest_h + 1):
            self.live(1, leak_l_h)
            if self.watch.state == state:
                return hour
        pytest.fail(f"not {state} within {longest_h} h of {leak_l_h} L/h: {self.watch.reading()}")


def test_a_tight_tank_whose_level_follows_the_sun_is_left_alone() -> None:
    tank = Tank()
    for _ in range(30):
        tank.live(24)
        assert tank.watch.state == "none"


@pytest.mark.parametrize(("leak_l_h", "longest_h"), [(0.2, 60), (0.5, 24), (1.0, 12), (5.0, 5)])
def test_a_leak_is_found_the_sooner_the_bigger_it_is(leak_l_h: float, longest_h: int) -> None:
    tank = Tank()
    tank.live(8 * 24)
    began_ms = tank.now_ms
    hours = tank.hours_until("leaking", leak_l_h, longest_h)
    reading = tank.watch.reading()
    assert reading.since_mono_ms is not None
    assert abs(reading.since_mono_ms - began_ms) <= max(3, hours // 2) * HOUR_MS
    assert reading.rate_l_h == pytest.approx(leak_l_h, abs=4.0 * reading.sd_l_h)
    assert reading.evidence_sds >= 5.0


def test_the_rate_of_a_leak_is_put_right_as_it_goes_on() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.hours_until("leaking", 0.5, 24)
    tank.live(72, 0.5)
    reading = tank.watch.reading()
    assert reading.rate_l_h == pytest.approx(0.5, abs=0.05)
    assert reading.lost_l == pytest.approx(VOLUME_L - tank.volume_l, rel=0.15)


def test_a_big_leak_s_rate_is_known_within_hours() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.hours_until("leaking", 5.0, 5)
    tank.live(8, 5.0)
    assert tank.watch.reading().rate_l_h == pytest.approx(5.0, rel=0.1)


def test_a_leak_that_grows_is_followed() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.hours_until("leaking", 0.5, 24)
    tank.live(36, 2.0)
    assert tank.watch.reading().rate_l_h == pytest.approx(2.0, abs=0.2)


def test_a_leak_that_stops_is_said_to_and_forgotten_after_quiet_days_without_loss() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.hours_until("leaking", 1.0, 12)
    tank.live(24, 1.0)
    tank.hours_until("stopped", 0.0, 24)
    stopped_at_l = tank.watch.reading().stopped_at_l
    assert stopped_at_l == pytest.approx(tank.volume_l, abs=5.0)
    tank.live(CLEAR_QUIET_H - 4)
    assert tank.watch.state == "stopped"
    tank.live(8)
    assert tank.watch.state == "none"
    assert tank.watch.reading().rate_l_h == 0.0


def test_a_can_of_water_taken_is_no_leak() -> None:
    tank = Tank()
    tank.live(8 * 24)
    for _ in range(10):
        tank.volume_l -= 10.0
        tank.live(23.4)
        assert tank.watch.state == "none"


def test_cans_filled_one_after_the_other_are_no_leak() -> None:
    tank = Tank()
    tank.live(8 * 24 + 0.5)
    tank.live(1.0, 30.0)
    tank.live(24)
    assert tank.watch.state == "none"


def test_water_metered_out_is_no_leak_even_by_a_meter_that_is_off() -> None:
    tank = Tank()
    tank.live(8 * 24)
    for _ in range(10):
        tank.draw(40.0, 40.5)
        tank.live(24)
        assert tank.watch.state == "none"


def a_day_of_waterings(tuning: Tuning) -> LeakWatch:
    """Six, three hours apart, each 6 % more by the level than by the meter: it is off, and so is the tank's shape."""
    tank = Tank(2, tuning)
    tank.live(8 * 24)
    for _ in range(6):
        tank.draw(30.0, 31.8)
        tank.live(3)
        if tank.watch.state == "leaking":
            break
    return tank.watch


def test_waterings_that_are_all_counted_short_alike_are_no_leak() -> None:
    assert a_day_of_waterings(TUNING).state == "none"


def test_if_each_were_wrong_by_itself_they_would_be() -> None:
    assert a_day_of_waterings(TUNING._replace(count_part=1e-6)).state == "leaking"


def test_rain_hides_a_leak_and_no_longer() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.volume_l += 80.0
    tank.live(3, raining=True)
    assert tank.watch.state == "none"
    assert tank.hours_until("leaking", 1.0, 14) > 2


def test_rain_that_no_gauge_tells_of_changes_nothing_for_the_test() -> None:
    tank = Tank()
    tank.live(8 * 24)
    for _ in range(10):
        # Fourteen hours of drizzle, and none for the rest of two days.
        tank.live(14, leak_l_h=-2.0)
        for _ in range(34):
            tank.live(1)
            assert tank.watch.state == "none"
    assert tank.hours_until("leaking", 1.0, 14) >= 2


@pytest.mark.parametrize(("lost_h", "lost_l_h", "blind_h"), [(0.5, 30.0, 4), (1, 30.0, 0), (3, 15.0, 4), (4, 8.0, 1)])
def test_a_loss_that_was_over_before_it_was_found_is_not_told_days_later(
    lost_h: float, lost_l_h: float, blind_h: int
) -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.live(lost_h, lost_l_h)
    tank.live(blind_h, blind=True)
    tank.live(6)
    told = tank.watch.state != "none"
    for _ in range(7 * 24):
        tank.live(1)
        assert told or tank.watch.state == "none"
    assert told or tank.hours_until("leaking", 1.0, 14) >= 2


def test_a_ranger_that_hears_nothing_finds_nothing() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.live(48, 5.0, blind=True)
    assert tank.watch.state == "none"


def test_a_restarted_clock_keeps_the_leak_but_not_its_date() -> None:
    tank = Tank()
    tank.live(8 * 24)
    tank.hours_until("leaking", 1.0, 12)
    tank.now_ms = 0
    tank.live(1, 1.0)
    reading = tank.watch.reading()
    assert reading.state == "leaking"
    assert reading.since_mono_ms is None


def test_the_test_goes_on_from_its_dump_as_if_nothing_had_been() -> None:
    tank = Tank(3)
    tank.live(8 * 24 + 5.4, 0.05)
    copy = LeakWatch()
    copy.load(json.loads(json.dumps(tank.watch.dump())))
    assert copy.dump() == tank.watch.dump()
    original = tank.watch
    rng, now_ms, volume_l = tank._rng.getstate(), tank.now_ms, tank.volume_l
    tank.live(30, 1.0)
    tank.watch = copy
    tank.now_ms, tank.volume_l = now_ms, volume_l
    tank._rng.setstate(rng)
    tank.live(30, 1.0)
    assert copy.reading() == original.reading()
    assert copy.state == "leaking"


def test_pairs_of_hours_a_day_apart_take_out_the_wave_of_the_day() -> None:
    hourly = [1000.0 - 0.5 * hour + 20.0 * math.sin(2.0 * math.pi * hour / 24) for hour in range(30)]
    loss = paired_loss(hourly)
    assert loss is not None
    assert loss.rate_l_h == pytest.approx(0.5)
    assert loss.pairs == 6


def test_hours_without_a_partner_make_no_pair() -> None:
    assert paired_loss([1.0] * 24) is None
    assert paired_loss([1.0, *[2.0] * 23, None]) is None
    loss = paired_loss([25.0, None, *[2.0] * 22, 1.0, 1.0])
    assert loss is not None
    assert (loss.rate_l_h, loss.pairs) == (1.0, 1)


def hot_spell(tuning: Tuning) -> LeakWatch:
    """Warm air in layers over cooler water by day, week after week; then the weather turns, and the error is gone."""
    watch, rng = LeakWatch(tuning), Random(4)
    water_c = 16.0
    for step in range(round(24 * 30 * HOUR_MS / STEP_MS)):
        now_ms = (step + 1) * STEP_MS
        days = now_ms / (24 * HOUR_MS)
        mean_c = 26.0 if 12.0 < days < 22.0 else 16.0
        probe_c = mean_c - 6.0 * math.cos(2.0 * math.pi * days)
        water_c += (probe_c - water_c) * STEP_MS / (48 * HOUR_MS)
        layered_l = 1.2 * 3.7 * max(0.0, probe_c - water_c)
        watch.observe(now_ms, VOLUME_L - layered_l + rng.gauss(0.0, 0.8), 3.7, probe_c)
        if watch.state == "leaking":
            break
    return watch


def test_the_end_of_a_hot_spell_is_no_leak() -> None:
    assert hot_spell(TUNING).state == "none"


def test_without_knowing_of_warm_air_in_layers_it_would_be() -> None:
    assert hot_spell(TUNING._replace(warm_sd=1e-6)).state == "leaking"
