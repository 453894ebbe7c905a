"""From bursts of echoes to the level and volume of one tank, with an honest uncertainty.

One estimator per tank. Bursts that look as expected, nearly all of them, are pooled and taken by the filter
(`controller.estimate.volume`) every few minutes; every other burst is sorted out ping by ping, and a level that is not
where it should be is doubted (`controller.estimate.jumps`, `controller.estimate.stuck`) before it is believed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from controller.contract import Quality
from controller.estimate.deeper_echo import DeeperEcho
from controller.estimate.echoes import (
    MINIMUM_AGREEING,
    MISSED_WAVE_US,
    Echoes,
    any_from,
    from_the_surface,
    middle,
    that_agree,
)
from controller.estimate.headspace import JUMP_WITHIN_MS, Headspace
from controller.estimate.jumps import FALSE_REACH_MM, PERSISTENT_MS, Candidate, FalseEcho
from controller.estimate.jumps import Verdict as JumpVerdict
from controller.estimate.stuck import TELLING_L, StuckWatch, Verdict
from controller.estimate.volume import LEVEL, METER, RATE, SPEED_SENSITIVITY_PER_K, Surroundings, VolumeFilter
from controller.site.geometry import LevelTable
from controller.site.model import Tank

CLOUDBURST_MM_MIN = 2.0
"""Heaviest rain a level may follow without being called an error of measurement (common practice, no source)."""
HAND_FILLING_L_MIN = 30.0
"""What the widest hose brings (common practice, no source)."""

PING_MM2 = 2.0
"""Variance of one ping over still water (own choice): a third of the 40 kHz period, which is 4.3 mm of distance."""
RESOLUTION_MM2 = 0.1
"""What pooling does not average away: the clock's microseconds, the temperature's steps (own choice)."""
FACE_MM2 = 0.25
"""The ranger's face is known to half a millimetre from commissioning (own choice)."""
SPREAD_PER_SD = 2.33
"""Mean range of five normal values over their standard deviation (Tippett 1925)."""
CALM_MM = 7.0
"""Pings of a burst within this of each other need no sorting out."""
DEEPER_MM2 = 100.0
"""Variance of a place that single pings came from (own choice)."""
CLOSE_MM = 10.0
WIDEST_MM = 100.0
GATE_SDS = 3.5
GATE_MM = 1.5

POOL_MS = 900_000
POOL_RAIN_MS = 180_000
POOL_DRAWING_MS = 15_000
"""How long bursts wait to be taken together: at rest, while rain runs in, after a draw (tuned on trials)."""
FIRST_BURSTS = 10
"""So many after a level was met are taken one by one."""
LOOSE_MS = 10 * 60_000
"""How long after a level was met it may still be on its way."""
LOOSE_MM_MIN = 12.0
UNMETERED_LOOSE_MS = 60_000
"""How long after the last sign of a pump without a meter the level may still be on its way."""
SURPRISE_SDS = 3.0
"""A pool this far from what the filter can explain is water that moves (own choice)."""
SURPRISE_H = 0.1
"""Within less time little can move but what is metered (own choice)."""
STILL_MM = 6.0
RAIN_RATE_MM_H2 = 900.0
"""How fast the rate of inflow may change in rain, as variance of mm/h an hour, for each m2 of roof per m2 of water."""
RAIN_MM2_H = 100.0
"""What a level may move in rain besides, as variance an hour (tuned on trials)."""
RAIN_MARGIN, UNTIPPED_L = 1.5, 10.0
"""What a roof may give more than its gauge lets expect (own choice), and what fell since the gauge last tipped."""
LITTLE_L = 3.0
"""A draw that must show in the level before the level is believed again."""
STANDS_AFTER_DRAW_MS = 10 * 60_000
DISTRUST_BURSTS = 5
REJECTED_BURSTS_SUSPECT = 3
BELOW_FLOOR_MARGIN_MM = 20.0
BELOW_FLOOR_MARGIN_FRACTION = 0.02
_MS_PER_H = 3_600_000.0
_MS_PER_MIN = 60_000.0


UNSEEN_MS = 120_000
RARE_MS = 45_000
"""With bursts further apart than this nobody sees water on its way: reports a minute apart are such."""
RARE_RISE_MM = 30.0
"""Less than this may be the last that ran in, and hides little water (own choice)."""
BURSTS_AFTER_RESTART = 3
"""So many bursts over a minute must agree on a level that is not the one before a restart (own choice)."""
RUNS_IN_PART, RUNS_IN_SD_PART = 0.8, 0.2
"""Part of the rain on the roofs that runs in while nobody sees the surface, and how unsure that is (common practice for
roofs, no source; what they truly give is learned elsewhere, from storms that were seen)."""


