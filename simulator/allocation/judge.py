"""The contest: rules against each other over many seasons of three climates, beside the clairvoyant bound.

Even years may be learned from (normals, and whatever was tuned); odd years judge.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.irrigate.outlook import outlook
from controller.site.model import Site
from simulator.allocation.clairvoyant import bound
from simulator.allocation.climates import Climate, Season, allotment_in, normals, seasons
from simulator.allocation.garden import (
    NO_ERRORS,
    Errors,
    Garden,
    Outcome,
    Rule,
    SeasonWeather,
    coefficient_errors,
    season_weather,
)
from simulator.allocation.priced import ByPrice
from simulator.allocation.rivals import DaysOfSupply, FixedTimer, Refill
from simulator.plant.daily_records import DailyRecord
from simulator.trials.table import TrialRow

RAIN_SKIP_MM = 5.0
RATION_DAYS = 30.0
NOTICEABLE = 0.5
"""Points by which a season must be worse to count as worse."""
_EQUAL_STEPS = 10
_LOWEST_FLOOR, _HIGHEST_FLOOR = 1e-3, 2.0


@dataclass(frozen=True, slots=True)
class Contest:
    """One climate's seasons with the allotment as it stands there, and what all rules are measured by."""

    climate: Climate
    site: Site
    et0_mm: tuple[float, ...]
    weather: tuple[SeasonWeather, ...]

    def run(self, rule: Rule, errors: Callable[[Season], Errors] = lambda _: NO_ERRORS) -> list[Outcome]:
        """Every season under a rule."""
        return [Garden(self.site, w.season.year, errors(w.season)).run(w, rule) for w in self.weather]

    def bounds(self) -> list[float]:
        """Every season's clairvoyant bound."""
        return [bound(Garden(self.site, w.season.year), w) for w in self.weather]

    def rule(self, least_price: float = 0.0) -> ByPrice:
        """The controller's rule with the station's own monthly evapotranspiration."""
        known = outlook(self.site, et0_mm=self.et0_mm)
        if known is None:
            raise ValueError("the allotment in a climate always has normals")
        return ByPrice(self.site, known, least_price)


def contest(climate: Climate, rows: Sequence[DailyRecord], example: Site, *, odd_years: bool) -> Contest:
    """The judged contest of a climate (odd years), or the one that may be learned from."""
    known, et0_mm = normals([row for row in rows if row.date.year % 2 == 0])
    site = allotment_in(climate, example, known)
    chosen = [season for season in seasons(climate, rows) if season.year % 2 == (1 if odd_years else 0)]
    return Contest(climate, site, et0_mm, tuple(season_weather(season, site, season.year) for season in chosen))


@dataclass(frozen=True, slots=True)
class ClimateResult:
    """Scores and litres of one climate, by rule."""

    name: str
    outcomes: dict[str, list[Outcome]]
    bounds: list[float]
    saved: dict[str, float]

    def total(self, rule: str) -> float:
        return sum(outcome.score for outcome in self.outcomes[rule])

    def closed(self, rule: str = "price") -> tuple[float, float]:
        """(gain over refill, gap between refill and the bound), summed over the seasons."""
        return self.total("refill") - self.total(rule), self.total("refill") - sum(self.bounds)


def judged(contest: Contest) -> ClimateResult:
    """Run everything in one climate."""
    peak_mm = max(contest.et0_mm)
    plain: dict[str, Rule] = {
        "timer": FixedTimer(peak_mm),
        "rain-skipping timer": FixedTimer(peak_mm, RAIN_SKIP_MM),
        "refill": Refill(),
        "days of supply": DaysOfSupply(RATION_DAYS),
        "price": contest.rule(),
    }
    outcomes = {name: contest.run(rule) for name, rule in plain.items()}
    site = contest.site
    thermometer = ByPrice(site, known) if (known := outlook(site)) is not None else Refill()

    def wrong(season: Season) -> Errors:
        return coefficient_errors(site, season.year)

    def watched(season: Season) -> Errors:
        return coefficient_errors(site, season.year, owner_looks=True)

    outcomes["refill, errors"] = contest.run(Refill(), wrong)
    outcomes["price, errors"] = contest.run(thermometer, wrong)
    outcomes["price, errors, feedback"] = contest.run(thermometer, watched)
    saved = {rival: _saved_at_equal_stress(contest, outcomes[rival]) for rival in ("refill", "rain-skipping timer")}
    return ClimateResult(contest.climate.name, outcomes, contest.bounds(), saved)


