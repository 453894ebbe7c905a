"""Whether water is lost, and since when: a filter that knows no loss, and how its surprises look if there was one.

Hourly medians of a tank's volume, with what was metered out added back, are followed by a Kalman filter (R. E. Kalman,
1960) with a standing volume and what the level's error remembers: air on the echo's way that comes and goes within
hours, parts of it that go with the probe's means over an hour and over days (another part while the probe is the
warmer, when warm air lies in layers over the water), a wave that returns every 24 hours, which is what pairing an hour
with the same hour of the day before takes out, and the part by which draws are counted wrong, all of them alike, as a
meter or a tank's drawing that is off does it. Its surprises are white while nothing is lost. A loss that began at some
hour gives them a known course from there on; how well they fit it is the generalised likelihood ratio of A. S. Willsky
and H. L. Jones (1976), kept for beginnings that lie the wider apart the longer ago.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

STATES = 8
_STANDING, _AIR, _NEAR, _FAR, _WARM, _COS, _SIN, _COUNT = range(STATES)
HOURS_A_DAY = 24
_UNKNOWN_L2 = 1e6


class Tuning(NamedTuple):
    """Spreads (standard deviations) of what is not known; own choice, tuned on plants not used for the figures.

    drift_l              what an hour may change the standing volume by, unseen
    draw_part            part of a metered draw that may be wrong, each by itself
    count_part, count_h  part by which all of them are wrong alike: the meter's, and the tank's shape around this level
    reading_l            what a reading is off by for less than an hour, besides its noise: waves, rounding
    air_k, air_h         the way's air against what the source allowed for, coming and going
    near_sd, far_sd      parts of it that go with the probe's means over an hour or two and over days
    warm_sd              what goes with the latter while the probe is the warmer: warm air stays up, and lies in layers
    wave_l, wave_l_day   the wave of the day, at first and what a day may change it by
    """

    drift_l: float = 0.05
    draw_part: float = 0.02
    count_part: float = 0.03
    count_h: float = 14.0 * HOURS_A_DAY
    reading_l: float = 0.1
    air_k: float = 0.35
    air_h: float = 4.0
    near_sd: float = 0.15
    far_sd: float = 0.10
    warm_sd: float = 0.30
    wave_l: float = 0.7
    wave_l_day: float = 0.10


TUNING = Tuning()
YOUNG_H = 4
"""Every hour up to this old is kept as a possible beginning."""
SPACING = 1.45
OLDEST_H = 14 * HOURS_A_DAY
SCALE_H = 5.0 * HOURS_A_DAY
LARGEST_COUNTED = 9.0
"""A squared surprise counts at most this much in what is usual, so that a leak does not make itself usual."""
SMALLEST_SCALE = 0.5


class Hour(NamedTuple):
    """One hour: number, volume with draws added back and its noise, litres per kelvin of air, probe's means less it."""

    number: int
    standing_l: float
    noise_l2: float
    litres_per_k: float
    near_k: float
    far_k: float


class Suspicion(NamedTuple):
    """A loss that would explain the surprises best: since which hour, how fast, and how sure that is."""

    hour: int
    rate_l_h: float
    sd_l_h: float

    @property
    def sds(self) -> float:
        """How many of its standard deviations the rate is away from none."""
        return self.rate_l_h / self.sd_l_h


class _Onset:
    """A possible beginning: what 1 L/h lost from then on does to the filter's errors, and the likelihood of it."""

    __slots__ = ("course", "fit", "hour", "information")

    def __init__(self, hour: int) -> None:
        self.hour = hour
        self.course = [0.0] * STATES
        self.fit = self.information = 0.0


