"""Is every planted mistake found? See `tests.scenario.planted`."""

from __future__ import annotations

from tests.scenario.campaign import Report, in_order
from tests.scenario.planted import MISTAKES, found


def planted(jobs: int) -> Report:
    """Does the judge find every mistake, by the promise it breaks?"""
    said = list(in_order(jobs, _found, range(len(MISTAKES))))
    unseen = [
        f"{mistake.id}, {mistake.what}: {mistake.promise} is broken, but {what or 'nothing was noticed'}"
        for mistake, what in zip(MISTAKES, said, strict=True)
        if what.partition(":")[0] != mistake.promise
    ]
    return Report((*unseen, f"{len(MISTAKES) - len(unseen)} of {len(MISTAKES)} found"), bool(unseen))


def _found(number: int) -> str:
    return found(MISTAKES[number])