class LevelReading(NamedTuple):
    """What is known of a tank now.

    quality          "unknown": never measured (level and volume None) or too old to act on (last values, for people)
    sd_l             one standard deviation of the volume, growing with age
    at_or_above      the surface is nearer than the ranger's blind zone: level and volume are lower bounds
    measured_mono_ms when the last accepted burst came
    rejection        why the last burst was not used, empty when it was
    false_echo_mm    distance from the ranger of a thing in the tank that echoes again and again, None without one
    rate_l_h         what flows in unmetered, less what flows out: rain, hose, leak. While nothing can flow in a rate
                     above three of its `rate_sd_l_h` is a ranger that drifts
    """

    level_mm: float | None
    volume_l: float | None
    sd_l: float | None
    quality: Quality
    measured_mono_ms: int | None
    at_or_above: bool = False
    rejection: str = ""
    false_echo_mm: float | None = None
    rate_l_h: float | None = None
    rate_sd_l_h: float | None = None


_STATE = (
    "known",
    "left_mm",
    "level_mm",
    "measured_mono_ms",
    "agreed_mono_ms",
    "rained_l",
    "before_l",
    "at_or_above",
    "raining",
    "rejected_in_a_row",
    "rejection",
    "distrust_bursts",
    "first_bursts",
    "seen_mono_ms",
    "silent_ms",
    "stepped_mono_ms",
    "due_mono_ms",
    "drawn_mono_ms",
    "loose_until_ms",
    "unmetered_mono_ms",
    "shown_mm",
    "pooled",
    "pooled_mm",
    "pooled_mm2",
    "scatter_mm2",
    "gate_mm",
    "ordinary",
    "learned",
)
_PARTS = ("filter", "headspace", "stuck", "candidate", "false_echo", "deeper")


