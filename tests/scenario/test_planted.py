"""The judge is no ornament: each planted mistake is found, by its promise, where the sound program keeps every one."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import pytest

from tests.scenario import scripts_of_faults
from tests.scenario.directed import broken_promise
from tests.scenario.planted import MISTAKES, Mistake, found
from tests.scenario.promises import PROMISES

SCRIPTS = [
    function
    for name, function in vars(scripts_of_faults).items()
    if inspect.isfunction(function)
    and function.__module__ == scripts_of_faults.__name__
    and function.__annotations__["return"] == "None"
    and all(parameter.default is not parameter.empty for parameter in inspect.signature(function).parameters.values())
]


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.id)
def test_a_planted_mistake_is_found_by_the_promise_it_breaks(mistake: Mistake) -> None:
    assert found(mistake).partition(":")[0] == mistake.promise


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda script: script.__name__)
def test_the_sound_program_keeps_every_promise(script: Callable[[], None]) -> None:
    assert broken_promise(script) == ""


def test_there_are_mistakes_for_every_promise_and_every_group_of_faults() -> None:
    assert len(MISTAKES) >= 60
    assert len({mistake.id for mistake in MISTAKES}) == len(MISTAKES)
    assert {mistake.promise for mistake in MISTAKES} == set(PROMISES)
    assert {mistake.id.partition("-")[0] for mistake in MISTAKES} == set("SMNAPCDBH")
    assert {mistake.script for mistake in MISTAKES} <= set(SCRIPTS)
