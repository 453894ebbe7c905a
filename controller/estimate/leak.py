"""The leak test of one tank: loss with the pump at rest, its rate, since when, and when it is over.

Samples every few minutes are gathered to hours, which `controller.estimate.loss` weighs. Rain and hoses end what can be
compared: the volume is learned anew after them, the rest is kept; so it is after a rise that nobody measured, once it
is as sure as a loss would have to be. A fall within one hour that does not go on in the next is water that somebody
took, no leak.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

from controller.estimate.echoes import middle
from controller.estimate.loss import HOURS_A_DAY, TUNING, Hour, LossFilter, Suspicion, Tuning

LeakState = Literal["none", "leaking", "stopped"]

HOUR_MS = 3_600_000
NEAR_H, FAR_H = 1.5, 48.0
"""Means of the probe that the air's and the water's temperature go with (own choice)."""
LEARNING_H = 2 * HOURS_A_DAY
"""Nothing is said before so many hours were seen."""
FEWEST_SAMPLES = 4
"""An hour with fewer good samples is left out: drops on the ranger lose echoes and delay others."""
MEDIAN_VARIANCE = 1.57
"""Variance of the median of many normal values over that of their mean (pi / 2)."""
DETECT_SDS = 5.0
CHANGE_SDS = 4.5
"""How many standard deviations of its rate a loss, or a change of one, must be away from none."""
SMALLEST_L_H = 0.1
"""A slower loss is not worth a word (own choice)."""
EVAPORATION_L_H = 0.01
"""Bound for a closed tank: 0.2 mm a day from 1.1 m2 (own choice)."""
FEWEST_HOURS = 2
"""A loss must have gone on for so many whole hours, and on into the last: a can taken is over by then."""
SETTLING_H = 2
"""Hours after the last rain in which roofs drip and the level settles."""
STEP_SAMPLES = 3
"""What somebody takes is told by the median of so many samples before and after."""
STEP_SDS = 5.0
SMALLEST_STEP_L = 2.5
LARGEST_COUNTED = 9.0
"""A squared change counts at most this many times in what is usual."""
STEP_MEMORY = 400
"""Samples that the usual change between samples is the mean of."""
GOES_ON_PART = 0.6
"""A sudden fall is a leak when as many samples later the level has fallen by this part of it again."""
SAMPLE_VARIANCE = 1.1
"""Variance of a sample over that of the difference of two medians of three, 2 x 0.449 for normal values."""
SURE_FALL_SDS = 3.0
BEGINNING_PART = 0.25
"""Part by which the first rate may be off because nobody knows the very hour of its beginning (own choice)."""
REFINE_H = 12
"""The rate of a leak already found is put right by what was seen since, ever less often, but at least this often."""
STOPPED_PART = 0.3
"""A rate fallen below this part of what it was, and not sure to be one at all, has stopped."""
SURE_SDS = 2.0
CLEAR_QUIET_H = 2 * HOURS_A_DAY
"""A leak that stopped is forgotten after this many quiet hours without loss."""


class LeakReading(NamedTuple):
    """What is known of loss at rest.

    state            "leaking"; "stopped": it was, but the level no longer falls; else "none"
    rate_l_h, sd_l_h the loss and its standard deviation; while stopped what it was
    since_mono_ms    when it began, as far as that can be told; None after a restart
    lost_l           what went since
    evidence_sds     how many standard deviations the rate was away from none when it was found
    quiet_h          hours without rain, hose or gap that were weighed since, or that it has been stopped for
    stopped_at_l     volume at which it ceased: a crack at that height, unless it was mended
    """

    state: LeakState
    rate_l_h: float
    sd_l_h: float
    since_mono_ms: int | None
    lost_l: float
    evidence_sds: float
    quiet_h: int
    stopped_at_l: float | None


class PairedLoss(NamedTuple):
    """Loss from readings 24 hours apart: the mean rate, and how many pairs it is the mean of."""

    rate_l_h: float
    pairs: int


def paired_loss(hourly_l: Sequence[float | None]) -> PairedLoss | None:
    """Mean loss between hours of the same time of day, 24 hours apart, newest last; None without a whole pair.

    Errors that return with the hour of the day cancel, as far as one day is like the next.
    """
    falls_l = [
        before - now
        for before, now in zip(hourly_l, hourly_l[HOURS_A_DAY:], strict=False)
        if before is not None and now is not None
    ]
    if not falls_l:
        return None
    return PairedLoss(sum(falls_l) / len(falls_l) / HOURS_A_DAY, len(falls_l))


_SAMPLES = ("changed", "drawn_l", "flowing", "hour", "litres_per_k", "probe_c", "probes", "standing_l")


class _Samples:
    """Sums of the hour that is being filled. `changed`: more came or went at once than a leak takes."""

    __slots__ = _SAMPLES

    def __init__(self, hour: int) -> None:
        self.hour = hour
        self.probes = 0
        self.litres_per_k = self.probe_c = self.drawn_l = 0.0
        self.flowing = self.changed = False
        self.standing_l: list[float] = []


class _Steps:
    """Tells water that somebody took or gave from a level that goes on falling, sample by sample."""

    __slots__ = ("fall_l", "goes_on", "recent_l", "usual_l2")

    def __init__(self) -> None:
        self.usual_l2 = 1.0
        self.forget()

    def forget(self) -> None:
        """The next sample has nothing to be compared with."""
        self.recent_l: list[float] = []
        self.fall_l = 0.0
        self.goes_on = False
        """Did the last sudden fall go on, as a leak's does?"""

    @property
    def open(self) -> bool:
        """Whether a sudden fall waits to be told from a leak. One more of a fall that goes on need not."""
        return self.fall_l > 0.0 and not self.goes_on

    def add(self, standing_l: float) -> bool:
        """Take a sample; True when what it shows came or went at once."""
        recent_l = self.recent_l
        recent_l.append(standing_l)
        if len(recent_l) < 2 * STEP_SAMPLES:
            return False
        change_l = sorted(recent_l[STEP_SAMPLES:])[1] - sorted(recent_l[:STEP_SAMPLES])[1]
        del recent_l[0]
        if self.fall_l > 0.0:
            return self._settle(change_l)
        largest_l = max(SMALLEST_STEP_L, STEP_SDS * math.sqrt(self.usual_l2))
        if change_l > largest_l:
            self.forget()
            return True
        if change_l < -largest_l:
            # What follows is compared with the foot of the fall.
            self.fall_l = -change_l
            del recent_l[:-STEP_SAMPLES]
            return False
        self.goes_on = False
        counted = min(change_l * change_l, LARGEST_COUNTED * self.usual_l2)
        self.usual_l2 += (counted - self.usual_l2) / STEP_MEMORY
        return False

    def _settle(self, change_l: float) -> bool:
        # A leak of five or six standard deviations is seen to fall by one more at times, and by one less the next time.
        went_on = -change_l >= GOES_ON_PART * self.fall_l - math.sqrt(self.usual_l2)
        self.fall_l = 0.0
        self.goes_on = went_on
        return not went_on

    def dump(self) -> list[Any]:
        return [self.usual_l2, self.fall_l, list(self.recent_l), self.goes_on]

    def load(self, data: list[Any]) -> None:
        self.usual_l2, self.fall_l, self.recent_l = data[0], data[1], list(data[2])
        self.goes_on = bool(data[3]) if len(data) > 3 else False