class LossFilter:
    """Feed it hour by hour: `pass_time`, then `take` what was seen, if it was; ask `suspicions`."""

    __slots__ = ("_covariance", "_estimate", "_onsets", "_scale", "_tuning")

    def __init__(self, tuning: Tuning = TUNING) -> None:
        self._tuning = tuning
        self._estimate = [0.0] * STATES
        self._covariance = [[0.0] * STATES for _ in range(STATES)]
        parts = (tuning.near_sd, tuning.far_sd, tuning.warm_sd)
        for index, spread in enumerate((0.0, 0.0, *parts, tuning.wave_l, tuning.wave_l, tuning.count_part)):
            self._covariance[index][index] = spread * spread
        self._onsets: list[_Onset] = []
        self._scale = 1.0
        self.forget_volume()

    def forget_volume(self) -> None:
        """Know no standing volume: it was changed by what nobody measured."""
        covariance = self._covariance
        for index in range(STATES):
            covariance[_STANDING][index] = covariance[index][_STANDING] = 0.0
        covariance[_STANDING][_STANDING] = _UNKNOWN_L2

    def pass_time(self, hours: int, drawn_l: float, lost_l_h: float, litres_per_k: float, now_hour: int) -> None:
        """Let hours go by in which a known loss goes on and `drawn_l` is metered out."""
        tuning, covariance = self._tuning, self._covariance
        self._estimate[_STANDING] -= lost_l_h * hours
        keep, keep_count = math.exp(-hours / tuning.air_h), math.exp(-hours / tuning.count_h)
        self._fade(_AIR, keep, tuning.air_k * litres_per_k)
        self._fade(_COUNT, keep_count, tuning.count_part)
        if drawn_l:
            self._miscount(drawn_l)
        covariance[_STANDING][_STANDING] += tuning.drift_l**2 * hours + (tuning.draw_part * drawn_l) ** 2
        wave_l2 = tuning.wave_l_day**2 * hours / HOURS_A_DAY
        covariance[_COS][_COS] += wave_l2
        covariance[_SIN][_SIN] += wave_l2
        for onset in self._onsets:
            onset.course[_STANDING] -= hours
            onset.course[_AIR] *= keep
            onset.course[_COUNT] *= keep_count
            onset.course[_STANDING] -= drawn_l * onset.course[_COUNT]
        self._onsets = _thinned(self._onsets, now_hour)
        newest = _Onset(now_hour)
        # It may have begun at any time within the hour that comes next: on average half of it.
        newest.course[_STANDING] = -0.5
        self._onsets.append(newest)

    def _fade(self, state: int, keep: float, spread: float) -> None:
        """Of what a state was `keep` is left; the rest is new, so that it stays as spread as it is."""
        covariance = self._covariance
        self._estimate[state] *= keep
        for index in range(STATES):
            covariance[state][index] *= keep
            covariance[index][state] *= keep
        covariance[state][state] += spread * spread * (1.0 - keep * keep)

    def _miscount(self, drawn_l: float) -> None:
        """What was metered out is off by the part that all of it is off by."""
        covariance = self._covariance
        self._estimate[_STANDING] -= drawn_l * self._estimate[_COUNT]
        for index in range(STATES):
            covariance[_STANDING][index] -= drawn_l * covariance[_COUNT][index]
        for index in range(STATES):
            covariance[index][_STANDING] -= drawn_l * covariance[index][_COUNT]

    def take(self, hour: Hour) -> None:
        """Learn from an hour, and weigh every possible beginning by it."""
        k = hour.litres_per_k
        turn = hour.number % HOURS_A_DAY / HOURS_A_DAY * 2.0 * math.pi
        warm_k = min(0.0, hour.far_k)
        look = (1.0, 1.0, k * hour.near_k, k * hour.far_k, k * warm_k, math.cos(turn), math.sin(turn), 0.0)
        estimate, covariance = self._estimate, self._covariance
        shared = [_product(row, look) for row in covariance]
        total = _product(shared, look) + self._tuning.reading_l**2 + hour.noise_l2
        surprise = hour.standing_l - _product(estimate, look)
        weights = [part / total for part in shared]
        for index in range(STATES):
            estimate[index] += weights[index] * surprise
            weight = weights[index]
            covariance[index] = [c - weight * s for c, s in zip(covariance[index], shared, strict=True)]
        self._scale += (min(surprise * surprise / total, LARGEST_COUNTED) - self._scale) / SCALE_H
        for onset in self._onsets:
            course = onset.course
            expected = _product(course, look)
            onset.information += expected * expected / total
            onset.fit += expected * surprise / total
            onset.course = [c - weight * expected for c, weight in zip(course, weights, strict=True)]

    def suspicions(self, youngest_hour: int) -> list[Suspicion]:
        """The rate that fits best for each beginning not after `youngest_hour`, oldest first."""
        scale = max(SMALLEST_SCALE, self._scale)
        return [
            Suspicion(onset.hour, onset.fit / onset.information, math.sqrt(scale / onset.information))
            for onset in self._onsets
            if onset.hour <= youngest_hour and onset.information > 0.0
        ]

    def believe(self, hour: int, rate_l_h: float) -> None:
        """Put the estimate right for a loss of this rate since `hour`, one of the suspicions; begin to weigh anew."""
        onset = next(onset for onset in self._onsets if onset.hour == hour)
        self._estimate = [e + rate_l_h * c for e, c in zip(self._estimate, onset.course, strict=True)]
        for index, row in enumerate(self._covariance):
            part = onset.course[index] / onset.information
            self._covariance[index] = [p + part * c for p, c in zip(row, onset.course, strict=True)]
        self._onsets = []

    def dump(self) -> dict[str, Any]:
        """The state as JSON-able data."""
        return {
            "estimate": list(self._estimate),
            "covariance": [list(row) for row in self._covariance],
            "onsets": [[onset.hour, onset.fit, onset.information, list(onset.course)] for onset in self._onsets],
            "scale": self._scale,
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave; a dump of another number of states is left, and the loss learned anew."""
        if len(data["estimate"]) != STATES:
            return
        self._estimate = list(data["estimate"])
        self._covariance = [list(row) for row in data["covariance"]]
        self._scale = data["scale"]
        self._onsets = []
        for hour, fit, information, course in data["onsets"]:
            onset = _Onset(hour)
            onset.fit, onset.information, onset.course = fit, information, list(course)
            self._onsets.append(onset)


def _product(a: list[float], b: tuple[float, ...]) -> float:
    """Of the first seven: no reading looks at the eighth, how wrong draws are counted."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3] + a[4] * b[4] + a[5] * b[5] + a[6] * b[6]


def _thinned(onsets: list[_Onset], now_hour: int) -> list[_Onset]:
    """Beginnings, oldest first, each about `SPACING` times as long ago as the next; the too old ones go."""
    kept: list[_Onset] = []
    for position, onset in enumerate(onsets):
        age_h = now_hour - onset.hour
        if age_h > OLDEST_H:
            continue
        younger_h = now_hour - onsets[position + 1].hour if position + 1 < len(onsets) else 0
        if age_h > YOUNG_H and kept and now_hour - kept[-1].hour <= SPACING * younger_h:
            continue
        kept.append(onset)
    return kept
