"""A recursive filter for the level of one tank: what the echoes, the meter and the thermometer say together.

A Kalman filter (R. E. Kalman 1960) with eight states, in plain Python because it runs where there is no numpy:

level        mm, the true surface
rate         mm/h that nobody meters: rain, hose, leak
air, lasting K by which the air on the echo's way differs from what the probe lets expect: coming and going, and lasting
layered      part of the way as warm as the water while the probe is warmer: warm air stays up and lies in layers
turning      the same while the probe is colder: cold air sinks, so nearly all of the way is as cold
lead         part of the probe's lag: by how much the air has gone on since
meter        part by which the flow meter counts too little

What a burst shows is linear in them: the level it seems to be, taking the probe's temperature for the whole way, is too
high by distance x 0.17 % for each kelvin by which the air on the way is warmer. While nothing flows a level that
follows the temperature of the day can only be that error, so the filter learns it and takes it off.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

STATES = 8
LEVEL, RATE, AIR, LASTING, LAYERED, TURNING, LEAD, METER = range(STATES)

SPEED_SENSITIVITY_PER_K = 0.00178
"""Relative change of the speed of sound in saturated air per kelvin, near 15 °C (dry air alone: half of 1/T)."""


_POSSIBLE = ((AIR, -1.0, 1.0), (LASTING, -1.5, 1.5), (LAYERED, 0.0, 1.0), (TURNING, 0.0, 1.0), (LEAD, -1.0, 1.0))
"""What the air can be, in kelvins or parts of the way (own choice for the kelvins). A surprise that asks for more is
water, so the states are held to their bounds after each step (projection, as in D. Simon, Kalman filtering with state
constraints, 2010; from memory)."""
UNKNOWN_MM2 = 1e8
"""Variance of a level of which nothing is known: 10 m."""


class Tuning(NamedTuple):
    """Spreads of what is not known, as standard deviations; own choice where no source is named.

    The meter's is common practice for small turbine meters, no source. The air's are sizes that trials showed on seeds
    that no figure is reported of.
    """

    air_k: float = 0.22
    air_h: float = 4.0
    lasting_k: float = 0.2
    lasting_k_day: float = 0.015
    layered: float = 0.4
    layered_sd: float = 0.2
    turning: float = 0.15
    turning_sd: float = 0.15
    lead_sd: float = 0.3
    share_sd_day: float = 0.01
    meter_sd: float = 0.012
    meter_sd_day: float = 0.0003
    level_mm_h: float = 0.08
    rate_mm_h: float = 0.12
    rate_h: float = 30.0
    draw_part: float = 0.004


TUNING = Tuning()


class Surroundings(NamedTuple):
    """What a burst's error goes with.

    mm_per_k    distance x sensitivity
    layered_k   by how much the water is warmer than the probe, when it is colder (zero or less)
    turning_k   the same when it is warmer (zero or more)
    lead_k      by how much the probe is below its own recent mean
    """

    mm_per_k: float
    layered_k: float
    turning_k: float
    lead_k: float

    def warmer_k(self, state: Sequence[float]) -> float:
        """How much warmer than the probe the air on the way is believed to be."""
        return (
            state[AIR]
            + state[LASTING]
            + state[LAYERED] * self.layered_k
            + state[TURNING] * self.turning_k
            + state[LEAD] * self.lead_k
        )


class VolumeFilter:
    """State and covariance. The level is kept in millimetres, the draw is given in millimetres too.

    `begin` with a first level, then `predict` and `correct` in turn. What is learned of the air, the probe and the
    meter outlasts `begin`.
    """

    __slots__ = ("_tuning", "covariance", "state")

    def __init__(self, tuning: Tuning = TUNING) -> None:
        self._tuning = tuning
        self.state = [0.0] * STATES
        self.state[LAYERED], self.state[TURNING] = tuning.layered, tuning.turning
        spreads = (
            0.0,
            tuning.rate_mm_h,
            tuning.air_k,
            tuning.lasting_k,
            tuning.layered_sd,
            tuning.turning_sd,
            tuning.lead_sd,
            tuning.meter_sd,
        )
        self.covariance = [[0.0] * STATES for _ in range(STATES)]
        for index, spread in enumerate(spreads):
            self.covariance[index][index] = spread * spread

    def begin(self, level_mm: float, variance_mm2: float) -> None:
        """Take a level of which only the variance is known; what flows unmetered is forgotten with the old one."""
        self._set(LEVEL, level_mm, variance_mm2)
        self._set(RATE, 0.0, self._tuning.rate_mm_h**2)

    def _set(self, index: int, value: float, variance: float) -> None:
        self.state[index] = value
        row = self.covariance[index]
        for other in range(STATES):
            row[other] = self.covariance[other][index] = 0.0
        row[index] = variance

    def meet(self, seemed_mm: float, variance_mm2: float, around: Surroundings) -> None:
        """Take the level from a burst alone (already put right by what is believed of the air)."""
        self.begin(seemed_mm, UNKNOWN_MM2)
        self.correct(0.0, variance_mm2, around)

    def predict(
        self, elapsed_h: float, drawn_mm: float, loose_mm2: float = 0.0, loose_rate_mm2_h2: float = 0.0
    ) -> None:
        """Let time pass while `drawn_mm` is metered out; the loose ones are variances of what may flow besides."""
        tuning, state, covariance = self._tuning, self.state, self.covariance
        state[LEVEL] += state[RATE] * elapsed_h - drawn_mm * (1.0 + state[METER])
        level, rate, air = covariance[LEVEL], covariance[RATE], covariance[AIR]
        if drawn_mm:
            meter = covariance[METER]
            shifted = [a + elapsed_h * b - drawn_mm * c for a, b, c in zip(level, rate, meter, strict=True)]
            shifted[LEVEL] += elapsed_h * shifted[RATE] - drawn_mm * shifted[METER]
        else:
            shifted = [a + elapsed_h * b for a, b in zip(level, rate, strict=True)]
            shifted[LEVEL] += elapsed_h * shifted[RATE]
        covariance[LEVEL] = shifted
        keep_rate = 1.0 - min(0.9, elapsed_h / tuning.rate_h)
        keep_air = 1.0 - min(0.9, elapsed_h / tuning.air_h)
        state[RATE] *= keep_rate
        state[AIR] *= keep_air
        for index in range(STATES):
            rate[index] *= keep_rate
            air[index] *= keep_air
        for index, row in enumerate(covariance):
            row[LEVEL] = shifted[index]
            row[RATE] *= keep_rate
            row[AIR] *= keep_air
        shifted[LEVEL] += tuning.level_mm_h**2 * elapsed_h + (tuning.draw_part * drawn_mm) ** 2 + loose_mm2
        rate[RATE] += tuning.rate_mm_h**2 * (1.0 - keep_rate * keep_rate) + loose_rate_mm2_h2
        air[AIR] += tuning.air_k**2 * (1.0 - keep_air * keep_air)
        days = elapsed_h / 24.0
        covariance[LASTING][LASTING] += tuning.lasting_k_day**2 * days
        share_mm2 = tuning.share_sd_day**2 * days
        covariance[LAYERED][LAYERED] += share_mm2
        covariance[TURNING][TURNING] += share_mm2
        covariance[METER][METER] += tuning.meter_sd_day**2 * days

    def seen_variance_mm2(self, around: Surroundings) -> float:
        """Variance of the level that a burst without noise should seem to show."""
        return _shown(self._shared(around), around)

    def _shared(self, around: Surroundings) -> list[float]:
        """Covariance of each state with the level a burst seems to show."""
        gain, layered_k, turning_k, lead_k = around
        layered, turning, lead = gain * layered_k, gain * turning_k, gain * lead_k
        return [
            level + gain * (air + lasting) + layered * a + turning * b + lead * c
            for level, _, air, lasting, a, b, c, _ in self.covariance
        ]

    def correct(self, surprise_mm: float, variance_mm2: float, around: Surroundings) -> None:
        """Take a level that echoes show: by how much it is higher than was believed, with the variance of its noise."""
        state, covariance = self.state, self.covariance
        shared = self._shared(around)
        total = _shown(shared, around) + variance_mm2
        # Written out, since this is most of what a step at rest costs: a row takes half the time of one by `zip`.
        s0, s1, s2, s3, s4, s5, s6, s7 = shared
        for index, (c0, c1, c2, c3, c4, c5, c6, c7) in enumerate(covariance):
            w = shared[index] / total
            state[index] += w * surprise_mm
            covariance[index] = [
                *(c0 - w * s0, c1 - w * s1, c2 - w * s2, c3 - w * s3),
                *(c4 - w * s4, c5 - w * s5, c6 - w * s6, c7 - w * s7),
            ]
        for index, least, most in _POSSIBLE:
            if not least <= state[index] <= most:
                state[index] = least if state[index] < least else most

    def expect_flow(self, surprise_mm: float, elapsed_h: float) -> None:
        """Before a surprise that neither the air nor what flows can explain is taken: water moves that nobody counts.

        Else the filter, which knows no leak that begins at once, would find air warmer by tens of kelvins. The level
        and its rate may then be off by just so much, together.
        """
        rate_mm_h = surprise_mm / elapsed_h
        level, rate = self.covariance[LEVEL], self.covariance[RATE]
        level[LEVEL] += surprise_mm * surprise_mm
        level[RATE] += surprise_mm * rate_mm_h
        rate[LEVEL] = level[RATE]
        rate[RATE] += rate_mm_h * rate_mm_h

    def level_variance_mm2(self, elapsed_h: float) -> float:
        """Variance of the level a while after the last step."""
        level, rate = self.covariance[LEVEL], self.covariance[RATE]
        grown = self._tuning.level_mm_h**2 * elapsed_h
        return level[LEVEL] + grown + elapsed_h * (2.0 * level[RATE] + elapsed_h * rate[RATE])

    @property
    def rate_variance(self) -> float:
        """Variance of the rate, mm2/h2."""
        return self.covariance[RATE][RATE]

    @property
    def meter_variance(self) -> float:
        """Variance of the part by which the meter counts too little."""
        return self.covariance[METER][METER]

    def still(self) -> None:
        """The rain is over: nothing flows that is not metered."""
        self._set(RATE, 0.0, self._tuning.rate_mm_h**2)

    def dump(self) -> dict[str, Any]:
        """State and covariance as JSON-able data."""
        return {"state": list(self.state), "covariance": [list(row) for row in self.covariance]}

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        self.state = list(data["state"])
        self.covariance = [list(row) for row in data["covariance"]]


def _shown(covariances: Sequence[float], around: Surroundings) -> float:
    """What a level seems to be, out of the states, or its covariance with something out of theirs."""
    gain, layered_k, turning_k, lead_k = around
    level, _, air, lasting, layered, turning, lead, _ = covariances
    return level + gain * (air + lasting + layered_k * layered + turning_k * turning + lead_k * lead)
