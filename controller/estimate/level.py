"""From bursts of echoes to the level and volume of one tank, with an honest uncertainty.

One estimator per tank. A burst is cleaned (range, median and MAD), compared with what the pump and the inflow could
have done since the last accepted level, and blended with it (scalar Kalman filter; the metered draw moves the
prediction). A rejected value never becomes the baseline; a new level is believed after it has persisted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from controller.contract import Quality
from controller.estimate.sound import headspace_speed_m_s
from controller.site.geometry import LevelTable
from controller.site.model import Tank

DEFAULT_HEADSPACE_C = 10.0
"""Assumed while no temperature is known."""
KNOWN_TEMPERATURE_SD_K = 1.5
ASSUMED_TEMPERATURE_SD_K = 8.0
SPEED_SENSITIVITY_PER_K = 0.0017
"""Relative change of the speed of sound per kelvin: half of 1/T at 293 K."""
LOWEST_HEADSPACE_C = -40.0
HIGHEST_HEADSPACE_C = 80.0

MINIMUM_AGREEING = 3
MAD_TO_SD = 1.4826
OUTLIER_SDS = 3.0
SMALLEST_SPREAD_MM = 10.0
"""Echoes this close to the median always agree: waves and the ranger's own resolution."""
PING_SD_MM = 3.0
"""Common practice for a 40 kHz ranger, its data sheet's accuracy."""
SPREAD_PER_SD = 2.5
"""Range of about five normal values over their standard deviation."""
DRIFT_MM2_PER_MIN = 0.05
"""How fast an unwatched level may wander (evaporation, drizzle), as variance."""
JUMP_SDS = 4.0
PERSISTENT_BURSTS = 5
PERSISTENT_MS = 60_000
REJECTED_BURSTS_SUSPECT = 3
BELOW_FLOOR_MARGIN_MM = 20.0
BELOW_FLOOR_MARGIN_FRACTION = 0.02
FROZEN_FRACTION = 0.02
FROZEN_MINIMUM_L = 10.0
_MS_PER_MIN = 60_000.0
_DRIFT_MM2_PER_MS = DRIFT_MM2_PER_MIN / _MS_PER_MIN
_PING_MM2 = PING_SD_MM * PING_SD_MM
_OUTLIER_SDS_2 = OUTLIER_SDS * OUTLIER_SDS
_SURE_MM2 = SMALLEST_SPREAD_MM * SMALLEST_SPREAD_MM / _OUTLIER_SDS_2
"""An innovation that is no outlier of this variance, or a smaller one, is below the smallest spread: never a jump."""


@dataclass(frozen=True, slots=True)
class LevelReading:
    """What is known of a tank now.

    quality          "unknown": never measured (level and volume None) or too old to act on (last values, for people)
    sd_l             one standard deviation of the volume, growing with age
    at_or_above      the surface is nearer than the ranger's blind zone: level and volume are lower bounds
    measured_mono_ms when the last accepted burst came
    rejection        why the last burst was not used, empty when it was
    """

    level_mm: float | None
    volume_l: float | None
    sd_l: float | None
    quality: Quality
    measured_mono_ms: int | None
    at_or_above: bool = False
    rejection: str = ""


_STATE = (
    "level_mm",
    "variance_mm2",
    "systematic_mm",
    "predicted_mono_ms",
    "measured_mono_ms",
    "at_or_above",
    "rejected_in_a_row",
    "rejection",
    "candidate_mm",
    "candidate_count",
    "candidate_since_ms",
    "distrust_bursts",
    "anchor_l",
    "drawn_since_anchor_l",
    "frozen_at_mm",
)


