"""What roofs give: plan area times rain times coefficient, less the first flush of each spell of rain.

1 mm of rain on 1 m2 is 1 L; the coefficient is what the roof's surface, gutter and filter let through (BS EN 16941-1,
table 2, gives yield coefficients by surface; quoted second-hand, so the site file asks the owner). The owner's figures
are where learning begins: each measured storm corrects them, unless it is so far off that something must be wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from controller.estimate.storm import Storm
from controller.site.model import Roof

COEFFICIENT_SD = 0.10
"""How far the declared coefficient may be off, as part of it (own choice)."""
LOSS_SD_MM = 0.4
"""How far the declared first flush may be off, with the wetting of the roof on top (own choice)."""
WETTING_MM = 0.3
"""What a dry roof holds back before anything runs (common practice, no source)."""
DRYING_H = 6.0
"""How soon a roof is dry and the first flush due again (own choice)."""
STORM_PART = 0.02
"""Part by which one storm's yield differs from the next: wind, splashing, how hard it rains (own choice)."""
LOSS_PART = 0.25
FORGET_STORM = 0.002
"""What a storm may change the coefficient by, for good."""
SMALLEST_STORM_MM = 2.0
"""Less rain says nothing about a gutter."""
GATE_SDS = 3.5
POOLED = 3
"""A finding rests on the last one to this many storms together."""
FIND_SDS = 4.0
SMALLEST_LOST = 0.12
"""Less than this part lost is not worth a word (own choice)."""
SMALLEST_GAINED = 0.25
MENDED_LOST = 0.08
HOSE_L_H = 300.0
"""A tank that rises faster than this without rain on the gauge is filled by hand."""
SHORTEST_RISE_H = 1.0 / 3.0
"""How long a rise lasts is known to some samples."""
NOTHING_PART = 0.08
"""A tank that rises by less than this part of what the rain should have brought has caught nothing."""
SURE_SDS = 6.0
UNSEEN_RISES = 2
"""So many rises without a tip, with no storm between, and the gauge must be blocked."""

Trouble = Literal["", "gutter", "gauge"]


@dataclass(frozen=True, slots=True)
class Catch:
    """Litres into the tank, and how much first flush is still to be thrown away."""

    caught_l: float
    flush_left_mm: float


def roof_catch(roof: Roof, rain_mm: float, flush_left_mm: float) -> Catch:
    """The catch of `rain_mm` on a roof with `flush_left_mm` of first flush still to go."""
    flushed_mm = min(flush_left_mm, rain_mm)
    caught_l = (rain_mm - flushed_mm) * roof.area_m2 * roof.runoff_coefficient
    return Catch(caught_l, flush_left_mm - flushed_mm)


def filled_by_hand(storm: Storm) -> bool:
    """Whether a rise that the gauge did not see was faster than rain from a roof: somebody's hose."""
    return storm.caught_l is not None and storm.caught_l > HOSE_L_H * max(storm.rising_h, SHORTEST_RISE_H)


class YieldReading(NamedTuple):
    """What is known of a tank's roofs together.

    coefficient, loss_mm  as learned, with their standard deviations; the loss is first flush and wetting of a dry roof
    trouble               "gutter": less comes in than the rain brings; "gauge": more comes in than the gauge counts
    lost_part, lost_sd    part of the catch that goes missing (negative: comes on top) over the storms of the finding
    lost_l                litres that went missing since it was found
    storms                storms measured so far
    """

    coefficient: float
    coefficient_sd: float
    loss_mm: float
    loss_sd_mm: float
    trouble: Trouble
    lost_part: float
    lost_sd: float
    lost_l: float
    storms: int


class Expected(NamedTuple):
    """Litres that a storm should bring, and their standard deviation."""

    volume_l: float
    sd_l: float


_STATE = (
    "coefficient",
    "loss_mm",
    "variances",
    "trouble",
    "lost_part",
    "lost_sd",
    "lost_l",
    "storms",
    "unseen_rises",
    "recent",
    "nothing_caught",
)


