"""What a trial found, as rows of one table: each rival's figure, ours, what it must reach and what it aims at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class TrialRow:
    """One quantity. `better` says whether less or more of it is good; `naive` maps rivals to their figures."""

    quantity: str
    naive: Mapping[str, float]
    ours: float
    must: float
    aim: float
    unit: str
    better: Literal["less", "more"] = "less"

    def reaches(self, bound: float) -> bool:
        """Whether ours is at least as good as a bound; not-a-number never is."""
        return self.ours <= bound if self.better == "less" else self.ours >= bound

    @property
    def verdict(self) -> str:
        return "aim" if self.reaches(self.aim) else "must" if self.reaches(self.must) else "MISSED"


def print_table(rows: Iterable[TrialRow]) -> bool:
    """Print one line a row; False when a must is missed."""
    kept = list(rows)
    print(f"{'quantity':<52} {'ours':>9} {'must':>9} {'aim':>9}  {'unit':<8} {'':<6} rivals")
    for row in kept:
        rivals = ", ".join(f"{name} {value:.3g}" for name, value in row.naive.items())
        print(
            f"{row.quantity:<52} {row.ours:>9.3g} {row.must:>9.3g} {row.aim:>9.3g}  {row.unit:<8} "
            f"{row.verdict:<6} {rivals}"
        )
    return all(row.reaches(row.must) for row in kept)
