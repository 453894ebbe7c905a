"""Whether anything is broken is asked field by field: none may be forgotten."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest

from simulator.plant.faults import PlantFaults

BROKEN: dict[type, Any] = {dict: {0: 1.0}, set: {0}, bool: True, float: 0.5, type(None): 12}


def test_of_a_sound_plant_nothing_stands() -> None:
    assert not PlantFaults().any_stands


@pytest.mark.parametrize("name", [field.name for field in fields(PlantFaults)])
def test_whatever_is_broken_stands_until_it_is_mended(name: str) -> None:
    faults = PlantFaults()
    sound = getattr(faults, name)
    setattr(faults, name, BROKEN[type(sound)])
    assert faults.any_stands
    setattr(faults, name, sound)
    assert not faults.any_stands