class LevelEstimator:
    """The state machine of one tank. Feed `update` with each burst; ask `reading` in between.

    table           the tank's geometry
    max_inflow_l_min, max_draw_l_min
                    what rain and pumps can do at most: a faster change is an error of measurement; may be set
                    anew before each update, for instance to no draw while every pump is off
    stale_after_ms  an accepted level older than this is "unknown"
    """

    __slots__ = (
        "_blind_us",
        "_blind_zone_mm",
        "_calm_us",
        "_close_us",
        "_farthest_mm",
        "_farthest_us",
        "_half_mm_per_us",
        "_frozen_l",
        "_overflow_mm",
        "_sensor_height_mm",
        "_stale_after_ms",
        "_table",
        "_told_headspace_c",
        "_uncertain_per_mm",
        "max_draw_l_min",
        "max_inflow_l_min",
        *_STATE,
    )

    level_mm: float | None
    measured_mono_ms: int | None
    candidate_mm: float | None
    anchor_l: float | None
    frozen_at_mm: float | None

    def __init__(
        self,
        tank: Tank,
        table: LevelTable,
        *,
        max_inflow_l_min: float,
        max_draw_l_min: float,
        stale_after_ms: int = 180_000,
    ) -> None:
        self._table = table
        self._sensor_height_mm = tank.sensor_height_mm
        self._blind_zone_mm = tank.blind_zone_mm
        self._overflow_mm = tank.overflow_mm
        self._farthest_mm = (
            tank.sensor_height_mm + BELOW_FLOOR_MARGIN_MM + BELOW_FLOOR_MARGIN_FRACTION * tank.sensor_height_mm
        )
        self._frozen_l = max(FROZEN_MINIMUM_L, FROZEN_FRACTION * table.volume_l(tank.overflow_mm))
        self._stale_after_ms = stale_after_ms
        self._take_temperature(None)
        self.max_inflow_l_min = max_inflow_l_min
        self.max_draw_l_min = max_draw_l_min
        self.restarted()

    def restarted(self) -> None:
        """Forget everything measured: after a restart of the monotonic clock ages mean nothing."""
        self.level_mm = None
        self.variance_mm2 = 0.0
        self.systematic_mm = 0.0
        self.predicted_mono_ms = 0
        self.measured_mono_ms = None
        self.at_or_above = False
        self.rejected_in_a_row = 0
        self.rejection = ""
        self._drop_candidate()
        self.distrust_bursts = 0
        self.anchor_l = None
        self.drawn_since_anchor_l = 0.0
        self.frozen_at_mm = None

    def _take_temperature(self, headspace_c: float | None) -> None:
        """Work out, once for each temperature, what echo times stand for."""
        self._told_headspace_c = headspace_c
        if headspace_c is not None and LOWEST_HEADSPACE_C <= headspace_c <= HIGHEST_HEADSPACE_C:
            temperature_sd_k = KNOWN_TEMPERATURE_SD_K
        else:
            headspace_c, temperature_sd_k = DEFAULT_HEADSPACE_C, ASSUMED_TEMPERATURE_SD_K
        half_mm_per_us = headspace_speed_m_s(headspace_c) / 2000.0
        self._half_mm_per_us = half_mm_per_us
        self._farthest_us = self._farthest_mm / half_mm_per_us
        self._blind_us = self._blind_zone_mm / half_mm_per_us
        self._close_us = SMALLEST_SPREAD_MM / half_mm_per_us
        self._calm_us = PING_SD_MM * SPREAD_PER_SD / half_mm_per_us
        self._uncertain_per_mm = SPEED_SENSITIVITY_PER_K * temperature_sd_k

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

        `inflow_expected` says that rain may be running in, so that a level which does not fall while water is drawn is
        no sign of a stuck sensor.
        """
        if mono_ms < self.predicted_mono_ms:
            self.restarted()
        level_mm = self.level_mm
        variance_mm2 = self.variance_mm2
        if level_mm is not None:
            variance_mm2 += (mono_ms - self.predicted_mono_ms) * _DRIFT_MM2_PER_MS
            self.variance_mm2 = variance_mm2
            if drawn_l > 0.0:
                level_mm = self._take_off(level_mm, drawn_l)
        self.predicted_mono_ms = mono_ms
        if headspace_c != self._told_headspace_c:
            self._take_temperature(headspace_c)
        heard = sorted(burst_us)
        count = len(heard)
        if (
            level_mm is None
            or count < MINIMUM_AGREEING
            or heard[0] < self._blind_us
            or heard[-1] > self._farthest_us
            or heard[-1] - heard[0] > self._calm_us
            or self.at_or_above
            or self.frozen_at_mm is not None
        ):
            self._observe_odd(burst_us, heard, mono_ms, inflow_expected)
            return
        # From here on it is `_observe_odd` with everything known to be as usual, for nearly all bursts are: a clean
        # burst that agrees with the estimate.
        distance_mm = sum(heard) / count * self._half_mm_per_us
        measured_mm = self._sensor_height_mm - distance_mm
        innovation_mm = measured_mm - level_mm
        total_mm2 = variance_mm2 + _PING_MM2 / count
        if innovation_mm * innovation_mm > _OUTLIER_SDS_2 * total_mm2 or total_mm2 > _SURE_MM2 or measured_mm < 0.0:
            self._observe_odd(burst_us, heard, mono_ms, inflow_expected)
            return
        gain = variance_mm2 / total_mm2
        level_mm += gain * innovation_mm
        self.level_mm = level_mm
        self.variance_mm2 = variance_mm2 * (1.0 - gain)
        self.systematic_mm = distance_mm * self._uncertain_per_mm
        self.measured_mono_ms = mono_ms
        if self.rejected_in_a_row or self.distrust_bursts or self.candidate_mm is not None:
            self._end_distrust()
        if self.anchor_l is None or inflow_expected:
            self._anchor(level_mm)
        elif self.drawn_since_anchor_l > self._frozen_l:
            self._watch_for_a_frozen_level(measured_mm, inflow_expected)

    def _end_distrust(self) -> None:
        """An accepted burst counts down what a jump or a rejection left behind."""
        self.rejected_in_a_row = 0
        self.rejection = ""
        self._drop_candidate()
        if self.distrust_bursts:
            self.distrust_bursts -= 1

    def _observe_odd(self, burst_us: Sequence[int], heard: list[int], mono_ms: int, inflow_expected: bool) -> None:
        """Any burst, `heard` being its sorted times: the whole way of cleaning, doubting and accepting."""
        seen_mm = self._clean(burst_us, heard)
        if seen_mm is not None:
            distance_mm, ping_variance_mm2, blind = seen_mm
            measured_mm = self._sensor_height_mm - distance_mm
            if measured_mm < 0.0:
                measured_mm = 0.0
            self.rejection = ""
            if self.frozen_at_mm is not None:
                self._stay_frozen_or_thaw(measured_mm, self.frozen_at_mm, mono_ms)
            elif self._plausible(measured_mm, ping_variance_mm2, mono_ms, blind):
                self._accept(measured_mm, ping_variance_mm2, mono_ms, blind)
                self.systematic_mm = distance_mm * self._uncertain_per_mm
                self._watch_for_a_frozen_level(measured_mm, inflow_expected)
        if self.rejection:
            self.rejected_in_a_row += 1

    def reading(self, mono_ms: int) -> LevelReading:
        """The estimate as of now, without a new burst."""
        level_mm, measured = self.level_mm, self.measured_mono_ms
        if level_mm is None or measured is None:
            return LevelReading(None, None, None, "unknown", None, False, self.rejection)
        if mono_ms - measured > self._stale_after_ms:
            quality: Quality = "unknown"
        elif (
            self.at_or_above
            or self.distrust_bursts
            or self.frozen_at_mm is not None
            or self.rejected_in_a_row >= REJECTED_BURSTS_SUSPECT
        ):
            quality = "suspect"
        else:
            quality = "good"
        held_mm = level_mm if level_mm < self._overflow_mm else self._overflow_mm
        sd_mm = math.sqrt(self.variance_mm2 + self.systematic_mm * self.systematic_mm)
        return LevelReading(
            level_mm,
            self._table.volume_l(held_mm),
            sd_mm * self._table.area_m2(held_mm),
            quality,
            measured,
            self.at_or_above,
            self.rejection,
        )

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        return {name: getattr(self, name) for name in _STATE}

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, state[name])

    def _take_off(self, level_mm: float, drawn_l: float) -> float:
        """Take the metered draw off the estimate; returns it."""
        held_mm = min(level_mm, self._overflow_mm)
        self.level_mm = lowered_mm = self._table.level_mm(max(self._table.volume_l(held_mm) - drawn_l, 0.0))
        self.drawn_since_anchor_l += drawn_l
        return lowered_mm

    def _clean(self, burst_us: Sequence[int], heard: list[int]) -> tuple[float, float, bool] | None:
        """(distance, its variance, in the blind zone) of the echoes that agree; None and a rejection if too few do."""
        half_mm_per_us, farthest_us, close_us = self._half_mm_per_us, self._farthest_us, self._close_us
        if heard and (heard[0] <= 0 or heard[-1] > farthest_us):
            heard = [us for us in heard if 0 < us <= farthest_us]
        count = len(heard)
        if count < MINIMUM_AGREEING:
            self.rejection = "beyond the floor" if any(us > farthest_us for us in burst_us) else "too few echoes"
            return None
        median_us = heard[count >> 1] if count & 1 else _middle(heard)
        if median_us < self._blind_us:
            return self._blind_zone_mm, PING_SD_MM * PING_SD_MM, True
        spread_us = heard[-1] - heard[0]
        if spread_us <= close_us:
            agreeing = heard
        else:
            mad_us = _middle(sorted([abs(us - median_us) for us in heard]))
            reach_us = max(OUTLIER_SDS * MAD_TO_SD * mad_us, close_us)
            agreeing = [us for us in heard if abs(us - median_us) <= reach_us]
            spread_mm = (agreeing[-1] - agreeing[0]) * half_mm_per_us if agreeing else math.inf
            if len(agreeing) < MINIMUM_AGREEING or spread_mm > 10.0 * SMALLEST_SPREAD_MM:
                self.rejection = "echoes disagree"
                return None
            count = len(agreeing)
            spread_us = agreeing[-1] - agreeing[0]
        ping_sd_mm = spread_us * half_mm_per_us / SPREAD_PER_SD
        if ping_sd_mm < PING_SD_MM:
            ping_sd_mm = PING_SD_MM
        return sum(agreeing) / count * half_mm_per_us, ping_sd_mm * ping_sd_mm / count, False

    def _plausible(self, measured_mm: float, variance_mm2: float, mono_ms: int, blind: bool) -> bool:
        """Could the water have got there since the last accepted level? If not, has the new level persisted?"""
        level_mm, measured_ms = self.level_mm, self.measured_mono_ms
        if level_mm is None or measured_ms is None:
            return True
        tolerance_mm = JUMP_SDS * math.sqrt(self.variance_mm2 + variance_mm2) + SMALLEST_SPREAD_MM
        change_mm = measured_mm - level_mm
        if -tolerance_mm <= change_mm <= tolerance_mm or (blind and change_mm < 0.0 and self.at_or_above):
            self._drop_candidate()
            return True
        minutes = (mono_ms - measured_ms) / _MS_PER_MIN
        change_l = self._table.volume_l(measured_mm) - self._table.volume_l(level_mm)
        tolerance_l = tolerance_mm * self._table.area_m2(measured_mm)
        falling_l = self.max_draw_l_min * minutes + tolerance_l
        if -falling_l <= change_l <= self.max_inflow_l_min * minutes + tolerance_l:
            self._drop_candidate()
            return True
        self.rejection = "jump"
        if blind:
            self._drop_candidate()
            return False
        return self._persists(measured_mm, tolerance_mm, mono_ms)

    def _persists(self, measured_mm: float, tolerance_mm: float, mono_ms: int) -> bool:
        """Count bursts that agree on another level; true once there were enough of them for long enough."""
        if self.candidate_mm is None or abs(measured_mm - self.candidate_mm) > tolerance_mm:
            self.candidate_count = 0
            self.candidate_since_ms = mono_ms
        self.candidate_mm = measured_mm
        self.candidate_count += 1
        if self.candidate_count < PERSISTENT_BURSTS or mono_ms - self.candidate_since_ms < PERSISTENT_MS:
            return False
        self._drop_candidate()
        self.rejection = ""
        self.level_mm = None
        self.distrust_bursts = PERSISTENT_BURSTS + 1
        return True

    def _accept(self, measured_mm: float, variance_mm2: float, mono_ms: int, blind: bool) -> None:
        """Blend an accepted level into the estimate."""
        level_mm = self.level_mm
        self.measured_mono_ms = mono_ms
        self.rejected_in_a_row = 0
        if self.distrust_bursts:
            self.distrust_bursts -= 1
        if level_mm is None or blind or self.at_or_above:
            self.level_mm = measured_mm
            self.variance_mm2 = variance_mm2
            self.at_or_above = blind
            self.anchor_l = None
            return
        innovation_mm = measured_mm - level_mm
        total_mm2 = self.variance_mm2 + variance_mm2
        if innovation_mm * innovation_mm > OUTLIER_SDS * OUTLIER_SDS * total_mm2:
            self.variance_mm2 = innovation_mm * innovation_mm
            total_mm2 = self.variance_mm2 + variance_mm2
        gain = self.variance_mm2 / total_mm2
        self.level_mm = level_mm + gain * innovation_mm
        self.variance_mm2 *= 1.0 - gain

    def _watch_for_a_frozen_level(self, measured_mm: float, inflow_expected: bool) -> None:
        """Compare the metered draw with the fall of the level since an anchor: one that does not fall is frozen."""
        level_mm = self.level_mm
        if level_mm is None:
            return
        if self.anchor_l is None or inflow_expected:
            self._anchor(level_mm)
            return
        if self.drawn_since_anchor_l <= self._frozen_l:
            return
        fallen_l = self.anchor_l - self._table.volume_l(min(level_mm, self._overflow_mm))
        if fallen_l < -self._frozen_l:
            # It rose: somebody filled the tank since. Whatever it is, it is not stuck.
            self._anchor(level_mm)
        elif self.drawn_since_anchor_l - fallen_l > self._frozen_l:
            self.frozen_at_mm = measured_mm
            self._follow_the_ledger(self.anchor_l)
        elif self.drawn_since_anchor_l > 2.0 * self._frozen_l:
            self._anchor(level_mm)

    def _anchor(self, level_mm: float) -> None:
        self.anchor_l = self._table.volume_l(min(level_mm, self._overflow_mm))
        self.drawn_since_anchor_l = 0.0

    def _stay_frozen_or_thaw(self, measured_mm: float, frozen_mm: float, mono_ms: int) -> None:
        """A frozen level that moves again is believed again, after a spell of distrust."""
        self.measured_mono_ms = mono_ms
        self.rejected_in_a_row = 0
        moved_l = abs(self._table.volume_l(measured_mm) - self._table.volume_l(frozen_mm))
        if moved_l > self._frozen_l or self.anchor_l is None:
            self.frozen_at_mm = None
            self.level_mm = measured_mm
            self.distrust_bursts = PERSISTENT_BURSTS
            self._anchor(measured_mm)
            return
        self._follow_the_ledger(self.anchor_l)

    def _follow_the_ledger(self, anchor_l: float) -> None:
        """While the sensor is stuck the volume is what was there before, less what was metered out."""
        self.level_mm = self._table.level_mm(max(anchor_l - self.drawn_since_anchor_l, 0.0))
        self.variance_mm2 = max(self.variance_mm2, PING_SD_MM * PING_SD_MM)

    def _drop_candidate(self) -> None:
        self.candidate_mm = None
        self.candidate_count = 0
        self.candidate_since_ms = 0


def _middle(ordered: Sequence[float]) -> float:
    """Median of an ordered, non-empty sequence."""
    half, odd = divmod(len(ordered), 2)
    return ordered[half] if odd else (ordered[half - 1] + ordered[half]) / 2.0