_STATE = (
    "drawn_l",
    "evidence_sds",
    "far_c",
    "hours_seen",
    "last_hour",
    "last_l",
    "litres_per_k",
    "lost_l",
    "near_c",
    "quiet_h",
    "quiet_from",
    "rate_l_h",
    "refined_hour",
    "sd_l_h",
    "since_mono_ms",
    "state",
    "stopped_at_l",
    "volume_l",
)


class LeakWatch:
    """Feed `observe` every few minutes; most calls only add to the hour's sums."""

    __slots__ = ("_filter", "_hour", "_steps", "_tuning", *_STATE)

    state: LeakState
    since_mono_ms: int | None
    stopped_at_l: float | None
    near_c: float | None
    last_l: float | None

    def __init__(self, tuning: Tuning = TUNING) -> None:
        self._tuning = tuning
        self.near_c = None
        self.far_c = self.volume_l = 0.0
        self._forget_leak()
        self._begin()

    def _forget_leak(self) -> None:
        self.state = "none"
        self.rate_l_h = self.sd_l_h = self.lost_l = self.evidence_sds = 0.0
        self.since_mono_ms = self.stopped_at_l = None
        self.quiet_h = self.refined_hour = 0

    def _begin(self) -> None:
        self._filter = LossFilter(self._tuning)
        self._steps = _Steps()
        self._hour: _Samples | None = None
        self.drawn_l = self.litres_per_k = 0.0
        self.last_l = None
        self.hours_seen = self.last_hour = self.quiet_from = self.refined_hour = 0

    def restarted(self) -> None:
        """After a restart of the monotonic clock the test begins anew. A leak once found stays known, undated."""
        self._begin()
        self.since_mono_ms = None

    # --- feeding -----------------------------------------------------------------------------------------------------

    def observe(
        self,
        mono_ms: int,
        volume_l: float | None,
        litres_per_k: float,
        probe_c: float | None,
        drawn_l: float = 0.0,
        flowing: bool = False,
    ) -> None:
        """Take the volume now; None when it is not to be relied on.

        `litres_per_k` is what a kelvin of air on the echo's way makes of the volume (surface x distance x 0.00178/K),
        `drawn_l` what was metered out since the last call, `flowing` whether rain or a hose may be running in.
        """
        number = mono_ms // HOUR_MS
        hour = self._hour
        if hour is None or number != hour.hour:
            if hour is not None:
                if number < hour.hour:
                    self.restarted()
                else:
                    self._end_hour(hour)
            self._hour = hour = _Samples(number)
        if drawn_l:
            self.drawn_l += drawn_l
            hour.drawn_l += drawn_l
        if flowing:
            hour.flowing = True
            self._steps.forget()
        if probe_c is not None:
            hour.probe_c += probe_c
            hour.probes += 1
        if volume_l is None:
            return
        standing_l = volume_l + self.drawn_l
        hour.standing_l.append(standing_l)
        hour.litres_per_k += litres_per_k
        self.volume_l = volume_l
        if not flowing and self._steps.add(standing_l):
            hour.changed = True

    def _end_hour(self, hour: _Samples) -> None:
        """Let the hour pass; when it was quiet and seen, weigh it."""
        hours = hour.hour - self.last_hour if self.hours_seen else 1
        self.last_hour = hour.hour
        self.hours_seen += 1
        count = len(hour.standing_l)
        if count:
            self.litres_per_k = hour.litres_per_k / count
        probe_c = self._follow_probe(hour, hours)
        leaking = self.state == "leaking"
        if leaking:
            self.lost_l += self.rate_l_h * hours
        known_l_h = self.rate_l_h if leaking else 0.0
        self._filter.pass_time(hours, hour.drawn_l, known_l_h, self.litres_per_k, hour.hour)
        if hour.flowing:
            self.quiet_from = hour.hour + SETTLING_H
        last_l, self.last_l = self.last_l, None
        if hour.changed or hour.hour <= self.quiet_from:
            self._filter.forget_volume()
        elif count >= FEWEST_SAMPLES and self.near_c is not None and not self._steps.open:
            self.last_l = middle(sorted(hour.standing_l))
            noise_l2 = MEDIAN_VARIANCE * SAMPLE_VARIANCE * self._steps.usual_l2 / count
            near_k, far_k = self.near_c - probe_c, self.far_c - probe_c
            self._filter.take(Hour(hour.hour, self.last_l, noise_l2, self.litres_per_k, near_k, far_k))
            self.quiet_h += 1
            if self.hours_seen > LEARNING_H:
                self._decide(hour.hour, None if last_l is None else last_l - self.last_l)

    def _follow_probe(self, hour: _Samples, hours: int) -> float:
        """The hour's mean of the probe, or what it was of late; its longer means follow."""
        if not hour.probes:
            return self.near_c if self.near_c is not None else 0.0
        probe_c = hour.probe_c / hour.probes
        if self.near_c is None:
            self.near_c = self.far_c = probe_c
        self.near_c += (probe_c - self.near_c) * (1.0 - math.exp(-hours / NEAR_H))
        self.far_c += (probe_c - self.far_c) * (1.0 - math.exp(-hours / min(FAR_H, NEAR_H + self.hours_seen)))
        return probe_c

    # --- deciding ----------------------------------------------------------------------------------------------------

    def _decide(self, hour: int, fall_l: float | None) -> None:
        """Say what the hours weighed so far show; `fall_l` is what the last of them lost, None where not known."""
        suspicions = self._filter.suspicions(hour - FEWEST_HOURS)
        if not suspicions:
            return
        if self.state == "leaking":
            self._follow_leak(hour, suspicions)
            return
        most = min(suspicions, key=lambda suspicion: suspicion.sds)
        if most.sds <= -DETECT_SDS:
            # Water came that nobody measured: rain without a gauge, a hose that trickles.
            self._pass_over(most)
            return
        worst = max(suspicions, key=_above_evaporation_sds)
        if _above_evaporation_sds(worst) >= DETECT_SDS and worst.rate_l_h >= SMALLEST_L_H:
            usual_l = SURE_FALL_SDS * math.sqrt(self._steps.usual_l2)
            if worst.rate_l_h > usual_l:
                if fall_l is None:
                    # Whether it still falls, the next hour tells.
                    return
                if fall_l < GOES_ON_PART * worst.rate_l_h:
                    # It fell, but falls no more: water taken little by little.
                    self._pass_over(worst)
                    return
            self._find(worst)
        elif self.state == "stopped" and self.quiet_h >= CLEAR_QUIET_H:
            self._forget_leak()

    def _pass_over(self, change: Suspicion) -> None:
        """Take what came or went as explained, and learn the volume anew: nothing else is to be learned from it."""
        self._filter.believe(change.hour, change.rate_l_h)
        self._filter.forget_volume()

    def _find(self, found: Suspicion) -> None:
        if self.state == "none":
            self.since_mono_ms = found.hour * HOUR_MS
            self.lost_l = 0.0
        self.state = "leaking"
        self.stopped_at_l = None
        self.evidence_sds = found.sds
        self.rate_l_h = found.rate_l_h
        self.sd_l_h = math.hypot(found.sd_l_h, BEGINNING_PART * found.rate_l_h)
        self.lost_l += found.rate_l_h * (self.last_hour - found.hour + 1)
        self.quiet_h = 0
        self.refined_hour = self.last_hour
        self._filter.believe(found.hour, found.rate_l_h)

    def _follow_leak(self, hour: int, suspicions: list[Suspicion]) -> None:
        """Put the rate right: at once when it changed, now and then by what was seen since."""
        change = max(suspicions, key=lambda suspicion: abs(suspicion.sds))
        if abs(change.sds) >= CHANGE_SDS:
            self._believe_change(change, change.rate_l_h, change.sd_l_h)
        elif hour - self.refined_hour >= min(REFINE_H, self.quiet_h // 2 + 1):
            oldest = suspicions[0]
            weight = self.sd_l_h**2 / (self.sd_l_h**2 + oldest.sd_l_h**2)
            self._believe_change(oldest, weight * oldest.rate_l_h, math.sqrt(weight) * oldest.sd_l_h)

    def _believe_change(self, change: Suspicion, by_l_h: float, sd_l_h: float) -> None:
        self._filter.believe(change.hour, by_l_h)
        self.lost_l += by_l_h * (self.last_hour - change.hour + 1)
        self.refined_hour = self.last_hour
        rate_l_h = self.rate_l_h + by_l_h
        unsure = rate_l_h < SURE_SDS * sd_l_h and rate_l_h < STOPPED_PART * self.rate_l_h
        if unsure or rate_l_h < 0.5 * SMALLEST_L_H:
            self.state = "stopped"
            self.stopped_at_l = self.volume_l
            self.quiet_h = 0
            return
        self.rate_l_h, self.sd_l_h = rate_l_h, sd_l_h

    # --- asking ------------------------------------------------------------------------------------------------------

    def reading(self) -> LeakReading:
        """What is known of loss at rest."""
        return LeakReading(
            self.state,
            self.rate_l_h,
            self.sd_l_h,
            self.since_mono_ms,
            self.lost_l,
            self.evidence_sds,
            self.quiet_h,
            self.stopped_at_l,
        )

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        hour = self._hour
        return {
            "filter": self._filter.dump(),
            "steps": self._steps.dump(),
            "hour": None if hour is None else {name: getattr(hour, name) for name in _SAMPLES},
            **{name: getattr(self, name) for name in _STATE},
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        for name in _STATE:
            setattr(self, name, data[name])
        self._filter.load(data["filter"])
        self._steps.load(data["steps"])
        self._hour = None
        if data["hour"] is not None:
            self._hour = _Samples(data["hour"]["hour"])
            for name in _SAMPLES:
                setattr(self._hour, name, data["hour"][name])


def _above_evaporation_sds(suspicion: Suspicion) -> float:
    return (suspicion.rate_l_h - EVAPORATION_L_H) / suspicion.sd_l_h
