"""Twenty-five years of small gardens in which things break; `scripts/campaign` runs large ones for longer."""

from __future__ import annotations

import pytest

from tests.scenario.campaign import SMALL, years

YEARS_A_PART = 5.0
SEEDS_A_PART = 100


@pytest.mark.parametrize("part", range(5))
def test_for_years_whatever_breaks_every_promise_is_kept_and_nothing_is_told_that_is_not_so(part: int) -> None:
    told: list[str] = []
    report = years(YEARS_A_PART, SEEDS_A_PART * part, jobs=1, tell=told.append, kinds=(SMALL,))
    assert report.site_years >= YEARS_A_PART
    assert not report.failed, "\n".join((*told, *report.lines))
