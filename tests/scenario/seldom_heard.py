"""Two hard days of a garden whose board reports each minute at the most, and each five minutes at the least.

Between two reports a tank may be emptied, a rung begin to answer, or a thermometer fall off: the level estimator has
few bursts to tell one from the other. So what deceives it breaks in most of these gardens, and the controller restarts.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

from controller.site.model import Site
from tests.scenario.hard_weeks import HardWeek

DECEIVING = (
    "level",
    "echoes",
    "sensor",
    "controller",
    "tank",
    "leak",
    "float",
    "temperature",
    "meter",
    "cable",
    "board",
)
"""Kinds of strikes after which the level is not what it seems, or nobody listened for a while."""

HARD_DAYS = 44.0 / 24.0


class SeldomHeard(HardWeek):
    """One seed's two days, with one to three beds."""

    def __init__(self, seed: int, hard_days: float = HARD_DAYS, muted: frozenset[int] = frozenset()) -> None:
        super().__init__(seed, 24.0 * hard_days, muted)
        rng = Random(f"kinds {seed}")
        if rng.random() < 0.6:
            self._kinds = [*rng.sample(DECEIVING, rng.randint(2, 5)), "controller", "order"]

    def _some_site(self) -> Site:
        rng = Random(f"rare {self.seed}")
        site = super()._some_site()
        beds = min(rng.choice((1, 1, 2, 3)), len(site.zones))
        zones = site.zones if beds == len(site.zones) else tuple(rng.sample(site.zones, beds))
        return replace(site, zones=zones, idle_report_s=rng.choice((60, 120, 300)))