class RoofYield:
    """Learns what the roofs of one tank give, and tells a gutter that spills from a gauge that does not count.

    Coefficient and loss are followed by recursive least squares from the declared figures on (a Kalman filter without
    motion); a storm that is too far off teaches nothing.
    """

    __slots__ = ("_area_m2", "_mm_per_tip", "doubted_mm", *_STATE)

    trouble: Trouble

    def __init__(self, roofs: Sequence[Roof], mm_per_tip: float) -> None:
        """`roofs` are those that drain into the tank, at least one (ValueError)."""
        if not roofs:
            raise ValueError("a yield needs at least one roof")
        self._area_m2 = sum(roof.area_m2 for roof in roofs)
        self._mm_per_tip = mm_per_tip
        caught_m2 = sum(roof.area_m2 * roof.runoff_coefficient for roof in roofs)
        self.coefficient = caught_m2 / self._area_m2
        flush_l = sum(roof.area_m2 * roof.runoff_coefficient * roof.first_flush_mm for roof in roofs)
        # The loss is kept as what it takes from the catch, so that what is expected is linear in both.
        self.loss_mm = flush_l / self._area_m2 + WETTING_MM * self.coefficient
        self.variances = [(COEFFICIENT_SD * self.coefficient) ** 2, 0.0, LOSS_SD_MM**2]
        self.trouble = ""
        self.lost_part = self.lost_sd = self.lost_l = 0.0
        self.storms = self.unseen_rises = 0
        self.recent: list[list[float]] = []
        self.nothing_caught = 0
        """Storms in a row of which nothing came into the tank."""
        self.doubted_mm = 0.0
        """Of the storm just taken, what most likely was no rain: the gauge was splashed. One in a row, no more."""

    def expected(self, rain_mm: float, dry_h: float) -> Expected:
        """What rain after so many dry hours should bring."""
        dryness = 1.0 - math.exp(-dry_h / DRYING_H)
        loss_mm = min(self.loss_mm * dryness, self.coefficient * rain_mm)
        caught_mm = self.coefficient * rain_mm - loss_mm
        runoff, between, loss = self.variances
        learned_mm2 = runoff * rain_mm**2 - 2.0 * between * rain_mm * dryness + loss * dryness**2
        own_mm2 = (STORM_PART * caught_mm) ** 2 + (LOSS_PART * loss_mm) ** 2
        # A tip more or less at either end: the difference of two even spreads.
        tips_mm2 = self.coefficient**2 * self._mm_per_tip**2 / 6.0
        return Expected(self._area_m2 * caught_mm, self._area_m2 * math.sqrt(learned_mm2 + own_mm2 + tips_mm2))

    def spilled(self, storm: Storm) -> Expected:
        """What a storm brought that found no room: what roofs should have given less what the tank caught."""
        if not storm.spilled:
            return Expected(0.0, 0.0)
        expected = self.expected(storm.rain_mm, storm.dry_h)
        spilled_l = expected.volume_l - (storm.caught_l or 0.0)
        return Expected(max(0.0, spilled_l), math.hypot(expected.sd_l, storm.sd_l))

    def take(self, storm: Storm) -> None:
        """Judge a storm that is over, and learn from it when it is like the others."""
        self.doubted_mm = 0.0
        if storm.rain_mm <= 0.0:
            self._take_unseen(storm)
            return
        self.unseen_rises = 0
        if storm.caught_l is None or storm.rain_mm < SMALLEST_STORM_MM:
            return
        expected = self.expected(storm.rain_mm, storm.dry_h)
        if storm.spilled and storm.caught_l < expected.volume_l:
            return
        self.storms += 1
        sd_l = math.hypot(expected.sd_l, storm.sd_l)
        if self._caught_nothing(storm.caught_l, expected.volume_l, sd_l) and not self.trouble:
            self.nothing_caught += 1
            if self.nothing_caught == 1:
                # A sprinkler in the gauge, or a downpipe that fell off: the next storm tells. Until then the beds are
                # better watered once too often than left dry on the strength of it.
                self.doubted_mm = storm.rain_mm
                return
        else:
            self.nothing_caught = 0
        self._diagnose((expected.volume_l - storm.caught_l) / expected.volume_l, sd_l / expected.volume_l)
        if self.trouble:
            self.lost_l += expected.volume_l - storm.caught_l
        elif not storm.spilled and abs(storm.caught_l - expected.volume_l) < GATE_SDS * sd_l:
            self._learn(storm, expected, sd_l)

    def _caught_nothing(self, caught_l: float, expected_l: float, sd_l: float) -> bool:
        return caught_l < NOTHING_PART * expected_l and expected_l > SURE_SDS * sd_l

    def _take_unseen(self, storm: Storm) -> None:
        """A rise without a tip: a hose fills fast, a blocked gauge misses storm after storm."""
        if filled_by_hand(storm):
            return
        self.unseen_rises += 1
        if self.unseen_rises >= UNSEEN_RISES:
            self.trouble = "gauge"
            self.lost_part, self.lost_sd = -1.0, 0.0

    def _diagnose(self, lost_part: float, sd: float) -> None:
        self.recent = [*self.recent[1 - POOLED :], [lost_part, sd]]
        if self.trouble:
            lost_part, sd = self._pooled(2)
            if self.trouble == "gauge":
                lost_part = -lost_part
            if lost_part < MENDED_LOST and (SMALLEST_LOST - lost_part) > sd:
                self.trouble = ""
                self.lost_part = self.lost_sd = self.lost_l = 0.0
            return
        for count in range(1, len(self.recent) + 1):
            lost_part, sd = self._pooled(count)
            if lost_part >= SMALLEST_LOST and lost_part >= FIND_SDS * sd:
                self._find("gutter", lost_part, sd)
                return
            if count > 1 and -lost_part >= SMALLEST_GAINED and -lost_part >= FIND_SDS * sd:
                self._find("gauge", lost_part, sd)
                return

    def _pooled(self, count: int) -> tuple[float, float]:
        """The part lost over the last storms, weighted by how well each was measured."""
        weights = [1.0 / sd**2 for _, sd in self.recent[-count:]]
        total = sum(weights)
        return sum(w * lost for w, (lost, _) in zip(weights, self.recent[-count:], strict=True)) / total, total**-0.5

    def _find(self, trouble: Trouble, lost_part: float, sd: float) -> None:
        self.trouble = trouble
        self.lost_part, self.lost_sd = lost_part, sd
        self.lost_l = 0.0
        self.recent = self.recent[-1:]

    def _learn(self, storm: Storm, expected: Expected, sd_l: float) -> None:
        dryness = 1.0 - math.exp(-storm.dry_h / DRYING_H)
        look = (storm.rain_mm, -dryness)
        runoff, between, loss = self.variances
        shared = (runoff * look[0] + between * look[1], between * look[0] + loss * look[1])
        total = (sd_l / self._area_m2) ** 2
        surprise_mm = ((storm.caught_l or 0.0) - expected.volume_l) / self._area_m2
        gains = (shared[0] / total, shared[1] / total)
        self.coefficient += gains[0] * surprise_mm
        self.loss_mm = max(0.0, self.loss_mm + gains[1] * surprise_mm)
        self.variances = [
            runoff - gains[0] * shared[0] + FORGET_STORM**2,
            between - gains[0] * shared[1],
            loss - gains[1] * shared[1],
        ]

    def reading(self) -> YieldReading:
        """What is known now."""
        return YieldReading(
            self.coefficient,
            math.sqrt(self.variances[0]),
            self.loss_mm,
            math.sqrt(max(0.0, self.variances[2])),
            self.trouble,
            self.lost_part,
            self.lost_sd,
            self.lost_l,
            self.storms,
        )

    def dump(self) -> dict[str, Any]:
        """The whole state as JSON-able data."""
        data = {name: getattr(self, name) for name in _STATE}
        return data | {"variances": list(self.variances), "recent": [list(pair) for pair in self.recent]}

    def load(self, data: dict[str, Any]) -> None:
        """Take back what `dump` gave."""
        data = {"nothing_caught": 0, **data}
        for name in _STATE:
            setattr(self, name, data[name])
        self.variances = list(data["variances"])
        self.recent = [list(pair) for pair in data["recent"]]