def _saved_at_equal_stress(contest: Contest, rival: Sequence[Outcome]) -> float:
    """Part of the rival's water that the rule spares when a floor under the price makes its stress the rival's."""
    target = sum(outcome.score for outcome in rival)
    low, high = _LOWEST_FLOOR, _HIGHEST_FLOOR
    kept = contest.run(contest.rule(low))
    for _ in range(_EQUAL_STEPS):
        floor = math.sqrt(low * high)
        tried = contest.run(contest.rule(floor))
        if sum(outcome.score for outcome in tried) <= target:
            low, kept = floor, tried
        else:
            high = floor
    return 1.0 - sum(outcome.used_l for outcome in kept) / sum(outcome.used_l for outcome in rival)


def rows(results: Sequence[ClimateResult]) -> list[TrialRow]:
    """The table: what must be reached and what is aimed at, beside the rivals."""
    found = [_closed_row("gap closed, pooled", results, 0.55, 0.75)]
    for result in results:
        must, aim = {"Tunis": (0.70, 0.85), "Brussels": (0.3, 0.65)}.get(result.name, (0.3, 0.65))
        found.append(_closed_row(f"gap closed, {result.name}", [result], must, aim))
    for rival, must, aim in (("refill", 0.20, 0.35), ("rain-skipping timer", 0.45, 0.60)):
        worst = min(result.saved[rival] for result in results)
        found.append(TrialRow(f"water saved at equal stress against {rival}", {}, worst, must, aim, "part", "more"))
    seasons_judged = sum(len(result.bounds) for result in results)
    found.append(
        TrialRow(
            "container days beyond 0.9 of available water",
            {rule: _wilted(results, rule) / seasons_judged for rule in ("timer", "refill", "days of supply")},
            _wilted(results, "price") / seasons_judged,
            5.0,
            1.0,
            "a season",
        )
    )
    found.append(_worse_row("seasons worse than refill", results, "price", "refill", 0.10, 0.02))
    found.append(
        _worse_row("seasons worse than refill, both with errors", results, "price, errors", "refill, errors", 0.0, 0.0)
    )
    found.append(_worst_row(results))
    found.extend(_error_row(result) for result in results)
    found.append(_recovered_row(results))
    return found


def _closed_row(quantity: str, results: Sequence[ClimateResult], must: float, aim: float) -> TrialRow:
    def part(rule: str) -> float:
        pairs = [result.closed(rule) for result in results]
        return sum(gain for gain, _ in pairs) / sum(gap for _, gap in pairs)

    rivals = {rule: part(rule) for rule in ("timer", "rain-skipping timer", "days of supply")}
    return TrialRow(quantity, rivals, part("price"), must, aim, "part", "more")


def _wilted(results: Sequence[ClimateResult], rule: str) -> int:
    return sum(outcome.wilted_container_days for result in results for outcome in result.outcomes[rule])


def _worse_row(
    quantity: str, results: Sequence[ClimateResult], rule: str, rival: str, must: float, aim: float
) -> TrialRow:
    pairs = [
        (ours.score, theirs.score)
        for result in results
        for ours, theirs in zip(result.outcomes[rule], result.outcomes[rival], strict=True)
    ]
    worse = sum(ours > theirs + NOTICEABLE for ours, theirs in pairs)
    return TrialRow(quantity, {}, worse / len(pairs), must, aim, "part")


def _worst_row(results: Sequence[ClimateResult]) -> TrialRow:
    """The season that speaks most against the rule, with errors: points behind refill."""
    behind = max(
        ours.score - theirs.score
        for result in results
        for ours, theirs in zip(result.outcomes["price, errors"], result.outcomes["refill, errors"], strict=True)
    )
    return TrialRow("worst season with errors, behind refill", {}, behind, NOTICEABLE, 0.0, "points")


def _error_row(result: ClimateResult) -> TrialRow:
    count = len(result.bounds)
    refill, ours = result.total("refill, errors") / count, result.total("price, errors") / count
    return TrialRow(f"score with errors, {result.name}", {"refill": refill}, ours, refill, refill, "points")


def _recovered_row(results: Sequence[ClimateResult]) -> TrialRow:
    def total(rule: str) -> float:
        return sum(result.total(rule) for result in results)

    lost = total("price, errors") - total("price")
    recovered = (total("price, errors") - total("price, errors, feedback")) / lost
    return TrialRow("loss by errors recovered by the owner's words", {}, recovered, 0.0, 0.5, "part", "more")