class LevelEstimator:
    """The state machine of one tank. Feed `observe` with each burst; ask `reading` in between.

    table              the tank's geometry
    max_inflow_l_min   what a hose, and in rain the roofs, can bring: a faster rise is an error of measurement
    dry_inflow_l_min   the same without rain; the whole `max_inflow_l_min` when left out. What the rain can have brought
                       is told by `rained`
    max_draw_l_min     what the pumps can take
    stale_after_ms     an accepted level older than this is "unknown"
    """

    __slots__ = (
        "_blind_us",
        "_calm_us",
        "_close_us",
        "_dry_inflow_l_min",
        "_farthest_us",
        "_half_mm_per_us",
        "_kept",
        "_kept_mono_ms",
        "_max_draw_l_min",
        "_max_inflow_l_min",
        "_mm_per_us",
        "_stale_after_ms",
        "_sensor_mm",
        "_table",
        "_tank",
        *_STATE,
        *_PARTS,
    )

    measured_mono_ms: int | None

    def __init__(
        self,
        tank: Tank,
        table: LevelTable,
        *,
        max_inflow_l_min: float,
        max_draw_l_min: float,
        dry_inflow_l_min: float | None = None,
        stale_after_ms: int = 180_000,
    ) -> None:
        self._tank = tank
        self._sensor_mm = tank.sensor_height_mm
        self._table = table
        self._stale_after_ms = stale_after_ms
        self._max_inflow_l_min = max_inflow_l_min
        self._dry_inflow_l_min = max_inflow_l_min if dry_inflow_l_min is None else dry_inflow_l_min
        self._max_draw_l_min = max_draw_l_min
        self.filter = VolumeFilter()
        self.headspace = Headspace()
        self.stuck = StuckWatch(table.volume_l(tank.overflow_mm))
        self.candidate = Candidate()
        self.false_echo = FalseEcho()
        self.deeper = DeeperEcho()
        self.known, self.level_mm = False, 0.0
        self.left_mm: float | None = None
        """The level before a restart."""
        self.restarted()
        self._use_air()

    def restarted(self) -> None:
        """Forget everything measured: after a restart of the monotonic clock ages mean nothing.

        What was learned of the air, the probe and the meter stays, and what the level was.
        """
        if self.known:
            self.left_mm = self.level_mm
        self.level_mm = 0.0
        """Means nothing while `known` is false."""
        self.known = False
        self.measured_mono_ms = None
        self.agreed_mono_ms = 0
        """When a burst last showed the level that was expected, or a new one was believed."""
        self.rained_l = 0.0
        """What rain can have brought since then, at most."""
        self.before_l: float | None = None
        """What was believed before a nearer level was, for which nothing spoke but that it stayed."""
        self.at_or_above = self.raining = self.ordinary = False
        self.rejected_in_a_row = self.distrust_bursts = self.first_bursts = 0
        self.rejection = ""
        self.seen_mono_ms = self.stepped_mono_ms = self.due_mono_ms = self.drawn_mono_ms = self.loose_until_ms = 0
        self.silent_ms = 0
        self.unmetered_mono_ms = -1
        self.shown_mm = 0.0
        """What was compared with the meter last."""
        self.pooled = 0
        self.pooled_mm = self.pooled_mm2 = 0.0
        self.scatter_mm2 = PING_MM2 / MINIMUM_AGREEING
        self.gate_mm = 0.0
        self.learned: dict[str, Any] | None = None
        """The filter as it was at the anchor of the watch for a stuck ranger."""
        self.stuck.forget()
        self.candidate.drop()
        self.false_echo.forget()
        self.deeper.forget()
        self._kept: LevelReading | None = None
        """The last reading, until something is observed: several ask at one instant."""
        self._kept_mono_ms = 0

    def rained(self, most_l: float) -> None:
        """Rain was counted that can have brought at most so much."""
        self.rained_l += most_l
        self._kept = None

    def drawn_unmetered(self, mono_ms: int) -> None:
        """A pump without a meter runs: nobody knows how fast the level falls, so what is seen is followed."""
        if self.known and self.pooled:
            self._take_pool(mono_ms)
        self.loose_until_ms = max(self.loose_until_ms, mono_ms + UNMETERED_LOOSE_MS)
        self.unmetered_mono_ms = mono_ms
        self.ordinary = False
        self._kept = None

    def update(
        self,
        burst_us: Sequence[int],
        headspace_c: float | None,
        mono_ms: int,
        drawn_l: float = 0.0,
        inflow_expected: bool = False,
    ) -> LevelReading:
        """`observe` a burst and say what is known now."""
        self.observe(burst_us, headspace_c, mono_ms, drawn_l, inflow_expected)
        return self.reading(mono_ms)

    def observe(
        self,
        burst_us: Sequence[int],
        headspace_c: float | None,
        mono_ms: int,
        drawn_l: float,
        inflow_expected: bool,
    ) -> None:
        """Take one burst of raw round-trip times (microseconds, 0 = no echo) and what was metered out since the last.

        `inflow_expected` says that rain may be running in.
        """
        self._kept = None
        silent_ms = mono_ms - self.seen_mono_ms
        if silent_ms < 0:
            self.restarted()
        if headspace_c != self.headspace.told_c:
            self.headspace.measured(headspace_c, silent_ms if self.seen_mono_ms else JUMP_WITHIN_MS)
            self._use_air()
        self.seen_mono_ms = mono_ms
        if drawn_l > 0.0 and self.known:
            self._take_off(drawn_l, mono_ms)
        heard = sorted(burst_us)
        if self.ordinary and inflow_expected == self.raining:
            # Nearly all bursts end here: calm and where the level is expected.
            count = len(heard)
            first_us = heard[0] if count >= MINIMUM_AGREEING else 0
            if first_us >= self._blind_us and heard[-1] - first_us <= self._calm_us:
                # Without the first and the last, which may have missed a wave.
                mean_us = sum(heard[1:-1]) / (count - 2)
                if self.deeper.score > 0.0:
                    self._note_deeper(heard, mono_ms)
            else:
                mean_us = self._calm_among_odd_us(burst_us, heard, mono_ms)
            surprise_mm = self._sensor_mm - mean_us * self._mm_per_us - self.level_mm
            if -self.gate_mm < surprise_mm < self.gate_mm:
                self.pooled += 1
                self.pooled_mm += surprise_mm
                self.pooled_mm2 += surprise_mm * surprise_mm
                self.measured_mono_ms = self.agreed_mono_ms = mono_ms
                self.rained_l = 0.0
                if self.rejected_in_a_row:
                    self.rejected_in_a_row, self.rejection = 0, ""
                if mono_ms >= self.due_mono_ms:
                    self._take_pool(mono_ms)
                return
            if self._is_lost(heard, mono_ms):
                return
        self.silent_ms = silent_ms
        self._observe_odd(burst_us, heard, mono_ms, inflow_expected)

    def reading(self, mono_ms: int) -> LevelReading:
        """The estimate as of now, without a new burst."""
        if self._kept is None or self._kept_mono_ms != mono_ms:
            self._kept, self._kept_mono_ms = self._read(mono_ms), mono_ms
        return self._kept

    def _read(self, mono_ms: int) -> LevelReading:
        measured = self.measured_mono_ms
        false_echo_mm = self.false_echo.found_mm(self.seen_mono_ms)
        if not self.known or measured is None:
            return LevelReading(None, None, None, "unknown", None, False, self.rejection, false_echo_mm)
        if mono_ms - measured > self._stale_after_ms:
            quality: Quality = "unknown"
        elif (
            self.at_or_above
            or self.distrust_bursts
            or self.stuck.frozen_l is not None
            or self.before_l is not None
            or self.rejected_in_a_row >= REJECTED_BURSTS_SUSPECT
        ):
            quality = "suspect"
        else:
            quality = "good"
        level_mm = max(self.level_mm, 0.0)
        held_mm = min(level_mm, self._tank.overflow_mm)
        area_m2 = self._table.area_m2(held_mm)
        sd_l = math.sqrt(self._variance_mm2(mono_ms)) * area_m2
        volume_l = self._table.volume_l(held_mm)
        if self.rained_l > 0.0 and mono_ms - self.agreed_mono_ms > UNSEEN_MS:
            # It rains, and drops on the face hide the surface: what the gauge counted runs in all the same.
            full_l = self._table.volume_l(self._tank.overflow_mm)
            volume_l = min(full_l, volume_l + RUNS_IN_PART * self.rained_l)
            level_mm = max(level_mm, self._table.level_mm(volume_l))
            sd_l = math.hypot(sd_l, RUNS_IN_SD_PART * self.rained_l)
        return LevelReading(
            level_mm,
            volume_l,
            sd_l,
            quality,
            measured,
            self.at_or_above,
            self.rejection,
            false_echo_mm,
            self.filter.state[RATE] * area_m2,
            math.sqrt(self.filter.rate_variance) * area_m2,
        )

    def _variance_mm2(self, mono_ms: int) -> float:
        """Variance of the level, grown since the filter last stepped."""
        elapsed_h = max(mono_ms - self.stepped_mono_ms, 0) / _MS_PER_H
        unsure_mm = self._distance_mm() * SPEED_SENSITIVITY_PER_K * self.headspace.unsure_k
        return self.filter.level_variance_mm2(elapsed_h) + FACE_MM2 + unsure_mm * unsure_mm

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE} | {name: getattr(self, name).dump() for name in _PARTS}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave. A level that an earlier kind of estimator left is measured afresh instead."""
        if any(name not in state for name in (*_STATE, *_PARTS)):
            return
        for name in _STATE:
            setattr(self, name, state[name])
        for name in _PARTS:
            getattr(self, name).load(state[name])
        self._kept = None
        self._use_air()

    # --- what echo times stand for -------------------------------------------------------------------------------

    def _use_air(self) -> None:
        """Work out, once for each temperature, what echo times stand for."""
        half_mm_per_us = self.headspace.speed_m_s / 2000.0
        self._half_mm_per_us = half_mm_per_us
        height_mm = self._sensor_mm
        self._farthest_us = (
            height_mm + BELOW_FLOOR_MARGIN_MM + BELOW_FLOOR_MARGIN_FRACTION * height_mm
        ) / half_mm_per_us
        self._blind_us = self._tank.blind_zone_mm / half_mm_per_us
        self._calm_us = CALM_MM / half_mm_per_us
        self._close_us = CLOSE_MM / half_mm_per_us
        self._believe_air(self.headspace.around(self._distance_mm()))

    def _believe_air(self, around: Surroundings) -> None:
        """Millimetres for a microsecond in the air that is believed to be on the way."""
        warmer_k = around.warmer_k(self.filter.state)
        self._mm_per_us = self._half_mm_per_us * (1.0 + SPEED_SENSITIVITY_PER_K * warmer_k)

    def _distance_mm(self) -> float:
        return self._sensor_mm - self.level_mm

    def _volume_l(self, level_mm: float) -> float:
        return self._table.volume_l(min(level_mm, self._tank.overflow_mm))

    # --- stepping the filter -------------------------------------------------------------------------------------

    def _take_off(self, drawn_l: float, mono_ms: int) -> None:
        """Take the metered draw off the level."""
        self.stuck.drawn_l += drawn_l
        drawn_l *= 1.0 + self.filter.state[METER]
        before_mm = self.level_mm
        self.level_mm = self._table.level_mm(max(self._volume_l(before_mm) - drawn_l, 0.0))
        if self.candidate.count:
            self.candidate.lower(before_mm - self.level_mm)
        self.drawn_mono_ms = mono_ms
        self.due_mono_ms = min(self.due_mono_ms, self.stepped_mono_ms + POOL_DRAWING_MS)

    def _pass_time(self, mono_ms: int) -> float:
        """Let the filter catch up with now and with what was drawn; returns the hours that went by."""
        filtered = self.filter
        elapsed_h = (mono_ms - self.stepped_mono_ms) / _MS_PER_H
        loose_mm2 = loose_rate = 0.0
        if mono_ms < self.loose_until_ms:
            loose_mm2 = (LOOSE_MM_MIN * 60.0 * elapsed_h) ** 2
        elif self.raining:
            loose_mm2 = RAIN_MM2_H * elapsed_h
            loose_rate = RAIN_RATE_MM_H2 * elapsed_h
        drawn_mm = (filtered.state[LEVEL] - self.level_mm) / (1.0 + filtered.state[METER])
        filtered.predict(elapsed_h, drawn_mm, loose_mm2, loose_rate)
        self.headspace.pass_time(elapsed_h)
        self.stepped_mono_ms = mono_ms
        return elapsed_h

    def _take_pool(self, mono_ms: int) -> None:
        """Give the filter the bursts that waited for it."""
        pooled, mean_mm = self.pooled, self.pooled_mm / self.pooled
        if pooled >= MINIMUM_AGREEING:
            self.scatter_mm2 += 0.2 * (self.pooled_mm2 / pooled - mean_mm * mean_mm - self.scatter_mm2)
        variance_mm2 = max(self.scatter_mm2, PING_MM2 / 5.0) / pooled + RESOLUTION_MM2
        # A level that stands higher after a draw may be a ranger's that stands still: no flow is read into that.
        may_flow = mean_mm < 0.0 or self.stuck.drawn_l <= LITTLE_L
        elapsed_h = self._pass_time(mono_ms)
        # The pool's mean is from the middle of the time gone by.
        mean_mm -= self.filter.state[RATE] * elapsed_h * (0.5 if pooled > 1 else 1.0)
        if self.stuck.drawn_l <= 0.0 and not self.raining:
            self._take(mean_mm, variance_mm2, elapsed_h, may_flow)
        else:
            self.level_mm = self.filter.state[LEVEL]
            seen_mm = self.level_mm + mean_mm
            if not (self.stuck.drawn_l > LITTLE_L and self._has_not_fallen(seen_mm, mono_ms)):
                self._take(mean_mm, variance_mm2, elapsed_h, may_flow)
            self._watch_stuck(seen_mm, mono_ms)
        self._plan(mono_ms)

    def _take(self, surprise_mm: float, variance_mm2: float, elapsed_h: float, may_flow: bool) -> None:
        """Correct the filter. What it cannot explain of the bursts of minutes is water that moves, and not the air."""
        if may_flow and elapsed_h >= SURPRISE_H and not self.raining:
            shown_mm2 = self.filter.seen_variance_mm2(self.headspace.around(self._distance_mm())) + variance_mm2
            if surprise_mm * surprise_mm > SURPRISE_SDS * SURPRISE_SDS * shown_mm2:
                self.filter.expect_flow(surprise_mm, elapsed_h)
        self._correct(surprise_mm, variance_mm2)

    def _correct(self, surprise_mm: float, variance_mm2: float) -> None:
        around = self.headspace.around(self._distance_mm())
        unsure_mm = around.mm_per_k * self.headspace.unsure_k
        self.filter.correct(surprise_mm, variance_mm2 + unsure_mm * unsure_mm, around)
        self.level_mm = self.filter.state[LEVEL]

    def _expect(self) -> None:
        """After a step: where the next burst should be."""
        around = self.headspace.around(self._distance_mm())
        self._believe_air(around)
        seen_mm2 = self.filter.seen_variance_mm2(around)
        self.gate_mm = GATE_SDS * math.sqrt(seen_mm2 + self.scatter_mm2 + PING_MM2 / 3.0) + GATE_MM

    def _plan(self, mono_ms: int) -> None:
        """After the last step of a burst: what the next ones should be, and when the filter steps again.

        A burst that will not be ordinary has its expectation worked out when it comes.
        """
        self.due_mono_ms = mono_ms + (POOL_RAIN_MS if self.raining else POOL_MS)
        self.ordinary = (
            self._is_followed()
            and not self.candidate.count
            and not self.rejected_in_a_row
            and not self.distrust_bursts
            and self.first_bursts >= FIRST_BURSTS
            and mono_ms >= self.loose_until_ms
        )
        self.pooled = 0
        self.pooled_mm = self.pooled_mm2 = 0.0
        if self.ordinary:
            self._expect()

    # --- odd bursts ----------------------------------------------------------------------------------------------

    def _calm_among_odd_us(self, burst_us: Sequence[int], heard: list[int], mono_ms: int) -> float:
        """Mean time of the pings from the surface in a burst of which some were lost, late or from something nearer.

        One burst in eight has such a ping. While enough of the others are calm and where the level is expected, the
        burst may wait in the pool like any other. When that is not so: not a number.
        """
        expected_us = self._distance_mm() / self._mm_per_us
        reach_us = self.gate_mm / self._mm_per_us
        if expected_us - reach_us < self._blind_us:
            return math.nan
        false_mm = self.false_echo.found_mm(mono_ms)
        known_us = None if false_mm is None else false_mm / self._half_mm_per_us
        echoes = from_the_surface(burst_us, expected_us, reach_us, self._close_us, known_us)
        if echoes is None or echoes.pings < MINIMUM_AGREEING or echoes.spread_us > self._calm_us:
            return math.nan
        self._note_nearer(heard, mono_ms)
        self._note_deeper(heard, mono_ms)
        return math.nan if self.deeper.is_sure else echoes.mean_us

    def _is_lost(self, heard: list[int], mono_ms: int) -> bool:
        """A burst of which at most one ping came back says nothing: drops on the ranger's face. No step is taken."""
        if (len(heard) > 1 and heard[-2] > 0) or self.false_echo.found_mm(mono_ms) is not None:
            return False
        if heard and heard[-1] > self._farthest_us:
            return False
        self.rejection = "too few echoes"
        self.rejected_in_a_row += 1
        return True

    def _observe_odd(self, burst_us: Sequence[int], heard: list[int], mono_ms: int, raining: bool) -> None:
        """Any burst, `heard` being its sorted times: the whole way of sorting out, doubting and accepting."""
        if self.known:
            if self.pooled:
                self._take_pool(mono_ms)
            if self.raining and not raining:
                self.filter.still()
            self.raining = raining
            self._pass_time(mono_ms)
            self.level_mm = self.filter.state[LEVEL]
            self._expect()
        self.raining = raining
        self.rejection = ""
        self._sort_out(burst_us, [us for us in heard if 0 < us <= self._farthest_us], mono_ms)
        if self.rejection:
            self.rejected_in_a_row += 1
        self._plan(mono_ms)

    def _sort_out(self, burst_us: Sequence[int], heard: list[int], mono_ms: int) -> None:
        """Find the surface among the pings, where it is expected or elsewhere."""
        if self._is_followed():
            self._note_deeper(heard, mono_ms)
            if self.deeper.is_sure:
                self._go_deeper(mono_ms)
                return
            reach_us = self.gate_mm / self._mm_per_us
            expected_us = self._distance_mm() / self._mm_per_us
            if expected_us - reach_us >= self._blind_us or (heard and middle(heard) >= self._blind_us):
                self._note_nearer(heard, mono_ms)
                false_mm = self.false_echo.found_mm(mono_ms)
                known_us = None if false_mm is None else false_mm / self._half_mm_per_us
                echoes = from_the_surface(burst_us, expected_us, reach_us, self._close_us, known_us)
                if echoes is not None:
                    self._accept(echoes, mono_ms)
                    return
        elif not self.known and self._finds_what_was_left(burst_us, heard, mono_ms):
            return
        elif self.known and not self.at_or_above:
            self._note_nearer(heard, mono_ms)
        if len(heard) < MINIMUM_AGREEING:
            beyond = any(us > self._farthest_us for us in burst_us)
            if beyond:
                self.candidate.miss()
            # Lost pings say nothing of where the water is: drops on the face speak neither for nor against it.
            self.rejection = "beyond the floor" if beyond else "too few echoes"
        elif middle(heard) < self._blind_us:
            self._see_elsewhere(self._sensor_mm - self._tank.blind_zone_mm, PING_MM2, mono_ms, True)
        else:
            found = that_agree(heard, self._close_us, WIDEST_MM / self._half_mm_per_us)
            if found is None:
                self.candidate.miss()
                self.rejection = "echoes disagree"
            elif self._is_above_the_surface(found.mean_us, heard):
                self.candidate.miss()
                self.rejection = "false echo"
                self.false_echo.see_beside(found.mean_us * self._half_mm_per_us, mono_ms)
            else:
                seemed_mm = self._sensor_mm - found.mean_us * self._mm_per_us
                self._see_elsewhere(seemed_mm, self._noise_mm2(found), mono_ms, False)

    def _finds_what_was_left(self, burst_us: Sequence[int], heard: list[int], mono_ms: int) -> bool:
        """After a restart: meet the surface where it was, if some of a burst comes from there; True if that settles the
        burst. What is nearer is no water then, since nothing echoes from below it: a burst with more of it than of the
        surface counts for nothing.
        """
        if self.left_mm is None or not heard:
            return False
        left_us = (self._sensor_mm - self.left_mm) / self._mm_per_us
        if left_us - self._close_us < self._blind_us or middle(heard) > left_us + self._close_us:
            return False
        echoes = from_the_surface(burst_us, left_us, self._close_us, self._close_us, None)
        if echoes is not None:
            self._meet(self._sensor_mm - echoes.mean_us * self._mm_per_us, self._noise_mm2(echoes), mono_ms)
            return True
        if not any_from(heard, left_us, self._close_us):
            return False
        self.candidate.drop()
        self.rejection = "false echo"
        return True

    def _is_followed(self) -> bool:
        """Whether the surface is known and seen, so that there is a place where it is expected."""
        return self.known and not self.at_or_above and self.stuck.frozen_l is None

    def _is_above_the_surface(self, mean_us: float, heard: list[int]) -> bool:
        """Whether these echoes come from nearer than the surface expected while others of the burst come from there.

        Nothing echoes from below water: where the old surface is still heard, what is nearer is a thing in the tank.
        """
        if not self.known or self.at_or_above:
            return False
        expected_us = self._shown_us()
        reach_us = self.gate_mm / self._mm_per_us + self._close_us
        return mean_us < expected_us - reach_us and any_from(heard, expected_us, reach_us)

    def _shown_us(self) -> float:
        """When the surface should be heard. A ranger that seems to stand still shows one too, and may be right."""
        surface_mm = self.level_mm if self.stuck.frozen_l is None else self.shown_mm
        return (self._sensor_mm - surface_mm) / self._mm_per_us

    def _noise_mm2(self, echoes: Echoes) -> float:
        """Variance of a burst's mean. Waves move all pings of a burst together, so their part does not average out."""
        sd_mm = echoes.spread_us * self._half_mm_per_us / SPREAD_PER_SD
        waves_mm2 = max(sd_mm * sd_mm - 2.0 * PING_MM2, 0.0)
        return (PING_MM2 + waves_mm2) / echoes.pings + 0.3 * waves_mm2 + RESOLUTION_MM2

    def _note_nearer(self, heard: list[int], mono_ms: int) -> None:
        """Keep in mind what echoed from between the ranger and the surface, in at least two pings of a burst.

        A stray ping comes alone; in a full tank, where little is between the two, strays would come from one place.
        """
        surface_us, gate_us = self._shown_us(), self.gate_mm / self._mm_per_us
        near = [us for us in heard if self._blind_us <= us < surface_us - gate_us - self._close_us]
        reach_us = FALSE_REACH_MM / self._half_mm_per_us
        for us in near if len(near) > 1 else ():
            if sum(abs(other - us) <= reach_us for other in near) > 1:
                beside = any_from(heard, surface_us, gate_us)
                note = self.false_echo.see_beside if beside else self.false_echo.see
                note(us * self._half_mm_per_us, mono_ms)
                return

    def _note_deeper(self, heard: list[int], mono_ms: int) -> None:
        """Keep in mind what echoed from below the level, in a burst of which a part came from the level too.

        A whole burst from below is another level, and doubted as such.
        """
        followed_mm = self._distance_mm()
        expected_us = followed_mm / self._mm_per_us
        reach_us = self._close_us + self.gate_mm / self._mm_per_us
        deeper_us = expected_us + reach_us + MISSED_WAVE_US
        if self.deeper.score <= 0.0 and (not heard or heard[-1] <= deeper_us):
            # Nearly always: nothing comes from below, and nothing did of late.
            return
        if not any_from(heard, expected_us, reach_us):
            return
        below = [us for us in heard if deeper_us < us <= self._farthest_us]
        moves_mm_min = self._max_draw_l_min / self._table.area_m2(max(self.level_mm, 0.0))
        distance_mm = middle(below) * self._mm_per_us if below else None
        self.deeper.see(distance_mm, followed_mm, moves_mm_min, mono_ms)

    def _go_deeper(self, mono_ms: int) -> None:
        """Leave what was followed: it answers from above the water."""
        self.false_echo.found(self._distance_mm(), mono_ms)
        self._meet(self._sensor_mm - self.deeper.distance_mm, DEEPER_MM2, mono_ms)
        self.distrust_bursts = DISTRUST_BURSTS + 1
        self.before_l = None
        self.stuck.forget()
        self.deeper.forget()

    def _accept(self, echoes: Echoes, mono_ms: int) -> None:
        """Blend echoes from where the surface is expected into the estimate."""
        surprise_mm = self._distance_mm() - echoes.mean_us * self._mm_per_us
        self._correct(surprise_mm, self._noise_mm2(echoes))
        self.measured_mono_ms = self.agreed_mono_ms = mono_ms
        self.rained_l = 0.0
        self.rejected_in_a_row = 0
        self.candidate.drop()
        if self.distrust_bursts:
            self.distrust_bursts -= 1
        if self.first_bursts < FIRST_BURSTS:
            self.first_bursts += 1
        if mono_ms < self.loose_until_ms and abs(surprise_mm) > STILL_MM:
            self.loose_until_ms = mono_ms + LOOSE_MS
        self._watch_stuck(self.level_mm, mono_ms)

    def _watch_stuck(self, seen_mm: float, mono_ms: int) -> bool:
        """Compare with the meter what was seen; true when the level is stuck, and the ledger holds."""
        self.shown_mm = seen_mm
        believed_l = self._volume_l(self.level_mm)
        held = self.stuck.frozen_l is not None
        fallen = self.stuck.drawn_l > TELLING_L
        if self.raining and not held:
            self.stuck.anchor(believed_l)
            verdict: Verdict = "anchored"
        else:
            verdict = self.stuck.judge(self._volume_l(seen_mm), believed_l)
        if verdict == "anchored":
            self.learned = self.filter.dump()
            if fallen:
                self.before_l = None
        elif verdict == "stuck":
            if not held and self.learned is not None:
                # What a stuck ranger taught of air and meter is not so.
                self.filter.load(self.learned)
            if self.before_l is not None:
                # It never was the surface.
                self.stuck.anchor_l, self.before_l = self.before_l, None
            self._follow_the_ledger(mono_ms)
        elif verdict == "moved":
            self._meet(seen_mm, PING_MM2, mono_ms)
            self.distrust_bursts = DISTRUST_BURSTS
        return verdict in ("stuck", "moved")

    def _follow_the_ledger(self, mono_ms: int) -> None:
        """While the ranger is stuck the volume is what was there before, less what was metered out."""
        self.level_mm = left_mm = self._table.level_mm(self.stuck.ledger_l(self.filter.state[METER]))
        drawn_mm = self._table.level_mm(self.stuck.anchor_l or 0.0) - left_mm
        self.filter.begin(left_mm, PING_MM2 + self.filter.meter_variance * drawn_mm * drawn_mm)
        # What it shows next is compared with what it shows now: somebody is watching.
        self.measured_mono_ms = self.agreed_mono_ms = mono_ms
        self.rejected_in_a_row = 0
        self.candidate.drop()

    def _see_elsewhere(self, seen_mm: float, variance_mm2: float, mono_ms: int, blind: bool) -> None:
        """A level that was not expected: is it stuck, or a new one, or something else that echoes?"""
        if not self.known and not self._is_left_or_comes_again(seen_mm, mono_ms):
            self.rejection = "jump"
            return
        if not self.known or (self.at_or_above and not blind):
            self._meet(seen_mm, variance_mm2, mono_ms)
            self.at_or_above = blind
            return
        if self.at_or_above:
            self._hold_blind(seen_mm, mono_ms)
            return
        if self.stuck.stands(self._volume_l(seen_mm)) or (not self.raining and self._has_not_fallen(seen_mm, mono_ms)):
            if not self._watch_stuck(seen_mm, mono_ms):
                self._hold_the_ledger(seen_mm, mono_ms)
            return
        verdict = self._judge_candidate(seen_mm, mono_ms, blind)
        if blind and verdict != "reached":
            verdict = "doubt"
        if verdict == "doubt":
            self.rejection = "jump"
        elif verdict == "false echo":
            self.rejection = "false echo"
            self.false_echo.see(self._sensor_mm - seen_mm, mono_ms)
        else:
            before_l = self._volume_l(self.level_mm)
            self._meet(seen_mm, variance_mm2, mono_ms)
            self.at_or_above = blind
            self.before_l = before_l if verdict == "stayed" else None
            if verdict != "reached":
                self.distrust_bursts = DISTRUST_BURSTS + 1
            if verdict != "reached" or self.stuck.has_risen(self._volume_l(seen_mm)):
                self.stuck.forget()

    def _judge_candidate(self, seen_mm: float, mono_ms: int, blind: bool) -> JumpVerdict:
        """Put another level to the test of what water can do."""
        candidate = self.candidate
        area_m2 = self._table.area_m2(max(min(seen_mm, self.level_mm), 0.0))
        rise_mm_min, fall_mm_min = self._dry_inflow_l_min / area_m2, self._max_draw_l_min / area_m2
        most_mm_min = self._max_inflow_l_min / area_m2 if self.raining else rise_mm_min
        rain_mm = (RAIN_MARGIN * self.rained_l + UNTIPPED_L) / area_m2 if self.raining else 0.0
        explained_mm = self.gate_mm + rain_mm
        candidate.see(seen_mm, mono_ms, self.silent_ms, most_mm_min, fall_mm_min, explained_mm)
        # With bursts minutes apart two in a row are no proof: much water may have come between them, or a rung answers.
        seldom, higher_mm = self.silent_ms > RARE_MS and not blind, seen_mm - self.level_mm
        rare = seldom and higher_mm > max(RARE_RISE_MM, explained_mm)
        verdict = candidate.judge(
            self.level_mm,
            self.agreed_mono_ms,
            mono_ms,
            rise_mm_min,
            fall_mm_min,
            rare=rare,
            was_false=seldom and higher_mm > CLOSE_MM and self.false_echo.is_from(self._sensor_mm - seen_mm, mono_ms),
            unmetered=mono_ms == self.unmetered_mono_ms,
        )
        if rare and verdict == "doubt":
            # Two of them are minutes in which the old level may be long past.
            self.rejected_in_a_row += 1
        return verdict

    def _is_left_or_comes_again(self, seen_mm: float, mono_ms: int) -> bool:
        """After a restart one burst is enough to go on from where things were left. Another level must come again:
        whatever is met is hard to be talked out of."""
        if self.left_mm is None or abs(seen_mm - self.left_mm) <= CLOSE_MM:
            return True
        self.candidate.see(seen_mm, mono_ms, self.silent_ms, 0.0, 0.0, 0.0)
        lasted_ms = mono_ms - self.candidate.first_ms
        return self.candidate.count >= BURSTS_AFTER_RESTART and lasted_ms >= PERSISTENT_MS

    def _has_not_fallen(self, seen_mm: float, mono_ms: int) -> bool:
        """Is the level too high by what was drawn, and was that just now?"""
        just_now = mono_ms - self.drawn_mono_ms <= STANDS_AFTER_DRAW_MS
        return just_now and seen_mm > self.level_mm and self.stuck.has_not_fallen(self._volume_l(seen_mm))

    def _hold_the_ledger(self, seen_mm: float, mono_ms: int) -> None:
        """The level is too high after a draw, not yet by so much that it must be stuck."""
        self.rejection = "does not fall with the draw"
        self.measured_mono_ms = mono_ms
        if self._volume_l(seen_mm) - self._volume_l(self.level_mm) < 0.5 * self.stuck.limit_l:
            self.rejected_in_a_row = -1

    def _hold_blind(self, seen_mm: float, mono_ms: int) -> None:
        self.filter.begin(seen_mm, PING_MM2)
        self.level_mm = seen_mm
        self.measured_mono_ms = mono_ms
        self.rejected_in_a_row = 0

    def _meet(self, seen_mm: float, variance_mm2: float, mono_ms: int) -> None:
        """Begin anew with a level."""
        distance_mm = self._sensor_mm - seen_mm
        around = self.headspace.around(distance_mm)
        unsure_mm = around.mm_per_k * self.headspace.unsure_k
        if self.known:
            self.loose_until_ms = mono_ms + LOOSE_MS
        self.filter.meet(seen_mm, variance_mm2 + unsure_mm * unsure_mm, around)
        self.level_mm = self.filter.state[LEVEL]
        self.known = True
        self.stepped_mono_ms = self.measured_mono_ms = self.agreed_mono_ms = mono_ms
        self.at_or_above = False
        self.rained_l = 0.0
        self.rejected_in_a_row = self.first_bursts = 0
        self.candidate.drop()
